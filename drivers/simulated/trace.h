/*
 * trace - a recorded day of one appliance, played back.
 *
 * Format: gzipped CSV "t_s,watts", whole seconds since local midnight; a row where the watts
 * changed, the value holding until the next; an empty cell says that data stop there. Where
 * nothing is known (before the first row, after the last, in a gap) the appliance is played as
 * off.
 *
 * Ownership  trace_load .. trace_free
 */
#ifndef FORETRIP_SIMULATED_TRACE_H
#define FORETRIP_SIMULATED_TRACE_H

#include "base/text.h"

#include <stdint.h>

struct trace_row {
    int32_t second;
    float watts; /* NaN: data stop */
};

struct trace {
    struct trace_row *rows;
    size_t count;
};

/* False: *why holds a sentence that names the place; *t is untouched. `gzip` must be installed.
 */
bool trace_load(struct trace *t, const char *path, struct text *why);

/* The same from text that is already unpacked; name stands in the messages. */
bool trace_parse(struct trace *t, const char *name, const char *csv, size_t length,
                 struct text *why);
void trace_free(struct trace *t);

/* Watts at a second of the day, 0 where nothing is known. */
double trace_watts(const struct trace *t, double second);

#endif
