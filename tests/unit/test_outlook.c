/* outlook: what the current will do next, and what that does to the breaker */
#include "check.h"

#include "overload_case.h"

static struct outlook look(struct overload_case *t, double amps)
{
    struct outlook o;
    outlook_take(&t->sources, 0, t->frame->mono_ms, amps, &o);
    return o;
}

static void a_load_that_usually_ends_soon_opens_nothing(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    for (int n = 0; n < 12; n++) { /* 20 A for 20 seconds, on a 15 A breaker */
        overload_hold(&t, 20.3, 20);
        overload_hold(&t, 0.3, 900);
    }
    overload_hold(&t, 20.3, 6);
    struct outlook o = look(&t, 20.3);
    assert_true(breakers_chance(t.breakers, 0, 20.3, 900.0) > 0.5);
    assert_true(o.chance < 0.1);
    /* should it stay all the same, for as long as one has to act */
    assert_near(o.soon, breakers_chance(t.breakers, 0, 20.3, OUTLOOK_SOON_SECONDS), 1e-9);
    assert_near(look(&t, 40.0).soon, breakers_chance(t.breakers, 0, 40.0, 45.0), 1e-9);
    assert_true(look(&t, 40.0).soon > 0.5);
    overload_tear_down(&t);
}

static void a_usual_load_that_would_open_it_is_named(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    for (int n = 0; n < 6; n++) {
        overload_hold(&t, 12.3, 170); /* a kettle */
        overload_hold(&t, 0.3, 3600);
    }
    overload_hold(&t, 14.3, 900); /* and now a heater */
    struct outlook o = look(&t, 14.3);
    assert_true(o.half > 0.8 && o.half_now > 0.8);
    assert_near(o.join_amps, 12.0, 0.5);
    assert_true(o.join_chance > 0.8);
    assert_true(o.joined > 0.01 && o.joined < 0.9);
    overload_tear_down(&t);
}

static void the_chance_all_told_grows_with_time_current_and_who_may_join(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    overload_hold(&t, 14.3, 900);
    double alone = outlook_chance(&t.sources, 0, t.frame->mono_ms, 14.3, 300.0);
    overload_tear_down(&t);
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    for (int n = 0; n < 6; n++) {
        overload_hold(&t, 12.3, 170);
        overload_hold(&t, 0.3, 3600);
    }
    overload_hold(&t, 14.3, 900);
    double told = outlook_chance(&t.sources, 0, t.frame->mono_ms, 14.3, 300.0);
    assert_true(told > alone + 0.01);
    assert_true(outlook_chance(&t.sources, 0, t.frame->mono_ms, 14.3, 900.0) > told);
    assert_true(outlook_chance(&t.sources, 0, t.frame->mono_ms, 20.3, 300.0) > told);
    assert_true(outlook_chance(&t.sources, 0, t.frame->mono_ms, 60.0, 900.0) <= 1.0);
    overload_tear_down(&t);
}

/* A stay that is known says when what runs ends, whatever ends first: to end the load in its
 * own time as well would count one end twice. A warning takes the sooner. */
static void an_end_that_the_stays_know_is_counted_once(void **state)
{
    struct overload_case t;
    struct dwell d = {0};
    double rating = 15.0;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    for (int n = 0; n < 6; n++) { /* runs of half a minute to a minute */
        overload_hold(&t, 20.3, 30 + 6 * n);
        overload_hold(&t, 0.3, 900);
    }
    for (int n = 0; n < 12; n++) { /* the stays are ten times as long */
        int64_t at = 1000000 * (n + 1);
        for (int s = 0; s < 600; s++)
            dwell_read(&d, at + 1000 * s, s < 300 ? 0.3 + 20.0 * (s > 2) : 8.0, rating, 0.05);
    }
    overload_hold(&t, 20.3, 10);
    double loads = outlook_chance(&t.sources, 0, t.frame->mono_ms, 20.3, 300.0);
    t.sources.dwells = &d;
    for (int s = 0; s <= 10; s++)
        dwell_read(&d, t.frame->mono_ms + 1000 * (s - 10), s > 0 ? 20.3 : 0.3, rating, 0.05);
    assert_true(dwell_knows(&d, rating));
    double stays = outlook_chance(&t.sources, 0, t.frame->mono_ms, 20.3, 300.0);
    assert_true(stays > 1.5 * loads);
    struct outlook warned = look(&t, 20.3);
    assert_true(warned.chance < stays);
    overload_tear_down(&t);
}

static void openings_that_do_not_come_lower_the_chance_all_told(void **state)
{
    struct overload_case t;
    struct joins j = {0};
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    for (int n = 0; n < 6; n++) {
        overload_hold(&t, 12.3, 170);
        overload_hold(&t, 0.3, 3600);
    }
    overload_hold(&t, 14.3, 900);
    double all = outlook_chance(&t.sources, 0, t.frame->mono_ms, 14.3, 300.0);
    t.sources.joins = &j;
    double some = outlook_chance(&t.sources, 0, t.frame->mono_ms, 14.3, 300.0);
    joins_look(&j, 0, 0.001);
    joins_look(&j, 15000000, 0.001);
    double few = outlook_chance(&t.sources, 0, t.frame->mono_ms, 14.3, 300.0);
    assert_true(all > some && some > few && few > 0.0);
    struct outlook o = look(&t, 14.3);
    assert_true(o.joins < 0.5 * o.joined && o.join_rate > 0.0);
    overload_tear_down(&t);
}

static void nothing_is_asked_of_a_cool_breaker_and_calm_is_calm(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 6.0, 600);
    struct outlook o = look(&t, 6.0);
    assert_true(o.chance < 1e-3 && o.half < OUTLOOK_HALF_LEAST);
    assert_near(o.join_chance, 0.0, 0.0);
    assert_near(o.joined, 0.0, 0.0);
    assert_true(outlook_calm(&t.sources, 0, 6.0, 600.0, 0.03, OUTLOOK_HALF_LEAST));
    assert_false(outlook_calm(&t.sources, 0, 20.0, 600.0, 0.03, OUTLOOK_HALF_LEAST));
    overload_tear_down(&t);
}

/* what is said of a circuit at less current, or with time gone by, is never above calm's bound
 */
static void no_look_finds_what_calm_has_excluded(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 60);
    for (int n = 0; n < 40; n++) {
        double amps = 7.0 + 0.15 * n;
        bool calm = outlook_calm(&t.sources, 0, 1.03 * amps, 90.0, 0.03, OUTLOOK_HALF_LEAST);
        for (int s = 0; s < 9; s++) {
            overload_hold(&t, amps, 10);
            struct outlook o = look(&t, amps);
            if (calm)
                assert_true(o.chance < 0.03 && o.half < OUTLOOK_HALF_LEAST);
        }
    }
    overload_tear_down(&t);
}

static void the_smallest_set_is_switched_off_and_essential_loads_never(void **state)
{
    struct overload_case t;
    struct event_load off[LOADS_MAX_RUNNING];
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    overload_hold(&t, 3.3, 60);
    overload_hold(&t, 9.3, 60);
    overload_hold(&t, 21.3, 8);
    struct outlook o = look(&t, 21.3);
    size_t n = outlook_switch_off(&t.sources, 0, &o, off);
    assert_int_equal(n, 1);
    assert_near(off[0].amps, 12.0, 0.6);
    for (size_t k = 0; k < o.running_count; k++)
        if (fabs(o.running[k].amps - 12.0) < 0.6)
            o.running[k].essential = true;
    n = outlook_switch_off(&t.sources, 0, &o, off);
    for (size_t k = 0; k < n; k++)
        assert_true(off[k].amps < 11.0);
    t.site.circuits[0].essential = true;
    assert_int_equal(outlook_switch_off(&t.sources, 0, &o, off), 0);
    overload_tear_down(&t);
}

/* nothing has to be switched off for what runs: what is named makes room for what would join */
static void who_would_join_is_reckoned_with_and_what_is_too_small_is_not_named(void **state)
{
    struct overload_case t;
    struct event_load off[LOADS_MAX_RUNNING];
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    overload_hold(&t, 3.3, 60);
    overload_hold(&t, 9.3, 60);
    struct outlook o = look(&t, 9.3);
    o.chance = 0.0;
    o.join_amps = 9.0;
    assert_int_equal(outlook_switch_off(&t.sources, 0, &o, off), 1);
    assert_near(off[0].amps, 6.0, 0.4);
    o.join_amps = 40.0; /* nothing makes room for that: all that can be named */
    assert_int_equal(outlook_switch_off(&t.sources, 0, &o, off), 2);
    for (size_t k = 0; k < o.running_count; k++)
        if (fabs(o.running[k].amps - 3.0) < 0.4)
            o.running[k].amps = 0.1;
    assert_int_equal(outlook_switch_off(&t.sources, 0, &o, off), 1);
    for (size_t k = 0; k < o.running_count; k++)
        o.running[k].amps = 0.1;
    assert_int_equal(outlook_switch_off(&t.sources, 0, &o, off), 0);
    overload_tear_down(&t);
}

/* Each running load ends in its time, and what is left goes on: the chance is the mean over
 * five quantiles of how long they have yet to run. Two loads of known lengths beside one that
 * stays. */
static void the_chance_is_the_mean_over_how_long_the_loads_go_on(void **state)
{
    struct overload_case t;
    const double shares[] = {0.1, 0.3, 0.5, 0.7, 0.9}, opens = 1.0, horizon = 900.0;
    double mean = 0.0;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    for (int n = 0; n < 8; n++) { /* 12 A for one to two minutes, 8 A for four to six */
        overload_hold(&t, 12.3, 60 + 9 * n);
        overload_hold(&t, 0.3, 900);
        overload_hold(&t, 8.3, 240 + 18 * n);
        overload_hold(&t, 0.3, 900);
    }
    overload_hold(&t, 8.3, 60);
    overload_hold(&t, 20.3, 20);
    struct outlook o = look(&t, 20.3);
    const struct event_load *large = &o.running[0], *small = &o.running[1];
    assert_near(large->amps, 12.0, 0.3);
    assert_near(small->amps, 8.0, 0.3);
    for (int s = 0; s < 5; s++) {
        double first = habits_remaining_seconds(t.habits, 0, large->amps, large->seconds,
                                                shares[s]),
               second = habits_remaining_seconds(t.habits, 0, small->amps, small->seconds,
                                                 shares[s]),
               chance;
        assert_true(first < second && second < horizon);
        const struct breaker_path p = {
            .count = 3,
            .stretch = {{20.3, first},
                        {20.3 - large->amps, second - first},
                        {20.3 - large->amps - small->amps, horizon - second}}};
        breakers_paths_reach(t.breakers, 0, &p, 1, &opens, 1, &chance);
        mean += chance / 5.0;
    }
    assert_true(mean > 0.01 && mean < 0.99);
    assert_near(o.chance, mean, 1e-6);
    overload_tear_down(&t);
}

struct choice {
    const char *name;
    double amps[6]; /* of what runs, largest first */
    double chance, join_amps;
    int count;
    double said; /* amps of the loads that are named, all together */
};

/* On this cold breaker of 15 A 12 A may stay for a quarter of an hour, and 13 A may not. */
static const struct choice choices[] = {
    {"one of them does, the smaller one too", {8, 7, 3}, 0.5, 0, 1, 7},
    {"no one does, two do", {9, 7, 6, 5}, 0.5, 0, 2, 15},
    {"three of five", {8, 7, 6, 5, 4}, 0.5, 0, 3, 18},
    {"four of six", {6, 6, 5, 5, 5, 4}, 0.5, 0, 4, 19},
    {"room for what may join", {8, 4, 2}, 0.0, 6, 1, 8},
    {"it will open as it is: who may join is no matter", {9, 8, 3}, 0.5, 40, 1, 8},
};

static void the_smallest_set_with_the_fewest_amps_is_named(void **state)
{
    struct overload_case t;
    (void)state;
    overload_set_up(&t);
    overload_hold(&t, 0.3, 300);
    double clear = t.rules.circuits[0].near_overload_clear_chance;
    assert_true(breakers_chance(t.breakers, 0, 12.0, 900.0) <= clear &&
                breakers_chance(t.breakers, 0, 13.0, 900.0) > clear);
    for (size_t c = 0; c < sizeof choices / sizeof choices[0]; c++) {
        const struct choice *x = &choices[c];
        struct event_load off[LOADS_MAX_RUNNING];
        struct outlook o = {.chance = x->chance, .join_amps = x->join_amps};
        for (size_t k = 0; k < 6 && x->amps[k] > 0.0; k++) {
            o.running[o.running_count++].amps = x->amps[k];
            o.amps += x->amps[k];
        }
        size_t n = outlook_switch_off(&t.sources, 0, &o, off);
        double said = 0.0;
        for (size_t k = 0; k < n; k++) {
            said += off[k].amps;
            assert_true(k == 0 || off[k].amps <= off[k - 1].amps);
        }
        if ((int)n != x->count || fabs(said - x->said) > 1e-9)
            fail_msg("%s: %zu loads of %.1f A together", x->name, n, said);
    }
    overload_tear_down(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_load_that_usually_ends_soon_opens_nothing),
        cmocka_unit_test(a_usual_load_that_would_open_it_is_named),
        cmocka_unit_test(the_chance_all_told_grows_with_time_current_and_who_may_join),
        cmocka_unit_test(an_end_that_the_stays_know_is_counted_once),
        cmocka_unit_test(openings_that_do_not_come_lower_the_chance_all_told),
        cmocka_unit_test(nothing_is_asked_of_a_cool_breaker_and_calm_is_calm),
        cmocka_unit_test(no_look_finds_what_calm_has_excluded),
        cmocka_unit_test(the_smallest_set_is_switched_off_and_essential_loads_never),
        cmocka_unit_test(the_chance_is_the_mean_over_how_long_the_loads_go_on),
        cmocka_unit_test(the_smallest_set_with_the_fewest_amps_is_named),
        cmocka_unit_test(who_would_join_is_reckoned_with_and_what_is_too_small_is_not_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
