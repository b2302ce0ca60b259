#include "habits.h"

#include "pace.h"

#include "base/heap.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_AMPS 0.2   /* small ones announce others, ... */
#define JOINING_AMPS 1.5 /* ... from here on it matters who comes */
#define TOLD_AMPS 0.5    /* and from here on they are told of */
#define SAME_SHARE 0.12  /* sizes that lie within this of each other are one load */
#define SAME_AMPS 0.3
#define FADE_DAYS 30.0
#define DAY_MS 86400000
#define LENGTHS 24 /* of runs: 5 s, then each sqrt 2 longer, up to 4 hours */
#define LENGTH_LEAST 5.0
#define LENGTH_UNKNOWN_FROM 5 /* a load never seen runs for half a minute to two hours, */
#define LENGTH_UNKNOWN_TO 21  /* any of these lengths as likely as another */
#define NEVER_MS INT64_MIN

#define SECOND_ONE 0.25   /* of the comings of a size: while nothing is known of two */
#define STALE_MS 43200000 /* nothing runs so long without a word: an end was missed */

struct habit {
    double amps; /* 0: free */
    double counts[HABITS_HOURS];
    double lengths[LENGTHS];
    struct pace idle, busy; /* while none of the size runs, while one does */
    struct pace_after after[HABITS_OF_CIRCUIT]; /* others that followed this one */
    int64_t fresh_wall_ms;                      /* counts stand for this moment */
    int64_t came_ms, turned_ms;                 /* last came on; last came or went; NEVER_MS */
    int on;                                     /* how many of the size run */
};

struct circuit_habits {
    struct habit habits[HABITS_OF_CIRCUIT];
    double largest;
};

struct habits {
    const struct site *site;
    double days; /* watched, fading like the counts */
    int64_t days_mono_ms;
    int64_t mono_ms, wall_ms;
    int hours; /* part of the day now */
    bool started;
    struct circuit_habits circuits[];
};

struct habits *habits_create(const struct site *s)
{
    struct habits *h = heap_table(1, sizeof *h + s->circuit_count * sizeof h->circuits[0]);
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
    h->mono_ms = f->mono_ms;
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

/* place for a new size: free, or where the rarest was */
static struct habit *room(struct circuit_habits *c)
{
    struct habit *place = &c->habits[0];
    for (int i = 0; i < HABITS_OF_CIRCUIT && place->amps > 0.0; i++)
        if (c->habits[i].amps == 0.0 || total(&c->habits[i]) < total(place))
            place = &c->habits[i];
    *place = (struct habit){.came_ms = NEVER_MS, .turned_ms = NEVER_MS};
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++)
        c->habits[i].after[place - c->habits] = (struct pace_after){0};
    return place;
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
        pace_fade(&x->idle, e);
        pace_fade(&x->busy, e);
        for (int i = 0; i < HABITS_OF_CIRCUIT; i++)
            pace_fade_after(&x->after[i], e);
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

static double seconds_since(const struct habits *h, int64_t ms)
{
    return ms == NEVER_MS ? PACE_LONG : (double)(h->mono_ms - ms) * 1e-3;
}

/* it came or went: the time since the last such moment was watched */
static void turn(const struct habits *h, struct habit *x, bool comes)
{
    double since = seconds_since(h, x->turned_ms);
    if (x->turned_ms != NEVER_MS)
        pace_watched(x->on > 0 ? &x->busy : &x->idle, since, comes);
    if (since * 1000.0 > STALE_MS)
        x->on = 0;
    x->on = comes ? x->on + 1 : x->on > 0 ? x->on - 1 : 0;
    x->turned_ms = h->mono_ms;
}

/* x comes: whom does it follow? Of each only once. */
static void note_following(const struct habits *h, struct circuit_habits *c, struct habit *x)
{
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++) {
        struct habit *first = &c->habits[i];
        if (first == x || first->amps == 0.0 || first->came_ms == NEVER_MS ||
            x->came_ms >= first->came_ms)
            continue;
        double since = seconds_since(h, first->came_ms);
        if (since <= PACE_AFTER_MOST)
            pace_followed(&first->after[x - c->habits], since);
    }
}

/* weight of one length, what is unknown of it included */
static double length_weight(const struct habit *x, int n)
{
    double unknown = n >= LENGTH_UNKNOWN_FROM && n < LENGTH_UNKNOWN_TO
                         ? 1.0 / (LENGTH_UNKNOWN_TO - LENGTH_UNKNOWN_FROM)
                         : 0.0;
    return (x ? x->lengths[n] : 0.0) + unknown;
}

/* how much of one length's weight is longer than elapsed */
static double longer_weight(const struct habit *x, int n, double elapsed)
{
    double from = LENGTH_LEAST * exp2(0.5 * n), to = from * M_SQRT2;
    double part = elapsed <= from ? 1.0
                  : elapsed >= to ? 0.0
                                  : log(to / elapsed) / log(M_SQRT2);
    return part * length_weight(x, n);
}

/* It ran for so long, and would have run on: how long it would have is shared out among the
 * longer runs (else the openings would teach that loads are short). */
static void outlasts(struct habit *x, double seconds)
{
    double sum = 0.0, longer[LENGTHS];
    for (int n = 0; n < LENGTHS; n++)
        sum += longer[n] = longer_weight(x, n, seconds);
    for (int n = 0; n < LENGTHS && sum > 0.0; n++)
        x->lengths[n] += longer[n] / sum;
}

void habits_event(struct habits *h, const struct event *e)
{
    if ((e->type != EVENT_LOAD_ON && e->type != EVENT_LOAD_OFF) || e->load.amps < LEAST_AMPS)
        return;
    struct circuit_habits *c = &h->circuits[e->circuit];
    struct habit *x = find(c, e->load.amps);
    if (e->type == EVENT_LOAD_OFF) {
        if (x) {
            if (e->load.cut)
                outlasts(x, e->load.seconds);
            else
                x->lengths[length_of(e->load.seconds)] += 1.0;
            turn(h, x, false);
        }
        return;
    }
    if (!x) {
        x = room(c);
        x->amps = e->load.amps;
    }
    fade(x, h->wall_ms);
    x->amps += 0.2 * (e->load.amps - x->amps);
    x->counts[h->hours] += 1.0;
    turn(h, x, true);
    if (e->load.amps >= JOINING_AMPS)
        note_following(h, c, x);
    x->came_ms = h->mono_ms;
    note_largest(c);
}

double habits_largest_amps(const struct habits *h, int circuit)
{
    return h->circuits[circuit].largest;
}

bool habits_knows(const struct habits *h, int circuit, double amps)
{
    const struct circuit_habits *c = &h->circuits[circuit];
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++)
        if (c->habits[i].amps >= TOLD_AMPS && same_size(c->habits[i].amps, amps) &&
            total(&c->habits[i]) >= HABITS_SEEN)
            return true;
    return false;
}

/* the length that `share` of the runs longer than elapsed stay below */
static double length_quantile(const struct habit *x, double elapsed, double share)
{
    double sum = 0.0, left[LENGTHS];
    for (int n = 0; n < LENGTHS; n++) {
        left[n] = longer_weight(x, n, elapsed);
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

static bool runs(const struct habit *x, const struct event_load *running, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (same_size(running[i].amps, x->amps))
            return true;
    return false;
}

size_t habits_joins(const struct habits *h, int circuit,
                    struct habit_join out[HABITS_OF_CIRCUIT])
{
    const struct circuit_habits *c = &h->circuits[circuit];
    size_t n = 0;
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++) {
        const struct habit *x = &c->habits[i];
        if (x->amps >= TOLD_AMPS)
            out[n++] = (struct habit_join){.place = i,
                                           .amps = x->amps,
                                           .count = total(x),
                                           .seconds = length_quantile(x, 0.0, 0.5)};
    }
    return n;
}

double habits_expects(const struct habits *h, int circuit, const struct habit_join *join,
                      const struct event_load *running, size_t running_count, double seconds)
{
    const struct circuit_habits *c = &h->circuits[circuit];
    const struct habit *x = &c->habits[join->place];
    double days = fmax(h->days, 1.0);
    double here = 0.75 * x->counts[h->hours] + 0.25 * total(x) / HABITS_HOURS;
    double plain = fmax(here, 0.1) / (days * 86400.0 / HABITS_HOURS);
    bool busy = runs(x, running, running_count);
    double most = pace_expects(busy ? &x->busy : &x->idle, seconds_since(h, x->turned_ms),
                               seconds, busy ? SECOND_ONE * plain : plain);
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++) {
        const struct habit *first = &c->habits[i];
        if (first == x || first->amps == 0.0 || first->came_ms == NEVER_MS ||
            x->came_ms >= first->came_ms)
            continue;
        double since = seconds_since(h, first->came_ms);
        if (since < PACE_AFTER_MOST)
            most = fmax(most, pace_expects_after(&first->after[join->place], total(first),
                                                 since, seconds, plain));
    }
    return most;
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

#define STATE_VERSION 2 /* 1: without the paces */

static void put_pace(const struct pace *p, struct codec_out *out)
{
    for (int n = 0; n < PACE_STRETCHES; n++) {
        codec_put_f32(out, p->events[n]);
        codec_put_f32(out, p->seconds[n]);
    }
}

static void put_habit(const struct habit *x, struct codec_out *out)
{
    codec_put_f64(out, x->amps);
    codec_put_i64(out, x->fresh_wall_ms);
    for (int n = 0; n < HABITS_HOURS; n++)
        codec_put_f32(out, (float)x->counts[n]);
    for (int n = 0; n < LENGTHS; n++)
        codec_put_f32(out, (float)x->lengths[n]);
    put_pace(&x->idle, out);
    put_pace(&x->busy, out);
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++)
        for (int n = 0; n < PACE_AFTERS; n++)
            codec_put_f32(out, x->after[i].followed[n]);
}

void habits_save(const struct habits *h, struct codec_out *out)
{
    codec_put_u32(out, STATE_VERSION);
    codec_put_f64(out, h->days);
    for (size_t i = 0; i < h->site->circuit_count; i++) {
        size_t begun = codec_begin(out, 1);
        codec_put_string(out, h->site->circuits[i].id);
        for (int k = 0; k < HABITS_OF_CIRCUIT && h->circuits[i].habits[k].amps > 0.0; k++) {
            codec_put_u8(out, 1);
            put_habit(&h->circuits[i].habits[k], out);
        }
        codec_put_u8(out, 0);
        codec_end(out, begun);
    }
}

static double get_count(struct codec_in *in)
{
    double v = (double)codec_get_f32(in);
    in->failed |= v < 0.0 || v > 1e12;
    return v;
}

static void get_pace(struct codec_in *in, struct pace *p)
{
    for (int n = 0; n < PACE_STRETCHES; n++) {
        p->events[n] = (float)get_count(in);
        p->seconds[n] = (float)get_count(in);
    }
}

static void get_habit(struct codec_in *in, uint32_t version, struct habit *x)
{
    *x = (struct habit){.came_ms = NEVER_MS, .turned_ms = NEVER_MS};
    x->amps = codec_get_f64(in);
    x->fresh_wall_ms = codec_get_i64(in);
    for (int n = 0; n < HABITS_HOURS; n++)
        x->counts[n] = get_count(in);
    for (int n = 0; n < LENGTHS; n++)
        x->lengths[n] = get_count(in);
    in->failed |= x->amps <= 0.0 || x->amps > (double)FRAME_MAX_AMPS;
    if (version < 2)
        return;
    get_pace(in, &x->idle);
    get_pace(in, &x->busy);
    for (int i = 0; i < HABITS_OF_CIRCUIT; i++)
        for (int n = 0; n < PACE_AFTERS; n++)
            x->after[i].followed[n] = (float)get_count(in);
}

/* false: damaged */
static bool get_circuit(struct codec_in *in, uint32_t version, char id[SITE_ID_SIZE],
                        struct circuit_habits *c)
{
    *c = (struct circuit_habits){0};
    codec_get_string(in, id, SITE_ID_SIZE);
    for (int k = 0; codec_get_u8(in) == 1 && k < HABITS_OF_CIRCUIT; k++)
        get_habit(in, version, &c->habits[k]);
    note_largest(c);
    return !in->failed;
}

bool habits_load(struct habits *h, struct codec_in *in)
{
    uint32_t tag, version = codec_get_u32(in);
    char id[SITE_ID_SIZE];
    struct circuit_habits c;
    struct codec_in section, again;
    if (version < 1 || version > STATE_VERSION)
        return false;
    double days = codec_get_f64(in);
    again = *in;
    while (codec_next(in, &tag, &section)) /* once to look, so that damage changes nothing */
        if (tag == 1 && !get_circuit(&section, version, id, &c))
            return false;
    if (in->failed || days < 0.0)
        return false;
    while (codec_next(&again, &tag, &section)) {
        if (tag != 1 || !get_circuit(&section, version, id, &c))
            continue;
        int circuit = site_find_circuit(h->site, id);
        if (circuit >= 0)
            h->circuits[circuit] = c;
    }
    h->days = days;
    return true;
}
