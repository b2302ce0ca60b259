/* loads: starts that fall together with other things */
#include "loads_rig.h"

#define HOUR 3600.0

static bool runs_now(const struct loads_rig *b, double amps)
{
    struct event_load on[LOADS_MAX_RUNNING];
    size_t n = loads_running(b->loads, 0, on);
    for (size_t k = 0; k < n; k++)
        if (fabs(on[k].amps - amps) <= 0.04 + 0.03 * amps)
            return true;
    return false;
}

/* A breaker opens, and is reset. */
static void cut_for(struct loads_rig *b, double seconds)
{
    const bool cut[LOADS_RIG_CIRCUITS] = {true};
    for (double t = 0; t < seconds; t++) {
        b->frame->values[0] = 0;
        loads_step(b->loads, b->frame, cut);
        b->frame->mono_ms += 1000;
        b->frame->wall_ms += 1000;
    }
}

/* 0.65 A and 0.50 A, each alone often enough to be known. */
static void two_compressors(struct loads_rig *b)
{
    rig_hold(b, 0, 300);
    for (int i = 0; i < 5; i++) {
        rig_hold(b, 0.65, 900);
        rig_hold(b, 0, HOUR);
        rig_hold(b, 0.50, 900);
        rig_hold(b, 0, HOUR);
    }
}

static void a_reset_switches_on_what_ran_and_what_has_got_warm(void **state)
{
    struct loads_rig *b = *state;
    two_compressors(b);
    rig_hold(b, 0.65, 300);
    cut_for(b, 600);
    b->count = 0;
    rig_hold(b, 1.15, 120); /* the other one as well, in the same second */
    assert_int_equal(rig_ons(b), 2);
    assert_true(runs_now(b, 0.65) && runs_now(b, 0.50));
}

static void a_heater_after_a_reset_is_not_made_of_pieces(void **state)
{
    struct loads_rig *b = *state;
    two_compressors(b);
    rig_hold(b, 0.65, 300);
    cut_for(b, 600);
    b->count = 0;
    rig_hold(b, 8.7, 120);
    assert_int_equal(rig_ons(b), 1);
    assert_true(runs_now(b, 8.7));
}

static void a_kettle_moments_after_a_compressor_is_no_stage_of_it(void **state)
{
    struct loads_rig *b = *state;
    two_compressors(b);
    rig_hold(b, 9.0, 150);
    rig_hold(b, 0, HOUR);
    b->count = 0;
    rig_hold(b, 0.65, 11);
    rig_hold(b, 9.65, 120);
    assert_int_equal(rig_ons(b), 2);
    assert_true(runs_now(b, 0.65) && runs_now(b, 9.0));
}

static void what_always_grows_still_grows(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0, 300);
    for (int i = 0; i < 6; i++) { /* a fan before its element, and that element's size alone */
        rig_hold(b, 0.8, 9);
        rig_hold(b, 6.8, 120);
        rig_hold(b, 0, HOUR);
        rig_hold(b, 6.0, 300);
        rig_hold(b, 0, HOUR);
    }
    b->count = 0;
    rig_hold(b, 0.8, 9);
    rig_hold(b, 6.8, 120);
    assert_int_equal(rig_ons(b), 1);
    assert_true(runs_now(b, 6.8));
}

static void a_trial_before_the_start_is_part_of_the_run(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0, 600);
    rig_hold(b, 0.75, 11);
    rig_hold(b, 0, 5);
    rig_hold(b, 11.4, 600);
    rig_hold(b, 0, 120);
    assert_int_equal(rig_ons(b), 1);
    assert_int_equal(b->events[0].wall_ms, LOADS_RIG_BEGIN_WALL_MS + 600000);
    assert_near(b->events[0].load.amps, 0.75, 0.05);
}

static void a_load_that_takes_over_from_another_is_seen(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0, 300);
    rig_hold(b, 0.90, 900);
    rig_hold(b, 0, 1); /* one reading between them */
    rig_hold(b, 0.50, 900);
    const struct event *second = rig_on_at(b, 1201, 1);
    assert_non_null(second);
    assert_near(second->load.amps, 0.5, 0.03);
    assert_int_equal(rig_ons(b), 2);
}

static void a_compressor_that_starts_as_a_kettle_ends_is_seen(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0, 300);
    rig_hold(b, 8.9, 150);
    rig_hold(b, 10.2, 1); /* its inrush, on top */
    rig_hold(b, 0.45, 900);
    const struct event *second = rig_on_at(b, 450, 1);
    assert_non_null(second);
    assert_near(second->load.amps, 0.45, 0.05);
    assert_true(runs_now(b, 0.45) && !runs_now(b, 8.9));
}

static void what_still_starts_is_one_load(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0, 300);
    rig_hold(b, 1.7, 12);
    rig_hold(b, 8.8, 2); /* not settled yet */
    assert_int_equal(loads_running(b->loads, 0, on), 1);
    assert_near(on[0].amps, 8.8, 0.05);
    assert_near(loads_rest_amps(b->loads, 0), 0, 0.05);
}

static void what_no_run_explained_comes_back_with_the_rest_after_a_reset(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0, 300);
    rig_hold(b, 1.02, 600);
    rig_hold(b, 0.22, 600); /* most of it has ended; 0.22 A of it stay */
    rig_hold(b, 0.92, 600);
    cut_for(b, 600);
    b->count = 0;
    rig_hold(b, 2.32, 120); /* with something new of 1.4 A */
    assert_true(runs_now(b, 0.70) && runs_now(b, 0.22) && runs_now(b, 1.40));
}

/* 0.9 and 0.6 A for half an hour, a fall to nothing that is a minute later known for an
 * opening, and a reset to so much. */
static void opening_known_late(struct loads_rig *b, double after)
{
    rig_begin(b, 0);
    rig_hold(b, 0, 300);
    rig_hold(b, 0.9, 900);
    rig_hold(b, 1.5, 200); /* not yet so long that it could be a strip */
    rig_hold(b, 0, 60);
    cut_for(b, 600);
    b->count = 0;
    rig_hold(b, after, 120);
}

static void what_a_late_known_opening_took_comes_back_by_its_parts(void **state)
{
    struct loads_rig *b = *state;
    opening_known_late(b, 1.5);
    assert_int_equal(rig_ons(b), 2);
    assert_true(runs_now(b, 0.9) && runs_now(b, 0.6));
    opening_known_late(b, 1.62); /* cold, they draw a little more */
    assert_int_equal(rig_ons(b), 2);
    assert_true(runs_now(b, 0.972) && runs_now(b, 0.648));
}

static void nothing_is_no_set_that_comes_back(void **state)
{
    struct loads_rig *b = *state;
    opening_known_late(b, 0.06);
    assert_int_equal(rig_ons(b), 1);
    assert_true(b->events[0].load.amps > 0.04);
}

static void a_load_that_ends_in_two_steps_has_ended(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0, 300);
    rig_hold(b, 0.80, 600);
    rig_hold(b, 2.00, 600);
    rig_hold(b, 1.50, 5); /* of the second */
    rig_hold(b, 0.80, 120);
    assert_int_equal(loads_running(b->loads, 0, on), 1);
    assert_near(on[0].amps, 0.80, 0.02);
    assert_near((double)on[0].since_wall_ms, LOADS_RIG_BEGIN_WALL_MS + 300000, 1000);
}

static void a_rise_of_a_load_that_never_rests_is_its_own(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0, 300);
    for (int i = 0; i < 6; i++) {
        rig_hold(b, 0.62, 45);
        rig_hold(b, 0.42, 45);
    }
    rig_hold(b, 0.70, 1); /* not settled */
    assert_int_equal(loads_running(b->loads, 0, on), 1);
    assert_near(on[0].amps, 0.70, 0.03);
}

static void an_element_that_ends_in_two_steps_comes_back_whole(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0.1, 300);
    for (int i = 0; i < 5; i++) { /* a clothes dryer's */
        rig_hold(b, 15.9, 180);
        rig_hold(b, 9.2, 3);
        rig_hold(b, 0.1, 22);
    }
    rig_hold(b, 0.1, 900);
    assert_int_equal(rig_ons(b), 1);
    assert_near((double)b->events[b->count - 1].load.seconds, 5 * 205 - 22, 3);
}

int main(void)
{
#define CASE(f) cmocka_unit_test_setup_teardown(f, loads_rig_set_up, loads_rig_tear_down)
    const struct CMUnitTest tests[] = {
        CASE(a_reset_switches_on_what_ran_and_what_has_got_warm),
        CASE(a_heater_after_a_reset_is_not_made_of_pieces),
        CASE(a_kettle_moments_after_a_compressor_is_no_stage_of_it),
        CASE(what_always_grows_still_grows),
        CASE(a_trial_before_the_start_is_part_of_the_run),
        CASE(a_load_that_takes_over_from_another_is_seen),
        CASE(a_compressor_that_starts_as_a_kettle_ends_is_seen),
        CASE(what_still_starts_is_one_load),
        CASE(what_no_run_explained_comes_back_with_the_rest_after_a_reset),
        CASE(what_a_late_known_opening_took_comes_back_by_its_parts),
        CASE(nothing_is_no_set_that_comes_back),
        CASE(a_load_that_ends_in_two_steps_has_ended),
        CASE(a_rise_of_a_load_that_never_rests_is_its_own),
        CASE(an_element_that_ends_in_two_steps_comes_back_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
