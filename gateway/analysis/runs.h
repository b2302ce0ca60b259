/*
 * runs - the loads running on one circuit: steps paired into runs.
 *
 * A step up begins a run, or carries on one that is pausing: a thermostat's next pulse, a stage
 * of a start. A step down ends the run, or the few, whose sizes it has together; where none
 * fits, what was on before the watching began (base) or the nearest run gets smaller. A run
 * that ended pauses for a while before it is over, so that pulses become one run:
 *
 *     current   _|~|_|~|_|~|____________
 *     run        |----- on -----| pausing | over
 *
 * What the runs do not explain of the settled level is the base.
 *
 * Units      amps RMS, mono and wall ms
 * Ownership  plain data, no pointers; zeroed is the right beginning
 */
#ifndef FORETRIP_RUNS_H
#define FORETRIP_RUNS_H

#include "steps.h"

#include <stddef.h>

#define RUNS_MAX 14           /* of one circuit, pausing ones included */
#define RUNS_PAUSE_MS 15000   /* what comes back within this time was never off */
#define RUNS_CYCLE_MS 600000  /* the longest pause of a load that pulses */
#define RUNS_ANNOUNCE_MS 8000 /* a shorter run is a pulse: it gets no event of its own */

struct run {
    int64_t id; /* wall ms of its beginning * 1000 + counter; 0: free place */
    int64_t began_mono_ms, began_wall_ms;
    int64_t on_mono_ms;               /* present or last on-time */
    int64_t changed_mono_ms;          /* last step that changed it */
    int64_t off_mono_ms, off_wall_ms; /* while pausing */
    float amps;                       /* now, or before it paused */
    float first;                      /* in its first seconds: what load_on says */
    float inrush;                     /* highest reading of its first seconds */
    int pulses;                       /* on-times so far */
    float on_seconds;                 /* of the on-times that ended */
    float longest_seconds;            /* of them */
    bool pausing;
    bool announced;
};

struct runs {
    struct run all[RUNS_MAX];
    float base; /* of the level, explained by no run */
    int64_t counter;
};

/* Takes a step. Room is made by ending the run that has paused longest; what ended is copied to
 * over[] (RUNS_MAX places), the number returned. */
int runs_step(struct runs *r, const struct step *s, struct run over[RUNS_MAX]);

/* Runs that have paused long enough at that moment are over. *next_mono_ms is lowered to when
 * to ask again. */
int runs_tick(struct runs *r, int64_t mono_ms, struct run over[RUNS_MAX],
              int64_t *next_mono_ms);

/* The supply is gone: all end. */
int runs_cut(struct runs *r, int64_t mono_ms, int64_t wall_ms, struct run over[RUNS_MAX]);

/* Seconds from its beginning to its end, or to that moment. */
float run_seconds(const struct run *r, int64_t mono_ms);

#endif
