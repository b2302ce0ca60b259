/*
 * event_json - an event as the contract's JSON object.
 *
 * Always `time`, `type` and `site`; `panel` and `circuit` where they apply. Numbers are rounded
 * to what they are worth (amps to 1 mA, probabilities to 1e-4), so the text is short and the
 * same everywhere. A time to trip that is infinite is null.
 *
 * Ownership  the caller frees what is returned
 */
#ifndef FORETRIP_EVENT_JSON_H
#define FORETRIP_EVENT_JSON_H

#include "event.h"

#include <jansson.h>

/* A new reference, NULL when memory is short. */
json_t *event_to_json(const struct site *s, const struct event *e);

/* Compact text in one line without a newline, malloc'ed; NULL when memory is short. */
char *event_to_json_text(const struct site *s, const struct event *e);

/* For other objects in the same manner. */
json_t *event_json_number(double v, double unit); /* null when not finite */
json_t *event_json_time(int64_t wall_ms);
json_t *event_json_loads(const struct event_load *loads, size_t count);
char *event_json_dump(const json_t *object); /* compact, one line */

#endif
