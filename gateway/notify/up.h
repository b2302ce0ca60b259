/*
 * up - the stream for a centre: events in batches, in order, one batch on its way at a time.
 *
 *     {"site":"maple-12","from":SEQ,"to":SEQ,"records":[EVENT, ..]}
 *
 * It reads the events table itself, so it has no messages of its own in the outbox: how far the
 * broker has acknowledged is one number. A batch goes when it is full or a period after the one
 * before.
 */
#ifndef FORETRIP_UP_H
#define FORETRIP_UP_H

#include "base/text.h"
#include "store/reader.h"

#define UP_RECORDS 500
#define UP_BYTES ((size_t)256 * 1024)

struct up {
    bool known;      /* settled has been read */
    int64_t settled; /* every event up to here is with the broker */
    int64_t sent;    /* .. up to here when mid is answered */
    int mid;         /* of the batch on its way, 0: none */
    int64_t sent_mono_ms;
};

/* True when a batch should go now. newest: the newest event on disk. */
bool up_due(const struct up *u, int64_t newest, int64_t mono_ms, int64_t period_ms);

/* The next batch into payload and u->sent; an empty payload when there are no such events any
 * more. */
enum store_err up_compose(struct up *u, struct store_reader *r, const char *site,
                          struct text *payload);

#endif
