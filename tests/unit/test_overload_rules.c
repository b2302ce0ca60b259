/* overload_rules: when an outlook is worth a warning */
#include "check.h"

#include "analysis/overload_rules.h"

static const struct rules rules = {.near_overload_chance = 0.15,
                                   .near_overload_on_seconds = 5,
                                   .near_overload_clear_chance = 0.03};

static void a_warning_needs_nearness_or_a_load_that_comes(void **state)
{
    static const struct {
        const char *what;
        struct outlook o;
        bool near, maybe;
    } rows[] = {
        {"likely to open, and half way", {.half = 0.75, .chance = 0.15}, true, false},
        {"not likely to open", {.half = 0.9, .chance = 0.14}, false, false},
        {"might open, and is not half way", {.half = 0.7, .chance = 0.5}, false, false},
        {"half way, and what comes hardly opens it",
         {.half = 0.9, .half_now = 0.9, .join_chance = 0.06, .joined = 0.001},
         false,
         false},
        {"half way, and nothing is known that would open it",
         {.half = 0.9, .half_now = 0.9},
         false,
         false},
        {"as likely half way as not, a load opens it rather than not",
         {.half = 0.5, .half_now = 0.4, .join_chance = 0.7, .joined = 0.006},
         false,
         true},
        {"the same, and it hardly comes",
         {.half = 0.5, .half_now = 0.4, .join_chance = 0.7, .joined = 0.005},
         false,
         false},
        {"half way, and the load opens it as likely as not",
         {.half = 0.9, .half_now = 0.9, .join_chance = 0.5, .joined = 0.02},
         false,
         false},
        {"half way, and about to be over",
         {.half = 0.29, .half_now = 0.8, .join_chance = 0.95, .joined = 0.02},
         false,
         false},
        {"maybe half way, a load opens it for certain",
         {.half = 0.36, .half_now = 0.3, .join_chance = 0.95, .joined = 0.006},
         false,
         true},
        {"maybe half way, and a load that is about to come is worth more than that it may be "
         "cool",
         {.half = 0.4, .half_now = 0.1, .join_chance = 0.6, .joined = 0.22},
         false,
         true},
        {"the same, and is not",
         {.half = 0.4, .half_now = 0.1, .join_chance = 0.6, .joined = 0.21},
         false,
         false},
        {"cool",
         {.half = 0.1, .half_now = 0.1, .join_chance = 1.0, .joined = 0.5},
         false,
         false},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        if (overload_rules_near(&rules, &rows[i].o) != rows[i].near ||
            overload_rules_maybe(&rows[i].o, 0) != rows[i].maybe)
            fail_msg("%s", rows[i].what);
}

static void what_was_said_in_vain_needs_a_likelier_load(void **state)
{
    const struct outlook likely = {
        .half = 0.3, .half_now = 0.6, .join_chance = 0.95, .joined = 0.013};
    (void)state;
    assert_true(overload_rules_maybe(&likely, 0) && overload_rules_maybe(&likely, 3));
    assert_false(overload_rules_maybe(&likely, 4));
    const struct outlook certain = {
        .half = 0.3, .half_now = 0.3, .join_chance = 0.95, .joined = 0.025};
    assert_true(overload_rules_maybe(&certain, 4) && overload_rules_maybe(&certain, 8));
    const struct outlook less = {
        .half = 0.4, .half_now = 0.4, .join_chance = 0.8, .joined = 0.025};
    assert_true(overload_rules_maybe(&less, 4));
    assert_false(overload_rules_maybe(&less, 5));
}

/* the sooner it opens the less it has to stand, and only a load that is known here is believed
 * at its first reading */
static void what_opens_soon_does_not_wait(void **state)
{
    static const struct {
        const char *what;
        struct outlook o;
        bool comes_on;
        double seconds;
    } rows[] = {
        {"minutes off", {.half = 0.9, .chance = 0.3, .soon = 0.1}, true, 5},
        {"likelier than not", {.half = 0.9, .chance = 0.5, .soon = 0.1}, false, 1},
        {"perhaps within half a minute", {.half = 0.9, .chance = 0.2, .soon = 0.3}, true, 1},
        {"a known load, and hardly a minute", {.half = 1, .chance = 0.9, .soon = 0.7}, true, 0},
        {"the same, not known", {.half = 1, .chance = 0.9, .soon = 0.7}, false, 1},
        {"soon, unless it ends as usual", {.half = 0.3, .chance = 0.01, .soon = 0.9}, true, 2},
        {"no room", {.half = 0.9, .half_now = 0.9, .soon = 0.0}, true, 5},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        if (overload_rules_on_seconds(&rules, &rows[i].o, rows[i].comes_on) != rows[i].seconds)
            fail_msg("%s", rows[i].what);
    const struct rules none = {.near_overload_chance = 0.15, .near_overload_on_seconds = 0};
    assert_near(overload_rules_on_seconds(&none, &rows[4].o, false), 0.0, 0.0);
    assert_true(overload_rules_soon(&rows[5].o) && !overload_rules_soon(&rows[2].o));
}

static void a_warning_that_stands_is_over_later_than_one_would_be_raised(void **state)
{
    const struct outlook near = {.half = 0.1, .chance = 0.03},
                         warm = {.half = 0.35, .join_chance = 0.3},
                         over = {.half = 0.35, .join_chance = 0.2, .chance = 0.02};
    (void)state;
    assert_true(overload_rules_keep(&rules, 15.0, &near) &&
                !overload_rules_near(&rules, &near));
    assert_true(overload_rules_keep(&rules, 15.0, &warm) && !overload_rules_maybe(&warm, 0));
    assert_true(overload_rules_keep(&rules, 15.0, &(struct outlook){.soon = 0.4}));
    assert_false(overload_rules_keep(&rules, 15.0, &over));
    struct outlook held = {.amps = 15.7, .half = 0.9};
    assert_true(overload_rules_keep(&rules, 15.0, &held));
    held.half = 0.7;
    assert_false(overload_rules_keep(&rules, 15.0, &held));
    held = (struct outlook){.amps = 14.9, .half = 0.9};
    assert_false(overload_rules_keep(&rules, 15.0, &held));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_warning_needs_nearness_or_a_load_that_comes),
        cmocka_unit_test(what_was_said_in_vain_needs_a_likelier_load),
        cmocka_unit_test(what_opens_soon_does_not_wait),
        cmocka_unit_test(a_warning_that_stands_is_over_later_than_one_would_be_raised),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
