/* store: the record on disk, and what becomes of it when the disk does not play along */
#include "check.h"
#include "record.h"

#include "store/batch.h"
#include "store/schema.h"

#include <dirent.h>
#include <fcntl.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static int set_up(void **state)
{
    struct record *r = malloc(sizeof *r);
    record_init(r);
    record_catch_log();
    *state = r;
    return 0;
}

static int tear_down(void **state)
{
    record_finish(*state);
    record_catch_log();
    free(*state);
    return 0;
}

static const struct store_options plain = {0};

struct seen {
    int count;
    int64_t ids[64];
    char text[64][400];
    int64_t numbers[64];
};

static bool see_event(void *context, const struct store_event_row *row)
{
    struct seen *s = context;
    s->ids[s->count] = row->seq;
    snprintf(s->text[s->count++], sizeof s->text[0], "%s %s", row->type, row->json);
    return s->count < 64;
}

static bool see_message(void *context, const struct store_row *row)
{
    struct seen *s = context;
    s->ids[s->count] = row->id;
    s->numbers[s->count] = row->expires_wall_ms;
    snprintf(s->text[s->count++], sizeof s->text[0], "%s %s", row->topic,
             row->payload ? row->payload : "-");
    return s->count < 64;
}

static bool see_trip(void *context, const struct store_trip_row *row)
{
    struct seen *s = context;
    s->ids[s->count] = row->seq;
    s->numbers[s->count] = row->restored_wall_ms;
    snprintf(s->text[s->count++], sizeof s->text[0], "%s %s %s %s %.2f %g %g", row->id,
             row->circuit, row->stage, row->cause, row->probability, row->seconds_open,
             row->seconds_held);
    return true;
}

static bool see_alarm(void *context, const struct store_alarm_row *row)
{
    struct seen *s = context;
    s->ids[s->count] = row->seq;
    snprintf(s->text[s->count++], sizeof s->text[0], "%s %s %s %s by:%s note:%s", row->id,
             row->kind, row->priority, row->state, row->by, row->note);
    return true;
}

static void message(struct record *r, const char *topic, const char *payload, bool low_value)
{
    store_add_message(r->store, &(struct store_message){.route = STORE_ROUTE_MQTT,
                                                        .topic = topic,
                                                        .payload = payload,
                                                        .qos = 1,
                                                        .low_value = low_value});
}

static void a_new_record_is_of_the_newest_version(void **state)
{
    struct record *r = *state;
    assert_int_equal(record_open(r, plain), STORE_OK);
    assert_int_equal(record_number(r, "PRAGMA user_version"), schema_version());
    assert_int_equal(record_number(r,
                                   "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND"
                                   " sql NOT LIKE '%STRICT' AND name NOT LIKE 'sqlite_%'"),
                     0);
    assert_int_equal(
        record_number(r, "SELECT count(*) FROM pragma_journal_mode WHERE journal_mode = 'wal'"),
        1);
}

/* what version 1 was, written down here once and for all */
static const char version_1[] =
    "CREATE TABLE events (seq INTEGER PRIMARY KEY AUTOINCREMENT, wall_ms INTEGER NOT NULL, type"
    " TEXT NOT NULL, panel TEXT, circuit TEXT, subject TEXT, json TEXT NOT NULL) STRICT;"
    "CREATE INDEX events_wall ON events (wall_ms, type);"
    "CREATE INDEX events_subject ON events (subject) WHERE subject IS NOT NULL;"
    "CREATE TABLE trips (id TEXT PRIMARY KEY, circuit TEXT NOT NULL, opened_ms INTEGER NOT "
    "NULL,"
    " stage TEXT NOT NULL, probability REAL NOT NULL, cause TEXT NOT NULL, restored_ms INTEGER,"
    " seconds_open REAL, seconds_held REAL, held INTEGER NOT NULL, seq INTEGER NOT NULL, json "
    "TEXT"
    " NOT NULL) STRICT;"
    "CREATE INDEX trips_opened ON trips (opened_ms);"
    "CREATE TABLE alarms (id TEXT PRIMARY KEY, kind TEXT NOT NULL, priority TEXT NOT NULL, "
    "state"
    " TEXT NOT NULL, raised_ms INTEGER NOT NULL, changed_ms INTEGER NOT NULL, changed_by TEXT, "
    "note"
    " TEXT, seq INTEGER NOT NULL, json TEXT NOT NULL) STRICT;"
    "CREATE TABLE state (key TEXT PRIMARY KEY, bytes BLOB NOT NULL, wall_ms INTEGER NOT NULL)"
    " STRICT;"
    "CREATE TABLE outbox (id INTEGER PRIMARY KEY AUTOINCREMENT, route INTEGER NOT NULL, topic "
    "TEXT"
    " NOT NULL, payload TEXT, qos INTEGER NOT NULL, retain INTEGER NOT NULL, low_value INTEGER "
    "NOT"
    " NULL, created_ms INTEGER NOT NULL, expires_ms INTEGER) STRICT;"
    "CREATE TABLE settled (route INTEGER PRIMARY KEY, id INTEGER NOT NULL) STRICT;"
    "INSERT INTO events VALUES (41, 1700000000000, 'load_on', 'cellar', 'cellar-01', NULL,"
    " '{\"type\":\"load_on\"}');"
    "INSERT INTO outbox VALUES (7, 1, 'old', 'letter', 1, 0, 0, 1700000000000, NULL);"
    "PRAGMA user_version = 1;";

static void a_record_of_version_1_is_taken_along(void **state)
{
    struct record *r = *state;
    struct seen s = {0};
    record_do(r, version_1);
    assert_int_equal(record_open(r, plain), STORE_OK);
    assert_int_equal(record_number(r, "PRAGMA user_version"), schema_version());
    record_load(r, 0, 5);
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(store_read_events(r->reader, 0, 10, see_event, &s), STORE_OK);
    assert_int_equal(s.count, 2);
    assert_int_equal(s.ids[0], 41);
    assert_int_equal(s.ids[1], 42); /* numbers go on, they do not begin again */
    s.count = 0;
    assert_int_equal(store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 10, see_message, &s),
                     STORE_OK);
    assert_string_equal(s.text[0], "old letter");
    assert_int_equal(record_number(r, "SELECT count(*) FROM readings"), 0);
}

static void steps_and_a_new_record_give_the_same_tables(void **state)
{
    struct record *r = *state;
    char attach[160];
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    record_open(r, plain);
    record_close(r);
    snprintf(attach, sizeof attach, "ATTACH '%s' AS fresh", r->path);
    strcat(r->path, "-old");
    record_do(r, version_1);
    record_open(r, plain);
    assert_int_equal(sqlite3_open(r->path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, attach, NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(
        sqlite3_prepare_v2(db,
                           "SELECT replace(sql, ' ', '') FROM main.sqlite_schema EXCEPT"
                           " SELECT replace(sql, ' ', '') FROM fresh.sqlite_schema",
                           -1, &st, NULL),
        SQLITE_OK);
    if (sqlite3_step(st) == SQLITE_ROW)
        fail_msg("only after the steps: %s", sqlite3_column_text(st, 0));
    sqlite3_finalize(st);
    sqlite3_close(db);
    assert_int_equal(
        record_number(r, "SELECT count(*) FROM sqlite_schema WHERE type = 'table'"), 14);
}

static void a_record_of_a_later_version_is_left_alone(void **state)
{
    struct record *r = *state;
    record_do(r, "CREATE TABLE things (a); PRAGMA user_version = 99");
    assert_int_equal(record_open(r, plain), STORE_ERR_NEWER);
    record_load(r, 0, 1);
    assert_int_equal(record_turn(r), STORE_ERR_NEWER);
    record_close(r);
    assert_int_equal(record_number(r, "PRAGMA user_version"), 99);
    assert_int_equal(record_number(r, "SELECT count(*) FROM sqlite_schema"), 1);
    assert_int_equal(record_logged("knows up to"),
                     1 + 1); /* once when it began, once for what is lost */
}

static void an_event_is_seen_only_when_it_is_committed(void **state)
{
    struct record *r = *state;
    struct seen s = {0};
    record_open(r, plain);
    record_turn(r);
    record_load(r, 1, 3);
    message(r, "t", "{}", true);
    assert_int_equal(store_read_events(r->reader, 0, 10, see_event, &s), STORE_OK);
    assert_int_equal(store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 10, see_message, &s),
                     STORE_OK);
    assert_int_equal(s.count, 0);
    record_turn(r);
    assert_int_equal(store_read_events(r->reader, 0, 10, see_event, &s), STORE_OK);
    assert_int_equal(store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 10, see_message, &s),
                     STORE_OK);
    assert_int_equal(s.count, 2);
    assert_int_equal(s.ids[0], store_newest(r->store, STORE_ROUTE_UP));
    assert_int_equal(s.ids[1], store_newest(r->store, STORE_ROUTE_MQTT));
    assert_true(strstr(s.text[0], "\"circuit\":\"cellar-02\"") != NULL);
}

static void numbers_are_never_given_twice(void **state)
{
    struct record *r = *state;
    struct seen s = {0};
    record_open(r, plain);
    for (int i = 0; i < 3; i++)
        record_load(r, 0, i);
    record_turn(r);
    int64_t last = store_newest(r->store, STORE_ROUTE_UP);
    record_close(r);
    record_do(r, "DELETE FROM events");
    record_open(r, plain);
    record_load(r, 0, 9);
    record_turn(r);
    store_read_events(r->reader, 0, 10, see_event, &s);
    assert_int_equal(s.count, 1);
    assert_int_equal(s.ids[0], last + 1);
    assert_true(last > RECORD_WALL_MS && last < RECORD_WALL_MS + 10);
}

static void a_message_carries_the_number_of_its_event(void **state)
{
    struct record *r = *state;
    struct seen events = {0}, messages = {0};
    record_open(r, plain);
    for (int i = 0; i < 3; i++) {
        record_load(r, 0, i);
        for (int k = 0; k < 2; k++)
            store_add_message(r->store, &(struct store_message){.route = STORE_ROUTE_MQTT,
                                                                .topic = "t",
                                                                .payload = "{\"a\":1}",
                                                                .qos = 1,
                                                                .with_seq = true});
    }
    record_turn(r);
    store_read_events(r->reader, 0, 10, see_event, &events);
    store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 10, see_message, &messages);
    assert_int_equal(messages.count, 6);
    for (int i = 0; i < 6; i++) {
        char wanted[64];
        snprintf(wanted, sizeof wanted, "t {\"seq\":%lld,\"a\":1}",
                 (long long)events.ids[i / 2]);
        assert_string_equal(messages.text[i], wanted);
    }
}

static void the_latest_state_of_trips_and_alarms_is_kept(void **state)
{
    struct record *r = *state;
    struct seen s = {0};
    record_open(r, plain);
    struct event e = record_trip(r, "cellar-01-20260101T000000Z", 0, TRIP_PROVISIONAL);
    e.trip.probability = 0.8;
    record_add(r, &e);
    e = record_alarm(r, "cellar-01.trip", ALARM_TRIP, ALARM_UNACKNOWLEDGED);
    record_add(r, &e);
    record_turn(r);
    e = record_trip(r, "cellar-01-20260101T000000Z", 0, TRIP_CONFIRMED);
    record_add(r, &e);
    e = record_outcome(r, "cellar-01-20260101T000000Z", 0, EVENT_RESTORED, 61.5);
    record_add(r, &e);
    e = record_alarm(r, "cellar-01.trip", ALARM_TRIP, ALARM_NORMAL);
    e.alarm.by = "M. Reyes";
    record_add(r, &e);
    record_turn(r);

    assert_int_equal(store_read_trips(r->reader, 0, 0, true, 10, see_trip, &s), STORE_OK);
    assert_int_equal(s.count, 1);
    assert_string_equal(
        s.text[0], "cellar-01-20260101T000000Z cellar-01 confirmed overload 0.97 61.5 nan");
    assert_int_equal(s.numbers[0], RECORD_WALL_MS + 1000);
    assert_int_equal(s.ids[0], store_newest(r->store, STORE_ROUTE_UP) - 2);
    s.count = 0;
    assert_int_equal(store_read_alarms(r->reader, false, see_alarm, &s), STORE_OK);
    assert_string_equal(s.text[0], "cellar-01.trip trip high normal by:M. Reyes note:");
    s.count = 0;
    assert_int_equal(store_read_alarms(r->reader, true, see_alarm, &s), STORE_OK);
    assert_int_equal(s.count, 0);
    /* every change of the alarm stays in the log */
    assert_int_equal(
        record_number(r, "SELECT count(*) FROM events WHERE subject = 'cellar-01.trip'"), 2);

    store_release_trip(r->store, "cellar-01-20260101T000000Z");
    record_turn(r);
    assert_int_equal(store_read_trips(r->reader, 0, 0, true, 10, see_trip, &s), STORE_OK);
    assert_int_equal(s.count, 0);
    assert_int_equal(store_read_trips(r->reader, RECORD_WALL_MS, RECORD_WALL_MS + 999, false,
                                      10, see_trip, &s),
                     STORE_OK);
    assert_int_equal(s.count, 0); /* confirmed a second later, so it counts as opened then */
}

static void state_is_replaced_and_read_back(void **state)
{
    struct record *r = *state;
    uint8_t *bytes;
    size_t length;
    int64_t wall_ms;
    record_open(r, plain);
    assert_int_equal(store_read_state(r->reader, "engine", &bytes, &length, &wall_ms),
                     STORE_OK);
    assert_null(bytes);
    store_add_state(r->store, "engine", "first", 5, 1);
    store_add_state(r->store, "other", "o", 1, 2);
    store_add_state(r->store, "engine", "a\0b", 3, 3); /* the first is not even written */
    record_turn(r);
    record_open(r, plain);
    assert_int_equal(store_read_state(r->reader, "engine", &bytes, &length, &wall_ms),
                     STORE_OK);
    assert_int_equal(length, 3);
    assert_memory_equal(bytes, "a\0b", 3);
    assert_int_equal(wall_ms, 3);
    free(bytes);
}

/* ---- a disk that does not play along ---- */

static void a_full_disk_loses_nothing_and_is_said_once(void **state)
{
    struct record *r = *state;
    struct store_status status;
    int written = 0;
    record_open(r, (struct store_options){.pages_most = 40});
    enum store_err err = STORE_OK;
    while (!err && written < 3000) {
        for (int i = 0; i < 20; i++)
            record_load(r, 0, written++);
        err = record_turn(r);
    }
    assert_int_equal(err, STORE_ERR_FULL);
    for (int i = 0; i < 100; i++) {
        record_load(r, 0, written++);
        assert_int_equal(record_turn(r), STORE_ERR_FULL);
    }
    store_get_status(r->store, &status);
    assert_int_equal(status.waiting_records, 120);
    assert_true(strstr(status.why, "the disk is full") != NULL);
    assert_int_equal(record_logged("the disk is full"), 1);
    record_do(
        r,
        "DELETE FROM events WHERE seq < (SELECT min(seq) + 150 FROM events)"); /* room again */
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(record_logged("writing again"), 1);
    store_get_status(r->store, &status);
    assert_int_equal(status.waiting_records + status.lost_records, 0);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), written - 150);
    assert_int_equal(record_number(r, "SELECT max(seq) - min(seq) + 1 FROM events"),
                     written - 150);
}

static void another_program_holding_the_lock_is_waited_out(void **state)
{
    struct record *r = *state;
    sqlite3 *other = NULL;
    record_open(r, plain);
    assert_int_equal(sqlite3_open(r->path, &other), SQLITE_OK);
    assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
    record_load(r, 0, 1);
    assert_int_equal(record_turn(r), STORE_ERR_BUSY);
    record_load(r, 0, 2);
    assert_int_equal(record_turn(r), STORE_ERR_BUSY);
    assert_int_equal(sqlite3_exec(other, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(other);
    record_turn(r);
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 2);
}

static void a_folder_that_comes_later_is_written_then(void **state)
{
    struct record *r = *state;
    char folder[80];
    snprintf(folder, sizeof folder, "%s/card", r->folder);
    snprintf(r->path, sizeof r->path, "%s/r.db", folder);
    assert_int_equal(record_open(r, plain), STORE_ERR_OPEN);
    for (int i = 0; i < 10; i++) {
        record_load(r, 0, i);
        assert_int_equal(record_turn(r), STORE_ERR_OPEN);
    }
    assert_int_equal(record_logged("cannot be opened"), 1);
    assert_int_equal(mkdir(folder, 0700), 0);
    for (int i = 0; i < 6; i++) /* tried every 5 s */
        record_turn(r);
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 10);
}

static int damaged_files(const struct record *r)
{
    int n = 0;
    DIR *d = opendir(r->folder);
    for (struct dirent *e; (e = readdir(d));)
        n += strstr(e->d_name, ".damaged-2026") != NULL && strstr(e->d_name, "-wal") == NULL &&
             strstr(e->d_name, "-shm") == NULL;
    closedir(d);
    return n;
}

static void scribble(const char *path, off_t from, size_t length)
{
    char bytes[4096];
    memset(bytes, 0x5a, sizeof bytes);
    int fd = open(path, O_WRONLY | O_CREAT, 0600);
    assert_true(fd >= 0);
    for (size_t done = 0; done < length; done += sizeof bytes)
        assert_int_equal(pwrite(fd, bytes, sizeof bytes, from + (off_t)done), sizeof bytes);
    close(fd);
}

static void a_damaged_file_is_set_aside_and_a_new_one_begun(void **state)
{
    struct record *r = *state;
    static const struct {
        off_t from;
        size_t length;
    } damages[] = {
        {0, 4096},        /* not a database at all */
        {4096, 8192},     /* the first tables */
        {8192, 4096 * 6}, /* more of them */
    };
    for (size_t i = 0; i < sizeof damages / sizeof damages[0]; i++) {
        record_open(r, plain);
        for (int n = 0; n < 200; n++)
            record_load(r, 0, n);
        record_turn(r);
        int64_t last = store_newest(r->store, STORE_ROUTE_UP);
        record_close(r);
        scribble(r->path, damages[i].from, damages[i].length);
        r->wall_ms += 100000;
        assert_int_equal(record_open(r, plain), STORE_OK);
        assert_int_equal(damaged_files(r), (int)i + 1);
        assert_int_equal(record_logged("the damaged record is kept as"), (int)i + 1);
        record_load(r, 0, 1);
        assert_int_equal(record_turn(r), STORE_OK);
        assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 1);
        assert_true(store_newest(r->store, STORE_ROUTE_UP) > last);
    }
}

static void damage_met_while_running_costs_nothing_that_waits(void **state)
{
    struct record *r = *state;
    struct seen s = {0};
    struct store_status status;
    record_open(r, plain);
    for (int n = 0; n < 400; n++)
        record_load(r, 0, n);
    record_turn(r);
    record_do(r, "PRAGMA wal_checkpoint(TRUNCATE)");
    int64_t last = store_newest(r->store, STORE_ROUTE_UP);
    scribble(r->path, 4096, 4096 * 60);
    record_do(r, "PRAGMA user_version = 2"); /* another writer: the pages in memory are stale */
    struct event e = record_trip(r, "t1", 0, TRIP_CONFIRMED);
    r->wall_ms -= 50000000; /* a clock that went back must not give numbers twice */
    record_add(r, &e);
    record_load(r, 0, 7);
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(store_read_events(r->reader, 0, 10, see_event, &s),
                     STORE_OK); /* the reader follows */
    assert_int_equal(s.count, 2);
    assert_true(s.ids[0] > last);
    store_get_status(r->store, &status);
    assert_int_equal(status.set_aside, 1);
    assert_int_equal(status.lost_records, 0);
}

static void a_record_that_no_retry_can_mend_does_not_block_the_rest(void **state)
{
    struct record *r = *state;
    struct store_status status;
    struct event e;
    record_open(r, plain);
    e = record_trip(r, "t1", 0, TRIP_CONFIRMED);
    store_add_event(r->store, &r->site, &e, ""); /* no JSON: NOT NULL refuses it */
    record_load(r, 0, 1);
    assert_int_equal(record_turn(r), STORE_OK);
    store_get_status(r->store, &status);
    assert_int_equal(status.lost_records, 2); /* the event and the row of the trip */
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 1);
}

static void what_means_nothing_alone_is_dropped_with_what_it_follows(void **state)
{
    (void)state;
    struct batch b = {0};
    uint64_t dropped[BATCH_WORTHS] = {0};
    const struct value v[] = {value_text("some text that takes room")};
    for (int i = 0; i < 4; i++) {
        assert_true(batch_add(&b, (struct entry_kind){1, WORTH_LOADS, false, 1}, v, 1));
        assert_true(batch_add(&b, (struct entry_kind){2, WORTH_LOADS, true, 1}, v, 1));
        assert_true(batch_add(&b, (struct entry_kind){3, WORTH_RECORD, false, 1}, v, 1));
    }
    batch_shed(&b, b.bytes - 1, dropped); /* one entry would do */
    assert_int_equal(b.count, 10);
    assert_int_equal(dropped[WORTH_LOADS], 2);
    assert_int_equal(b.first->kind.statement, 3);
    batch_shed(&b, 4 * b.first->bytes, dropped); /* every load, no record */
    assert_int_equal(b.count, 4);
    assert_int_equal(dropped[WORTH_RECORD], 0);
    batch_shed(&b, 0, dropped);
    assert_int_equal(dropped[WORTH_RECORD], 4);
    assert_null(b.first);
    assert_null(b.last);
    assert_int_equal(b.bytes, 0);
}

static void what_waits_is_bounded_and_the_least_worth_goes_first(void **state)
{
    struct record *r = *state;
    struct store_status status;
    struct frame *f = frame_create(&r->site);
    f->has = 31;
    snprintf(r->path, sizeof r->path, "%s/none/r.db", r->folder);
    record_open(r, (struct store_options){.batch_most_bytes = 200000});
    for (int i = 0; i < 4000; i++) {
        f->mono_ms = r->mono_ms;
        f->wall_ms = r->wall_ms;
        store_add_readings(r->store, f);
        record_load(r, 0, i);
        char payload[32];
        snprintf(payload, sizeof payload, "{\"n\":%d}", i);
        store_add_message(r->store, &(struct store_message){.route = STORE_ROUTE_MQTT,
                                                            .topic = "load",
                                                            .payload = payload,
                                                            .qos = 1,
                                                            .with_seq = true,
                                                            .low_value = true});
        if (i % 50 == 0) {
            struct event e = record_trip(r, "t1", 0, TRIP_CONFIRMED);
            record_add(r, &e);
        }
        record_turn(r);
        store_get_status(r->store, &status);
        assert_true(status.waiting_bytes <= 200000);
    }
    assert_true(status.lost_readings > 3000);
    assert_true(status.lost_records > 3000);
    char *slash = strrchr(r->path, '/');
    *slash = '\0';
    assert_int_equal(mkdir(r->path, 0700), 0);
    *slash = '/';
    for (int i = 0; i < 6; i++)
        record_turn(r);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events WHERE type = 'trip'"), 80);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events WHERE type = 'load_on'"),
                     record_number(r, "SELECT max(rowid) - min(rowid) + 1 - 80 FROM events"));
    /* no message is left whose event is gone: it would carry another's number */
    assert_true(record_number(r, "SELECT count(*) FROM outbox") > 100);
    assert_int_equal(
        record_number(r, "SELECT count(*) FROM outbox WHERE NOT EXISTS (SELECT 1 FROM"
                         " events WHERE seq = json_extract(payload, '$.seq') AND"
                         " json_extract(json, '$.amps') = json_extract(payload, '$.n'))"),
        0);
    frame_destroy(f);
}

/* ---- the outbox ---- */

static void messages_go_in_order_and_go_away_when_settled(void **state)
{
    struct record *r = *state;
    struct seen s = {0};
    char payload[16];
    record_open(r, plain);
    for (int i = 0; i < 10; i++) {
        snprintf(payload, sizeof payload, "m%d", i);
        message(r, "t", payload, false);
        record_turn(r);
    }
    store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 4, see_message, &s);
    assert_int_equal(s.count, 4);
    store_read_messages(r->reader, STORE_ROUTE_MQTT, s.ids[3], 64, see_message, &s);
    assert_int_equal(s.count, 10);
    for (int i = 0; i < 10; i++) {
        snprintf(payload, sizeof payload, "t m%d", i);
        assert_string_equal(s.text[i], payload);
    }
    store_settle(r->store, STORE_ROUTE_MQTT, s.ids[6]);
    assert_int_equal(record_turn(r), STORE_OK); /* alone it waits for company ... */
    assert_int_equal(record_number(r, "SELECT count(*) FROM outbox"), 10);
    record_load(r, 0, 1);
    record_turn(r); /* ... with others it goes */
    assert_int_equal(record_number(r, "SELECT count(*) FROM outbox"), 3);
    store_settle(r->store, STORE_ROUTE_MQTT, s.ids[9]);
    for (int i = 0; i < 31; i++) /* and alone after half a minute */
        record_turn(r);
    assert_int_equal(record_number(r, "SELECT count(*) FROM outbox"), 0);
}

static void expiry_and_emptiness_come_back_as_they_were(void **state)
{
    struct record *r = *state;
    struct seen s = {0};
    record_open(r, plain);
    store_add_message(r->store, &(struct store_message){.route = STORE_ROUTE_MQTT,
                                                        .topic = "cleared",
                                                        .retain = true,
                                                        .qos = 1,
                                                        .expires_wall_ms = 77});
    message(r, "kept", "x", false);
    record_turn(r);
    store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 64, see_message, &s);
    assert_string_equal(s.text[0], "cleared -");
    assert_int_equal(s.numbers[0], 77);
    assert_string_equal(s.text[1], "kept x");
    assert_int_equal(s.numbers[1], 0);
}

static void a_full_outbox_drops_the_oldest_of_least_worth_and_says_so(void **state)
{
    struct record *r = *state;
    struct store_status status;
    record_open(r, (struct store_options){.outbox_most = 100});
    for (int i = 0; i < 60; i++) {
        message(r, "high", "x", false);
        message(r, "low", "x", true);
        record_turn(r);
    }
    store_get_status(r->store, &status);
    assert_true(status.outbox_rows <= 100);
    assert_int_equal(record_number(r, "SELECT count(*) FROM outbox"), status.outbox_rows);
    assert_int_equal(record_number(r, "SELECT count(*) FROM outbox WHERE topic = 'high'"), 60);
    assert_int_equal(status.dropped_messages, 120 - status.outbox_rows);
    assert_int_equal(record_logged("the outbox is full"), 1);
    for (int i = 0; i < 60; i++) {
        message(r, "high", "x", false);
        record_turn(r);
    }
    assert_true(record_number(r, "SELECT count(*) FROM outbox") <= 100);
    assert_int_equal(record_number(r, "SELECT count(*) FROM outbox WHERE topic = 'low'"), 0);
    record_open(r, (struct store_options){.outbox_most = 100}); /* counted again at the start */
    store_get_status(r->store, &status);
    assert_int_equal(status.outbox_rows, record_number(r, "SELECT count(*) FROM outbox"));
}

static void how_far_a_centre_has_the_events_survives(void **state)
{
    struct record *r = *state;
    int64_t seq = -1;
    record_open(r, plain);
    assert_int_equal(store_read_settled(r->reader, STORE_ROUTE_UP, &seq), STORE_OK);
    assert_int_equal(seq, 0);
    record_load(r, 0, 1);
    record_turn(r);
    store_settle(r->store, STORE_ROUTE_UP, store_newest(r->store, STORE_ROUTE_UP));
    record_load(r, 0, 2);
    record_turn(r);
    record_open(r, plain);
    store_read_settled(r->reader, STORE_ROUTE_UP, &seq);
    assert_int_equal(seq, store_newest(r->store, STORE_ROUTE_UP) - 1);
}

struct told {
    int count;
    char last[128];
};

static void hear(void *context, const char *topic, const char *payload, bool retain)
{
    struct told *t = context;
    t->count++;
    snprintf(t->last, sizeof t->last, "%s %s %d", topic, payload ? payload : "-", retain);
}

static void what_a_dead_disk_keeps_back_is_handed_on_once(void **state)
{
    struct record *r = *state;
    struct told t = {0};
    snprintf(r->path, sizeof r->path, "%s/none/r.db", r->folder);
    record_open(r, plain);
    message(r, "load", "{}", true);
    message(r, "trip", "{\"a\":1}", false);
    for (int i = 0; i < 4; i++) {
        record_turn(r);
        store_take_unwritten(r->store, r->mono_ms, hear, &t);
    }
    assert_int_equal(t.count, 0); /* a hiccup is no reason */
    for (int i = 0; i < 4; i++) {
        record_turn(r);
        store_take_unwritten(r->store, r->mono_ms, hear, &t);
    }
    assert_int_equal(t.count, 1);
    assert_string_equal(t.last, "trip {\"a\":1} 0");
    struct store_status status;
    store_get_status(r->store, &status);
    assert_int_equal(status.waiting_records, 2); /* and stays for the disk */
}

static void old_loads_go_in_small_steps_and_trips_stay(void **state)
{
    struct record *r = *state;
    record_open(r, (struct store_options){.loads_days = 10});
    struct event e = record_trip(r, "t1", 0, TRIP_CONFIRMED);
    record_add(r, &e);
    for (int i = 0; i < 100; i++)
        record_load(r, 0, i);
    record_turn(r);
    r->wall_ms += 11LL * 86400000;
    record_load(r, 0, 1);
    record_turn(r);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 102 - 4);
    for (int i = 0; i < 30; i++) {
        record_load(r, 0, 1);
        record_turn(r);
    }
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 32);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events WHERE type = 'trip'"), 1);
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_new_record_is_of_the_newest_version),
        TEST(a_record_of_version_1_is_taken_along),
        TEST(steps_and_a_new_record_give_the_same_tables),
        TEST(a_record_of_a_later_version_is_left_alone),
        TEST(an_event_is_seen_only_when_it_is_committed),
        TEST(numbers_are_never_given_twice),
        TEST(a_message_carries_the_number_of_its_event),
        TEST(the_latest_state_of_trips_and_alarms_is_kept),
        TEST(state_is_replaced_and_read_back),
        TEST(a_full_disk_loses_nothing_and_is_said_once),
        TEST(another_program_holding_the_lock_is_waited_out),
        TEST(a_folder_that_comes_later_is_written_then),
        TEST(a_damaged_file_is_set_aside_and_a_new_one_begun),
        TEST(damage_met_while_running_costs_nothing_that_waits),
        TEST(a_record_that_no_retry_can_mend_does_not_block_the_rest),
        cmocka_unit_test(what_means_nothing_alone_is_dropped_with_what_it_follows),
        TEST(what_waits_is_bounded_and_the_least_worth_goes_first),
        TEST(messages_go_in_order_and_go_away_when_settled),
        TEST(expiry_and_emptiness_come_back_as_they_were),
        TEST(a_full_outbox_drops_the_oldest_of_least_worth_and_says_so),
        TEST(how_far_a_centre_has_the_events_survives),
        TEST(what_a_dead_disk_keeps_back_is_handed_on_once),
        TEST(old_loads_go_in_small_steps_and_trips_stay),
    };
    return cmocka_run_group_tests_name("store", tests, NULL, NULL);
}
