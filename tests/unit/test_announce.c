/* announce: which topics an event becomes, and how long a retained one stays */
#include "check.h"
#include "record.h"

#include "notify/announce.h"

#include "model/event_json.h"

#include <stdlib.h>

struct house {
    struct record r;
    struct announce *a;
    int64_t after; /* the last message looked at */
};

static void begin(struct house *h)
{
    announce_destroy(h->a);
    record_open(&h->r, (struct store_options){0});
    h->a = announce_create(h->r.store, &h->r.site, h->r.reader);
    assert_non_null(h->a);
}

static int set_up(void **state)
{
    struct house *h = calloc(1, sizeof *h);
    record_init(&h->r);
    record_catch_log();
    begin(h);
    *state = h;
    return 0;
}

static int tear_down(void **state)
{
    struct house *h = *state;
    announce_destroy(h->a);
    record_finish(&h->r);
    record_catch_log();
    free(h);
    return 0;
}

static void say(struct house *h, const struct event *e)
{
    char *json = event_to_json_text(&h->r.site, e);
    store_add_event(h->r.store, &h->r.site, e, json);
    announce_event(h->a, e, json);
    free(json);
    assert_int_equal(record_turn(&h->r), STORE_OK);
}

struct heard {
    struct house *h;
    char topics[512]; /* "event trip/x alarm/y- ", - for cleared, ! for not retained */
    char last[2048];  /* the last payload */
};

static bool hear(void *context, const struct store_row *row)
{
    struct heard *heard = context;
    size_t n = strlen(heard->topics);
    assert_int_equal(strncmp(row->topic, "foretrip/mill-lane-3/", 21), 0);
    assert_int_equal(row->qos, 1);
    snprintf(heard->topics + n, sizeof heard->topics - n, "%s%s%s%s", n ? " " : "",
             row->topic + 21, row->payload ? "" : "-", row->retain ? "" : "!");
    if (row->payload)
        snprintf(heard->last, sizeof heard->last, "%s", row->payload);
    assert_true(!row->payload || strncmp(row->payload, "{\"seq\":1767225", 14) == 0);
    heard->h->after = row->id;
    return true;
}

/* the messages since the last call */
static struct heard listen(struct house *h)
{
    struct heard heard = {.h = h};
    assert_int_equal(
        store_read_messages(h->r.reader, STORE_ROUTE_MQTT, h->after, 64, hear, &heard),
        STORE_OK);
    return heard;
}

static void expect(struct house *h, const char *topics)
{
    struct heard heard = listen(h);
    assert_string_equal(heard.topics, topics);
}

#define TRIP "cellar-01-20260101T000000Z"

static void every_event_is_published_and_an_alarm_retained_while_it_stands(void **state)
{
    struct house *h = *state;
    record_load(&h->r, 0, 1); /* not announced: only what goes through announce_event is */
    record_turn(&h->r);
    expect(h, "");
    struct event e = record_alarm(&h->r, "cellar-01.near_overload", ALARM_NEAR_OVERLOAD,
                                  ALARM_UNACKNOWLEDGED);
    static const enum alarm_state stands[] = {
        ALARM_UNACKNOWLEDGED, ALARM_ACKNOWLEDGED, ALARM_RETURNED_UNACKNOWLEDGED,
        ALARM_SHELVED,        ALARM_SUPPRESSED,   ALARM_OUT_OF_SERVICE};
    for (size_t i = 0; i < sizeof stands / sizeof stands[0]; i++) {
        e.alarm.state = stands[i];
        say(h, &e);
        struct heard heard = listen(h);
        assert_string_equal(heard.topics, "event! alarm/cellar-01.near_overload");
        assert_true(strstr(heard.last, alarm_state_name(stands[i])) != NULL);
        assert_true(strstr(heard.last, "Breaker 1 is open.") != NULL);
    }
    e.alarm.state = ALARM_NORMAL;
    say(h, &e);
    expect(h, "event! alarm/cellar-01.near_overload-");
}

static bool keep_row(void *context, const struct store_alarm_row *row)
{
    snprintf(context, 2048, "%s %s", row->state, row->json);
    return true;
}

/* what is retained, and what the page and `foretrip alarms` read, is what is known now */
static void an_alarm_that_says_something_else_replaces_what_is_retained(void **state)
{
    struct house *h = *state;
    char row[2048] = "";
    struct event e = record_alarm(&h->r, "cellar-01.trip", ALARM_TRIP, ALARM_ACKNOWLEDGED);
    e.alarm.text = "Too much was on.";
    e.alarm.advice = "Once to ON.";
    say(h, &e);
    expect(h, "event! alarm/cellar-01.trip");
    e.alarm.state = ALARM_UNACKNOWLEDGED;
    e.alarm.changed = ALARM_ADVICE_CHANGED;
    e.alarm.text = "A short circuit.";
    e.alarm.advice = "Do not reset it.";
    say(h, &e);
    struct heard heard = listen(h);
    assert_string_equal(heard.topics, "event! alarm/cellar-01.trip");
    assert_non_null(strstr(heard.last, "\"changed\":\"advice\""));
    assert_non_null(strstr(heard.last, "A short circuit."));
    assert_non_null(strstr(heard.last, "Do not reset it."));
    assert_int_equal(store_read_alarms(h->r.reader, true, keep_row, row), STORE_OK);
    assert_int_equal(strncmp(row, "unacknowledged ", 15), 0);
    assert_non_null(strstr(row, "Do not reset it."));
    assert_null(strstr(row, "Once to ON."));
    e.alarm.changed = ALARM_WORDS_CHANGED;
    e.alarm.text = "Probably a short circuit.";
    say(h, &e);
    heard = listen(h);
    assert_non_null(strstr(heard.last, "\"changed\":\"words\""));
    assert_non_null(strstr(heard.last, "Probably a short circuit."));
}

static void a_trip_stays_until_it_is_restored_and_acknowledged(void **state)
{
    struct house *h = *state;
    static const bool acknowledged_first[] = {true, false};
    for (int i = 0; i < 2; i++) {
        begin(h); /* which knows nothing of the trip of that name before */
        struct event trip = record_trip(&h->r, TRIP, 0, TRIP_PROVISIONAL);
        struct event alarm =
            record_alarm(&h->r, "cellar-01.trip", ALARM_TRIP, ALARM_UNACKNOWLEDGED);
        struct event restored = record_outcome(&h->r, TRIP, 0, EVENT_RESTORED, 61.5);
        say(h, &trip);
        expect(h, "event! trip/" TRIP);
        say(h, &alarm);
        expect(h, "event! alarm/cellar-01.trip");
        trip.trip.stage = TRIP_CONFIRMED;
        say(h, &trip);
        struct heard heard = listen(h);
        assert_string_equal(heard.topics, "event! trip/" TRIP);
        assert_true(strstr(heard.last, "\"stage\":\"confirmed\"") != NULL);
        if (acknowledged_first[i]) {
            alarm.alarm.state = ALARM_ACKNOWLEDGED;
            say(h, &alarm);
            expect(h, "event! alarm/cellar-01.trip"); /* still open: stays */
            say(h, &restored);
            expect(h, "event! trip/" TRIP " trip/" TRIP "-");
        } else {
            say(h, &restored);
            heard = listen(h);
            assert_string_equal(heard.topics,
                                "event! trip/" TRIP); /* not acknowledged: stays */
            assert_true(strstr(heard.last, ",\"restored_at\":\"2026-01-01T00:0") != NULL);
            assert_true(strstr(heard.last, ",\"seconds_open\":61.5}") != NULL);
            alarm.alarm.state = ALARM_RETURNED_UNACKNOWLEDGED;
            say(h, &alarm);
            expect(h, "event! alarm/cellar-01.trip");
            alarm.alarm.state = ALARM_NORMAL;
            say(h, &alarm);
            expect(h, "event! alarm/cellar-01.trip- trip/" TRIP "-");
        }
        assert_int_equal(record_number(&h->r, "SELECT count(*) FROM trips WHERE held = 1"), 0);
    }
}

static void a_withdrawn_trip_is_cleared_at_once(void **state)
{
    struct house *h = *state;
    struct event trip = record_trip(&h->r, TRIP, 0, TRIP_PROVISIONAL);
    say(h, &trip);
    expect(h, "event! trip/" TRIP);
    trip.trip.stage = TRIP_WITHDRAWN;
    say(h, &trip);
    expect(h, "event! trip/" TRIP "-");
    assert_int_equal(record_number(&h->r, "SELECT count(*) FROM trips WHERE held = 1"), 0);
}

static void circuits_behind_a_feeder_wait_for_the_feeders_alarm(void **state)
{
    struct house *h = *state;
    static const struct {
        int upstream;
        const char *alarm;
    } cases[] = {{1, "cellar-02.trip"}, {TRIP_UPSTREAM_UTILITY, "mill-lane-3.trip"}};
    for (int i = 0; i < 2; i++) {
        begin(h); /* which knows nothing of the trip of that name before */
        struct event trip = record_trip(&h->r, TRIP, 0, TRIP_CONFIRMED);
        trip.trip.upstream = cases[i].upstream;
        struct event alarm =
            record_alarm(&h->r, cases[i].alarm, ALARM_TRIP, ALARM_UNACKNOWLEDGED);
        struct event restored = record_outcome(&h->r, TRIP, 0, EVENT_RESTORED, 5);
        say(h, &trip);
        say(h, &alarm);
        say(h, &restored);
        listen(h);
        assert_int_equal(record_number(&h->r, "SELECT count(*) FROM trips WHERE held = 1"), 1);
        alarm.alarm.state = ALARM_NORMAL;
        say(h, &alarm);
        struct heard heard = listen(h);
        assert_true(strstr(heard.topics, " trip/" TRIP "-") != NULL);
    }
}

static void what_is_said_of_a_trip_that_is_over_does_not_bring_it_back(void **state)
{
    struct house *h = *state;
    struct event trip = record_trip(&h->r, TRIP, 0, TRIP_PROVISIONAL);
    struct event restored = record_outcome(&h->r, TRIP, 0, EVENT_RESTORED, 61.5);
    say(h, &trip);
    say(h, &restored);
    listen(h);
    trip.trip.stage = TRIP_CONFIRMED;
    say(h, &trip);
    expect(h, "event! trip/" TRIP " trip/" TRIP "-");
    trip.trip.stage = TRIP_WITHDRAWN;
    say(h, &trip);
    expect(h, "event!");
    assert_int_equal(record_number(&h->r, "SELECT count(*) FROM trips WHERE held = 1"), 0);
}

static void many_trips_over_are_forgotten(void **state)
{
    struct house *h = *state;
    char id[64];
    for (int i = 0; i < 500; i++) {
        snprintf(id, sizeof id, "cellar-01-%d", i);
        struct event trip = record_trip(&h->r, id, 0, TRIP_CONFIRMED);
        struct event restored = record_outcome(&h->r, id, 0, EVENT_RESTORED, 1);
        say(h, &trip);
        say(h, &restored);
        listen(h);
    }
    assert_int_equal(record_number(&h->r, "SELECT count(*) FROM trips WHERE held = 1"), 0);
}

/* nobody looks, and the breaker opens day after day: what is kept of it has an end */
static void of_many_that_nobody_acknowledges_the_newest_wait(void **state)
{
    struct house *h = *state;
    char id[64];
    for (int i = 0; i < 50; i++) {
        snprintf(id, sizeof id, "cellar-01-%02d", i);
        struct event trip = record_trip(&h->r, id, 0, TRIP_CONFIRMED);
        struct event alarm =
            record_alarm(&h->r, "cellar-01.trip", ALARM_TRIP, ALARM_UNACKNOWLEDGED);
        struct event restored = record_outcome(&h->r, id, 0, EVENT_RESTORED, 1);
        say(h, &trip);
        say(h, &alarm);
        say(h, &restored);
        listen(h);
    }
    assert_int_equal(record_number(&h->r, "SELECT count(*) FROM trips WHERE held = 1"), 4);
    assert_int_equal(
        record_number(&h->r,
                      "SELECT count(*) FROM trips WHERE held = 1 AND id < 'cellar-01-46'"),
        0);
    begin(h); /* nor does a restart turn old and new round */
    struct event trip = record_trip(&h->r, "cellar-01-50", 0, TRIP_CONFIRMED);
    struct event restored = record_outcome(&h->r, "cellar-01-50", 0, EVENT_RESTORED, 1);
    say(h, &trip);
    say(h, &restored);
    struct heard heard = listen(h);
    assert_non_null(strstr(heard.topics, " trip/cellar-01-46-"));
    assert_int_equal(record_number(&h->r, "SELECT count(*) FROM trips WHERE held = 1"), 4);
}

static void a_trip_of_whose_end_nothing_was_said_ends_with_the_next(void **state)
{
    struct house *h = *state;
    struct event trip = record_trip(&h->r, TRIP, 0, TRIP_PROVISIONAL);
    struct event other = record_trip(&h->r, "cellar-02-20260101T000000Z", 1, TRIP_PROVISIONAL);
    say(h, &trip);
    say(h, &other);
    listen(h);
    struct event next = record_trip(&h->r, "cellar-01-20260102T000000Z", 0, TRIP_PROVISIONAL);
    say(h, &next);
    expect(h, "event! trip/" TRIP "- trip/cellar-01-20260102T000000Z");
}

static void an_opening_again_is_told_on_the_trip(void **state)
{
    struct house *h = *state;
    struct event trip = record_trip(&h->r, TRIP, 0, TRIP_CONFIRMED);
    struct event alarm =
        record_alarm(&h->r, "cellar-01.opened_again", ALARM_OPENED_AGAIN, ALARM_UNACKNOWLEDGED);
    say(h, &trip);
    say(h, &alarm);
    struct event e = record_outcome(&h->r, TRIP, 0, EVENT_RESTORED, 30);
    say(h, &e);
    listen(h);
    e = record_outcome(&h->r, TRIP, 0, EVENT_OPENED_AGAIN, 0.5);
    say(h, &e);
    struct heard heard = listen(h);
    assert_string_equal(heard.topics, "event! trip/" TRIP);
    assert_true(
        strstr(heard.last, ",\"seconds_open\":30,\"opened_again_after_seconds\":0.5}") != NULL);
}

static void it_goes_on_where_the_record_ends(void **state)
{
    struct house *h = *state;
    struct event trip = record_trip(&h->r, TRIP, 0, TRIP_CONFIRMED);
    struct event other = record_trip(&h->r, "cellar-02-20260101T000000Z", 1, TRIP_CONFIRMED);
    struct event alarm =
        record_alarm(&h->r, "cellar-01.trip", ALARM_TRIP, ALARM_UNACKNOWLEDGED);
    struct event restored = record_outcome(&h->r, TRIP, 0, EVENT_RESTORED, 61.5);
    say(h, &trip);
    say(h, &other);
    say(h, &alarm);
    say(h, &restored);
    listen(h);
    begin(h); /* restored, not acknowledged; the other still open */
    record_turn(&h->r);
    expect(h, "");
    begin(h);
    alarm.alarm.state = ALARM_NORMAL;
    say(h, &alarm);
    expect(h, "event! alarm/cellar-01.trip- trip/" TRIP "-");
    begin(h);
    restored = record_outcome(&h->r, "cellar-02-20260101T000000Z", 1, EVENT_RESTORED, 9);
    say(h, &restored);
    struct heard heard = listen(h);
    assert_string_equal(
        heard.topics,
        "event! trip/cellar-02-20260101T000000Z trip/cellar-02-20260101T000000Z-");
    assert_true(strstr(heard.last, "\"cause\":\"overload\"") != NULL);
}

static void loads_are_what_a_full_outbox_drops(void **state)
{
    struct house *h = *state;
    struct event e = {.type = EVENT_LOAD_ON, .wall_ms = h->r.wall_ms, .panel = 0, .circuit = 0};
    strcpy(e.load.appliance, "kettle");
    say(h, &e);
    e.type = EVENT_LOAD_OFF;
    say(h, &e);
    struct event trip = record_trip(&h->r, TRIP, 0, TRIP_CONFIRMED);
    say(h, &trip);
    expect(h, "event! event! event! trip/" TRIP);
    assert_int_equal(record_number(&h->r, "SELECT count(*) FROM outbox WHERE low_value = 1"),
                     2);
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(every_event_is_published_and_an_alarm_retained_while_it_stands),
        TEST(an_alarm_that_says_something_else_replaces_what_is_retained),
        TEST(a_trip_stays_until_it_is_restored_and_acknowledged),
        TEST(a_withdrawn_trip_is_cleared_at_once),
        TEST(circuits_behind_a_feeder_wait_for_the_feeders_alarm),
        TEST(what_is_said_of_a_trip_that_is_over_does_not_bring_it_back),
        TEST(many_trips_over_are_forgotten),
        TEST(of_many_that_nobody_acknowledges_the_newest_wait),
        TEST(a_trip_of_whose_end_nothing_was_said_ends_with_the_next),
        TEST(an_opening_again_is_told_on_the_trip),
        TEST(it_goes_on_where_the_record_ends),
        TEST(loads_are_what_a_full_outbox_drops),
    };
    return cmocka_run_group_tests_name("announce", tests, NULL, NULL);
}
