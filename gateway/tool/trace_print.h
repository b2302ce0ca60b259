/*
 * trace_print - a tracing on paper: what was switched when, what came of it, and what is left
 * to the hand of whoever works there.
 */
#ifndef FORETRIP_TOOL_TRACE_PRINT_H
#define FORETRIP_TOOL_TRACE_PRINT_H

#include "analysis/trace.h"

struct trace_sheet {
    const struct site *site;
    const char *place, *half; /* "": not named; the whole of it */
    bool is_switch;
    const char *by;                /* NULL: nobody was named */
    size_t tries;                  /* of this place */
    const struct trace_plan *plan; /* the last of them */
    const struct trace_result *result;
};

/* One page, to standard output. */
void trace_print(const struct trace_sheet *t);

#endif
