/*
 * learned - the loads of one circuit, as its runs have shown them.
 *
 * Runs that look alike (size, inrush, length) are runs of one load: a cluster with its own
 * statistics. A person may name it; the name stays with it. Clusters that have grown together
 * are merged; what repeats itself exactly, as a thermostat does, is parted from a load that
 * never did; those that were never seen again make room for new ones, the named ones last.
 *
 * Units      amps RMS, seconds, wall ms
 * Ownership  plain data, no pointers; zeroed is the right beginning
 * Cost       a run costs one look at each cluster; LEARNED_MAX of them take about 7 KiB
 */
#ifndef FORETRIP_LEARNED_H
#define FORETRIP_LEARNED_H

#include "runs.h"

#include "model/event.h"

#define LEARNED_MAX 24
#define LEARNED_LATELY_MS 5400000

/* Mean and variance of a logarithm, the newer values counting more from the twentieth on. */
struct learned_log {
    float mean, variance;
};

struct learned_load {
    uint32_t id;                     /* of the circuit, from 1; 0: free place */
    char name[EVENT_APPLIANCE_SIZE]; /* by a person, "" when nobody has */
    float lately; /* of them in the last hours: fades with LEARNED_LATELY_MS */
    float runs;   /* how many there were; fades over months */
    int64_t first_wall_ms, last_wall_ms; /* beginnings of its first and last run */
    struct learned_log amps, seconds, inrush,
        gap; /* on-times; from one beginning to the next */
    float spread, changes, pulses, ripple, fading; /* means, as in struct run_shape */
    float power_factor;                            /* 0: not known */
    float growth;                                  /* logarithm, mean */
    float charge;                                  /* ampere-seconds in all */
    float hours[24];                               /* beginnings by local hour */
    float last_amps, last_seconds;                 /* logarithms, of its last run */
    float twins;              /* how often a run is like the one shortly before */
    float streak;             /* in a row, until its last run */
    float programmes, staged; /* runs, and those of them that had a stage (stages.h) */
    struct learned_log stage, stage_seconds; /* of the stage: amps; seconds of the longest */
    struct learned_log delay;                /* from the beginning to the first stage */
    float stages;                            /* in one run */
    float series, rich; /* it was in, and those of them that were rich (series.h) */
};

struct learned {
    struct learned_load loads[LEARNED_MAX];
    uint32_t last_id;
};

/* The cluster a run of that size would belong to, its length not known yet; NULL: none. */
const struct learned_load *learned_like(const struct learned *l, float amps, float inrush);

/* The cluster of that size, of so many runs at least, whatever its inrush; NULL: none. */
const struct learned_load *learned_of_size(const struct learned *l, float amps,
                                           float runs_least);

/* The cluster that a run that is over belongs to; NULL: none yet. */
const struct learned_load *learned_which(const struct learned *l, const struct run_shape *s);

/* Takes a run that is over, and returns its cluster. */
struct learned_load *learned_take(struct learned *l, const struct run_shape *s,
                                  int64_t began_wall_ms, int32_t utc_offset_seconds);

/* Whether two loads, of two circuits, look like one and the same. */
bool learned_alike(const struct learned_load *a, const struct learned_load *b);

/* By id; NULL when there is none. */
struct learned_load *learned_find(struct learned *l, uint32_t id);

#endif
