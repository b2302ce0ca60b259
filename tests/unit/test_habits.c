/* habits: which loads usually come on, how long they run, and what survives a restart */
#include "check.h"

#include "analysis/habits.h"

struct bench {
    struct site site;
    struct frame *frame;
    struct habits *h;
};

static void set_up(struct bench *t)
{
    site_init(&t->site);
    strcpy(site_add_panel(&t->site)->id, "main");
    struct site_circuit *c = site_add_circuit(&t->site);
    strcpy(c->id, "main-01");
    c->panel = 0;
    c->poles = 1;
    c->breaker_amps = 20;
    site_finish(&t->site);
    t->frame = frame_create(&t->site);
    t->h = habits_create(&t->site);
    assert_non_null(t->h);
    habits_step(t->h, t->frame);
}

static void tear_down(struct bench *t)
{
    habits_destroy(t->h);
    frame_destroy(t->frame);
    site_free(&t->site);
}

static void pass(struct bench *t, double seconds)
{
    t->frame->mono_ms += (int64_t)(1000.0 * seconds);
    t->frame->wall_ms += (int64_t)(1000.0 * seconds);
    habits_step(t->h, t->frame);
}

static void turn(struct bench *t, double amps, double seconds)
{
    struct event e = {.type = seconds > 0.0 ? EVENT_LOAD_OFF : EVENT_LOAD_ON, .circuit = 0};
    e.load.amps = amps;
    e.load.seconds = seconds;
    habits_event(t->h, &e);
}

static void run(struct bench *t, double amps, double seconds)
{
    turn(t, amps, 0.0);
    pass(t, seconds);
    turn(t, amps, seconds);
}

/* expected within `seconds`; `running` amps run already, 0: nothing does */
static double expects(struct bench *t, double amps, double running, double seconds)
{
    struct habit_join joins[HABITS_OF_CIRCUIT];
    struct event_load load = {.amps = running};
    size_t n = habits_joins(t->h, 0, joins);
    for (size_t i = 0; i < n; i++)
        if (fabs(joins[i].amps - amps) < 0.5)
            return habits_expects(t->h, 0, &joins[i], &load, running > 0.0, seconds);
    return 0.0;
}

static void a_heater_under_its_thermostat_is_expected_back(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    for (int n = 0; n < 30; n++) {
        run(&t, 12.0, 400.0);
        pass(&t, 300.0);
    }
    run(&t, 12.0, 400.0);
    assert_true(expects(&t, 12.0, 0.0, 900.0) > 0.8);
    pass(&t, 40000.0); /* it was switched off */
    assert_true(expects(&t, 12.0, 0.0, 900.0) < 0.3);
    tear_down(&t);
}

static void one_load_of_a_size_does_not_come_twice_and_two_do(void **state)
{
    struct bench t;
    double one, two;
    (void)state;
    set_up(&t);
    for (int day = 0; day < 10; day++) {
        run(&t, 12.0, 3000.0);
        pass(&t, 83400.0);
    }
    turn(&t, 12.0, 0.0);
    one = expects(&t, 12.0, 12.0, 900.0);
    tear_down(&t);
    set_up(&t);
    for (int day = 0; day < 10; day++) {
        turn(&t, 12.0, 0.0);
        pass(&t, 300.0);
        turn(&t, 12.2, 0.0);
        pass(&t, 200.0);
        turn(&t, 12.2, 200.0);
        pass(&t, 2500.0);
        turn(&t, 12.0, 3000.0);
        pass(&t, 83400.0);
    }
    turn(&t, 12.0, 0.0);
    two = expects(&t, 12.0, 12.0, 900.0);
    tear_down(&t);
    assert_true(one < 0.02);
    assert_true(two > 5.0 * one && two > 0.1);
}

static void a_small_load_announces_the_large_one_that_follows_it(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    for (int day = 0; day < 5; day++) {
        turn(&t, 0.4, 0.0);
        pass(&t, 170.0);
        run(&t, 9.0, 900.0);
        turn(&t, 0.4, 1070.0);
        pass(&t, 85330.0);
    }
    pass(&t, 20000.0);
    double before = expects(&t, 9.0, 0.0, 600.0);
    turn(&t, 0.4, 0.0);
    pass(&t, 20.0);
    double announced = expects(&t, 9.0, 0.0, 600.0);
    assert_true(before < 0.1);
    assert_true(announced > 0.5);
    tear_down(&t);
}

static void a_size_is_known_from_the_second_time_on(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    assert_false(habits_knows(t.h, 0, 12.0));
    run(&t, 12.0, 400.0);
    assert_false(habits_knows(t.h, 0, 12.0));
    pass(&t, 4000.0);
    run(&t, 12.2, 400.0);
    assert_true(habits_knows(t.h, 0, 12.0) && habits_knows(t.h, 0, 11.0));
    assert_false(habits_knows(t.h, 0, 8.0) || habits_knows(t.h, 0, 24.0) ||
                 habits_knows(t.h, 0, -12.0));
    tear_down(&t);
}

static void runs_last_as_long_as_they_usually_do(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    double unknown = habits_remaining_seconds(t.h, 0, 12.0, 10.0, 0.5);
    assert_true(unknown > 120.0 && unknown < 3600.0);
    for (int n = 0; n < 50; n++) {
        run(&t, 12.0, 180.0);
        pass(&t, 1000.0);
    }
    assert_near(habits_remaining_seconds(t.h, 0, 12.0, 10.0, 0.5), 170.0, 60.0);
    assert_true(habits_remaining_seconds(t.h, 0, 12.0, 150.0, 0.5) < 100.0);
    assert_near(habits_largest_amps(t.h, 0), 12.0, 1e-9);
    tear_down(&t);
}

/* an hour at a time; now and then the breaker opens after two minutes, which is no end of it */
static void what_the_supply_cut_short_would_have_run_on(void **state)
{
    struct bench t, u;
    (void)state;
    set_up(&t);
    set_up(&u);
    for (int n = 0; n < 24; n++) {
        struct event off = {.type = EVENT_LOAD_OFF, .circuit = 0};
        bool opens = n % 2;
        off.load.amps = 12.0;
        off.load.seconds = opens ? 120.0 : 3600.0;
        turn(&t, 12.0, 0.0);
        turn(&u, 12.0, 0.0);
        pass(&t, off.load.seconds);
        pass(&u, off.load.seconds);
        habits_event(u.h, &off); /* switched off by hand */
        off.load.cut = opens;
        habits_event(t.h, &off);
        pass(&t, 7200.0);
        pass(&u, 7200.0);
    }
    assert_true(habits_remaining_seconds(t.h, 0, 12.0, 60.0, 0.3) > 1800.0);
    assert_true(habits_remaining_seconds(u.h, 0, 12.0, 60.0, 0.3) < 120.0);
    /* and no more: an hour is still an hour */
    assert_near(habits_remaining_seconds(t.h, 0, 12.0, 600.0, 0.5), 3000.0, 900.0);
    tear_down(&t);
    tear_down(&u);
}

static void what_was_learned_survives_a_restart_and_damage_changes_nothing(void **state)
{
    struct bench t, u;
    struct codec_out out = {0};
    (void)state;
    set_up(&t);
    for (int day = 0; day < 5; day++) {
        turn(&t, 0.4, 0.0);
        pass(&t, 170.0);
        run(&t, 9.0, 900.0);
        turn(&t, 0.4, 1070.0);
        pass(&t, 85330.0);
    }
    habits_save(t.h, &out);
    set_up(&u);
    u.frame->mono_ms = t.frame->mono_ms;
    u.frame->wall_ms = t.frame->wall_ms;
    habits_step(u.h, u.frame);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(habits_load(u.h, &in));
    assert_near(habits_remaining_seconds(u.h, 0, 9.0, 10.0, 0.5),
                habits_remaining_seconds(t.h, 0, 9.0, 10.0, 0.5), 1e-3);
    turn(&t, 0.4, 0.0);
    turn(&u, 0.4, 0.0);
    pass(&t, 20.0);
    pass(&u, 20.0);
    assert_near(expects(&u, 9.0, 0.0, 600.0), expects(&t, 9.0, 0.0, 600.0), 1e-3);
    double before = expects(&u, 9.0, 0.0, 600.0);
    for (size_t cut = 0; cut < out.length; cut += 13) {
        in = (struct codec_in){.at = out.bytes, .end = out.bytes + cut};
        if (!habits_load(u.h, &in))
            assert_near(expects(&u, 9.0, 0.0, 600.0), before, 0.0);
        else
            assert_true(cut <= 12); /* cut before the first circuit: nothing of it was said */
    }
    codec_out_free(&out);
    tear_down(&u);
    tear_down(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_heater_under_its_thermostat_is_expected_back),
        cmocka_unit_test(one_load_of_a_size_does_not_come_twice_and_two_do),
        cmocka_unit_test(a_small_load_announces_the_large_one_that_follows_it),
        cmocka_unit_test(a_size_is_known_from_the_second_time_on),
        cmocka_unit_test(runs_last_as_long_as_they_usually_do),
        cmocka_unit_test(what_the_supply_cut_short_would_have_run_on),
        cmocka_unit_test(what_was_learned_survives_a_restart_and_damage_changes_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
