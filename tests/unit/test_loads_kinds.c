/* loads: meters of every kind, programmes, pulses, power factors, loads that move */
#include "loads_rig.h"

#include "analysis/runs.h"

static void meters_of_every_kind_see_the_same_loads(void **state)
{
    static const struct {
        int period_ms;
        double step_amps, off_by_amps, off_by_seconds;
    } kinds[] = {
        {1000, 0.01, 0.02, 1},  {1000, 0.1, 0.11, 1},  {10000, 0.01, 0.02, 10},
        {200, 0.01, 0.02, 0.4}, {200, 0.1, 0.11, 0.4}, {10000, 0.1, 0.11, 10},
    };
    struct loads_rig *b = *state;
    for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++) {
        b->period_ms = kinds[k].period_ms;
        b->step_amps = kinds[k].step_amps;
        rig_begin(b, 0);
        rig_hold(b, 0.2, 300);
        rig_hold(b, 0.9, 600); /* 0.7 A */
        rig_hold(b, 9.3, 180); /* and 8.4 A */
        rig_hold(b, 0.9, 600);
        rig_hold(b, 0.2, 300);
        assert_int_equal(rig_ons(b), 2);
        const struct event *small = rig_on_at(b, 300, kinds[k].off_by_seconds);
        const struct event *large = rig_on_at(b, 900, kinds[k].off_by_seconds);
        assert_non_null(small);
        assert_non_null(large);
        assert_near(small->load.amps, 0.7, kinds[k].off_by_amps);
        assert_near(large->load.amps, 8.4, kinds[k].off_by_amps);
        assert_int_equal(b->count, 4);
        for (size_t e = 0; e < b->count; e++)
            if (b->events[e].type == EVENT_LOAD_OFF)
                assert_near(b->events[e].load.seconds, b->events[e].load.amps > 5 ? 180 : 1380,
                            2 * kinds[k].off_by_seconds);
    }
}

/* A pump, and 40 s later its element; the second part of the programme without it. */
static void programme(struct loads_rig *b)
{
    rig_hold(b, 0.4, 40);
    rig_hold(b, 9.2, 600);
    rig_hold(b, 0.4, 300);
    rig_hold(b, 0, 60);
    rig_hold(b, 0.4, 40);
    rig_hold(b, 9.2, 300);
    rig_hold(b, 0.4, 500);
    rig_hold(b, 0, 7200);
}

static void a_programme_is_one_run(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0, 60);
    for (int i = 0; i < 3; i++)
        programme(b);
    b->count = 0;
    programme(b);
    assert_int_equal(rig_ons(b), 1);
    assert_near(b->events[0].load.amps, 0.4, 0.05);
    assert_int_equal(b->count, 2);
    assert_near(b->events[1].load.seconds, 40 + 600 + 300 + 60 + 40 + 300 + 500, 3);
}

static void what_comes_into_a_programme_at_another_time_is_told(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0, 60);
    for (int i = 0; i < 4; i++)
        programme(b);
    b->count = 0;
    rig_hold(b, 0.4, 40);
    rig_hold(b, 9.2, 600);
    rig_hold(b, 0.4, 60);
    rig_hold(b, 12.0, 150); /* 11.6 A */
    rig_hold(b, 0.4, 300);
    rig_hold(b, 0, 7200);
    assert_int_equal(rig_ons(b), 2);
    assert_near(b->events[1].load.amps, 11.6, 0.1);
}

static void pulses_are_one_train_and_hide_nothing_else(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0.1, 60);
    for (int i = 0; i < 60; i++) {
        rig_hold(b, 6.6, 4);
        rig_hold(b, 0.1, 40);
    }
    assert_int_equal(rig_ons(b), 1);
    rig_hold(b, 0.5, 6); /* 0.4 A, and a pulse before it has settled */
    rig_hold(b, 7.0, 4);
    rig_hold(b, 0.5, 400);
    rig_hold(b, 0.1, 100);
    assert_int_equal(rig_ons(b), 2);
    assert_near(b->events[b->count - 2].load.amps, 0.4, 0.05);
    rig_hold(b, 5.1, 60); /* another load, of another size */
    rig_hold(b, 0.1, 100);
    assert_int_equal(rig_ons(b), 3);
}

static void an_iron_heats_up_and_keeps_its_heat_in_one_run(void **state)
{
    struct loads_rig *b = *state;
    rig_hold(b, 0, 60);
    rig_hold(b, 9.6, 65);
    for (int i = 0; i < 12; i++) {
        rig_hold(b, 0, 50);
        rig_hold(b, 9.6, 14);
    }
    rig_hold(b, 0, 1200);
    assert_int_equal(rig_ons(b), 1);
    assert_near(b->events[0].load.amps, 9.6, 0.05);
}

static void seen(void *context, int circuit, const struct run *r, const struct run_shape *s,
                 const struct learned_load *load)
{
    float *power_factor = context;
    (void)circuit;
    (void)r;
    (void)load;
    *power_factor = s->power_factor;
}

/* 2 A at unity and, on top of it, a motor of 3 A. */
static float motor_power_factor(struct loads_rig *b, uint32_t has, double factor)
{
    float found = -1;
    size_t watts = frame_index(b->frame, FRAME_WATTS, 0);
    size_t pf = frame_index(b->frame, FRAME_POWER_FACTOR, 0);
    rig_begin(b, has);
    loads_observe(b->loads, seen, &found);
    for (int i = 0; i < 300; i++) {
        bool motor = i >= 100 && i < 200;
        double amps = motor ? 5 : 2, power = 230 * (2 + (motor ? 3 * factor : 0));
        b->frame->values[watts] = (float)power;
        b->frame->values[pf] = (float)(power / 230 / amps);
        rig_hold(b, amps, 1);
    }
    return found;
}

static void the_power_factor_of_a_load_is_that_of_what_it_adds(void **state)
{
    struct loads_rig *b = *state;
    assert_near((double)motor_power_factor(b, 1U << FRAME_WATTS, 0.6), 0.6, 0.01);
    assert_near((double)motor_power_factor(b, 1U << FRAME_POWER_FACTOR, 0.6), 0.6, 0.01);
    assert_near((double)motor_power_factor(b, 1U << FRAME_WATTS, 1.0), 1.0, 0.01);
    assert_near((double)motor_power_factor(b, 0, 0.6), 0, 0); /* not known */
}

static void a_load_that_moved_is_noticed(void **state)
{
    struct loads_rig *b = *state;
    struct loads_known known[LOADS_MAX_KNOWN];
    rig_both(b, 0, 0, 60);
    for (int i = 0; i < 12; i++) { /* twice a day */
        rig_both(b, 5.2, 0, 300);
        rig_both(b, 0, 0, 100);
        rig_both(b, 0, 3.1, 200); /* one that stays where it is */
        rig_both(b, 0, 0, 42700);
    }
    assert_int_equal(loads_known(b->loads, 1, known), 1);
    assert_int_equal(known[0].moved_from, -1);
    for (int i = 0; i < 12; i++) {
        rig_both(b, 0, 5.2, 300);
        rig_both(b, 0, 0, 100);
        rig_both(b, 0, 3.1, 200);
        rig_both(b, 0, 0, 42700);
    }
    assert_int_equal(loads_known(b->loads, 1, known), 2);
    for (int k = 0; k < 2; k++)
        assert_int_equal(known[k].moved_from, known[k].amps > 4 ? 0 : -1);
    assert_int_equal(loads_known(b->loads, 0, known), 1);
    assert_int_equal(known[0].moved_from, -1);
}

int main(void)
{
#define CASE(f) cmocka_unit_test_setup_teardown(f, loads_rig_set_up, loads_rig_tear_down)
    const struct CMUnitTest tests[] = {
        CASE(meters_of_every_kind_see_the_same_loads),
        CASE(a_programme_is_one_run),
        CASE(what_comes_into_a_programme_at_another_time_is_told),
        CASE(pulses_are_one_train_and_hide_nothing_else),
        CASE(an_iron_heats_up_and_keeps_its_heat_in_one_run),
        CASE(the_power_factor_of_a_load_is_that_of_what_it_adds),
        CASE(a_load_that_moved_is_noticed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
