#include "history.h"

#include "block.h"
#include "reader_parts.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* ---- adding up ---- */

struct sums {
    int32_t least, most;
    double sum, squares, weight; /* ms */
};

struct adding {
    const int64_t *edges;
    size_t count, at; /* the bucket of the last moment: they come in order */
    struct sums *sums;
};

static bool adding_init(struct adding *a, const int64_t *edges, size_t count)
{
    *a = (struct adding){.edges = edges, .count = count};
    a->sums = malloc((count + 1) * sizeof a->sums[0]);
    for (size_t i = 0; a->sums && i < count; i++)
        a->sums[i] = (struct sums){INT32_MAX, INT32_MIN, 0.0, 0.0, 0.0};
    return a->sums != NULL;
}

/* the bucket of a moment, NULL outside of all */
static struct sums *bucket_at(struct adding *a, int64_t t)
{
    if (t < a->edges[0] || t >= a->edges[a->count])
        return NULL;
    if (t < a->edges[a->at])
        a->at = 0;
    while (t >= a->edges[a->at + 1])
        a->at++;
    return &a->sums[a->at];
}

static void add(struct sums *s, int32_t least, int32_t most, double mean, double rms, double ms)
{
    s->least = least < s->least ? least : s->least;
    s->most = most > s->most ? most : s->most;
    s->sum += mean * ms;
    s->squares += rms * rms * ms;
    s->weight += ms;
}

static void add_summary(struct adding *a, enum summary_level level, int64_t from,
                        const struct summary *p)
{
    int64_t span = summary_span_ms(level);
    if (p->least == PACK_NOTHING)
        return;
    struct sums *s = bucket_at(a, from + span / 2);
    double ms = (double)span - 100.0 * p->missing;
    if (s)
        add(s, p->least, p->most, p->mean, p->rms, ms > 0.0 ? ms : 1.0);
}

static void finish(const struct adding *a, double scale, struct history_bucket *out)
{
    for (size_t i = 0; i < a->count; i++) {
        const struct sums *s = &a->sums[i];
        double most_ms = (double)(a->edges[i + 1] - a->edges[i]);
        out[i] =
            (struct history_bucket){(double)NAN, (double)NAN, (double)NAN, (double)NAN, 0.0};
        if (s->weight <= 0.0)
            continue;
        out[i].least = s->least / scale;
        out[i].most = s->most / scale;
        out[i].mean = s->sum / s->weight / scale;
        out[i].rms = sqrt(s->squares / s->weight) / scale;
        out[i].seconds = fmin(s->weight, most_ms) / 1000.0;
    }
}

/* ---- from the readings ---- */

static void add_rows(struct adding *a, const struct summary_grid *g, const int64_t *times,
                     const int32_t *values)
{
    for (size_t i = 0; i < g->n;) {
        struct sums *s = bucket_at(a, times[i]);
        if (!s) {
            i++;
            continue;
        }
        int64_t end = a->edges[a->at + 1], sum = 0, weight = 0;
        double squares = 0.0;
        int32_t least = s->least, most = s->most;
        for (; i < g->n && times[i] < end; i++) {
            int32_t v = values[i], w = g->weights[i];
            if (v == PACK_NOTHING)
                continue;
            least = v < least ? v : least;
            most = v > most ? v : most;
            sum += (int64_t)v * w;
            squares += (double)v * (double)v * (double)w;
            weight += w;
        }
        s->least = least;
        s->most = most;
        s->sum += (double)sum;
        s->squares += squares;
        s->weight += (double)weight;
    }
}

/* an hour at a time, as the summaries do */
static int add_series(struct adding *a, const struct reader_series *series)
{
    for (size_t from = 0; from < series->n;) {
        int64_t hour_ms = series->times[from] / SUMMARY_HOUR_MS * SUMMARY_HOUR_MS;
        size_t to = from;
        struct summary_grid g;
        while (to < series->n && series->times[to] < hour_ms + SUMMARY_HOUR_MS)
            to++;
        if (hour_ms + SUMMARY_HOUR_MS > a->edges[0] && hour_ms < a->edges[a->count]) {
            if (!summary_grid_init(&g, series->times + from, to - from, hour_ms))
                return SQLITE_NOMEM;
            add_rows(a, &g, series->times + from, series->values + from);
            summary_grid_free(&g);
        }
        from = to;
    }
    return SQLITE_OK;
}

static int add_readings(struct shelf *s, const char *column, int64_t channel, struct adding *a)
{
    struct reader_series series = {0};
    int64_t day = a->edges[0] > 0 ? a->edges[0] / SUMMARY_DAY_MS - 1 : -1;
    int rc;
    while ((rc = reader_next_day(s, day, &day)) == SQLITE_OK &&
           day <= a->edges[a->count] / SUMMARY_DAY_MS) {
        rc = reader_series_day(s, column, channel, day, &series);
        if (rc == SQLITE_OK)
            rc = add_series(a, &series);
        if (rc != SQLITE_OK)
            break;
    }
    reader_series_free(&series);
    return rc;
}

/* ---- from the summaries ---- */

static int add_pieces(struct shelf *s, int64_t channel, enum summary_level level,
                      struct adding *a)
{
    struct summary *piece = malloc(summary_count(level) * sizeof *piece);
    int64_t span = summary_span_ms(level), last = a->edges[a->count];
    int rc = piece ? SQLITE_OK : SQLITE_NOMEM;
    for (int64_t p = summary_piece(level, a->edges[0]);
         rc == SQLITE_OK && p <= summary_piece(level, last); p++) {
        int64_t begins = p * summary_piece_ms(level);
        rc = shelf_has(s, SHELF_SUMMARIES, shelf_summary_key(level, p, channel));
        if (rc == SQLITE_ROW)
            rc = shelf_summaries(s, level, p, channel, piece);
        for (size_t i = 0; rc == SQLITE_ROW && i < summary_count(level); i++)
            add_summary(a, level, begins + (int64_t)i * span, &piece[i]);
        if (rc == SQLITE_ROW || rc == SQLITE_DONE)
            rc = SQLITE_OK;
    }
    free(piece);
    return rc;
}

/* what is not closed yet: the minutes of its hours, made here */
static int add_tail(struct shelf *s, const char *column, struct adding *a)
{
    struct reader_series series = {0};
    struct summary minutes[60];
    int64_t last = a->edges[a->count];
    int rc = reader_tail(s, column, a->edges[0] / SUMMARY_HOUR_MS * SUMMARY_HOUR_MS,
                         (last / SUMMARY_HOUR_MS + 1) * SUMMARY_HOUR_MS, &series);
    for (size_t from = 0; rc == SQLITE_OK && from < series.n;) {
        int64_t hour = series.times[from] / SUMMARY_HOUR_MS, hour_ms = hour * SUMMARY_HOUR_MS;
        size_t to = from;
        struct summary_grid g;
        while (to < series.n && series.times[to] < hour_ms + SUMMARY_HOUR_MS)
            to++;
        rc = shelf_has(s, SHELF_HOURS, shelf_key(hour, SHELF_TIMES));
        if (rc == SQLITE_DONE)
            rc = shelf_has(s, SHELF_DAYS, shelf_key(hour / 24, SHELF_TIMES));
        if (rc == SQLITE_DONE) { /* else late rows of a closed hour, a moment before they are
                                    merged */
            if (!summary_grid_init(&g, series.times + from, to - from, hour_ms)) {
                rc = SQLITE_NOMEM;
                break;
            }
            summary_minutes(&g, series.values + from, minutes);
            summary_grid_free(&g);
            for (int m = 0; m < 60; m++)
                add_summary(a, SUMMARY_MINUTE, hour_ms + m * INT64_C(60000), &minutes[m]);
        }
        if (rc == SQLITE_ROW || rc == SQLITE_DONE)
            rc = SQLITE_OK;
        from = to;
    }
    reader_series_free(&series);
    return rc;
}

/* The coarsest level that will do: for a chart at least one summary to a bucket, so that none
 * is empty; false: only the readings will. */
static bool choose(const int64_t *edges, size_t count, enum history_way way,
                   enum summary_level *level)
{
    for (int l = SUMMARY_LEVELS - 1; l >= 0; l--) {
        int64_t span = summary_span_ms((enum summary_level)l);
        bool good =
            way == HISTORY_CHART ? span * (int64_t)count <= edges[count] - edges[0] : true;
        for (size_t i = 0; way == HISTORY_EXACT && good && i <= count; i++)
            good = edges[i] % span == 0;
        *level = (enum summary_level)l;
        if (good)
            return true;
    }
    return false;
}

enum store_err history_buckets(struct store_reader *r, const char *column,
                               const int64_t *edges_wall_ms, size_t count, enum history_way way,
                               struct history_bucket *out)
{
    struct shelf *s;
    struct adding a;
    enum summary_level level;
    int64_t channel;
    enum store_err err = reader_enter(r, &s);
    if (err)
        return err;
    int rc = adding_init(&a, edges_wall_ms, count) ? shelf_channel(s, column, &channel)
                                                   : SQLITE_NOMEM;
    if (rc == SQLITE_OK && choose(edges_wall_ms, count, way, &level)) {
        if (channel > 0)
            rc = add_pieces(s, channel, level, &a);
        if (rc == SQLITE_OK)
            rc = add_tail(s, column, &a);
    } else if (rc == SQLITE_OK) {
        rc = add_readings(s, column, channel, &a);
    }
    if (rc == SQLITE_OK)
        finish(&a, block_column_scale(column), out);
    free(a.sums);
    return reader_leave(r, rc);
}

enum store_err history_chart(struct store_reader *r, const char *column, int64_t from_wall_ms,
                             int64_t to_wall_ms, size_t count, struct history_bucket *out)
{
    int64_t *edges = malloc((count + 1) * sizeof *edges);
    if (!edges)
        return STORE_ERR_MEMORY;
    double step = (double)(to_wall_ms - from_wall_ms) / (double)count;
    for (size_t i = 0; i <= count; i++)
        edges[i] = from_wall_ms + (int64_t)(step * (double)i);
    edges[count] = to_wall_ms;
    enum store_err err = history_buckets(r, column, edges, count, HISTORY_CHART, out);
    free(edges);
    return err;
}

/* ---- what there is ---- */

enum store_err history_ends(struct store_reader *r, int64_t *from_wall_ms, int64_t *to_wall_ms)
{
    struct shelf *s;
    enum store_err err = reader_enter(r, &s);
    if (err)
        return err;
    int rc = shelf_ends(s, from_wall_ms, to_wall_ms);
    if (rc == SQLITE_DONE)
        *from_wall_ms = *to_wall_ms = 0;
    return reader_leave(r, rc);
}

static bool has_line(const char *names, const char *line, size_t length)
{
    for (const char *at = names; *at; at += strcspn(at, "\n"), at += *at == '\n')
        if (strcspn(at, "\n") == length && memcmp(at, line, length) == 0)
            return true;
    return false;
}

static void add_name(struct text *names, const char *line, size_t length)
{
    if (has_line(text_get(names), line, length))
        return;
    text_append_bytes(names, line, length);
    text_append(names, "\n");
}

/* columns of which the block has a reading */
static bool see_columns(void *context, const struct shelf_block *b, int *rc)
{
    struct text *names = context;
    int64_t times[BLOCK_ROWS];
    int32_t *matrix;
    size_t rows, width = 4 * b->poles + 3 * b->panels, i = 0;
    if (!block_read_all(b->bytes, b->length, b->first_wall_ms, b->poles, b->panels, times,
                        &matrix, &rows)) {
        *rc = SHELF_DAMAGED;
        return false;
    }
    for (const char *at = b->columns; *at && i < width; i++) {
        size_t length = strcspn(at, "\n"), r = 0;
        while (r < rows && matrix[r * width + i] == PACK_NOTHING)
            r++;
        if (r < rows)
            add_name(names, at, length);
        at += length + (at[length] == '\n');
    }
    free(matrix);
    return true;
}

enum store_err history_columns(struct store_reader *r, history_column_fn *fn, void *context)
{
    struct shelf *s;
    struct text names = TEXT_INIT;
    sqlite3_stmt *st = NULL;
    enum store_err err = reader_enter(r, &s);
    if (err)
        return err;
    int rc =
        sqlite3_prepare_v2(s->db,
                           "SELECT name FROM channels WHERE id IN (SELECT key & 1048575 FROM"
                           " summaries WHERE key >= ?1) ORDER BY id",
                           -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(st, 1, shelf_summary_key(SUMMARY_DAY, 0, 0));
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        text_append(&names, (const char *)sqlite3_column_text(st, 0));
        text_append(&names, "\n");
        rc = SQLITE_OK;
    }
    sqlite3_finalize(st);
    if (rc == SQLITE_DONE)
        rc = shelf_tail(s, 0, SHELF_LAST_MS, see_columns, &names);
    if (names.failed)
        rc = SQLITE_NOMEM;
    err = reader_leave(r, rc);
    for (char *at = names.bytes, *name; !err && at && (name = strsep(&at, "\n")) != NULL;)
        if (*name && !fn(context, name))
            break;
    text_free(&names);
    return err;
}
