/*
 * runs_inner - what the files of the runs module share; nobody else includes it.
 */
#ifndef FORETRIP_RUNS_INNER_H
#define FORETRIP_RUNS_INNER_H

#include "runs.h"

#include <math.h>

static inline bool run_is_on(const struct run *r)
{
    return r->id != 0 && !r->pausing;
}

/* 1 at the largest difference between an edge up and its edge down that still counts as equal.
 */
static inline float run_misfit(float have, float want)
{
    return fabsf(have - want) / (0.06F + 0.1F * want);
}

#define RUNS_LEAST_AMPS 0.05F /* less is no load of its own */
#define RUNS_YOUNG_MS 180000  /* motors and cold elements settle in their first minutes */

/* Sums up what it drew until then; before each change of its amps. */
void run_count_up(struct run *r, int64_t mono_ms);

/* A new run; NULL when there is no room. What has paused longest may have to be over for it. */
struct run *run_begin(struct runs *r, const struct step *s, float amps, float first,
                      struct run over[RUNS_MAX], int *n);

/* It is off from then on, until it comes back or is over. */
void run_pause(struct run *r, int64_t mono_ms, int64_t wall_ms);

#endif
