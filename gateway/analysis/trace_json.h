/*
 * trace_json - a tracing's plan and what came of it, as JSON for the page, programs and the
 * tool.
 *
 *     plan: beat_seconds, beats [{time, on}], end
 *     result: verdict ("one", "two", "unmetered", "unsure", "unread"), probability, circuits
 *     [...], panel, poles, amps, unmetered, two, likeliest [{circuit, probability}], read,
 *     unread, text (one sentence, in English)
 */
#ifndef FORETRIP_ANALYSIS_TRACE_JSON_H
#define FORETRIP_ANALYSIS_TRACE_JSON_H

#include "trace.h"

#include <jansson.h>

/* New references, NULL when memory is short. */
json_t *trace_plan_json(const struct trace_plan *p);
json_t *trace_result_json(const struct site *s, const struct trace_result *r);

/* What came of it, and what to do next. Returns out. */
char *trace_say(const struct site *s, const struct trace_result *r, char *out, size_t capacity);

#endif
