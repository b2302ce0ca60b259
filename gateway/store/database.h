/*
 * database - one open SQLite file with everything that is prepared on it.
 *
 * Opening sets the pragmas, checks the file, takes it through the schema's steps and prepares
 * every statement of the writer. A file that fails the check is not repaired:
 * database_set_aside renames it, with its log, for whoever wants to look.
 *
 * The check (PRAGMA quick_check) reads the whole file, so it is bounded: up to
 * DATABASE_CHECK_BYTES all of it, beyond that only the tables that are small; damage elsewhere
 * is then met when it is read or written.
 */
#ifndef FORETRIP_STORE_DATABASE_H
#define FORETRIP_STORE_DATABASE_H

#include "keeper.h"
#include "store.h"

#include <sqlite3.h>

#define DATABASE_CHECK_BYTES (INT64_C(64) * 1024 * 1024)
#define DATABASE_WHY_SIZE 320

enum statement {
    DO_BEGIN,
    DO_COMMIT,
    DO_ROLLBACK,
    ADD_EVENT,     /* wall_ms, type, panel, circuit, subject, json */
    PUT_TRIP,      /* id, circuit, opened_ms, stage, probability, cause, json */
    SET_RESTORED,  /* id, restored_ms, seconds_open */
    SET_AGAIN,     /* id, seconds_held */
    RELEASE_TRIP,  /* id */
    PUT_ALARM,     /* id, kind, priority, state, raised_ms, changed_ms, by, note, json */
    PUT_CALL,      /* id, circuit, trip, stage, finding, begun, ended, changed, by, json */
    LEAVE_CALLS,   /* circuit, id, wall_ms: the others of the circuit that were open */
    ADD_CALL_STEP, /* call, step, wall_ms, who, stage, answer, saw, amps, json */
    PUT_STATE,     /* key, bytes, wall_ms */
    ADD_MESSAGE, /* route, topic, payload, qos, retain, low_value, created, expires, with_seq */
    ADD_LAYOUT,  /* columns, poles, panels */
    ADD_READINGS,   /* t, columns, data */
    DELETE_SETTLED, /* route, id */
    DELETE_MESSAGE, /* id */
    PUT_SETTLED,    /* route, id */
    DROP_LOW,       /* how many */
    DROP_OLDEST,    /* how many */
    ADD_AUDIT,
    TRIM_AUDIT,    /* all but the newest so many */
    TRIM_LOADS,    /* from, before, how many; gives their times */
    TRIM_TRIPS,    /* likewise, of the withdrawn; gives their times and ids */
    DROP_TELLINGS, /* of the trip */
    ADD_PLACE,     /* name, part, kind, circuit, panel, traced, probability, amps, ms, by */
    DROP_PLACES,   /* name, part, traced, circuit or none */
    PUT_PURPOSE,   /* panel, position, words, ms, by */
    DROP_PURPOSE,  /* panel, position */
    ADD_DIRECTORY_CHANGE, /* ms, who, panel, position, what, subject, before, after */
    STATEMENTS
};

struct database {
    sqlite3 *db;
    sqlite3_stmt *statements[STATEMENTS];
    struct keeper *keeper;
};

/* All or nothing: on an error *d is closed and why holds a sentence. first_seq: where the
 * sequences of a new database begin. */
enum store_err database_open(struct database *d, const char *path, int64_t first_seq,
                             int64_t pages_most, char why[DATABASE_WHY_SIZE]);
void database_close(struct database *d);

/* To read beside the one that writes, in little memory: there are several readers, and the
 * system keeps the file's pages. An SQLite result code; *db is to be closed either way. */
int database_open_reading(const char *path, sqlite3 **db);

/* Renames path, path-wal and path-shm to "<path>.<why>-<UTC>..."; name gets the new name of the
 * first. False with errno. */
bool database_set_aside(const char *path, const char *why, int64_t wall_ms, char *name,
                        size_t name_size);

/* The first column of the first row, fallback when there is none. */
enum store_err database_number(struct database *d, const char *sql, int64_t fallback,
                               int64_t *out);

/* What an SQLite result code means to us, and as a sentence that ends in SQLite's own words. */
enum store_err database_err(int code);
void database_why(sqlite3 *db, int code, const char *doing, const char *path,
                  char why[DATABASE_WHY_SIZE]);

#endif
