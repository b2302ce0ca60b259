/* people: who is told what, when - the states of ANSI/ISA-18.2 on one side, letters in the
 * outbox on the other */
#include "office.h"

#include "check.h"

#include "notify/wording.h"

#include <jansson.h>
#include <stdlib.h>

static void an_alarm_is_one_letter_by_each_way_and_one_when_it_is_over(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "webhook = \"https://h.example.net/\"; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    assert_string_equal(after(&o, 1000), "");
    assert_string_equal(after(&o, 1000), "mail/kim: Breaker open, do not reset: 7 Bath\n"
                                         "webhook/kim: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "one reset at the most"));
    assert_non_null(strstr(o.last, "breaker 7 (Bath) in Main panel, 31 Alder Lane"));
    assert_non_null(strstr(o.last, "no protective device"));
    assert_string_equal(after(&o, 10 * HOUR), "");
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_RETURNED_UNACKNOWLEDGED);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: Over: Breaker open, do not reset: 7 Bath\n"
                        "webhook/kim: Over: Breaker open, do not reset: 7 Bath\n");
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_NORMAL);
    assert_string_equal(after(&o, 10 * HOUR), "");
    close_office(&o);
}

static void a_lower_priority_reaches_nobody_who_did_not_ask(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"lee\"; name = \"L\"; mail = \"l@example.net\"; "
                    "priority = \"low\"; }");
    RAISE(&o, 0, ALARM_METER_LOST, PRIORITY_LOW);
    assert_string_equal(after(&o, 2000), "mail/lee: Not watched now: meter main-07\n");
    close_office(&o);
}

static void thread_of(const struct office *o, char out[200])
{
    json_t *letter = json_loads(o->last, 0, NULL);
    snprintf(out, 200, "%s", json_string_value(json_object_get(letter, "thread")));
    json_decref(letter);
}

/* a warning that came true: the opening is told, in the same thread, and not that it is over */
static void a_warning_and_its_opening_are_one_thread(void **state)
{
    struct office o;
    char warned[200], opened[200], again[200];
    (void)state;
    open_office(&o, "{ " KIM "}");
    RAISE(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH);
    assert_string_equal(after(&o, 2000), "mail/kim: Switch something off: 7 Bath\n");
    thread_of(&o, warned);
    after(&o, MINUTE);
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    alarm_is_by(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH, ALARM_NORMAL, false, "main-07.trip");
    assert_string_equal(after(&o, 2000), "mail/kim: Breaker open, do not reset: 7 Bath\n");
    thread_of(&o, opened);
    assert_string_equal(opened, warned);
    assert_string_equal(after(&o, HOUR), "");
    RAISE(&o, 0, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    after(&o, 2000);
    thread_of(&o, again);
    assert_string_equal(again, warned);
    RAISE(&o, 2, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH); /* another matter */
    after(&o, 2000);
    thread_of(&o, again);
    assert_string_not_equal(again, warned);
    close_office(&o);
}

/* an alert asks for nothing: whoever wants the low ones gets it, and all get the alarm */
static void an_alert_is_told_as_one_and_counts_as_no_alarm(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"lee\"; name = \"L\"; mail = \"l@example.net\"; "
                    "priority = \"low\"; repeat_minutes = 10; summary = \"daily\"; "
                    "summary_at = \"13:00\"; }, { id = \"max\"; name = \"M\"; "
                    "mail = \"m@example.net\"; priority = \"low\"; after_minutes = 5; }");
    alarm_is_by(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_LOW, ALARM_UNACKNOWLEDGED, true, NULL);
    assert_string_equal(after(&o, 2000), "mail/lee: Switch nothing more on: 7 Bath\n");
    assert_null(strstr(o.last, "foretrip acknowledge"));
    assert_string_equal(after(&o, 30 * MINUTE), ""); /* neither repeated nor unanswered */
    RAISE(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH);
    assert_string_equal(after(&o, 2000), "mail/kim: Switch something off: 7 Bath\n"
                                         "mail/lee: Switch something off: 7 Bath\n");
    alarm_is(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, HOUR), "mail/lee: Summary: 31 Alder Lane\n");
    assert_non_null(strstr(o.last, "Alarms raised: 1, of these urgent: 0."));
    close_office(&o);
}

static void ten_at_once_are_one_letter_and_the_urgent_one_leads(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}");
    RAISE(&o, 0, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH);
    RAISE(&o, 1, ALARM_FEEDER_OVERLOAD, PRIORITY_HIGH);
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    assert_string_equal(after(&o, 2000), "mail/kim: Switch something off: 7 Bath (+2)\n");
    RAISE(&o, 2, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    RAISE(&o, 0, ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: URGENT Opened again, leave it off: 1 Saw (+1)\n");
    close_office(&o);
}

/* what a feeder took with it is suppressed (analysis/suppression.h) within the gathering */
static void branches_that_go_with_a_feeder_are_not_told(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}");
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 1, ALARM_TRIP, PRIORITY_HIGH);
    alarm_is(&o, 2, ALARM_TRIP, PRIORITY_HIGH, ALARM_SUPPRESSED);
    assert_string_equal(after(&o, 2000), "mail/kim: Feeder open: 14,16 Garage feeder\n");
    close_office(&o);
}

static void shelving_silences_and_what_comes_after_it_is_told(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "repeat_minutes = 10; }");
    RAISE(&o, 0, ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH);
    after(&o, 2000);
    alarm_is(&o, 0, ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH, ALARM_SHELVED);
    assert_string_equal(after(&o, HOUR), "");
    RAISE(&o, 0, ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH); /* shelving has ended */
    assert_string_equal(after(&o, 2000), "mail/kim: Too much for too long: 7 Bath\n");
    close_office(&o);
}

/* IEC 62682: a flood begins above ten alarms in ten minutes */
static void a_flood_becomes_one_letter_but_not_the_urgent(void **state)
{
    struct office o;
    size_t letters = 0;
    (void)state;
    open_office(&o, "{ " KIM "}");
    for (int i = 0; i < 40; i++) {
        RAISE(&o, i % 3, i % 2 ? ALARM_NEAR_OVERLOAD : ALARM_CONTINUOUS_LOAD, PRIORITY_HIGH);
        letters += after(&o, 5000)[0] != '\0';
    }
    assert_int_equal(letters, 10);
    RAISE(&o, 0, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: URGENT Opened again, leave it off: 7 Bath\n");
    assert_string_equal(after(&o, 5 * MINUTE), "");
    assert_string_equal(after(&o, 10 * MINUTE),
                        "mail/kim: Too much for too long: 14,16 Garage feeder (+5)\n");
    close_office(&o);
}

static void spanish_is_told_in_spanish(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "language = \"es\"; }");
    RAISE(&o, 0, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    assert_string_equal(after(&o, 2000), "mail/kim: URGENTE Otra vez, no rearmar: 7 Bath\n");
    assert_null(strstr(o.last, "Something has happened"));
    assert_non_null(strstr(o.last, "No lo rearme más: un intento fallido basta."));
    assert_non_null(strstr(o.last, "no es un dispositivo de protección"));
    close_office(&o);
}

/* the numbers are for whoever judges; loads and numbers in their language */
static void an_electrician_gets_the_figures_too(void **state)
{
    static const struct event_load off = {.amps = 12.5, .appliance = "portable_heater"};
    static const struct event_near_overload near = {
        .amps = 26.0, .switch_off = &off, .switch_off_count = 1};
    struct office o;
    struct figures figures;
    (void)state;
    figures_clear(&figures);
    figures_add(&figures, FIGURE_LOAD, 26.0);
    figures_add(&figures, FIGURE_BREAKER, 15.0);
    const struct event e = {.type = EVENT_ALARM,
                            .wall_ms = NOON,
                            .panel = -1,
                            .circuit = 0,
                            .alarm = {.id = "main-07.near_overload",
                                      .kind = ALARM_NEAR_OVERLOAD,
                                      .priority = PRIORITY_HIGH,
                                      .state = ALARM_UNACKNOWLEDGED,
                                      .text = "Too much.",
                                      .advice = "",
                                      .by = "",
                                      .note = "",
                                      .meter = -1,
                                      .near_overload = &near,
                                      .figures = &figures}};
    open_office(&o, "{ " KIM "role = \"electrician\"; language = \"es\"; }");
    people_event(o.people, &e);
    struct codec_out out = {0}; /* and they survive a restart */
    people_save(o.people, &out);
    people_destroy(o.people);
    o.people =
        people_create(&o.config.delivery, &o.config.phrases, &o.config.site, o.record.store);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(people_load(o.people, &in));
    codec_out_free(&out);
    after(&o, 2000);
    assert_non_null(
        strstr(o.last, "lleva 26.0 A. Está encendido: calefactor portátil 12.5 A."));
    assert_non_null(strstr(o.last, "Cifras: carga 26.00 A, interruptor 15 A"));
    close_office(&o);
    open_office(&o, "{ " KIM "role = \"resident\"; }");
    people_event(o.people, &e);
    after(&o, 2000);
    assert_null(strstr(o.last, "load 26.00 A"));
    close_office(&o);
}

static size_t characters_of(const char *s)
{
    size_t n = 0;
    for (; *s; s++)
        n += ((unsigned char)*s & 0xc0) != 0x80;
    return n;
}

static void a_long_name_is_cut_to_sixty_characters(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}");
    text_copy(o.config.site.circuits[0].name, SITE_NAME_SIZE,
              "Küche mit Spüle, Geschirrspüler, Kühlschrank und noch vielem mehr");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_URGENT);
    const char *subject = strchr(after(&o, 2000), ' ') + 1;
    assert_int_equal(characters_of(subject), 60 + 1); /* and the line's end */
    assert_non_null(strstr(subject, "\xe2\x80\xa6\n"));
    close_office(&o);
}

/* the trip alarm of main-07, by that cause, and what of it is new */
static void trip_says(struct office *o, enum trip_cause cause, enum alarm_state state,
                      enum alarm_change changed)
{
    struct figures figures;
    figures_clear(&figures);
    figures_add(&figures, FIGURE_LOST_ITS_SUPPLY, 97.0);
    figures_add(&figures, (enum figure_what)(FIGURE_OVERLOAD + (int)cause), 90.0);
    struct event e = {.type = EVENT_ALARM, .wall_ms = o->now, .panel = -1, .circuit = 0};
    e.alarm = (struct event_alarm){.id = "main-07.trip",
                                   .kind = ALARM_TRIP,
                                   .priority = PRIORITY_HIGH,
                                   .state = state,
                                   .changed = changed,
                                   .raised_wall_ms = NOON,
                                   .text = "It has opened.",
                                   .advice = cause == CAUSE_OVERLOAD ? "Once." : "Never.",
                                   .figures = &figures,
                                   .by = "",
                                   .note = "",
                                   .meter = -1};
    people_event(o->people, &e);
}

static void advice_that_has_changed_reaches_whoever_was_told_once(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; language = \"es\"; }");
    trip_says(&o, CAUSE_OVERLOAD, ALARM_UNACKNOWLEDGED, ALARM_CHANGED_STATE);
    assert_string_equal(after(&o, 2000), "mail/kim: Breaker open, overloaded: 7 Bath\n");
    trip_says(&o, CAUSE_OVERLOAD, ALARM_ACKNOWLEDGED, ALARM_CHANGED_STATE);
    trip_says(&o, CAUSE_OVERLOAD, ALARM_ACKNOWLEDGED, ALARM_WORDS_CHANGED);
    assert_string_equal(after(&o, HOUR), ""); /* words alone call nobody */
    trip_says(&o, CAUSE_FAULT, ALARM_UNACKNOWLEDGED, ALARM_ADVICE_CHANGED);
    assert_string_equal(after(&o, 2000), "mail/kim: Now: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "what to do has changed"));
    assert_non_null(strstr(o.last, "Never."));
    /* nobody has acknowledged that: who is next in line hears it, as it is now */
    assert_string_equal(after(&o, 15 * MINUTE),
                        "mail/reyes: Sin respuesta: Disparado, no rearmar: 7 Bath\n");
    assert_string_equal(after(&o, HOUR), "");
    close_office(&o);
}

/* who was not told yet hears it when it is due, in the newest words, and but once */
static void who_was_not_told_yet_hears_only_the_newest(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "quiet_from = \"12:00\"; quiet_to = \"13:00\"; }");
    trip_says(&o, CAUSE_OVERLOAD, ALARM_UNACKNOWLEDGED, ALARM_CHANGED_STATE);
    assert_string_equal(after(&o, MINUTE), "");
    trip_says(&o, CAUSE_FAULT, ALARM_UNACKNOWLEDGED, ALARM_ADVICE_CHANGED);
    assert_string_equal(after(&o, HOUR), "mail/kim: Breaker open, do not reset: 7 Bath\n");
    assert_string_equal(after(&o, HOUR), "");
    close_office(&o);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_alarm_is_one_letter_by_each_way_and_one_when_it_is_over),
        cmocka_unit_test(a_lower_priority_reaches_nobody_who_did_not_ask),
        cmocka_unit_test(a_warning_and_its_opening_are_one_thread),
        cmocka_unit_test(an_alert_is_told_as_one_and_counts_as_no_alarm),
        cmocka_unit_test(ten_at_once_are_one_letter_and_the_urgent_one_leads),
        cmocka_unit_test(branches_that_go_with_a_feeder_are_not_told),
        cmocka_unit_test(shelving_silences_and_what_comes_after_it_is_told),
        cmocka_unit_test(a_flood_becomes_one_letter_but_not_the_urgent),
        cmocka_unit_test(spanish_is_told_in_spanish),
        cmocka_unit_test(an_electrician_gets_the_figures_too),
        cmocka_unit_test(advice_that_has_changed_reaches_whoever_was_told_once),
        cmocka_unit_test(who_was_not_told_yet_hears_only_the_newest),
        cmocka_unit_test(a_long_name_is_cut_to_sixty_characters),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
