/*
 * record - a scratch record for tests: a folder that goes away, a small site, events of every
 * kind.
 */
#ifndef FORETRIP_TEST_RECORD_H
#define FORETRIP_TEST_RECORD_H

#include "store/reader.h"
#include "store/store.h"

struct record {
    char folder[64];
    char path[96];
    struct site site; /* "mill-lane-3": panel cellar; cellar-01 (one pole), cellar-02 (two) */
    struct store *store;
    struct store_reader *reader;
    int64_t mono_ms, wall_ms; /* of the present turn */
};

#define RECORD_WALL_MS 1767225600000 /* 2026-01-01T00:00:00Z */

/* A folder and a site; the store is not open yet. */
void record_init(struct record *r);
void record_finish(struct record *r);

/* An alarm's figures in one line, in English. */
void record_detail(const struct event_alarm *a, char *out, size_t size);

/* With these options (path is filled in); the reader too. Closes what was open. */
enum store_err record_open(struct record *r, struct store_options o);
void record_close(struct record *r);

/* The next second: commits. */
enum store_err record_turn(struct record *r);

/* Adds the event, with a text that names n, at the present turn. */
void record_load(struct record *r, int circuit, int n);
struct event record_trip(const struct record *r, const char *id, int circuit,
                         enum trip_stage stage);
struct event record_outcome(const struct record *r, const char *trip, int circuit,
                            enum event_type type, double seconds);
struct event record_alarm(const struct record *r, const char *id, enum alarm_kind kind,
                          enum alarm_state state);
/* store_add_event with the contract's JSON */
void record_add(struct record *r, const struct event *e);

/* cmocka's set-up and tear-down: *state is a struct record with its log caught. */
int record_set_up(void **state);
int record_tear_down(void **state);

void record_message(struct record *r, const char *topic, const char *payload, bool low_value);

/* What a reader was given: "<type> <json>", "<topic> <payload>". */
struct record_seen {
    int count;
    int64_t ids[64];
    char text[64][400];
    int64_t numbers[64]; /* of a message: when it expires */
};
bool record_see_event(void *context, const struct store_event_row *row);
bool record_see_message(void *context, const struct store_row *row);

/* One number out of the database by SQL, over a connection of its own. */
int64_t record_number(const struct record *r, const char *sql);
/* Does something to it in the same way. */
void record_do(const struct record *r, const char *sql);

/* Lines of the log since the last call, silenced meanwhile; how many contain the text. */
void record_catch_log(void);
int record_logged(const char *text);

#endif
