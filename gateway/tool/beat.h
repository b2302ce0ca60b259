/*
 * beat - says when a load is to be switched on and off (analysis/trace.h).
 */
#ifndef FORETRIP_TOOL_BEAT_H
#define FORETRIP_TOOL_BEAT_H

#include "analysis/trace.h"

/* Comes back at that time of the plan's clock; false: it is to end. */
typedef bool beat_wait(void *context, int64_t until_ms);

/* Counts down to each beat on one line, then says it, with a bell. False when it was ended. */
bool beat_give(const struct trace_plan *p, beat_wait *wait, void *context);

#endif
