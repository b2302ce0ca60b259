/* event_json: the contract's field names and forms (design card, section 5) */
#include "check.h"

#include "model/event_json.h"

#include <stdlib.h>

static void house(struct site *s)
{
    site_init(s);
    strcpy(s->id, "maple-12");
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "main");
    for (int i = 0; i < 2; i++) {
        struct site_circuit *c = site_add_circuit(s);
        snprintf(c->id, sizeof c->id, "main-%02d", i + 1);
        c->panel = 0;
    }
    site_finish(s);
}

static char *text_of(const struct event *e)
{
    struct site s;
    house(&s);
    char *text = event_to_json_text(&s, e);
    site_free(&s);
    return text;
}

static void a_load_is_told_with_its_run(void **state)
{
    (void)state;
    struct event e = {
        .type = EVENT_LOAD_ON, .wall_ms = 1767225600123, .panel = -1, .circuit = 0};
    e.load = (struct event_load){
        .run = 42, .amps = 12.3456, .inrush_amps = 15.0, .appliance_probability = 0.97};
    strcpy(e.load.appliance, "kettle");
    char *text = text_of(&e);
    assert_string_equal(
        text,
        "{\"time\":\"2026-01-01T00:00:00.123Z\",\"type\":\"load_on\",\"site\":\"maple-12\","
        "\"panel\":\"main\",\"circuit\":\"main-01\",\"run\":\"r42\",\"amps\":12.346,"
        "\"inrush_amps\":15.0,\"appliance\":\"kettle\",\"appliance_probability\":0.97}");
    free(text);
}

static void a_trip_carries_all_causes_and_what_went_with_it(void **state)
{
    (void)state;
    struct event_load load = {
        .run = 7, .amps = 10.0, .since_wall_ms = 1767225600000, .appliance = "unknown"};
    int with[] = {1};
    struct event_evidence evidence[] = {{"two_loads_at_once", 3.912, 2}};
    struct event e = {.type = EVENT_TRIP, .wall_ms = 1767225601000, .panel = 0, .circuit = 0};
    e.trip = (struct event_trip){
        .id = "main-01-20260101T000001Z",
        .stage = TRIP_CONFIRMED,
        .probability = 0.98765,
        .opened_wall_ms = 1767225601000,
        .cause = CAUSE_UPSTREAM_OPEN,
        .causes = {[CAUSE_UPSTREAM_OPEN] = 0.9, [CAUSE_OVERLOAD] = 0.1},
        .amps_before = 10.0,
        .heat = 0.5,
        .loads = &load,
        .load_count = 1,
        .with = with,
        .with_count = 1,
        .upstream = TRIP_UPSTREAM_UTILITY,
        .evidence = evidence,
        .evidence_count = 1,
    };
    char *text = text_of(&e);
    json_t *o = json_loads(text, 0, NULL);
    assert_non_null(o);
    assert_string_equal(json_string_value(json_object_get(o, "stage")), "confirmed");
    assert_string_equal(json_string_value(json_object_get(o, "cause")), "upstream_open");
    assert_int_equal(json_object_size(json_object_get(o, "causes")), CAUSE_COUNT);
    assert_near(json_number_value(json_object_get(o, "probability")), 0.9877, 1e-12);
    assert_string_equal(json_string_value(json_array_get(json_object_get(o, "with"), 0)),
                        "main-02");
    assert_string_equal(json_string_value(json_object_get(o, "upstream")), "utility");
    json_t *first = json_array_get(json_object_get(o, "loads"), 0);
    assert_string_equal(json_string_value(json_object_get(first, "appliance")), "unknown");
    assert_string_equal(json_string_value(json_object_get(first, "since")),
                        "2026-01-01T00:00:00.000Z");
    assert_non_null(json_object_get(o, "evidence"));
    json_decref(o);
    free(text);
}

static void a_warning_says_when_and_what_to_switch_off(void **state)
{
    (void)state;
    struct event_load off = {
        .run = 7, .amps = 10.0, .appliance = "space_heater", .appliance_probability = 0.8};
    struct event_near_overload n = {.amps = 22.5,
                                    .p05_seconds = 40,
                                    .p50_seconds = 90.4,
                                    .p95_seconds = (double)INFINITY,
                                    .chance = 0.6,
                                    .headroom_amps = -3.25,
                                    .switch_off = &off,
                                    .switch_off_count = 1};
    struct figures figures;
    figures_clear(&figures);
    figures_add(&figures, FIGURE_HEAT, 92.4);
    struct event e = {.type = EVENT_ALARM, .wall_ms = 1767225601000, .panel = 0, .circuit = 0};
    e.alarm = (struct event_alarm){.id = "main-01.near_overload",
                                   .kind = ALARM_NEAR_OVERLOAD,
                                   .priority = PRIORITY_HIGH,
                                   .state = ALARM_UNACKNOWLEDGED,
                                   .text = "Too much is on.",
                                   .meter = -1,
                                   .near_overload = &n,
                                   .figures = &figures};
    char *text = text_of(&e);
    json_t *o = json_loads(text, 0, NULL);
    json_t *seconds = json_object_get(o, "trip_seconds");
    assert_string_equal(json_string_value(json_object_get(o, "kind")), "near_overload");
    assert_string_equal(json_string_value(json_object_get(o, "state")), "unacknowledged");
    assert_string_equal(json_string_value(json_object_get(o, "text")), "Too much is on.");
    assert_int_equal(json_integer_value(json_object_get(seconds, "p50")), 90);
    assert_true(json_is_null(json_object_get(seconds, "p95"))); /* not at this current */
    assert_near(json_number_value(json_object_get(o, "headroom_amps")), -3.25, 1e-12);
    assert_int_equal(json_array_size(json_object_get(o, "switch_off")), 1);
    assert_string_equal(json_string_value(json_object_get(o, "detail")), "heat 92 %");
    assert_int_equal(json_array_size(json_object_get(o, "figures")), 1);
    json_decref(o);
    free(text);
}

static void numbers_are_short_and_never_infinite(void **state)
{
    (void)state;
    static const struct {
        double v, unit;
        const char *text;
    } cases[] = {
        {0.1 + 0.2, 0.001, "[0.3]"},
        {1e-9, 0.001, "[0.0]"},
        {12.3456, 0.001, "[12.346]"},
        {(double)INFINITY, 1.0, "[null]"},
        {89.6, 1.0, "[90]"},
        {-0.5, 0.01, "[-0.5]"},
        {123456789.123, 0.001, "[123456789.1]"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        json_t *a = json_array();
        json_array_append_new(a, event_json_number(cases[i].v, cases[i].unit));
        char *text = event_json_dump(a);
        assert_string_equal(text, cases[i].text);
        free(text);
        json_decref(a);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_load_is_told_with_its_run),
        cmocka_unit_test(a_trip_carries_all_causes_and_what_went_with_it),
        cmocka_unit_test(a_warning_says_when_and_what_to_switch_off),
        cmocka_unit_test(numbers_are_short_and_never_infinite),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
