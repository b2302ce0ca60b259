/* The embedded database: no server, one file, for up to some hundred sites. */
#include "sql.h"

#include "base/text.h"

#include <sqlite3.h>

#include <stdio.h>
#include <stdlib.h>

#define MOST_STATEMENTS 128
#define BUSY_MS 10000

struct sqlite_sql {
    struct sql base;
    sqlite3 *db;
    struct {
        const void *key; /* of static storage: a text, a table, a find */
        sqlite3_stmt *st;
    } prepared[MOST_STATEMENTS];
    size_t count;
};

static enum sql_err err_of(int code)
{
    switch (code & 0xff) {
    case SQLITE_OK:
    case SQLITE_ROW:
    case SQLITE_DONE: return SQL_FINE;
    case SQLITE_NOMEM: return SQL_ERR_MEMORY;
    case SQLITE_BUSY:
    case SQLITE_LOCKED: return SQL_ERR_AGAIN;
    case SQLITE_FULL: return SQL_ERR_ROOM;
    case SQLITE_IOERR:
    case SQLITE_CANTOPEN:
    case SQLITE_READONLY: return SQL_ERR_AWAY;
    default: return SQL_ERR_FAULT;
    }
}

static enum sql_err note(struct sqlite_sql *s, int code)
{
    enum sql_err err = err_of(code);
    if (err != SQL_FINE)
        snprintf(s->base.why, sizeof s->base.why, "%s", sqlite3_errmsg(s->db));
    return err;
}

static enum sql_err run(struct sql *base, const char *texts)
{
    struct sqlite_sql *s = (struct sqlite_sql *)base;
    return note(s, sqlite3_exec(s->db, texts, NULL, NULL, NULL));
}

/* prepared already, or now out of compose's text */
static enum sql_err prepare(struct sqlite_sql *s, const void *key,
                            void (*compose)(const void *key, struct text *out),
                            sqlite3_stmt **out)
{
    for (size_t i = 0; i < s->count; i++)
        if (s->prepared[i].key == key) {
            *out = s->prepared[i].st;
            return SQL_FINE;
        }
    if (s->count == MOST_STATEMENTS) {
        snprintf(s->base.why, sizeof s->base.why, "more than %d statements", MOST_STATEMENTS);
        return SQL_ERR_FAULT;
    }
    struct text text = TEXT_INIT;
    compose(key, &text);
    enum sql_err err = text.failed
                           ? SQL_ERR_MEMORY
                           : note(s, sqlite3_prepare_v3(s->db, text_get(&text), -1,
                                                        SQLITE_PREPARE_PERSISTENT, out, NULL));
    text_free(&text);
    if (err == SQL_FINE) {
        s->prepared[s->count].key = key;
        s->prepared[s->count++].st = *out;
    }
    return err;
}

static int bind(sqlite3_stmt *st, size_t number, const struct sql_value *v)
{
    char name[24];
    snprintf(name, sizeof name, "$%zu", number);
    int at = sqlite3_bind_parameter_index(st, name);
    switch (v->type) {
    case SQL_NULL: return sqlite3_bind_null(st, at);
    case SQL_NUMBER: return sqlite3_bind_int64(st, at, v->number);
    case SQL_REAL: return sqlite3_bind_double(st, at, v->real);
    case SQL_WORDS: return sqlite3_bind_text(st, at, v->words, (int)v->length, SQLITE_STATIC);
    }
    return SQLITE_MISUSE;
}

static struct sql_value column(sqlite3_stmt *st, int i)
{
    switch (sqlite3_column_type(st, i)) {
    case SQLITE_INTEGER: return sql_number(sqlite3_column_int64(st, i));
    case SQLITE_FLOAT: return sql_real(sqlite3_column_double(st, i));
    case SQLITE_TEXT: return sql_words((const char *)sqlite3_column_text(st, i));
    default: return sql_null();
    }
}

static enum sql_err step(struct sqlite_sql *s, sqlite3_stmt *st, const struct sql_value *params,
                         size_t count, sql_row_fn *fn, void *context)
{
    struct sql_value row[SQL_MOST_COLUMNS] = {0};
    int rc = SQLITE_OK, columns = sqlite3_column_count(st);
    for (size_t i = 0; i < count && rc == SQLITE_OK; i++)
        rc = bind(st, i + 1, &params[i]);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    for (bool go = true; rc == SQLITE_ROW && go;) {
        for (int i = 0; i < columns && i < SQL_MOST_COLUMNS; i++)
            row[i] = column(st, i);
        go = !fn || fn(context, row);
        if (go)
            rc = sqlite3_step(st);
    }
    enum sql_err err = note(s, rc);
    sqlite3_reset(st); /* says the error of the step once more */
    return err;
}

static void compose_query(const void *key, struct text *out)
{
    text_append(out, key);
}

static enum sql_err query(struct sql *base, const char *text, const struct sql_value *params,
                          size_t count, sql_row_fn *fn, void *context, int64_t *changed)
{
    struct sqlite_sql *s = (struct sqlite_sql *)base;
    sqlite3_stmt *st = NULL;
    enum sql_err err = prepare(s, text, compose_query, &st);
    if (err == SQL_FINE)
        err = step(s, st, params, count, fn, context);
    if (changed)
        *changed = err == SQL_FINE ? sqlite3_changes64(s->db) : 0;
    return err;
}

static void compose_put(const void *key, struct text *out)
{
    const struct sql_table *t = key;
    text_printf(out, "INSERT INTO %s (", t->name);
    for (size_t i = 0; i < t->columns; i++)
        text_printf(out, "%s%s", i > 0 ? ", " : "", t->column[i].name);
    text_append(out, ") VALUES (");
    for (size_t i = 0; i < t->columns; i++)
        text_printf(out, "%s$%zu", i > 0 ? ", " : "", i + 1);
    text_printf(out, ") %s", t->conflict);
}

static enum sql_err put(struct sql *base, const struct sql_table *table,
                        const struct sql_value *cells, size_t rows)
{
    struct sqlite_sql *s = (struct sqlite_sql *)base;
    sqlite3_stmt *st = NULL;
    enum sql_err err = prepare(s, table, compose_put, &st);
    for (size_t i = 0; i < rows && err == SQL_FINE; i++)
        err = step(s, st, cells + i * table->columns, table->columns, NULL, NULL);
    return err;
}

static void compose_find(const void *key, struct text *out)
{
    const struct sql_find *f = key;
    text_printf(out, "%s = $1", f->select);
}

static enum sql_err find(struct sql *base, const struct sql_find *f,
                         const struct sql_value *keys, size_t count, sql_row_fn *fn,
                         void *context)
{
    struct sqlite_sql *s = (struct sqlite_sql *)base;
    sqlite3_stmt *st = NULL;
    enum sql_err err = prepare(s, f, compose_find, &st);
    for (size_t i = 0; i < count && err == SQL_FINE; i++)
        err = step(s, st, &keys[i], 1, fn, context);
    return err;
}

static void close_it(struct sql *base)
{
    struct sqlite_sql *s = (struct sqlite_sql *)base;
    for (size_t i = 0; i < s->count; i++)
        sqlite3_finalize(s->prepared[i].st);
    sqlite3_close(s->db);
    free(s);
}

static const struct sql_calls calls = {
    .close = close_it,
    .run = run,
    .query = query,
    .put = put,
    .find = find,
    .begin = "BEGIN IMMEDIATE",
};

struct sql *sql_sqlite_open(const char *path, char why[SQL_WHY_SIZE])
{
    struct sqlite_sql *s = calloc(1, sizeof *s);
    if (!s) {
        snprintf(why, SQL_WHY_SIZE, "memory is short");
        return NULL;
    }
    s->base.calls = &calls;
    int rc = sqlite3_open(path, &s->db);
    if (rc == SQLITE_OK)
        rc = sqlite3_busy_timeout(s->db, BUSY_MS);
    if (rc == SQLITE_OK)
        rc = sqlite3_exec(s->db,
                          "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;"
                          "PRAGMA foreign_keys = ON;",
                          NULL, NULL, NULL);
    if (rc == SQLITE_OK)
        return &s->base;
    snprintf(why, SQL_WHY_SIZE, "%.200s: %.150s", path,
             s->db ? sqlite3_errmsg(s->db) : "memory is short");
    close_it(&s->base);
    return NULL;
}
