/* The readings of reader.h: one column, from wherever they are kept. */
#include "block.h"
#include "reader_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

void reader_series_free(struct reader_series *out)
{
    free(out->times);
    free(out->values);
    *out = (struct reader_series){0};
}

static int make_room(struct reader_series *s, size_t more)
{
    if (s->n + more <= s->room)
        return SQLITE_OK;
    size_t room = s->room ? s->room : 4096;
    while (room < s->n + more)
        room *= 2;
    int64_t *times = realloc(s->times, room * sizeof *times);
    if (times)
        s->times = times;
    int32_t *values = times ? realloc(s->values, room * sizeof *values) : NULL;
    if (!values)
        return SQLITE_NOMEM;
    s->values = values;
    s->room = room;
    return SQLITE_OK;
}

/* SQLITE_DONE: the channel is not in that piece */
static int add_piece(struct shelf *s, enum shelf_table table, int64_t period, int64_t channel,
                     struct reader_series *out)
{
    const int32_t *values;
    int64_t *times = NULL;
    size_t n = 0, rows = 0;
    int rc = shelf_has(s, table, shelf_key(period, channel));
    if (rc != SQLITE_ROW)
        return rc;
    rc = shelf_times(s, table, period, &times, &rows);
    if (rc == SQLITE_DONE)
        return SHELF_DAMAGED;
    if (rc == SQLITE_ROW)
        rc = shelf_values(s, table, shelf_key(period, channel), &values, &n);
    if (rc == SQLITE_ROW && n != rows)
        rc = SHELF_DAMAGED;
    if (rc == SQLITE_ROW && make_room(out, n) != SQLITE_OK)
        rc = SQLITE_NOMEM;
    if (rc == SQLITE_ROW && n > 0) {
        memcpy(out->times + out->n, times, n * sizeof *times);
        memcpy(out->values + out->n, values, n * sizeof *values);
        out->n += n;
    }
    free(times);
    return rc;
}

struct tail_walk {
    const char *column;
    struct reader_series *out;
    int64_t from, before;
};

static bool take_tail(void *context, const struct shelf_block *b, int *rc)
{
    struct tail_walk *w = context;
    int64_t times[BLOCK_ROWS];
    int32_t values[BLOCK_ROWS];
    size_t rows;
    int64_t index = shelf_find_line(b->columns, w->column);
    if (index < 0)
        return true;
    if (!block_read_whole(b->bytes, b->length, b->first_wall_ms, b->poles, b->panels,
                          (size_t)index, times, values, &rows)) {
        *rc = SHELF_DAMAGED;
        return false;
    }
    *rc = make_room(w->out, rows);
    for (size_t i = 0; *rc == SQLITE_OK && i < rows; i++) {
        if (times[i] < w->from || times[i] >= w->before)
            continue;
        w->out->times[w->out->n] = times[i];
        w->out->values[w->out->n++] = values[i];
    }
    return *rc == SQLITE_OK;
}

/* Late rows are few and at the end: each moves forward to its place. */
static void sort(struct reader_series *s)
{
    for (size_t i = 1; i < s->n; i++) {
        int64_t t = s->times[i];
        int32_t v = s->values[i];
        size_t at = i;
        for (; at > 0 && s->times[at - 1] > t; at--) {
            s->times[at] = s->times[at - 1];
            s->values[at] = s->values[at - 1];
        }
        s->times[at] = t;
        s->values[at] = v;
    }
}

int reader_tail(struct shelf *s, const char *column, int64_t from_wall_ms,
                int64_t before_wall_ms, struct reader_series *out)
{
    struct tail_walk w = {column, out, from_wall_ms, before_wall_ms};
    int rc = shelf_tail(s, from_wall_ms - BLOCK_SPAN_MS, before_wall_ms, take_tail, &w);
    sort(out);
    return rc;
}

int reader_series_day(struct shelf *s, const char *column, int64_t channel, int64_t day,
                      struct reader_series *out)
{
    int rc = SQLITE_DONE;
    out->n = 0;
    if (channel > 0)
        rc = add_piece(s, SHELF_DAYS, day, channel, out);
    if (channel > 0 && rc == SQLITE_DONE)
        rc = add_piece(s, SHELF_FROZEN, day, channel, out);
    /* an hour may be there beside a day: late, and not yet together */
    for (int64_t h = day * 24; channel > 0 && h < day * 24 + 24; h++)
        if (rc == SQLITE_ROW || rc == SQLITE_DONE)
            rc = add_piece(s, SHELF_HOURS, h, channel, out);
    if (rc == SQLITE_ROW || rc == SQLITE_DONE)
        rc = reader_tail(s, column, day * SUMMARY_DAY_MS, (day + 1) * SUMMARY_DAY_MS, out);
    return rc;
}

static int least(struct shelf *s, const char *sql, int64_t from, int64_t unit, int64_t *next)
{
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_prepare_v2(s->db, sql, -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(st, 1, from);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    if (rc == SQLITE_ROW && sqlite3_column_type(st, 0) == SQLITE_INTEGER) {
        int64_t day = sqlite3_column_int64(st, 0) / unit;
        *next = day < *next ? day : *next;
    }
    int end = sqlite3_finalize(st);
    return rc == SQLITE_ROW ? end : rc;
}

int reader_next_day(struct shelf *s, int64_t day, int64_t *next)
{
    const int64_t channels = INT64_C(1) << SHELF_CHANNEL_BITS;
    const int64_t tail = SHELF_TAIL_KEYS * SUMMARY_DAY_MS;
    *next = INT64_MAX;
    int rc = least(s, "SELECT min(key) FROM days WHERE key >= ?1", (day + 1) * channels,
                   channels, next);
    if (rc == SQLITE_OK)
        rc = least(s, "SELECT min(key) FROM frozen WHERE key >= ?1", (day + 1) * channels,
                   channels, next);
    if (rc == SQLITE_OK)
        rc = least(s, "SELECT min(key) FROM hours WHERE key >= ?1", (day + 1) * 24 * channels,
                   24 * channels, next);
    if (rc == SQLITE_OK)
        rc =
            least(s, "SELECT min(t) FROM readings WHERE t >= ?1", (day + 1) * tail, tail, next);
    return rc;
}

enum store_err store_read_span(struct store_reader *r, const char *column, int64_t from_wall_ms,
                               int64_t to_wall_ms, store_reading_fn *fn, void *context)
{
    struct shelf *s;
    struct reader_series series = {0};
    int64_t channel, day = from_wall_ms > 0 ? from_wall_ms / SUMMARY_DAY_MS - 1 : -1;
    double scale = block_column_scale(column);
    bool more = true;
    enum store_err err = reader_enter(r, &s);
    if (err)
        return err;
    int rc = shelf_channel(s, column, &channel);
    while (rc == SQLITE_OK && more) {
        rc = reader_next_day(s, day, &day);
        if (rc != SQLITE_OK || day > to_wall_ms / SUMMARY_DAY_MS)
            break;
        rc = reader_series_day(s, column, channel, day, &series);
        for (size_t i = 0; rc == SQLITE_OK && more && i < series.n; i++)
            if (series.times[i] >= from_wall_ms && series.times[i] <= to_wall_ms)
                more = fn(context, series.times[i],
                          series.values[i] == PACK_NOTHING ? (double)NAN
                                                           : series.values[i] / scale);
    }
    reader_series_free(&series);
    return reader_leave(r, rc);
}
