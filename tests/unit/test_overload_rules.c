/* overload_rules: when an outlook is worth a warning */
#include "check.h"

#include "analysis/overload_rules.h"

static const struct rules rules = {.near_overload_chance = 0.15,
                                   .near_overload_clear_chance = 0.03};

static void a_warning_needs_nearness_or_a_load_that_comes(void **state)
{
    static const struct {
        const char *what;
        struct outlook o;
        bool near, nearly, maybe;
    } rows[] = {
        {"likely to open, and half way", {.half = 0.8, .chance = 0.15}, true, true, false},
        {"not far from likely", {.half = 0.8, .chance = 0.11}, false, true, false},
        {"far from likely", {.half = 0.9, .chance = 0.1}, false, false, false},
        {"might open, and is not half way", {.half = 0.7, .chance = 0.5}, false, false, false},
        {"half way, and nothing comes", {.half = 0.9, .half_now = 0.9}, false, false, false},
        {"half way, a load is likely to open it",
         {.half = 0.8, .half_now = 0.8, .join_chance = 0.5, .joined = 0.004},
         false,
         false,
         true},
        {"half way, and about to be over",
         {.half = 0.29, .half_now = 0.8, .join_chance = 0.95, .joined = 0.02},
         false,
         false,
         false},
        {"maybe half way, a load opens it for certain",
         {.half = 0.36, .half_now = 0.3, .join_chance = 0.9, .joined = 0.005},
         false,
         false,
         true},
        {"the same, and it hardly comes",
         {.half = 0.36, .half_now = 0.3, .join_chance = 0.9, .joined = 0.004},
         false,
         false,
         false},
        {"maybe half way, a load is about to come",
         {.half = 0.4, .half_now = 0.1, .join_chance = 0.6, .joined = 0.31},
         false,
         false,
         true},
        {"cool",
         {.half = 0.1, .half_now = 0.1, .join_chance = 1.0, .joined = 0.5},
         false,
         false,
         false},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        if (overload_rules_near(&rules, &rows[i].o) != rows[i].near ||
            overload_rules_nearly(&rules, &rows[i].o) != rows[i].nearly ||
            overload_rules_maybe(&rows[i].o, 0) != rows[i].maybe)
            fail_msg("%s", rows[i].what);
}

static void what_was_said_in_vain_needs_a_likelier_load(void **state)
{
    const struct outlook o = {
        .half = 0.4, .half_now = 0.4, .join_chance = 0.95, .joined = 0.015};
    (void)state;
    assert_true(overload_rules_maybe(&o, 0) && overload_rules_maybe(&o, 3));
    assert_false(overload_rules_maybe(&o, 4));
}

static void a_warning_that_stands_is_over_later_than_one_would_be_raised(void **state)
{
    const struct outlook near = {.half = 0.1, .chance = 0.03},
                         warm = {.half = 0.35, .join_chance = 0.3},
                         over = {.half = 0.35, .join_chance = 0.2, .chance = 0.02};
    (void)state;
    assert_true(overload_rules_keep(&rules, &near) && !overload_rules_nearly(&rules, &near));
    assert_true(overload_rules_keep(&rules, &warm) && !overload_rules_nearly(&rules, &warm));
    assert_false(overload_rules_keep(&rules, &over));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_warning_needs_nearness_or_a_load_that_comes),
        cmocka_unit_test(what_was_said_in_vain_needs_a_likelier_load),
        cmocka_unit_test(a_warning_that_stands_is_over_later_than_one_would_be_raised),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
