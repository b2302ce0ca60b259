/* Soundness and copies of history.h. */
#include "history.h"

#include "block.h"
#include "reader_parts.h"

#include "base/clock.h"

#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

struct checking {
    struct shelf *shelf;
    history_fault_fn *fn;
    void *context;
    struct history_check *out;
    struct summary *pieces[SUMMARY_LEVELS];
};

static void fault(struct checking *c, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
static void fault(struct checking *c, const char *format, ...)
{
    char sentence[320];
    va_list args;
    va_start(args, format);
    vsnprintf(sentence, sizeof sentence, format, args);
    va_end(args);
    c->out->faults++;
    c->fn(c->context, sentence);
}

static int check_file(struct checking *c)
{
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_prepare_v2(c->shelf->db, "PRAGMA integrity_check(20)", -1, &st, NULL);
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        const char *word = (const char *)sqlite3_column_text(st, 0);
        if (!word || strcmp(word, "ok") != 0)
            fault(c, "the file: %s", word ? word : "no answer");
        rc = SQLITE_OK;
    }
    int end = sqlite3_finalize(st);
    if (rc == SQLITE_CORRUPT) {
        fault(c, "the file: damaged beyond what can be listed");
        return SQLITE_OK;
    }
    return rc == SQLITE_DONE ? end : rc;
}

static bool same(const struct summary *a, const struct summary *b)
{
    return a->least == b->least && a->most == b->most && a->mean == b->mean &&
           a->rms == b->rms && a->missing == b->missing;
}

/* one level of the hours from..before against what it should be, made of the level below */
static void compare(struct checking *c, enum summary_level level, int64_t channel,
                    const struct summary *wanted, size_t n, int64_t from_ms)
{
    char time[CLOCK_RFC3339_SIZE];
    const struct summary *is = c->pieces[level] + summary_place(level, from_ms);
    for (size_t i = 0; i < n; i++) {
        c->out->summaries++;
        if (same(&is[i], &wanted[i]))
            continue;
        clock_format_rfc3339(from_ms + (int64_t)i * summary_span_ms(level), time);
        fault(c, "channel %lld: the summary of %lld s from %s on is not what its readings say",
              (long long)channel, (long long)(summary_span_ms(level) / 1000), time);
        return; /* one a piece is enough */
    }
}

static int load_pieces(struct checking *c, int64_t channel, int64_t from_ms)
{
    for (int l = 0; l < SUMMARY_LEVELS; l++) {
        enum summary_level level = (enum summary_level)l;
        int rc = shelf_summaries(c->shelf, level, summary_piece(level, from_ms), channel,
                                 c->pieces[l]);
        if (rc == SHELF_DAMAGED)
            fault(c, "channel %lld: a piece of summaries does not decode", (long long)channel);
        else if (rc != SQLITE_ROW && rc != SQLITE_DONE)
            return rc;
    }
    return SQLITE_OK;
}

/* values of `hours` hours from from_ms on, split by their grids */
static int check_summaries(struct checking *c, int64_t channel, int64_t from_ms, size_t hours,
                           const int64_t *times, const int32_t *values, size_t n)
{
    struct summary minutes[1440], quarters[96], whole[24], day;
    size_t row = 0;
    int rc = load_pieces(c, channel, from_ms);
    for (size_t h = 0; h < hours && rc == SQLITE_OK; h++) {
        int64_t hour_ms = from_ms + (int64_t)h * SUMMARY_HOUR_MS;
        struct summary_grid g;
        size_t begin = row;
        while (row < n && times[row] < hour_ms + SUMMARY_HOUR_MS)
            row++;
        if (!summary_grid_init(&g, times + begin, row - begin, hour_ms))
            return SQLITE_NOMEM;
        summary_minutes(&g, values + begin, minutes + 60 * h);
        summary_grid_free(&g);
        for (size_t q = 0; q < 4; q++)
            quarters[4 * h + q] = summary_join(SUMMARY_QUARTER, minutes + 60 * h + 15 * q, 15);
        whole[h] = summary_join(SUMMARY_HOUR, quarters + 4 * h, 4);
    }
    if (rc != SQLITE_OK)
        return rc;
    compare(c, SUMMARY_MINUTE, channel, minutes, 60 * hours, from_ms);
    compare(c, SUMMARY_QUARTER, channel, quarters, 4 * hours, from_ms);
    compare(c, SUMMARY_HOUR, channel, whole, hours, from_ms);
    int64_t place =
        (int64_t)summary_place(SUMMARY_HOUR, from_ms / SUMMARY_DAY_MS * SUMMARY_DAY_MS);
    day = summary_join(SUMMARY_DAY, c->pieces[SUMMARY_HOUR] + place, 24);
    compare(c, SUMMARY_DAY, channel, &day, 1, from_ms / SUMMARY_DAY_MS * SUMMARY_DAY_MS);
    return SQLITE_OK;
}

static bool ordered(const int64_t *times, size_t n, int64_t from_ms, int64_t before_ms)
{
    for (size_t i = 0; i < n; i++)
        if (times[i] < from_ms || times[i] >= before_ms || (i > 0 && times[i] < times[i - 1]))
            return false;
    return true;
}

static int check_channel(struct checking *c, enum shelf_table table, int64_t period,
                         int64_t channel, const int64_t *times, size_t n)
{
    const char *what = table == SHELF_HOURS ? "hour" : "day";
    int64_t span = table == SHELF_HOURS ? SUMMARY_HOUR_MS : SUMMARY_DAY_MS;
    const int32_t *values;
    char time[CLOCK_RFC3339_SIZE];
    size_t found = 0;
    int rc = shelf_values(c->shelf, table, shelf_key(period, channel), &values, &found);
    clock_format_rfc3339(period * span, time);
    if (rc == SHELF_DAMAGED || (rc == SQLITE_ROW && found != n)) {
        fault(c, "channel %lld: the %s of %s does not decode", (long long)channel, what, time);
        return SQLITE_OK;
    }
    if (rc != SQLITE_ROW)
        return rc == SQLITE_DONE ? SQLITE_OK : rc;
    c->out->pieces++;
    for (size_t i = 0; i < n; i++)
        c->out->readings += values[i] != PACK_NOTHING;
    if (table == SHELF_FROZEN)
        return SQLITE_OK;                         /* its summaries are of the whole day */
    int32_t *own = malloc((n + 1) * sizeof *own); /* the packer decodes the summaries next */
    if (!own)
        return SQLITE_NOMEM;
    memcpy(own, values, n * sizeof *own);
    rc = check_summaries(c, channel, period * span, table == SHELF_HOURS ? 1 : 24, times, own,
                         n);
    free(own);
    return rc;
}

static int check_period(struct checking *c, enum shelf_table table, int64_t period)
{
    int64_t *times = NULL, *ids = NULL;
    size_t n = 0, count = 0;
    char time[CLOCK_RFC3339_SIZE];
    int64_t span = table == SHELF_HOURS ? SUMMARY_HOUR_MS : SUMMARY_DAY_MS;
    int rc = shelf_times(c->shelf, table, period, &times, &n);
    clock_format_rfc3339(period * span, time);
    if (rc == SHELF_DAMAGED || rc == SQLITE_DONE ||
        (rc == SQLITE_ROW && !ordered(times, n, period * span, (period + 1) * span))) {
        fault(c, "the times of the %s of %s %s", table == SHELF_HOURS ? "hour" : "day", time,
              rc == SQLITE_DONE ? "are missing" : "do not decode");
        free(times);
        return SQLITE_OK;
    }
    if (rc != SQLITE_ROW)
        return rc;
    c->out->pieces++;
    rc = shelf_channels(c->shelf, table, period, period + 1, &ids, &count);
    for (size_t i = 0; rc == SQLITE_OK && i < count; i++)
        rc = check_channel(c, table, period, ids[i], times, n);
    free(ids);
    free(times);
    return rc;
}

static int next_period(struct checking *c, enum shelf_table table, int64_t *period)
{
    static const char *const sql[] = {
        [SHELF_HOURS] = "SELECT min(key) FROM hours WHERE key >= ?1",
        [SHELF_DAYS] = "SELECT min(key) FROM days WHERE key >= ?1",
        [SHELF_FROZEN] = "SELECT min(key) FROM frozen WHERE key >= ?1",
    };
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_prepare_v2(c->shelf->db, sql[table], -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(st, 1, shelf_key(*period + 1, 0));
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    bool there = rc == SQLITE_ROW && sqlite3_column_type(st, 0) == SQLITE_INTEGER;
    if (there)
        *period = sqlite3_column_int64(st, 0) >> SHELF_CHANNEL_BITS;
    int end = sqlite3_finalize(st);
    return rc != SQLITE_ROW ? rc : end ? end : there ? SQLITE_ROW : SQLITE_DONE;
}

static bool check_block(void *context, const struct shelf_block *b, int *rc)
{
    struct checking *c = context;
    int64_t times[BLOCK_ROWS];
    int32_t *matrix;
    size_t rows;
    char time[CLOCK_RFC3339_SIZE];
    (void)rc;
    if (!block_read_all(b->bytes, b->length, b->first_wall_ms, b->poles, b->panels, times,
                        &matrix, &rows)) {
        clock_format_rfc3339(b->first_wall_ms, time);
        fault(c, "the block of the tail that begins at %s does not decode", time);
        return true;
    }
    c->out->pieces++;
    for (size_t i = 0; i < rows * (4 * b->poles + 3 * b->panels); i++)
        c->out->readings += matrix[i] != PACK_NOTHING;
    free(matrix);
    return true;
}

static int check_all(struct checking *c)
{
    static const enum shelf_table tables[] = {SHELF_DAYS, SHELF_HOURS, SHELF_FROZEN};
    int rc = check_file(c);
    for (size_t i = 0; i < 3 && rc == SQLITE_OK; i++) {
        int64_t period = -1;
        while (rc == SQLITE_OK && (rc = next_period(c, tables[i], &period)) == SQLITE_ROW)
            rc = check_period(c, tables[i], period);
        rc = rc == SQLITE_DONE ? SQLITE_OK : rc;
    }
    if (rc == SQLITE_OK)
        rc = shelf_tail(c->shelf, 0, SHELF_LAST_MS, check_block, c);
    return rc;
}

enum store_err history_verify(struct store_reader *r, history_fault_fn *fn, void *context,
                              struct history_check *out)
{
    struct checking c = {.fn = fn, .context = context, .out = out};
    *out = (struct history_check){0};
    enum store_err err = reader_enter(r, &c.shelf);
    if (err)
        return err;
    int rc = SQLITE_OK;
    for (int l = 0; l < SUMMARY_LEVELS; l++) {
        c.pieces[l] = calloc(summary_count((enum summary_level)l), sizeof *c.pieces[l]);
        if (!c.pieces[l])
            rc = SQLITE_NOMEM;
    }
    if (rc == SQLITE_OK)
        rc = check_all(&c);
    for (int l = 0; l < SUMMARY_LEVELS; l++)
        free(c.pieces[l]);
    return reader_leave(r, rc);
}

/* ---- a copy ---- */

static enum store_err refuse(char *why, size_t size, enum store_err err, const char *format,
                             ...) __attribute__((format(printf, 4, 5)));
static enum store_err refuse(char *why, size_t size, enum store_err err, const char *format,
                             ...)
{
    va_list args;
    va_start(args, format);
    if (why && size > 0)
        vsnprintf(why, size, format, args);
    va_end(args);
    return err;
}

static int copy(sqlite3 *from, sqlite3 *to)
{
    sqlite3_backup *b = sqlite3_backup_init(to, "main", from, "main");
    if (!b)
        return sqlite3_errcode(to);
    /* in one go: the reader's view holds still, the writer goes on in its log */
    int rc = sqlite3_backup_step(b, -1), end = sqlite3_backup_finish(b);
    return rc == SQLITE_DONE ? end : rc;
}

enum store_err history_backup(struct store_reader *r, const char *to, char *why,
                              size_t why_size)
{
    struct shelf *s;
    sqlite3 *db = NULL;
    char part[4096];
    if (access(to, F_OK) == 0)
        return refuse(why, why_size, STORE_ERR_OPEN, "%s is there already", to);
    enum store_err err = reader_enter(r, &s);
    if (err)
        return refuse(why, why_size, err, "the record cannot be read: %s", store_strerror(err));
    snprintf(part, sizeof part, "%s.part", to);
    unlink(part);
    /* for its owner alone, as the record is; an empty file is an empty database */
    int made = open(part, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, S_IRUSR | S_IWUSR);
    if (made >= 0)
        close(made);
    int rc = sqlite3_open_v2(
        part, &db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX, NULL);
    if (rc == SQLITE_OK)
        rc = copy(s->db, db);
    if (rc == SQLITE_OK) /* one file without a log beside it */
        rc = sqlite3_exec(db, "PRAGMA journal_mode = DELETE", NULL, NULL, NULL);
    int end = sqlite3_close(db);
    rc = rc == SQLITE_OK ? end : rc;
    err = reader_leave(r, rc);
    if (!err && rename(part, to) != 0)
        err = refuse(why, why_size, STORE_ERR_IO, "%s: %s", to, strerror(errno));
    else if (err)
        refuse(why, why_size, err, "%s: %s (%s)", to, store_strerror(err), sqlite3_errstr(rc));
    if (err)
        unlink(part);
    return err;
}
