/* dwell: how long a current stays as high as it has become */
#include "check.h"

#include "analysis/dwell.h"

#define RATING 15.0
#define NOTHING 0.05

struct bench {
    struct dwell d;
    int64_t ms;
};

static void hold(struct bench *t, double amps, int seconds)
{
    for (int s = 0; s < seconds; s++) {
        t->ms += 1000;
        dwell_read(&t->d, t->ms, amps, RATING, NOTHING);
    }
}

static double ends(const struct bench *t, double share)
{
    return dwell_ends(&t->d, t->ms, RATING, share);
}

/* an element that is on for three seconds at a time, on top of a heater */
static void pulses(struct bench *t, int count)
{
    for (int n = 0; n < count; n++) {
        hold(t, 12.9, 60);
        hold(t, 22.4, 3);
    }
    hold(t, 12.9, 60);
}

static void nothing_is_said_before_something_was_seen(void **state)
{
    struct bench t = {.ms = 1000000};
    (void)state;
    assert_true(isinf(ends(&t, 0.5)));
    hold(&t, 22.4, 2);
    assert_true(isinf(ends(&t, 0.9))); /* a height never seen */
    assert_true(dwell_empty(&t.d));
}

static void what_pulses_ends_soon_and_what_outlasts_a_pulse_does_not(void **state)
{
    struct bench t = {.ms = 1000000};
    (void)state;
    pulses(&t, 20);
    hold(&t, 22.4, 2);
    assert_true(ends(&t, 0.5) < 10.0);
    assert_true(ends(&t, 0.6) < 5.0);
    hold(&t, 22.4, 60); /* no pulse has lasted so long */
    assert_true(ends(&t, 0.1) > 15.0);
}

static void shares_are_in_order_and_time_goes_by(void **state)
{
    struct bench t = {.ms = 1000000};
    (void)state;
    for (int n = 0; n < 10; n++) {
        hold(&t, 2.0, 300);
        hold(&t, 14.5, 100 + 40 * n);
    }
    hold(&t, 2.0, 300);
    hold(&t, 14.5, 30);
    for (int k = 1; k < 9; k++)
        assert_true(ends(&t, 0.1 * k) < ends(&t, 0.1 * (k + 1)));
    assert_true(ends(&t, 0.5) > 60.0 && ends(&t, 0.5) < 600.0);
}

static void only_a_rise_begins_a_stay(void **state)
{
    struct bench t = {.ms = 1000000};
    (void)state;
    pulses(&t, 5);
    hold(&t, 22.4, 2);
    hold(&t, 14.0, 2); /* from above: how long it was so is not known */
    assert_true(isinf(ends(&t, 0.5)));
}

/* ten openings after eight seconds: they must not teach that the current lasts no longer */
static void a_fall_to_nothing_is_no_end(void **state)
{
    struct bench t = {.ms = 1000000}, u = {.ms = 1000000};
    (void)state;
    for (int n = 0; n < 10; n++) {
        hold(&t, 12.9, 60);
        hold(&u, 12.9, 60);
        hold(&t, 22.4, 8);
        hold(&u, 22.4, 8);
        hold(&t, 0.0, 60);
        hold(&u, 1.0, 60);
    }
    hold(&t, 22.4, 2);
    hold(&u, 22.4, 2);
    assert_true(ends(&t, 0.5) > 60.0);
    assert_true(ends(&u, 0.5) < 15.0);
}

/* a heater beside a heater: after 200 s the breaker opens, every time, and nobody switches off
 */
static void what_only_the_breaker_ends_stays(void **state)
{
    struct bench t = {.ms = 1000000};
    (void)state;
    for (int n = 0; n < 6; n++) {
        hold(&t, 12.9, 60);
        hold(&t, 22.4, 200);
        hold(&t, 0.0, 60);
    }
    hold(&t, 12.9, 60);
    hold(&t, 22.4, 20);
    assert_true(ends(&t, 0.1) > 120.0);
    assert_true(ends(&t, 0.3) > 180.0);
}

/* a kettle that joins a heater: the heater's current has not fallen */
static void a_further_rise_is_no_end(void **state)
{
    struct bench t = {.ms = 1000000};
    (void)state;
    for (int n = 0; n < 10; n++) {
        hold(&t, 1.0, 60);
        hold(&t, 8.0, 5);
        hold(&t, 20.0, 60);
    }
    hold(&t, 1.0, 60);
    hold(&t, 8.0, 5);
    assert_true(ends(&t, 0.5) > 45.0);
    hold(&t, 20.0, 5);
    assert_true(ends(&t, 0.5) > 30.0);
}

static void a_gap_in_the_readings_teaches_nothing(void **state)
{
    struct bench t = {.ms = 1000000};
    (void)state;
    for (int n = 0; n < 10; n++) {
        hold(&t, 1.0, 60);
        hold(&t, 22.4, 3);
        t.ms += 600000;
    }
    hold(&t, 1.0, 60);
    hold(&t, 22.4, 3);
    assert_true(isinf(ends(&t, 0.5)));
}

static void what_was_learned_survives_and_damage_is_refused(void **state)
{
    struct bench t = {.ms = 1000000}, u = {.ms = 1000000};
    struct codec_out out = {0};
    (void)state;
    pulses(&t, 8);
    dwell_save(&t.d, &out);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(dwell_load(&u.d, &in));
    hold(&t, 22.4, 2);
    hold(&u, 12.9, 2);
    hold(&u, 22.4, 2);
    assert_near(ends(&u, 0.5), ends(&t, 0.5), 1e-9);
    struct codec_in cut = {.at = out.bytes, .end = out.bytes + out.length - 1};
    struct dwell before = u.d;
    assert_false(dwell_load(&u.d, &cut));
    assert_memory_equal(&before, &u.d, sizeof before);
    codec_out_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_is_said_before_something_was_seen),
        cmocka_unit_test(what_pulses_ends_soon_and_what_outlasts_a_pulse_does_not),
        cmocka_unit_test(shares_are_in_order_and_time_goes_by),
        cmocka_unit_test(only_a_rise_begins_a_stay),
        cmocka_unit_test(a_fall_to_nothing_is_no_end),
        cmocka_unit_test(what_only_the_breaker_ends_stays),
        cmocka_unit_test(a_further_rise_is_no_end),
        cmocka_unit_test(a_gap_in_the_readings_teaches_nothing),
        cmocka_unit_test(what_was_learned_survives_and_damage_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
