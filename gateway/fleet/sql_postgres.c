/* PostgreSQL by libpq. Rows go in by COPY, or as arrays through unnest where some may be there
 * already: two round trips, or one, for thousands. */
#include "sql.h"

#include "base/text.h"

#include <endian.h>
#include <libpq-fe.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_STATEMENTS 128
#define MOST_ROW_TYPES 8
#define NUMBER_SIZE 32
#define COPY_BYTES 65536 /* handed to libpq at a time */

/* object ids of PostgreSQL's built-in types (its catalogue, pg_type) */
#define OID_INT8 20
#define OID_INT2 21
#define OID_INT4 23
#define OID_TEXT 25
#define OID_FLOAT4 700
#define OID_FLOAT8 701
#define OID_NUMERIC 1700

struct postgres_sql {
    struct sql base;
    PGconn *db;
    const void *prepared[MOST_STATEMENTS]; /* number n is the statement "sn" */
    size_t count;
    struct {
        const struct sql_table *table;
        uint32_t oid;
    } row_types[MOST_ROW_TYPES];
    size_t row_type_count;
    bool careful; /* a row was there already: COPY will not do */
};

/* by the SQLSTATE of the standard, and PostgreSQL's own classes (manual, appendix A) */
static enum sql_err err_of(const PGconn *db, const PGresult *r)
{
    const char *state = PQresultErrorField(r, PG_DIAG_SQLSTATE);
    if (PQstatus(db) != CONNECTION_OK || !state)
        return SQL_ERR_AWAY;
    if (strcmp(state, "53100") == 0) /* disk_full */
        return SQL_ERR_ROOM;
    if (strcmp(state, "53200") == 0) /* out_of_memory */
        return SQL_ERR_MEMORY;
    if (strncmp(state, "40", 2) == 0 || strcmp(state, "55P03") == 0)
        return SQL_ERR_AGAIN; /* transaction_rollback, lock_not_available */
    if (strncmp(state, "08", 2) == 0 || strncmp(state, "57P", 3) == 0)
        return SQL_ERR_AWAY; /* connection_exception, shutdown, starting up */
    return SQL_ERR_FAULT;
}

/* takes the result */
static enum sql_err note(struct postgres_sql *s, PGresult *r)
{
    ExecStatusType status = PQresultStatus(r);
    enum sql_err err = SQL_FINE;
    if (status != PGRES_COMMAND_OK && status != PGRES_TUPLES_OK) {
        err = err_of(s->db, r);
        snprintf(s->base.why, sizeof s->base.why, "%s", PQerrorMessage(s->db));
        s->base.why[strcspn(s->base.why, "\n")] = '\0';
    }
    PQclear(r);
    return err;
}

static enum sql_err run(struct sql *base, const char *texts)
{
    struct postgres_sql *s = (struct postgres_sql *)base;
    return note(s, PQexec(s->db, texts));
}

static enum sql_err prepare(struct postgres_sql *s, const void *key,
                            void (*compose)(const void *key, struct text *out), char name[16])
{
    size_t i = 0;
    while (i < s->count && s->prepared[i] != key)
        i++;
    snprintf(name, 16, "s%zu", i);
    if (i < s->count)
        return SQL_FINE;
    if (s->count == MOST_STATEMENTS) {
        snprintf(s->base.why, sizeof s->base.why, "more than %d statements", MOST_STATEMENTS);
        return SQL_ERR_FAULT;
    }
    struct text text = TEXT_INIT;
    compose(key, &text);
    enum sql_err err = text.failed ? SQL_ERR_MEMORY
                                   : note(s, PQprepare(s->db, name, text_get(&text), 0, NULL));
    text_free(&text);
    if (err == SQL_FINE)
        s->prepared[s->count++] = key;
    return err;
}

static struct sql_value cell(const PGresult *r, int row, int column)
{
    if (PQgetisnull(r, row, column))
        return sql_null();
    const char *text = PQgetvalue(r, row, column);
    switch (PQftype(r, column)) {
    case OID_INT2:
    case OID_INT4:
    case OID_INT8: return sql_number(strtoll(text, NULL, 10));
    case OID_FLOAT4:
    case OID_FLOAT8: return sql_real(strtod(text, NULL));
    case OID_NUMERIC: /* what sum() makes of a BIGINT */
        return strchr(text, '.') ? sql_real(strtod(text, NULL))
                                 : sql_number(strtoll(text, NULL, 10));
    default: return sql_words(text);
    }
}

static void hand_on(const PGresult *r, sql_row_fn *fn, void *context)
{
    struct sql_value row[SQL_MOST_COLUMNS] = {0};
    int rows = PQntuples(r), columns = PQnfields(r);
    bool go = fn != NULL;
    for (int i = 0; go && i < rows; i++) {
        for (int k = 0; k < columns && k < SQL_MOST_COLUMNS; k++)
            row[k] = cell(r, i, k);
        go = fn(context, row);
    }
}

static void compose_query(const void *key, struct text *out)
{
    text_append(out, key);
}

static enum sql_err query(struct sql *base, const char *text, const struct sql_value *params,
                          size_t count, sql_row_fn *fn, void *context, int64_t *changed)
{
    struct postgres_sql *s = (struct postgres_sql *)base;
    char name[16], numbers[SQL_MOST_COLUMNS][NUMBER_SIZE];
    const char *values[SQL_MOST_COLUMNS] = {0};
    enum sql_err err = prepare(s, text, compose_query, name);
    if (changed)
        *changed = 0;
    if (err != SQL_FINE)
        return err;
    for (size_t i = 0; i < count && i < SQL_MOST_COLUMNS; i++) {
        const struct sql_value *v = &params[i];
        if (v->type == SQL_NUMBER)
            snprintf(numbers[i], NUMBER_SIZE, "%lld", (long long)v->number);
        else if (v->type == SQL_REAL)
            snprintf(numbers[i], NUMBER_SIZE, "%.17g", v->real);
        values[i] = v->type == SQL_NULL ? NULL : v->type == SQL_WORDS ? v->words : numbers[i];
    }
    PGresult *r = PQexecPrepared(s->db, name, (int)count, values, NULL, NULL, 0);
    if (PQresultStatus(r) == PGRES_TUPLES_OK)
        hand_on(r, fn, context);
    if (changed)
        *changed = strtoll(PQcmdTuples(r), NULL, 10);
    return note(s, r);
}

/* ---- arrays, as PostgreSQL's binary format has them (array_send in its sources) ---- */

static void put_u32(struct text *t, uint32_t v)
{
    uint32_t be = htobe32(v);
    text_append_bytes(t, &be, sizeof be);
}

static void put_u64(struct text *t, uint64_t v)
{
    uint64_t be = htobe64(v);
    put_u32(t, sizeof be);
    text_append_bytes(t, &be, sizeof be);
}

static void put_value(struct text *t, const struct sql_value *v)
{
    uint64_t bits;
    switch (v->type) {
    case SQL_NULL: put_u32(t, UINT32_MAX); break; /* length -1 */
    case SQL_NUMBER: put_u64(t, (uint64_t)v->number); break;
    case SQL_REAL:
        memcpy(&bits, &v->real, sizeof bits);
        put_u64(t, bits);
        break;
    case SQL_WORDS:
        put_u32(t, v->length);
        text_append_bytes(t, v->words, v->length);
        break;
    }
}

static uint32_t oid_of(enum sql_type type)
{
    return type == SQL_NUMBER ? OID_INT8 : type == SQL_REAL ? OID_FLOAT8 : OID_TEXT;
}

static const char *array_of(enum sql_type type)
{
    return type == SQL_NUMBER ? "bigint[]" : type == SQL_REAL ? "float8[]" : "text[]";
}

static void begin_array(struct text *t, uint32_t oid, size_t count)
{
    put_u32(t, 1); /* dimensions */
    put_u32(t, 1); /* there may be NULLs */
    put_u32(t, oid);
    put_u32(t, (uint32_t)count);
    put_u32(t, 1); /* the first index */
}

/* one column of the rows */
static void put_array(struct text *t, enum sql_type type, const struct sql_value *first,
                      size_t stride, size_t rows)
{
    begin_array(t, oid_of(type), rows);
    for (size_t i = 0; i < rows; i++)
        put_value(t, first + i * stride);
}

static enum sql_err execute(struct postgres_sql *s, const char *name, const struct text *arrays,
                            size_t count, sql_row_fn *fn, void *context)
{
    const char *values[SQL_MOST_COLUMNS];
    int lengths[SQL_MOST_COLUMNS], formats[SQL_MOST_COLUMNS];
    for (size_t i = 0; i < count; i++) {
        if (arrays[i].failed)
            return SQL_ERR_MEMORY;
        values[i] = arrays[i].bytes;
        lengths[i] = (int)arrays[i].length;
        formats[i] = 1;
    }
    PGresult *r = PQexecPrepared(s->db, name, (int)count, values, lengths, formats, 0);
    if (PQresultStatus(r) == PGRES_TUPLES_OK)
        hand_on(r, fn, context);
    return note(s, r);
}

/* ---- COPY, in its binary format (manual, COPY, "Binary Format") ---- */

static void put_u16(struct text *t, uint16_t v)
{
    uint16_t be = htobe16(v);
    text_append_bytes(t, &be, sizeof be);
}

static bool send_bytes(struct postgres_sql *s, struct text *t)
{
    bool sent = !t->failed && PQputCopyData(s->db, t->bytes, (int)t->length) == 1;
    text_clear(t);
    return sent;
}

static bool send_rows(struct postgres_sql *s, const struct sql_table *table,
                      const struct sql_value *cells, size_t rows)
{
    static const char head[] = "PGCOPY\n\377\r\n\0\0\0\0\0\0\0\0"; /* no flags, nothing more */
    struct text t = TEXT_INIT;
    bool sent = true;
    text_append_bytes(&t, head, sizeof head);
    for (size_t i = 0; i < rows && sent; i++) {
        put_u16(&t, (uint16_t)table->columns);
        for (size_t k = 0; k < table->columns; k++)
            put_value(&t, &cells[i * table->columns + k]);
        if (t.length >= COPY_BYTES)
            sent = send_bytes(s, &t);
    }
    put_u16(&t, UINT16_MAX); /* the end */
    sent = sent && send_bytes(s, &t);
    text_free(&t);
    return sent;
}

static enum sql_err begin_copy(struct postgres_sql *s, const struct sql_table *table)
{
    struct text t = TEXT_INIT;
    text_printf(&t, "COPY %s (", table->name);
    for (size_t i = 0; i < table->columns; i++)
        text_printf(&t, "%s%s", i > 0 ? ", " : "", table->column[i].name);
    text_append(&t, ") FROM STDIN (FORMAT binary)");
    PGresult *r = t.failed ? NULL : PQexec(s->db, text_get(&t));
    text_free(&t);
    if (PQresultStatus(r) != PGRES_COPY_IN)
        return note(s, r);
    PQclear(r);
    return SQL_FINE;
}

static enum sql_err copy(struct postgres_sql *s, const struct sql_table *table,
                         const struct sql_value *cells, size_t rows)
{
    enum sql_err err = begin_copy(s, table);
    if (err != SQL_FINE)
        return err;
    bool sent = send_rows(s, table, cells, rows);
    PQputCopyEnd(s->db, sent ? NULL : "memory is short");
    PGresult *r = PQgetResult(s->db);
    const char *state = PQresultErrorField(r, PG_DIAG_SQLSTATE);
    s->careful = state && strcmp(state, "23505") == 0; /* unique_violation */
    err = note(s, r);
    while ((r = PQgetResult(s->db)) != NULL)
        PQclear(r);
    if (!sent && err == SQL_ERR_FAULT)
        return SQL_ERR_MEMORY;
    return s->careful ? SQL_ERR_AGAIN : err;
}

/* ---- rows that may be there already ---- */

static void compose_put(const void *key, struct text *out)
{
    const struct sql_table *t = key;
    text_printf(out, "INSERT INTO %s (", t->name);
    for (size_t i = 0; i < t->columns; i++)
        text_printf(out, "%s%s", i > 0 ? ", " : "", t->column[i].name);
    text_append(out, ") SELECT * FROM unnest(");
    if (t->whole)
        text_printf(out, "$1::%s[]", t->name);
    for (size_t i = 0; i < t->columns && !t->whole; i++)
        text_printf(out, "%s$%zu::%s", i > 0 ? ", " : "", i + 1, array_of(t->column[i].type));
    text_printf(out, ") %s", t->conflict);
}

static enum sql_err put_columns(struct postgres_sql *s, const char *name,
                                const struct sql_table *table, const struct sql_value *cells,
                                size_t rows)
{
    struct text arrays[SQL_MOST_COLUMNS] = {0};
    for (size_t i = 0; i < table->columns; i++)
        put_array(&arrays[i], table->column[i].type, cells + i, table->columns, rows);
    enum sql_err err = execute(s, name, arrays, table->columns, NULL, NULL);
    for (size_t i = 0; i < table->columns; i++)
        text_free(&arrays[i]);
    return err;
}

/* the object id of the type that PostgreSQL made of the table's rows */
static enum sql_err find_row_type(struct postgres_sql *s, const struct sql_table *table,
                                  uint32_t *oid)
{
    size_t i = 0;
    while (i < s->row_type_count && s->row_types[i].table != table)
        i++;
    if (i == s->row_type_count) {
        char text[80];
        snprintf(text, sizeof text, "SELECT '%s'::regtype::oid::bigint", table->name);
        PGresult *r = PQexec(s->db, text);
        s->row_types[i].table = table;
        if (PQntuples(r) == 1)
            s->row_types[i].oid = (uint32_t)cell(r, 0, 0).number;
        enum sql_err err = note(s, r);
        if (err != SQL_FINE)
            return err;
        s->row_type_count++;
    }
    *oid = s->row_types[i].oid;
    return SQL_FINE;
}

/* as PostgreSQL's binary format has rows (record_send in its sources) */
static void put_row(struct text *t, const struct sql_table *table, const struct sql_value *row)
{
    size_t begin = t->length;
    put_u32(t, 0); /* its length, once it is known */
    put_u32(t, (uint32_t)table->columns);
    for (size_t i = 0; i < table->columns; i++) {
        put_u32(t, oid_of(table->column[i].type));
        put_value(t, &row[i]);
    }
    if (t->failed)
        return;
    uint32_t be = htobe32((uint32_t)(t->length - begin - sizeof be));
    memcpy(t->bytes + begin, &be, sizeof be);
}

/* In one array of rows. One for each column is gone through by itself, and what comes of it put
 * beside the others: twice the work, of a wide table. */
static enum sql_err put_rows(struct postgres_sql *s, const char *name,
                             const struct sql_table *table, const struct sql_value *cells,
                             size_t rows)
{
    struct text array = TEXT_INIT;
    uint32_t oid = 0;
    enum sql_err err = find_row_type(s, table, &oid);
    begin_array(&array, oid, rows);
    for (size_t i = 0; i < rows && err == SQL_FINE; i++)
        put_row(&array, table, cells + i * table->columns);
    if (err == SQL_FINE)
        err = execute(s, name, &array, 1, NULL, NULL);
    text_free(&array);
    return err;
}

static enum sql_err put(struct sql *base, const struct sql_table *table,
                        const struct sql_value *cells, size_t rows)
{
    struct postgres_sql *s = (struct postgres_sql *)base;
    char name[16];
    if (table->new_rows && !s->careful)
        return copy(s, table, cells, rows);
    enum sql_err err = prepare(s, table, compose_put, name);
    if (err == SQL_FINE)
        err = (table->whole ? put_rows : put_columns)(s, name, table, cells, rows);
    s->careful = s->careful && (!table->new_rows || err != SQL_FINE);
    return err;
}

static void compose_find(const void *key, struct text *out)
{
    const struct sql_find *f = key;
    text_printf(out, "%s = ANY($1::%s)", f->select, array_of(f->type));
    if (f->order_by) /* one order for all, so that no two wait for each other */
        text_printf(out, " ORDER BY %s FOR UPDATE", f->order_by);
}

static enum sql_err find(struct sql *base, const struct sql_find *f,
                         const struct sql_value *keys, size_t count, sql_row_fn *fn,
                         void *context)
{
    struct postgres_sql *s = (struct postgres_sql *)base;
    struct text array = TEXT_INIT;
    char name[16];
    enum sql_err err = prepare(s, f, compose_find, name);
    if (err == SQL_FINE) {
        put_array(&array, f->type, keys, 1, count);
        err = execute(s, name, &array, 1, fn, context);
    }
    text_free(&array);
    return err;
}

static void close_it(struct sql *base)
{
    struct postgres_sql *s = (struct postgres_sql *)base;
    PQfinish(s->db);
    free(s);
}

static const struct sql_calls calls = {
    .close = close_it,
    .run = run,
    .query = query,
    .put = put,
    .find = find,
    .begin = "BEGIN",
    .postgres = true,
};

static void pass_over(void *context, const PGresult *r)
{
    (void)context; /* NOTICE: a table that is there already */
    (void)r;
}

struct sql *sql_postgres_open(const char *where, char why[SQL_WHY_SIZE])
{
    struct postgres_sql *s = calloc(1, sizeof *s);
    if (!s) {
        snprintf(why, SQL_WHY_SIZE, "memory is short");
        return NULL;
    }
    s->base.calls = &calls;
    /* a plan made while a table was empty is no good for it when it is full; and compiling a
     * question first takes longer than answering it */
    const char *const keys[] = {"connect_timeout", "application_name", "options", "dbname",
                                NULL};
    const char *const values[] = {
        "10", "foretrip-fleet", "-c plan_cache_mode=force_custom_plan -c jit=off", where, NULL};
    s->db = PQconnectdbParams(keys, values, 1); /* what where says overrides */
    if (PQstatus(s->db) == CONNECTION_OK) {
        PQsetNoticeReceiver(s->db, pass_over, NULL);
        return &s->base;
    }
    snprintf(why, SQL_WHY_SIZE, "%s", PQerrorMessage(s->db)); /* has no password in it */
    why[strcspn(why, "\n")] = '\0';
    close_it(&s->base);
    return NULL;
}
