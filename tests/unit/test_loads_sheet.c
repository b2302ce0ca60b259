/* loads_sheet: what is one appliance in several runs is one on the sheet of a trip */
#include "loads_rig.h"

#include "analysis/loads_sheet.h"

#define HOUR 3600.0
#define MINUTE 60.0

static size_t sheet(const struct loads_rig *b, struct event_load out[LOADS_MAX_RUNNING])
{
    size_t n = loads_sheet(b->loads, 0, out);
    double sum = 0;
    for (size_t k = 0; k < n; k++) {
        sum += out[k].amps;
        if (k > 0)
            assert_true(out[k].amps <= out[k - 1].amps);
    }
    assert_near(sum + loads_rest_amps(b->loads, 0), (double)b->frame->values[0], 0.001);
    return n;
}

/* The only one of about that size; NULL: there is none, or two. */
static const struct event_load *only(const struct event_load *on, size_t n, double amps)
{
    const struct event_load *found = NULL;
    for (size_t k = 0; k < n; k++)
        if (fabs(on[k].amps - amps) <= 0.04 + 0.03 * amps) {
            if (found)
                return NULL;
            found = &on[k];
        }
    return found;
}

static size_t running(const struct loads_rig *b)
{
    struct event_load on[LOADS_MAX_RUNNING];
    return loads_running(b->loads, 0, on);
}

static void a_heater_that_was_turned_up_is_one(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0.1, 10 * MINUTE);
    rig_hold(b, 8.1, 20 * MINUTE);
    rig_hold(b, 10.8, 2 * MINUTE);
    assert_int_equal(running(b), 3);
    assert_int_equal(sheet(b, on), 2);
    assert_near(on[0].amps, 10.7, 0.1);
    assert_int_equal(on[0].since_wall_ms, LOADS_RIG_BEGIN_WALL_MS + 600000);
}

static void of_two_heaters_the_first_was_turned_up(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0, 10 * MINUTE);
    rig_hold(b, 7.0, 20 * MINUTE);
    rig_hold(b, 16.0, 2 * MINUTE); /* another of 9 A */
    rig_hold(b, 18.5, 2 * MINUTE);
    size_t n = sheet(b, on);
    assert_int_equal(n, 2);
    assert_non_null(only(on, n, 9.5));
    assert_non_null(only(on, n, 9.0));
    assert_int_equal(only(on, n, 9.5)->since_wall_ms, LOADS_RIG_BEGIN_WALL_MS + 600000);
}

static void what_is_known_beside_a_heater_is_no_turn(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0.1, 10 * MINUTE);
    for (int i = 0; i < 4; i++) { /* a toaster, by itself */
        rig_hold(b, 2.8, 150);
        rig_hold(b, 0.1, 2 * HOUR);
    }
    rig_hold(b, 8.1, 20 * MINUTE);
    rig_hold(b, 10.8, 2 * MINUTE);
    size_t n = sheet(b, on);
    assert_non_null(only(on, n, 8.0));
    assert_non_null(only(on, n, 2.7));
}

static void what_starts_with_inrush_is_no_turn(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0.1, 10 * MINUTE);
    rig_hold(b, 8.1, 20 * MINUTE);
    rig_hold(b, 14.1, 1); /* a motor */
    rig_hold(b, 10.8, 2 * MINUTE);
    size_t n = sheet(b, on);
    assert_non_null(only(on, n, 8.0));
    assert_non_null(only(on, n, 2.7));
}

/* Two loads, four times each, never at the same time. */
static void learn(struct loads_rig *b, double first, double second)
{
    rig_hold(b, 0.1, 10 * MINUTE);
    for (int i = 0; i < 4; i++) {
        rig_hold(b, first + 0.1, 4 * MINUTE);
        rig_hold(b, 0.1, 2 * HOUR);
        rig_hold(b, second + 0.1, 7 * MINUTE);
        rig_hold(b, 0.1, 2 * HOUR);
    }
}

static void a_kettle_and_an_oven_at_once_are_two(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    learn(b, 10.7, 6.3);
    rig_hold(b, 17.1, MINUTE); /* more than 16 A */
    assert_int_equal(running(b), 2);
    size_t n = sheet(b, on);
    assert_int_equal(n, 3);
    assert_non_null(only(on, n, 10.7));
    assert_non_null(only(on, n, 6.3));
}

static void what_the_breaker_may_carry_is_one(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    learn(b, 6.0, 4.0);
    rig_hold(b, 10.1, MINUTE);
    size_t n = sheet(b, on);
    assert_non_null(only(on, n, 10.0));
}

/* 6.1 A for four seconds and then 13.2: nothing that is known here begins so. */
static void two_heaters_seconds_apart_are_two(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0, 10 * MINUTE);
    rig_hold(b, 6.1, 4);
    rig_hold(b, 13.2, 2 * MINUTE);
    assert_int_equal(running(b), 1);
    assert_int_equal(sheet(b, on), 2);
    assert_near(on[0].amps, 7.1, 0.1);
    assert_near(on[1].amps, 6.1, 0.1);
    assert_int_equal(on[1].since_wall_ms, LOADS_RIG_BEGIN_WALL_MS + 600000);
}

static void what_always_begins_in_two_stages_is_one(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    for (int k = 0; k < 5; k++) { /* an oven: its second element follows its first */
        rig_hold(b, 0, HOUR);
        rig_hold(b, 6.1, 4);
        rig_hold(b, 13.2, 10 * MINUTE);
    }
    assert_int_equal(sheet(b, on), 1);
    assert_near(on[0].amps, 13.2, 0.1);
}

static void a_motor_before_its_element_is_part_of_it(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0, 10 * MINUTE);
    rig_hold(b, 2.5, 4);
    rig_hold(b, 13.2, 2 * MINUTE);
    assert_int_equal(sheet(b, on), 1);
}

static void two_that_began_in_one_step_are_the_load_of_their_sum(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0.1, 10 * MINUTE);
    for (int i = 0; i < 3; i++) { /* two elements at once */
        rig_hold(b, 16.6, 10 * MINUTE);
        rig_hold(b, 0.1, 2 * HOUR);
    }
    rig_hold(b, 9.4, 2); /* a moment apart */
    rig_hold(b, 16.6, 2 * MINUTE);
    assert_int_equal(running(b), 3);
    size_t n = sheet(b, on);
    assert_int_equal(n, 2);
    assert_non_null(only(on, n, 16.5));
}

static void two_that_began_in_one_step_and_are_known_apart_stay_two(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0.1, 10 * MINUTE);
    for (int i = 0; i < 4; i++) {
        rig_hold(b, 9.4, 10 * MINUTE);
        rig_hold(b, 0.1, 2 * HOUR);
        rig_hold(b, 7.3, 20 * MINUTE);
        rig_hold(b, 0.1, 2 * HOUR);
        rig_hold(b, 16.6, 5 * MINUTE); /* a third of their sum */
        rig_hold(b, 0.1, 2 * HOUR);
    }
    rig_hold(b, 9.4, 2);
    rig_hold(b, 16.6, 2 * MINUTE);
    size_t n = sheet(b, on);
    assert_non_null(only(on, n, 9.3));
    assert_non_null(only(on, n, 7.2));
}

/* A drum that turns to and fro, its current never twice the same. */
static void wash(struct loads_rig *b, double below, int minutes)
{
    for (int i = 0; i < 2 * minutes; i++) {
        rig_hold(b, below + 0.7 + 0.1 * (i % 4), 9);
        rig_hold(b, below + 1.6 + 0.2 * (i % 3), 6);
        rig_hold(b, below, 15);
    }
}

static void a_drum_is_part_of_the_element_beside_it(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0.1, HOUR);
    rig_hold(b, 10.0, 2 * MINUTE); /* the element, while the drum turns */
    wash(b, 8.7, 6);
    rig_hold(b, 9.6, 12);
    rig_hold(b, 10.4, 12);
    assert_true(running(b) > 2);
    size_t n = sheet(b, on);
    assert_int_equal(n, 2);
    assert_near(on[0].amps, 10.3, 0.1);
    assert_int_equal(on[0].since_wall_ms, LOADS_RIG_BEGIN_WALL_MS + 3600000);
}

static void a_hair_dryer_set_lower_and_higher_is_one(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0.1, 10 * MINUTE);
    rig_hold(b, 9.1, 20 * MINUTE); /* a heater */
    rig_hold(b, 16.6, MINUTE);     /* the dryer, 7.5 A */
    rig_hold(b, 12.2, 30);         /* 3.1 A */
    rig_hold(b, 14.4, 40);         /* 5.3 A */
    assert_int_equal(running(b), 4);
    size_t n = sheet(b, on);
    assert_int_equal(n, 3);
    assert_non_null(only(on, n, 9.0));
    assert_non_null(only(on, n, 5.3));
}

static void what_is_small_beside_an_element_that_gave_nothing_is_its_own(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0.1, HOUR);
    rig_hold(b, 8.7, 2 * MINUTE);
    rig_hold(b, 9.2, 2 * MINUTE);
    rig_hold(b, 9.9, 2 * MINUTE);
    size_t n = sheet(b, on);
    assert_non_null(only(on, n, 8.6));
    assert_non_null(only(on, n, 0.5));
    assert_non_null(only(on, n, 0.7));
}

static void a_refrigerator_beside_a_drum_is_none_of_its_parts(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0.1, HOUR);
    for (int i = 0; i < 5; i++) {
        rig_hold(b, 0.95, 15 * MINUTE);
        rig_hold(b, 0.1, 30 * MINUTE);
    }
    rig_hold(b, 10.0, 2 * MINUTE);
    wash(b, 8.7, 6);
    rig_hold(b, 8.7, 20);
    rig_hold(b, 9.55, 60);
    size_t n = sheet(b, on);
    assert_non_null(only(on, n, 8.6));
    assert_non_null(only(on, n, 0.85));
}

static void what_no_run_explains_is_part_of_what_began_last(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 0, 10 * MINUTE);
    rig_hold(b, 8.0, 20 * MINUTE);
    rig_hold(b, 12.0, 10 * MINUTE); /* another of 4 A */
    rig_hold(b, 5.5, 2 * MINUTE);   /* 6.5 A of the 8 A are gone */
    assert_int_equal(running(b), 2);
    assert_int_equal(sheet(b, on), 1);
    assert_near(on[0].amps, 5.5, 0.05);
    assert_int_equal(on[0].since_wall_ms, LOADS_RIG_BEGIN_WALL_MS + 1800000);
}

static void what_always_stays_on_is_nobodys_part(void **state)
{
    struct loads_rig *b = *state;
    struct event_load on[LOADS_MAX_RUNNING];
    rig_hold(b, 2.0, HOUR);
    rig_hold(b, 6.0, 10 * MINUTE);
    assert_int_equal(sheet(b, on), 2);
    assert_near(on[0].amps, 4.0, 0.05);
    assert_string_equal(on[1].appliance, LOADS_STANDING);
    assert_near(on[1].amps, 2.0, 0.05);
}

#define ON_THE_RIG(f) cmocka_unit_test_setup_teardown(f, loads_rig_set_up, loads_rig_tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        ON_THE_RIG(a_heater_that_was_turned_up_is_one),
        ON_THE_RIG(of_two_heaters_the_first_was_turned_up),
        ON_THE_RIG(what_is_known_beside_a_heater_is_no_turn),
        ON_THE_RIG(what_starts_with_inrush_is_no_turn),
        ON_THE_RIG(a_kettle_and_an_oven_at_once_are_two),
        ON_THE_RIG(what_the_breaker_may_carry_is_one),
        ON_THE_RIG(two_heaters_seconds_apart_are_two),
        ON_THE_RIG(what_always_begins_in_two_stages_is_one),
        ON_THE_RIG(a_motor_before_its_element_is_part_of_it),
        ON_THE_RIG(two_that_began_in_one_step_are_the_load_of_their_sum),
        ON_THE_RIG(two_that_began_in_one_step_and_are_known_apart_stay_two),
        ON_THE_RIG(a_drum_is_part_of_the_element_beside_it),
        ON_THE_RIG(a_hair_dryer_set_lower_and_higher_is_one),
        ON_THE_RIG(what_is_small_beside_an_element_that_gave_nothing_is_its_own),
        ON_THE_RIG(a_refrigerator_beside_a_drum_is_none_of_its_parts),
        ON_THE_RIG(what_no_run_explains_is_part_of_what_began_last),
        ON_THE_RIG(what_always_stays_on_is_nobodys_part),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
