/*
 * runs_fit - which runs a fall ended.
 *
 * What is left must add up to the new level. Each set of runs that may have ended costs what it
 * is off by, against the error of both edges and of the level that stays; several at once cost
 * more, and what has been on for long, which will be for longer. The cheapest is taken.
 *
 * Units       amps RMS, mono ms
 * Ownership, threads  as runs.h, whose insides it works on
 * Source      the costs: set on made houses (docs/method/appliances.md)
 */
#ifndef FORETRIP_RUNS_FIT_H
#define FORETRIP_RUNS_FIT_H

#include "runs.h"

#define RUNS_FIT_LOOSE 1.2F /* of the cost: something else may have happened as well */

struct runs_ending {
    struct run *runs[RUNS_MAX];
    int count; /* 0: nothing fits */
    float cost;
    int64_t mono_ms;
    float level; /* before */
    bool stage;  /* not the run itself, only what came on last of it */
};

/* The runs that a fall of d ended: up to three of any, or everything that is not yet a run and
 * up to two that are. */
void runs_fitting(struct runs *r, const struct step *s, float d, struct runs_ending *best);

#endif
