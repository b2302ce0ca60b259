/*
 * window - messages on their way to the broker and not yet answered.
 *
 * Outbox ids go in in order; acknowledgements come in any order; what counts as settled is the
 * oldest stretch without a hole, because that is where a new connection has to begin again.
 * Plain data, no I/O.
 */
#ifndef FORETRIP_WINDOW_H
#define FORETRIP_WINDOW_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WINDOW_SLOTS 32

struct window {
    struct {
        int64_t id;
        int mid; /* libmosquitto's number for it */
        bool answered;
    } slots[WINDOW_SLOTS];
    size_t first, count;
    int64_t settled; /* every id up to here is delivered */
    int64_t sent;    /* the newest id that went in */
};

/* Nothing on its way; all up to settled is delivered. */
void window_reset(struct window *w, int64_t settled);

size_t window_free(const struct window *w);

/* id above all before it, at least one slot free. */
void window_push(struct window *w, int64_t id, int mid);

/* A message that is skipped: settled as soon as all before it are. */
void window_skip(struct window *w, int64_t id);

/* False when none of that number is on its way. */
bool window_answer(struct window *w, int mid);

#endif
