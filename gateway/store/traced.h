/*
 * traced - a tracing judged by the readings that are kept (analysis/trace.h).
 *
 * What was switched follows from the moments at which it began, so nothing is kept of a tracing
 * that runs: a phone may be reloaded, another may look on, and a record is judged as the
 * gateway would have.
 */
#ifndef FORETRIP_STORE_TRACED_H
#define FORETRIP_STORE_TRACED_H

#include "reader.h"

#include "analysis/trace.h"

#define TRACED_MOST 8 /* tracings in a row, the place's own tries the last of them */

struct traced {
    int64_t begins_wall_ms[TRACED_MOST];
    size_t count, tries;
    double amps; /* of the load as somebody said, NaN: not said */
    bool is_light;
};

/* "T,T,T": each RFC 3339 or Unix seconds, rising, within an hour. NULL, or what is wrong with
 * it (static storage); out->tries becomes 1. */
const char *traced_parse(const char *begins, struct traced *out);

/* The readings that are wanted, and the plan of the last tracing (may be NULL). */
void traced_span(const struct site *s, const struct traced *t, struct trace_plan *plan,
                 int64_t *from_wall_ms, int64_t *to_wall_ms);
/* By readings that are at hand; false: memory is short. */
bool traced_judge_rows(const struct site *s, const struct traced *t,
                       const struct trace_rows *rows, struct trace_result *result);

/* By those of the record. *complete false: readings up to the plan's end are not on disk yet
 * (they come within STORE_READINGS_MS), and *result is left alone. plan (may be NULL) gets the
 * last one's. */
enum store_err traced_judge(struct store_reader *r, const struct site *s,
                            const struct traced *t, struct trace_plan *plan, bool *complete,
                            struct trace_result *result);

#endif
