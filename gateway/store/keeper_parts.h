/*
 * keeper_parts - what the two halves of the keeper share: closing and packing (keeper.c), and
 * letting go (keeper_retire.c).
 */
#ifndef FORETRIP_STORE_KEEPER_PARTS_H
#define FORETRIP_STORE_KEEPER_PARTS_H

#include "keeper.h"
#include "pile.h"

struct keeper_layout {
    int64_t id;
    int64_t *channels;
};

struct keeper {
    struct shelf shelf;
    struct keeper_layout *layouts;
    size_t layout_count;
    unsigned calls_since_old; /* how often nothing was let go for its age */
};

/* One number of one row by SQL with up to two parameters: SQLITE_ROW with *out, SQLITE_DONE
 * when there is none or it is NULL, or an error. */
int keeper_number(struct keeper *k, const char *sql, int64_t a, int64_t b, int64_t *out);

int keeper_put_times(struct keeper *k, enum shelf_table table, int64_t period,
                     const int64_t *times, size_t n);

void keeper_say_damaged(const char *what, int64_t wall_ms, int64_t channel);

/* Age and size: one day, some summaries. */
int keeper_retire(struct keeper *k, const struct keeper_job *job, struct keeper_done *done);

#endif
