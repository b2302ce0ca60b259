#include "wiring_walk.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PLANS 10 /* the newest; those before are older than what noise is measured on */
#define KEPT_MS (TRACE_BEFORE_MS + 300000) /* of frames: before the first of three tries */
#define EARLY_MS 500                       /* of the hand */
#define SETTLE_MS 1750                     /* of the load and the meter, behind a beat */
#define DELAYS 7                           /* of the hand, half seconds */
#define CLEARLY 1.3 /* the most that its current can be against the least */

struct wiring_walk {
    const struct site *site;
    int64_t *at_mono_ms;
    float *amps, *watts; /* count rows of poles_total */
    size_t count, room;
    struct trace_plan plans[PLANS];
    size_t plan_count, tries; /* of the circuit that is walked */
    int walking, load;
    bool again;
    struct wiring_walked last;
    struct wiring_walked *walked; /* a circuit */
};

struct wiring_walk *wiring_walk_create(const struct site *s)
{
    struct wiring_walk *w = calloc(1, sizeof *w);
    if (!w)
        return NULL;
    *w = (struct wiring_walk){.site = s, .walking = -1};
    w->walked = calloc(s->circuit_count + 1, sizeof *w->walked);
    if (!w->walked) {
        wiring_walk_destroy(w);
        return NULL;
    }
    return w;
}

void wiring_walk_destroy(struct wiring_walk *w)
{
    if (!w)
        return;
    free(w->at_mono_ms);
    free(w->amps);
    free(w->watts);
    free(w->walked);
    free(w);
}

/* ---- frames ------------------------------------------------------------------------------ */

static void drop_old(struct wiring_walk *w, int64_t now_mono_ms)
{
    size_t old = 0, poles = w->site->poles_total;
    while (old < w->count && w->at_mono_ms[old] < now_mono_ms - KEPT_MS)
        old++;
    w->count -= old;
    memmove(w->at_mono_ms, w->at_mono_ms + old, w->count * sizeof *w->at_mono_ms);
    memmove(w->amps, w->amps + old * poles, w->count * poles * sizeof *w->amps);
    memmove(w->watts, w->watts + old * poles, w->count * poles * sizeof *w->watts);
}

static bool make_room(struct wiring_walk *w, int64_t now_mono_ms)
{
    if (w->count < w->room)
        return true;
    if (w->count > 0)
        drop_old(w, now_mono_ms);
    if (w->count < w->room / 2) /* moving that much each time would be dear */
        return true;
    size_t room = w->room ? 2 * w->room : 1024;
    size_t row = (w->site->poles_total + 1) * sizeof *w->amps;
    int64_t *at = realloc(w->at_mono_ms, room * sizeof *at);
    if (at)
        w->at_mono_ms = at;
    float *amps = realloc(w->amps, room * row), *watts = realloc(w->watts, room * row);
    if (amps)
        w->amps = amps;
    if (watts)
        w->watts = watts;
    if (at && amps && watts)
        w->room = room;
    return w->count < w->room;
}

void wiring_walk_feed(struct wiring_walk *w, const struct frame *f)
{
    if ((w->count > 0 && f->mono_ms <= w->at_mono_ms[w->count - 1]) ||
        !make_room(w, f->mono_ms))
        return;
    w->at_mono_ms[w->count] = f->mono_ms;
    memcpy(w->amps + w->count * f->poles, frame_amps(f), f->poles * sizeof *w->amps);
    memcpy(w->watts + w->count * f->poles, f->values + frame_section(f, FRAME_WATTS),
           f->poles * sizeof *w->watts);
    w->count++;
}

/* ---- how much ---------------------------------------------------------------------------- */

static double mean_of(const struct wiring_walk *w, const float *series, size_t pole,
                      int64_t from_mono_ms, int64_t before_mono_ms)
{
    double sum = 0.0;
    size_t n = 0;
    for (size_t i = w->count; i > 0 && w->at_mono_ms[i - 1] >= from_mono_ms; i--) {
        float v = series[(i - 1) * w->site->poles_total + pole];
        if (w->at_mono_ms[i - 1] >= before_mono_ms || isnan(v))
            continue; /* a slower bus is not in every frame */
        sum += (double)v;
        n++;
    }
    return sum / (double)n; /* NaN when there is none */
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The middle of the levels without and with the load, and of the steps; what else is switched
 * on the circuit spoils one or two of the eight. False where a reading is missing. */
static bool levels(const struct wiring_walk *w, const struct trace_plan *p, const float *series,
                   size_t pole, int64_t delay_ms, double *off, double *step)
{
    double offs[TRACE_BEATS], steps[TRACE_BEATS];
    for (int i = 0; i < TRACE_BEATS; i++) {
        int64_t at = p->at_wall_ms[i] + delay_ms;
        double before = mean_of(w, series, pole, at - EARLY_MS - p->beat_ms, at - EARLY_MS);
        double after = mean_of(w, series, pole, at + SETTLE_MS, at + SETTLE_MS + p->beat_ms);
        offs[i] = i % 2 ? after : before;
        steps[i] = i % 2 ? before - after : after - before;
        if (isnan(steps[i]))
            return false;
    }
    qsort(offs, TRACE_BEATS, sizeof offs[0], by_size);
    qsort(steps, TRACE_BEATS, sizeof steps[0], by_size);
    *off = (offs[TRACE_BEATS / 2 - 1] + offs[TRACE_BEATS / 2]) / 2.0;
    *step = (steps[TRACE_BEATS / 2 - 1] + steps[TRACE_BEATS / 2]) / 2.0;
    return true;
}

/* of the pole that steps most, at the delay of the hand at which it does */
static void measure(const struct wiring_walk *w, const struct trace_plan *p, int circuit,
                    struct wiring_walked *k)
{
    const struct site_circuit *c = &w->site->circuits[circuit];
    double most = 0.0;
    for (int i = 0; i < c->poles; i++)
        for (int d = 0; d < DELAYS; d++) {
            size_t pole = (size_t)c->first_pole + (size_t)i;
            double off, step, watts_off, watts;
            if (!levels(w, p, w->amps, pole, 500 * (int64_t)d, &off, &step) || !(step > most))
                continue;
            most = step;
            k->least_amps = step;
            k->most_amps = step + 2.0 * off;
            k->watts = levels(w, p, w->watts, pole, 500 * (int64_t)d, &watts_off, &watts)
                           ? fabs(watts)
                           : (double)NAN;
        }
}

bool wiring_walked_clearly(const struct wiring_walked *k)
{
    return k->watts > 0.0 || k->most_amps <= CLEARLY * k->least_amps;
}

/* ---- walks ------------------------------------------------------------------------------- */

void wiring_walk_change_load(struct wiring_walk *w)
{
    w->load++;
}

void wiring_walk_begin(struct wiring_walk *w, int circuit, int64_t begin_mono_ms,
                       struct trace_plan *plan)
{
    w->tries = w->again && circuit == w->walking ? w->tries + 1 : 1;
    w->walking = circuit;
    w->again = false;
    w->last = (struct wiring_walked){.load = w->load};
    if (w->plan_count == PLANS) {
        memmove(w->plans, w->plans + 1, (PLANS - 1) * sizeof w->plans[0]);
        w->plan_count--;
    }
    trace_plan(begin_mono_ms, trace_beat_ms(w->site), &w->plans[w->plan_count]);
    *plan = w->plans[w->plan_count++];
}

const struct wiring_walked *wiring_walk_judge(struct wiring_walk *w, bool *again)
{
    const struct trace_rows rows = {w->count, w->at_mono_ms, w->amps};
    const struct trace_plans plans = {w->plans, w->plan_count, w->tries};
    struct wiring_walked *k = &w->last;
    k->least_amps = k->most_amps = k->watts = (double)NAN;
    if (w->tries > 0)
        k->judged = trace_judge(w->site, &rows, &plans, (double)NAN, false, &k->result);
    bool one = k->judged && k->result.verdict == TRACE_ONE;
    if (one)
        measure(w, &w->plans[w->plan_count - 1], k->result.circuits[0], k);
    if (w->walking >= 0)
        w->walked[w->walking] = *k;
    w->again = w->tries > 0 && w->tries < TRACE_TRIES &&
               (k->result.verdict == TRACE_UNSURE || (one && !wiring_walked_clearly(k)));
    *again = w->again;
    return k;
}

const struct wiring_walked *wiring_walk_of(const struct wiring_walk *w, int circuit)
{
    return &w->walked[circuit];
}
