#include "keeper.h"

#include "block.h"
#include "keeper_parts.h"

#include "base/clock.h"
#include "base/log.h"

#include <stdlib.h>
#include <string.h>

#define HOURS_A_CALL 2
#define CHANNELS_A_CALL 64
#define HOUR_LEVEL 1 /* of zstd: an hour's block lives for a day */
#define DAY_LEVEL 3

struct keeper *keeper_open(sqlite3 *db)
{
    struct keeper *k = calloc(1, sizeof *k);
    if (k && !shelf_init(&k->shelf, db)) {
        free(k);
        return NULL;
    }
    return k;
}

void keeper_close(struct keeper *k)
{
    if (!k)
        return;
    for (size_t i = 0; i < k->layout_count; i++)
        free(k->layouts[i].channels);
    free(k->layouts);
    shelf_finish(&k->shelf);
    free(k);
}

void keeper_say_damaged(const char *what, int64_t wall_ms, int64_t channel)
{
    char time[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(wall_ms, time);
    log_error("store",
              "a damaged piece of the history (%s from %s on, channel %lld) is dropped", what,
              time, (long long)channel);
}

int keeper_number(struct keeper *k, const char *sql, int64_t a, int64_t b, int64_t *out)
{
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_prepare_v2(k->shelf.db, sql, -1, &st, NULL);
    if (rc == SQLITE_OK && sqlite3_bind_parameter_count(st) > 0)
        rc = sqlite3_bind_int64(st, 1, a);
    if (rc == SQLITE_OK && sqlite3_bind_parameter_count(st) > 1)
        rc = sqlite3_bind_int64(st, 2, b);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    bool there = rc == SQLITE_ROW && sqlite3_column_type(st, 0) == SQLITE_INTEGER;
    if (there && out)
        *out = sqlite3_column_int64(st, 0);
    int end = sqlite3_finalize(st);
    if (rc == SQLITE_ROW || rc == SQLITE_DONE)
        return end ? end : there ? SQLITE_ROW : SQLITE_DONE;
    return rc;
}

static int as_ok(int rc)
{
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

/* ---- the tail's columns and the channels ---- */

static int add_channel(struct keeper *k, const char *name, int64_t *channel)
{
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_prepare_v2(
        k->shelf.db, "INSERT OR IGNORE INTO channels (name) VALUES (?1)", -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_text(st, 1, name, -1, SQLITE_STATIC);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    int end = sqlite3_finalize(st);
    if (rc == SQLITE_DONE && end == SQLITE_OK)
        return shelf_channel(&k->shelf, name, channel);
    return rc == SQLITE_DONE ? end : rc;
}

static int fill_layout(struct keeper *k, struct keeper_layout *l, const struct shelf_block *b)
{
    size_t width = 4 * b->poles + 3 * b->panels, n = 0;
    char *names = strdup(b->columns), *at = names;
    *l = (struct keeper_layout){.id = b->layout,
                                .channels = calloc(width + 1, sizeof l->channels[0])};
    int rc = names && l->channels ? SQLITE_OK : SQLITE_NOMEM;
    for (char *name; rc == SQLITE_OK && n < width && (name = strsep(&at, "\n")) != NULL; n++)
        rc = add_channel(k, name, &l->channels[n]);
    free(names);
    if (rc != SQLITE_OK)
        free(l->channels);
    return rc;
}

/* the channel of each value of a block, created when it is new */
static int layout_of(struct keeper *k, const struct shelf_block *b, const int64_t **channels)
{
    for (size_t i = 0; i < k->layout_count; i++)
        if (k->layouts[i].id == b->layout) {
            *channels = k->layouts[i].channels;
            return SQLITE_OK;
        }
    struct keeper_layout *more =
        realloc(k->layouts, (k->layout_count + 1) * sizeof k->layouts[0]);
    if (!more)
        return SQLITE_NOMEM;
    k->layouts = more;
    int rc = fill_layout(k, &k->layouts[k->layout_count], b);
    if (rc == SQLITE_OK)
        *channels = k->layouts[k->layout_count++].channels;
    return rc;
}

/* What was made in a transaction that was undone is not there. */
static void forget_layouts(struct keeper *k)
{
    for (size_t i = 0; i < k->layout_count; i++)
        free(k->layouts[i].channels);
    k->layout_count = 0;
}

/* ---- gathering ---- */

struct gathering {
    struct keeper *k;
    struct pile *pile;
    int64_t from, before; /* rows outside go back into the tail */
};

static int put_back(struct gathering *g, const struct shelf_block *b, struct block *rest)
{
    struct codec_out bytes = {0};
    sqlite3_stmt *st = NULL;
    int64_t first = block_first_wall_ms(rest), key = first * SHELF_TAIL_KEYS;
    int rc = keeper_number(g->k, "SELECT max(t) + 1 FROM readings WHERE t >= ?1 AND t < ?2",
                           key, key + SHELF_TAIL_KEYS, &key);
    block_seal(rest, &bytes);
    rc = bytes.failed ? SQLITE_NOMEM : as_ok(rc);
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(g->k->shelf.db,
                                "INSERT INTO readings (t, layout, data) VALUES (?1, ?2, ?3)",
                                -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(st, 1, key);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(st, 2, b->layout);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_blob64(st, 3, bytes.bytes, bytes.length, SQLITE_STATIC);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    sqlite3_finalize(st);
    codec_out_free(&bytes);
    return as_ok(rc);
}

/* A block from before blocks ended with the hour: its later rows are a block of their own now.
 */
static int split(struct gathering *g, const struct shelf_block *b, const int64_t *times,
                 const int32_t *matrix, size_t from, size_t rows)
{
    struct block *rest = block_create(b->poles, b->panels);
    if (!rest)
        return SQLITE_NOMEM;
    for (size_t r = from; r < rows; r++)
        block_add_whole(rest, times[r], matrix + r * (4 * b->poles + 3 * b->panels));
    int rc = put_back(g, b, rest);
    block_destroy(rest);
    return rc;
}

static bool gather_block(void *context, const struct shelf_block *b, int *rc)
{
    struct gathering *g = context;
    int64_t times[BLOCK_ROWS];
    int32_t *matrix;
    size_t rows, width = 4 * b->poles + 3 * b->panels, kept = 0;
    const int64_t *channels = NULL;
    *rc = layout_of(g->k, b, &channels);
    if (*rc != SQLITE_OK)
        return false;
    if (!block_read_all(b->bytes, b->length, b->first_wall_ms, b->poles, b->panels, times,
                        &matrix, &rows)) {
        keeper_say_damaged("a block", b->first_wall_ms, 0);
        return true;
    }
    while (kept < rows && times[kept] < g->before)
        kept++;
    size_t row = pile_add_rows(g->pile, times, kept);
    for (size_t i = 0; i < width; i++)
        pile_set(g->pile, channels[i], row, matrix + i, kept, width);
    if (kept < rows)
        *rc = split(g, b, times, matrix, kept, rows);
    free(matrix);
    if (g->pile->failed)
        *rc = SQLITE_NOMEM;
    return *rc == SQLITE_OK;
}

/* what is kept already of that hour or day */
static int gather_kept(struct keeper *k, enum shelf_table table, int64_t period,
                       struct pile *pile)
{
    int64_t *times = NULL, *ids = NULL;
    size_t n = 0, count = 0;
    int rc = shelf_times(&k->shelf, table, period, &times, &n);
    if (rc != SQLITE_ROW)
        return as_ok(rc);
    size_t row = pile_add_rows(pile, times, n);
    free(times);
    rc = shelf_channels(&k->shelf, table, period, period + 1, &ids, &count);
    for (size_t i = 0; rc == SQLITE_OK && i < count; i++) {
        const int32_t *values;
        size_t found;
        rc = shelf_values(&k->shelf, table, shelf_key(period, ids[i]), &values, &found);
        if (rc == SHELF_DAMAGED || (rc == SQLITE_ROW && found != n)) {
            keeper_say_damaged(
                "readings", period * (table == SHELF_DAYS ? SUMMARY_DAY_MS : SUMMARY_HOUR_MS),
                ids[i]);
            rc = shelf_remove(&k->shelf, table, shelf_key(period, ids[i]));
            continue;
        }
        if (rc == SQLITE_ROW)
            pile_set(pile, ids[i], row, values, n, 1);
        rc = as_ok(rc);
    }
    free(ids);
    return rc;
}

/* ---- writing ---- */

static int put_values(struct keeper *k, enum shelf_table table, int64_t key,
                      const int32_t *values, size_t n)
{
    struct codec_out bytes = {0};
    pack_encode(k->shelf.packer, values, n, table == SHELF_HOURS ? HOUR_LEVEL : DAY_LEVEL,
                &bytes);
    int rc = shelf_put(&k->shelf, table, key, &bytes);
    codec_out_free(&bytes);
    return rc;
}

int keeper_put_times(struct keeper *k, enum shelf_table table, int64_t period,
                     const int64_t *times, size_t n)
{
    struct codec_out bytes = {0};
    if (!pack_encode_times(k->shelf.packer, times, n, DAY_LEVEL, &bytes))
        bytes.failed = true;
    int rc = shelf_put(&k->shelf, table, shelf_key(period, SHELF_TIMES), &bytes);
    codec_out_free(&bytes);
    return rc;
}

static int put_level(struct keeper *k, enum summary_level level, int64_t wall_ms,
                     int64_t channel, const struct summary *s)
{
    struct codec_out bytes = {0};
    summary_encode(k->shelf.packer, level, s, &bytes);
    int rc =
        shelf_put(&k->shelf, SHELF_SUMMARIES,
                  shelf_summary_key(level, summary_piece(level, wall_ms), channel), &bytes);
    codec_out_free(&bytes);
    return rc;
}

/* a damaged piece of summaries is made anew as far as what follows reaches, the rest by verify
 */
static int get_level(struct keeper *k, enum summary_level level, int64_t wall_ms,
                     int64_t channel, struct summary *s)
{
    int rc = shelf_summaries(&k->shelf, level, summary_piece(level, wall_ms), channel, s);
    if (rc == SHELF_DAMAGED) {
        keeper_say_damaged("summaries", wall_ms, channel);
        for (size_t i = 0; i < summary_count(level); i++)
            s[i] = summary_none(level);
        rc = SQLITE_OK;
    }
    return as_ok(rc);
}

#define PIECE_MOST 1536 /* summaries in a piece of any level */

/* minutes from the full hour wall_ms on, within one day; the levels above follow */
static int put_summaries(struct keeper *k, int64_t channel, int64_t wall_ms,
                         const struct summary *minutes, size_t count,
                         struct summary (*scratch)[PIECE_MOST])
{
    struct summary *s = scratch[SUMMARY_MINUTE];
    int rc = get_level(k, SUMMARY_MINUTE, wall_ms, channel, s);
    if (rc != SQLITE_OK)
        return rc;
    memcpy(s + summary_place(SUMMARY_MINUTE, wall_ms), minutes, count * sizeof *minutes);
    rc = put_level(k, SUMMARY_MINUTE, wall_ms, channel, s);
    for (int l = SUMMARY_QUARTER; l < SUMMARY_LEVELS && rc == SQLITE_OK; l++) {
        enum summary_level level = (enum summary_level)l, below = (enum summary_level)(l - 1);
        size_t parts = (size_t)(summary_span_ms(level) / summary_span_ms(below));
        int64_t span = summary_span_ms(level), first = wall_ms / span * span;
        int64_t end = wall_ms + (int64_t)count * summary_span_ms(SUMMARY_MINUTE);
        s = scratch[level];
        rc = get_level(k, level, wall_ms, channel, s);
        for (int64_t t = first; rc == SQLITE_OK && t < end; t += span)
            s[summary_place(level, t)] =
                summary_join(level, scratch[below] + summary_place(below, t), parts);
        if (rc == SQLITE_OK)
            rc = put_level(k, level, wall_ms, channel, s);
    }
    return rc;
}

/* the hours from..to (not included) of one day, out of a sorted pile that holds all of them */
static int summarise(struct keeper *k, const struct pile *pile, int64_t from, int64_t to)
{
    struct summary_grid grids[24] = {0};
    struct summary minutes[1440];
    size_t begins[25] = {0}, hours = (size_t)(to - from);
    struct summary(*scratch)[PIECE_MOST] = malloc(SUMMARY_LEVELS * sizeof *scratch);
    int rc = scratch ? SQLITE_OK : SQLITE_NOMEM;
    for (size_t h = 0; h < hours && rc == SQLITE_OK; h++) {
        size_t row = begins[h];
        int64_t hour_ms = (from + (int64_t)h) * SUMMARY_HOUR_MS;
        while (row < pile->rows && pile->times[row] < hour_ms + SUMMARY_HOUR_MS)
            row++;
        begins[h + 1] = row;
        if (!summary_grid_init(&grids[h], pile->times + begins[h], row - begins[h], hour_ms))
            rc = SQLITE_NOMEM;
    }
    for (size_t c = 0; c < pile->count && rc == SQLITE_OK; c++) {
        const struct pile_column *column = &pile->columns[c];
        for (size_t h = 0; h < hours; h++)
            summary_minutes(&grids[h], column->values + begins[h], minutes + 60 * h);
        rc = put_summaries(k, column->channel, from * SUMMARY_HOUR_MS, minutes, 60 * hours,
                           scratch);
    }
    for (size_t h = 0; h < hours; h++)
        summary_grid_free(&grids[h]);
    free(scratch); /* 120 KiB, needed again in an hour */
    return rc;
}

static int write_pile(struct keeper *k, enum shelf_table table, int64_t period,
                      const struct pile *pile)
{
    int rc = keeper_put_times(k, table, period, pile->times, pile->rows);
    for (size_t c = 0; c < pile->count && rc == SQLITE_OK; c++)
        rc = put_values(k, table, shelf_key(period, pile->columns[c].channel),
                        pile->columns[c].values, pile->rows);
    int64_t hours = table == SHELF_DAYS ? 24 : 1;
    if (rc == SQLITE_OK)
        rc = summarise(k, pile, period * hours, (period + 1) * hours);
    return rc;
}

/* ---- closing an hour ---- */

static int pack_day(struct keeper *k, int64_t day, size_t most_channels, bool *whole);

/* the tail's rows of the hour, and what is kept of it or of its day, as one piece again */
static int close_hour(struct keeper *k, int64_t hour)
{
    struct pile pile;
    enum shelf_table table = SHELF_HOURS;
    int64_t period = hour, from = hour * SUMMARY_HOUR_MS;
    struct gathering g = {k, &pile, from, from + SUMMARY_HOUR_MS};
    int rc = shelf_has(&k->shelf, SHELF_DAYS, shelf_key(hour / 24, SHELF_TIMES));
    if (rc == SQLITE_ROW) { /* late: the day is packed, or being packed */
        bool whole = false;
        table = SHELF_DAYS;
        period = hour / 24;
        rc = pack_day(k, period, SIZE_MAX, &whole);
    }
    pile_init(&pile);
    rc = as_ok(rc);
    if (rc == SQLITE_OK)
        rc = gather_kept(k, table, period, &pile);
    if (rc == SQLITE_OK)
        rc = shelf_tail(&k->shelf, from, from + SUMMARY_HOUR_MS, gather_block, &g);
    if (rc == SQLITE_OK) {
        pile_sort(&pile);
        rc = pile.failed ? SQLITE_NOMEM : SQLITE_OK;
    }
    if (rc == SQLITE_OK && pile.rows > 0)
        rc = write_pile(k, table, period, &pile);
    if (rc == SQLITE_OK)
        rc = as_ok(keeper_number(k, "DELETE FROM readings WHERE t >= ?1 AND t < ?2",
                                 from * SHELF_TAIL_KEYS,
                                 (from + SUMMARY_HOUR_MS) * SHELF_TAIL_KEYS, NULL));
    pile_free(&pile);
    return rc;
}

static int first_tail_hour(struct keeper *k, int64_t *hour)
{
    int rc = keeper_number(k, "SELECT min(t) FROM readings", 0, 0, hour);
    *hour /= SHELF_TAIL_KEYS * SUMMARY_HOUR_MS;
    return rc;
}

static int close_hours(struct keeper *k, int64_t wall_ms, int most, int *closed)
{
    int64_t hour = 0;
    int rc = SQLITE_OK;
    for (int n = 0; n < most && rc == SQLITE_OK; n++) {
        rc = first_tail_hour(k, &hour);
        if (rc != SQLITE_ROW || (hour + 1) * SUMMARY_HOUR_MS + KEEPER_GRACE_MS > wall_ms)
            return as_ok(rc);
        rc = close_hour(k, hour);
        ++*closed;
    }
    return rc;
}

/* ---- packing a day ---- */

struct day_rows {
    int64_t *times;
    size_t rows;
    size_t begins[25];
};

static int gather_times(struct keeper *k, int64_t day, struct day_rows *d)
{
    int rc = SQLITE_OK;
    for (int h = 0; h < 24 && rc == SQLITE_OK; h++) {
        int64_t *times = NULL;
        size_t n = 0;
        rc = shelf_times(&k->shelf, SHELF_HOURS, day * 24 + h, &times, &n);
        int64_t *more =
            rc == SQLITE_ROW ? realloc(d->times, (d->rows + n) * sizeof *more) : d->times;
        if (rc == SQLITE_ROW && more)
            memcpy(more + d->rows, times, n * sizeof *more);
        else if (rc == SQLITE_ROW)
            rc = SQLITE_NOMEM;
        if (more)
            d->times = more;
        if (rc == SHELF_DAMAGED) {
            keeper_say_damaged("times", (day * 24 + h) * SUMMARY_HOUR_MS, SHELF_TIMES);
            rc = SQLITE_DONE;
        }
        d->rows += rc == SQLITE_ROW ? n : 0;
        d->begins[h + 1] = d->rows;
        free(times);
        rc = as_ok(rc);
    }
    return rc;
}

static int pack_channel(struct keeper *k, int64_t day, const struct day_rows *d,
                        int64_t channel, int32_t *values)
{
    int rc = SQLITE_OK;
    for (int h = 0; h < 24 && rc == SQLITE_OK; h++) {
        const int32_t *hour;
        size_t n = 0, rows = d->begins[h + 1] - d->begins[h];
        int64_t key = shelf_key(day * 24 + h, channel);
        rc = shelf_values(&k->shelf, SHELF_HOURS, key, &hour, &n);
        bool good = rc == SQLITE_ROW && n == rows;
        if (rc == SHELF_DAMAGED || (rc == SQLITE_ROW && !good)) {
            keeper_say_damaged("readings", (day * 24 + h) * SUMMARY_HOUR_MS, channel);
            rc = SQLITE_OK;
        }
        for (size_t i = 0; i < rows; i++)
            values[d->begins[h] + i] = good ? hour[i] : PACK_NOTHING;
        rc = as_ok(rc);
        if (rc == SQLITE_OK)
            rc = shelf_remove(&k->shelf, SHELF_HOURS, key);
    }
    return rc == SQLITE_OK ? put_values(k, SHELF_DAYS, shelf_key(day, channel), values, d->rows)
                           : rc;
}

/* Channel after channel, each with its hours' rows in the same step; the hours' times go last.
 */
static int pack_day(struct keeper *k, int64_t day, size_t most_channels, bool *whole)
{
    int64_t *ids = NULL;
    size_t count = 0;
    struct day_rows d = {0};
    int rc = shelf_channels(&k->shelf, SHELF_HOURS, day * 24, day * 24 + 24, &ids, &count);
    if (rc == SQLITE_OK && count > 0)
        rc = gather_times(k, day, &d);
    int32_t *values = malloc((d.rows + 1) * sizeof *values);
    if (rc == SQLITE_OK && !values)
        rc = SQLITE_NOMEM;
    if (rc == SQLITE_OK && d.rows > 0)
        rc = keeper_put_times(k, SHELF_DAYS, day, d.times, d.rows);
    for (size_t i = 0; i < count && i < most_channels && rc == SQLITE_OK; i++)
        rc = pack_channel(k, day, &d, ids[i], values);
    *whole = count <= most_channels;
    if (rc == SQLITE_OK && *whole)
        rc = as_ok(keeper_number(k, "DELETE FROM hours WHERE key >= ?1 AND key < ?2",
                                 shelf_key(day * 24, 0), shelf_key(day * 24 + 24, 0), NULL));
    free(values);
    free(d.times);
    free(ids);
    return rc;
}

/* the oldest day that has hours, when it is over and its tail closed */
static int pack_days(struct keeper *k, int64_t wall_ms, size_t most_channels, int *packed)
{
    int64_t first = 0, tail = 0;
    int rc = keeper_number(k, "SELECT min(key) FROM hours", 0, 0, &first);
    if (rc != SQLITE_ROW)
        return as_ok(rc);
    int64_t day = (first >> SHELF_CHANNEL_BITS) / 24;
    if ((day + 1) * SUMMARY_DAY_MS + 4 * KEEPER_GRACE_MS > wall_ms)
        return SQLITE_OK;
    rc = first_tail_hour(k, &tail);
    if (rc == SQLITE_ROW && tail / 24 <= day)
        return SQLITE_OK;
    bool whole = false;
    rc = as_ok(rc);
    if (rc == SQLITE_OK)
        rc = pack_day(k, day, most_channels, &whole);
    *packed += whole;
    return rc;
}

/* ---- a step ---- */

int keeper_work(struct keeper *k, const struct keeper_job *job, struct keeper_done *done)
{
    int rc = close_hours(k, job->wall_ms, HOURS_A_CALL, &done->hours);
    if (rc == SQLITE_OK)
        rc = pack_days(k, job->wall_ms, CHANNELS_A_CALL, &done->days);
    if (rc == SQLITE_OK)
        rc = keeper_retire(k, job, done);
    if (rc != SQLITE_OK)
        forget_layouts(k);
    pack_rest(k->shelf.packer); /* it is an hour to the next, mostly */
    return rc;
}

int keeper_finish(struct keeper *k, int64_t wall_ms)
{
    int rc = SQLITE_OK;
    for (int done = 1; done > 0 && rc == SQLITE_OK;) {
        done = 0;
        rc = close_hours(k, wall_ms, 24, &done);
        if (rc == SQLITE_OK)
            rc = pack_days(k, wall_ms, SIZE_MAX, &done);
    }
    if (rc != SQLITE_OK)
        forget_layouts(k);
    return rc;
}
