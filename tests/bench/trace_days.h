/*
 * trace_days - recorded appliance days as current at 1 Hz, for the benches of the history.
 *
 * The traces (CSV of seconds and watts, gzip) are not part of the tree: they are looked for in
 * $FORETRIP_TRACES, else ../shared/traces. Of appliances spread over all of them the
 * day with the most changes of their first ones is taken, its last value held to 1 Hz, over 230
 * V, in steps of 10 mA: a meter of that resolution on a circuit of its own.
 */
#ifndef FORETRIP_BENCH_TRACE_DAYS_H
#define FORETRIP_BENCH_TRACE_DAYS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define TRACE_DAY_SECONDS 86400
#define TRACE_DAYS_MOST 64

struct trace_days {
    size_t count;
    int32_t *days[TRACE_DAYS_MOST]; /* milliamps */
};

/* At most `most` (up to TRACE_DAYS_MOST) days, one an appliance. False, having said so, when
 * there are none. */
bool trace_days_load(struct trace_days *t, size_t most);
void trace_days_free(struct trace_days *t);

#endif
