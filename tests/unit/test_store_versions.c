/* store: records of every version of the schema, and what a new one is */
#include "check.h"
#include "record.h"

#include "store/history.h"
#include "store/schema.h"

#include <sqlite3.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static const struct store_options plain = {0};

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

/* what each version was, written down here once and for all */
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
    "CREATE TABLE settled (route INTEGER PRIMARY KEY, id INTEGER NOT NULL) STRICT;";

/* what version 2 added; the block has five rows */
static const char version_2[] =
    "CREATE TABLE layouts (id INTEGER PRIMARY KEY, poles INTEGER NOT NULL, panels INTEGER NOT"
    " NULL, columns TEXT NOT NULL UNIQUE) STRICT;"
    "CREATE TABLE readings (t INTEGER PRIMARY KEY, layout INTEGER NOT NULL, data BLOB NOT NULL)"
    " STRICT;"
    "INSERT INTO layouts VALUES (1, 3, 1, replace('cellar-01.amps/cellar-02.amps/"
    "cellar-02.amps_2/cellar-01.watts/cellar-02.watts/cellar-02.watts_2/cellar-01.volts/"
    "cellar-02.volts/cellar-02.volts_2/cellar-01.pf/cellar-02.pf/cellar-02.pf_2/"
    "cellar.volts_a/cellar.volts_b/cellar.volts_c', '/', char(10)));"
    "INSERT INTO readings VALUES (1767225600000, 1,"
    " x'010503E807E807E209EE05F12EA11FA11FA11FA11FA94604060816A138050505051616');";

static const char version_3[] =
    "UPDATE readings SET t = t * 16;"
    "CREATE TABLE channels (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;"
    "CREATE TABLE hours (key INTEGER PRIMARY KEY, data BLOB NOT NULL) STRICT;"
    "CREATE TABLE days (key INTEGER PRIMARY KEY, data BLOB NOT NULL) STRICT;"
    "CREATE TABLE frozen (key INTEGER PRIMARY KEY, data BLOB NOT NULL) STRICT;"
    "CREATE TABLE summaries (key INTEGER PRIMARY KEY, data BLOB NOT NULL) STRICT;";

static const char version_4[] =
    "CREATE TABLE audit (id INTEGER PRIMARY KEY AUTOINCREMENT, wall_ms INTEGER NOT NULL, who"
    " TEXT, role TEXT, way TEXT, act TEXT NOT NULL, subject TEXT, result TEXT) STRICT;";

static const char version_5[] =
    "CREATE TABLE calls (id TEXT PRIMARY KEY, circuit TEXT NOT NULL, trip TEXT, stage TEXT NOT"
    " NULL, finding TEXT, begun_ms INTEGER NOT NULL, ended_ms INTEGER, changed_ms INTEGER NOT"
    " NULL, changed_by TEXT, seq INTEGER NOT NULL, json TEXT NOT NULL) STRICT;"
    "CREATE INDEX calls_begun ON calls (begun_ms);"
    "CREATE TABLE call_steps (call TEXT NOT NULL, step INTEGER NOT NULL, wall_ms INTEGER NOT"
    " NULL, who TEXT, stage TEXT NOT NULL, answer TEXT, saw TEXT, amps REAL, json TEXT NOT "
    "NULL,"
    " PRIMARY KEY (call, step)) STRICT;";

static const char version_6[] =
    "CREATE TABLE places (id INTEGER PRIMARY KEY, name TEXT NOT NULL, part TEXT NOT NULL, kind"
    " TEXT NOT NULL, circuit TEXT NOT NULL, panel TEXT NOT NULL, traced INTEGER NOT NULL,"
    " probability REAL, amps REAL, changed_ms INTEGER NOT NULL, changed_by TEXT NOT NULL)"
    " STRICT;"
    "CREATE INDEX places_name ON places (name, part);"
    "CREATE TABLE purposes (panel TEXT NOT NULL, position TEXT NOT NULL, words TEXT NOT NULL,"
    " changed_ms INTEGER NOT NULL, changed_by TEXT NOT NULL, PRIMARY KEY (panel, position))"
    " STRICT;"
    "CREATE TABLE directory_changes (id INTEGER PRIMARY KEY AUTOINCREMENT, wall_ms INTEGER NOT"
    " NULL, who TEXT NOT NULL, panel TEXT NOT NULL, position TEXT NOT NULL, what TEXT NOT"
    " NULL, subject TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL) STRICT;";

/* a record of each version, with what it could hold */
static const char contents[] =
    "INSERT INTO events VALUES (41, 1700000000000, 'load_on', 'cellar', 'cellar-01', NULL,"
    " '{\"type\":\"load_on\"}');"
    "INSERT INTO trips VALUES ('t1', 'cellar-01', 1700000000000, 'confirmed', 0.9, 'overload',"
    " NULL, NULL, NULL, 1, 40, '{}');"
    "INSERT INTO alarms VALUES ('cellar-01.trip', 'trip', 'high', 'unacknowledged',"
    " 1700000000000, 1700000000000, NULL, NULL, 40, '{}');"
    "INSERT INTO state VALUES ('learned', x'0102', 1700000000000);"
    "INSERT INTO outbox VALUES (7, 1, 'old', 'letter', 1, 0, 0, 1700000000000, NULL);"
    "INSERT INTO settled VALUES (2, 39);";

#define VERSIONS 6
static const char *const versions[VERSIONS] = {version_1, version_2, version_3,
                                               version_4, version_5, version_6};

static void make_version(struct record *r, int version)
{
    char sql[64];
    for (int v = 0; v < version; v++)
        record_do(r, versions[v]);
    snprintf(sql, sizeof sql, "PRAGMA user_version = %d", version);
    record_do(r, contents);
    record_do(r, sql);
}

static bool see_trip(void *context, const struct store_trip_row *row)
{
    int *trips = context;
    assert_string_equal(row->id, "t1");
    assert_string_equal(row->stage, "confirmed");
    ++*trips;
    return true;
}

static bool see_alarm(void *context, const struct store_alarm_row *row)
{
    int *alarms = context;
    assert_string_equal(row->id, "cellar-01.trip");
    ++*alarms;
    return true;
}

static void look_at_the_record(struct record *r)
{
    struct record_seen s = {0};
    int trips = 0, alarms = 0;
    uint8_t *bytes;
    size_t length;
    int64_t wall_ms, settled;
    record_load(r, 0, 5);
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(store_read_events(r->reader, 0, 10, record_see_event, &s), STORE_OK);
    assert_int_equal(s.count, 2);
    assert_int_equal(s.ids[0], 41);
    assert_int_equal(s.ids[1], 42); /* numbers go on, they do not begin again */
    s.count = 0;
    assert_int_equal(
        store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 10, record_see_message, &s),
        STORE_OK);
    assert_int_equal(s.count, 1);
    assert_string_equal(s.text[0], "old letter");
    assert_int_equal(store_read_trips(r->reader, 0, 0, true, 9, see_trip, &trips), STORE_OK);
    assert_int_equal(store_read_alarms(r->reader, true, see_alarm, &alarms), STORE_OK);
    assert_int_equal(trips + alarms, 2);
    assert_int_equal(store_read_state(r->reader, "learned", &bytes, &length, &wall_ms),
                     STORE_OK);
    assert_int_equal(length, 2);
    assert_memory_equal(bytes, "\1\2", 2);
    free(bytes);
    assert_int_equal(store_read_settled(r->reader, STORE_ROUTE_UP, &settled), STORE_OK);
    assert_int_equal(settled, 39);
}

static bool see_reading(void *context, int64_t wall_ms, double value)
{
    int *n = context;
    assert_int_equal(wall_ms, 1767225600000 + *n * 1000 + (*n == 3 ? 250 : 0));
    assert_near(value, 1.5 + *n, 1e-9);
    ++*n;
    return true;
}

static bool see_gap(void *context, int64_t wall_ms, double value)
{
    int *n = context;
    (void)wall_ms;
    assert_true(*n == 2 ? isnan(value) : fabs(value - 2.25) < 1e-9);
    ++*n;
    return true;
}

static void look_at_the_readings(struct record *r, int wanted)
{
    int first = 0, second = 0;
    assert_int_equal(
        store_read_span(r->reader, "cellar-01.amps", 0, INT64_MAX / 64, see_reading, &first),
        STORE_OK);
    assert_int_equal(
        store_read_span(r->reader, "cellar-02.amps", 0, INT64_MAX / 64, see_gap, &second),
        STORE_OK);
    assert_int_equal(first, wanted);
    assert_int_equal(second, wanted);
}

static void a_record_of_each_older_version_is_taken_along(void **state)
{
    struct record *r = *state;
    struct history_check check;
    char first[sizeof r->path];
    snprintf(first, sizeof first, "%s", r->path);
    assert_int_equal(schema_version(), VERSIONS); /* a new step needs its fixture here */
    for (int version = 1; version <= VERSIONS; version++) {
        snprintf(r->path, sizeof r->path, "%.80s-%d", first, version);
        make_version(r, version);
        assert_int_equal(record_open(r, plain), STORE_OK);
        assert_int_equal(record_number(r, "PRAGMA user_version"), schema_version());
        look_at_the_record(r);
        look_at_the_readings(r, version == 1 ? 0 : 5);
        /* and once they have been packed: the hour is closed, the day over */
        r->wall_ms += 2 * 86400000LL;
        for (int i = 0; i < 8; i++) {
            record_load(r, 0, i);
            assert_int_equal(record_turn(r), STORE_OK);
        }
        assert_int_equal(record_number(r, "SELECT count(*) FROM readings"), 0);
        look_at_the_readings(r, version == 1 ? 0 : 5);
        assert_int_equal(history_verify(r->reader, NULL, NULL, &check), STORE_OK);
        assert_int_equal(check.faults, 0);
        assert_int_equal(record_logged("damaged"), 0);
    }
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
    make_version(r, 1);
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
        record_number(r, "SELECT count(*) FROM sqlite_schema WHERE type = 'table'"), 20);
}

static bool see_audit(void *context, const struct store_audit_row *row)
{
    int *seen = context;
    assert_string_equal(row->said.act, "login");
    assert_string_equal(row->said.subject, "");
    assert_int_equal(row->said.wall_ms, RECORD_WALL_MS + STORE_AUDIT_MOST + 9 - *seen);
    ++*seen;
    return *seen < 5;
}

static void who_did_what_is_kept_newest_first_and_not_for_ever(void **state)
{
    struct record *r = *state;
    int seen = 0;
    record_open(r, plain);
    for (int i = 0; i < STORE_AUDIT_MOST + 10; i++) {
        store_add_audit(r->store, &(struct store_audit){.wall_ms = RECORD_WALL_MS + i,
                                                        .who = "Ada Lind (ada)",
                                                        .act = "login"});
        if (i % 1000 == 0)
            assert_int_equal(record_turn(r), STORE_OK);
    }
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(record_number(r, "SELECT count(*) FROM audit"), STORE_AUDIT_MOST);
    assert_int_equal(store_read_audit(r->reader, 0, 100, see_audit, &seen), STORE_OK);
    assert_int_equal(seen, 5);
}

static void nobody_but_the_owner_reads_the_record(void **state)
{
    static const char *const tails[] = {"", "-wal", "-shm"};
    struct record *r = *state;
    struct stat st;
    char name[120], why[200];
    for (int again = 0; again < 2; again++) {
        record_open(r, plain);
        record_load(r, 0, again);
        assert_int_equal(record_turn(r), STORE_OK);
        for (int i = 0; i < 3; i++) {
            snprintf(name, sizeof name, "%s%s", r->path, tails[i]);
            assert_int_equal(stat(name, &st), 0);
            assert_int_equal(st.st_mode & 077, 0);
        }
        snprintf(name, sizeof name, "%s.copy%d", r->path, again);
        assert_int_equal(history_backup(r->reader, name, why, sizeof why), STORE_OK);
        assert_int_equal(stat(name, &st), 0);
        assert_int_equal(st.st_mode & 077, 0);
        unlink(name);
        record_close(r);
        assert_int_equal(chmod(r->path, 0644), 0); /* as it was before people logged in */
    }
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

int main(void)
{
#define TEST(f) cmocka_unit_test_setup_teardown(f, record_set_up, record_tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_new_record_is_of_the_newest_version),
        TEST(a_record_of_each_older_version_is_taken_along),
        TEST(steps_and_a_new_record_give_the_same_tables),
        TEST(who_did_what_is_kept_newest_first_and_not_for_ever),
        TEST(nobody_but_the_owner_reads_the_record),
        TEST(a_record_of_a_later_version_is_left_alone),
    };
    return cmocka_run_group_tests_name("store versions", tests, NULL, NULL);
}
