#include "database.h"

#include "schema.h"

#include "base/clock.h"
#include "base/log.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#define READING_CACHE_KIB "64"  /* SQLite's own choice is 2000 */
#define READING_PIECE_BYTES 256 /* of a reader's small pieces; SQLite's own 40 of 1200 */
#define READING_PIECES 16       /* are 47 KiB for each of them */
#define READING_WAIT_MS 1000

/* The sequence number of the event just added. */
#define LAST_SEQ "(SELECT seq FROM sqlite_sequence WHERE name = 'events')"

static const char *const sql_of[STATEMENTS] = {
    [DO_BEGIN] = "BEGIN IMMEDIATE",
    [DO_COMMIT] = "COMMIT",
    [DO_ROLLBACK] = "ROLLBACK",
    [ADD_EVENT] = "INSERT INTO events (wall_ms, type, panel, circuit, subject, json)"
                  " VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    [PUT_TRIP] =
        "INSERT INTO trips (id, circuit, opened_ms, stage, probability, cause, json, held, seq)"
        " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 1, " LAST_SEQ ")"
        " ON CONFLICT (id) DO UPDATE SET opened_ms = ?3, stage = ?4, probability = ?5,"
        " cause = ?6, json = ?7, held = 1, seq = " LAST_SEQ,
    [SET_RESTORED] = "UPDATE trips SET restored_ms = ?2, seconds_open = ?3 WHERE id = ?1",
    [SET_AGAIN] = "UPDATE trips SET seconds_held = ?2 WHERE id = ?1",
    [RELEASE_TRIP] = "UPDATE trips SET held = 0 WHERE id = ?1",
    [PUT_ALARM] = "INSERT INTO alarms (id, kind, priority, state, raised_ms, changed_ms,"
                  " changed_by, note, json, seq)"
                  " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, " LAST_SEQ ")"
                  " ON CONFLICT (id) DO UPDATE SET priority = ?3, state = ?4, raised_ms = ?5,"
                  " changed_ms = ?6, changed_by = ?7, note = ?8, json = ?9, seq = " LAST_SEQ,
    [PUT_CALL] =
        "INSERT INTO calls (id, circuit, trip, stage, finding, begun_ms, ended_ms, changed_ms,"
        " changed_by, json, seq) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, " LAST_SEQ ")"
        " ON CONFLICT (id) DO UPDATE SET circuit = ?2, trip = ?3, stage = ?4, finding = ?5,"
        " ended_ms = ?7, changed_ms = ?8, changed_by = ?9, json = ?10, seq = " LAST_SEQ,
    [LEAVE_CALLS] = "UPDATE calls SET ended_ms = ?3 WHERE circuit = ?1 AND id <> ?2"
                    " AND ended_ms IS NULL",
    [ADD_CALL_STEP] = "INSERT OR REPLACE INTO call_steps (call, step, wall_ms, who, stage,"
                      " answer, saw, amps, json) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
    [PUT_STATE] = "INSERT INTO state (key, bytes, wall_ms) VALUES (?1, ?2, ?3)"
                  " ON CONFLICT (key) DO UPDATE SET bytes = ?2, wall_ms = ?3",
    [ADD_MESSAGE] = "INSERT INTO outbox (route, topic, payload, qos, retain, low_value,"
                    " created_ms, expires_ms) VALUES (?1, ?2, CASE WHEN ?9 THEN"
                    " '{\"seq\":' || " LAST_SEQ " || ',' || substr(?3, 2) ELSE ?3 END,"
                    " ?4, ?5, ?6, ?7, ?8)",
    [ADD_LAYOUT] = "INSERT OR IGNORE INTO layouts (columns, poles, panels) VALUES (?1, ?2, ?3)",
    [ADD_READINGS] = "INSERT INTO readings (t, layout, data) SELECT coalesce((SELECT max(t) + 1"
                     " FROM readings WHERE t >= ?1 * 16 AND t < ?1 * 16 + 16), ?1 * 16), id, ?3"
                     " FROM layouts WHERE columns = ?2",
    [DELETE_SETTLED] = "DELETE FROM outbox WHERE id <= ?2 AND route = ?1",
    [DELETE_MESSAGE] = "DELETE FROM outbox WHERE id = ?1",
    [PUT_SETTLED] = "INSERT INTO settled (route, id) VALUES (?1, ?2)"
                    " ON CONFLICT (route) DO UPDATE SET id = ?2",
    [DROP_LOW] = "DELETE FROM outbox WHERE id IN"
                 " (SELECT id FROM outbox WHERE low_value = 1 ORDER BY id LIMIT ?1)",
    [DROP_OLDEST] = "DELETE FROM outbox WHERE id IN"
                    " (SELECT id FROM outbox WHERE route <> 3 ORDER BY id LIMIT ?1)",
    [ADD_AUDIT] = "INSERT INTO audit (wall_ms, who, role, way, act, subject, result)"
                  " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    [TRIM_AUDIT] = "DELETE FROM audit WHERE id <= (SELECT max(id) FROM audit) - ?1",
    [TRIM_LOADS] = "DELETE FROM events WHERE seq IN (SELECT seq FROM events"
                   " WHERE wall_ms >= ?1 AND wall_ms < ?2 AND type IN ('load_on', 'load_off')"
                   " ORDER BY wall_ms LIMIT ?3) RETURNING wall_ms",
    /* those that no person has said anything about */
    [TRIM_TRIPS] =
        "DELETE FROM trips WHERE id IN (SELECT id FROM trips AS t WHERE opened_ms >= ?1"
        " AND opened_ms < ?2 AND stage = 'withdrawn'"
        " AND NOT EXISTS (SELECT 1 FROM events WHERE subject = t.id"
        " AND type IN ('trip_corrected', 'trip_note'))"
        " AND NOT EXISTS (SELECT 1 FROM calls WHERE trip = t.id)"
        " ORDER BY opened_ms LIMIT ?3) RETURNING opened_ms, id",
    [DROP_TELLINGS] = "DELETE FROM events WHERE subject = ?1"
                      " AND type IN ('trip', 'restored', 'opened_again')",
    /* "" comes as NULL (value_text) */
    [ADD_PLACE] =
        "INSERT INTO places (name, part, kind, circuit, panel, traced, probability, amps,"
        " changed_ms, changed_by) VALUES (?1, coalesce(?2, ''), coalesce(?3, ''),"
        " coalesce(?4, ''), coalesce(?5, ''), ?6, ?7, ?8, ?9, coalesce(?10, ''))",
    [DROP_PLACES] = "DELETE FROM places WHERE name = ?1 AND part = coalesce(?2, '')"
                    " AND traced = ?3 AND (?4 IS NULL OR circuit = ?4)",
    [PUT_PURPOSE] = "INSERT INTO purposes (panel, position, words, changed_ms, changed_by)"
                    " VALUES (?1, ?2, ?3, ?4, coalesce(?5, ''))"
                    " ON CONFLICT (panel, position) DO UPDATE SET words = ?3, changed_ms = ?4,"
                    " changed_by = coalesce(?5, '')",
    [DROP_PURPOSE] = "DELETE FROM purposes WHERE panel = ?1 AND position = ?2",
    [ADD_DIRECTORY_CHANGE] =
        "INSERT INTO directory_changes (wall_ms, who, panel, position, what, subject, before,"
        " after) VALUES (?1, coalesce(?2, ''), coalesce(?3, ''), coalesce(?4, ''), ?5,"
        " coalesce(?6, ''), coalesce(?7, ''), coalesce(?8, ''))",
};

enum store_err database_err(int code)
{
    switch (code & 0xff) {
    case SQLITE_OK:
    case SQLITE_ROW:
    case SQLITE_DONE: return STORE_OK;
    case SQLITE_NOMEM: return STORE_ERR_MEMORY;
    case SQLITE_FULL: return STORE_ERR_FULL;
    case SQLITE_READONLY: return STORE_ERR_READ_ONLY;
    case SQLITE_CANTOPEN:
    case SQLITE_PERM:
    case SQLITE_AUTH: return STORE_ERR_OPEN;
    case SQLITE_BUSY:
    case SQLITE_LOCKED: return STORE_ERR_BUSY;
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB: return STORE_ERR_DAMAGED;
    default: return STORE_ERR_IO;
    }
}

void database_why(sqlite3 *db, int code, const char *doing, const char *path,
                  char why[DATABASE_WHY_SIZE])
{
    const char *words =
        db && sqlite3_errcode(db) != SQLITE_OK ? sqlite3_errmsg(db) : sqlite3_errstr(code);
    snprintf(why, DATABASE_WHY_SIZE, "%s: %s: %s (%s)", path, doing,
             store_strerror(database_err(code)), words);
}

enum store_err database_number(struct database *d, const char *sql, int64_t fallback,
                               int64_t *out)
{
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_prepare_v2(d->db, sql, -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    if (rc == SQLITE_ROW || rc == SQLITE_DONE)
        *out = rc == SQLITE_ROW && sqlite3_column_type(st, 0) == SQLITE_INTEGER
                   ? sqlite3_column_int64(st, 0)
                   : fallback;
    int end = sqlite3_finalize(st);
    return database_err(rc == SQLITE_ROW || rc == SQLITE_DONE ? end : rc);
}

/* SQLITE_CORRUPT when the check names anything at all */
static int check_one(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_prepare_v2(db, sql, -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    if (rc == SQLITE_ROW) {
        const char *word = (const char *)sqlite3_column_text(st, 0);
        rc = word && strcmp(word, "ok") == 0 ? SQLITE_OK : SQLITE_CORRUPT;
    }
    sqlite3_finalize(st);
    return rc;
}

static int check(sqlite3 *db, const char *path)
{
    static const char *const small[] = {
        "PRAGMA quick_check('trips')",   "PRAGMA quick_check('alarms')",
        "PRAGMA quick_check('state')",   "PRAGMA quick_check('outbox')",
        "PRAGMA quick_check('layouts')",
    };
    struct stat st;
    if (stat(path, &st) != 0 || st.st_size <= DATABASE_CHECK_BYTES)
        return check_one(db, "PRAGMA quick_check(1)");
    int rc = SQLITE_OK;
    for (size_t i = 0; i < sizeof small / sizeof small[0] && rc == SQLITE_OK; i++)
        rc = check_one(db, small[i]);
    return rc;
}

static int set_pragmas(sqlite3 *db, int64_t pages_most)
{
    char sql[96];
    sqlite3_busy_timeout(db,
                         250); /* the batch waits in memory, so the engine need not wait long */
    sqlite3_extended_result_codes(db, 1);
    int rc = sqlite3_exec(db,
                          "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
                          "PRAGMA journal_size_limit = 8388608; PRAGMA foreign_keys = OFF;"
                          "PRAGMA temp_store = MEMORY; PRAGMA cache_size = -256",
                          NULL, NULL, NULL);
    if (rc == SQLITE_OK && pages_most > 0) {
        snprintf(sql, sizeof sql, "PRAGMA max_page_count = %lld", (long long)pages_most);
        rc = sqlite3_exec(db, sql, NULL, NULL, NULL);
    }
    return rc;
}

/* Passwords' hashes are in it: nobody but the owner reads it, nor what lies beside it. */
static void keep_to_owner(const char *path)
{
    static const char *const tails[] = {"", "-wal", "-shm"};
    char name[4096];
    struct stat st;
    for (size_t i = 0; i < sizeof tails / sizeof tails[0]; i++) {
        snprintf(name, sizeof name, "%s%s", path, tails[i]);
        if (stat(name, &st) == 0 && (st.st_mode & (S_IRWXG | S_IRWXO)) &&
            chmod(name, st.st_mode & S_IRWXU) != 0)
            log_warning("store", "%s can be read by others, and that cannot be changed: %s",
                        name, strerror(errno));
    }
}

static int prepare_all(struct database *d)
{
    int rc = SQLITE_OK;
    for (int i = 0; i < STATEMENTS && rc == SQLITE_OK; i++)
        rc = sqlite3_prepare_v3(d->db, sql_of[i], -1, SQLITE_PREPARE_PERSISTENT,
                                &d->statements[i], NULL);
    return rc;
}

enum store_err database_open(struct database *d, const char *path, int64_t first_seq,
                             int64_t pages_most, char why[DATABASE_WHY_SIZE])
{
    *d = (struct database){0};
    int found = 0;
    const char *doing = "opening the record";
    int rc = sqlite3_open_v2(
        path, &d->db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX, NULL);
    if (rc == SQLITE_OK)
        rc = set_pragmas(d->db, pages_most);
    if (rc == SQLITE_OK && sqlite3_db_readonly(d->db, "main") == 1)
        rc = SQLITE_READONLY;
    if (rc == SQLITE_OK) {
        keep_to_owner(path);
        doing = "checking the record";
        rc = check(d->db, path);
    }
    if (rc == SQLITE_OK) {
        doing = "preparing the tables";
        rc = schema_migrate(d->db, first_seq, &found);
    }
    if (rc == SQLITE_OK && found > schema_version()) {
        snprintf(why, DATABASE_WHY_SIZE,
                 "%s: the record is of version %d, this foretrip knows up to %d: %s", path,
                 found, schema_version(), store_strerror(STORE_ERR_NEWER));
        database_close(d);
        return STORE_ERR_NEWER;
    }
    if (rc == SQLITE_OK)
        rc = prepare_all(d);
    if (rc == SQLITE_OK && !(d->keeper = keeper_open(d->db)))
        rc = SQLITE_NOMEM;
    if (rc != SQLITE_OK) {
        database_why(d->db, rc, doing, path, why);
        database_close(d);
    }
    return database_err(rc);
}

int database_open_reading(const char *path, sqlite3 **db)
{
    int rc = sqlite3_open_v2(path, db, SQLITE_OPEN_READONLY | SQLITE_OPEN_NOMUTEX, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_db_config(*db, SQLITE_DBCONFIG_LOOKASIDE, NULL, READING_PIECE_BYTES,
                               READING_PIECES);
    if (rc == SQLITE_OK)
        rc = sqlite3_busy_timeout(*db, READING_WAIT_MS);
    if (rc == SQLITE_OK)
        rc = sqlite3_exec(*db, "PRAGMA cache_size = -" READING_CACHE_KIB, NULL, NULL, NULL);
    return rc;
}

void database_close(struct database *d)
{
    keeper_close(d->keeper);
    for (int i = 0; i < STATEMENTS; i++)
        sqlite3_finalize(d->statements[i]);
    sqlite3_close(d->db);
    *d = (struct database){0};
}

bool database_set_aside(const char *path, const char *why, int64_t wall_ms, char *name,
                        size_t name_size)
{
    static const char *const tails[] = {"-wal", "-shm"};
    char stamp[CLOCK_COMPACT_SIZE], from[4096], to[4096];
    struct stat st;
    clock_format_compact(wall_ms, stamp);
    snprintf(name, name_size, "%s.%s-%s", path, why, stamp);
    for (int n = 2; stat(name, &st) == 0 && n < 100; n++) /* two within a second */
        snprintf(name, name_size, "%s.%s-%s-%d", path, why, stamp, n);
    /* the log first: a new database must never find the old one's */
    for (size_t i = 0; i < 2; i++) {
        snprintf(from, sizeof from, "%s%s", path, tails[i]);
        snprintf(to, sizeof to, "%s%s", name, tails[i]);
        if (rename(from, to) != 0 && errno != ENOENT)
            return false;
    }
    return rename(path, name) == 0;
}
