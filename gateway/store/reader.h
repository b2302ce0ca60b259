/*
 * reader - the record read: by another thread, or by another program.
 *
 * A connection of its own, read only. Each call sees one consistent state of the database.
 * Callbacks get borrowed strings and return false to stop; they must not call the reader.
 *
 * Ownership  store_reader_open .. store_reader_close
 * Threads    one thread at a time per reader
 * Errors     as store.h; STORE_ERR_OPEN while the database does not exist yet. A reader follows
 *            when a damaged database is replaced under it.
 */
#ifndef FORETRIP_STORE_READER_H
#define FORETRIP_STORE_READER_H

#include "store.h"

struct store_reader;

/* NULL only when memory is short; the file is opened by the first call that needs it. */
struct store_reader *store_reader_open(const char *path);
void store_reader_close(struct store_reader *r);

/* ---- messages waiting ---- */

struct store_row {
    int64_t id;
    const char *topic;
    const char *payload; /* NULL: none */
    size_t payload_length;
    int qos;
    bool retain;
    int64_t created_wall_ms;
    int64_t expires_wall_ms; /* 0: never */
};
typedef bool store_row_fn(void *context, const struct store_row *row);

/* Messages of the route with an id above after, in order, at most most. */
enum store_err store_read_messages(struct store_reader *r, enum store_route route,
                                   int64_t after, size_t most, store_row_fn *fn, void *context);

/* ---- events, trips, alarms ---- */

struct store_event_row {
    int64_t seq;
    int64_t wall_ms;
    const char *type;
    const char *json; /* without seq */
};
typedef bool store_event_fn(void *context, const struct store_event_row *row);

/* Events with a sequence number above after, in order, at most most. */
enum store_err store_read_events(struct store_reader *r, int64_t after, size_t most,
                                 store_event_fn *fn, void *context);

/* Events whose time lies in from..to (both included), by their time: loads that came and went,
 * trips, alarms. circuit: NULL for all. */
enum store_err store_read_events_between(struct store_reader *r, const char *circuit,
                                         int64_t from_wall_ms, int64_t to_wall_ms,
                                         store_event_fn *fn, void *context);

/* Of these the changes of one circuit's alarms, found without reading the others. */
enum store_err store_read_alarm_events(struct store_reader *r, const char *circuit,
                                       int64_t from_wall_ms, int64_t to_wall_ms,
                                       store_event_fn *fn, void *context);

struct store_trip_row {
    const char *id;
    const char *circuit;
    const char *stage;
    const char *cause;
    double probability;
    int64_t opened_wall_ms;
    int64_t restored_wall_ms; /* 0: not restored */
    double seconds_open;      /* when restored */
    double seconds_held;      /* until it opened again; NaN: it did not */
    int64_t seq;              /* of the last trip event */
    const char *json;         /* that event */
};
typedef bool store_trip_fn(void *context, const struct store_trip_row *row);

/* Newest first; those opened from..to (to 0: no end), at most most. open_only: neither restored
 * nor withdrawn. */
enum store_err store_read_trips(struct store_reader *r, int64_t from_wall_ms,
                                int64_t to_wall_ms, bool open_only, size_t most,
                                store_trip_fn *fn, void *context);

/* The one of that id; no row when there is none. */
enum store_err store_read_trip(struct store_reader *r, const char *id, store_trip_fn *fn,
                               void *context);

struct store_alarm_row {
    const char *id;
    const char *kind;
    const char *priority;
    const char *state;
    int64_t raised_wall_ms;
    int64_t changed_wall_ms;
    const char *by;
    const char *note;
    int64_t seq;      /* of the last alarm event */
    const char *json; /* that event */
};
typedef bool store_alarm_fn(void *context, const struct store_alarm_row *row);

/* By time of the last change, newest first. standing_only: those not normal. */
enum store_err store_read_alarms(struct store_reader *r, bool standing_only, store_alarm_fn *fn,
                                 void *context);

/* ---- service calls ---- */

struct store_call_row {
    const char *id;
    const char *circuit; /* whose breaker it is about */
    const char *trip;    /* "" */
    int64_t begun_wall_ms;
    int64_t ended_wall_ms; /* 0: open */
    int64_t seq;           /* of the last event of it */
    const char *json;      /* call_json.h */
};
typedef bool store_call_fn(void *context, const struct store_call_row *row);

/* Newest first, at most most; circuit NULL: of all. */
enum store_err store_read_calls(struct store_reader *r, const char *circuit, bool open_only,
                                size_t most, store_call_fn *fn, void *context);

/* The one of that id; no row when there is none. */
enum store_err store_read_call(struct store_reader *r, const char *id, store_call_fn *fn,
                               void *context);

/* Its steps in their order, each as JSON. */
typedef bool store_call_step_fn(void *context, const char *json);
enum store_err store_read_call_steps(struct store_reader *r, const char *id,
                                     store_call_step_fn *fn, void *context);

/* ---- who did what ---- */

struct store_audit_row {
    int64_t id;
    struct store_audit said; /* "" where nothing was known */
};
typedef bool store_audit_fn(void *context, const struct store_audit_row *row);

/* Newest first, those with an id below before (0: from the newest), at most most. */
enum store_err store_read_audit(struct store_reader *r, int64_t before, size_t most,
                                store_audit_fn *fn, void *context);

/* ---- state ---- */

/* What store_add_state kept: *bytes is malloc'ed and the caller's, NULL when there is nothing.
 */
enum store_err store_read_state(struct store_reader *r, const char *key, uint8_t **bytes,
                                size_t *length, int64_t *wall_ms);

/* What other programs ask for (wishes.h), by key. value ends with a NUL. */
typedef bool store_wish_fn(void *context, const char *key, const char *value, int64_t wall_ms);
enum store_err store_read_wishes(struct store_reader *r, store_wish_fn *fn, void *context);

/* How far a route has been settled on disk; 0 when never. */
enum store_err store_read_settled(struct store_reader *r, enum store_route route, int64_t *id);

/* ---- readings ---- */

/* value is NaN where there was no reading. */
typedef bool store_reading_fn(void *context, int64_t wall_ms, double value);

/* The readings of one column ("main-07.amps": frame_column_name) from..to, both included, in
 * the order of the clock. A column never stored gives none. */
enum store_err store_read_span(struct store_reader *r, const char *column, int64_t from_wall_ms,
                               int64_t to_wall_ms, store_reading_fn *fn, void *context);

#endif
