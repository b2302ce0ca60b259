#include "schema.h"

#include <stdio.h>

static const char *const steps[] = {
    /* 1: the record and the outbox */
    "CREATE TABLE events ("
    " seq INTEGER PRIMARY KEY AUTOINCREMENT, wall_ms INTEGER NOT NULL, type TEXT NOT NULL,"
    " panel TEXT, circuit TEXT, subject TEXT, json TEXT NOT NULL) STRICT;" /* subject: trip,
                                                                              alarm */
    "CREATE INDEX events_wall ON events (wall_ms, type);"
    "CREATE INDEX events_subject ON events (subject) WHERE subject IS NOT NULL;"
    "CREATE TABLE trips ("
    " id TEXT PRIMARY KEY, circuit TEXT NOT NULL, opened_ms INTEGER NOT NULL, stage TEXT NOT "
    "NULL,"
    " probability REAL NOT NULL, cause TEXT NOT NULL, restored_ms INTEGER, seconds_open REAL,"
    " seconds_held REAL, held INTEGER NOT NULL, seq INTEGER NOT NULL, json TEXT NOT NULL) "
    "STRICT;"
    "CREATE INDEX trips_opened ON trips (opened_ms);"
    "CREATE TABLE alarms ("
    " id TEXT PRIMARY KEY, kind TEXT NOT NULL, priority TEXT NOT NULL, state TEXT NOT NULL,"
    " raised_ms INTEGER NOT NULL, changed_ms INTEGER NOT NULL, changed_by TEXT, note TEXT,"
    " seq INTEGER NOT NULL, json TEXT NOT NULL) STRICT;"
    "CREATE TABLE state ("
    " key TEXT PRIMARY KEY, bytes BLOB NOT NULL, wall_ms INTEGER NOT NULL) STRICT;"
    "CREATE TABLE outbox ("
    " id INTEGER PRIMARY KEY AUTOINCREMENT, route INTEGER NOT NULL, topic TEXT NOT NULL,"
    " payload TEXT, qos INTEGER NOT NULL, retain INTEGER NOT NULL, low_value INTEGER NOT NULL,"
    " created_ms INTEGER NOT NULL, expires_ms INTEGER) STRICT;"
    "CREATE TABLE settled (route INTEGER PRIMARY KEY, id INTEGER NOT NULL) STRICT;",

    /* 2: readings, a block of some seconds a row; layouts name the values of a block */
    "CREATE TABLE layouts ("
    " id INTEGER PRIMARY KEY, poles INTEGER NOT NULL, panels INTEGER NOT NULL,"
    " columns TEXT NOT NULL UNIQUE) STRICT;"
    "CREATE TABLE readings ("
    " t INTEGER PRIMARY KEY, layout INTEGER NOT NULL, data BLOB NOT NULL) STRICT;",

    /* 3: the history (shelf.h). What was in readings becomes the tail, with room for 16 blocks
     * that begin in the same ms, and is closed hour by hour. */
    "UPDATE readings SET t = t * 16;"
    "CREATE TABLE channels (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;"
    "CREATE TABLE hours (key INTEGER PRIMARY KEY, data BLOB NOT NULL) STRICT;"
    "CREATE TABLE days (key INTEGER PRIMARY KEY, data BLOB NOT NULL) STRICT;"
    "CREATE TABLE frozen (key INTEGER PRIMARY KEY, data BLOB NOT NULL) STRICT;"
    "CREATE TABLE summaries (key INTEGER PRIMARY KEY, data BLOB NOT NULL) STRICT;",

    /* 4: who did what, when */
    "CREATE TABLE audit ("
    " id INTEGER PRIMARY KEY AUTOINCREMENT, wall_ms INTEGER NOT NULL, who TEXT, role TEXT,"
    " way TEXT, act TEXT NOT NULL, subject TEXT, result TEXT) STRICT;",

    /* 5: service calls, and every step of each */
    "CREATE TABLE calls ("
    " id TEXT PRIMARY KEY, circuit TEXT NOT NULL, trip TEXT, stage TEXT NOT NULL, finding TEXT,"
    " begun_ms INTEGER NOT NULL, ended_ms INTEGER, changed_ms INTEGER NOT NULL, changed_by "
    "TEXT,"
    " seq INTEGER NOT NULL, json TEXT NOT NULL) STRICT;"
    "CREATE INDEX calls_begun ON calls (begun_ms);"
    "CREATE TABLE call_steps ("
    " call TEXT NOT NULL, step INTEGER NOT NULL, wall_ms INTEGER NOT NULL, who TEXT,"
    " stage TEXT NOT NULL, answer TEXT, saw TEXT, amps REAL, json TEXT NOT NULL,"
    " PRIMARY KEY (call, step)) STRICT;",

    /* 6: the panel directory: places, what the card says, and every change of them */
    "CREATE TABLE places ("
    " id INTEGER PRIMARY KEY, name TEXT NOT NULL, part TEXT NOT NULL, kind TEXT NOT NULL,"
    " circuit TEXT NOT NULL, panel TEXT NOT NULL, traced INTEGER NOT NULL, probability REAL,"
    " amps REAL, changed_ms INTEGER NOT NULL, changed_by TEXT NOT NULL) STRICT;"
    "CREATE INDEX places_name ON places (name, part);"
    "CREATE TABLE purposes ("
    " panel TEXT NOT NULL, position TEXT NOT NULL, words TEXT NOT NULL,"
    " changed_ms INTEGER NOT NULL, changed_by TEXT NOT NULL,"
    " PRIMARY KEY (panel, position)) STRICT;"
    "CREATE TABLE directory_changes ("
    " id INTEGER PRIMARY KEY AUTOINCREMENT, wall_ms INTEGER NOT NULL, who TEXT NOT NULL,"
    " panel TEXT NOT NULL, position TEXT NOT NULL, what TEXT NOT NULL, subject TEXT NOT NULL,"
    " before TEXT NOT NULL, after TEXT NOT NULL) STRICT;",
};

int schema_version(void)
{
    return (int)(sizeof steps / sizeof steps[0]);
}

static int read_version(sqlite3 *db, int *version)
{
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_prepare_v2(db, "PRAGMA user_version", -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    if (rc == SQLITE_ROW)
        *version = sqlite3_column_int(st, 0);
    int end = sqlite3_finalize(st);
    return rc == SQLITE_ROW ? SQLITE_OK : rc != SQLITE_DONE ? rc : end;
}

static int take_steps(sqlite3 *db, int version, int64_t first_seq)
{
    char sql[256];
    int rc = SQLITE_OK;
    for (int v = version; v < schema_version() && rc == SQLITE_OK; v++)
        rc = sqlite3_exec(db, steps[v], NULL, NULL, NULL);
    if (rc == SQLITE_OK && version == 0) {
        snprintf(
            sql, sizeof sql,
            "INSERT INTO sqlite_sequence (name, seq) VALUES ('events', %lld), ('outbox', %lld)",
            (long long)first_seq - 1, (long long)first_seq - 1);
        rc = sqlite3_exec(db, sql, NULL, NULL, NULL);
    }
    if (rc == SQLITE_OK) {
        snprintf(sql, sizeof sql, "PRAGMA user_version = %d", schema_version());
        rc = sqlite3_exec(db, sql, NULL, NULL, NULL);
    }
    return rc;
}

int schema_migrate(sqlite3 *db, int64_t first_seq, int *found)
{
    int version = 0;
    int rc = read_version(db, &version);
    if (rc != SQLITE_OK)
        return rc;
    *found = version;
    if (version >= schema_version())
        return SQLITE_OK;
    rc = sqlite3_exec(db, "BEGIN IMMEDIATE", NULL, NULL, NULL);
    if (rc != SQLITE_OK)
        return rc;
    rc = take_steps(db, version, first_seq);
    if (rc == SQLITE_OK)
        rc = sqlite3_exec(db, "COMMIT", NULL, NULL, NULL);
    if (rc != SQLITE_OK && !sqlite3_get_autocommit(db)) {
        /* what failed is what the caller needs to know, not that undoing it failed too */
        int undo = sqlite3_exec(db, "ROLLBACK", NULL, NULL, NULL);
        (void)undo;
    }
    return rc;
}
