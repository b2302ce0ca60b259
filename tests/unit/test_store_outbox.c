/* store: the outbox */
#include "check.h"
#include "record.h"

static const struct store_options plain = {0};

/* ---- the outbox ---- */

static void messages_go_in_order_and_go_away_when_settled(void **state)
{
    struct record *r = *state;
    struct record_seen s = {0};
    char payload[16];
    record_open(r, plain);
    for (int i = 0; i < 10; i++) {
        snprintf(payload, sizeof payload, "m%d", i);
        record_message(r, "t", payload, false);
        record_turn(r);
    }
    store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 4, record_see_message, &s);
    assert_int_equal(s.count, 4);
    store_read_messages(r->reader, STORE_ROUTE_MQTT, s.ids[3], 64, record_see_message, &s);
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
    struct record_seen s = {0};
    record_open(r, plain);
    store_add_message(r->store, &(struct store_message){.route = STORE_ROUTE_MQTT,
                                                        .topic = "cleared",
                                                        .retain = true,
                                                        .qos = 1,
                                                        .expires_wall_ms = 77});
    record_message(r, "kept", "x", false);
    record_turn(r);
    store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 64, record_see_message, &s);
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
        record_message(r, "high", "x", false);
        record_message(r, "low", "x", true);
        record_turn(r);
    }
    store_get_status(r->store, &status);
    assert_true(status.outbox_rows <= 100);
    assert_int_equal(record_number(r, "SELECT count(*) FROM outbox"), status.outbox_rows);
    assert_int_equal(record_number(r, "SELECT count(*) FROM outbox WHERE topic = 'high'"), 60);
    assert_int_equal(status.dropped_messages, 120 - status.outbox_rows);
    assert_int_equal(record_logged("the outbox is full"), 1);
    for (int i = 0; i < 60; i++) {
        record_message(r, "high", "x", false);
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
    record_message(r, "load", "{}", true);
    record_message(r, "trip", "{\"a\":1}", false);
    for (int i = 0; i < 4; i++) {
        record_turn(r);
        store_take_unwritten(r->store, STORE_ROUTE_MQTT, r->mono_ms, hear, &t);
    }
    assert_int_equal(t.count, 0); /* a hiccup is no reason */
    for (int i = 0; i < 4; i++) {
        record_turn(r);
        store_take_unwritten(r->store, STORE_ROUTE_MQTT, r->mono_ms, hear, &t);
    }
    assert_int_equal(t.count, 1);
    assert_string_equal(t.last, "trip {\"a\":1} 0");
    struct store_status status;
    store_get_status(r->store, &status);
    assert_int_equal(status.waiting_records, 2); /* and stays for the disk */
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup_teardown(f, record_set_up, record_tear_down)
    const struct CMUnitTest tests[] = {
        TEST(messages_go_in_order_and_go_away_when_settled),
        TEST(expiry_and_emptiness_come_back_as_they_were),
        TEST(a_full_outbox_drops_the_oldest_of_least_worth_and_says_so),
        TEST(how_far_a_centre_has_the_events_survives),
        TEST(what_a_dead_disk_keeps_back_is_handed_on_once),
    };
    return cmocka_run_group_tests_name("outbox", tests, NULL, NULL);
}
