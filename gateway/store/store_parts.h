/*
 * store_parts - the store's insides, for the files that make it up.
 *
 *     store.c           opening, setting aside, the commit
 *     store_collect.c   what a turn has to say, into the batch
 *     store_status.c    delivery's side, and how it goes
 */
#ifndef FORETRIP_STORE_PARTS_H
#define FORETRIP_STORE_PARTS_H

#include "store.h"

#include "batch.h"
#include "block.h"
#include "database.h"
#include "finished.h"

#include "base/text.h"

#include <stdatomic.h>

struct store {
    struct store_options options;
    char *path;
    struct database database; /* .db NULL: not open */
    int64_t first_seq;

    struct batch batch;
    struct block *block;
    struct text columns; /* of the present layout, joined by newlines */
    const struct site *site;

    enum store_err err;
    char why[DATABASE_WHY_SIZE];
    int64_t retry_mono_ms;
    int64_t retry_ms;       /* of the tries that failed in a row; 0: none did */
    int64_t failed_mono_ms; /* when err began; 0: no commit has met it yet */
    int64_t wall_ms;        /* of the turn */

    _Atomic int64_t settled[STORE_ROUTES];
    _Atomic int64_t newest[STORE_ROUTES];
    int64_t forgotten[STORE_ROUTES]; /* settled and deleted up to here */
    int64_t settle_mono_ms;
    int64_t loads_gone_wall_ms; /* no load event is older; 0: not looked yet */
    int64_t trips_gone_wall_ms; /* likewise no withdrawn trip */

    struct finished finished; /* letters to be deleted */

    store_watch *watch;
    void *watch_context;

    int64_t outbox_rows;
    bool outbox_said;
    bool short_of_room;
    bool reserve_looked; /* after, once */
    int room_tries;      /* since the last write that went well */
    enum store_err keep_err;
    int64_t dropped_day;
    struct store_status counted;
};

/* Among the values of ADD_MESSAGE. */
enum { MESSAGE_ROUTE = 0, MESSAGE_TOPIC = 1, MESSAGE_PAYLOAD = 2, MESSAGE_RETAIN = 4 };

/* Ends the block of readings that is open, if there is one, and puts it into the batch. */
void store_take_block(struct store *s);

#endif
