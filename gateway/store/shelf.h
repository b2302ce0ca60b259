/*
 * shelf - where the packed history stands in the database, by key.
 *
 *     hours       (hour, channel)   the readings of a closed hour
 *     days        (day, channel)    the same, a day together
 *     frozen      (day, channel)    what is kept of a day past its age: around the trips
 *     summaries   (level, piece, channel)
 *     readings    the tail: some seconds of all channels a row (store/block.h)
 *
 * A key is one integer, the primary key of its table, so that what is written together lies
 * together. Channel SHELF_TIMES holds the times of the rows, once for all channels; a channel
 * without a row had no reading. Used by the writer on its connection and by readers on theirs.
 *
 * Results are SQLite's: SQLITE_ROW found, SQLITE_DONE not there; SHELF_DAMAGED: it is there and
 * does not decode.
 *
 * Ownership  shelf_init .. shelf_finish; borrows the connection
 */
#ifndef FORETRIP_STORE_SHELF_H
#define FORETRIP_STORE_SHELF_H

#include "summary.h"

#include <sqlite3.h>

#define SHELF_CHANNEL_BITS 20
#define SHELF_DAMAGED SQLITE_FORMAT    /* a code that SQLite itself does not use */
#define SHELF_LAST_MS (INT64_MAX / 64) /* later than any time */
#define SHELF_TIMES 0                  /* channel ids begin at 1 */
#define SHELF_TAIL_KEYS                                                                        \
    16 /* blocks that may begin in the same ms, when the clock is set back */

enum shelf_table { SHELF_HOURS, SHELF_DAYS, SHELF_FROZEN, SHELF_SUMMARIES, SHELF_TABLES };

struct shelf {
    sqlite3 *db;
    struct packer *packer;
    sqlite3_stmt *get[SHELF_TABLES], *put[SHELF_TABLES], *remove[SHELF_TABLES],
        *channels[SHELF_TABLES], *find_channel, *tail, *ends;
};

/* False when memory is short. Statements are prepared when they are first needed. */
bool shelf_init(struct shelf *s, sqlite3 *db);
void shelf_finish(struct shelf *s);

static inline int64_t shelf_key(int64_t period, int64_t channel)
{
    return (int64_t)((uint64_t)period << SHELF_CHANNEL_BITS | (uint64_t)channel);
}
static inline int64_t shelf_summary_key(enum summary_level level, int64_t piece,
                                        int64_t channel)
{
    return (int64_t)level << 56 | shelf_key(piece, channel);
}

/* The values belong to the packer until its next use. */
int shelf_values(struct shelf *s, enum shelf_table table, int64_t key, const int32_t **values,
                 size_t *n);
/* *times is malloc'ed and the caller's. */
int shelf_times(struct shelf *s, enum shelf_table table, int64_t period, int64_t **times,
                size_t *n);
/* summary_count(level) of them; SQLITE_DONE fills in summary_none. */
int shelf_summaries(struct shelf *s, enum summary_level level, int64_t piece, int64_t channel,
                    struct summary *out);

/* SQLITE_OK or an error. */
int shelf_put(struct shelf *s, enum shelf_table table, int64_t key,
              const struct codec_out *bytes);
int shelf_remove(struct shelf *s, enum shelf_table table, int64_t key);

/* The channels that have something from..before, periods of the table, without SHELF_TIMES;
 * *ids is malloc'ed and the caller's. SQLITE_OK or an error. */
int shelf_channels(struct shelf *s, enum shelf_table table, int64_t from, int64_t before,
                   int64_t **ids, size_t *count);

/* Whether the key is there. */
int shelf_has(struct shelf *s, enum shelf_table table, int64_t key);

/* The channel of a column name; 0 when there is none. */
int shelf_channel(struct shelf *s, const char *column, int64_t *channel);

/* One row of the tail: a block and the layout that its values have. */
struct shelf_block {
    int64_t key, first_wall_ms, layout;
    const uint8_t *bytes;
    size_t length, poles, panels;
    const char *columns; /* names joined by newlines */
};
/* false ends the walk, with *rc set when it was for an error */
typedef bool shelf_block_fn(void *context, const struct shelf_block *b, int *rc);
/* Blocks that begin from..before, in the order of the clock. SQLITE_OK or an error. */
int shelf_tail(struct shelf *s, int64_t from_wall_ms, int64_t before_wall_ms,
               shelf_block_fn *fn, void *context);

/* Which line of the list the column is, -1 when it is none. */
int64_t shelf_find_line(const char *columns, const char *column);

/* The moment of the first row kept, and 1 ms after that of the last; SQLITE_DONE when there is
 * none. */
int shelf_ends(struct shelf *s, int64_t *first_wall_ms, int64_t *last_wall_ms);

#endif
