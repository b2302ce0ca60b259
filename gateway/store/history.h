/*
 * history - the readings read: charts, demand, energy, export, and whether all of it is sound.
 *
 * Goes by a store_reader (reader.h) and its rules: one consistent state a call, never in the
 * way of the writer. Readings come from wherever they are: packed days, closed hours, what
 * trips have frozen, the tail that is seconds old.
 *
 * Units      values in the column's own (A, W, V, 1); times Unix ms, UTC
 * Cost       docs/method/history.md, measured by tests/bench/bench_history.c
 */
#ifndef FORETRIP_STORE_HISTORY_H
#define FORETRIP_STORE_HISTORY_H

#include "reader.h"

/* What lies between two edges. */
struct history_bucket {
    double least, most, mean, rms; /* NaN: no reading */
    double seconds;                /* with readings; the rest of the bucket had none */
};

enum history_way {
    HISTORY_EXACT, /* every edge where it is: from summaries when all edges are on their
                      minutes, quarters, hours or days, else from the readings */
    HISTORY_CHART, /* an edge may slip by half a summary, which is at most half a bucket */
};

/* count buckets between count + 1 edges, which rise. A column never stored gives NaN. */
enum store_err history_buckets(struct store_reader *r, const char *column,
                               const int64_t *edges_wall_ms, size_t count, enum history_way way,
                               struct history_bucket *out);

/* The same with even edges. */
enum store_err history_chart(struct store_reader *r, const char *column, int64_t from_wall_ms,
                             int64_t to_wall_ms, size_t count, struct history_bucket *out);

/* The first row kept at full rate, and 1 ms after the last; 0 and 0 for nothing. */
enum store_err history_ends(struct store_reader *r, int64_t *from_wall_ms, int64_t *to_wall_ms);

/* Columns that have ever been stored, by name. */
typedef bool history_column_fn(void *context, const char *column);
enum store_err history_columns(struct store_reader *r, history_column_fn *fn, void *context);

/* Row after row, from..to (both included): values[i] of columns[i], NaN for no reading. Rows in
 * which none of them has one are there too. A day is in memory at a time. */
typedef bool history_row_fn(void *context, int64_t wall_ms, const float *values);
enum store_err history_rows(struct store_reader *r, const char *const *columns, size_t count,
                            int64_t from_wall_ms, int64_t to_wall_ms, history_row_fn *fn,
                            void *context);

/* ---- soundness ---- */

struct history_check {
    uint64_t pieces;    /* of readings, decoded */
    uint64_t readings;  /* in them, gaps not counted */
    uint64_t summaries; /* compared with the readings */
    uint64_t faults;
};
/* One sentence for each fault. */
typedef void history_fault_fn(void *context, const char *sentence);

/* SQLite's own check, then: every piece decodes, and every summary of a time whose readings are
 * kept says what they say. STORE_OK when it could look everywhere; the faults are counted. */
enum store_err history_verify(struct store_reader *r, history_fault_fn *fn, void *context,
                              struct history_check *out);

/* A copy of the whole database as it is now, while the writer goes on. to must not be there
 * yet. why (may be NULL) gets a sentence. */
enum store_err history_backup(struct store_reader *r, const char *to, char *why,
                              size_t why_size);

#endif
