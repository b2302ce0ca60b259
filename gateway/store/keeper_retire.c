/* The letting go of keeper.h: by age, by size, and when the disk is full. */
#include "keeper_parts.h"

#include "base/text.h"

#include <stdlib.h>
#include <string.h>

#define TAIL_ROWS_A_CALL 64
#define CALLS_A_DAY                                                                            \
    2160              /* of 10 s: what is past its age goes four times a day, a day at a time */
#define FREE_PAGES 64 /* in the file: enough for a batch */

static int as_ok(int rc)
{
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

/* ---- what trips keep of a day ---- */

struct window {
    char circuit[64];
    int64_t from, to;
};

static int find_windows(struct keeper *k, int64_t day, struct window **windows, size_t *count)
{
    sqlite3_stmt *st = NULL;
    int64_t from = day * SUMMARY_DAY_MS;
    *windows = NULL;
    *count = 0;
    int rc = sqlite3_prepare_v2(k->shelf.db,
                                "SELECT circuit, opened_ms FROM trips WHERE opened_ms >= ?1 AND"
                                " opened_ms < ?2 AND stage <> 'withdrawn'",
                                -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(st, 1, from - KEEPER_FREEZE_AFTER_MS);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(st, 2, from + SUMMARY_DAY_MS + KEEPER_FREEZE_BEFORE_MS);
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        struct window *more = realloc(*windows, (*count + 1) * sizeof *more);
        if (!more) {
            rc = SQLITE_NOMEM;
            break;
        }
        *windows = more;
        struct window *w = &more[(*count)++];
        const char *circuit = (const char *)sqlite3_column_text(st, 0);
        int64_t opened = sqlite3_column_int64(st, 1);
        text_copy(w->circuit, sizeof w->circuit, circuit ? circuit : "");
        w->from = opened - KEEPER_FREEZE_BEFORE_MS;
        w->to = opened + KEEPER_FREEZE_AFTER_MS;
        rc = SQLITE_OK;
    }
    int end = sqlite3_finalize(st);
    return rc == SQLITE_DONE ? end : rc;
}

/* a circuit's own columns, and the voltages of every panel */
static bool concerns(const struct window *w, const char *column)
{
    size_t length = strlen(w->circuit);
    return (strncmp(column, w->circuit, length) == 0 && column[length] == '.') ||
           strstr(column, ".volts_a") || strstr(column, ".volts_b") ||
           strstr(column, ".volts_c");
}

struct freezing {
    struct keeper *k;
    int64_t day;
    const int64_t *times;
    size_t rows;
    const struct window *windows;
    size_t count;
    bool any;
};

static int freeze_values(struct freezing *f, int64_t channel, const char *column,
                         const int32_t *values)
{
    int32_t *kept = malloc((f->rows + 1) * sizeof *kept);
    struct codec_out bytes = {0};
    bool any = false;
    if (!kept)
        return SQLITE_NOMEM;
    for (size_t i = 0; i < f->rows; i++) {
        kept[i] = PACK_NOTHING;
        for (size_t w = 0; w < f->count; w++)
            if (f->times[i] >= f->windows[w].from && f->times[i] <= f->windows[w].to &&
                concerns(&f->windows[w], column))
                kept[i] = values[i];
        any |= kept[i] != PACK_NOTHING;
    }
    int rc = SQLITE_OK;
    if (any) {
        pack_encode(f->k->shelf.packer, kept, f->rows, 3, &bytes);
        rc = shelf_put(&f->k->shelf, SHELF_FROZEN, shelf_key(f->day, channel), &bytes);
        f->any = true;
    }
    codec_out_free(&bytes);
    free(kept);
    return rc;
}

static int freeze_channel(struct freezing *f, int64_t channel)
{
    struct shelf *s = &f->k->shelf;
    sqlite3_stmt *st = NULL;
    int rc =
        sqlite3_prepare_v2(s->db, "SELECT name FROM channels WHERE id = ?1", -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(st, 1, channel);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    const char *column = rc == SQLITE_ROW ? (const char *)sqlite3_column_text(st, 0) : NULL;
    bool wanted = false;
    for (size_t w = 0; column && w < f->count; w++)
        wanted |= concerns(&f->windows[w], column);
    const int32_t *values;
    size_t n = 0;
    if (wanted)
        rc = shelf_values(s, SHELF_DAYS, shelf_key(f->day, channel), &values, &n);
    if (wanted && rc == SHELF_DAMAGED) {
        keeper_say_damaged("readings", f->day * SUMMARY_DAY_MS, channel);
        rc = SQLITE_OK;
    }
    if (wanted && rc == SQLITE_ROW && n == f->rows)
        rc = freeze_values(f, channel, column, values);
    sqlite3_finalize(st);
    return as_ok(rc);
}

static int freeze_day(struct keeper *k, int64_t day)
{
    struct window *windows;
    int64_t *times = NULL, *ids = NULL;
    size_t count = 0, rows = 0, channels = 0;
    int rc = find_windows(k, day, &windows, &count);
    if (rc == SQLITE_OK && count > 0)
        rc = shelf_times(&k->shelf, SHELF_DAYS, day, &times, &rows);
    if (rc == SQLITE_ROW && times) {
        struct freezing f = {k, day, times, rows, windows, count, false};
        rc = shelf_channels(&k->shelf, SHELF_DAYS, day, day + 1, &ids, &channels);
        for (size_t i = 0; i < channels && rc == SQLITE_OK; i++)
            rc = freeze_channel(&f, ids[i]);
        if (rc == SQLITE_OK && f.any)
            rc = keeper_put_times(k, SHELF_FROZEN, day, times, rows);
    }
    if (rc == SHELF_DAMAGED) {
        keeper_say_damaged("times", day * SUMMARY_DAY_MS, SHELF_TIMES);
        rc = SQLITE_OK;
    }
    free(ids);
    free(times);
    free(windows);
    return as_ok(rc);
}

static int drop_day(struct keeper *k, int64_t day)
{
    int rc = shelf_has(&k->shelf, SHELF_FROZEN, shelf_key(day, SHELF_TIMES));
    if (rc == SQLITE_DONE) /* else late readings of a day long gone: what is frozen stays */
        rc = freeze_day(k, day);
    rc = as_ok(rc);
    if (rc == SQLITE_OK)
        rc = as_ok(keeper_number(k, "DELETE FROM days WHERE key >= ?1 AND key < ?2",
                                 shelf_key(day, 0), shelf_key(day + 1, 0), NULL));
    return rc;
}

/* ---- size ---- */

static int drop_oldest(struct keeper *k, struct keeper_done *done)
{
    int64_t first = 0;
    int rc = keeper_number(k, "SELECT min(key) FROM days", 0, 0, &first);
    if (rc == SQLITE_ROW) {
        done->dropped = true;
        done->dropped_day = first >> SHELF_CHANNEL_BITS;
        return drop_day(k, done->dropped_day);
    }
    if (rc == SQLITE_DONE)
        rc = keeper_number(k, "SELECT min(key) FROM hours", 0, 0, &first);
    if (rc == SQLITE_ROW) {
        int64_t hour = first >> SHELF_CHANNEL_BITS;
        done->dropped = true;
        done->dropped_day = hour / 24;
        return as_ok(keeper_number(k, "DELETE FROM hours WHERE key >= ?1 AND key < ?2",
                                   shelf_key(hour, 0), shelf_key(hour + 1, 0), NULL));
    }
    if (rc == SQLITE_DONE)
        rc = keeper_number(k, "SELECT min(t) FROM readings", 0, 0, &first);
    if (rc != SQLITE_ROW)
        return as_ok(rc);
    done->dropped = true;
    done->dropped_day = first / (SHELF_TAIL_KEYS * SUMMARY_DAY_MS);
    return as_ok(keeper_number(
        k, "DELETE FROM readings WHERE t IN (SELECT t FROM readings ORDER BY t LIMIT ?1)",
        TAIL_ROWS_A_CALL, 0, NULL));
}

static int used_pages(struct keeper *k, int64_t *pages)
{
    int64_t all = 0, unused = 0;
    int rc = keeper_number(k, "PRAGMA page_count", 0, 0, &all);
    if (rc == SQLITE_ROW)
        rc = keeper_number(k, "PRAGMA freelist_count", 0, 0, &unused);
    *pages = all - unused;
    return as_ok(rc);
}

int keeper_make_room(struct keeper *k, int days_most, struct keeper_done *done)
{
    int64_t unused = 0;
    int rc = SQLITE_OK;
    for (int n = 0; n < days_most && rc == SQLITE_OK; n++) {
        rc = keeper_number(k, "PRAGMA freelist_count", 0, 0, &unused);
        if (rc == SQLITE_ROW && unused >= FREE_PAGES)
            break;
        done->dropped = false;
        rc = as_ok(rc);
        if (rc == SQLITE_OK)
            rc = drop_oldest(k, done);
        if (!done->dropped)
            break;
    }
    return as_ok(rc);
}

/* ---- age ---- */

static int drop_old_day(struct keeper *k, int64_t before_wall_ms)
{
    int64_t first = 0;
    int rc = keeper_number(k, "SELECT min(key) FROM days", 0, 0, &first);
    int64_t day = first >> SHELF_CHANNEL_BITS;
    if (rc == SQLITE_ROW && (day + 1) * SUMMARY_DAY_MS <= before_wall_ms)
        rc = drop_day(k, day);
    return as_ok(rc);
}

static int drop_old_summaries(struct keeper *k, int64_t before_wall_ms)
{
    int rc = SQLITE_OK;
    for (int l = 0; l < SUMMARY_LEVELS && rc == SQLITE_OK; l++) {
        enum summary_level level = (enum summary_level)l;
        int64_t first = shelf_summary_key(level, 0, 0);
        int64_t limit = shelf_summary_key(level, summary_piece(level, before_wall_ms), 0);
        int64_t oldest = 0;
        rc = keeper_number(k, "SELECT min(key) FROM summaries WHERE key >= ?1 AND key < ?2",
                           first, limit, &oldest);
        if (rc == SQLITE_ROW)
            rc = keeper_number(k,
                               "DELETE FROM summaries WHERE key IN (SELECT key FROM summaries"
                               " WHERE key >= ?1 AND key < ?2 ORDER BY key LIMIT 64)",
                               first, limit, NULL);
        rc = as_ok(rc);
    }
    return rc;
}

int keeper_retire(struct keeper *k, const struct keeper_job *job, struct keeper_done *done)
{
    int64_t pages = 0;
    int rc = SQLITE_OK;
    /* A clock that is years ahead for an hour must not empty the history. */
    bool due = k->calls_since_old++ % CALLS_A_DAY == 0;
    if (due && job->readings_before_wall_ms > 0)
        rc = drop_old_day(k, job->readings_before_wall_ms);
    if (due && rc == SQLITE_OK && job->summaries_before_wall_ms > 0)
        rc = drop_old_summaries(k, job->summaries_before_wall_ms);
    if (rc == SQLITE_OK && job->pages_most > 0)
        rc = used_pages(k, &pages);
    if (rc == SQLITE_OK && job->pages_most > 0 && pages > job->pages_most)
        rc = drop_oldest(k, done);
    return rc;
}
