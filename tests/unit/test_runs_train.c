/* runs_train: pulses that are one load, and what is told apart from them; runs_level: drifts */
#include "steps_rig.h"

#include "analysis/runs_train.h"

static void begin(struct wire *w, double amps)
{
    *w = (struct wire){.now_ms = 1000000};
    wire_to(w, amps, 400);
    wire_passes(w, 1000);
}

static int64_t due_ms(const struct wire *w, double amps)
{
    const struct run *x = wire_on(w, amps);
    assert_non_null(x);
    return runs_announce_due_ms(&w->runs, x) - x->began_mono_ms;
}

/* Its load_on is due when it has lasted longer than any pulse. */
static void what_lasts_is_told_and_a_pulse_is_not(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.3);
    wire_to(&w, 5.3, 1);
    assert_int_equal(due_ms(&w, 5.0), RUNS_PULSE_MS);
    wire_passes(&w, 18);
    assert_false(wire_on(&w, 5.0)->announced);
    wire_passes(&w, 2);
    assert_true(wire_on(&w, 5.0)->announced);
    assert_true(runs_announce_due_ms(&w.runs, wire_on(&w, 5.0)) == INT64_MAX); /* it is out */
    begin(&w, 0.3);
    wire_to(&w, 5.3, 12);
    wire_to(&w, 0.3, 1000);
    assert_int_equal(w.over_count, 1);
    assert_false(w.over[0].announced);
}

/* one pulse every minute */
static void pulses(struct wire *w, int count, double amps, int lasts)
{
    for (int k = 0; k < count; k++) {
        wire_to(w, (double)w->level + amps, lasts);
        wire_to(w, (double)w->level - amps, 60 - lasts);
    }
}

static const struct run *train_of(const struct wire *w)
{
    for (int i = 0; i < RUNS_MAX; i++)
        if (w->runs.all[i].id && w->runs.all[i].train)
            return &w->runs.all[i];
    return NULL;
}

/* A thermostat: from its third pulse on it is one load, on from the first to the last, and over
 * when ten minutes have brought no other. */
static void three_pulses_are_one_load(void **state)
{
    struct wire w;
    (void)state;
    for (int count = 2; count <= 12; count += 5) {
        begin(&w, 0.3);
        int64_t began_ms = w.now_ms;
        pulses(&w, count, 8.0, 12);
        wire_passes(&w, 60);
        const struct run *t = train_of(&w);
        assert_non_null(t);
        assert_int_equal(t->announced, count >= RUNS_TRAIN_PULSES);
        wire_passes(&w, 500);
        assert_int_equal(w.over_count, 0);
        wire_passes(&w, 200);
        assert_int_equal(w.over_count, 1);
        const struct run *x = &w.over[0];
        assert_true(x->train);
        assert_int_equal(x->pulses, count);
        assert_int_equal(x->began_mono_ms, began_ms);
        assert_int_equal(x->off_mono_ms, began_ms + (count - 1) * INT64_C(60000) + 12000);
        assert_near((double)x->on_seconds, 12.0 * count, 1e-3);
        assert_near((double)x->charge, 12.0 * count * 8.0, 1.0);
    }
}

/* Also those that are over before the current rests, as a pump's strokes are. */
static void pulses_shorter_than_a_step_are_a_train_too(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.3);
    for (int k = 0; k < 5; k++)
        wire_pulse(&w, 3.0, 4, 40);
    const struct run *t = train_of(&w);
    assert_non_null(t);
    assert_int_equal(t->pulses, 5);
    assert_true(t->announced);
    assert_near((double)t->most, 3.0, 0.01);
    assert_near((double)t->on_seconds, 20.0, 1e-3);
    wire_pulse(&w, 0.02, 4, 40); /* noise is none of it */
    assert_int_equal(train_of(&w)->pulses, 5);
}

static void pulses_long_apart_are_several_loads_and_larger_ones_another(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.3);
    pulses(&w, 4, 3.0, 12);
    wire_passes(&w, 700);
    assert_int_equal(w.over_count, 1);
    pulses(&w, 4, 3.0, 12);
    wire_passes(&w, 700);
    assert_int_equal(w.over_count, 2);
    assert_int_equal(w.over[1].pulses, 4);

    begin(&w, 0.3);
    pulses(&w, 4, 3.0, 12);
    pulses(&w, 4, 9.0, 12);
    wire_passes(&w, 700);
    assert_int_equal(w.over_count, 2);
    assert_int_equal(w.over[0].pulses, 4);
    assert_int_equal(w.over[1].pulses, 4);
}

/* What might be one more pulse has to last longer than those do; what cannot be one does not.
 */
static void beside_a_train_a_run_of_its_size_is_doubted(void **state)
{
    const struct {
        const char *name;
        double amps;
        bool doubted;
    } cases[] = {{"of its size", 8.0, true}, {"much larger", 14.0, false}};
    struct wire w;
    (void)state;
    for (size_t k = 0; k < 2; k++) {
        begin(&w, 0.3);
        pulses(&w, 8, 8.0, 12);
        wire_to(&w, 0.3 + cases[k].amps, 2);
        int64_t due = due_ms(&w, cases[k].amps);
        if ((due >= RUNS_DOUBT_MS) != cases[k].doubted)
            fail_msg("%s: due after %d ms", cases[k].name, (int)due);
        wire_passes(&w, 120); /* and is told in the end */
        assert_true(wire_on(&w, cases[k].amps)->announced);
    }
}

/* Small edges all the time: nothing begins there that is told at once, and what lasts for ten
 * minutes is told although they never end. */
static void on_a_restless_circuit_a_run_must_be_calm_or_last(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.3);
    for (int k = 0; k < 10; k++) {
        wire_to(&w, 2.3, 9);
        wire_to(&w, 0.3, 6);
    }
    wire_to(&w, 1.3, 1);
    assert_true(due_ms(&w, 1.0) > RUNS_DOUBT_MS);
    int64_t id = wire_on(&w, 1.0)->id, began_ms = w.now_ms - 1000, told_ms = 0;
    while (w.now_ms < began_ms + INT64_C(2) * RUNS_RESTLESS_MS && !told_ms) {
        wire_to(&w, 3.3, 9);
        wire_to(&w, 1.3, 6);
        for (int i = 0; i < RUNS_MAX; i++)
            if (w.runs.all[i].id == id && w.runs.all[i].announced)
                told_ms = w.now_ms - began_ms;
    }
    assert_in_range(told_ms, 95000, RUNS_RESTLESS_MS + 20000);
}

/* An iron heats up, and then keeps its heat: the pulses go on with what was told. */
static void pulses_after_a_long_run_of_their_size_go_on_with_it(void **state)
{
    const struct {
        double amps;
        int after;
        bool goes_on;
    } cases[] = {{8.0, 60, true}, {5.0, 60, false}, {8.0, 700, false}, {8.0, 540, true}};
    (void)state;
    for (size_t k = 0; k < 4; k++) {
        struct wire w;
        begin(&w, 0.3);
        w.runs.told_id = 4711;
        w.runs.told_amps = 8.0F;
        w.runs.told_off_mono_ms = w.now_ms;
        wire_passes(&w, cases[k].after);
        pulses(&w, 4, cases[k].amps, 12);
        wire_passes(&w, 60);
        const struct run *t = train_of(&w);
        assert_non_null(t);
        if (runs_train_goes_on(&w.runs, t) != cases[k].goes_on)
            fail_msg("%.0f A after %d s", cases[k].amps, cases[k].after);
    }
}

/* A microwave oven at less than full power: what is told began with the pulse just before. */
static void a_run_takes_in_the_pulse_it_began_with(void **state)
{
    const struct {
        double amps;
        int pause;
        bool taken;
    } cases[] = {{8.0, 12, true}, {8.0, 25, true}, {8.0, 45, false}, {5.0, 12, false}};
    (void)state;
    for (size_t k = 0; k < 4; k++) {
        struct wire w;
        begin(&w, 0.3);
        int64_t began_ms = w.now_ms;
        struct run *x;
        /* the pulse is over and has become a train; the run is told */
        w.runs.all[5] = (struct run){.id = 5,
                                     .began_mono_ms = began_ms,
                                     .on_mono_ms = began_ms,
                                     .off_mono_ms = began_ms + 12000,
                                     .pausing = true,
                                     .train = true,
                                     .pulses = 1,
                                     .first = (float)cases[k].amps,
                                     .most = (float)cases[k].amps,
                                     .amps = (float)cases[k].amps,
                                     .on_seconds = 12.0F,
                                     .charge = 12.0F * (float)cases[k].amps};
        wire_passes(&w, 12 + cases[k].pause);
        wire_to(&w, 8.3, 25);
        x = (struct run *)wire_on(&w, 8.0);
        runs_train_lead_in(&w.runs, x);
        assert_int_equal(x->began_mono_ms == began_ms, cases[k].taken);
        assert_int_equal(x->pulses, 1 + cases[k].taken);
        assert_near((double)x->on_seconds, cases[k].taken ? 12.0 : 0.0, 1e-3);
        assert_int_equal(w.runs.all[5].id == 0, cases[k].taken);
    }
}

/* A drift is of what has come on last; when all has been on for long it is shared, by how
 * settled each is, and what stands by keeps what it has. */
static void a_drift_is_of_what_has_not_settled(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.0);
    wire_to(&w, 2.0, 7200);
    wire_to(&w, 5.0, 60); /* young */
    const struct run *old = wire_on(&w, 2.0), *young = wire_on(&w, 3.0);
    runs_drift(&w.runs, w.now_ms, -0.4F);
    w.level -= 0.4F;
    assert_near((double)old->amps, 2.0, 1e-3);
    assert_near((double)young->amps, 2.6, 1e-3);
    wire_adds_up(&w);
    wire_passes(&w, 600);
    runs_drift(&w.runs, w.now_ms, -0.4F); /* 7860 s and 660 s: by the root of their ages */
    w.level -= 0.4F;
    double of_old = 2.0 / sqrt(7860.0), of_young = 2.6 / sqrt(660.0);
    assert_near((double)old->amps, 2.0 - 0.4 * of_old / (of_old + of_young), 0.005);
    assert_near((double)young->amps, 2.6 - 0.4 * of_young / (of_old + of_young), 0.005);
    wire_adds_up(&w);
}

/* A refrigerator that fades while it runs, beside a freezer: a hundred times, and nothing of
 * either has become a standing load (runs_level.h). */
static void what_fades_carries_nothing_into_the_base(void **state)
{
    struct wire w;
    (void)state;
    begin(&w, 0.3);
    wire_to(&w, 1.3, 900); /* the freezer */
    float base = w.runs.base;
    for (int k = 0; k < 100; k++) {
        wire_to(&w, (double)w.level + 1.5, 60);
        for (int n = 0; n < 40; n++) {
            runs_drift(&w.runs, w.now_ms, -0.01F);
            w.level -= 0.01F;
            wire_passes(&w, 60);
        }
        wire_to(&w, (double)w.level - 1.1, 1200);
        wire_adds_up(&w);
    }
    assert_near((double)w.runs.base, (double)base, 0.15);
    assert_non_null(wire_on(&w, 1.0));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_lasts_is_told_and_a_pulse_is_not),
        cmocka_unit_test(three_pulses_are_one_load),
        cmocka_unit_test(pulses_shorter_than_a_step_are_a_train_too),
        cmocka_unit_test(pulses_long_apart_are_several_loads_and_larger_ones_another),
        cmocka_unit_test(beside_a_train_a_run_of_its_size_is_doubted),
        cmocka_unit_test(on_a_restless_circuit_a_run_must_be_calm_or_last),
        cmocka_unit_test(pulses_after_a_long_run_of_their_size_go_on_with_it),
        cmocka_unit_test(a_run_takes_in_the_pulse_it_began_with),
        cmocka_unit_test(a_drift_is_of_what_has_not_settled),
        cmocka_unit_test(what_fades_carries_nothing_into_the_base),
    };
    return cmocka_run_group_tests_name("runs_train", tests, NULL, NULL);
}
