/*
 * store - the record on disk: events, trips, alarms, readings, the engine's state, the outbox.
 *
 * One SQLite database (WAL, STRICT tables, synchronous FULL) and one writer. What a turn has to
 * say is collected in memory by the store_add_* calls and written by store_commit in one
 * transaction. A write that fails (full or read-only disk, a lock, a damaged file) loses
 * nothing: the batch stays in memory, is tried again at the next commit, and the error is
 * returned each time; it is logged once when it begins and once when it is over. Only when the
 * batch outgrows its bound is anything dropped: readings first, then loads coming and going;
 * trips and alarms last. All of it is counted.
 *
 * An event and the messages that announce it are in the same transaction, and a message is seen
 * by a reader only when it is committed: on disk before it is announced.
 *
 * Every event has a sequence number that is never used again, not even by the database that
 * replaces a damaged one: a new database begins at the wall clock's milliseconds of its
 * creation.
 *
 * Ownership  store_open .. store_close; what is passed in is borrowed for the call and copied
 * Threads    one thread owns a store; store_settle, store_finish and store_newest may be called
 * from any. Other threads read through their own store_reader (reader.h) Cost
 * docs/method/store.md
 */
#ifndef FORETRIP_STORE_H
#define FORETRIP_STORE_H

#include "model/event.h"
#include "model/frame.h"
#include "model/retention.h"

struct store;

enum store_err {
    STORE_OK = 0,
    STORE_ERR_MEMORY,
    STORE_ERR_OPEN,      /* no such folder, no permission */
    STORE_ERR_FULL,      /* the disk or the allowed size is full */
    STORE_ERR_READ_ONLY, /* file or file system cannot be written */
    STORE_ERR_IO,        /* the disk answered with an error */
    STORE_ERR_BUSY,      /* another program holds the lock */
    STORE_ERR_DAMAGED,   /* not, or no longer, a database that can be trusted */
    STORE_ERR_NEWER,     /* written by a later version of foretrip */
};

struct store_options {
    const char *path;
    double readings_days;    /* older readings at full rate go, in small steps; 0 keeps all */
    double summaries_days;   /* older summaries; 0 keeps all */
    double loads_days;       /* older load_on and load_off events, and withdrawn
                                trips; 0 keeps all */
    int64_t outbox_most;     /* messages waiting at the most, a route; 0: 200000 */
    size_t batch_most_bytes; /* in memory while the disk cannot be written; 0: 16 MiB */
    int64_t pages_most;      /* of 4 KiB, the size of the database; 0: no bound */
    int64_t history_pages;   /* above so many the oldest readings go; 0: no bound */
    int64_t floor_bytes;     /* free on the disk: below it too; 0: no bound */
    bool reserve;            /* hold room for the day on which the disk is full (reserve.h) */
};

/* First of all in a main that runs for long, before there is any record: the pages that all
 * connections of the process hold then lie in one piece that is taken here, and whoever needs
 * one when all are in use gets that which was not needed for the longest time. Otherwise each
 * takes its own over the first hours, page by page between what else is allocated. */
void store_begin(void);

/* Opens or creates. NULL only when memory is short; otherwise *err (may be NULL) says how it
 * went, and a store that could not be opened collects, and tries again, at most every 5 s, in
 * store_commit. A damaged file is renamed to "<path>.damaged-<UTC>", one that alone in its
 * folder may not be written to "<path>.read-only-<UTC>"; that is said, and a new one begun.
 * wall_ms is now; 0 (for replays) lets the sequence begin at 1. */
struct store *store_open(const struct store_options *o, int64_t wall_ms, enum store_err *err);

/* What is kept from now on, instead of what the options said. */
void store_set_retention(struct store *s, const struct retention *r);

/* Commits what waits, readings too. Accepts NULL. Readers must be closed before. */
void store_close(struct store *s);

/* ---- a turn: collected now, written by the commit ---- */

/* The event, and with it the latest state of its trip or alarm. json as event_to_json_text. */
void store_add_event(struct store *s, const struct site *site, const struct event *e,
                     const char *json);

/* The trip is over for whoever is told: neither open nor to be acknowledged. */
void store_release_trip(struct store *s, const char *id);

enum store_route {
    STORE_ROUTE_MQTT = 1,
    STORE_ROUTE_UP = 2,
    STORE_ROUTE_LETTER = 3, /* to people; topic: "mail/<person>" or "webhook/<person>" */
};
#define STORE_ROUTES 4 /* one past the last */

/* A message for the outbox. */
struct store_message {
    enum store_route route;
    const char *topic;
    const char *payload; /* NULL: none, a retained topic is cleared */
    int qos;             /* 0..2 */
    bool retain;
    bool with_seq;  /* payload is an object; "seq" of the event added before goes into it. Such
                     * messages come right after the event */
    bool low_value; /* dropped before others when the outbox is full */
    int64_t expires_wall_ms; /* 0: never */
};
void store_add_message(struct store *s, const struct store_message *m);

/* Replaces what was kept under that key. */
void store_add_state(struct store *s, const char *key, const void *bytes, size_t length,
                     int64_t wall_ms);

/* Who did what, when: what people asked for, and logins. The newest STORE_AUDIT_MOST are kept.
 * "" or NULL: not known, or none. */
#define STORE_AUDIT_MOST 20000
struct store_audit {
    int64_t wall_ms;
    const char *who;     /* name, and for a person the id: "Ada Lind (ada)" */
    const char *role;    /* word */
    const char *way;     /* "page 192.0.2.7", "mqtt", "gateway" */
    const char *act;     /* word: "login", "acknowledge" */
    const char *subject; /* id of what it was about */
    const char *result;  /* "": done; else why not */
};
void store_add_audit(struct store *s, const struct store_audit *a);

/* The site as the frames that follow describe it; again after every reload. Borrowed until
 * then. */
void store_set_site(struct store *s, const struct site *site);

/* A frame's readings, rounded to 0.001 A, 0.1 W, 0.01 V, 0.001 of power factor; NaN stays no
 * reading. They reach the disk within STORE_READINGS_MS. */
#define STORE_READINGS_MS 10000
void store_add_readings(struct store *s, const struct frame *f);

/* Ends the turn: writes when there is something to write. Cheap when there is not. */
enum store_err store_commit(struct store *s, int64_t mono_ms, int64_t wall_ms);

/* Messages of the route and of more than low value that wait in memory although commits have
 * failed for STORE_GRACE_MS: a card that dies must not make the gateway mute. Each is handed on
 * once, and stays in the batch. payload is NULL for a retained topic to be cleared. */
#define STORE_GRACE_MS 5000
typedef void store_unwritten_fn(void *context, const char *topic, const char *payload,
                                bool retain);
void store_take_unwritten(struct store *s, enum store_route route, int64_t mono_ms,
                          store_unwritten_fn *fn, void *context);

/* ---- the outbox, from the side of delivery ---- */

/* Every message of the route up to and including this one is delivered (for STORE_ROUTE_UP:
 * every event up to this sequence number). Any thread. The rows go with a later commit. */
void store_settle(struct store *s, enum store_route route, int64_t id);

/* This one message of STORE_ROUTE_LETTER is done with. Any thread. The row goes with the next
 * commit. */
void store_finish(struct store *s, int64_t id);

/* The newest message, or for STORE_ROUTE_UP the newest event, on disk. Any thread. */
int64_t store_newest(struct store *s, enum store_route route);

/* Called by the owner's thread after a commit with new events or messages; NULL for none. */
typedef void store_watch(void *context);
void store_set_watch(struct store *s, store_watch *watch, void *context);

/* ---- how it goes ---- */

struct store_status {
    enum store_err err; /* of the last write */
    const char
        *why; /* a sentence; "" when all is well; valid until the next call into the store */
    size_t waiting_records;
    size_t waiting_bytes;
    uint64_t lost_readings;    /* frames */
    uint64_t lost_records;     /* events, messages, states */
    uint64_t dropped_messages; /* from a full outbox */
    uint64_t set_aside;        /* damaged or read-only databases since the start */
    uint64_t dropped_days;     /* of readings, before their age, to make room */
    bool short_of_room;        /* the disk is full, or below the floor */
    int64_t outbox_rows;
};
void store_get_status(const struct store *s, struct store_status *out);

const char *store_strerror(enum store_err err);

#endif
