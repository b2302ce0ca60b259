#include "shelf.h"

#include "block.h"

#include <stdlib.h>
#include <string.h>

#define SQL_KEYED(name)                                                                        \
    {                                                                                          \
        "SELECT data FROM " name " WHERE key = ?1",                                            \
            "INSERT OR REPLACE INTO " name " (key, data) VALUES (?1, ?2)",                     \
            "DELETE FROM " name " WHERE key = ?1",                                             \
            "SELECT DISTINCT key & 1048575 FROM " name                                         \
            " WHERE key >= ?1 AND key < ?2 AND key & 1048575 <> 0 ORDER BY 1"                  \
    }

static const char *const sql_of[SHELF_TABLES][4] = {
    [SHELF_HOURS] = SQL_KEYED("hours"),
    [SHELF_DAYS] = SQL_KEYED("days"),
    [SHELF_FROZEN] = SQL_KEYED("frozen"),
    [SHELF_SUMMARIES] = SQL_KEYED("summaries"),
};

bool shelf_init(struct shelf *s, sqlite3 *db)
{
    *s = (struct shelf){.db = db, .packer = pack_create()};
    return s->packer != NULL;
}

void shelf_finish(struct shelf *s)
{
    for (int t = 0; t < SHELF_TABLES; t++) {
        sqlite3_finalize(s->get[t]);
        sqlite3_finalize(s->put[t]);
        sqlite3_finalize(s->remove[t]);
        sqlite3_finalize(s->channels[t]);
    }
    sqlite3_finalize(s->find_channel);
    sqlite3_finalize(s->tail);
    sqlite3_finalize(s->ends);
    pack_destroy(s->packer);
    *s = (struct shelf){0};
}

static int ready(struct shelf *s, sqlite3_stmt **st, const char *sql)
{
    if (*st)
        return SQLITE_OK;
    return sqlite3_prepare_v3(s->db, sql, -1, SQLITE_PREPARE_PERSISTENT, st, NULL);
}

/* steps to the row of the key */
static int seek(struct shelf *s, enum shelf_table table, int64_t key)
{
    int rc = ready(s, &s->get[table], sql_of[table][0]);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(s->get[table], 1, key);
    return rc == SQLITE_OK ? sqlite3_step(s->get[table]) : rc;
}

static int leave(sqlite3_stmt *st, int rc)
{
    int end = sqlite3_reset(st);
    return rc == SQLITE_ROW || rc == SQLITE_DONE || rc == SQLITE_OK ? (end ? end : rc) : rc;
}

static const uint8_t *blob(sqlite3_stmt *st, int column, size_t *length)
{
    const uint8_t *bytes = sqlite3_column_blob(st, column);
    *length = (size_t)sqlite3_column_bytes(st, column);
    return bytes;
}

/* a piece that is there: damaged, or only no memory for it, which must not lose it */
static int unread(const struct shelf *s, const void *bytes)
{
    bool was_short = bytes ? pack_was_short(s->packer) : sqlite3_errcode(s->db) == SQLITE_NOMEM;
    return was_short ? SQLITE_NOMEM : SHELF_DAMAGED;
}

int shelf_values(struct shelf *s, enum shelf_table table, int64_t key, const int32_t **values,
                 size_t *n)
{
    int rc = seek(s, table, key);
    if (rc == SQLITE_ROW) {
        size_t length;
        const uint8_t *bytes = blob(s->get[table], 0, &length);
        if (!bytes || !pack_decode(s->packer, bytes, length, values, n))
            rc = unread(s, bytes);
    }
    return leave(s->get[table], rc);
}

int shelf_times(struct shelf *s, enum shelf_table table, int64_t period, int64_t **times,
                size_t *n)
{
    int rc = seek(s, table, shelf_key(period, SHELF_TIMES));
    if (rc == SQLITE_ROW) {
        size_t length;
        const uint8_t *bytes = blob(s->get[table], 0, &length);
        if (!bytes || !pack_decode_times(s->packer, bytes, length, times, n))
            rc = unread(s, bytes);
    }
    return leave(s->get[table], rc);
}

int shelf_summaries(struct shelf *s, enum summary_level level, int64_t piece, int64_t channel,
                    struct summary *out)
{
    int rc = seek(s, SHELF_SUMMARIES, shelf_summary_key(level, piece, channel));
    if (rc == SQLITE_ROW) {
        size_t length;
        const uint8_t *bytes = blob(s->get[SHELF_SUMMARIES], 0, &length);
        if (!bytes || !summary_decode(s->packer, level, bytes, length, out))
            rc = unread(s, bytes);
    }
    for (size_t i = 0; rc == SQLITE_DONE && i < summary_count(level); i++)
        out[i] = summary_none(level);
    return leave(s->get[SHELF_SUMMARIES], rc);
}

int shelf_channels(struct shelf *s, enum shelf_table table, int64_t from, int64_t before,
                   int64_t **ids, size_t *count)
{
    size_t room = 0;
    *ids = NULL;
    *count = 0;
    sqlite3_stmt **st = &s->channels[table];
    int rc = ready(s, st, sql_of[table][3]);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(*st, 1, shelf_key(from, 0));
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(*st, 2, shelf_key(before, 0));
    while (rc == SQLITE_OK && (rc = sqlite3_step(*st)) == SQLITE_ROW) {
        if (*count == room) {
            room = room ? 2 * room : 64;
            int64_t *more = realloc(*ids, room * sizeof *more);
            if (!more) {
                rc = SQLITE_NOMEM;
                break;
            }
            *ids = more;
        }
        (*ids)[(*count)++] = sqlite3_column_int64(*st, 0);
        rc = SQLITE_OK;
    }
    rc = leave(*st, rc);
    if (rc == SQLITE_DONE)
        return SQLITE_OK;
    free(*ids);
    *ids = NULL;
    *count = 0;
    return rc;
}

int shelf_has(struct shelf *s, enum shelf_table table, int64_t key)
{
    int rc = seek(s, table, key); /* may be what prepares the statement: first of all */
    return leave(s->get[table], rc);
}

int shelf_put(struct shelf *s, enum shelf_table table, int64_t key,
              const struct codec_out *bytes)
{
    if (bytes->failed)
        return SQLITE_NOMEM;
    int rc = ready(s, &s->put[table], sql_of[table][1]);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(s->put[table], 1, key);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_blob64(s->put[table], 2, bytes->bytes, bytes->length, SQLITE_STATIC);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(s->put[table]);
    rc = leave(s->put[table], rc);
    sqlite3_clear_bindings(s->put[table]);
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

int shelf_remove(struct shelf *s, enum shelf_table table, int64_t key)
{
    int rc = ready(s, &s->remove[table], sql_of[table][2]);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(s->remove[table], 1, key);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(s->remove[table]);
    rc = leave(s->remove[table], rc);
    return rc == SQLITE_DONE ? SQLITE_OK : rc;
}

int shelf_channel(struct shelf *s, const char *column, int64_t *channel)
{
    *channel = 0;
    int rc = ready(s, &s->find_channel, "SELECT id FROM channels WHERE name = ?1");
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_text(s->find_channel, 1, column, -1, SQLITE_STATIC);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(s->find_channel);
    if (rc == SQLITE_ROW)
        *channel = sqlite3_column_int64(s->find_channel, 0);
    rc = leave(s->find_channel, rc);
    sqlite3_clear_bindings(s->find_channel);
    return rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
}

int shelf_tail(struct shelf *s, int64_t from_wall_ms, int64_t before_wall_ms,
               shelf_block_fn *fn, void *context)
{
    int rc = ready(s, &s->tail,
                   "SELECT t, layout, data, poles, panels, columns FROM readings"
                   " JOIN layouts ON layouts.id = layout WHERE t >= ?1 AND t < ?2 ORDER BY t");
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(s->tail, 1, from_wall_ms * SHELF_TAIL_KEYS);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(s->tail, 2, before_wall_ms * SHELF_TAIL_KEYS);
    while (rc == SQLITE_OK && (rc = sqlite3_step(s->tail)) == SQLITE_ROW) {
        struct shelf_block b = {
            .key = sqlite3_column_int64(s->tail, 0),
            .layout = sqlite3_column_int64(s->tail, 1),
            .poles = (size_t)sqlite3_column_int64(s->tail, 3),
            .panels = (size_t)sqlite3_column_int64(s->tail, 4),
            .columns = (const char *)sqlite3_column_text(s->tail, 5),
        };
        b.first_wall_ms = b.key / SHELF_TAIL_KEYS;
        b.bytes = blob(s->tail, 2, &b.length);
        rc = SQLITE_OK;
        if (!b.bytes || !b.columns)
            rc = SHELF_DAMAGED;
        else if (!fn(context, &b, &rc))
            break;
    }
    rc = leave(s->tail, rc);
    return rc == SQLITE_DONE || rc == SQLITE_ROW ? SQLITE_OK : rc;
}

int64_t shelf_find_line(const char *columns, const char *column)
{
    size_t wanted = strlen(column);
    int64_t n = 0;
    for (const char *at = columns; *at; n++) {
        size_t length = strcspn(at, "\n");
        if (length == wanted && memcmp(at, column, length) == 0)
            return n;
        at += length + (at[length] == '\n');
    }
    return -1;
}

static void widen(int64_t from, int64_t to, int64_t *first, int64_t *last)
{
    *first = from < *first ? from : *first;
    *last = to > *last ? to : *last;
}

/* by the times of the piece; when they are damaged, by its period */
static int widen_piece(struct shelf *s, enum shelf_table table, int64_t key, int64_t span,
                       int64_t *first, int64_t *last)
{
    int64_t period = key >> SHELF_CHANNEL_BITS, *times = NULL;
    size_t n = 0;
    int rc = shelf_times(s, table, period, &times, &n);
    if (rc == SQLITE_ROW && n > 0)
        widen(times[0], times[n - 1] + 1, first, last);
    else
        widen(period * span, period * span + span, first, last);
    free(times);
    return rc == SQLITE_ROW || rc == SQLITE_DONE || rc == SHELF_DAMAGED ? SQLITE_OK : rc;
}

static bool see_last(void *context, const struct shelf_block *b, int *rc)
{
    int64_t times[BLOCK_ROWS], *last = context;
    int32_t values[BLOCK_ROWS];
    size_t rows;
    (void)rc;
    bool good = block_read_whole(b->bytes, b->length, b->first_wall_ms, b->poles, b->panels, 0,
                                 times, values, &rows) &&
                rows > 0;
    *last = good ? times[rows - 1] + 1 : b->first_wall_ms + 1;
    return true;
}

static int widen_tail(struct shelf *s, int64_t oldest, int64_t newest, int64_t *first,
                      int64_t *last)
{
    int64_t begins = newest / SHELF_TAIL_KEYS, ends = begins + 1;
    int rc = shelf_tail(s, begins, begins + 1, see_last, &ends);
    widen(oldest / SHELF_TAIL_KEYS, ends, first, last);
    return rc == SHELF_DAMAGED ? SQLITE_OK : rc;
}

int shelf_ends(struct shelf *s, int64_t *first_wall_ms, int64_t *last_wall_ms)
{
    static const struct {
        enum shelf_table table;
        int64_t span;
    } tables[] = {{SHELF_DAYS, SUMMARY_DAY_MS},
                  {SHELF_FROZEN, SUMMARY_DAY_MS},
                  {SHELF_HOURS, SUMMARY_HOUR_MS}};
    int64_t keys[8];
    bool there[4] = {false};
    int rc = ready(s, &s->ends,
                   "SELECT (SELECT min(key) FROM days), (SELECT max(key) FROM days),"
                   " (SELECT min(key) FROM frozen), (SELECT max(key) FROM frozen),"
                   " (SELECT min(key) FROM hours), (SELECT max(key) FROM hours),"
                   " (SELECT min(t) FROM readings), (SELECT max(t) FROM readings)");
    if (rc == SQLITE_OK)
        rc = sqlite3_step(s->ends);
    for (int i = 0; rc == SQLITE_ROW && i < 8; i++) {
        there[i / 2] = sqlite3_column_type(s->ends, i) != SQLITE_NULL;
        keys[i] = sqlite3_column_int64(s->ends, i);
    }
    rc = leave(s->ends, rc);
    *first_wall_ms = INT64_MAX;
    *last_wall_ms = INT64_MIN;
    if (rc == SQLITE_ROW)
        rc = SQLITE_OK;
    for (int i = 0; rc == SQLITE_OK && i < 6; i++)
        if (there[i / 2])
            rc = widen_piece(s, tables[i / 2].table, keys[i], tables[i / 2].span, first_wall_ms,
                             last_wall_ms);
    if (rc == SQLITE_OK && there[3])
        rc = widen_tail(s, keys[6], keys[7], first_wall_ms, last_wall_ms);
    return rc == SQLITE_OK && *first_wall_ms > *last_wall_ms ? SQLITE_DONE : rc;
}
