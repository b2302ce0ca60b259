/* near_overload: when the warning comes, what it says, when it goes, when it stays silent */
#include "check.h"

#include "overload_case.h"

static bool stands(const struct overload_case *t)
{
    return alarms_standing(t->alarms, ALARM_NEAR_OVERLOAD, (struct alarm_subject){0, 0, -1});
}

/* 26 A on 15 A: no breaker of the standard opens before twelve seconds from cold */
static void a_heavy_overload_is_warned_of_after_the_on_delay(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 600);
    int64_t began = t.frame->mono_ms;
    overload_hold(&t, 26.0, 12);
    assert_int_equal(t.raised, 1);
    assert_true(t.raised_ms - began <= 8000);
    assert_non_null(strstr(t.text, "Kitchen"));
    assert_non_null(strstr(t.text, "may open in"));
    assert_false(t.alert);
    assert_int_equal(t.off_count, 1);
    assert_near(t.off_amps, 25.7, 0.5);
    overload_tear_down(&t);
}

/* A time as it was said, in seconds, and how finely. */
static double said_seconds(const char *text, double *step)
{
    const char *at = strstr(text, " about ");
    int n = 0;
    char unit[16] = "";
    assert_non_null(at);
    assert_int_equal(sscanf(at, " about %d %15[a-z]", &n, unit), 2);
    *step = strcmp(unit, "seconds") == 0 ? 10.0 : strcmp(unit, "minutes") == 0 ? 60.0 : 3600.0;
    return n * (*step > 10.0 ? *step : 1.0);
}

/* Seconds by tens, then minutes, then hours: nobody is told 3 minutes of 40 seconds. What is
 * most likely after the horizon is said by the horizon, within which it may be. */
static void the_time_that_is_said_is_the_likeliest_one(void **state)
{
    bool seconds = false, minutes = false, within = false;
    (void)state;
    for (double amps = 16.5; amps < 70.0; amps *= 1.06) {
        struct overload_case t;
        double step;
        overload_set_up(&t);
        overload_hold(&t, 0.3, 300);
        overload_hold(&t, amps, 120);
        if (t.raised == 1 && !t.alert) {
            double said = said_seconds(t.text, &step);
            bool later = strstr(t.text, "may open within about") != NULL;
            if (later)
                assert_near(said, 900.0, 0.5);
            else if (fabs(said - fmax(t.p50_seconds, 10.0)) > 0.5 * step + 1e-6)
                fail_msg("%s; and most likely are %.0f s", t.text, t.p50_seconds);
            assert_int_equal(later, t.p50_seconds > 900.0);
            assert_int_equal(step < 60.0, t.p50_seconds < 90.0);
            seconds |= step < 60.0;
            minutes |= step == 60.0 && !later;
            within |= later;
        }
        overload_tear_down(&t);
    }
    assert_true(seconds && minutes && within);
}

static void what_to_switch_off_is_listed(void **state)
{
    static const struct {
        int loads;
        double each;
        const char *list;
    } cases[] = {
        {1, 20.0, ": switch off or unplug what draws %.1f A."},
        {3, 8.0, ": switch off or unplug what draws %.1f A and what draws %.1f A."},
    };
    (void)state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct overload_case t;
        char list[120];
        double amps = 0.3;
        overload_set_up(&t);
        overload_hold(&t, amps, 300);
        for (int n = 0; n < cases[k].loads; n++) {
            amps += cases[k].each;
            overload_hold(&t, amps, 60);
        }
        snprintf(list, sizeof list, cases[k].list, t.off[0], t.off[1]);
        assert_int_equal(t.off_count, k + 1);
        if (!strstr(t.text, list))
            fail_msg("%s, and not%s", t.text, list);
        overload_tear_down(&t);
    }
}

/* Either pole; and each circuit by itself, beside another that is near. */
static void the_hotter_pole_of_any_circuit_is_warned_of(void **state)
{
    (void)state;
    for (int pole = 0; pole < 4; pole++) {
        struct overload_case t;
        int circuit = 1 + pole / 2;
        overload_set_up(&t);
        float *amps = circuit == 1 ? t.range_amps : t.shop_amps;
        const float low = 10.0F, high = circuit == 1 ? 70.0F : 35.0F;
        amps[0] = amps[1] = low;
        overload_hold(&t, 0.3, 600);
        amps[pole % 2] = high;
        overload_hold(&t, 0.3, 15);
        assert_int_equal(t.raised, 1);
        assert_int_equal(t.raised_on, circuit);
        assert_non_null(strstr(t.text, circuit == 1 ? "Range" : "Workshop"));
        overload_hold(&t, 26.0, 12);
        assert_int_equal(t.raised, 2);
        assert_int_equal(t.raised_on, 0);
        assert_true(stands(&t));
        amps[pole % 2] = low;
        overload_hold(&t, 26.0, 1800); /* no breaker would carry that, this one is made to */
        assert_true(stands(&t));
        assert_false(alarms_standing(t.alarms, ALARM_NEAR_OVERLOAD,
                                     (struct alarm_subject){0, circuit, -1}));
        overload_tear_down(&t);
    }
    /* one channel is not read: the other tells */
    struct overload_case t;
    overload_set_up(&t);
    t.range_amps[0] = (float)NAN;
    t.range_amps[1] = 10.0F;
    overload_hold(&t, 0.3, 600);
    t.range_amps[1] = 70.0F;
    overload_hold(&t, 0.3, 15);
    assert_int_equal(t.raised, 1);
    assert_int_equal(t.raised_on, 1);
    overload_tear_down(&t);
}

static void the_rating_may_be_carried_for_hours_without_a_word(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 600);
    overload_hold(&t, 11.5, 4 * 3600);
    assert_int_equal(t.raised, 0);
    overload_tear_down(&t);
}

static void an_inrush_and_one_bad_reading_are_no_overload(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 600);
    for (int n = 0; n < 20; n++) {
        overload_hold(&t, 60.0, 1);
        overload_hold(&t, 4.0, 120);
        overload_hold(&t, 0.3, 300);
    }
    assert_int_equal(t.raised, 0);
    overload_tear_down(&t);
}

static void it_stays_through_the_pauses_of_a_thermostat_and_goes_when_that_is_over(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 600);
    for (int n = 0; n < 6; n++) {
        overload_hold(&t, 19.0, 240);
        overload_hold(&t, 0.3, 400);
    }
    assert_int_equal(t.raised, 1);
    assert_true(stands(&t));
    overload_hold(&t, 0.3, 1000);
    assert_false(stands(&t));
    assert_int_equal(t.raised, 1);
    overload_tear_down(&t);
}

/* a load of 12 A, alone, once an hour */
static void a_kettle_is_usual(struct overload_case *t)
{
    overload_hold(t, 0.3, 300);
    for (int n = 0; n < 6; n++) {
        overload_hold(t, 12.3, 100);
        overload_hold(t, 0.3, 3600);
    }
}

static void a_warm_breaker_is_warned_of_before_the_usual_load_joins(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    a_kettle_is_usual(&t);
    int before = t.raised;
    overload_hold(&t, 14.8, 1200); /* a heater: within the rating, but warm */
    assert_int_equal(t.raised, before + 1);
    assert_true(t.alert); /* nothing has to be done about it */
    assert_non_null(strstr(t.text, "no room for another load of 12 A"));
    overload_hold(&t, 27.1, 6); /* now there is */
    assert_int_equal(t.raised, before + 2);
    assert_false(t.alert);
    assert_non_null(strstr(t.text, "may open in about"));
    assert_non_null(strstr(t.text, "switch off or unplug"));
    overload_tear_down(&t);
}

/* The same warmth on a circuit that knows of no second load: it is within the rating. */
static void a_warm_breaker_that_nothing_joins_is_not_told_of(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    overload_hold(&t, 14.2, 3 * 3600);
    assert_int_equal(t.raised, 0);
    overload_tear_down(&t);
}

/* 15 % above the rating for three hours: the longer it holds the less likely an opening is, and
 * it is an overload all the same. */
static void it_stands_for_as_long_as_more_than_the_rating_is_carried(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    overload_hold(&t, 17.2, 600);
    assert_int_equal(t.raised, 1);
    overload_hold(&t, 17.2, 3 * 3600);
    assert_true(t.raised == 1 && stands(&t));
    overload_hold(&t, 0.3, 1800);
    assert_false(stands(&t));
    overload_tear_down(&t);
}

/* A load that was seen before joins a warm one: believed at its first reading. The same current
 * where nothing of that size is known might be one bad reading, and waits for the next. */
static void a_known_load_that_opens_it_within_a_minute_is_believed_at_once(void **state)
{
    struct overload_case t;
    (void)state;
    for (int known = 0; known < 2; known++) {
        overload_set_up(&t);
        overload_hold(&t, 0.3, 300);
        for (int n = 0; n < 6; n++) {
            overload_hold(&t, known ? 16.3 : 5.3, 100);
            overload_hold(&t, 0.3, 3600);
        }
        overload_hold(&t, 14.3, 1200);
        int before = t.raised;
        overload_hold(&t, 30.3, 1);
        assert_int_equal(t.raised, before + known);
        overload_hold(&t, 30.3, 1);
        assert_int_equal(t.raised, before + 1);
        assert_false(t.alert);
        overload_tear_down(&t);
    }
}

/* Twenty-eight amps for a few seconds, time and again, and then they stay. What they usually do
 * makes an opening unlikely; that they would open it within the minute is said all the same. */
static void what_would_open_it_soon_is_told_of_although_it_mostly_ends(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    for (int n = 0; n < 30; n++) {
        overload_hold(&t, 28.3, 8);
        overload_hold(&t, 0.3, 900);
    }
    overload_hold(&t, 0.3, 7200);
    int before = t.raised;
    overload_hold(&t, 28.3, 3);
    assert_int_equal(t.raised, before + 1);
    assert_true(t.alert);
    assert_non_null(
        strstr(t.text, "opens soon if what is on there goes on; mostly it ends in time"));
    overload_tear_down(&t);
}

static void a_circuit_that_is_not_read_raises_nothing(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    overload_hold(&t, (double)NAN, 3600);
    assert_int_equal(t.raised, 0);
    overload_tear_down(&t);
}

static void what_was_learned_of_the_loads_survives_a_restart(void **state)
{
    struct overload_case t, u;
    struct codec_out out = {0};
    (void)state;
    overload_set_up(&t);
    a_kettle_is_usual(&t);
    near_overload_save(t.near, &out);
    overload_set_up(&u);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(near_overload_load(u.near, &in));
    overload_hold(&u, 0.3, 300);
    overload_hold(&u, 14.8, 1200);
    assert_int_equal(u.raised, 1);
    codec_out_free(&out);
    overload_tear_down(&u);
    overload_tear_down(&t);
}

/* So it is of each circuit: the workshop's usual load joins nothing in the kitchen. */
static void what_was_learned_of_one_circuit_stays_with_it(void **state)
{
    (void)state;
    for (int shop = 0; shop < 2; shop++) {
        struct overload_case t, u;
        struct codec_out out = {0};
        overload_set_up(&t);
        overload_hold(&t, 0.3, 300);
        for (int n = 0; n < 6; n++) {
            t.shop_amps[0] = t.shop_amps[1] = 16.0F;
            overload_hold(&t, 0.3, 100);
            t.shop_amps[0] = t.shop_amps[1] = 0.3F;
            overload_hold(&t, 0.3, 3600);
        }
        near_overload_save(t.near, &out);
        overload_set_up(&u);
        struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
        assert_true(near_overload_load(u.near, &in));
        overload_hold(&u, 0.3, 300);
        u.shop_amps[0] = u.shop_amps[1] = shop ? 19.7F : 0.3F;
        overload_hold(&u, shop ? 0.3 : 14.0, 1200);
        if (shop) {
            assert_int_equal(u.raised_on, 2);
            assert_non_null(strstr(u.text, "no room for another load of 16 A"));
        } else {
            assert_int_equal(u.raised, 0); /* it knows of none */
        }
        codec_out_free(&out);
        overload_tear_down(&u);
        overload_tear_down(&t);
    }
}

/* the kettle would open what carries 14.8 A by now */
static void an_alert_stands(struct overload_case *t)
{
    a_kettle_is_usual(t);
    overload_hold(t, 14.8, 1200);
    assert_true(t->raised == 1 && t->alert);
}

/* Over for 20 minutes an alarm returns; an alert, which asks for nothing, after 50. */
static void an_alert_stays_longer_than_an_alarm(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    an_alert_stands(&t);
    overload_hold(&t, 0.3, 2700);
    assert_true(stands(&t) && t.raised == 1);
    overload_hold(&t, 14.8, 1200); /* warm again: it is the same alert */
    assert_true(stands(&t) && t.raised == 1);
    overload_hold(&t, 0.3, 3600);
    assert_false(stands(&t));
    overload_hold(&t, 26.0, 12);
    assert_true(t.raised == 2 && !t.alert);
    overload_hold(&t, 0.3, 1500);
    assert_false(stands(&t));
    overload_tear_down(&t);
}

static void what_stands_as_an_alert_becomes_an_alarm(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    an_alert_stands(&t);
    overload_hold(&t, 26.0, 12);
    assert_true(t.raised == 2 && !t.alert);
    overload_hold(&t, 0.3, 1500); /* and goes as one */
    assert_false(stands(&t));
    overload_tear_down(&t);
}

/* A load that comes now and then is learned; then, started anew twelve times, a warm breaker
 * that it does not join. forgets: only the habits are carried over, as an earlier version has
 * saved them. Returns how many warnings there were. */
static int warnings_over_restarts(bool forgets)
{
    struct overload_case t;
    struct codec_out out = {0};
    int raised = 0;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    for (int n = 0; n < 3; n++) {
        overload_hold(&t, 7.3, 40);
        overload_hold(&t, 0.3, 4 * 3600);
    }
    near_overload_save(t.near, &out);
    overload_tear_down(&t);
    for (int n = 0; n < 12; n++) {
        struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length}, habits;
        uint32_t tag;
        if (forgets) {
            assert_true(codec_next(&in, &tag, &habits));
            in = habits;
        }
        overload_set_up(&t);
        assert_true(near_overload_load(t.near, &in));
        codec_out_free(&out);
        out = (struct codec_out){0};
        overload_hold(&t, 0.3, 300);
        overload_hold(&t, 13.7, 900);
        overload_hold(&t, 0.3, 2700);
        raised += t.raised;
        near_overload_save(t.near, &out);
        overload_tear_down(&t);
    }
    codec_out_free(&out);
    return raised;
}

static void warnings_in_vain_are_remembered_over_a_restart(void **state)
{
    (void)state;
    assert_true(warnings_over_restarts(true) >= 11);
    int remembered = warnings_over_restarts(false);
    assert_true(remembered >= 1 && remembered <= 8);
}

static void damaged_state_is_refused(void **state)
{
    struct overload_case t, u;
    struct codec_out out = {0}, after = {0};
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    for (int n = 0; n < 4; n++) {
        overload_hold(&t, 18.6, 40);
        overload_hold(&t, 0.3, 1800);
    }
    near_overload_save(t.near, &out);
    overload_set_up(&u);
    for (size_t cut = 1; cut < out.length; cut += 7) {
        struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length - cut};
        near_overload_load(u.near, &in); /* whole sections may be there */
    }
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length - 1};
    assert_false(near_overload_load(u.near, &in));
    in = (struct codec_in){.at = out.bytes, .end = out.bytes + out.length};
    assert_true(near_overload_load(u.near, &in));
    near_overload_save(u.near, &after);
    assert_int_equal(after.length, out.length);
    assert_memory_equal(after.bytes, out.bytes, out.length);
    codec_out_free(&out);
    codec_out_free(&after);
    overload_tear_down(&u);
    overload_tear_down(&t);
}

/* It stood, the gateway was started anew, and the load was gone by then. */
static void a_warning_from_before_a_restart_returns(void **state)
{
    struct overload_case t, u;
    struct codec_out out = {0}, alarms = {0};
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 600);
    overload_hold(&t, 26.0, 12);
    assert_true(stands(&t));
    near_overload_save(t.near, &out);
    alarms_save(t.alarms, &alarms);
    overload_set_up(&u);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    struct codec_in of_alarms = {.at = alarms.bytes, .end = alarms.bytes + alarms.length};
    assert_true(near_overload_load(u.near, &in) && alarms_load(u.alarms, &of_alarms));
    overload_hold(&u, 0.3, 600);
    assert_true(stands(&u));
    overload_hold(&u, 0.3, 900);
    assert_false(stands(&u));
    codec_out_free(&out);
    codec_out_free(&alarms);
    overload_tear_down(&u);
    overload_tear_down(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_heavy_overload_is_warned_of_after_the_on_delay),
        cmocka_unit_test(the_time_that_is_said_is_the_likeliest_one),
        cmocka_unit_test(what_to_switch_off_is_listed),
        cmocka_unit_test(the_hotter_pole_of_any_circuit_is_warned_of),
        cmocka_unit_test(the_rating_may_be_carried_for_hours_without_a_word),
        cmocka_unit_test(an_inrush_and_one_bad_reading_are_no_overload),
        cmocka_unit_test(
            it_stays_through_the_pauses_of_a_thermostat_and_goes_when_that_is_over),
        cmocka_unit_test(a_warm_breaker_is_warned_of_before_the_usual_load_joins),
        cmocka_unit_test(a_warm_breaker_that_nothing_joins_is_not_told_of),
        cmocka_unit_test(it_stands_for_as_long_as_more_than_the_rating_is_carried),
        cmocka_unit_test(a_known_load_that_opens_it_within_a_minute_is_believed_at_once),
        cmocka_unit_test(what_would_open_it_soon_is_told_of_although_it_mostly_ends),
        cmocka_unit_test(a_circuit_that_is_not_read_raises_nothing),
        cmocka_unit_test(what_was_learned_of_the_loads_survives_a_restart),
        cmocka_unit_test(what_was_learned_of_one_circuit_stays_with_it),
        cmocka_unit_test(an_alert_stays_longer_than_an_alarm),
        cmocka_unit_test(what_stands_as_an_alert_becomes_an_alarm),
        cmocka_unit_test(warnings_in_vain_are_remembered_over_a_restart),
        cmocka_unit_test(damaged_state_is_refused),
        cmocka_unit_test(a_warning_from_before_a_restart_returns),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
