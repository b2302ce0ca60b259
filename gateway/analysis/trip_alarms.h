/*
 * trip_alarms - from the record of a trip to what people are told.
 *
 * Takes the trip, restored and opened_again events as they pass and judges the alarms trip,
 * opened_again and worn_breaker. Every circuit has its own trip record, but people get one
 * alarm: circuits that a feeder took with it are told as the feeder's, a dark house as the
 * site's.
 *
 * An opening that is not sure is told when it has stood for trip_on_seconds; its record, the
 * trip, has it from the first reading on. The trip alarm takes the place of the warning that
 * came before it, and gives way to opened_again. A feeder's is over when the feeder carries
 * again, also while a branch of it has nothing on. What it says follows the trip while that is
 * judged anew (alarms_reword): another cause, more circuits that went with the feeder.
 *
 * worn_breaker is said once. It goes when the breaker is recorded as replaced, when a person
 * says that the opening was something else, or when what the breaker carried since speaks
 * against it.
 *
 * Ownership  create .. destroy; borrows all it is given
 */
#ifndef FORETRIP_TRIP_ALARMS_H
#define FORETRIP_TRIP_ALARMS_H

#include "alarms.h"
#include "breaker.h"

struct trip_alarms;

struct trip_alarms *trip_alarms_create(const struct site *s, const struct rules_set *rules,
                                       const struct breakers *b, struct alarms *a);
void trip_alarms_destroy(struct trip_alarms *t);

/* Notes what the event says (also trip_corrected, breaker_replaced); any other type is passed
 * over. */
void trip_alarms_event(struct trip_alarms *t, const struct event *e);

/* Judges what has changed since the last call; costs nothing when nothing has. */
void trip_alarms_step(struct trip_alarms *t, int64_t mono_ms, int64_t wall_ms);

/* True while a trip of the circuit stands: announced and not restored. */
bool trip_alarms_open(const struct trip_alarms *t, int circuit);

/* alarms_load comes before trip_alarms_load. */
void trip_alarms_save(const struct trip_alarms *t, struct codec_out *out);
bool trip_alarms_load(struct trip_alarms *t, struct codec_in *in);

#endif
