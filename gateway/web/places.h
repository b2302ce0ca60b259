/*
 * places - what each of the threads that serve the page works with: a reader of the record and
 * a pulse of its own, so that one that is stuck is seen while the others go on.
 *
 * libmicrohttpd's threads have no names for us: who answers takes any place that is free, and
 * there are as many as threads.
 *
 * Threads    open and close before and after there are any; the rest from any
 */
#ifndef FORETRIP_WEB_PLACES_H
#define FORETRIP_WEB_PLACES_H

#include "server.h"

#include "base/pulse.h"
#include "store/reader.h"

#include <pthread.h>

struct place {
    struct store_reader *reader;
    struct pulse pulse; /* works while the place is taken */
    bool taken;
};

struct places {
    pthread_mutex_t lock;
    struct place of[SERVER_THREADS];
};

/* false when memory is short; close it all the same. */
bool places_open(struct places *s, const char *path, int64_t patience_ms);
void places_close(struct places *s);

/* A free place, the caller's until it is left. NULL when more ask than there are. */
struct place *places_take(struct places *s);
void places_leave(struct places *s, struct place *one);

#endif
