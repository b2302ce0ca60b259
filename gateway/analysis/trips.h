/*
 * trips - a circuit fell to zero: did it lose its supply, why, and what became of it.
 *
 * Fed before loads_step, so that the loads it asks for are those that ran before the fall.
 * Emits trip (provisional, confirmed, withdrawn), restored and opened_again.
 *
 * Ownership  create .. destroy; borrows all it is given
 * Threads    none inside
 */
#ifndef FORETRIP_TRIPS_H
#define FORETRIP_TRIPS_H

#include "breaker.h"
#include "loads.h"

struct trips;

struct trips *trips_create(const struct site *s, const struct rules_set *rules,
                           struct breakers *b, struct loads *l, event_sink *sink,
                           void *context);
void trips_destroy(struct trips *t);

/* Takes a frame; afterwards trips_cut tells which circuits are judged to be without supply. */
void trips_step(struct trips *t, const struct frame *f);

/* One bool per circuit; valid until the next step. */
const bool *trips_cut(const struct trips *t);

void trips_save(const struct trips *t, struct codec_out *out);
bool trips_load(struct trips *t, struct codec_in *in);

#endif
