/* trip_texts: what people are told, and that the cautions are never missing */
#include "check.h"

#include "analysis/loads.h"
#include "analysis/trip_texts.h"

static void house(struct site *s)
{
    site_init(s);
    strcpy(s->name, "12 Maple Street");
    strcpy(site_add_panel(s)->name, "Main panel, cellar");
    struct site_circuit *c = site_add_circuit(s);
    strcpy(c->position, "7");
    strcpy(c->name, "Upstairs bath");
    c->panel = 0;
    c->breaker_amps = 15;
    site_finish(s);
}

static void every_advice_at_a_panel_has_its_cautions(void **state)
{
    (void)state;
    struct site s;
    house(&s);
    for (int cause = 0; cause < CAUSE_COUNT; cause++) {
        struct text text = TEXT_INIT, advice = TEXT_INIT;
        struct figures figures;
        figures_clear(&figures);
        struct trip_story y = {.cause = (enum trip_cause)cause,
                               .probability = 0.99,
                               .cause_probability = 0.9,
                               .amps_before = 22.1,
                               .heat = 1.0,
                               .loads = "space heater 12.5 A",
                               .went_with = "Saw",
                               .went_with_count = 1};
        trip_texts_trip(&s, &y, &text, &advice, &figures);
        assert_non_null(
            strstr(text_get(&text), "Breaker 7 (Upstairs bath) in Main panel, cellar"));
        assert_true(text.length < EVENT_TEXT_SIZE && advice.length < EVENT_TEXT_SIZE);
        if (cause != CAUSE_SENSOR_LOST && cause != CAUSE_LOAD_ENDED) {
            assert_non_null(strstr(text_get(&advice), "no protective device"));
            assert_non_null(
                strstr(text_get(&advice), "local codes and a licensed electrician"));
        }
        /* who only may reset once is told the signs of trouble; nobody resets after a fault */
        if (strstr(text_get(&advice), "to ON"))
            assert_non_null(strstr(text_get(&advice), "hot, buzzing, smelling"));
        bool danger = cause == CAUSE_OVERLOAD || cause == CAUSE_FAULT ||
                      cause == CAUSE_WORN_BREAKER || cause == CAUSE_UPSTREAM_OPEN;
        if (danger) {
            assert_non_null(strstr(text_get(&advice), "hot, buzzing, smelling"));
            assert_non_null(strstr(text_get(&advice), "call the emergency number"));
        }
        if (cause == CAUSE_FAULT || cause == CAUSE_UPSTREAM_OPEN)
            assert_non_null(strstr(text_get(&advice), "o not reset it"));
        text_free(&text);
        text_free(&advice);
    }
    site_free(&s);
}

static void an_overload_names_what_was_on(void **state)
{
    (void)state;
    struct site s;
    house(&s);
    struct event_load loads[] = {{.amps = 12.5, .appliance = "space_heater"},
                                 {.amps = 10.2, .appliance = "unknown"},
                                 {.amps = 0.3, .appliance = LOADS_STANDING},
                                 {.amps = 0.1, .appliance = "router"}};
    struct text said = TEXT_INIT, text = TEXT_INIT, advice = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    trip_texts_loads(loads, 4, 4, &said);
    assert_string_equal(text_get(&said), "space heater 12.5 A, a load of 10.2 A");
    struct trip_story y = {.cause = CAUSE_OVERLOAD,
                           .probability = 0.99,
                           .cause_probability = 0.95,
                           .amps_before = 22.8,
                           .heat = 1.0,
                           .loads = text_get(&said),
                           .went_with = ""};
    trip_texts_trip(&s, &y, &text, &advice, &figures);
    assert_string_equal(
        text_get(&text),
        "Breaker 7 (Upstairs bath) in Main panel, cellar has opened, because too much was "
        "on at once (space heater 12.5 A, a load of 10.2 A).");
    text_free(&said);
    text_free(&text);
    text_free(&advice);
    site_free(&s);
}

static void a_failed_reset_says_stop(void **state)
{
    (void)state;
    struct site s;
    house(&s);
    struct text text = TEXT_INIT, advice = TEXT_INIT;
    trip_texts_again(&s, 0, 3.0, &text, &advice);
    assert_non_null(
        strstr(text_get(&text), "opened again 3 seconds after it was reset: stop resetting"));
    text_clear(&text);
    trip_texts_again(&s, 0, 1.2, &text, &advice);
    assert_non_null(strstr(text_get(&text), "opened again 1 second after it was reset"));
    text_clear(&text);
    trip_texts_again(&s, 0, 1800.0, &text, &advice);
    assert_non_null(strstr(text_get(&text), "opened again 30 minutes after it was reset"));
    assert_non_null(strstr(text_get(&advice), "one failed reset is enough"));
    assert_non_null(strstr(text_get(&advice), "licensed electrician"));
    text_free(&text);
    text_free(&advice);
    site_free(&s);
}

/* the breaker may be closed when it is said that it is worn */
static void a_worn_breaker_is_left_off_where_it_has_opened(void **state)
{
    (void)state;
    struct site s;
    house(&s);
    struct text text = TEXT_INIT, advice = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    trip_texts_worn(&s, 0, 0.9, 13.0, &text, &advice, &figures);
    assert_non_null(strstr(text_get(&advice), "If it has opened, leave it off."));
    assert_non_null(strstr(text_get(&advice), "licensed electrician check the breaker"));
    assert_non_null(strstr(text_get(&advice), "hot, buzzing, smelling"));
    assert_non_null(strstr(text_get(&advice), "no protective device"));
    assert_true(advice.length < EVENT_TEXT_SIZE);
    text_free(&text);
    text_free(&advice);
    site_free(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_advice_at_a_panel_has_its_cautions),
        cmocka_unit_test(an_overload_names_what_was_on),
        cmocka_unit_test(a_failed_reset_says_stop),
        cmocka_unit_test(a_worn_breaker_is_left_off_where_it_has_opened),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
