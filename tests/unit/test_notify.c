/* notify: the parts between the outbox and the broker that need neither */
#include "check.h"
#include "record.h"

#include "notify/payload.h"
#include "notify/standing.h"
#include "notify/states.h"
#include "notify/up.h"
#include "notify/window.h"

#include <stdlib.h>

static void the_window_settles_the_oldest_stretch_without_a_hole(void **state)
{
    struct window w;
    (void)state;
    window_reset(&w, 100);
    for (int i = 1; i <= WINDOW_SLOTS; i++)
        window_push(&w, 100 + 10 * i, i);
    assert_int_equal(window_free(&w), 0);
    assert_true(window_answer(&w, 2)); /* out of order */
    assert_int_equal(w.settled, 100);
    assert_false(window_answer(&w, 2)); /* twice */
    assert_false(window_answer(&w, 999));
    assert_true(window_answer(&w, 1));
    assert_int_equal(w.settled, 120);
    assert_int_equal(window_free(&w), 2);
    window_skip(&w, 1000); /* settled when all before it are */
    assert_int_equal(w.settled, 120);
    for (int i = 3; i <= WINDOW_SLOTS; i++)
        assert_true(window_answer(&w, i));
    assert_int_equal(w.settled, 1000);
    assert_int_equal(window_free(&w), WINDOW_SLOTS);
    for (int i = 0; i < 5 * WINDOW_SLOTS; i++) { /* around the ring */
        window_push(&w, 2000 + i, i);
        assert_true(window_answer(&w, i));
        assert_int_equal(w.settled, 2000 + i);
    }
    window_push(&w, 5000, 1);
    window_reset(&w, w.settled); /* a new connection: begin again behind what is settled */
    assert_int_equal(w.sent, w.settled);
    assert_false(window_answer(&w, 1));
}

struct sent {
    int count, most;
    char text[256];
};

static bool send_value(void *context, const char *topic, const char *payload)
{
    struct sent *s = context;
    size_t n = strlen(s->text);
    if (s->count == s->most)
        return false;
    s->count++;
    snprintf(s->text + n, sizeof s->text - n, "%s=%s ", topic, payload ? payload : "-");
    return true;
}

static void only_the_newest_value_is_sent_and_only_when_it_changed(void **state)
{
    struct states *v = states_create();
    struct sent s = {.most = 99};
    (void)state;
    states_set(v, "a", "1");
    states_set(v, "b", "1");
    states_set(v, "a", "2");
    states_send(v, send_value, &s);
    assert_string_equal(s.text, "a=2 b=1 ");
    states_set(v, "b", "1"); /* nothing new */
    states_send(v, send_value, &s);
    assert_int_equal(s.count, 2);
    s = (struct sent){.most = 1}; /* a slow line: the rest later */
    states_set(v, "a", "3");
    states_set(v, "b", "3");
    states_send(v, send_value, &s);
    assert_string_equal(s.text, "a=3 ");
    s = (struct sent){.most = 99};
    states_send(v, send_value, &s);
    assert_string_equal(s.text, "b=3 ");
    s = (struct sent){.most = 99};
    states_renew(v);
    states_send(v, send_value, &s);
    assert_string_equal(s.text, "a=3 b=3 ");
    states_destroy(v);
}

static void payloads_are_put_together_as_json(void **state)
{
    static const struct {
        const char *id, *error, *members, *wanted;
    } answers[] = {
        {"7", NULL, NULL, "{\"id\":\"7\",\"ok\":true}"},
        {"", NULL, "{}", "{\"id\":\"\",\"ok\":true}"},
        {"q", NULL, "{\"a\":[1]}", "{\"id\":\"q\",\"ok\":true,\"a\":[1]}"},
        {"say \"x\"\n", "no", "{\"a\":1}",
         "{\"id\":\"say \\\"x\\\"\\n\",\"ok\":false,\"error\":\"no\"}"},
        {"q", "caf\xe9", NULL, "{\"id\":\"q\",\"ok\":false,\"error\":\"caf?\"}"},
    };
    struct text t = TEXT_INIT;
    (void)state;
    for (size_t i = 0; i < sizeof answers / sizeof answers[0]; i++) {
        text_clear(&t);
        payload_answer(&t, answers[i].id, answers[i].error, answers[i].members);
        assert_string_equal(text_get(&t), answers[i].wanted);
    }
    text_clear(&t);
    payload_with_seq(&t, 12, "{\"a\":1}");
    payload_with_seq(&t, 13, "{}");
    assert_string_equal(text_get(&t), "{\"seq\":12,\"a\":1}{\"seq\":13}");
    text_clear(&t);
    payload_trip(&t, "{\"a\":1}", 0, 0, NAN);
    payload_trip(&t, "{\"a\":1}", RECORD_WALL_MS, 1.5, 0.25);
    assert_string_equal(
        text_get(&t),
        "{\"a\":1}{\"a\":1,\"restored_at\":\"2026-01-01T00:00:00.000Z\",\"seconds_open\":1.5,"
        "\"opened_again_after_seconds\":0.25}");
    text_free(&t);
}

static void a_batch_for_the_centre_goes_when_full_or_due(void **state)
{
    static const struct {
        int64_t settled, newest, sent_ms, now_ms;
        int mid;
        bool due;
    } cases[] = {
        {5, 5, 0, 99999, 0, false},           /* nothing new */
        {5, 6, 1000, 1999, 0, false},         /* not yet */
        {5, 6, 1000, 2000, 0, true},          /* a second later */
        {5, 6, 1000, 9000, 3, false},         /* one is on its way */
        {0, UP_RECORDS, 1000, 1001, 0, true}, /* full */
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct up u = {
            .settled = cases[i].settled, .sent_mono_ms = cases[i].sent_ms, .mid = cases[i].mid};
        assert_int_equal(up_due(&u, cases[i].newest, cases[i].now_ms, 1000), cases[i].due);
    }
}

static void batches_follow_one_another_without_a_gap(void **state)
{
    struct record r;
    struct up u = {.loads = true};
    struct text t = TEXT_INIT;
    int64_t records = 0, last = 0;
    (void)state;
    record_init(&r);
    record_open(&r, (struct store_options){0});
    assert_int_equal(up_compose(&u, r.reader, "mill-lane-3", NULL, &t), STORE_OK);
    assert_int_equal(t.length, 0);
    for (int i = 0; i < 1234; i++)
        record_load(&r, 0, i);
    record_turn(&r);
    int64_t newest = store_newest(r.store, STORE_ROUTE_UP);
    for (int batch = 0; u.settled < newest && batch < 10; batch++) {
        long long after, from, to;
        text_clear(&t);
        assert_int_equal(up_compose(&u, r.reader, "mill-lane-3", NULL, &t), STORE_OK);
        assert_int_equal(
            sscanf(text_get(&t),
                   "{\"site\":\"mill-lane-3\",\"after\":%lld,\"from\":%lld,\"to\":%lld,"
                   "\"records\":[{\"seq\":",
                   &after, &from, &to),
            3);
        assert_int_equal(after, last);
        assert_true(last == 0 || from == last + 1);
        assert_int_equal(to, u.sent);
        for (const char *at = text_get(&t); (at = strstr(at, "{\"seq\":")); at++)
            records++;
        assert_string_equal(text_get(&t) + t.length - 3, "}]}");
        last = to;
        u.settled = u.sent;
    }
    assert_int_equal(records, 1234);
    assert_int_equal(last, newest);
    text_free(&t);
    record_finish(&r);
}

static void composed(struct up *u, struct record *r, const char *health, const char *wanted)
{
    struct text t = TEXT_INIT;
    assert_int_equal(up_compose(u, r->reader, "mill-lane-3", health, &t), STORE_OK);
    assert_string_equal(text_get(&t), wanted);
    text_free(&t);
}

/* Loads that come and go stay at home; what travels speaks for their numbers too. */
static void loads_stay_at_the_site(void **state)
{
    struct record r;
    struct up u = {0};
    struct text t = TEXT_INIT;
    (void)state;
    record_init(&r);
    record_open(&r, (struct store_options){0});
    record_load(&r, 0, 1);
    record_load(&r, 0, 2);
    record_turn(&r);
    int64_t first = store_newest(r.store, STORE_ROUTE_UP) - 1;
    composed(&u, &r, NULL, "");
    assert_int_equal(up_seen(&u), first + 1);
    assert_int_equal(u.settled, 0);
    assert_false(up_due(&u, first + 1, 99999, 1000));

    struct event e = record_trip(&r, "t-1", 0, TRIP_CONFIRMED);
    record_add(&r, &e);
    record_load(&r, 0, 3);
    record_turn(&r);
    assert_true(up_due(&u, first + 3, 99999, 1000));
    assert_int_equal(up_compose(&u, r.reader, "mill-lane-3", NULL, &t), STORE_OK);
    char wanted[160];
    snprintf(wanted, sizeof wanted,
             "{\"site\":\"mill-lane-3\",\"after\":0,\"from\":%lld,\"to\":%lld,"
             "\"records\":[{\"seq\":%lld,",
             (long long)first + 2, (long long)first + 3, (long long)first + 2);
    assert_int_equal(strncmp(text_get(&t), wanted, strlen(wanted)), 0);
    assert_null(strstr(text_get(&t), "load_on\""));
    assert_int_equal(u.sent, first + 3);
    u.settled = u.sent;
    snprintf(wanted, sizeof wanted,
             "{\"site\":\"mill-lane-3\",\"after\":%lld,\"from\":%lld,\"to\":%lld,"
             "\"health\":{\"a\":1},\"records\":[]}",
             (long long)first + 3, (long long)first + 3, (long long)first + 3);
    composed(&u, &r, "{\"a\":1}", wanted); /* a silent site says so */
    text_free(&t);
    record_finish(&r);
}

static void what_a_centre_lacks_is_sent_again(void **state)
{
    struct record r;
    struct up u = {.loads = true};
    (void)state;
    record_init(&r);
    record_open(&r, (struct store_options){0});
    for (int i = 0; i < 1300; i++)
        record_load(&r, 0, i);
    record_turn(&r);
    int64_t newest = store_newest(r.store, STORE_ROUTE_UP), first = newest - 1299;
    int64_t last = first + 99, records = 0;
    up_ask_again(&u, first + 199, first + 299);
    up_ask_again(&u, first + 99, first + 1199); /* wider: both at once */
    for (int batch = 0; batch < 10; batch++) {
        struct text t = TEXT_INIT;
        long long after, from, to;
        assert_int_equal(up_compose_again(&u, r.reader, "mill-lane-3", newest, &t), STORE_OK);
        if (t.length == 0)
            break;
        assert_int_equal(sscanf(text_get(&t),
                                "{\"site\":\"mill-lane-3\",\"after\":%lld,\"from\":%lld,\"to\":"
                                "%lld,\"again\":true,\"records\":[{",
                                &after, &from, &to),
                         3);
        assert_int_equal(after, last);
        for (const char *at = text_get(&t); (at = strstr(at, "{\"seq\":")); at++)
            records++;
        last = to;
        u.again_after = u.again_sent;
        text_free(&t);
    }
    assert_true(last >= first + 1199);
    assert_int_equal(records, last - first - 99);
    assert_int_equal(u.again_to, 0);

    struct text t = TEXT_INIT; /* numbers not yet given are not spoken for */
    up_ask_again(&u, newest, newest + 5);
    assert_int_equal(up_compose_again(&u, r.reader, "mill-lane-3", newest, &t), STORE_OK);
    assert_int_equal(t.length, 0);
    /* numbers that are gone are spoken for, so that nobody asks for ever */
    record_do(&r, "DELETE FROM events");
    up_ask_again(&u, first, newest);
    assert_int_equal(up_compose_again(&u, r.reader, "mill-lane-3", newest, &t), STORE_OK);
    assert_non_null(strstr(text_get(&t), "\"records\":[]}"));
    assert_int_equal(u.again_sent, newest);
    text_free(&t);
    record_finish(&r);
}

static void the_brokers_retained_ones_are_put_right(void **state)
{
    struct record r;
    struct standing noted = {0};
    struct sent s = {.most = 99};
    (void)state;
    record_init(&r);
    record_open(&r, (struct store_options){0});
    struct event e = record_alarm(&r, "b.trip", ALARM_TRIP, ALARM_UNACKNOWLEDGED);
    record_add(&r, &e);
    e = record_alarm(&r, "a.trip", ALARM_TRIP, ALARM_NORMAL);
    record_add(&r, &e);
    e = record_trip(&r, "t-1", 0, TRIP_CONFIRMED);
    record_add(&r, &e);
    record_turn(&r);
    /* the broker has: one that stands, one that is over, one that nobody knows */
    standing_note(&noted, "foretrip/mill-lane-3/trip/t-1");
    standing_note(&noted, "foretrip/mill-lane-3/alarm/a.trip");
    standing_note(&noted, "foretrip/mill-lane-3/alarm/ghost");
    assert_int_equal(
        standing_compare(&noted, r.reader, "foretrip/mill-lane-3/", send_value, &s), STORE_OK);
    assert_int_equal(s.count, 3);
    assert_int_equal(strncmp(s.text, "foretrip/mill-lane-3/alarm/b.trip={\"seq\":", 41), 0);
    standing_free(&noted);
    s = (struct sent){.most = 99}; /* it has them all: nothing is sent */
    standing_note(&noted, "foretrip/mill-lane-3/trip/t-1");
    standing_note(&noted, "foretrip/mill-lane-3/alarm/b.trip");
    assert_int_equal(
        standing_compare(&noted, r.reader, "foretrip/mill-lane-3/", send_value, &s), STORE_OK);
    assert_int_equal(s.count, 0);
    standing_free(&noted);
    record_finish(&r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_window_settles_the_oldest_stretch_without_a_hole),
        cmocka_unit_test(only_the_newest_value_is_sent_and_only_when_it_changed),
        cmocka_unit_test(payloads_are_put_together_as_json),
        cmocka_unit_test(a_batch_for_the_centre_goes_when_full_or_due),
        cmocka_unit_test(batches_follow_one_another_without_a_gap),
        cmocka_unit_test(loads_stay_at_the_site),
        cmocka_unit_test(what_a_centre_lacks_is_sent_again),
        cmocka_unit_test(the_brokers_retained_ones_are_put_right),
    };
    return cmocka_run_group_tests_name("notify", tests, NULL, NULL);
}
