/* store: what becomes of the record when the disk does not play along */
#include "check.h"
#include "record.h"

#include "store/batch.h"

#include <dirent.h>
#include <fcntl.h>
#include <sqlite3.h>
#include <sys/stat.h>
#include <unistd.h>

static const struct store_options plain = {0};

/* ---- a disk that does not play along ---- */

static void a_full_disk_loses_nothing_and_is_said_once(void **state)
{
    struct record *r = *state;
    struct store_status status;
    int written = 0;
    record_open(r, (struct store_options){.pages_most = 50});
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
    for (int i = 0; i < 10; i++) /* tried every 10 s by now */
        record_turn(r);
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

static int files_named(const struct record *r, const char *word)
{
    int n = 0;
    DIR *d = opendir(r->folder);
    for (struct dirent *e; (e = readdir(d));)
        n += strstr(e->d_name, word) != NULL && strstr(e->d_name, "-wal") == NULL &&
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
        assert_int_equal(files_named(r, ".damaged-2026"), (int)i + 1);
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
    struct record_seen s = {0};
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
    assert_int_equal(store_read_events(r->reader, 0, 10, record_see_event, &s),
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

/* root may write anywhere: these tests go on as a user to whom the folder belongs */
static void be_nobody(const struct record *r)
{
    if (geteuid() != 0)
        return;
    assert_int_equal(chown(r->folder, 65534, 65534), 0);
    assert_int_equal(seteuid(65534), 0);
}

static int be_oneself_again(void **state)
{
    assert_int_equal(seteuid(getuid()), 0);
    return record_tear_down(state);
}

static void a_read_only_record_is_set_aside_and_a_new_one_begun(void **state)
{
    struct record *r = *state;
    struct store_status status;
    be_nobody(r);
    record_open(r, plain);
    record_load(r, 0, 1);
    record_turn(r);
    record_close(r);
    assert_int_equal(chmod(r->path, 0444), 0);
    assert_int_equal(record_open(r, plain), STORE_OK);
    assert_int_equal(files_named(r, ".read-only-20"), 1);
    assert_int_equal(record_logged("the read-only record is kept as"), 1);
    record_load(r, 0, 2);
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 1);
    store_get_status(r->store, &status);
    assert_int_equal(status.set_aside, 1);
    assert_int_equal(status.lost_records, 0);
}

static void where_nothing_can_be_written_all_waits_in_memory(void **state)
{
    struct record *r = *state;
    be_nobody(r);
    record_open(r, plain);
    record_load(r, 0, 1);
    record_turn(r);
    record_close(r);
    assert_int_equal(chmod(r->path, 0444), 0);
    assert_int_equal(chmod(r->folder, 0555), 0);
    enum store_err err = record_open(r, plain);
    assert_true(err == STORE_ERR_READ_ONLY || err == STORE_ERR_OPEN);
    for (int i = 0; i < 10; i++) {
        record_load(r, 0, i);
        assert_int_equal(record_turn(r), err);
    }
    assert_int_equal(record_logged("kept in memory and written when it can be"), 1);
    assert_int_equal(record_logged("set aside"), 0);
    assert_int_equal(chmod(r->folder, 0755), 0);
    assert_int_equal(chmod(r->path, 0644), 0);
    for (int i = 0; i < 6; i++)
        record_turn(r);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 11);
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup_teardown(f, record_set_up, record_tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_full_disk_loses_nothing_and_is_said_once),
        TEST(another_program_holding_the_lock_is_waited_out),
        TEST(a_folder_that_comes_later_is_written_then),
        TEST(a_damaged_file_is_set_aside_and_a_new_one_begun),
        TEST(damage_met_while_running_costs_nothing_that_waits),
        cmocka_unit_test_setup_teardown(a_read_only_record_is_set_aside_and_a_new_one_begun,
                                        record_set_up, be_oneself_again),
        cmocka_unit_test_setup_teardown(where_nothing_can_be_written_all_waits_in_memory,
                                        record_set_up, be_oneself_again),
        TEST(a_record_that_no_retry_can_mend_does_not_block_the_rest),
        cmocka_unit_test(what_means_nothing_alone_is_dropped_with_what_it_follows),
        TEST(what_waits_is_bounded_and_the_least_worth_goes_first),
    };
    return cmocka_run_group_tests_name("store trouble", tests, NULL, NULL);
}
