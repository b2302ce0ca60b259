#include "reader.h"

#include "database.h"
#include "reader_parts.h"
#include "store_directory.h"
#include "wishes.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum question {
    ASK_MESSAGES,
    ASK_EVENTS,
    ASK_BETWEEN,
    ASK_ALARM_EVENTS,
    ASK_TRIPS,
    ASK_TRIP,
    ASK_ALARMS,
    ASK_CALLS,
    ASK_CALL,
    ASK_CALL_STEPS,
    ASK_AUDIT,
    ASK_STATE,
    ASK_WISHES,
    ASK_SETTLED,
    ASK_PLACES,
    ASK_PURPOSES,
    ASK_DIRECTORY_CHANGES,
    QUESTIONS
};

#define TRIP_COLUMNS                                                                           \
    "id, circuit, stage, cause, probability, opened_ms, restored_ms, seconds_open,"            \
    " seconds_held, seq, json"

#define CALL_COLUMNS "id, circuit, trip, begun_ms, ended_ms, seq, json"

static const char *const sql_of[QUESTIONS] = {
    [ASK_MESSAGES] =
        "SELECT id, topic, payload, qos, retain, created_ms, expires_ms FROM outbox"
        " WHERE id > ?2 AND route = ?1 ORDER BY id LIMIT ?3",
    [ASK_EVENTS] =
        "SELECT seq, wall_ms, type, json FROM events WHERE seq > ?1 ORDER BY seq LIMIT ?2",
    [ASK_BETWEEN] =
        "SELECT seq, wall_ms, type, json FROM events WHERE wall_ms >= ?1 AND wall_ms <= ?2"
        " AND (?3 IS NULL OR circuit = ?3) ORDER BY wall_ms, seq",
    /* an alarm of a circuit is called "<circuit>.<kind>"; / comes after the full stop */
    [ASK_ALARM_EVENTS] =
        "SELECT seq, wall_ms, type, json FROM events WHERE subject >= ?3 || '.'"
        " AND subject < ?3 || '/' AND wall_ms >= ?1 AND wall_ms <= ?2"
        " ORDER BY wall_ms, seq",
    [ASK_TRIPS] = "SELECT " TRIP_COLUMNS " FROM trips"
                  " WHERE opened_ms >= ?1 AND opened_ms <= ?2 AND (NOT ?3 OR held = 1)"
                  " ORDER BY opened_ms DESC, id LIMIT ?4",
    [ASK_TRIP] = "SELECT " TRIP_COLUMNS " FROM trips WHERE id = ?1",
    [ASK_ALARMS] =
        "SELECT id, kind, priority, state, raised_ms, changed_ms, changed_by, note, seq,"
        " json FROM alarms WHERE NOT ?1 OR state <> 'normal'"
        " ORDER BY changed_ms DESC, id",
    [ASK_CALLS] = "SELECT " CALL_COLUMNS " FROM calls WHERE (?2 = 0 OR ended_ms IS NULL)"
                  " AND (?3 IS NULL OR circuit = ?3) ORDER BY begun_ms DESC, id LIMIT ?1",
    [ASK_CALL] = "SELECT " CALL_COLUMNS " FROM calls WHERE id = ?1",
    [ASK_CALL_STEPS] = "SELECT json FROM call_steps WHERE call = ?1 ORDER BY step",
    [ASK_AUDIT] = "SELECT id, wall_ms, who, role, way, act, subject, result FROM audit"
                  " WHERE id < ?1 ORDER BY id DESC LIMIT ?2",
    [ASK_STATE] = "SELECT bytes, wall_ms FROM state WHERE key = ?1",
    [ASK_WISHES] = "SELECT key, CAST(bytes AS TEXT), wall_ms FROM state"
                   " WHERE key >= '" WISH "' AND key < 'wish;' ORDER BY key", /* ; is : + 1 */
    [ASK_SETTLED] = "SELECT id FROM settled WHERE route = ?1",
    [ASK_PLACES] = "SELECT name, part, kind, circuit, panel, traced, probability, amps,"
                   " changed_ms, changed_by FROM places ORDER BY name, part, traced DESC, id",
    [ASK_PURPOSES] = "SELECT panel, position, words, changed_ms, changed_by FROM purposes"
                     " ORDER BY panel, position",
    [ASK_DIRECTORY_CHANGES] =
        "SELECT id, wall_ms, who, panel, position, what, subject, before, after"
        " FROM directory_changes WHERE id < ?1 ORDER BY id DESC LIMIT ?2",
};

struct store_reader {
    char *path;
    sqlite3 *db;
    dev_t device; /* of the file that is open */
    ino_t inode;
    sqlite3_stmt *statements[QUESTIONS];
    struct shelf shelf; /* .db NULL: not needed yet */
};

struct store_reader *store_reader_open(const char *path)
{
    struct store_reader *r = calloc(1, sizeof *r);
    if (r && !(r->path = strdup(path))) {
        free(r);
        return NULL;
    }
    return r;
}

static void disconnect(struct store_reader *r)
{
    for (int i = 0; i < QUESTIONS; i++) {
        sqlite3_finalize(r->statements[i]);
        r->statements[i] = NULL;
    }
    shelf_finish(&r->shelf);
    sqlite3_close(r->db);
    r->db = NULL;
}

void store_reader_close(struct store_reader *r)
{
    if (!r)
        return;
    disconnect(r);
    free(r->path);
    free(r);
}

/* opens the file, or the one that has taken its place since */
static enum store_err connect(struct store_reader *r)
{
    struct stat st;
    if (stat(r->path, &st) != 0) {
        disconnect(r);
        return STORE_ERR_OPEN;
    }
    if (r->db && st.st_dev == r->device && st.st_ino == r->inode)
        return STORE_OK;
    disconnect(r);
    int rc = database_open_reading(r->path, &r->db);
    if (rc != SQLITE_OK)
        disconnect(r);
    r->device = st.st_dev;
    r->inode = st.st_ino;
    return database_err(rc);
}

/* *st ready to bind; prepared when it is first asked for, so that a database of another version
 * fails only where it differs */
static enum store_err ask(struct store_reader *r, enum question q, sqlite3_stmt **st)
{
    enum store_err err = connect(r);
    if (err)
        return err;
    if (!r->statements[q]) {
        int rc = sqlite3_prepare_v3(r->db, sql_of[q], -1, SQLITE_PREPARE_PERSISTENT,
                                    &r->statements[q], NULL);
        if (rc != SQLITE_OK)
            return database_err(rc);
    }
    *st = r->statements[q];
    return STORE_OK;
}

/* ends the reading, and with it the snapshot that would keep the log from shrinking */
static enum store_err done(sqlite3_stmt *st, int rc)
{
    int end = sqlite3_reset(st);
    sqlite3_clear_bindings(st);
    if (rc == SQLITE_ROW || rc == SQLITE_DONE || rc == SQLITE_OK)
        rc = end;
    return database_err(rc);
}

static const char *text(sqlite3_stmt *st, int column)
{
    const char *s = (const char *)sqlite3_column_text(st, column);
    return s ? s : "";
}

static int bind_numbers(sqlite3_stmt *st, const int64_t *numbers, int count)
{
    int rc = SQLITE_OK;
    for (int i = 0; i < count && rc == SQLITE_OK; i++)
        rc = sqlite3_bind_int64(st, i + 1, numbers[i]);
    return rc;
}

#define BIND(st, ...)                                                                          \
    bind_numbers((st), (const int64_t[]){__VA_ARGS__},                                         \
                 (int)(sizeof((const int64_t[]){__VA_ARGS__}) / sizeof(int64_t)))

enum store_err store_read_messages(struct store_reader *r, enum store_route route,
                                   int64_t after, size_t most, store_row_fn *fn, void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_MESSAGES, &st);
    if (err)
        return err;
    int rc = BIND(st, route, after, (int64_t)most);
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        bool has_payload = sqlite3_column_type(st, 2) != SQLITE_NULL;
        struct store_row row = {
            .id = sqlite3_column_int64(st, 0),
            .topic = text(st, 1),
            .payload = has_payload ? text(st, 2) : NULL,
            .payload_length = has_payload ? (size_t)sqlite3_column_bytes(st, 2) : 0,
            .qos = sqlite3_column_int(st, 3),
            .retain = sqlite3_column_int(st, 4) != 0,
            .created_wall_ms = sqlite3_column_int64(st, 5),
            .expires_wall_ms = sqlite3_column_int64(st, 6),
        };
        if (!fn(context, &row))
            break;
        rc = SQLITE_OK;
    }
    return done(st, rc);
}

static int give_events(sqlite3_stmt *st, int rc, store_event_fn *fn, void *context)
{
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        struct store_event_row row = {
            .seq = sqlite3_column_int64(st, 0),
            .wall_ms = sqlite3_column_int64(st, 1),
            .type = text(st, 2),
            .json = text(st, 3),
        };
        if (!fn(context, &row))
            break;
        rc = SQLITE_OK;
    }
    return rc;
}

enum store_err store_read_events(struct store_reader *r, int64_t after, size_t most,
                                 store_event_fn *fn, void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_EVENTS, &st);
    if (err)
        return err;
    return done(st, give_events(st, BIND(st, after, (int64_t)most), fn, context));
}

static enum store_err read_of_circuit(struct store_reader *r, enum question question,
                                      const char *circuit, int64_t from_wall_ms,
                                      int64_t to_wall_ms, store_event_fn *fn, void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, question, &st);
    if (err)
        return err;
    int rc = BIND(st, from_wall_ms, to_wall_ms);
    if (rc == SQLITE_OK && circuit)
        rc = sqlite3_bind_text(st, 3, circuit, -1, SQLITE_STATIC);
    return done(st, give_events(st, rc, fn, context));
}

enum store_err store_read_events_between(struct store_reader *r, const char *circuit,
                                         int64_t from_wall_ms, int64_t to_wall_ms,
                                         store_event_fn *fn, void *context)
{
    return read_of_circuit(r, ASK_BETWEEN, circuit, from_wall_ms, to_wall_ms, fn, context);
}

enum store_err store_read_alarm_events(struct store_reader *r, const char *circuit,
                                       int64_t from_wall_ms, int64_t to_wall_ms,
                                       store_event_fn *fn, void *context)
{
    return read_of_circuit(r, ASK_ALARM_EVENTS, circuit, from_wall_ms, to_wall_ms, fn, context);
}

/* row after row to whoever asked */
static int give_trips(sqlite3_stmt *st, int rc, store_trip_fn *fn, void *context)
{
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        struct store_trip_row row = {
            .id = text(st, 0),
            .circuit = text(st, 1),
            .stage = text(st, 2),
            .cause = text(st, 3),
            .probability = sqlite3_column_double(st, 4),
            .opened_wall_ms = sqlite3_column_int64(st, 5),
            .restored_wall_ms = sqlite3_column_int64(st, 6),
            .seconds_open = sqlite3_column_double(st, 7),
            .seconds_held = sqlite3_column_type(st, 8) == SQLITE_NULL
                                ? (double)NAN
                                : sqlite3_column_double(st, 8),
            .seq = sqlite3_column_int64(st, 9),
            .json = text(st, 10),
        };
        if (!fn(context, &row))
            break;
        rc = SQLITE_OK;
    }
    return rc;
}

enum store_err store_read_trips(struct store_reader *r, int64_t from_wall_ms,
                                int64_t to_wall_ms, bool held_only, size_t most,
                                store_trip_fn *fn, void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_TRIPS, &st);
    if (err)
        return err;
    int rc = BIND(st, from_wall_ms, to_wall_ms > 0 ? to_wall_ms : INT64_MAX, held_only,
                  (int64_t)most);
    return done(st, give_trips(st, rc, fn, context));
}

enum store_err store_read_trip(struct store_reader *r, const char *id, store_trip_fn *fn,
                               void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_TRIP, &st);
    if (err)
        return err;
    int rc = sqlite3_bind_text(st, 1, id, -1, SQLITE_STATIC);
    return done(st, give_trips(st, rc, fn, context));
}

enum store_err store_read_alarms(struct store_reader *r, bool standing_only, store_alarm_fn *fn,
                                 void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_ALARMS, &st);
    if (err)
        return err;
    int rc = BIND(st, standing_only);
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        struct store_alarm_row row = {
            .id = text(st, 0),
            .kind = text(st, 1),
            .priority = text(st, 2),
            .state = text(st, 3),
            .raised_wall_ms = sqlite3_column_int64(st, 4),
            .changed_wall_ms = sqlite3_column_int64(st, 5),
            .by = text(st, 6),
            .note = text(st, 7),
            .seq = sqlite3_column_int64(st, 8),
            .json = text(st, 9),
        };
        if (!fn(context, &row))
            break;
        rc = SQLITE_OK;
    }
    return done(st, rc);
}

static int give_calls(sqlite3_stmt *st, int rc, store_call_fn *fn, void *context)
{
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        struct store_call_row row = {
            .id = text(st, 0),
            .circuit = text(st, 1),
            .trip = text(st, 2),
            .begun_wall_ms = sqlite3_column_int64(st, 3),
            .ended_wall_ms = sqlite3_column_int64(st, 4),
            .seq = sqlite3_column_int64(st, 5),
            .json = text(st, 6),
        };
        if (!fn(context, &row))
            break;
        rc = SQLITE_OK;
    }
    return rc;
}

enum store_err store_read_calls(struct store_reader *r, const char *circuit, bool open_only,
                                size_t most, store_call_fn *fn, void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_CALLS, &st);
    if (err)
        return err;
    int rc = BIND(st, (int64_t)most, open_only);
    if (rc == SQLITE_OK && circuit)
        rc = sqlite3_bind_text(st, 3, circuit, -1, SQLITE_STATIC);
    return done(st, give_calls(st, rc, fn, context));
}

enum store_err store_read_call(struct store_reader *r, const char *id, store_call_fn *fn,
                               void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_CALL, &st);
    if (err)
        return err;
    int rc = sqlite3_bind_text(st, 1, id, -1, SQLITE_STATIC);
    return done(st, give_calls(st, rc, fn, context));
}

enum store_err store_read_call_steps(struct store_reader *r, const char *id,
                                     store_call_step_fn *fn, void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_CALL_STEPS, &st);
    if (err)
        return err;
    int rc = sqlite3_bind_text(st, 1, id, -1, SQLITE_STATIC);
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW)
        if (fn(context, text(st, 0)))
            rc = SQLITE_OK;
    return done(st, rc);
}

enum store_err store_read_audit(struct store_reader *r, int64_t before, size_t most,
                                store_audit_fn *fn, void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_AUDIT, &st);
    if (err)
        return err;
    int rc = BIND(st, before > 0 ? before : INT64_MAX, (int64_t)most);
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        struct store_audit_row row = {
            .id = sqlite3_column_int64(st, 0),
            .said = {.wall_ms = sqlite3_column_int64(st, 1),
                     .who = text(st, 2),
                     .role = text(st, 3),
                     .way = text(st, 4),
                     .act = text(st, 5),
                     .subject = text(st, 6),
                     .result = text(st, 7)},
        };
        if (!fn(context, &row))
            break;
        rc = SQLITE_OK;
    }
    return done(st, rc);
}

static double real(sqlite3_stmt *st, int column)
{
    return sqlite3_column_type(st, column) == SQLITE_NULL ? (double)NAN
                                                          : sqlite3_column_double(st, column);
}

static int read_places(sqlite3_stmt *st, struct directory_record *out)
{
    int rc;
    while ((rc = sqlite3_step(st)) == SQLITE_ROW) {
        struct directory_place *p = directory_add_place(out);
        if (!p)
            return SQLITE_NOMEM;
        text_copy(p->name, sizeof p->name, text(st, 0));
        text_copy(p->part, sizeof p->part, text(st, 1));
        text_copy(p->kind, sizeof p->kind, text(st, 2));
        text_copy(p->circuit, sizeof p->circuit, text(st, 3));
        text_copy(p->panel, sizeof p->panel, text(st, 4));
        p->traced = sqlite3_column_int(st, 5) != 0;
        p->probability = real(st, 6);
        p->amps = real(st, 7);
        p->wall_ms = sqlite3_column_int64(st, 8);
        text_copy(p->by, sizeof p->by, text(st, 9));
    }
    return rc;
}

static int read_purposes(sqlite3_stmt *st, struct directory_record *out)
{
    int rc;
    while ((rc = sqlite3_step(st)) == SQLITE_ROW) {
        struct directory_purpose *p = directory_add_purpose(out);
        if (!p)
            return SQLITE_NOMEM;
        text_copy(p->panel, sizeof p->panel, text(st, 0));
        text_copy(p->position, sizeof p->position, text(st, 1));
        text_copy(p->words, sizeof p->words, text(st, 2));
        p->wall_ms = sqlite3_column_int64(st, 3);
        text_copy(p->by, sizeof p->by, text(st, 4));
    }
    return rc;
}

enum store_err store_read_directory(struct store_reader *r, struct directory_record *out)
{
    sqlite3_stmt *st = NULL;
    *out = (struct directory_record){0};
    enum store_err err = ask(r, ASK_PLACES, &st);
    if (!err)
        err = done(st, read_places(st, out));
    if (!err)
        err = ask(r, ASK_PURPOSES, &st);
    if (!err)
        err = done(st, read_purposes(st, out));
    if (err)
        directory_record_free(out);
    return err;
}

enum store_err store_read_directory_changes(struct store_reader *r, int64_t before, size_t most,
                                            store_directory_change_fn *fn, void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_DIRECTORY_CHANGES, &st);
    if (err)
        return err;
    int rc = BIND(st, before > 0 ? before : INT64_MAX, (int64_t)most);
    while (rc == SQLITE_OK && (rc = sqlite3_step(st)) == SQLITE_ROW) {
        const struct store_directory_change c = {
            .id = sqlite3_column_int64(st, 0),
            .wall_ms = sqlite3_column_int64(st, 1),
            .who = text(st, 2),
            .panel = text(st, 3),
            .position = text(st, 4),
            .what = text(st, 5),
            .subject = text(st, 6),
            .before = text(st, 7),
            .after = text(st, 8),
        };
        if (!fn(context, &c))
            break;
        rc = SQLITE_OK;
    }
    return done(st, rc);
}

enum store_err store_read_state(struct store_reader *r, const char *key, uint8_t **bytes,
                                size_t *length, int64_t *wall_ms)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_STATE, &st);
    if (err)
        return err;
    *bytes = NULL;
    *length = 0;
    *wall_ms = 0;
    int rc = sqlite3_bind_text(st, 1, key, -1, SQLITE_STATIC);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    if (rc == SQLITE_ROW) {
        size_t n = (size_t)sqlite3_column_bytes(st, 0);
        const void *from = sqlite3_column_blob(st, 0);
        uint8_t *copy = malloc(n ? n : 1);
        if (copy) {
            if (n > 0)
                memcpy(copy, from, n);
            *bytes = copy;
            *length = n;
            *wall_ms = sqlite3_column_int64(st, 1);
        } else {
            rc = SQLITE_NOMEM;
        }
    }
    return done(st, rc);
}

enum store_err store_read_wishes(struct store_reader *r, store_wish_fn *fn, void *context)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_WISHES, &st);
    if (err)
        return err;
    int rc;
    while ((rc = sqlite3_step(st)) == SQLITE_ROW)
        if (!fn(context, text(st, 0), text(st, 1), sqlite3_column_int64(st, 2)))
            break;
    return done(st, rc);
}

enum store_err store_read_settled(struct store_reader *r, enum store_route route, int64_t *id)
{
    sqlite3_stmt *st = NULL;
    enum store_err err = ask(r, ASK_SETTLED, &st);
    if (err)
        return err;
    int rc = BIND(st, route);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(st);
    *id = rc == SQLITE_ROW ? sqlite3_column_int64(st, 0) : 0;
    return done(st, rc);
}

/* ---- for the other files that read ---- */

enum store_err reader_enter(struct store_reader *r, struct shelf **shelf)
{
    enum store_err err = connect(r);
    if (err)
        return err;
    if (!r->shelf.db && !shelf_init(&r->shelf, r->db))
        return STORE_ERR_MEMORY;
    int rc = sqlite3_exec(r->db, "BEGIN", NULL, NULL, NULL);
    *shelf = &r->shelf;
    return database_err(rc);
}

enum store_err reader_leave(struct store_reader *r, int rc)
{
    int end = sqlite3_exec(r->db, "COMMIT", NULL, NULL, NULL);
    pack_rest(r->shelf.packer); /* a day's readings and what expands them: some 800 KiB */
    if (rc == SHELF_DAMAGED)
        return STORE_ERR_DAMAGED;
    return database_err(rc == SQLITE_OK || rc == SQLITE_ROW || rc == SQLITE_DONE ? end : rc);
}
