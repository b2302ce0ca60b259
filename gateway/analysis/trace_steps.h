/*
 * trace_steps - the steps of a traced load in one pole's readings, and how they speak
 * (trace.h).
 */
#ifndef FORETRIP_TRACE_STEPS_H
#define FORETRIP_TRACE_STEPS_H

#include "trace.h"

struct trace_load {
    double amps;       /* said; NaN: not known */
    double least_amps; /* of what is not known */
};

/* of one delay of the hand, which is the same on every circuit */
struct trace_delay {
    double known;   /* log likelihood ratio, the load being as it was said */
    double unknown; /* the same, whatever the load draws */
    double amps;    /* of the load, if it is here */
};
#define TRACE_DELAYS 7
#define TRACE_DELAY_MS 500

/* How the pole's readings speak for one of the plans; all: while which the noise is not
 * measured. False: there were too few readings. */
bool trace_see(const struct site *s, const struct trace_rows *rows, size_t pole,
               const struct trace_plan *plan, const struct trace_plans *all,
               const struct trace_load *load, struct trace_delay out[TRACE_DELAYS]);

#endif
