/*
 * call_json - a service call and its steps as JSON: what MQTT, the interface for programs, the
 * record and the printed sheet all show, so that their numbers are the same.
 */
#ifndef FORETRIP_CALL_JSON_H
#define FORETRIP_CALL_JSON_H

#include "call.h"

#include <jansson.h>

/* The whole call as it stands: a new reference, NULL when memory is short. */
json_t *call_to_json(const struct site *s, const struct call *c);

/* The same back again, as far as it is published; false when it is not whole, or the site no
 * longer has the circuit. */
bool call_from_json(const struct site *s, const json_t *o, struct call *out);

/* One step: a new reference. */
json_t *call_step_to_json(const struct site *s, const struct call_step *step);

#endif
