/* runs: steps paired into runs, and what became of them */
#include "steps_rig.h"

/* what was on before the watching began is the base */
static void begin(struct wire *w, double amps)
{
    *w = (struct wire){.now_ms = 1000000};
    wire_to(w, amps, 60);
}

static void a_rise_begins_a_run_and_the_fall_of_its_size_ends_it(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.5);
    int base_runs = wire_on_count(&w);
    wire_to(&w, 2.5, 400);
    wire_to(&w, 7.5, 400);
    wire_to(&w, 8.7, 400);
    assert_int_equal(wire_on_count(&w), base_runs + 3);
    int64_t ended_ms = w.now_ms;
    wire_to(&w, 3.7, 60); /* the 5 A, neither the first nor the last */
    assert_int_equal(wire_on_count(&w), base_runs + 2);
    assert_true(wire_on(&w, 2.0) && wire_on(&w, 1.2) && !wire_on(&w, 5.0));
    assert_int_equal(w.over_count, 1);
    const struct run *x = &w.over[0];
    assert_near((double)x->first, 5.0, 0.01);
    assert_int_equal(x->began_mono_ms, ended_ms - 800000);
    assert_int_equal(x->off_mono_ms, ended_ms);
    assert_int_equal(x->off_wall_ms, STEPS_WALL0_MS + ended_ms);
    wire_adds_up(&w);
}

static void one_fall_may_end_two_or_three(void **state)
{
    static const double sizes[] = {1.1, 2.3, 4.9, 9.6};
    (void)state;
    for (unsigned set = 1; set < 16; set++) {
        struct wire w;
        double level = 0.4, d = 0.0;
        int members = 0;
        begin(&w, level);
        for (int i = 0; i < 4; i++)
            wire_to(&w, level += sizes[i], 300);
        for (int i = 0; i < 4; i++)
            if (set >> i & 1)
                d += sizes[i], members++;
        if (members == 4)
            continue;
        wire_to(&w, level - d, 60);
        for (int i = 0; i < 4; i++)
            if ((wire_on(&w, sizes[i]) != NULL) == (set >> i & 1))
                fail_msg("set %u: the %.1f A", set, sizes[i]);
        wire_adds_up(&w);
    }
}

/* Of two alike the younger: what has been on for long will be for longer. */
static void of_two_alike_the_younger_ends(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.4);
    wire_to(&w, 3.4, 7200);
    int64_t first = wire_on(&w, 3.0)->id;
    wire_to(&w, 6.4, 300);
    wire_to(&w, 3.4, 60);
    assert_int_equal(wire_on(&w, 3.0)->id, first);
}

/* Each fits only with what is on; what fits nothing makes a run smaller, and the sum is right
 * whatever comes. Loads of all sizes that come and go, edges that do not fit, drifts. */
static void runs_and_base_add_up_to_the_level(void **state)
{
    uint32_t seed = 1;
    struct wire w;
    (void)state;
    begin(&w, 1.0);
    for (int k = 0; k < 20000; k++) {
        seed = seed * 1664525U + 1013904223U;
        double u = (seed >> 8) / 16777216.0, level = (double)w.level;
        int what = (int)(seed >> 4 & 7);
        double to = what < 3   ? level + 0.1 + 12.0 * u * u
                    : what < 6 ? level * (1.0 - u * u)
                               : 0.0;
        if (what == 7) {
            float drift = (float)((u - 0.5) * 0.05 * level);
            runs_drift(&w.runs, w.now_ms, drift);
            w.level += drift;
        } else if (fabs(to - level) > 0.05 && to < 60.0) {
            wire_to(&w, to, 5 + (int)(100.0 * u));
        }
        wire_adds_up(&w);
        float amps[RUNS_MAX], sum = 0.0F, on = 0.0F;
        runs_amps(&w.runs, amps);
        for (int i = 0; i < RUNS_MAX; i++) {
            sum += amps[i];
            on += w.runs.all[i].id && !w.runs.all[i].pausing ? w.runs.all[i].amps : 0.0F;
        }
        assert_near((double)sum, (double)on, 0.02); /* what was lent cancels out */
        w.over_count = 0;
    }
}

static void what_comes_back_in_time_was_never_off(void **state)
{
    const struct {
        int on, off;
        bool same;
    } cases[] = {{300, 25, true}, {300, 40, false}, {60, 10, true}, {60, 20, false}};
    (void)state;
    for (size_t k = 0; k < 4; k++) {
        struct wire w;
        begin(&w, 0.4);
        wire_to(&w, 5.4, cases[k].on);
        int64_t id = wire_on(&w, 5.0)->id;
        wire_to(&w, 0.4, cases[k].off);
        wire_to(&w, 5.4, 60);
        const struct run *x = wire_on(&w, 5.0);
        assert_non_null(x);
        if ((x->id == id) != cases[k].same)
            fail_msg("on for %d s, off for %d s", cases[k].on, cases[k].off);
        assert_int_equal(x->pulses, cases[k].same ? 2 : 1);
    }
}

/* Three seconds of a larger current, in two steps down: an element that ends in two. */
static void a_load_that_ends_in_two_steps_is_one(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.4);
    wire_to(&w, 9.4, 600);
    wire_to(&w, 11.4, 600);
    wire_to(&w, 7.9, 8);
    wire_to(&w, 2.4, 60);
    assert_true(wire_on(&w, 2.0) != NULL);
    assert_int_equal(w.over_count, 1);
    assert_near((double)w.over[0].first, 9.0, 0.01);
    wire_adds_up(&w);
}

/* What came on last of a start may end by itself: the run goes on without. */
static void the_last_stage_of_a_start_may_end_by_itself(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.4);
    wire_to(&w, 1.4, 8); /* the fan, and then what it blows over */
    wire_to(&w, 5.4, 600);
    assert_int_equal(w.over_count, 0);
    int on = wire_on_count(&w);
    wire_to(&w, 1.4, 120);
    assert_int_equal(wire_on_count(&w), on);
    assert_int_equal(w.over_count, 0);
    assert_true(wire_on(&w, 1.0) != NULL);
    wire_to(&w, 0.4, 120);
    assert_int_equal(w.over_count, 1);
    assert_near((double)w.over[0].most, 5.0, 0.1);
}

static void more_loads_than_there_is_room_for_end_none_that_is_on(void **state)
{
    struct wire w;
    double level = 0.4;
    (void)state;
    begin(&w, level);
    for (int k = 0; k < RUNS_MAX + 4; k++) {
        wire_to(&w, level += 1.0 + 0.13 * k, 200);
        wire_adds_up(&w);
    }
    assert_int_equal(wire_on_count(&w), RUNS_MAX);
    assert_int_equal(w.over_count, 0);
    /* a place of one that pauses is made free before its time */
    begin(&w, level = 0.4);
    int room = RUNS_MAX - wire_on_count(&w);
    for (int k = 0; k < room; k++)
        wire_to(&w, level += 1.0 + 0.17 * k, 200);
    wire_to(&w, level -= 1.0, 2);
    wire_to(&w, level -= 1.17, 2);
    wire_to(&w, level + 7.77, 20);
    assert_int_equal(w.over_count, 1);
    assert_near((double)w.over[0].first, 1.0, 0.01); /* the one that has paused longest */
    assert_true(wire_on(&w, 7.77) != NULL);
}

static void what_the_supply_takes_ends_at_once_and_comes_back_by_its_parts(void **state)
{
    struct wire w;
    struct run over[RUNS_MAX];
    (void)state;
    for (int parts = 2; parts <= 3; parts++) { /* all of it, or the larger ones */
        begin(&w, 0.0);
        wire_to(&w, 2.0, 600);
        wire_to(&w, 5.3, 600);
        wire_to(&w, 13.3, 600);
        int n = runs_cut(&w.runs, w.now_ms, STEPS_WALL0_MS + w.now_ms, over);
        assert_int_equal(n, 3);
        for (int k = 0; k < n; k++) {
            assert_true(over[k].cut && over[k].pausing);
            assert_int_equal(over[k].off_mono_ms, w.now_ms);
        }
        assert_int_equal(wire_on_count(&w), 0);
        w.level = 0.0F;
        wire_passes(&w, 600);
        wire_to(&w, parts == 3 ? 13.3 : 11.3, 60);
        assert_int_equal(wire_on_count(&w), parts);
        assert_true(wire_on(&w, 3.3) && wire_on(&w, 8.0));
        assert_near((double)wire_on(&w, 3.3)->first, 3.3, 0.05);
        assert_near((double)wire_on(&w, 8.0)->first, 8.0, 0.1);
        assert_int_equal(wire_on(&w, 2.0) != NULL, parts == 3);
        wire_adds_up(&w);
    }
    begin(&w, 0.0); /* something else comes on: no part of it is */
    wire_to(&w, 2.0, 600);
    wire_to(&w, 5.3, 600);
    runs_cut(&w.runs, w.now_ms, STEPS_WALL0_MS + w.now_ms, over);
    w.level = 0.0F;
    wire_passes(&w, 600);
    wire_to(&w, 7.0, 60);
    assert_true(wire_on_count(&w) == 1 && wire_on(&w, 7.0));
}

/* The switch of a strip: off at once after hours, and on at once. What was on for a minute only
 * may have ended together by chance. */
static void what_a_strip_switches_off_comes_back_by_its_parts(void **state)
{
    const struct {
        const char *name;
        int seconds;
        double meanwhile; /* comes on by itself before, and goes */
        int parts;
    } cases[] = {{"hours", 3600, 0.0, 2},
                 {"eleven minutes", 660, 0.0, 2},
                 {"four minutes", 200, 0.0, 1},
                 {"one of them meanwhile", 3600, 5.0, 1},
                 {"another load meanwhile", 3600, 1.7, 2}};
    (void)state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct wire w;
        begin(&w, 0.0);
        wire_to(&w, 1.0, 600);
        wire_to(&w, 4.0, 30);
        wire_to(&w, 9.0, cases[k].seconds);
        wire_to(&w, 1.0, 1000);
        if (cases[k].meanwhile > 0.0) {
            wire_to(&w, 1.0 + cases[k].meanwhile, 300);
            wire_to(&w, 1.0, 300);
        }
        wire_to(&w, 9.0, 60);
        if (wire_on_count(&w) - 1 != cases[k].parts)
            fail_msg("%s: %d parts", cases[k].name, wire_on_count(&w) - 1);
        wire_adds_up(&w);
    }
}

/* Two readings alike on the way, and more than 6.5 A before and after them: an element of two
 * stages is smaller (docs/method/appliances.md). */
static void two_heaters_in_one_rise_are_two(void **state)
{
    const struct {
        float first, both;
        int runs;
    } cases[] = {{9.0F, 17.0F, 2}, {5.0F, 10.0F, 1}, {9.0F, 12.0F, 1}};
    (void)state;
    for (size_t k = 0; k < 3; k++) {
        struct wire w;
        begin(&w, 0.0);
        struct step s = wire_step(&w, cases[k].both);
        int64_t at_ms = w.now_ms;
        s.early[0] = s.early[1] = cases[k].first;
        wire_takes(&w, &s, 60);
        assert_int_equal(wire_on_count(&w), cases[k].runs);
        if (cases[k].runs == 2) {
            assert_int_equal(wire_on(&w, 9.0)->began_mono_ms, at_ms);
            assert_int_equal(wire_on(&w, 8.0)->began_mono_ms, at_ms + 2000);
            wire_to(&w, 9.0, 60); /* and end by themselves */
            assert_true(wire_on_count(&w) == 1 && wire_on(&w, 9.0));
        }
        wire_adds_up(&w);
    }
}

/* The current rose by 2 A, and in the same movement fell by 9: both happened. */
static void what_came_on_as_something_larger_ended_is_a_run(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.0);
    wire_to(&w, 9.0, 600);
    struct step s = wire_step(&w, 2.0F);
    s.peak = 11.0F;
    wire_takes(&w, &s, 60);
    assert_true(wire_on_count(&w) == 1 && wire_on(&w, 2.0));
    assert_near((double)wire_on(&w, 2.0)->first, 2.0, 0.05);
    assert_int_equal(w.over_count, 1);
    assert_near((double)w.over[0].first, 9.0, 0.01);
    wire_adds_up(&w);
}

/* A drum that turns by turns: a small rise is its own while it does that, a large one is not,
 * and none is when it has been steady for long. */
static void a_small_rise_is_of_what_is_unsteady(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.0);
    wire_to(&w, 3.0, 120);
    assert_null(runs_unsteady(&w.runs, w.now_ms, 0.4F));
    for (int k = 0; k < 8; k++) {
        wire_to(&w, 2.5, 8);
        wire_to(&w, 3.0, 8);
    }
    assert_non_null(runs_unsteady(&w.runs, w.now_ms, 0.4F));
    assert_null(runs_unsteady(&w.runs, w.now_ms, 0.8F));
    wire_passes(&w, 3600);
    assert_null(runs_unsteady(&w.runs, w.now_ms, 0.4F));
}

/* A heater settles by just what a small load beside it draws, and ends; then the circuit rests
 * where it had rested before the heater: it carries what it carried then, and the small load
 * was never off. */
static void a_level_of_a_moment_ago_restores_what_ran(void **state)
{
    struct wire w;
    struct run_shape s;
    (void)state;
    begin(&w, 0.0);
    wire_to(&w, 1.0, 900);
    int64_t id = wire_on(&w, 1.0)->id;
    wire_to(&w, 9.0, 200);
    wire_to(&w, 8.0, 20); /* taken for the end of the small one */
    wire_to(&w, 1.0, 300);
    assert_int_equal(wire_on_count(&w), 1);
    assert_int_equal(wire_on(&w, 1.0)->id, id);
    assert_int_equal(w.over_count, 1);
    assert_near((double)w.over[0].first, 8.0, 0.01);
    wire_to(&w, 0.0, 60);
    assert_int_equal(w.over_count, 2);
    run_shape(&w.over[1], &s);
    assert_near((double)s.on_seconds, 1420.0, 1.0);
    assert_near((double)s.amps, 1.0, 0.02);
}

/* The same where it comes back to that level by small steps: two small loads were taken for
 * what a third one left of itself. */
static void a_level_that_is_reached_by_small_steps_does_too(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.0);
    wire_to(&w, 4.0, 900);
    wire_to(&w, 5.0, 900);
    wire_to(&w, 6.1, 900);
    int64_t first = wire_on(&w, 1.0)->id, second = wire_on(&w, 1.1)->id;
    wire_to(&w, 9.1, 20);
    wire_to(&w, 7.0, 10);
    wire_to(&w, 6.1, 300);
    assert_int_equal(wire_on_count(&w), 3);
    for (int i = 0; i < RUNS_MAX; i++) {
        const struct run *x = &w.runs.all[i];
        if (x->id == first || x->id == second)
            assert_near((double)x->amps, x->id == first ? 1.0 : 1.1, 0.01);
    }
    assert_int_equal(w.over_count, 1);
    assert_near((double)w.over[0].first, 3.0, 0.01);
    wire_adds_up(&w);
}

/* What a run looked like, by hand: 2 A for 8 s, 4 A for 92 s, 3 A for 300 s. */
static void the_shape_of_a_run(void **state)
{
    struct wire w;
    struct run_shape s;
    (void)state;
    begin(&w, 0.0);
    struct step start = wire_step(&w, 2.0F);
    start.peak = 9.0F;
    wire_takes(&w, &start, 8);
    wire_to(&w, 4.0, 92);
    wire_to(&w, 3.0, 300);
    for (int n = 0; n < 10; n++)
        runs_ripple(&w.runs, 3.0F, 0.04F, 10.0F);
    wire_to(&w, 0.0, 60);
    assert_int_equal(w.over_count, 1);
    run_shape(&w.over[0], &s);
    assert_near((double)s.first, 2.0, 1e-4);
    assert_near((double)s.last, 3.0, 1e-4);
    assert_near((double)s.most, 4.0, 1e-4);
    assert_near((double)s.growth, 2.0, 1e-4);
    assert_near((double)s.inrush, 9.0, 1e-4);
    assert_near((double)s.seconds, 400.0, 1e-3);
    assert_near((double)s.on_seconds, 400.0, 1e-3);
    assert_near((double)s.amps, 1284.0 / 400.0, 1e-3);
    assert_near((double)s.spread, sqrt(4204.0 / 400.0 - 3.21 * 3.21) / 3.21, 1e-3);
    assert_near((double)s.ripple, 0.04 / 3.21, 1e-4);
    assert_near((double)s.changes, 2.0 / (400.0 / 60.0), 1e-3); /* up, and down */
    assert_int_equal(s.pulses, 1);
    assert_near(w.over[0].calm_ms, 300000, 3000);
}

/* A load that is little beside another shows nothing of how steady it is. */
static void only_what_is_most_of_the_current_shows_its_ripple(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.0);
    wire_to(&w, 2.0, 300);
    wire_to(&w, 12.0, 300);
    runs_ripple(&w.runs, 12.0F, 0.3F, 20.0F);
    assert_near((double)wire_on(&w, 2.0)->rippled, 0.0, 0.0);
    assert_near((double)wire_on(&w, 10.0)->rippled, 20.0, 1e-4);
    assert_near((double)wire_on(&w, 10.0)->ripple, 6.0, 1e-4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_rise_begins_a_run_and_the_fall_of_its_size_ends_it),
        cmocka_unit_test(one_fall_may_end_two_or_three),
        cmocka_unit_test(of_two_alike_the_younger_ends),
        cmocka_unit_test(runs_and_base_add_up_to_the_level),
        cmocka_unit_test(what_comes_back_in_time_was_never_off),
        cmocka_unit_test(a_load_that_ends_in_two_steps_is_one),
        cmocka_unit_test(the_last_stage_of_a_start_may_end_by_itself),
        cmocka_unit_test(more_loads_than_there_is_room_for_end_none_that_is_on),
        cmocka_unit_test(what_the_supply_takes_ends_at_once_and_comes_back_by_its_parts),
        cmocka_unit_test(what_a_strip_switches_off_comes_back_by_its_parts),
        cmocka_unit_test(two_heaters_in_one_rise_are_two),
        cmocka_unit_test(what_came_on_as_something_larger_ended_is_a_run),
        cmocka_unit_test(a_small_rise_is_of_what_is_unsteady),
        cmocka_unit_test(a_level_of_a_moment_ago_restores_what_ran),
        cmocka_unit_test(a_level_that_is_reached_by_small_steps_does_too),
        cmocka_unit_test(the_shape_of_a_run),
        cmocka_unit_test(only_what_is_most_of_the_current_shows_its_ripple),
    };
    return cmocka_run_group_tests_name("runs", tests, NULL, NULL);
}
