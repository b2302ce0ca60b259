/*
 * runs - the loads running on one circuit: steps paired into runs.
 *
 * A step up begins a run. A step down ends the run whose size it has, or the two whose sizes it
 * has together; where none fits, what was on before the watching began (base) or the nearest
 * run gets smaller. What the runs do not explain of the settled level is the base.
 *
 * Units      amps RMS, mono and wall ms
 * Ownership  plain data, no pointers; zeroed is the right beginning
 */
#ifndef FORETRIP_RUNS_H
#define FORETRIP_RUNS_H

#include "steps.h"

#include <stddef.h>

#define RUNS_MAX 15 /* of one circuit at a time; a further load is added to the newest */

struct run {
    int64_t id; /* wall ms of its beginning * 1000 + counter */
    int64_t began_mono_ms, began_wall_ms;
    float amps;   /* now */
    float inrush; /* highest reading of its first seconds */
    bool announced;
};

struct runs {
    struct run running[RUNS_MAX];
    int count;
    float base; /* of the level, explained by no run */
    int64_t counter;
};

/* Takes a step; runs that ended are copied to ended[] (RUNS_MAX places), their number returned.
 */
int runs_step(struct runs *r, const struct step *s, struct run ended[RUNS_MAX]);

/* The supply is gone: all end. */
int runs_cut(struct runs *r, struct run ended[RUNS_MAX]);

#endif
