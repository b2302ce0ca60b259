/*
 * trace_noise - what a current does by itself between two beats, by the minutes before. For
 * trace*.c only.
 *
 * A step is the mean of one beat's length after a moment less that of the same length before,
 * with room between them for the hand, the load's start and the meter's own mean. The steps of
 * the ten minutes before are the noise: its width by their median, its tail, and the sizes
 * themselves, since what cycles comes again in the same size.
 */
#ifndef FORETRIP_TRACE_NOISE_H
#define FORETRIP_TRACE_NOISE_H

#include "trace.h"

#define TRACE_NOISE_SIZES 48

struct trace_series {
    size_t count;
    const int64_t *wall_ms; /* rising */
    const float *amps;      /* NaN: no reading */
    const float *level;     /* the current that the supply's voltage moves, mostly amps again */
};

struct trace_noise {
    double sigma; /* amps */
    double tail;  /* share of the steps beyond four sigma */
    size_t n;     /* sizes that were seen, without their sign; their shares sum to 1 */
    double size[TRACE_NOISE_SIZES], share[TRACE_NOISE_SIZES];
};

/* Means before and after beat i with this delay; NaN without readings. */
void trace_noise_around(const struct trace_series *r, const struct trace_plan *p, int i,
                        int64_t delay_ms, double *before, double *after);

/* all: while these the noise is not measured. */
void trace_noise_measure(const struct trace_series *r, const struct trace_plan *p,
                         const struct trace_plans *all, struct trace_noise *out);

/* The density (1/A) of a step x when nothing new is at work; spread (A) is added to its width.
 */
double trace_noise_density(const struct trace_noise *o, double x, double spread);

/* ... when something is, of any size. */
double trace_noise_busy(double x);

#endif
