/* store: the record of events, trips, alarms and state */
#include "check.h"
#include "record.h"

#include <stdlib.h>

static const struct store_options plain = {0};

static bool see_trip(void *context, const struct store_trip_row *row)
{
    struct record_seen *s = context;
    s->ids[s->count] = row->seq;
    s->numbers[s->count] = row->restored_wall_ms;
    snprintf(s->text[s->count++], sizeof s->text[0], "%s %s %s %s %.2f %g %g", row->id,
             row->circuit, row->stage, row->cause, row->probability, row->seconds_open,
             row->seconds_held);
    return true;
}

static bool see_alarm(void *context, const struct store_alarm_row *row)
{
    struct record_seen *s = context;
    s->ids[s->count] = row->seq;
    snprintf(s->text[s->count++], sizeof s->text[0], "%s %s %s %s by:%s note:%s", row->id,
             row->kind, row->priority, row->state, row->by, row->note);
    return true;
}

static void an_event_is_seen_only_when_it_is_committed(void **state)
{
    struct record *r = *state;
    struct record_seen s = {0};
    record_open(r, plain);
    record_turn(r);
    record_load(r, 1, 3);
    record_message(r, "t", "{}", true);
    assert_int_equal(store_read_events(r->reader, 0, 10, record_see_event, &s), STORE_OK);
    assert_int_equal(
        store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 10, record_see_message, &s),
        STORE_OK);
    assert_int_equal(s.count, 0);
    record_turn(r);
    assert_int_equal(store_read_events(r->reader, 0, 10, record_see_event, &s), STORE_OK);
    assert_int_equal(
        store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 10, record_see_message, &s),
        STORE_OK);
    assert_int_equal(s.count, 2);
    assert_int_equal(s.ids[0], store_newest(r->store, STORE_ROUTE_UP));
    assert_int_equal(s.ids[1], store_newest(r->store, STORE_ROUTE_MQTT));
    assert_true(strstr(s.text[0], "\"circuit\":\"cellar-02\"") != NULL);
}

static void numbers_are_never_given_twice(void **state)
{
    struct record *r = *state;
    struct record_seen s = {0};
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
    store_read_events(r->reader, 0, 10, record_see_event, &s);
    assert_int_equal(s.count, 1);
    assert_int_equal(s.ids[0], last + 1);
    assert_true(last > RECORD_WALL_MS && last < RECORD_WALL_MS + 10);
}

static void a_message_carries_the_number_of_its_event(void **state)
{
    struct record *r = *state;
    struct record_seen events = {0}, messages = {0};
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
    store_read_events(r->reader, 0, 10, record_see_event, &events);
    store_read_messages(r->reader, STORE_ROUTE_MQTT, 0, 10, record_see_message, &messages);
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
    struct record_seen s = {0};
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

    /* what a person says stands beside it, and changes nothing of it */
    e = (struct event){.type = EVENT_TRIP_CORRECTED,
                       .wall_ms = r->wall_ms,
                       .panel = -1,
                       .circuit = 0,
                       .correction = {.trip = "cellar-01-20260101T000000Z",
                                      .said = CAUSE_OPENED_BY_HAND,
                                      .computed = CAUSE_OVERLOAD,
                                      .computed_probability = 0.97,
                                      .by = "M. Reyes"}};
    record_add(r, &e);
    record_turn(r);
    assert_int_equal(record_number(r, "SELECT count(*) FROM trips WHERE cause = 'overload'"),
                     1);
    assert_int_equal(
        record_number(r,
                      "SELECT count(*) FROM events WHERE type = 'trip_corrected' AND subject "
                      "= 'cellar-01-20260101T000000Z' AND json LIKE '%opened_by_hand%' AND "
                      "json LIKE '%M. Reyes%'"),
        1);

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

static void loads_of_a_clock_that_was_set_back_go_too(void **state)
{
    struct record *r = *state;
    record_open(r, (struct store_options){.loads_days = 10});
    record_load(r, 0, 1);
    record_turn(r);
    r->wall_ms += 11LL * 86400000;
    for (int i = 0; i < 2; i++) { /* the first load is gone, and none older is left */
        record_load(r, 0, 2);
        record_turn(r);
    }
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 2);
    r->wall_ms -= 30LL * 86400000;
    record_load(r, 0, 3);
    record_turn(r);
    r->wall_ms += 30LL * 86400000;
    for (int i = 0; i < 2; i++) {
        record_load(r, 0, 4);
        record_turn(r);
    }
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 4);
}

/* a fall that was told as a trip, taken back, and "restored" when the load came back */
static void add_withdrawn(struct record *r, const char *id)
{
    struct event e = record_trip(r, id, 0, TRIP_PROVISIONAL);
    record_add(r, &e);
    e.trip.stage = TRIP_WITHDRAWN;
    e.trip.cause = CAUSE_LOAD_ENDED;
    record_add(r, &e);
    e = record_outcome(r, id, 0, EVENT_RESTORED, 60);
    record_add(r, &e);
}

static void withdrawn_trips_go_with_the_loads_unless_a_person_spoke_of_them(void **state)
{
    struct record *r = *state;
    char id[16];
    record_open(r, (struct store_options){.loads_days = 10});
    struct event e = record_trip(r, "real", 0, TRIP_CONFIRMED);
    record_add(r, &e);
    e = record_outcome(r, "real", 0, EVENT_RESTORED, 600);
    record_add(r, &e);
    e = record_trip(r, "doubtful", 0, TRIP_PROVISIONAL);
    record_add(r, &e);
    for (int i = 0; i < 20; i++) {
        snprintf(id, sizeof id, "w%d", i);
        add_withdrawn(r, id);
        r->wall_ms += 1000;
    }
    e = (struct event){.type = EVENT_TRIP_NOTE, .wall_ms = r->wall_ms, .circuit = 0};
    e.note = (struct event_note){.trip = "w3", .note = "the plug was pulled", .by = "ada"};
    record_add(r, &e);
    record_turn(r);
    record_do(r, "INSERT INTO calls (id, circuit, trip, stage, begun_ms, changed_ms, json, seq)"
                 " VALUES ('c', 'cellar-01', 'w5', 'closed', 1, 1, '{}', 1)");
    r->wall_ms += 9LL * 86400000;
    for (int i = 0; i < 10; i++)
        record_turn(r);
    assert_int_equal(record_number(r, "SELECT count(*) FROM trips"), 22); /* not yet */
    r->wall_ms += 2LL * 86400000;
    for (int i = 0; i < 10; i++) {
        record_load(r, 0, i);
        record_turn(r);
    }
    assert_int_equal(record_number(r, "SELECT count(*) FROM trips"), 4);
    assert_int_equal(record_number(r, "SELECT count(*) FROM trips WHERE id IN ('real', "
                                      "'doubtful', 'w3', 'w5')"),
                     4);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events WHERE type <> 'load_on'"),
                     2 + 1 + 3 + 3 + 1);
    add_withdrawn(r, "new");
    record_turn(r);
    assert_int_equal(record_number(r, "SELECT count(*) FROM trips"), 5);
}

static void what_is_kept_may_change_while_it_runs(void **state)
{
    struct record *r = *state;
    const struct retention ten_days = {
        .readings_days = 10, .summaries_days = 10, .loads_days = 10};
    record_open(r, plain);
    for (int i = 0; i < 8; i++)
        record_load(r, 0, i);
    record_turn(r);
    r->wall_ms += 11LL * 86400000;
    record_load(r, 0, 9);
    record_turn(r);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 9); /* no bound yet */
    store_set_retention(r->store, &ten_days);
    for (int i = 0; i < 2; i++) {
        record_load(r, 0, 9);
        record_turn(r);
    }
    assert_int_equal(record_number(r, "SELECT count(*) FROM events"), 3);
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup_teardown(f, record_set_up, record_tear_down)
    const struct CMUnitTest tests[] = {
        TEST(an_event_is_seen_only_when_it_is_committed),
        TEST(numbers_are_never_given_twice),
        TEST(a_message_carries_the_number_of_its_event),
        TEST(the_latest_state_of_trips_and_alarms_is_kept),
        TEST(state_is_replaced_and_read_back),
        TEST(old_loads_go_in_small_steps_and_trips_stay),
        TEST(loads_of_a_clock_that_was_set_back_go_too),
        TEST(withdrawn_trips_go_with_the_loads_unless_a_person_spoke_of_them),
        TEST(what_is_kept_may_change_while_it_runs),
    };
    return cmocka_run_group_tests_name("store", tests, NULL, NULL);
}
