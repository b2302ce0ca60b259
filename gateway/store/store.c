#include "store.h"

#include "batch.h"
#include "block.h"
#include "database.h"
#include "transaction.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"

#include <errno.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>

#define RETRY_MS 1000                      /* between tries while the disk refuses */
#define RETRY_OPEN_MS 5000                 /* while there is no database to write to */
#define SEAL_MS (STORE_READINGS_MS - 1000) /* leaves a second for the commit itself */
#define SETTLE_MS 30000 /* delivered rows go with other writes, alone only after this time */
#define DAY_MS 86400000.0
#define PAGES_A_MB 256.0

struct store {
    struct store_options options;
    char *path;
    struct database database; /* .db NULL: not open */
    int64_t first_seq;

    struct batch batch;
    struct block *block;
    struct text columns; /* of the present layout, joined by newlines */
    const struct site *site;

    enum store_err err;
    char why[DATABASE_WHY_SIZE];
    int64_t retry_mono_ms;
    int64_t failed_mono_ms; /* when err began; 0: no commit has met it yet */
    int64_t wall_ms;        /* of the turn */

    _Atomic int64_t settled[STORE_ROUTES];
    _Atomic int64_t newest[STORE_ROUTES];
    int64_t forgotten[STORE_ROUTES]; /* settled and deleted up to here */
    int64_t settle_mono_ms;

    store_watch *watch;
    void *watch_context;

    int64_t outbox_rows;
    bool outbox_said;
    bool short_of_room;
    int room_tries; /* since the last write that went well */
    enum store_err keep_err;
    int64_t dropped_day;
    struct store_status counted;
};

static void take_readings(struct store *s);

/* ---- opening ---- */

static enum store_err read_ends(struct store *s)
{
    int64_t seq = 0, message = 0;
    enum store_err err = database_number(
        &s->database, "SELECT seq FROM sqlite_sequence WHERE name = 'events'", 0, &seq);
    if (!err)
        err = database_number(
            &s->database, "SELECT seq FROM sqlite_sequence WHERE name = 'outbox'", 0, &message);
    if (!err)
        err = database_number(&s->database, "SELECT count(*) FROM outbox", 0, &s->outbox_rows);
    if (err)
        return err;
    atomic_store(&s->newest[STORE_ROUTE_UP], seq);
    atomic_store(&s->newest[STORE_ROUTE_MQTT], message);
    return STORE_OK;
}

static enum store_err open_database(struct store *s)
{
    enum store_err err =
        database_open(&s->database, s->path, s->first_seq, s->options.pages_most, s->why);
    if (!err && (err = read_ends(s)) != STORE_OK) {
        snprintf(s->why, sizeof s->why, "%s: reading the record's ends: %s", s->path,
                 store_strerror(err));
        database_close(&s->database);
    }
    return err;
}

/* renames what is there and begins a new one */
static enum store_err replace_damaged(struct store *s)
{
    char name[4096];
    database_close(&s->database);
    log_error("store", "%s", s->why);
    if (!database_set_aside(s->path, s->wall_ms, name, sizeof name)) {
        snprintf(s->why, sizeof s->why, "%s: the damaged record cannot be set aside: %s",
                 s->path, strerror(errno));
        return STORE_ERR_READ_ONLY;
    }
    s->counted.set_aside++;
    log_error("store", "the damaged record is kept as %s; a new one begins", name);
    /* the clock may have gone back: the numbers do not */
    s->first_seq = s->wall_ms > s->first_seq ? s->wall_ms : s->first_seq;
    for (int r = 1; r < STORE_ROUTES; r++) {
        int64_t newest = atomic_load(&s->newest[r]);
        s->first_seq = s->first_seq > newest ? s->first_seq : newest + 1;
    }
    return open_database(s);
}

static enum store_err ensure_open(struct store *s)
{
    if (s->database.db)
        return STORE_OK;
    enum store_err err = open_database(s);
    return err == STORE_ERR_DAMAGED ? replace_damaged(s) : err;
}

static void note(struct store *s, enum store_err err)
{
    if (err != s->err && err)
        log_error("store", "%s; what comes is kept in memory and written when it can be",
                  s->why);
    if (s->err && !err)
        log_info("store",
                 "writing again; lost meanwhile: %llu frames of readings, %llu records",
                 (unsigned long long)s->counted.lost_readings,
                 (unsigned long long)s->counted.lost_records);
    if (!err)
        s->why[0] = '\0';
    s->err = err;
}

struct store *store_open(const struct store_options *o, int64_t wall_ms, enum store_err *err)
{
    struct store *s = calloc(1, sizeof *s);
    char *path = strdup(o->path);
    if (!s || !path) {
        free(s);
        free(path);
        if (err)
            *err = STORE_ERR_MEMORY;
        return NULL;
    }
    s->options = *o;
    s->options.path = s->path = path;
    if (s->options.outbox_most <= 0)
        s->options.outbox_most = 200000;
    if (s->options.batch_most_bytes == 0)
        s->options.batch_most_bytes = 16 * 1024 * 1024;
    s->wall_ms = wall_ms;
    s->first_seq = wall_ms > 0 ? wall_ms : 1;
    note(s, ensure_open(s));
    if (err)
        *err = s->err;
    return s;
}

void store_set_retention(struct store *s, const struct retention *r)
{
    s->options.readings_days = r->readings_days;
    s->options.summaries_days = r->summaries_days;
    s->options.loads_days = r->loads_days;
    s->options.history_pages = (int64_t)(r->size_mb * PAGES_A_MB);
    s->options.floor_bytes = (int64_t)(r->free_mb * 1048576.0);
}

void store_close(struct store *s)
{
    if (!s)
        return;
    s->retry_mono_ms = INT64_MIN;
    take_readings(s);
    if (store_commit(s, INT64_MAX / 2, s->wall_ms) != STORE_OK && s->batch.count > 0)
        log_error("store", "%zu records could not be written and are lost: %s", s->batch.count,
                  s->why);
    database_close(&s->database);
    batch_clear(&s->batch);
    block_destroy(s->block);
    text_free(&s->columns);
    free(s->path);
    free(s);
}

/* ---- collecting ---- */

#define VALUES(...)                                                                            \
    (const struct value[]){__VA_ARGS__},                                                       \
        sizeof((const struct value[]){__VA_ARGS__}) / sizeof(struct value)

static void add(struct store *s, struct entry_kind kind, const struct value *values,
                size_t count)
{
    if (!batch_add(&s->batch, kind, values, count))
        s->counted.lost_records++;
    if (s->batch.bytes <= s->options.batch_most_bytes)
        return;
    uint64_t dropped[BATCH_WORTHS] = {0};
    batch_shed(&s->batch, s->options.batch_most_bytes / 8 * 7, dropped);
    s->counted.lost_readings += dropped[WORTH_READINGS];
    s->counted.lost_records += dropped[WORTH_LOADS] + dropped[WORTH_RECORD];
}

static struct entry_kind record_entry(enum statement statement)
{
    return (struct entry_kind){(int)statement, WORTH_RECORD, false, 1};
}

static const char *circuit_id(const struct site *site, const struct event *e)
{
    return e->circuit >= 0 ? site->circuits[e->circuit].id : NULL;
}

static const char *panel_id(const struct site *site, const struct event *e)
{
    int panel = e->circuit >= 0 ? site->circuits[e->circuit].panel : e->panel;
    return panel >= 0 ? site->panels[panel].id : NULL;
}

/* after the event itself, whose sequence number the row takes */
#define ADD_AFTER(s, statement, ...)                                                           \
    add((s), (struct entry_kind){(int)(statement), WORTH_RECORD, true, 1}, VALUES(__VA_ARGS__))

static void add_subject(struct store *s, const struct site *site, const struct event *e,
                        const char *json)
{
    const struct event_trip *t = &e->trip;
    const struct event_alarm *a = &e->alarm;
    switch (e->type) {
    case EVENT_LOAD_ON:
    case EVENT_LOAD_OFF: break;
    case EVENT_TRIP:
        ADD_AFTER(s, PUT_TRIP, value_text(t->id), value_text(circuit_id(site, e)),
                  value_int(t->opened_wall_ms), value_text(trip_stage_name(t->stage)),
                  value_real(t->probability), value_text(trip_cause_name(t->cause)),
                  value_text(json));
        break;
    case EVENT_RESTORED:
        ADD_AFTER(s, SET_RESTORED, value_text(e->outcome.trip), value_int(e->wall_ms),
                  value_real(e->outcome.seconds));
        break;
    case EVENT_OPENED_AGAIN:
        ADD_AFTER(s, SET_AGAIN, value_text(e->outcome.trip), value_real(e->outcome.seconds));
        break;
    case EVENT_ALARM:
        ADD_AFTER(s, PUT_ALARM, value_text(a->id), value_text(alarm_kind_name(a->kind)),
                  value_text(alarm_priority_name(a->priority)),
                  value_text(alarm_state_name(a->state)), value_int(a->raised_wall_ms),
                  value_int(e->wall_ms), value_text(a->by), value_text(a->note),
                  value_text(json));
        break;
    }
}

static bool is_load(const struct event *e)
{
    return e->type == EVENT_LOAD_ON || e->type == EVENT_LOAD_OFF;
}

static const char *subject_of(const struct event *e)
{
    switch (e->type) {
    case EVENT_LOAD_ON:
    case EVENT_LOAD_OFF: return NULL;
    case EVENT_TRIP: return e->trip.id;
    case EVENT_RESTORED:
    case EVENT_OPENED_AGAIN: return e->outcome.trip;
    case EVENT_ALARM: return e->alarm.id;
    }
    return NULL;
}

void store_add_event(struct store *s, const struct site *site, const struct event *e,
                     const char *json)
{
    add(s, (struct entry_kind){ADD_EVENT, is_load(e) ? WORTH_LOADS : WORTH_RECORD, false, 1},
        VALUES(value_int(e->wall_ms), value_text(event_type_name(e->type)),
               value_text(panel_id(site, e)), value_text(circuit_id(site, e)),
               value_text(subject_of(e)), value_text(json)));
    add_subject(s, site, e, json);
}

void store_release_trip(struct store *s, const char *id)
{
    add(s, record_entry(RELEASE_TRIP), VALUES(value_text(id)));
}

enum { MESSAGE_TOPIC = 1, MESSAGE_PAYLOAD = 2, MESSAGE_RETAIN = 4 }; /* among its values */

void store_add_message(struct store *s, const struct store_message *m)
{
    add(s,
        (struct entry_kind){ADD_MESSAGE, m->low_value ? WORTH_LOADS : WORTH_RECORD, m->with_seq,
                            1},
        VALUES(value_int(m->route), value_text(m->topic), value_text(m->payload),
               value_int(m->qos), value_int(m->retain), value_int(m->low_value),
               value_int(s->wall_ms),
               m->expires_wall_ms ? value_int(m->expires_wall_ms) : value_null(),
               value_int(m->with_seq)));
}

void store_add_state(struct store *s, const char *key, const void *bytes, size_t length,
                     int64_t wall_ms)
{
    batch_remove(&s->batch, PUT_STATE, key);
    add(s, record_entry(PUT_STATE),
        VALUES(value_text(key), value_blob(bytes, length), value_int(wall_ms)));
}

/* ---- readings ---- */

static void take_readings(struct store *s)
{
    struct codec_out bytes = {0};
    if (!s->block || block_rows(s->block) == 0)
        return;
    size_t rows = block_rows(s->block);
    int64_t first = block_first_wall_ms(s->block);
    block_seal(s->block, &bytes);
    if (bytes.failed) {
        s->counted.lost_readings += rows;
    } else {
        add(s, (struct entry_kind){ADD_LAYOUT, WORTH_READINGS, false, 0},
            VALUES(value_text(text_get(&s->columns)), value_int((int64_t)s->site->poles_total),
                   value_int((int64_t)s->site->panel_count)));
        add(s, (struct entry_kind){ADD_READINGS, WORTH_READINGS, true, (uint32_t)rows},
            VALUES(value_int(first), value_text(text_get(&s->columns)),
                   value_blob(bytes.bytes, bytes.length)));
    }
    codec_out_free(&bytes);
}

void store_set_site(struct store *s, const struct site *site)
{
    char name[2 * SITE_ID_SIZE];
    take_readings(s);
    block_destroy(s->block);
    s->block = block_create(site->poles_total, site->panel_count);
    text_clear(&s->columns);
    size_t count = frame_count(site);
    for (size_t i = 0; i < count; i++) {
        frame_column_name(site, i, name, sizeof name);
        text_printf(&s->columns, i ? "\n%s" : "%s", name);
    }
    s->site = site;
}

void store_add_readings(struct store *s, const struct frame *f)
{
    if (!s->block || s->columns.failed || f->poles != s->site->poles_total ||
        f->panels != s->site->panel_count) {
        s->counted.lost_readings++;
        return;
    }
    if (block_add(s->block, f))
        return;
    take_readings(s);
    block_add(s->block, f); /* an empty block takes any frame */
}

/* ---- writing ---- */

static void say_dropped(struct store *s, uint64_t dropped)
{
    s->counted.dropped_messages += dropped;
    if (dropped > 0 && !s->outbox_said)
        log_warning(
            "store",
            "the outbox is full (%lld messages): the oldest of the least worth are dropped",
            (long long)s->options.outbox_most);
    if (dropped > 0)
        s->outbox_said = true;
    else if (s->outbox_rows < s->options.outbox_most / 2)
        s->outbox_said = false;
}

/* Readings that go before their age are said a day at a time. */
static void say_room(struct store *s, const struct keeper_done *kept)
{
    char day[CLOCK_RFC3339_SIZE];
    if (!kept->dropped || kept->dropped_day == s->dropped_day)
        return;
    s->dropped_day = kept->dropped_day;
    s->counted.dropped_days++;
    clock_format_rfc3339(kept->dropped_day * (int64_t)DAY_MS, day);
    log_warning("store", "no more room: the readings of %.10s go, before their age", day);
}

/* Full, or below the floor: until a write has gone well with room to spare. */
static void look_at_room(struct store *s, enum store_err err)
{
    struct statvfs v;
    bool full = err == STORE_ERR_FULL;
    if (s->options.floor_bytes > 0 && statvfs(s->path, &v) == 0)
        full |= (int64_t)((uint64_t)v.f_bavail * v.f_frsize) < s->options.floor_bytes;
    if (full && !s->short_of_room && err != STORE_ERR_FULL) /* that one is said by itself */
        log_error("store",
                  "%s: the disk is filled below its floor: the oldest readings make room for "
                  "what comes",
                  s->path);
    if (!full && s->short_of_room)
        log_info("store", "there is room on the disk again");
    s->short_of_room = full;
}

static void take_ends(struct store *s, const struct transaction_ends *ends)
{
    for (int r = 1; r < STORE_ROUTES; r++) {
        s->forgotten[r] = ends->settled[r];
        atomic_store(&s->newest[r], ends->newest[r]);
    }
    s->outbox_rows = ends->outbox_rows;
    s->counted.lost_records += ends->refused;
    say_dropped(s, ends->dropped);
    say_room(s, &ends->kept);
}

static int64_t days_ago(const struct store *s, double days)
{
    return days > 0 ? s->wall_ms - (int64_t)(days * DAY_MS) : 0;
}

static enum store_err write_batch(struct store *s)
{
    struct transaction_job job = {
        .batch = &s->batch,
        .outbox_most = s->options.outbox_most,
        .room_days = s->short_of_room ? 1 << (s->room_tries < 10 ? s->room_tries : 10) : 0,
        .loads_before_wall_ms = days_ago(s, s->options.loads_days),
    };
    struct transaction_ends ends = {.outbox_rows = s->outbox_rows};
    for (int r = 1; r < STORE_ROUTES; r++) {
        ends.newest[r] = atomic_load(&s->newest[r]);
        ends.settled[r] = s->forgotten[r];
        job.settled[r] = atomic_load(&s->settled[r]);
    }
    int rc = transaction_write(&s->database, &job, &ends);
    if (rc == SQLITE_OK) {
        s->room_tries = 0;
        take_ends(s, &ends);
        return STORE_OK;
    }
    enum store_err err = database_err(rc);
    s->room_tries += err == STORE_ERR_FULL;
    database_why(s->database.db, rc, "writing the record", s->path, s->why);
    if (!transaction_undo(&s->database) && err != STORE_ERR_DAMAGED)
        err = STORE_ERR_IO;
    if (err == STORE_ERR_IO)
        database_close(&s->database); /* what it holds in memory is not to be trusted either */
    return err;
}

/* The batch is on disk; what goes wrong here waits for the next time, except for damage. */
static enum store_err keep_history(struct store *s)
{
    const struct keeper_job job = {
        .wall_ms = s->wall_ms,
        .readings_before_wall_ms = days_ago(s, s->options.readings_days),
        .summaries_before_wall_ms = days_ago(s, s->options.summaries_days),
        .pages_most = s->options.history_pages,
    };
    struct keeper_done done = {0};
    int rc = transaction_keep(&s->database, &job, &done);
    if (rc == SQLITE_OK) {
        say_room(s, &done);
        s->keep_err = STORE_OK;
        return STORE_OK;
    }
    enum store_err err = database_err(rc);
    database_why(s->database.db, rc, "keeping the history", s->path, s->why);
    if (!transaction_undo(&s->database))
        database_close(&s->database);
    if (err == STORE_ERR_DAMAGED)
        return replace_damaged(s);
    if (err != s->keep_err)
        log_error("store", "%s; it is tried again", s->why);
    s->keep_err = err;
    s->short_of_room |= err == STORE_ERR_FULL;
    return STORE_OK;
}

static bool settle_due(struct store *s, int64_t mono_ms)
{
    for (int r = 1; r < STORE_ROUTES; r++)
        if (atomic_load(&s->settled[r]) > s->forgotten[r])
            return mono_ms - s->settle_mono_ms >= SETTLE_MS;
    return false;
}

enum store_err store_commit(struct store *s, int64_t mono_ms, int64_t wall_ms)
{
    s->wall_ms = wall_ms;
    if (s->block && block_rows(s->block) > 0 &&
        mono_ms - block_first_mono_ms(s->block) >= SEAL_MS)
        take_readings(s);
    if (s->batch.count == 0 && !settle_due(s, mono_ms))
        return s->err;
    if (s->err && mono_ms < s->retry_mono_ms)
        return s->err;

    enum store_err err = ensure_open(s);
    if (!err)
        err = write_batch(s);
    if (err == STORE_ERR_DAMAGED && s->database.db) {
        err = replace_damaged(s);
        if (!err)
            err = write_batch(s);
    }
    if (err && (!s->err || s->failed_mono_ms == 0))
        s->failed_mono_ms = mono_ms;
    look_at_room(s, err);
    note(s, err);
    if (err) {
        s->retry_mono_ms = mono_ms + (s->database.db ? RETRY_MS : RETRY_OPEN_MS);
        return err;
    }
    batch_clear(&s->batch);
    s->settle_mono_ms = mono_ms;
    note(s, keep_history(s));
    if (s->watch)
        s->watch(s->watch_context);
    return s->err;
}

/* ---- delivery and status ---- */

void store_take_unwritten(struct store *s, int64_t mono_ms, store_unwritten_fn *fn,
                          void *context)
{
    if (!s->err || mono_ms - s->failed_mono_ms < STORE_GRACE_MS)
        return;
    for (struct entry *e = s->batch.first; e; e = e->next) {
        if (e->kind.statement != ADD_MESSAGE || e->kind.worth != WORTH_RECORD || e->told)
            continue;
        struct text topic = TEXT_INIT,
                    payload = TEXT_INIT; /* the batch's texts are not terminated */
        text_append_bytes(&topic, e->values[MESSAGE_TOPIC].bytes,
                          e->values[MESSAGE_TOPIC].length);
        bool empty = e->values[MESSAGE_PAYLOAD].type == VALUE_NULL;
        if (!empty)
            text_append_bytes(&payload, e->values[MESSAGE_PAYLOAD].bytes,
                              e->values[MESSAGE_PAYLOAD].length);
        e->told = !topic.failed && !payload.failed;
        if (e->told)
            fn(context, text_get(&topic), empty ? NULL : text_get(&payload),
               e->values[MESSAGE_RETAIN].integer != 0);
        text_free(&topic);
        text_free(&payload);
    }
}

void store_settle(struct store *s, enum store_route route, int64_t id)
{
    atomic_store(&s->settled[route], id);
}

int64_t store_newest(struct store *s, enum store_route route)
{
    return atomic_load(&s->newest[route]);
}

void store_set_watch(struct store *s, store_watch *watch, void *context)
{
    s->watch = watch;
    s->watch_context = context;
}

void store_get_status(const struct store *s, struct store_status *out)
{
    *out = s->counted;
    out->err = s->err;
    out->why = s->why;
    out->waiting_records = s->batch.count;
    out->waiting_bytes = s->batch.bytes;
    out->outbox_rows = s->outbox_rows;
    out->short_of_room = s->short_of_room;
}

const char *store_strerror(enum store_err err)
{
    switch (err) {
    case STORE_OK: return "ok";
    case STORE_ERR_MEMORY: return "memory is short";
    case STORE_ERR_OPEN: return "the file cannot be opened";
    case STORE_ERR_FULL: return "the disk is full";
    case STORE_ERR_READ_ONLY: return "the disk cannot be written";
    case STORE_ERR_IO: return "the disk answered with an error";
    case STORE_ERR_BUSY: return "another program holds the record";
    case STORE_ERR_DAMAGED: return "the file is damaged";
    case STORE_ERR_NEWER: return "written by a later version, left alone";
    }
    return "unknown store error";
}
