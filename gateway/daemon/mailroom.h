/*
 * mailroom - who is told (notify/people.h) and how it gets there (notify/courier.h), as one
 * part of the gateway.
 *
 * Ownership  mailroom_start .. mailroom_stop; borrows configuration and store
 * Threads    the gateway's; the courier has one of its own
 */
#ifndef FORETRIP_MAILROOM_H
#define FORETRIP_MAILROOM_H

#include "config/reader.h"
#include "notify/courier.h"
#include "notify/people.h"

struct mailroom {
    const struct config *config; /* NULL: not started, or nobody to tell */
    struct store *store;
    struct people *people;
    struct courier *courier;
    int64_t zone_mono_ms; /* when the offset was looked up, 0: never */
    int32_t utc_offset_seconds;
    int64_t newest; /* letter on disk, when the courier was last woken */
};

/* kept: what mailroom_stop gave, or NULL: what the record has. False, having said so, when it
 * cannot start; nothing to do when delivery.cfg names nobody. */
bool mailroom_start(struct mailroom *m, const struct config *c, struct store *s,
                    const char *database, const struct codec_out *kept);

/* kept, when not NULL, gets the state for the next mailroom_start. */
void mailroom_stop(struct mailroom *m, struct codec_out *kept);

void mailroom_event(struct mailroom *m, const struct event *e);

/* Before the turn's commit, and after it with what came of it. */
void mailroom_tick(struct mailroom *m);
void mailroom_committed(struct mailroom *m, enum store_err err, int64_t mono_ms);

#endif
