/*
 * finished - ids of letters that are done with, from the courier's thread to the store's.
 *
 * Plain: added by any thread, copied for a transaction, forgotten when that was written.
 */
#ifndef FORETRIP_STORE_FINISHED_H
#define FORETRIP_STORE_FINISHED_H

#include <pthread.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct finished {
    pthread_mutex_t lock;
    int64_t *ids;
    size_t count, capacity;
};

void finished_init(struct finished *f);
void finished_free(struct finished *f);

/* When memory is short nothing is added: the letter goes out once more one day. */
void finished_add(struct finished *f, int64_t id);

bool finished_any(struct finished *f);

/* malloc'ed; *count is 0 when there are none, or memory is short. */
int64_t *finished_copy(struct finished *f, size_t *count);

/* The oldest count of them. */
void finished_forget(struct finished *f, size_t count);

#endif
