/* neutral_steps: what load steps say of the neutral; the circuit is worked out here */
#include "check.h"

#include "analysis/neutral_steps.h"

struct bench {
    struct neutral_steps s;
    int64_t ms;
    unsigned seed;
    double line, neutral; /* ohms */
    double noise;         /* volts, at the most */
};

static double noise(struct bench *t)
{
    t->seed = t->seed * 1664525U + 1013904223U; /* Numerical Recipes' quick generator */
    return t->noise * ((double)(t->seed >> 8) / 8388608.0 - 1.0);
}

/* split phase of 120 V a leg; meters that say tenths of a volt */
static void hold(struct bench *t, double a, double b, int seconds)
{
    for (int s = 0; s < seconds; s++) {
        double across = t->neutral * (a - b); /* of the neutral point */
        const double amps[2] = {a, b};
        const double volts[2] = {0.1 * round(10.0 * (120.0 - t->line * a - across + noise(t))),
                                 0.1 * round(10.0 * (120.0 - t->line * b + across + noise(t)))};
        t->ms += 1000;
        neutral_steps_take(&t->s, t->ms, amps, volts);
    }
}

static void some_steps(struct bench *t, int count, double amps)
{
    for (int n = 0; n < count; n++) {
        hold(t, 2.0, 3.0, 20);
        hold(t, 2.0 + (n % 3 ? amps : 0.0), 3.0 + (n % 3 ? 0.0 : amps), 20);
    }
    hold(t, 2.0, 3.0, 20);
}

static void the_resistances_come_out(void **state)
{
    struct bench t = {.ms = 1000, .line = 0.04, .neutral = 0.30};
    (void)state;
    some_steps(&t, 10, 9.0);
    struct neutral_ohms o = neutral_steps_ohms(&t.s);
    assert_near(o.neutral, 0.30, 0.02);
    assert_near(o.line, 0.04, 0.02);
    assert_true(o.error < 0.02);
    assert_true(neutral_steps_loose(&o, 0.25));
}

static void a_sound_neutral_is_never_called_loose(void **state)
{
    struct bench t = {.ms = 1000, .line = 0.05, .neutral = 0.05, .noise = 1.0, .seed = 7};
    (void)state;
    for (int n = 0; n < 400; n++) {
        some_steps(&t, 1, n % 2 ? 5.0 : 12.0);
        struct neutral_ohms o = neutral_steps_ohms(&t.s);
        assert_false(neutral_steps_loose(&o, 0.25));
    }
}

/* a long feeder: both of its wires are thin, and that is no hazard */
static void a_thin_line_is_no_loose_neutral(void **state)
{
    struct bench t = {.ms = 1000, .line = 0.30, .neutral = 0.30, .noise = 0.3, .seed = 1};
    (void)state;
    some_steps(&t, 40, 8.0);
    struct neutral_ohms o = neutral_steps_ohms(&t.s);
    assert_near(o.neutral, 0.30, 0.05);
    assert_false(neutral_steps_loose(&o, 0.25));
}

/* With 5 A steps the legs lie less than 5 V apart: the voltages alone would say nothing. */
static void a_neutral_that_goes_loose_is_found_within_ten_steps(void **state)
{
    struct bench t = {.ms = 1000, .line = 0.04, .neutral = 0.04, .noise = 0.3, .seed = 3};
    (void)state;
    some_steps(&t, 6, 5.0);
    t.neutral = 0.45;
    int n = 0;
    for (; n < 20; n++) {
        struct neutral_ohms o = neutral_steps_ohms(&t.s);
        if (neutral_steps_loose(&o, 0.25))
            break;
        some_steps(&t, 1, 5.0);
    }
    assert_true(n >= 1 && n <= 10);
}

static void nothing_is_said_of_few_steps_ramps_and_loads_across_both_legs(void **state)
{
    struct bench t = {.ms = 1000, .line = 0.04, .neutral = 0.8};
    (void)state;
    some_steps(&t, 2, 10.0); /* up and down: four */
    struct neutral_ohms o = neutral_steps_ohms(&t.s);
    assert_true(o.steps > 3.0);
    assert_false(neutral_steps_loose(&o, 0.25));
    t.s = (struct neutral_steps){0};
    for (int n = 0; n < 20; n++) { /* a water heater of 240 V */
        hold(&t, 2.0, 3.0, 20);
        hold(&t, 20.0, 21.0, 20);
    }
    assert_near(t.s.steps, 0.0, 0.0);
    for (double a = 0.0; a < 30.0; a += 0.7)
        hold(&t, a, 3.0, 1);
    assert_near(t.s.steps, 0.0, 0.0);
}

static void a_reading_that_is_missing_or_late_makes_no_step(void **state)
{
    static const double none[2] = {(double)NAN, 120.0}, amps[2] = {2.0, 3.0};
    struct bench t = {.ms = 1000, .line = 0.04, .neutral = 0.8};
    (void)state;
    for (int n = 0; n < 10; n++) {
        hold(&t, 2.0, 3.0, 20);
        t.ms += 1000;
        neutral_steps_take(&t.s, t.ms, amps, none);
        hold(&t, 12.0, 3.0, 20);
        t.ms += 60000;
    }
    assert_near(t.s.steps, 0.0, 0.0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_resistances_come_out),
        cmocka_unit_test(a_sound_neutral_is_never_called_loose),
        cmocka_unit_test(a_thin_line_is_no_loose_neutral),
        cmocka_unit_test(a_neutral_that_goes_loose_is_found_within_ten_steps),
        cmocka_unit_test(nothing_is_said_of_few_steps_ramps_and_loads_across_both_legs),
        cmocka_unit_test(a_reading_that_is_missing_or_late_makes_no_step),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
