/*
 * discreet - what is left for who may not see which appliance a tenant has on and when.
 *
 * A property manager is told who needs somebody today: breakers that opened, what stands, how
 * warm a breaker is. Loads, the current of the moment and what is said of them in words stay at
 * home; so do readings finer than the demand interval of 15 minutes. Members are let through by
 * name, so that one that is added later is not let through by accident.
 */
#ifndef FORETRIP_WEB_DISCREET_H
#define FORETRIP_WEB_DISCREET_H

#include "base/text.h"
#include "model/site.h"

#include <jansson.h>

#define DISCREET_LEAST_MS (INT64_C(15) * 60000) /* a point of history, at the least */

/* Takes a reference, gives one back: the same with less in it; NULL: nothing of it is told. */
json_t *discreet_event(const struct site *s, json_t *event);
/* place: what a sentence calls where it is. */
json_t *discreet_event_at(const char *place, json_t *event);
json_t *discreet_state(json_t *state);
json_t *discreet_call(json_t *call);
json_t *discreet_call_step(json_t *step);

/* Appends a list of states ("{..},{..}"), or one, as discreet_state leaves them. */
void discreet_states(const char *states, struct text *out);

#endif
