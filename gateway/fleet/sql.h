/*
 * sql - one database behind one interface: SQLite embedded, or PostgreSQL by libpq.
 *
 * The same statements serve both: $1, $2 .. are the parameters, ON CONFLICT and RETURNING mean
 * the same in both. Where the two differ is in here: how many rows go in at once (COPY, or
 * arrays through unnest, there; a prepared statement again and again here), and how rows are
 * locked.
 *
 * A statement's text has static storage: it is prepared once and found again by its address.
 *
 * Ownership  sql_open .. sql_close; texts of a row are borrowed for the call
 * Threads    one thread at a time per connection
 * Errors     after any but SQL_OK a transaction is rolled back, and sql_why has a sentence
 */
#ifndef FORETRIP_FLEET_SQL_H
#define FORETRIP_FLEET_SQL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SQL_WHY_SIZE 400
#define SQL_MOST_COLUMNS 24

struct sql;

enum sql_err {
    SQL_FINE = 0,
    SQL_ERR_MEMORY,
    SQL_ERR_AWAY,  /* cannot be reached, or the connection broke: later, with a new one */
    SQL_ERR_AGAIN, /* another was in the way (a lock, a deadlock): the same once more */
    SQL_ERR_ROOM,  /* the disk is full */
    SQL_ERR_FAULT, /* the database refuses it for good */
};

enum sql_type { SQL_NULL, SQL_NUMBER, SQL_REAL, SQL_WORDS };

struct sql_value {
    enum sql_type type;
    uint32_t length; /* of words, which are terminated all the same */
    union {
        int64_t number;
        double real;
        const char *words;
    };
};

struct sql_value sql_null(void);
struct sql_value sql_number(int64_t v);
struct sql_value sql_real(double v);       /* NaN becomes NULL */
struct sql_value sql_words(const char *s); /* NULL becomes NULL */
struct sql_value sql_text(const char *s, size_t length);

/* What a row has there, whatever the database made of its type; NULL is 0, NaN, "". */
int64_t sql_as_number(const struct sql_value *v);
double sql_as_real(const struct sql_value *v);
const char *sql_as_words(const struct sql_value *v);

/* where: "postgresql://.." is libpq's, all else the path of an SQLite file, made when it is not
 * there. NULL with a sentence in why. */
struct sql *sql_open(const char *where, char why[SQL_WHY_SIZE]);
void sql_close(struct sql *s); /* accepts NULL */

bool sql_is_postgres(const struct sql *s);

/* A transaction that writes. */
enum sql_err sql_begin(struct sql *s);
enum sql_err sql_commit(struct sql *s);
void sql_rollback(struct sql *s);

/* Statements without parameters, several in one text; of any storage. */
enum sql_err sql_run(struct sql *s, const char *texts);

/* Returns false to stop. Must not use the connection. */
typedef bool sql_row_fn(void *context, const struct sql_value *row);

/* fn may be NULL. changed, which may be NULL: how many rows it changed. */
enum sql_err sql_query(struct sql *s, const char *text, const struct sql_value *params,
                       size_t count, sql_row_fn *fn, void *context, int64_t *changed);

/* Rows in, many at once. */
struct sql_table {
    const char *name;
    const char *conflict; /* "ON CONFLICT .."; "" for none */
    bool new_rows; /* the caller knows that none is there yet: they may go in by COPY. One that
                    * is there after all makes the call SQL_ERR_AGAIN, and the next one heeds
                    * conflict */
    bool whole;    /* the columns are all that the table has, in its order */
    size_t columns;
    struct {
        const char *name;
        enum sql_type type;
    } column[SQL_MOST_COLUMNS];
};
/* cells: row after row. With a conflict clause that updates, no two rows of one call have the
 * same key. */
enum sql_err sql_put(struct sql *s, const struct sql_table *table,
                     const struct sql_value *cells, size_t rows);

/* Rows whose key is one of these, locked until the transaction's end, in the order of
 * order_by: "SELECT what FROM .. WHERE key = one of keys". Without order_by they are not
 * locked, and it may be a DELETE. */
struct sql_find {
    const char *select;   /* "SELECT a, b FROM t WHERE id" */
    const char *order_by; /* NULL: none */
    enum sql_type type;   /* of the key: SQL_NUMBER or SQL_WORDS */
};
enum sql_err sql_find(struct sql *s, const struct sql_find *find, const struct sql_value *keys,
                      size_t count, sql_row_fn *fn, void *context);

/* Why the last call failed. */
const char *sql_why(const struct sql *s);

/* ---- for the two that are behind it ---- */

struct sql_calls {
    void (*close)(struct sql *s);
    enum sql_err (*run)(struct sql *s, const char *texts);
    enum sql_err (*query)(struct sql *s, const char *text, const struct sql_value *params,
                          size_t count, sql_row_fn *fn, void *context, int64_t *changed);
    enum sql_err (*put)(struct sql *s, const struct sql_table *table,
                        const struct sql_value *cells, size_t rows);
    enum sql_err (*find)(struct sql *s, const struct sql_find *find,
                         const struct sql_value *keys, size_t count, sql_row_fn *fn,
                         void *context);
    const char *begin; /* the statement */
    bool postgres;
};

struct sql { /* first member of each one's own */
    const struct sql_calls *calls;
    bool inside; /* a transaction */
    char why[SQL_WHY_SIZE];
};

struct sql *sql_sqlite_open(const char *path, char why[SQL_WHY_SIZE]);
struct sql *sql_postgres_open(const char *where, char why[SQL_WHY_SIZE]);

#endif
