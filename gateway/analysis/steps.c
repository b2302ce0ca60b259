#include "steps.h"

#include <math.h>
#include <string.h>

#define BAND_LEAST 0.045F /* a meter's last digit of 10 mA and its noise stay inside */
#define BAND_NOISES                                                                            \
    5.0F /* mean absolute deviations: four standard deviations of Gaussian noise */
#define NOISE_MOST 0.25F /* a load that never rests shall not hide the others altogether */
#define SETTLED 3        /* readings that rest make a level, over SETTLED_MS at least */
#define SETTLED_MS 1900
#define TURN 2          /* readings that rest at the bottom part a fall from a rise */
#define BOTTOM 0.15F    /* and a single reading that lies lower than both levels by so much */
#define STALE_MS 600000 /* a movement interrupted for this long is begun again */

static float band_of(const struct steps *s)
{
    return fmaxf(BAND_LEAST, BAND_NOISES * s->noise);
}

static float median(const float *from, int n)
{
    float v[STEPS_KEEP];

    v[0] = from[0];
    for (int i = 1; i < n; i++) {
        int k = i;
        for (; k > 0 && v[k - 1] > from[i]; k--)
            v[k] = v[k - 1];
        v[k] = from[i];
    }
    return (v[(n - 1) / 2] + v[n / 2]) / 2;
}

static void rest_at(struct steps *s, float level)
{
    s->level = level;
    s->known = true;
    s->kept = 0;
    s->band = band_of(s);
}

/* How many of the n readings up to there rest: all within twice the band (or 4 % of the
 * movement) of each other. */
static int resting(const struct steps *s, int n)
{
    float low = INFINITY, high = -INFINITY;
    int k = 0;

    while (k < n) {
        float x = s->amps[n - 1 - k];
        low = fminf(low, x);
        high = fmaxf(high, x);
        if (high - low > fmaxf(2 * band_of(s), 0.04F * fabsf(x - s->level)))
            break;
        k++;
    }
    return k;
}

static void keep(struct steps *s, int64_t mono_ms, int64_t wall_ms, float amps)
{
    if (s->kept == 0) {
        s->began_mono_ms = mono_ms;
        s->began_wall_ms = wall_ms;
    }
    if (s->kept == STEPS_KEEP) {
        memmove(s->amps, s->amps + 1, (STEPS_KEEP - 1) * sizeof s->amps[0]);
        memmove(s->after_ms, s->after_ms + 1, (STEPS_KEEP - 1) * sizeof s->after_ms[0]);
        s->kept--;
    }
    s->amps[s->kept] = amps;
    s->after_ms[s->kept] = (int32_t)(mono_ms - s->began_mono_ms);
    s->kept++;
    s->band = -1;
}

/* Three readings alike, between a seventh and three quarters of the way up. */
static bool staged(const struct steps *s, int n, float after)
{
    float d = after - s->level, alike = fmaxf(band_of(s), 0.03F * d);
    for (int i = 2; i < n && s->amps[i] < s->level + 0.75F * d; i++)
        if (s->amps[i - 2] > s->level + fmaxf(0.08F * d, 2 * band_of(s)) &&
            fabsf(s->amps[i] - s->amps[i - 1]) < alike &&
            fabsf(s->amps[i] - s->amps[i - 2]) < alike)
            return true;
    return false;
}

/* Three readings or more that rest at the beginning of a rise, before it goes on; *until: the
 * first beyond. */
static float way(const struct steps *s, int n, float after, int *until)
{
    float low = INFINITY, high = -INFINITY;
    int k = s->amps[1] > s->amps[0] + band_of(s); /* the first may lie half way */
    int from = k;
    for (; k < n; k++) {
        low = fminf(low, s->amps[k]);
        high = fmaxf(high, s->amps[k]);
        if (high - low > 2 * band_of(s))
            break;
    }
    if (k - from < SETTLED || k >= n)
        return after;
    *until = k;
    float level = median(s->amps + from, k - from);
    return level > s->level + 2 * band_of(s) && level < after - 2 * band_of(s) ? level : after;
}

/* The step made of the first n kept readings, the last `rested` of which are its new level. */
static struct step step_of(const struct steps *s, int n, int rested)
{
    struct step out = {.at_mono_ms = s->began_mono_ms,
                       .at_wall_ms = s->began_wall_ms,
                       .settled_mono_ms = s->began_mono_ms + s->after_ms[n - 1],
                       .before = s->level,
                       .after = median(s->amps + n - rested, rested),
                       .peak = s->amps[0]};
    int early = 0;
    for (int i = 0; i < n; i++)
        out.peak = fmaxf(out.peak, s->amps[i]);
    while (early < n && s->after_ms[early] <= STEPS_FIRST_MS)
        early++;
    for (int i = 0; i < STEPS_EARLY && i + 1 < n; i++) {
        out.early[i] = s->amps[i];
        out.early_ms[i] = s->after_ms[i + 1];
    }
    out.first = out.after;
    int until = 0;
    out.way = out.after > s->level ? way(s, n, out.after, &until) : out.after;
    out.way_ms = s->after_ms[until];
    out.staged = out.after > s->level && staged(s, n, out.after);
    if (early >= 4) {
        float m = median(s->amps + 1, early - 1);
        int near = 0;
        bool climbs = true;
        for (int i = 1; i < early; i++) {
            near += fabsf(s->amps[i] - m) <= fmaxf(band_of(s), 0.15F * fabsf(m - s->level));
            climbs = climbs && s->amps[i] > s->amps[i - 1] - band_of(s);
        }
        if (near >= 3 || climbs) /* else other loads came and went in between */
            out.first = m;
    }
    return out;
}

/* The levels' own noise where nothing rested: half the readings lie farther off. */
static float unrest(const struct steps *s, float level)
{
    float v[STEPS_KEEP];
    for (int i = 0; i < s->kept; i++)
        v[i] = fabsf(s->amps[i] - level);
    return s->kept ? fminf(NOISE_MOST, median(v, s->kept) / 2) : NOISE_MOST;
}

/* The noise that the newest n readings show: what belonged to another level is forgotten. */
static float calm(const struct steps *s, int n, float level)
{
    float sum = 0;
    for (int i = s->kept - n; i < s->kept; i++)
        sum += fabsf(s->amps[i] - level);
    return 1.5F * sum / (float)n;
}

/* The reading below both levels: something ended, and something else began; -1: none. */
static int bottom(const struct steps *s, int n, float after)
{
    float least = fminf(s->level, after), by = fmaxf(2 * band_of(s), BOTTOM * least);
    int k = 0;
    for (int i = 1; i < n; i++)
        if (s->amps[i] < s->amps[k])
            k = i;
    return s->amps[k] < least - by ? k : -1;
}

/* What was kept up to there is told; the rest is a movement from that level. */
static void go_on_from(struct steps *s, int n, float level)
{
    int64_t by = s->after_ms[n];
    s->level = level;
    s->kept -= n;
    memmove(s->amps, s->amps + n, (size_t)s->kept * sizeof s->amps[0]);
    memmove(s->after_ms, s->after_ms + n, (size_t)s->kept * sizeof s->after_ms[0]);
    for (int i = 0; i < s->kept; i++)
        s->after_ms[i] -= (int32_t)by;
    s->began_mono_ms += by;
    s->began_wall_ms += by;
}

enum steps_said steps_feed(struct steps *s, int64_t mono_ms, int64_t wall_ms, float amps,
                           struct step *out)
{
    float band = band_of(s);
    bool inside = s->known && fabsf(amps - s->level) <= band;

    if (s->kept > 0 && mono_ms - s->began_mono_ms > STALE_MS)
        s->kept = 0;
    if (inside) { /* quiet, or back where it came from */
        bool pulse = s->kept > 1;
        if (pulse) {
            *out = step_of(s, s->kept, 1);
            out->after = out->before;
        }
        rest_at(s, s->level);
        return pulse ? STEPS_PULSE : STEPS_NOTHING;
    }
    int low = s->known && s->kept >= TURN ? resting(s, s->kept) : 0;
    if (low >= TURN && s->amps[s->kept - 1] < s->level - band &&
        amps > s->amps[s->kept - 1] + fmaxf(2 * band, 0.04F * s->level)) { /* fell, now rises */
        *out = step_of(s, s->kept, low);
        rest_at(s, out->after);
        keep(s, mono_ms, wall_ms, amps);
        return STEPS_STEP;
    }
    keep(s, mono_ms, wall_ms, amps);
    int32_t lasted = s->after_ms[s->kept - 1];
    int n = resting(s, s->kept);
    int32_t rested = lasted - s->after_ms[s->kept - n];
    bool slow = s->kept >= 2 && lasted / (s->kept - 1) > STEPS_FIRST_MS / 2;
    bool settled = n >= (slow ? 2 : SETTLED) && rested >= SETTLED_MS;
    bool given_up = lasted >= STEPS_PATIENCE_MS && !slow;

    if (!s->known) {
        if (settled || given_up)
            rest_at(s, median(s->amps + s->kept - n, n));
        return STEPS_NOTHING;
    }
    if (!given_up && !(settled && (amps < s->level || lasted >= STEPS_FIRST_MS)))
        return STEPS_NOTHING;
    int k = settled ? bottom(s, s->kept - n, median(s->amps + s->kept - n, n)) : -1;
    if (k >= 0) {
        *out = step_of(s, k + 1, 1);
        go_on_from(s, k + 1, out->after);
        return STEPS_STEP;
    }
    if (!settled) {
        n = s->kept;
        *out = step_of(s, n, n);
        out->restless = true;
        s->noise = fmaxf(s->noise, unrest(s, out->after));
    } else {
        *out = step_of(s, s->kept, n);
        s->noise = fminf(s->noise, calm(s, n, out->after));
    }
    rest_at(s, out->after);
    return STEPS_STEP;
}

void steps_rested(struct steps *s, float offset, float deviation)
{
    s->level += offset;
    s->noise = fminf(NOISE_MOST,
                     s->noise + (deviation < s->noise ? 0.5F : 0.2F) * (deviation - s->noise));
    if (s->kept == 0)
        s->band = band_of(s);
}
