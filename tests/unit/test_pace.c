/* pace: how often something comes, by the time since it last turned */
#include "check.h"

#include "analysis/pace.h"

#define DAY 86400.0

static void what_was_never_watched_comes_at_its_plain_rate(void **state)
{
    struct pace p = {0};
    struct pace_after a = {0};
    (void)state;
    assert_near(pace_expects(&p, 100.0, 900.0, 2.0 / DAY), 900.0 * 2.0 / DAY, 1e-12);
    assert_near(pace_expects(&p, 0.0, 7200.0, 2.0 / DAY), 7200.0 * 2.0 / DAY, 1e-12);
    assert_near(pace_expects_after(&a, 0.0, 0.0, 900.0, 2.0 / DAY), 900.0 * 2.0 / DAY, 1e-12);
}

static void what_comes_back_every_eight_minutes_is_expected_then_and_not_later(void **state)
{
    struct pace p = {0};
    (void)state;
    for (int n = 0; n < 40; n++)
        pace_watched(&p, 480.0, 1);
    assert_true(pace_expects(&p, 200.0, 400.0, 20.0 / DAY) >= 0.8);
    assert_true(pace_expects(&p, 10.0, 100.0, 20.0 / DAY) < 0.02);
    /* it did not come back: what is left is the plain rate, and not the haste of before */
    assert_true(pace_expects(&p, 3000.0, 900.0, 20.0 / DAY) < 0.25);
}

static void watching_in_vain_makes_it_less_likely(void **state)
{
    struct pace p = {0};
    double before = pace_expects(&p, 0.0, 900.0, 20.0 / DAY);
    (void)state;
    for (int n = 0; n < 100; n++)
        pace_watched(&p, 3600.0, 0);
    assert_true(pace_expects(&p, 0.0, 900.0, 20.0 / DAY) < 0.5 * before);
    pace_fade(&p, 0.0);
    assert_near(pace_expects(&p, 0.0, 900.0, 20.0 / DAY), before, 1e-12);
}

/* a pump, and three minutes later the heating of the same machine */
static void what_follows_is_expected_in_its_time_after_the_first(void **state)
{
    struct pace_after a = {0};
    (void)state;
    for (int n = 0; n < 9; n++)
        pace_followed(&a, 190.0);
    double in_time = pace_expects_after(&a, 10.0, 60.0, 600.0, 1.0 / DAY);
    assert_true(in_time > 0.7 && in_time < 1.2);
    assert_true(pace_expects_after(&a, 10.0, 700.0, 600.0, 1.0 / DAY) < 0.2);
    /* as often as it did not follow, it will not */
    assert_true(pace_expects_after(&a, 100.0, 60.0, 600.0, 1.0 / DAY) < 0.2);
    /* nothing is expected past the last stretch */
    assert_near(pace_expects_after(&a, 10.0, PACE_AFTER_MOST, 600.0, 1.0 / DAY), 0.0, 1e-12);
    pace_fade_after(&a, 0.0);
    assert_near(pace_expects_after(&a, 0.0, 60.0, 600.0, 1.0 / DAY), 600.0 / DAY, 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_was_never_watched_comes_at_its_plain_rate),
        cmocka_unit_test(what_comes_back_every_eight_minutes_is_expected_then_and_not_later),
        cmocka_unit_test(watching_in_vain_makes_it_less_likely),
        cmocka_unit_test(what_follows_is_expected_in_its_time_after_the_first),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
