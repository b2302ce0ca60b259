/*
 * loads_part - what looks like one load and is several: two that came on seconds apart, or all
 * that a reset switched on at once.
 *
 * A run that has just begun is parted when what is known of the circuit's loads says so, before
 * anybody is told of it.
 *
 * Ownership, threads  as runs.h and learned.h, whose insides it works on
 */
#ifndef FORETRIP_LOADS_PART_H
#define FORETRIP_LOADS_PART_H

#include "loads_inner.h"

/* What the supply has cut off and has not come back yet. */
struct loads_cut {
    float amps[RUNS_RETURN];
    int count;
    float loose; /* of that, explained by no run */
};
struct loads_cut loads_cut_before(const struct runs *r);

/* After a step up was given to the runs; cut: as it was before that. over and n as for
 * runs_step. */
int loads_part(struct circuit *c, const struct step *s, const struct loads_cut *cut,
               struct run over[RUNS_MAX], int n);

#endif
