/* run_rig: runs written by hand, for tests of what is made of them (stages.h, series.h) */
#ifndef FORETRIP_TESTS_RUN_RIG_H
#define FORETRIP_TESTS_RUN_RIG_H

#include "check.h"

#include "analysis/learned.h"

#define MINUTE_MS 60000LL
#define HOUR_MS (60 * MINUTE_MS)

/* It comes on at that moment; its id is the moment. */
static inline struct run run_begun(float amps, int64_t mono_ms)
{
    return (struct run){.id = mono_ms,
                        .began_mono_ms = mono_ms,
                        .began_wall_ms = mono_ms,
                        .on_mono_ms = mono_ms,
                        .changed_mono_ms = mono_ms,
                        .amps = amps,
                        .first = amps,
                        .most = amps,
                        .inrush = amps,
                        .pulses = 1};
}

/* It goes off at that moment, and pauses. */
static inline void run_ended(struct run *r, int64_t mono_ms)
{
    r->off_mono_ms = r->off_wall_ms = mono_ms;
    r->on_seconds = (float)(mono_ms - r->on_mono_ms) / 1000.0F;
    r->pausing = true;
}

/* What its circuit learns of it. */
static inline struct learned_load *run_taken(struct learned *l, const struct run *r)
{
    const struct run_shape s = {.amps = r->first,
                                .first = r->first,
                                .last = r->first,
                                .most = r->first,
                                .growth = 1,
                                .inrush = r->inrush,
                                .ripple = -1,
                                .seconds = run_seconds(r, r->off_mono_ms),
                                .on_seconds = r->on_seconds,
                                .pulses = 1};
    return learned_take(l, &s, r->began_wall_ms, 0);
}

#endif
