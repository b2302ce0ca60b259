/*
 * absence_at_start - what the record and the machine tell of the time in which the gateway was
 * away.
 */
#ifndef FORETRIP_ABSENCE_AT_START_H
#define FORETRIP_ABSENCE_AT_START_H

#include "model/event.h"
#include "store/reader.h"
#include "store/store.h"

/* Call once at the start, before anything is kept anew: judges how the last run ended, logs it,
 * and marks that this one has begun. False: nothing is to be said. */
bool absence_at_start(struct store_reader *r, struct store *s, int64_t wall_ms,
                      struct event *out);

/* This run ends orderly. */
void absence_ended(struct store *s, int64_t wall_ms);

#endif
