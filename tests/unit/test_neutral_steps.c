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

/* ---- one reading at a time ---- */

/* one leg at a and the other at b amps; 1 ohm of neutral alone, so that dV of the other is dI
 */
static void read_amps(struct bench *t, int every_ms, double a, double b)
{
    const double amps[2] = {a, b}, volts[2] = {120.0 - (a - b), 120.0 + (a - b)};
    t->ms += every_ms;
    neutral_steps_take(&t->s, t->ms, amps, volts);
}

/* leg A from[0], from[1], from[2] .. and then nothing more that steps; leg B likewise */
static bool is_a_step(const double a[5], const double b[5], int every_ms)
{
    struct bench t = {.ms = 1000};
    for (int k = 0; k < 5; k++)
        read_amps(&t, every_ms, a[k], b[k]);
    return t.s.steps > 0.5;
}

/* "by NEUTRAL_STEP_AMPS or more within two seconds", up or down, on either leg */
static void a_step_is_four_amps_within_two_seconds(void **state)
{
    static const double still[5] = {3, 3, 3, 3, 3};
    static const struct {
        double a[5];
        bool counts;
    } cases[] = {
        {{2, 2, 2, 6, 6}, true},    {{2, 2, 2, 5.9, 5.9}, false}, {{6, 6, 2, 2, 2}, true},
        {{2, 2, 7, 12, 12}, true},  /* half way in the one reading between */
        {{2, 5, 8, 11, 12}, false}, /* a ramp */
        {{2, 2, 40, 12, 12}, true}, /* an inrush between */
    };
    (void)state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        if (is_a_step(cases[k].a, still, 1000) != cases[k].counts ||
            is_a_step(still, cases[k].a, 1000) != cases[k].counts)
            fail_msg("case %zu", k);
    }
}

/* "the other stays, and both are steady before and after": a wobble of 2 A anywhere spoils a
 * step of 10 A, one of 0.5 A does not */
static void both_legs_are_steady_on_both_sides_of_a_step(void **state)
{
    (void)state;
    for (int leg = 0; leg < 2; leg++)
        for (int at = 0; at < 5; at++)
            for (int much = 0; much < 2; much++) {
                double legs[2][5] = {{2, 2, 2, 12, 12}, {3, 3, 3, 3, 3}};
                if (at == 2)
                    continue; /* the reading between: anything */
                legs[leg][at] += much ? 2.0 : 0.5;
                if (is_a_step(legs[0], legs[1], 1000) != !much)
                    fail_msg("leg %d, reading %d, %s", leg, at, much ? "2 A" : "0.5 A");
            }
    const double step[5] = {2, 2, 2, 12, 12}, little[5] = {3, 3, 3, 3.9, 3.9},
                 more[5] = {3, 3, 3, 5, 5};
    assert_true(is_a_step(step, little, 1000)); /* the other leg stays, nearly */
    assert_false(is_a_step(step, more, 1000));
}

/* Readings come "about a second after the last". Two seconds are still that; over a longer time
 * anything may have happened between. */
static void readings_far_apart_make_no_step(void **state)
{
    static const double still[5] = {3, 3, 3, 3, 3}, step[5] = {2, 2, 2, 12, 12};
    (void)state;
    assert_true(is_a_step(step, still, 2000));
    assert_false(is_a_step(step, still, 3000));
}

static void any_of_the_four_that_is_missing_begins_anew(void **state)
{
    (void)state;
    for (int missing = 0; missing < 4; missing++) {
        struct bench t = {.ms = 1000};
        for (int k = 0; k < 5; k++) {
            double four[4] = {k < 3 ? 2.0 : 12.0, 3.0, 120.0, 120.0};
            if (k == 1)
                four[missing] = (double)NAN;
            t.ms += 1000;
            neutral_steps_take(&t.s, t.ms, four, four + 2);
        }
        assert_near(t.s.steps, 0.0, 0.0);
        assert_int_equal(t.s.kept, 3);
    }
}

/* ---- what comes out, against least squares worked out here ---- */

/* y = slope x through the origin, the n-th from the end weighing 0.97^n ("the newest thirty or
 * so weighing most"): slope and its standard error (any textbook: the residual mean square over
 * n - 1, over the sum of squares) */
static void least_squares(const double *x, const double *y, int n, double *slope, double *error)
{
    double xx = 0.0, xy = 0.0, left = 0.0, weights = 0.0;
    for (int k = 0; k < n; k++) {
        double w = pow(0.97, n - 1 - k);
        weights += w;
        xx += w * x[k] * x[k];
        xy += w * x[k] * y[k];
    }
    *slope = xy / xx;
    for (int k = 0; k < n; k++)
        left += pow(0.97, n - 1 - k) * pow(y[k] - *slope * x[k], 2.0);
    *error = sqrt(left / (weights - 1.0) / xx);
}

static void the_error_is_that_of_least_squares(void **state)
{
    static const double size[] = {5, 12, -5, 9, -12, 7, -9, -7, 20, -20, 6, -6};
    static const double off[] = {0.3,  -0.4, 0.1,  -0.2, 0.35, 0.05,
                                 -0.1, 0.4,  -0.3, 0.2,  0.0,  -0.15};
    enum { N = sizeof size / sizeof size[0] };
    struct bench t = {.ms = 1000};
    double other[N], own[N], slope, error, line, unused;
    (void)state;
    for (int k = 0; k < N; k++) {
        other[k] = 0.3 * size[k] + off[k]; /* a neutral of 0.3 ohm, and noise */
        own[k] = -0.35 * size[k];
        for (int r = 0; r < 6; r++) {
            bool after = r >= 3;
            const double amps[2] = {30.0 + (after ? size[k] : 0.0), 3.0},
                         volts[2] = {118.0 + (after ? own[k] : 0.0),
                                     121.0 + (after ? other[k] : 0.0)};
            t.ms += 1000;
            neutral_steps_take(&t.s, t.ms, amps, volts);
        }
        t.ms += 60000;
        struct neutral_ohms o = neutral_steps_ohms(&t.s);
        if (k < 2) { /* of one or two nothing is known */
            assert_true(isinf(o.error));
            assert_false(neutral_steps_loose(&o, 0.0));
            continue;
        }
        least_squares(size, other, k + 1, &slope, &error);
        least_squares(size, own, k + 1, &line, &unused);
        assert_near(o.neutral, slope, 1e-9);
        assert_near(o.error, error, 1e-9);
        assert_near(o.line, -line - slope, 1e-9);
    }
}

/* ---- what is called loose ---- */

static void loose_is_said_at_the_limit_surely_and_of_a_neutral_only(void **state)
{
    static const struct {
        const char *what;
        struct neutral_ohms o;
        double limit;
        bool loose;
    } cases[] = {
        {"at the limit", {20, 0.25, 0.02, 0.01}, 0.25, true},
        {"below it", {20, 0.249, 0.02, 0.01}, 0.25, false},
        /* NEUTRAL_STEPS_LEAST of them, of which the oldest have faded a little: 5.57 */
        {"six steps", {5.57, 0.5, 0.02, 0.01}, 0.25, true},
        {"five steps", {4.71, 0.5, 0.02, 0.01}, 0.25, false},
        {"three errors above half", {20, 0.5, 0.02, 0.124}, 0.25, true},
        {"not surely above half", {20, 0.5, 0.02, 0.126}, 0.25, false},
        {"NEUTRAL_RATIO times its line", {20, 0.375, 0.125, 0.01}, 0.25, true},
        {"less than that", {20, 0.375, 0.126, 0.01}, 0.25, false},
        {"a line that comes out below nothing", {20, 0.25, -0.5, 0.01}, 0.25, true},
    };
    (void)state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++)
        if (neutral_steps_loose(&cases[k].o, cases[k].limit) != cases[k].loose)
            fail_msg("%s", cases[k].what);
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
        cmocka_unit_test(a_step_is_four_amps_within_two_seconds),
        cmocka_unit_test(both_legs_are_steady_on_both_sides_of_a_step),
        cmocka_unit_test(readings_far_apart_make_no_step),
        cmocka_unit_test(any_of_the_four_that_is_missing_begins_anew),
        cmocka_unit_test(the_error_is_that_of_least_squares),
        cmocka_unit_test(loose_is_said_at_the_limit_surely_and_of_a_neutral_only),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
