/*
 * people - who is told what, when: from alarms to letters in the outbox.
 *
 * Takes every event of the engine and, with the clock, decides for each person of delivery.cfg:
 *
 *   - only alarms of their priority or above
 *   - told at once, or (after_minutes) when nobody has acknowledged by then; again every
 *     repeat_minutes until it is acknowledged or over; who was told because nobody had
 *     acknowledged it, once more when somebody has; a last time when it is over
 *   - what comes within PEOPLE_GATHER_MS is one letter; in quiet hours, and after more than ten
 *     letters in ten minutes (a flood, IEC 62682), all but the urgent waits and then is one
 *   - shelved, suppressed and out-of-service alarms are told to nobody
 *   - a daily or weekly summary
 *
 * A letter goes into the store's outbox once for each way the person has (mail, webhook), in
 * the same transaction as the event; the state here is kept beside it (people_save), so that a
 * restart tells nobody twice and forgets nobody.
 *
 * Ownership  create .. destroy; borrows all it is given
 * Threads    the store's
 */
#ifndef FORETRIP_PEOPLE_H
#define FORETRIP_PEOPLE_H

#include "base/codec.h"
#include "model/delivery.h"
#include "model/phrases.h"
#include "store/store.h"

#define PEOPLE_GATHER_MS 2000
#define PEOPLE_FLOOD_LETTERS 10
#define PEOPLE_FLOOD_MS INT64_C(600000)

struct people;

struct people *people_create(const struct delivery *d, const struct phrases *phrases,
                             const struct site *site, struct store *store);
void people_destroy(struct people *p); /* accepts NULL */

/* Any event; those that are not about alarms or trips are passed over. */
void people_event(struct people *p, const struct event *e);

/* Writes what is due. utc_offset_seconds: of the site's clock at that moment. True when the
 * state has changed since the last call and should be kept. */
bool people_tick(struct people *p, int64_t wall_ms, int32_t utc_offset_seconds);

void people_save(const struct people *p, struct codec_out *out);
/* Into a fresh one. Persons and alarms that are gone are left out. False: damaged; then it is
 * to be thrown away. */
bool people_load(struct people *p, struct codec_in *in);

/* A trial letter to one person, as JSON for letter.h; malloc'ed, NULL when memory is short. */
char *people_trial(const struct delivery_person *person, const struct phrases *phrases,
                   const struct site *site, int64_t wall_ms);

/* Letters since the start. */
uint64_t people_letters(const struct people *p);

#endif
