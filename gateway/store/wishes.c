#include "wishes.h"

#include "database.h"

#include <string.h>

#define BUSY_MS 5000

static enum store_err run(const char *path, const char *sql, const char *key, const char *value,
                          int64_t wall_ms)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    int rc = sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_busy_timeout(db, BUSY_MS);
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(db, sql, -1, &st, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_text(st, 1, key, -1, SQLITE_STATIC);
    if (rc == SQLITE_OK)
        rc = sqlite3_bind_int64(st, 2, wall_ms);
    if (rc == SQLITE_OK && value)
        rc = sqlite3_bind_blob(st, 3, value, (int)strlen(value), SQLITE_STATIC);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    sqlite3_finalize(st);
    sqlite3_close(db);
    return rc == SQLITE_DONE ? STORE_OK : database_err(rc);
}

enum store_err wishes_add(const char *path, const char *key, const char *value, int64_t wall_ms)
{
    return run(path,
               "INSERT INTO state (key, bytes, wall_ms) VALUES (?1, ?3, ?2)"
               " ON CONFLICT (key) DO UPDATE SET bytes = ?3, wall_ms = ?2",
               key, value, wall_ms);
}

enum store_err wishes_drop(const char *path, const char *key, int64_t wall_ms)
{
    return run(path, "DELETE FROM state WHERE key = ?1 AND wall_ms <= ?2", key, NULL, wall_ms);
}
