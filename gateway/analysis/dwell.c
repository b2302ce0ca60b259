#include "dwell.h"

#include <math.h>
#include <string.h>

#define STEP 1.25
#define SAME_SHARE 0.08 /* a current that moves no more is the same, */
#define SAME_AMPS 0.3   /* nor one that moves by so little */
#define GAP_MS 10000
#define KEPT 0.98F /* of what was known, with every end: the last fifty weigh */
/* before anything is known: of three stays that have come so far, two outlast the stretch */
#define PRIOR_ENDS 0.33
#define KNOWN 2.0 /* ends, or stays that outlast the first stretch, before anything is said */

static const double until[DWELL_STRETCHES] = {5, 15, 45, 135, 405, 1215, 3645, 1e12};

static double width(int n)
{
    return until[n] - (n > 0 ? until[n - 1] : 0.0);
}

static int level_of(double amps, double rating)
{
    int n = (int)floor(log(amps / (DWELL_LEAST * rating)) / log(STEP));
    return n < 0 ? 0 : n >= DWELL_LEVELS ? DWELL_LEVELS - 1 : n;
}

static void end_stay(struct dwell *d, int64_t mono_ms, double rating, bool counts)
{
    struct dwell_level *l = &d->at[level_of((double)d->amps, rating)];
    double lasted = (double)(mono_ms - d->since_ms) * 1e-3;
    int n = 0;
    for (int k = 0; k < DWELL_STRETCHES; k++) {
        l->ends[k] *= counts ? KEPT : 1.0F;
        l->seconds[k] *= counts ? KEPT : 1.0F;
    }
    for (; lasted > until[n]; n++)
        l->seconds[n] += (float)width(n);
    l->seconds[n] += (float)(lasted - until[n] + width(n));
    l->ends[n] += counts ? 1.0F : 0.0F;
    d->amps = 0.0F;
}

void dwell_read(struct dwell *d, int64_t mono_ms, double amps, double rating, double nothing)
{
    if (mono_ms - d->last_ms > GAP_MS)
        d->amps = 0.0F;
    double from = d->amps > 0.0F ? (double)d->amps : (double)d->last;
    bool moved = fabs(amps - from) > SAME_SHARE * (amps > from ? amps : from) + SAME_AMPS;
    if (moved && d->amps > 0.0F)
        end_stay(d, mono_ms, rating, amps > nothing && amps < from);
    if (moved && amps > from && amps >= DWELL_LEAST * rating) {
        d->amps = (float)amps;
        d->before = (float)from;
        d->since_ms = mono_ms;
    }
    d->last = (float)amps;
    d->last_ms = mono_ms;
}

bool dwell_knows(const struct dwell *d, double rating)
{
    if (!(d->amps > 0.0F))
        return false;
    const struct dwell_level *l = &d->at[level_of((double)d->amps, rating)];
    double ends = 0.0, outlasted = (double)l->seconds[0] / width(0);
    for (int n = 0; n < DWELL_STRETCHES; n++)
        ends += (double)l->ends[n];
    return fmax(ends, outlasted) >= KNOWN;
}

double dwell_ends(const struct dwell *d, int64_t mono_ms, double rating, double share)
{
    if (!dwell_knows(d, rating))
        return (double)INFINITY;
    const struct dwell_level *l = &d->at[level_of((double)d->amps, rating)];
    double at = (double)(mono_ms - d->since_ms) * 1e-3, since = at;
    double left = -log1p(-share); /* ends to be expected until then */
    for (int n = 0; n < DWELL_STRETCHES - 1; n++) {
        if (at >= until[n])
            continue;
        double rate = ((double)l->ends[n] + PRIOR_ENDS) / ((double)l->seconds[n] + width(n));
        if (left <= rate * (until[n] - at))
            return at + left / rate - since;
        left -= rate * (until[n] - at);
        at = until[n];
    }
    return (double)INFINITY; /* hours */
}

bool dwell_empty(const struct dwell *d)
{
    for (int n = 0; n < DWELL_LEVELS; n++)
        for (int k = 0; k < DWELL_STRETCHES; k++)
            if (d->at[n].seconds[k] > 0.0F)
                return false;
    return true;
}

void dwell_save(const struct dwell *d, struct codec_out *out)
{
    for (int n = 0; n < DWELL_LEVELS; n++)
        for (int k = 0; k < DWELL_STRETCHES; k++) {
            codec_put_f32(out, d->at[n].ends[k]);
            codec_put_f32(out, d->at[n].seconds[k]);
        }
}

bool dwell_load(struct dwell *d, struct codec_in *in)
{
    struct dwell found = {0};
    for (int n = 0; n < DWELL_LEVELS; n++)
        for (int k = 0; k < DWELL_STRETCHES; k++) {
            struct dwell_level *l = &found.at[n];
            l->ends[k] = codec_get_f32(in);
            l->seconds[k] = codec_get_f32(in);
            in->failed |= l->ends[k] < 0.0F || l->seconds[k] < 0.0F;
        }
    if (in->failed)
        return false;
    memcpy(d->at, found.at, sizeof d->at);
    return true;
}
