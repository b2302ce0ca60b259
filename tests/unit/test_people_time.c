/* people: told when - quiet hours, who is next in line, summaries, restarts and reloads, and a
 * clock that changes */
#include "office.h"

#include "check.h"

#include <stdlib.h>

static void quiet_hours_hold_all_but_the_urgent(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "quiet_from = \"22:00\"; quiet_to = \"07:00\"; }");
    after(&o, 11 * HOUR); /* 23:00 */
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 2, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH);
    assert_string_equal(after(&o, HOUR), "");
    alarm_is(&o, 2, ALARM_NEAR_OVERLOAD, PRIORITY_HIGH, ALARM_RETURNED_UNACKNOWLEDGED);
    RAISE(&o, 1, ALARM_BREAKER_DID_NOT_OPEN, PRIORITY_URGENT);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: URGENT Fire hazard, call now: 14,16 Garage feeder\n");
    assert_string_equal(after(&o, 6 * HOUR + 59 * MINUTE), ""); /* 06:59 */
    assert_string_equal(after(&o, MINUTE),
                        "mail/kim: Breaker open, do not reset: 7 Bath (+1)\n");
    assert_non_null(strstr(o.last, "It was over again at 2027-01-16 00:00."));
    close_office(&o);
}

static void nobody_acknowledges_so_the_next_in_line_is_told(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; repeat_minutes = 60; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    assert_string_equal(after(&o, 14 * MINUTE), "");
    assert_string_equal(after(&o, MINUTE),
                        "mail/reyes: Unanswered: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "Nobody has acknowledged this since 2027-01-15 12:00. Told "
                                   "so far: Kim."));
    assert_string_equal(after(&o, 59 * MINUTE), "");
    assert_string_equal(after(&o, MINUTE),
                        "mail/reyes: Still: Breaker open, do not reset: 7 Bath\n");
    o.by = "Kim";
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, 2000),
                        "mail/reyes: Answered: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "Somebody is seeing to it now: Kim."));
    assert_null(strstr(o.last, "one reset at the most")); /* it asks for nothing */
    assert_string_equal(after(&o, 3 * HOUR), "");
    /* acknowledged in time: reyes hears nothing */
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    alarm_is(&o, 2, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, HOUR), "");
    /* over by itself before that: neither */
    RAISE(&o, 1, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    alarm_is(&o, 1, ALARM_TRIP, PRIORITY_HIGH, ALARM_RETURNED_UNACKNOWLEDGED);
    assert_string_equal(after(&o, HOUR), "mail/kim: Over: Feeder open: 14,16 Garage feeder\n");
    close_office(&o);
}

static void a_restart_tells_nobody_twice_and_forgets_nobody(void **state)
{
    struct office o;
    struct codec_out out = {0};
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; summary = \"daily\"; summary_at = \"13:00\"; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    people_save(o.people, &out);
    for (size_t cut = 5; cut < out.length; cut++) {
        struct codec_in part = {out.bytes, out.bytes + cut, false};
        struct people *p = people_create(&o.config.delivery, &o.config.phrases, &o.config.site,
                                         o.record.store);
        if (people_load(p, &part)) /* a cut between two sections cannot be seen */
            assert_true(part.at == part.end);
        people_destroy(p);
    }
    people_destroy(o.people);
    o.people =
        people_create(&o.config.delivery, &o.config.phrases, &o.config.site, o.record.store);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(people_load(o.people, &in));
    codec_out_free(&out);
    assert_string_equal(after(&o, MINUTE), "");
    assert_string_equal(after(&o, 14 * MINUTE),
                        "mail/reyes: Unanswered: Breaker open, do not reset: 7 Bath\n");
    assert_string_equal(after(&o, HOUR), "mail/reyes: Summary: 31 Alder Lane\n");
    assert_non_null(
        strstr(o.last, "Alarms raised: 1, of these urgent: 0. Breakers that opened: 1."));
    assert_non_null(strstr(o.last, "Breaker open, do not reset: 7 Bath"));
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_NORMAL);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: Over: Breaker open, do not reset: 7 Bath\n"
                        "mail/reyes: Over: Breaker open, do not reset: 7 Bath\n");
    close_office(&o);
}

/* a feeder with its branches is one breaker, a dark house none */
static void a_summary_counts_breakers_as_people_are_told(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "summary = \"daily\"; summary_at = \"13:00\"; }");
    after(&o, 0);
    RAISE(&o, 1, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, -1, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    RAISE(&o, 0, ALARM_OPENED_AGAIN, PRIORITY_URGENT);
    after(&o, 2000);
    assert_string_equal(after(&o, HOUR), "mail/kim: Summary: 31 Alder Lane\n");
    assert_non_null(
        strstr(o.last, "Alarms raised: 4, of these urgent: 1. Breakers that opened: 3."));
    close_office(&o);
}

static void summaries_come_daily_and_weekly(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "summary = \"weekly\"; }");
    after(&o, 0);
    assert_string_equal(after(&o, 66 * HOUR), ""); /* Monday 06:00 */
    assert_string_equal(after(&o, HOUR), "mail/kim: Summary: 31 Alder Lane\n");
    assert_non_null(strstr(o.last, "Nothing stands now."));
    assert_string_equal(after(&o, 24 * HOUR), "");
    assert_string_equal(after(&o, 6 * 24 * HOUR), "mail/kim: Summary: 31 Alder Lane\n");
    close_office(&o);
}

static void who_sees_to_it_is_not_told_that_somebody_does(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "after_minutes = 1; }, { id = \"reyes\"; name = \"R\"; "
                    "mail = \"r@example.net\"; after_minutes = 2; language = \"es\"; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    assert_string_equal(after(&o, MINUTE),
                        "mail/kim: Unanswered: Breaker open, do not reset: 7 Bath\n");
    assert_null(strstr(o.last, "Told so far"));
    assert_string_equal(after(&o, MINUTE),
                        "mail/reyes: Sin respuesta: Disparado, no rearmar: 7 Bath\n");
    assert_non_null(strstr(o.last, "Se avisó hasta ahora a: Kim."));
    o.by = "R";
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: Answered: Breaker open, do not reset: 7 Bath\n");
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_NORMAL);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: Over: Breaker open, do not reset: 7 Bath\n"
                        "mail/reyes: Terminado: Disparado, no rearmar: 7 Bath\n");
    close_office(&o);
}

static void who_acknowledged_is_known_after_a_restart_in_the_quiet_hours(void **state)
{
    struct office o;
    struct codec_out kept = {0};
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; quiet_from = \"13:00\"; quiet_to = \"14:00\"; }");
    after(&o, 30 * MINUTE);
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    after(&o, 16 * MINUTE);
    after(&o, 20 * MINUTE); /* 13:06 */
    o.by = "Ada";
    alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
    assert_string_equal(after(&o, 2000), "");
    people_save(o.people, &kept);
    people_destroy(o.people);
    o.people =
        people_create(&o.config.delivery, &o.config.phrases, &o.config.site, o.record.store);
    struct codec_in in = {kept.bytes, kept.bytes + kept.length, false};
    assert_true(people_load(o.people, &in));
    codec_out_free(&kept);
    assert_string_equal(after(&o, HOUR),
                        "mail/reyes: Answered: Breaker open, do not reset: 7 Bath\n");
    assert_non_null(strstr(o.last, "Somebody is seeing to it now: Ada."));
    close_office(&o);
}

/* by the clock on the wall: the night in which it is set back has an hour more */
static void quiet_hours_go_by_the_clock_of_the_site_also_when_it_changes(void **state)
{
    static const struct {
        int32_t before, later; /* offsets, hours */
        int64_t quiet_hours;   /* from 23:00 on */
    } nights[] = {{-5, -6, 9}, {-6, -5, 7}, {1, 1, 8}};
    (void)state;
    for (size_t i = 0; i < sizeof nights / sizeof nights[0]; i++) {
        struct office o;
        open_office(&o, "{ " KIM "quiet_from = \"22:00\"; quiet_to = \"07:00\"; }");
        o.offset = nights[i].before * 3600;
        after(&o, (11 - nights[i].before) * HOUR); /* 23:00 there */
        RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
        assert_string_equal(after(&o, 3 * HOUR), "");
        o.offset = nights[i].later * 3600; /* at 02:00 */
        assert_string_equal(after(&o, (nights[i].quiet_hours - 3) * HOUR - MINUTE), "");
        assert_string_equal(after(&o, MINUTE),
                            "mail/kim: Breaker open, do not reset: 7 Bath\n");
        close_office(&o);
    }
}

static void an_escalation_by_night_waits_for_the_morning_unless_it_is_urgent(void **state)
{
    struct office o;
    (void)state;
    open_office(&o,
                "{ " KIM "after_minutes = 15; quiet_from = \"22:00\"; quiet_to = \"07:00\"; }");
    after(&o, 11 * HOUR); /* 23:00 */
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 1, ALARM_BREAKER_DID_NOT_OPEN, PRIORITY_URGENT);
    assert_string_equal(
        after(&o, 16 * MINUTE),
        "mail/kim: URGENT Unanswered: Fire hazard, call now: 14,16 Garage feed\xe2\x80\xa6\n");
    alarm_is(&o, 2, ALARM_TRIP, PRIORITY_HIGH, ALARM_RETURNED_UNACKNOWLEDGED);
    assert_string_equal(after(&o, 7 * HOUR + 43 * MINUTE), ""); /* 06:59 */
    assert_string_equal(after(&o, MINUTE),
                        "mail/kim: Unanswered: Breaker open, do not reset: 7 Bath\n");
    close_office(&o);
}

/* the day on which the clock is set has one summary, at its hour */
static void a_summary_comes_once_also_when_the_clock_of_the_site_changes(void **state)
{
    static const int32_t offsets[][2] = {{-5, -6}, {-6, -5}, {1, 2}, {2, 1}, {0, 9}, {9, 0}};
    (void)state;
    for (size_t i = 0; i < sizeof offsets / sizeof offsets[0]; i++) {
        struct office o;
        int count = 0;
        int64_t last = 0;
        open_office(&o, "{ " KIM "summary = \"daily\"; summary_at = \"07:30\"; }");
        o.offset = offsets[i][0] * 3600;
        for (int hour = 0; hour < 96; hour++) {
            if (hour == 48)
                o.offset = offsets[i][1] * 3600;
            for (int half = 0; half < 2; half++) {
                if (!after(&o, 30 * MINUTE)[0])
                    continue;
                int64_t apart = last ? (o.now - last) / HOUR : 24;
                if (apart < 15 || apart > 33)
                    fail_msg("two summaries %lld h apart", (long long)apart);
                last = o.now;
                count++;
                int64_t local = (o.now / MINUTE + o.offset / 60) % 1440;
                if (local != 7 * 60 + 30)
                    fail_msg("a summary at minute %lld, offsets %d and %d", (long long)local,
                             offsets[i][0], offsets[i][1]);
            }
        }
        assert_true(count == 3 || count == 4); /* by when it began */
        close_office(&o);
    }
}

/* a gateway that believed it was years later, and then learned better */
static void a_clock_that_was_set_back_keeps_nobody_waiting(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "after_minutes = 15; }");
    after(&o, 20000 * HOUR);
    for (int i = 0; i < 12; i++) { /* a flood of its own */
        RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
        after(&o, 2000);
        alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_ACKNOWLEDGED);
        alarm_is(&o, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_NORMAL);
        after(&o, 2000);
    }
    RAISE(&o, 2, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 1000);
    assert_string_equal(after(&o, -20000 * HOUR), "");
    assert_string_equal(after(&o, 1000), "mail/kim: Breaker open, do not reset: 1 Saw\n");
    assert_string_equal(after(&o, 14 * MINUTE), "");
    assert_string_equal(after(&o, MINUTE),
                        "mail/reyes: Unanswered: Breaker open, do not reset: 1 Saw\n");
    close_office(&o);
}

/* as at a reload: the state goes into people by another delivery.cfg */
static void take_over_to(struct office *o, struct office *next, const char *people)
{
    struct codec_out kept = {0};
    people_save(o->people, &kept);
    open_office(next, people);
    next->now = o->now;
    struct codec_in in = {kept.bytes, kept.bytes + kept.length, false};
    assert_true(people_load(next->people, &in));
    codec_out_free(&kept);
}

static void who_is_taken_out_of_the_configuration_is_told_nothing_more(void **state)
{
    struct office o, next;
    (void)state;
    open_office(&o, "{ " KIM "repeat_minutes = 10; }, { id = \"reyes\"; name = \"R\"; "
                    "mail = \"r@example.net\"; after_minutes = 15; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    after(&o, 2000);
    take_over_to(&o, &next,
                 "{ id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                 "after_minutes = 15; }, { id = \"lee\"; name = \"Lee\"; "
                 "mail = \"l@example.net\"; }");
    assert_string_equal(after(&next, 16 * MINUTE),
                        "mail/reyes: Unanswered: Breaker open, do not reset: 7 Bath\n");
    assert_null(strstr(next.last, "Told so far")); /* by nobody who is there still */
    alarm_is(&next, 0, ALARM_TRIP, PRIORITY_HIGH, ALARM_NORMAL);
    assert_string_equal(after(&next, 2000),
                        "mail/reyes: Over: Breaker open, do not reset: 7 Bath\n");
    close_office(&next);
    close_office(&o);
}

/* an essential load turns out to hang on it: who is told of urgent ones only hears it then */
static void what_becomes_urgent_reaches_who_is_told_of_the_urgent_only(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "}, { id = \"reyes\"; name = \"R\"; mail = \"r@example.net\"; "
                    "priority = \"urgent\"; }");
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    assert_string_equal(after(&o, 2000), "mail/kim: Breaker open, do not reset: 7 Bath\n");
    struct event e = {.type = EVENT_ALARM, .wall_ms = o.now, .panel = -1, .circuit = 0};
    e.alarm = (struct event_alarm){.id = "main-07.trip",
                                   .kind = ALARM_TRIP,
                                   .priority = PRIORITY_HIGH,
                                   .state = ALARM_UNACKNOWLEDGED,
                                   .changed = ALARM_ADVICE_CHANGED,
                                   .text = "Something else.",
                                   .advice = "Another advice.",
                                   .by = "",
                                   .note = "",
                                   .meter = -1};
    people_event(o.people, &e); /* another advice, and not urgent yet */
    assert_string_equal(after(&o, 2000), "mail/kim: Now: Breaker open, do not reset: 7 Bath\n");
    e.wall_ms = o.now;
    e.alarm.priority = PRIORITY_URGENT;
    people_event(o.people, &e);
    assert_string_equal(after(&o, 2000),
                        "mail/kim: URGENT Now: Breaker open, do not reset: 7 Bath\n"
                        "mail/reyes: URGENT Breaker open, do not reset: 7 Bath\n");
    close_office(&o);
}

static void a_summary_names_what_stands_for_whom_it_concerns(void **state)
{
    struct office o;
    (void)state;
    open_office(&o, "{ " KIM "summary = \"daily\"; summary_at = \"13:00\"; }");
    after(&o, 0);
    RAISE(&o, 0, ALARM_TRIP, PRIORITY_HIGH);
    RAISE(&o, 1, ALARM_FEEDER_OVERLOAD, PRIORITY_LOW);
    after(&o, 2000);
    after(&o, HOUR);
    assert_non_null(strstr(o.last, "Standing now:"));
    assert_non_null(strstr(o.last, "Breaker open, do not reset: 7 Bath"));
    assert_null(strstr(o.last, "Feeder loaded too long")); /* kim did not ask for low ones */
    close_office(&o);
}

/* what does not go into one letter goes into the next, and nothing is lost */
static void more_than_a_letter_holds_goes_into_the_next(void **state)
{
    struct office o;
    size_t raised = 0;
    (void)state;
    open_office(&o, "{ " KIM "priority = \"low\"; }");
    for (int c = 0; c < 3; c++)
        for (int k = 0; k < ALARM_KINDS && raised < 25; k++, raised++)
            RAISE(&o, c, (enum alarm_kind)k, PRIORITY_LOW);
    assert_int_equal(raised, 25);
    assert_non_null(strstr(after(&o, 2000), " (+19)\n"));
    assert_non_null(strstr(after(&o, 1000), " (+4)\n"));
    assert_string_equal(after(&o, HOUR), "");
    close_office(&o);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(quiet_hours_hold_all_but_the_urgent),
        cmocka_unit_test(nobody_acknowledges_so_the_next_in_line_is_told),
        cmocka_unit_test(who_sees_to_it_is_not_told_that_somebody_does),
        cmocka_unit_test(who_acknowledged_is_known_after_a_restart_in_the_quiet_hours),
        cmocka_unit_test(quiet_hours_go_by_the_clock_of_the_site_also_when_it_changes),
        cmocka_unit_test(an_escalation_by_night_waits_for_the_morning_unless_it_is_urgent),
        cmocka_unit_test(a_summary_comes_once_also_when_the_clock_of_the_site_changes),
        cmocka_unit_test(a_clock_that_was_set_back_keeps_nobody_waiting),
        cmocka_unit_test(who_is_taken_out_of_the_configuration_is_told_nothing_more),
        cmocka_unit_test(what_becomes_urgent_reaches_who_is_told_of_the_urgent_only),
        cmocka_unit_test(a_summary_names_what_stands_for_whom_it_concerns),
        cmocka_unit_test(more_than_a_letter_holds_goes_into_the_next),
        cmocka_unit_test(a_restart_tells_nobody_twice_and_forgets_nobody),
        cmocka_unit_test(a_summary_counts_breakers_as_people_are_told),
        cmocka_unit_test(summaries_come_daily_and_weekly),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
