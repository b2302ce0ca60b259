/*
 * wiring_walk - which transformer sees what somebody switches, breaker after breaker.
 *
 * Pure. A known load is plugged into a circuit and switched on and off to the beat of trace.h;
 * the channel that keeps the beat is where its current is seen, whatever site.cfg says. So a
 * walk tells exchanged and open transformers where sums tell nothing, in a house where people
 * go on living. A try that is not sure is followed by another one, and their evidence adds up.
 *
 * The same load draws about the same from one receptacle to the next, so that a walk with one
 * load also tells a transformer of another ratio without a metered feeder (wiring_check.h).
 * By watts its amount is the median step. Currents add up by phase: beside what else the
 * circuit carries, I_off, the load's own current lies between I_on - I_off and I_on + I_off.
 *
 * Units      amps; milliseconds of the frames' monotonic clock
 * Ownership  create .. destroy; the site is borrowed
 * Cost       a frame is copied; a judgement takes some milliseconds a hundred poles. Memory
 *            grows to a quarter of an hour of frames.
 */
#ifndef FORETRIP_WIRING_WALK_H
#define FORETRIP_WIRING_WALK_H

#include "model/frame.h"
#include "trace.h"

/* What one circuit's walk came to. */
struct wiring_walked {
    bool judged;
    struct trace_result result; /* circuits[]: on whose channels it was seen */
    int load;                   /* which one was switched; equal numbers: the same one */
    /* its amount on a pole of that circuit, NaN when it was not seen there; watts also where
     * they are not measured */
    double least_amps, most_amps, watts;
};

/* Whether the amount is known well enough to be compared. */
bool wiring_walked_clearly(const struct wiring_walked *k);

struct wiring_walk;

/* NULL when memory is short. */
struct wiring_walk *wiring_walk_create(const struct site *s);
void wiring_walk_destroy(struct wiring_walk *w); /* accepts NULL */

/* Frames in order of time. One for which there is no memory is passed over. */
void wiring_walk_feed(struct wiring_walk *w, const struct frame *f);

/* Another load is used from here on. */
void wiring_walk_change_load(struct wiring_walk *w);

/* The load on this circuit (-1: one that the site does not name) is switched to *plan, whose
 * times are of the frames' clock and which begins at begin_mono_ms. The same circuit as before,
 * after a judgement that wanted it: one more try. */
void wiring_walk_begin(struct wiring_walk *w, int circuit, int64_t begin_mono_ms,
                       struct trace_plan *plan);

/* When frames up to the plan's end were fed. *again: one more try would tell what is not sure,
 * or how much it was. Valid until the next call of begin or judge. */
const struct wiring_walked *wiring_walk_judge(struct wiring_walk *w, bool *again);

/* Of a circuit of the site, judged or not. */
const struct wiring_walked *wiring_walk_of(const struct wiring_walk *w, int circuit);

#endif
