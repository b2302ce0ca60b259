/*
 * essential - loads that must not fall silent: a freezer, a sump pump, medical equipment.
 *
 * Judges essential_load_silent for circuits that the site calls essential, and for those where
 * an essential appliance was recognised, also while their breaker is closed: the receptacle may
 * have lost its supply further down, or the appliance has died. What is usual is learned from
 * the load's own rhythm: the pauses between its runs. It is silent when nothing of it has run
 * for twice the longest pause that was seen (which fades, a hundredth a day) and a quarter of
 * an hour more; after a dozen runs, not before. While a trip of the circuit stands that is
 * what people are told, and this alarm waits.
 *
 * Only time that was watched is silence or a pause: not what passed while a trip of the circuit
 * stood, or a feeder or the utility kept it dark, while its meter was lost, no frame came for a
 * quarter of an hour or the gateway was off; and the wall clock may be set at any time.
 *
 * Ownership  create .. destroy; borrows all it is given
 * Threads    none inside
 * Cost       a compare a frame; once a minute a few for every circuit that has such a load
 */
#ifndef FORETRIP_ESSENTIAL_H
#define FORETRIP_ESSENTIAL_H

#include "alarms.h"
#include "trip_alarms.h"

struct essential;

struct essential *essential_create(const struct site *s, struct alarms *a,
                                   const struct trip_alarms *trips);
void essential_destroy(struct essential *e);

/* Notes load_on and load_off; any other type is passed over. */
void essential_event(struct essential *e, const struct event *event);

void essential_step(struct essential *e, int64_t mono_ms, int64_t wall_ms);

void essential_save(const struct essential *e, struct codec_out *out);
bool essential_load(struct essential *e, struct codec_in *in);

#endif
