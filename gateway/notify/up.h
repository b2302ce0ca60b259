/*
 * up - the stream for a centre: events in batches, in order, one batch on its way at a time.
 *
 *     {"site":"maple-12","after":SEQ,"from":SEQ,"to":SEQ,"records":[EVENT, ..]}
 *
 * A batch speaks for every number above `after` up to and including `to`: what it does not have
 * of them there is not, or does not travel (loads coming and going stay at the site unless
 * up.loads). `after` is the `to` of the batch before, so whoever has not seen that knows what
 * to ask for again. It reads the events table itself, so it has no messages of its own in the
 * outbox: how far the broker has acknowledged is one number. A batch goes when it is full or a
 * period after the one before; a batch without records, with how the gateway is ("health"),
 * every health_ms, so that a centre notices a silent site and a batch that never came.
 */
#ifndef FORETRIP_UP_H
#define FORETRIP_UP_H

#include "base/text.h"
#include "store/reader.h"

#define UP_RECORDS 500
#define UP_BYTES ((size_t)256 * 1024)
#define UP_HEALTH_MS (INT64_C(15) * 60000)

struct up {
    bool known;      /* settled has been read */
    bool loads;      /* load_on and load_off travel too */
    int64_t settled; /* every event up to here is with the broker */
    int64_t passed;  /* .. or has been read and does not travel */
    int64_t sent;    /* .. up to here when mid is answered */
    int mid;         /* of the batch on its way, 0: none */
    int64_t sent_mono_ms;
    int64_t health_mono_ms; /* of the last one; 0: none yet */

    /* what a centre has asked for again: numbers above again_after up to again_to */
    int64_t again_after, again_to, again_sent;
    int again_mid; /* of the batch on its way, 0: none */
};

/* How far everything has been seen to. */
int64_t up_seen(const struct up *u);

/* True when a batch should go now. newest: the newest event on disk. */
bool up_due(const struct up *u, int64_t newest, int64_t mono_ms, int64_t period_ms);

/* The next batch into payload and u->sent; an empty payload when nothing travels: then
 * u->passed has moved on. health: a JSON object, NULL for none; with it there always is a
 * payload. */
enum store_err up_compose(struct up *u, struct store_reader *r, const char *site,
                          const char *health, struct text *payload);

/* A centre asks for the numbers above after up to to once more. What is being sent again
 * already is widened. */
void up_ask_again(struct up *u, int64_t after, int64_t to);

/* The next of them into payload, marked "again", and u->again_sent; an empty payload when there
 * are none left. newest as above: numbers not yet given are not spoken for. */
enum store_err up_compose_again(struct up *u, struct store_reader *r, const char *site,
                                int64_t newest, struct text *payload);

#endif
