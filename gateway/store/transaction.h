/*
 * transaction - a batch, and the housekeeping that goes with it, in one transaction.
 *
 * Delivered messages are deleted, an outbox that is too long is shortened and what is past its
 * age goes a few rows at a time, all along with writes that happen anyway: a card is worn by
 * the number of writes more than by their size.
 */
#ifndef FORETRIP_STORE_TRANSACTION_H
#define FORETRIP_STORE_TRANSACTION_H

#include "batch.h"
#include "database.h"

/* Load events past their age that go in one transaction, and withdrawn trips. */
#define TRANSACTION_TRIM_ROWS 4

struct transaction_job {
    const struct batch *batch;
    int64_t settled[STORE_ROUTES];
    int64_t outbox_most;
    int room_days; /* the disk is full: so many days of the oldest readings go first */
    int64_t loads_before_wall_ms; /* 0: keep all */
    const int64_t *finished;      /* letters to be deleted */
    size_t finished_count;
};

/* How things stand: before the call as of now, after a good one as it left them. */
struct transaction_ends {
    int64_t newest[STORE_ROUTES];
    int64_t settled[STORE_ROUTES];
    int64_t outbox_rows;
    uint64_t refused;           /* entries that no retry could mend, lost */
    uint64_t dropped;           /* messages, from a full outbox */
    int64_t loads_gone_wall_ms; /* no load event is left that is older */
    int64_t trips_gone_wall_ms; /* no withdrawn trip that nobody spoke of */
    struct keeper_done kept;
};

/* SQLITE_OK when all of it is on disk. Otherwise nothing is; *ends is then of no use, and
 * transaction_undo must be called. */
int transaction_write(struct database *d, const struct transaction_job *job,
                      struct transaction_ends *ends);

/* A step of the history's housekeeping, in a transaction of its own: it may fail for want of
 * room where a batch does not. */
int transaction_keep(struct database *d, const struct keeper_job *job,
                     struct keeper_done *done);

/* False when even that fails: the connection is to be closed. */
bool transaction_undo(struct database *d);

#endif
