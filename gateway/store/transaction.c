#include "transaction.h"

#include "base/log.h"

static int bind(sqlite3_stmt *st, int at, const struct value *v)
{
    switch (v->type) {
    case VALUE_NULL: return sqlite3_bind_null(st, at);
    case VALUE_INT: return sqlite3_bind_int64(st, at, v->integer);
    case VALUE_REAL: return sqlite3_bind_double(st, at, v->real);
    case VALUE_TEXT: return sqlite3_bind_text(st, at, v->bytes, (int)v->length, SQLITE_STATIC);
    case VALUE_BLOB: return sqlite3_bind_blob64(st, at, v->bytes, v->length, SQLITE_STATIC);
    }
    return SQLITE_MISUSE;
}

static int run(struct database *d, enum statement which, const struct value *values,
               size_t count)
{
    sqlite3_stmt *st = d->statements[which];
    int rc = SQLITE_OK;
    for (size_t i = 0; i < count && rc == SQLITE_OK; i++)
        rc = bind(st, (int)i + 1, &values[i]);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    int end = sqlite3_reset(st); /* repeats the step's error */
    sqlite3_clear_bindings(st);
    return rc == SQLITE_DONE || rc == SQLITE_ROW ? end : rc;
}

static int run_numbers(struct database *d, enum statement which, int64_t a, int64_t b,
                       int count)
{
    const struct value values[] = {value_int(a), value_int(b)};
    return run(d, which, values, (size_t)count);
}

/* What no retry can mend: the entry is counted as lost and the batch goes on without it. */
static bool is_hopeless(int rc)
{
    switch (rc & 0xff) {
    case SQLITE_CONSTRAINT:
    case SQLITE_MISMATCH:
    case SQLITE_TOOBIG:
    case SQLITE_RANGE: return true;
    default: return false;
    }
}

static int write_entries(struct database *d, const struct batch *batch,
                         struct transaction_ends *ends)
{
    for (const struct entry *e = batch->first; e; e = e->next) {
        int rc = run(d, (enum statement)e->kind.statement, e->values, e->count);
        if (is_hopeless(rc)) {
            log_error("store", "a record was refused and is lost: %s", sqlite3_errmsg(d->db));
            ends->refused++;
            continue;
        }
        if (rc != SQLITE_OK)
            return rc;
        if (e->kind.statement == ADD_EVENT)
            ends->newest[STORE_ROUTE_UP] = sqlite3_last_insert_rowid(d->db);
        if (e->kind.statement == ADD_MESSAGE) {
            ends->newest[e->values[0].integer] = sqlite3_last_insert_rowid(d->db);
            ends->outbox_rows++;
        }
    }
    return SQLITE_OK;
}

static int forget_settled(struct database *d, const struct transaction_job *job,
                          struct transaction_ends *ends)
{
    int rc = SQLITE_OK;
    for (int r = 1; r < STORE_ROUTES && rc == SQLITE_OK; r++) {
        if (job->settled[r] <= ends->settled[r])
            continue;
        enum statement which = r == STORE_ROUTE_UP ? PUT_SETTLED : DELETE_SETTLED;
        rc = run_numbers(d, which, r, job->settled[r], 2);
        if (which == DELETE_SETTLED && rc == SQLITE_OK)
            ends->outbox_rows -= sqlite3_changes(d->db);
        ends->settled[r] = job->settled[r];
    }
    return rc;
}

static int delete_finished(struct database *d, const struct transaction_job *job,
                           struct transaction_ends *ends)
{
    int rc = SQLITE_OK;
    for (size_t i = 0; i < job->finished_count && rc == SQLITE_OK; i++) {
        rc = run_numbers(d, DELETE_MESSAGE, job->finished[i], 0, 1);
        if (rc == SQLITE_OK)
            ends->outbox_rows -= sqlite3_changes(d->db);
    }
    return rc;
}

/* the oldest of low value first, then the oldest; a share at a time, so that it is rare */
static int bound_outbox(struct database *d, int64_t most, struct transaction_ends *ends)
{
    int rc = SQLITE_OK;
    for (int low = 1; low >= 0 && rc == SQLITE_OK && ends->outbox_rows > most; low--) {
        rc = run_numbers(d, low ? DROP_LOW : DROP_OLDEST, ends->outbox_rows - most + most / 100,
                         0, 1);
        if (rc == SQLITE_OK) {
            ends->outbox_rows -= sqlite3_changes(d->db);
            ends->dropped += (uint64_t)sqlite3_changes(d->db);
        }
    }
    return rc;
}

static int drop_tellings(struct database *d, const char *trip)
{
    sqlite3_stmt *st = d->statements[DROP_TELLINGS];
    sqlite3_bind_text(st, 1, trip, -1, SQLITE_STATIC);
    sqlite3_step(st);
    int rc = sqlite3_reset(st); /* repeats the step's error */
    sqlite3_clear_bindings(st);
    return rc;
}

/* What is kept for good lies between what goes, more of it every year: it is not looked through
 * again each time, but from where the last one left off, *gone_wall_ms. A clock that was set
 * back may have put some before that. */
static int trim(struct database *d, enum statement what, int64_t before, int64_t *gone_wall_ms)
{
    const int64_t from = before < *gone_wall_ms ? 0 : *gone_wall_ms;
    sqlite3_stmt *st = d->statements[what];
    int64_t newest = from;
    int rows = 0, rc = SQLITE_OK;
    sqlite3_bind_int64(st, 1, from);
    sqlite3_bind_int64(st, 2, before);
    sqlite3_bind_int(st, 3, TRANSACTION_TRIM_ROWS);
    for (; rc == SQLITE_OK && sqlite3_step(st) == SQLITE_ROW; rows++) {
        if (sqlite3_column_int64(st, 0) > newest)
            newest = sqlite3_column_int64(st, 0);
        if (what == TRIM_TRIPS)
            rc = drop_tellings(d, (const char *)sqlite3_column_text(st, 1));
    }
    *gone_wall_ms = rows < TRANSACTION_TRIM_ROWS ? before : newest;
    int end = sqlite3_reset(st); /* repeats the step's error */
    return rc == SQLITE_OK ? end : rc;
}

/* Loads, and falls that were told as trips and turned out to be loads that went off: such a
 * telling names loads and when they ran, and is worth no more than they are. One that is
 * withdrawn later than that goes after the next start. */
static int trim_loads(struct database *d, const struct transaction_job *job,
                      struct transaction_ends *ends)
{
    const int64_t before = job->loads_before_wall_ms;
    if (before <= 0)
        return SQLITE_OK;
    int rc = trim(d, TRIM_LOADS, before, &ends->loads_gone_wall_ms);
    return rc == SQLITE_OK ? trim(d, TRIM_TRIPS, before, &ends->trips_gone_wall_ms) : rc;
}

int transaction_write(struct database *d, const struct transaction_job *job,
                      struct transaction_ends *ends)
{
    int rc = run(d, DO_BEGIN, NULL, 0);
    if (rc == SQLITE_OK && job->room_days > 0)
        rc = keeper_make_room(d->keeper, job->room_days, &ends->kept);
    if (rc == SQLITE_OK)
        rc = write_entries(d, job->batch, ends);
    if (rc == SQLITE_OK)
        rc = forget_settled(d, job, ends);
    if (rc == SQLITE_OK)
        rc = delete_finished(d, job, ends);
    if (rc == SQLITE_OK)
        rc = bound_outbox(d, job->outbox_most, ends);
    if (rc == SQLITE_OK)
        rc = trim_loads(d, job, ends);
    if (rc == SQLITE_OK)
        rc = run(d, DO_COMMIT, NULL, 0);
    return rc;
}

int transaction_keep(struct database *d, const struct keeper_job *job, struct keeper_done *done)
{
    int rc = run(d, DO_BEGIN, NULL, 0);
    if (rc == SQLITE_OK)
        rc = keeper_work(d->keeper, job, done);
    if (rc == SQLITE_OK)
        rc = run(d, DO_COMMIT, NULL, 0);
    return rc;
}

bool transaction_undo(struct database *d)
{
    return sqlite3_get_autocommit(d->db) || run(d, DO_ROLLBACK, NULL, 0) == SQLITE_OK;
}
