/*
 * announce - which messages an event becomes, into the outbox.
 *
 *     event              every event, QoS 1
 *     alarm/<alarm id>   retained while the alarm is not normal, then cleared
 *     trip/<trip id>     retained until the circuit is restored and nobody has to acknowledge
 * its trip alarm (its own, that of the breaker upstream, or the site's), then cleared; of one
 * circuit at most four that are restored wait so; a withdrawn trip is cleared at once
 *
 * Payloads are the event's JSON with `seq` in front; a trip's retained one gains `restored_at`
 * and `seconds_open` when it is restored, `opened_again_after_seconds` when it opened again.
 *
 * Ownership  create .. destroy; borrows store and site
 * Threads    the store's
 */
#ifndef FORETRIP_ANNOUNCE_H
#define FORETRIP_ANNOUNCE_H

#include "store/reader.h"
#include "store/store.h"

struct announce;

/* Takes up where the record ends: r (NULL: a fresh record) tells which trips and alarms are
 * still retained. NULL when memory is short. */
struct announce *announce_create(struct store *s, const struct site *site,
                                 struct store_reader *r);
void announce_destroy(struct announce *a);

/* After store_add_event of the same event, before the turn's commit. */
void announce_event(struct announce *a, const struct event *e, const char *json);

/* After a reload; every id that is gone stays as it was. */
void announce_set_site(struct announce *a, const struct site *site);

#endif
