#include "sql.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct sql_value sql_null(void)
{
    return (struct sql_value){.type = SQL_NULL};
}

struct sql_value sql_number(int64_t v)
{
    return (struct sql_value){.type = SQL_NUMBER, .number = v};
}

struct sql_value sql_real(double v)
{
    return isnan(v) ? sql_null() : (struct sql_value){.type = SQL_REAL, .real = v};
}

struct sql_value sql_words(const char *s)
{
    return s ? sql_text(s, strlen(s)) : sql_null();
}

struct sql_value sql_text(const char *s, size_t length)
{
    return (struct sql_value){.type = SQL_WORDS, .length = (uint32_t)length, .words = s};
}

int64_t sql_as_number(const struct sql_value *v)
{
    switch (v->type) {
    case SQL_NULL: return 0;
    case SQL_NUMBER: return v->number;
    case SQL_REAL: return (int64_t)v->real;
    case SQL_WORDS: return strtoll(v->words, NULL, 10);
    }
    return 0;
}

double sql_as_real(const struct sql_value *v)
{
    switch (v->type) {
    case SQL_NULL: return NAN;
    case SQL_NUMBER: return (double)v->number;
    case SQL_REAL: return v->real;
    case SQL_WORDS: return strtod(v->words, NULL);
    }
    return NAN;
}

const char *sql_as_words(const struct sql_value *v)
{
    return v->type == SQL_WORDS ? v->words : "";
}

struct sql *sql_open(const char *where, char why[SQL_WHY_SIZE])
{
    why[0] = '\0';
    if (strncmp(where, "postgresql://", 13) == 0 || strncmp(where, "postgres://", 11) == 0)
        return sql_postgres_open(where, why);
    return sql_sqlite_open(where, why);
}

void sql_close(struct sql *s)
{
    if (s)
        s->calls->close(s);
}

bool sql_is_postgres(const struct sql *s)
{
    return s->calls->postgres;
}

/* a failure ends what it happened in */
static enum sql_err settle(struct sql *s, enum sql_err err)
{
    if (err != SQL_FINE && s->inside) {
        char why[SQL_WHY_SIZE];
        text_copy(why, sizeof why, s->why);
        sql_rollback(s);
        text_copy(s->why, sizeof s->why, why);
    }
    return err;
}

enum sql_err sql_begin(struct sql *s)
{
    enum sql_err err = s->calls->run(s, s->calls->begin);
    s->inside = err == SQL_FINE;
    return err;
}

enum sql_err sql_commit(struct sql *s)
{
    enum sql_err err = settle(s, s->calls->run(s, "COMMIT"));
    s->inside = false;
    return err;
}

void sql_rollback(struct sql *s)
{
    if (s->inside)
        s->calls->run(s, "ROLLBACK"); /* a connection that broke has rolled back by itself */
    s->inside = false;
}

enum sql_err sql_run(struct sql *s, const char *texts)
{
    return settle(s, s->calls->run(s, texts));
}

enum sql_err sql_query(struct sql *s, const char *text, const struct sql_value *params,
                       size_t count, sql_row_fn *fn, void *context, int64_t *changed)
{
    return settle(s, s->calls->query(s, text, params, count, fn, context, changed));
}

enum sql_err sql_put(struct sql *s, const struct sql_table *table,
                     const struct sql_value *cells, size_t rows)
{
    return rows == 0 ? SQL_FINE : settle(s, s->calls->put(s, table, cells, rows));
}

enum sql_err sql_find(struct sql *s, const struct sql_find *find, const struct sql_value *keys,
                      size_t count, sql_row_fn *fn, void *context)
{
    return count == 0 ? SQL_FINE : settle(s, s->calls->find(s, find, keys, count, fn, context));
}

const char *sql_why(const struct sql *s)
{
    return s->why;
}
