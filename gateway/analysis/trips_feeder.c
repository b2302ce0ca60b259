/* Whether the feeder fell with its branch, or carries on: then the branch's sensor is lost.
 *
 * Meters are read one after another. A feeder that is read first shows what happened between
 * the two reads in the next frame only, and carrying on until then says nothing. */
#include "trips_state.h"

#include <math.h>

#define SHOWS_SHARE 0.5 /* of the branch's amps: it is seen at once */

/* The feeder cannot have been read after the branch. */
static bool maybe_before(const struct trips *t, int feeder, size_t branch)
{
    if (!t->taken)
        return false;
    const struct frame_taken *f = &t->taken[t->site->circuits[feeder].first_pole],
                             *b = &t->taken[t->site->circuits[branch].first_pole];
    if (f->at_us == b->at_us && f->within_us == b->within_us)
        return false; /* in the same read */
    return f->at_us - f->within_us < b->at_us + b->within_us;
}

void trips_feeder_see(struct trips *t, size_t i, double amps)
{
    struct trip_case *c = &t->cases[i];
    int feeder = t->site->panels[t->site->circuits[i].panel].fed_by;
    c->feeder_drop = c->feeder_before = (double)NAN;
    if (feeder < 0 || t->now.read_ms[feeder] != t->mono_ms)
        return;
    double before = (double)t->now.p2[feeder], now = (double)t->now.p1[feeder];
    double drop = before - now;
    if (now < SHOWS_SHARE * amps)
        drop = fmax(drop, amps); /* less than the branch alone: it fell, now or in lost polls */
    if (!maybe_before(t, feeder, i) || drop >= SHOWS_SHARE * amps) {
        c->feeder_drop = drop;
    } else {
        c->feeder_before = before;
        t->feeders_waited_for++;
    }
}

void trips_feeder_take(struct trips *t)
{
    if (t->feeders_waited_for == 0)
        return;
    t->feeders_waited_for = 0;
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct trip_case *c = &t->cases[i];
        if (c->state == CASE_NONE || isnan(c->feeder_before))
            continue;
        int feeder = t->site->panels[t->site->circuits[i].panel].fed_by;
        if (t->now.read_ms[feeder] != t->mono_ms) {
            t->feeders_waited_for++;
            continue;
        }
        c->feeder_drop = c->feeder_before - (double)t->now.p1[feeder];
        c->feeder_before = (double)NAN;
    }
}
