/* What a gateway answers a centre: read, refused, told apart; and a unit's sheet, made at the
 * gateway with less in it for a manager, and as text at the centre. */
#include "check.h"
#include "record.h"

#include "fleet/ask.h"
#include "fleet/sheet_text.h"
#include "fleet/sim_site.h"
#include "web/sheet.h"

#include <stdlib.h>

static void only_the_sites_own_reply_topic_is_an_answer(void **state)
{
    static const struct {
        const char *topic, *site; /* NULL: none */
    } rows[] = {
        {"foretrip/maple-12/reply/me", "maple-12"},
        {"foretrip/maple-12/reply/you", NULL},
        {"foretrip/maple-12/reply/me/too", NULL},
        {"foretrip/maple-12/up", NULL},
        {"foretrip/a b/reply/me", NULL},
        {"elsewhere/maple-12/reply/me", NULL},
        {"foretrip//reply/me", NULL},
        {"", NULL},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char site[SITE_ID_SIZE];
        bool is = ask_read_topic(rows[i].topic, "me", site);
        if (is != (rows[i].site != NULL) || (is && strcmp(site, rows[i].site) != 0))
            fail_msg("%s", rows[i].topic);
    }
}

static void an_answer_says_yes_no_or_nothing_that_can_be_read(void **state)
{
    static const struct {
        const char *payload;
        enum ask_err err;
        const char *id, *why;
    } rows[] = {
        {"{\"id\":\"a1\",\"ok\":true,\"unit\":{}}", ASK_OK, "a1", ""},
        {"{\"id\":\"a1\",\"ok\":false,\"error\":\"there is no trip x\"}", ASK_ERR_REFUSED, "a1",
         "there is no trip x"},
        {"{\"id\":\"a1\",\"ok\":false,\"error\":\"\\u001b[2Jhey\"}", ASK_ERR_REFUSED, "a1",
         " [2Jhey"},
        {"{\"id\":\"a1\",\"ok\":false}", ASK_ERR_REFUSED, "a1", "the gateway does not say why"},
        {"{\"id\":\"a1\",\"ok\":1}", ASK_ERR_ANSWER, "a1",
         "the answer says neither yes nor no"},
        {"{\"id\":\"a1\"}", ASK_ERR_ANSWER, "a1", "the answer says neither yes nor no"},
        {"{\"ok\":true}", ASK_ERR_ANSWER, "", "the answer has no id"},
        {"{\"id\":7,\"ok\":true}", ASK_ERR_ANSWER, "", "the answer has no id"},
        {"{\"id\":\"0123456789012345678901234567890123\",\"ok\":true}", ASK_ERR_ANSWER, "",
         "the answer has no id"},
        {"[1]", ASK_ERR_ANSWER, "", "the answer is no JSON object"},
        {"{\"id\":\"a1\",\"id\":\"a2\",\"ok\":true}", ASK_ERR_ANSWER, "",
         "the answer is no JSON object"},
        {"", ASK_ERR_ANSWER, "", "the answer is no JSON object"},
    };
    char id[ASK_ID_SIZE], why[ASK_WHY_SIZE];
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        enum ask_err err = ask_read_answer(rows[i].payload, strlen(rows[i].payload), id, why);
        if (err != rows[i].err || strcmp(id, rows[i].id) != 0 || strcmp(why, rows[i].why) != 0)
            fail_msg("%s: %s, '%s', '%s'", rows[i].payload, ask_strerror(err), id, why);
    }
    char *long_one = calloc(1, ASK_MOST_BYTES + 1);
    assert_int_equal(ask_read_answer(long_one, ASK_MOST_BYTES + 1, id, why), ASK_ERR_LARGE);
    free(long_one);
}

/* ---- at the gateway ---- */

static json_t *sheet_of(const struct record *r, const char *trip, bool discreet,
                        char why[SHEET_WHY_SIZE])
{
    struct text t = TEXT_INIT;
    bool good = sheet_write(&(struct sheet){.site = &r->site,
                                            .reader = r->reader,
                                            .states = "{\"circuit\":\"cellar-01\",\"amps\":7.5,"
                                                      "\"state\":\"closed\"},null",
                                            .trip = trip,
                                            .discreet = discreet,
                                            .wall_ms = r->wall_ms},
                            &t, why);
    json_t *o = good ? json_loads(text_get(&t), JSON_REJECT_DUPLICATES, NULL) : NULL;
    if (good)
        assert_non_null(o);
    text_free(&t);
    return o;
}

static void a_sheet_has_what_stands_and_less_for_a_manager(void **state)
{
    struct record *r = *state;
    char why[SHEET_WHY_SIZE];
    assert_int_equal(record_open(r, (struct store_options){0}), STORE_OK);
    struct event trip = record_trip(r, "cellar-01.1", 0, TRIP_CONFIRMED);
    const struct event_load kettle = {.appliance = "kettle", .amps = 9.1};
    trip.trip.loads = &kettle;
    trip.trip.load_count = 1;
    record_add(r, &trip);
    struct event alarm = record_alarm(r, "cellar-01.trip", ALARM_TRIP, ALARM_UNACKNOWLEDGED);
    record_add(r, &alarm);
    assert_int_equal(record_turn(r), STORE_OK);

    json_t *o = sheet_of(r, "cellar-01.1", false, why);
    assert_string_equal(json_string_value(json_object_get(json_object_get(o, "unit"), "site")),
                        "mill-lane-3");
    assert_int_equal(json_array_size(json_object_get(o, "alarms")), 1);
    assert_int_equal(json_array_size(json_object_get(o, "trips")), 1);
    assert_int_equal(json_array_size(json_object_get(o, "circuits")), 2);
    assert_int_equal(json_array_size(json_object_get(json_object_get(o, "trip"), "loads")), 1);
    assert_true(json_array_size(json_object_get(o, "events")) >= 1);
    json_decref(o);

    o = sheet_of(r, "cellar-01.1", true, why);
    char *whole = json_dumps(o, JSON_COMPACT);
    assert_null(strstr(whole, "kettle"));
    assert_null(strstr(whole, "7.5"));
    assert_non_null(strstr(whole, "\"discreet\":true"));
    free(whole);
    json_decref(o);

    assert_null(sheet_of(r, "cellar-09.1", false, why));
    assert_string_equal(why, "there is no trip cellar-09.1");
    record_close(r);
}

/* ---- at the centre ---- */

static void a_simulated_sites_sheet_prints_as_a_gateways(void **state)
{
    struct sim_site s;
    struct text members = TEXT_INIT, answer = TEXT_INIT, shown = TEXT_INIT;
    (void)state;
    sim_site_init(&s, 3, 1000);
    for (int what = SIM_WARNED; what <= SIM_RAISED; what++) /* it is open */
        assert_true(sim_site_add(&s, (enum sim_what)what, 7, RECORD_WALL_MS, RECORD_WALL_MS));
    assert_true(sim_site_sheet(&s, "", true, RECORD_WALL_MS, &members));
    text_printf(&answer, "{\"id\":\"a\",\"ok\":true,%s}", text_get(&members));
    assert_true(sheet_text(text_get(&answer), answer.length, &shown));
    assert_non_null(strstr(text_get(&shown), s.name));
    assert_non_null(strstr(text_get(&shown), "has opened, because"));
    assert_non_null(strstr(text_get(&shown), "no protective device"));
    assert_false(sim_site_sheet(&s, "main-99-1", true, RECORD_WALL_MS, &members));
    text_free(&members);
    text_free(&answer);
    text_free(&shown);
    sim_site_finish(&s);
}

static void what_is_no_sheet_is_not_printed_and_no_byte_upsets_a_terminal(void **state)
{
    struct text t = TEXT_INIT;
    (void)state;
    assert_false(sheet_text("{\"id\":\"a\",\"ok\":true}", 20, &t));
    assert_int_equal(t.length, 0);
    const char *odd = "{\"unit\":{\"name\":\"\\u001b[31m\\u0007x\"},\"circuits\":[null,7],"
                      "\"alarms\":{},\"trips\":[{\"opened_at\":\"soon\"}]}";
    assert_true(sheet_text(odd, strlen(odd), &t));
    assert_null(strpbrk(text_get(&t), "\033\a"));
    text_free(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(only_the_sites_own_reply_topic_is_an_answer),
        cmocka_unit_test(an_answer_says_yes_no_or_nothing_that_can_be_read),
        cmocka_unit_test_setup_teardown(a_sheet_has_what_stands_and_less_for_a_manager,
                                        record_set_up, record_tear_down),
        cmocka_unit_test(a_simulated_sites_sheet_prints_as_a_gateways),
        cmocka_unit_test(what_is_no_sheet_is_not_printed_and_no_byte_upsets_a_terminal),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
