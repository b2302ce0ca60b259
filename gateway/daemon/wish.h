/*
 * wish - what other programs left in the record for the gateway to do (store/wishes.h).
 */
#ifndef FORETRIP_WISH_H
#define FORETRIP_WISH_H

#include "analysis/engine.h"
#include "model/site.h"
#include "store/reader.h"
#include "web/web.h"

#define WISH_MOST 32 /* at a time; the others come next time */

struct wish_done {
    struct {
        char key[160];
        int64_t wall_ms;
    } taken[WISH_MOST];
    size_t count;
};

/* Carries out what is wished; out lists it, so that it can be dropped once what came of it is
 * on disk. web may be NULL. wall_ms is now. */
void wish_take(struct store_reader *r, struct engine *e, const struct site *site,
               struct web *web, struct store *store, int64_t wall_ms, struct wish_done *out);
void wish_drop(const char *database, const struct wish_done *done);

#endif
