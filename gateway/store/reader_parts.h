/*
 * reader_parts - a reader's connection, for the other files that read by it.
 */
#ifndef FORETRIP_STORE_READER_PARTS_H
#define FORETRIP_STORE_READER_PARTS_H

#include "reader.h"
#include "shelf.h"

/* Begins a consistent view; ends with reader_leave in any case after STORE_OK. */
enum store_err reader_enter(struct store_reader *r, struct shelf **shelf);
/* rc: SQLite's, or SHELF_DAMAGED. */
enum store_err reader_leave(struct store_reader *r, int rc);

/* The readings of one channel in one UTC day, wherever they are kept, in the order of time. */
struct reader_series {
    int64_t *times;
    int32_t *values; /* PACK_NOTHING: no reading */
    size_t n, room;
};
/* channel 0: only the tail is looked through. SQLITE_OK or an error. */
int reader_series_day(struct shelf *s, const char *column, int64_t channel, int64_t day,
                      struct reader_series *out);
/* Adds what the tail has of the column, from..before. */
int reader_tail(struct shelf *s, const char *column, int64_t from_wall_ms,
                int64_t before_wall_ms, struct reader_series *out);
void reader_series_free(struct reader_series *out);

/* The first day after `day` that may have anything, INT64_MAX when there is none. */
int reader_next_day(struct shelf *s, int64_t day, int64_t *next);

#endif
