#include "habits.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_AMPS 0.5
#define SAME_SHARE 0.12 /* sizes that lie within this of each other are one load */
#define SAME_AMPS 0.3
#define FADE_DAYS 30.0
#define DAY_MS 86400000
#define LENGTHS 24 /* of runs: 5 s, then each sqrt 2 longer, up to 4 hours */
#define LENGTH_LEAST 5.0
#define LENGTH_UNKNOWN_FROM 5 /* a load never seen runs for half a minute to two hours, */
#define LENGTH_UNKNOWN_TO 21  /* any of these lengths as likely as another */

struct habit {
    double amps; /* 0: free */
    double counts[HABITS_HOURS];
    double lengths[LENGTHS];
    int64_t fresh_wall_ms; /* counts stand for this moment */
};

struct circuit_habits {
    struct habit habits[HABITS_OF_CIRCUIT];
    double largest;
};

struct habits {
    const struct site *site;
    double days; /* watched, fading like the counts */
    int64_t days_mono_ms;
    int64_t wall_ms;
    int hours; /* part of the day now */
    bool started;
    struct circuit_habits circuits[];
};

struct habits *habits_create(const struct site *s)
{
    struct habits *h = calloc(1, sizeof *h + s->circuit_count * sizeof h->circuits[0]);
    if (h)
        h->site = s;
    return h;
}

void habits_destroy(struct habits *h)
{
    free(h);
}

static int hours_of(int64_t wall_ms, int32_t offset)
{
    int64_t local = (wall_ms + (int64_t)offset * 1000) % DAY_MS;
    return (int)((local + DAY_MS) % DAY_MS * HABITS_HOURS / DAY_MS);
}

void habits_step(struct habits *h, const struct frame *f)
{
    h->wall_ms = f->wall_ms;
    if (!h->started) {
        h->started = true;
        h->days_mono_ms = f->mono_ms;
    }
    double days = (double)(f->mono_ms - h->days_mono_ms) / DAY_MS;
    if (days < 0.001)
        return;
    h->hours = hours_of(f->wall_ms, f->utc_offset_seconds);
    h->days = h->days * exp(-days / FADE_DAYS) + days;
    h->days_mono_ms = f->mono_ms;
}

static bool same_size(double a, double b)
{
    return fabs(a - b) <= SAME_SHARE * fmax(a, b) + SAME_AMPS;
}

static double total(const struct habit *x)
{
    double sum = 0.0;
    for (int i = 0; i < HABITS_HOURS; i++)
        sum += x->counts[i];
    return sum;
}

static struct habit *find(struct circuit_habits *c, double amps)
{
    struct habit *best = NULL;
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++) {
        struct habit *x = &c->habits[i];
        if (x->amps > 0.0 && same_size(x->amps, amps) &&
            (!best || fabs(x->amps - amps) < fabs(best->amps - amps)))
            best = x;
    }
    return best;
}

/* the one that is told of next when a new size comes: free, or the rarest */
static struct habit *room(struct circuit_habits *c)
{
    struct habit *rarest = &c->habits[0];
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++) {
        if (c->habits[i].amps == 0.0)
            return &c->habits[i];
        if (total(&c->habits[i]) < total(rarest))
            rarest = &c->habits[i];
    }
    *rarest = (struct habit){0};
    return rarest;
}

static void fade(struct habit *x, int64_t wall_ms)
{
    double days = (double)(wall_ms - x->fresh_wall_ms) / DAY_MS;
    if (x->fresh_wall_ms != 0 && days > 0.0) {
        double e = exp(-days / FADE_DAYS);
        for (int i = 0; i < HABITS_HOURS; i++)
            x->counts[i] *= e;
        for (int i = 0; i < LENGTHS; i++)
            x->lengths[i] *= e;
    }
    x->fresh_wall_ms = wall_ms;
}

static int length_of(double seconds)
{
    double n = 2.0 * log2(fmax(seconds, LENGTH_LEAST) / LENGTH_LEAST);
    return n >= LENGTHS - 1 ? LENGTHS - 1 : (int)n;
}

static void note_largest(struct circuit_habits *c)
{
    c->largest = 0.0;
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++)
        c->largest = fmax(c->largest, c->habits[i].amps);
}

void habits_event(struct habits *h, const struct event *e)
{
    if ((e->type != EVENT_LOAD_ON && e->type != EVENT_LOAD_OFF) || e->load.amps < LEAST_AMPS)
        return;
    struct circuit_habits *c = &h->circuits[e->circuit];
    struct habit *x = find(c, e->load.amps);
    if (e->type == EVENT_LOAD_OFF) {
        if (x)
            x->lengths[length_of(e->load.seconds)] += 1.0;
        return;
    }
    if (!x) {
        x = room(c);
        x->amps = e->load.amps;
    }
    fade(x, h->wall_ms);
    x->amps += 0.2 * (e->load.amps - x->amps);
    x->counts[h->hours] += 1.0;
    note_largest(c);
}

double habits_largest_amps(const struct habits *h, int circuit)
{
    return h->circuits[circuit].largest;
}

/* weight of one length, what is unknown of it included */
static double length_weight(const struct habit *x, int n)
{
    double unknown = n >= LENGTH_UNKNOWN_FROM && n < LENGTH_UNKNOWN_TO
                         ? 1.0 / (LENGTH_UNKNOWN_TO - LENGTH_UNKNOWN_FROM)
                         : 0.0;
    return (x ? x->lengths[n] : 0.0) + unknown;
}

/* the length that `share` of the runs longer than elapsed stay below */
static double length_quantile(const struct habit *x, double elapsed, double share)
{
    double sum = 0.0, left[LENGTHS];
    for (int n = 0; n < LENGTHS; n++) {
        double from = LENGTH_LEAST * exp2(0.5 * n), to = from * M_SQRT2;
        double part = elapsed <= from ? 1.0
                      : elapsed >= to ? 0.0
                                      : log(to / elapsed) / log(M_SQRT2);
        left[n] = part * length_weight(x, n);
        sum += left[n];
    }
    if (sum <= 0.0)
        return 2.0 * elapsed; /* longer than ever: as long again */
    double at = 0.0;
    for (int n = 0; n < LENGTHS; n++) {
        if (at + left[n] >= share * sum) {
            double from = fmax(elapsed, LENGTH_LEAST * exp2(0.5 * n)),
                   to = LENGTH_LEAST * exp2(0.5 * (n + 1));
            return from + (to - from) * (share * sum - at) / left[n];
        }
        at += left[n];
    }
    return LENGTH_LEAST * exp2(0.5 * LENGTHS);
}

static size_t running_of(const struct habit *x, const struct event_load *running, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (same_size(running[i].amps, x->amps))
            return 1;
    return 0;
}

size_t habits_joins(const struct habits *h, int circuit, double seconds,
                    const struct event_load *running, size_t running_count,
                    struct habit_join out[HABITS_OF_CIRCUIT])
{
    const struct circuit_habits *c = &h->circuits[circuit];
    size_t n = 0;
    double days = fmax(h->days, 1.0);
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++) {
        const struct habit *x = &c->habits[i];
        if (x->amps == 0.0 || running_of(x, running, running_count))
            continue;
        double here = 0.75 * x->counts[h->hours] + 0.25 * total(x) / HABITS_HOURS;
        double per_second = here / (days * 86400.0 / HABITS_HOURS);
        out[n++] = (struct habit_join){.amps = x->amps,
                                       .count = total(x),
                                       .chance = -expm1(-per_second * seconds),
                                       .seconds = length_quantile(x, 0.0, 0.5)};
    }
    return n;
}

double habits_remaining_seconds(const struct habits *h, int circuit, double amps,
                                double elapsed, double share)
{
    const struct circuit_habits *c = &h->circuits[circuit];
    const struct habit *x = NULL;
    for (int i = 0; i < HABITS_OF_CIRCUIT && !x; i++)
        if (c->habits[i].amps > 0.0 && same_size(c->habits[i].amps, amps))
            x = &c->habits[i];
    return length_quantile(x, elapsed, share) - elapsed;
}

#define STATE_VERSION 1

void habits_save(const struct habits *h, struct codec_out *out)
{
    codec_put_u32(out, STATE_VERSION);
    codec_put_f64(out, h->days);
    for (size_t i = 0; i < h->site->circuit_count; i++) {
        size_t begun = codec_begin(out, 1);
        codec_put_string(out, h->site->circuits[i].id);
        for (int k = 0; k < HABITS_OF_CIRCUIT; k++) {
            const struct habit *x = &h->circuits[i].habits[k];
            if (x->amps == 0.0)
                continue;
            codec_put_u8(out, 1);
            codec_put_f64(out, x->amps);
            codec_put_i64(out, x->fresh_wall_ms);
            for (int n = 0; n < HABITS_HOURS; n++)
                codec_put_f32(out, (float)x->counts[n]);
            for (int n = 0; n < LENGTHS; n++)
                codec_put_f32(out, (float)x->lengths[n]);
        }
        codec_put_u8(out, 0);
        codec_end(out, begun);
    }
}

static double get_count(struct codec_in *in)
{
    double v = (double)codec_get_f32(in);
    in->failed |= v < 0.0 || v > 1e9;
    return v;
}

/* false: damaged */
static bool get_circuit(struct codec_in *in, char id[SITE_ID_SIZE], struct circuit_habits *c)
{
    int k = 0;
    *c = (struct circuit_habits){0};
    codec_get_string(in, id, SITE_ID_SIZE);
    for (; codec_get_u8(in) == 1 && k < HABITS_OF_CIRCUIT; k++) {
        struct habit *x = &c->habits[k];
        x->amps = codec_get_f64(in);
        x->fresh_wall_ms = codec_get_i64(in);
        for (int n = 0; n < HABITS_HOURS; n++)
            x->counts[n] = get_count(in);
        for (int n = 0; n < LENGTHS; n++)
            x->lengths[n] = get_count(in);
        in->failed |= x->amps <= 0.0 || x->amps > (double)FRAME_MAX_AMPS;
    }
    note_largest(c);
    return !in->failed;
}

bool habits_load(struct habits *h, struct codec_in *in)
{
    uint32_t tag;
    char id[SITE_ID_SIZE];
    struct circuit_habits c;
    struct codec_in section, again;
    if (codec_get_u32(in) != STATE_VERSION)
        return false;
    double days = codec_get_f64(in);
    again = *in;
    while (codec_next(in, &tag, &section)) /* once to look, so that damage changes nothing */
        if (tag == 1 && !get_circuit(&section, id, &c))
            return false;
    if (in->failed || days < 0.0)
        return false;
    while (codec_next(&again, &tag, &section)) {
        if (tag != 1 || !get_circuit(&section, id, &c))
            continue;
        int circuit = site_find_circuit(h->site, id);
        if (circuit >= 0)
            h->circuits[circuit] = c;
    }
    h->days = days;
    return true;
}
