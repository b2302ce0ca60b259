/*
 * trace_steps - the steps of a traced load in one current, and how they speak (trace.h). For
 * trace*.c only.
 */
#ifndef FORETRIP_TRACE_STEPS_H
#define FORETRIP_TRACE_STEPS_H

#include "trace_noise.h"

#define TRACE_AMPS 160 /* sizes of the load that are tried */
#define TRACE_DELAYS 7 /* of the hand, which is the same on every circuit */
#define TRACE_DELAY_MS 500

/* The k-th size: 0.05 A to 25 A. */
double trace_amps_at(int k);

/* Logarithms of likelihood ratios, the load drawing the k-th size against there being none. */
typedef float trace_ratios[TRACE_AMPS];

#define TRACE_NOT (-60.0F) /* of a size that is not looked at */

/* How a current speaks for one of the plans; all: while which the noise is not measured;
 * wanted: of each size, whether it can be the load at all. False: there were too few readings.
 */
bool trace_see(const struct trace_series *r, const struct trace_plan *plan,
               const struct trace_plans *all, const bool wanted[TRACE_AMPS],
               trace_ratios out[TRACE_DELAYS]);

#endif
