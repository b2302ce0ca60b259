/*
 * schema - the tables, as the steps that made them.
 *
 * PRAGMA user_version counts the steps that a database has been through; opening takes it
 * through the rest, all in one transaction. A step that has been released is never edited: the
 * next change is a new step at the end.
 */
#ifndef FORETRIP_STORE_SCHEMA_H
#define FORETRIP_STORE_SCHEMA_H

#include <sqlite3.h>
#include <stdint.h>

/* The version this program writes. */
int schema_version(void);

/* SQLITE_OK, or the code of the statement that failed; then nothing has changed. *found is the
 * version that was there (0: a new database, whose sequences begin at first_seq). A database
 * with a later version is left alone: SQLITE_OK with *found above schema_version(). */
int schema_migrate(sqlite3 *db, int64_t first_seq, int *found);

#endif
