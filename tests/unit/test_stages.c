/* stages: what comes on inside another run, time and again, belongs to it */
#include "run_rig.h"

#include "analysis/stages.h"

#define PUMP 0.7F
#define ELEMENT 9.0F
#define LAST (RUNS_MAX - 1) /* where the host stands */

struct kitchen {
    struct runs runs;
    struct learned learned;
    int64_t now_ms;
    const struct learned_load *pump; /* once it is known */
};

struct programme {
    float host, stage; /* amps */
    double at, lasts;  /* of the stage, in minutes of the programme, which takes forty */
    int times;         /* one after the other, with a minute between */
};

static const struct programme washing = {PUMP, ELEMENT, 5, 15, 1};

static void set_up(struct kitchen *k)
{
    *k = (struct kitchen){.now_ms = 24 * HOUR_MS};
}

static void stage_runs(struct kitchen *k, const struct programme *p)
{
    for (int i = 0; i < p->times; i++) {
        struct run over = run_begun(p->stage, k->now_ms);
        k->now_ms += (int64_t)(p->lasts * MINUTE_MS);
        run_ended(&over, k->now_ms);
        stages_note(&k->runs, &over, 1);
        k->now_ms += MINUTE_MS;
    }
}

static void host_over(struct kitchen *k)
{
    struct run over = k->runs.all[LAST];
    k->runs.all[LAST] = (struct run){0};
    run_ended(&over, k->now_ms);
    stages_note(&k->runs, &over, 1);
    struct learned_load *load = run_taken(&k->learned, &over);
    stages_learn(load, &over);
    k->pump = load;
    k->now_ms += 12 * HOUR_MS;
}

static void wash(struct kitchen *k, const struct programme *p)
{
    int64_t began = k->now_ms;
    k->runs.all[LAST] = run_begun(p->host, began);
    k->now_ms += (int64_t)(p->at * MINUTE_MS);
    stage_runs(k, p);
    k->now_ms = began + 40 * MINUTE_MS;
    host_over(k);
}

static void washes(struct kitchen *k, int times, const struct programme *p)
{
    set_up(k);
    for (int i = 0; i < times; i++)
        wash(k, p);
}

/* The pump again, told by now, so many minutes ago. */
static struct run *pump_on(struct kitchen *k, double minutes)
{
    struct run *h = &k->runs.all[LAST];
    *h = run_begun(PUMP, k->now_ms);
    h->announced = true;
    h->load = k->pump->id;
    h->programme = stages_programme(k->pump);
    k->now_ms += (int64_t)(minutes * MINUTE_MS);
    return h;
}

/* Something comes on; until when it is held back, 0: told. */
static int64_t comes_on(struct kitchen *k, float amps)
{
    k->runs.all[0] = run_begun(amps, k->now_ms);
    return stages_hold(&k->runs, &k->learned, &k->runs.all[0]);
}

static void two_runs_make_a_programme(void **state)
{
    struct kitchen k;
    (void)state;
    for (int n = 1; n <= 30; n++) {
        washes(&k, n, &washing);
        assert_int_equal(stages_programme(k.pump), n >= 2);
    }
}

static void its_stage_is_held_back_and_told_when_it_outlasts_all_before(void **state)
{
    struct kitchen k;
    (void)state;
    washes(&k, 4, &washing);
    struct run *h = pump_on(&k, 5);
    int64_t until = comes_on(&k, ELEMENT);
    assert_in_range(until - k.now_ms, 16 * MINUTE_MS, 45 * MINUTE_MS); /* it took 15 */
    assert_int_equal(k.runs.all[0].host, h->id);
    /* what is inside a stage's host is of the same host */
    h->announced = false;
    h->host = 4711;
    assert_int_equal(comes_on(&k, ELEMENT), until);
    assert_int_equal(k.runs.all[0].host, 4711);
}

static void what_is_no_stage_of_it_is_told(void **state)
{
    struct kitchen k;
    (void)state;
    washes(&k, 4, &washing);
    assert_int_equal(comes_on(&k, ELEMENT), 0); /* nothing else is on */
    pump_on(&k, 5);
    assert_int_equal(comes_on(&k, 5.0F), 0); /* of another size */
    assert_int_equal(comes_on(&k, 11.5F), 0);
    assert_int_equal(k.runs.all[0].host, 0);
    assert_true(comes_on(&k, 9.2F) != 0); /* hardly another */
    struct run *h = pump_on(&k, 5);
    h->announced = false; /* nobody was told of the host */
    assert_int_equal(comes_on(&k, ELEMENT), 0);
    h = pump_on(&k, 5);
    h->cut = true;
    assert_int_equal(comes_on(&k, ELEMENT), 0);
    h = pump_on(&k, 5);
    h->load = 99; /* taken for a load that is not known any more */
    assert_int_equal(comes_on(&k, ELEMENT), 0);
    pump_on(&k, 0.02); /* both at once: neither is inside the other */
    assert_int_equal(comes_on(&k, ELEMENT), 0);
}

/* A kettle half an hour later is none of the element that always comes on in the fifth minute;
 * where the element comes on by turns it may be. */
static void what_comes_once_comes_at_its_time(void **state)
{
    const struct programme by_turns = {PUMP, ELEMENT, 5, 3, 4};
    struct kitchen k;
    (void)state;
    washes(&k, 6, &washing);
    pump_on(&k, 5.3);
    assert_true(comes_on(&k, ELEMENT) != 0);
    pump_on(&k, 1);
    assert_int_equal(comes_on(&k, ELEMENT), 0);
    pump_on(&k, 30);
    assert_int_equal(comes_on(&k, ELEMENT), 0);
    washes(&k, 6, &by_turns);
    pump_on(&k, 30);
    assert_true(comes_on(&k, ELEMENT) != 0);

    set_up(&k); /* once, and each time at another time */
    for (int i = 0; i < 6; i++)
        wash(&k, &(struct programme){PUMP, ELEMENT, i % 2 ? 22 : 2, 10, 1});
    pump_on(&k, 12);
    assert_true(comes_on(&k, ELEMENT) != 0);
}

static void of_two_that_are_on_one_is_its_stage(void **state)
{
    struct kitchen k;
    (void)state;
    washes(&k, 4, &washing);
    struct run *h = pump_on(&k, 4.8), *first = &k.runs.all[LAST - 1];
    *first = run_begun(ELEMENT, k.now_ms);
    first->host = h->id;
    k.now_ms += MINUTE_MS / 4;
    assert_int_equal(comes_on(&k, ELEMENT), 0);
    run_ended(first, k.now_ms); /* off, it pauses: the next may be */
    assert_true(comes_on(&k, ELEMENT) != 0);
    first->pausing = false;
    first->first = 4.0F; /* another size: no stage of that kind */
    assert_true(comes_on(&k, ELEMENT) != 0);
}

static void a_programme_may_pause_and_another_load_may_not(void **state)
{
    struct kitchen k;
    (void)state;
    washes(&k, 4, &washing);
    struct run *h = pump_on(&k, 3);
    run_ended(h, k.now_ms);
    k.now_ms += 2 * MINUTE_MS;
    assert_true(comes_on(&k, ELEMENT) != 0);
    h->programme = false;
    assert_int_equal(comes_on(&k, ELEMENT), 0);
}

/* A pump that is left on for the day is in no programme any more. */
static void a_host_that_outlasts_all_its_runs_has_no_stages(void **state)
{
    const struct programme by_turns = {PUMP, ELEMENT, 5, 3, 4};
    struct kitchen k;
    (void)state;
    washes(&k, 6, &by_turns);
    pump_on(&k, 60); /* its runs took forty minutes */
    assert_true(comes_on(&k, ELEMENT) != 0);
    pump_on(&k, 240);
    assert_int_equal(comes_on(&k, ELEMENT), 0);
}

/* An oven's fan, which has a stage of its own, in the programme of the hood. */
static void a_programme_inside_a_programme_is_a_part_of_it(void **state)
{
    struct kitchen k;
    (void)state;
    washes(&k, 4, &washing);
    const struct learned_load *pump = k.pump;
    for (int i = 0; i < 4; i++)
        wash(&k, &(struct programme){0.3F, 4.0F, 5, 15, 1});
    const struct learned_load *fan = k.pump;
    k.pump = pump;
    struct run *h = pump_on(&k, 20);
    assert_in_range(comes_on(&k, 0.3F) - k.now_ms, 5 * HOUR_MS, 7 * HOUR_MS);
    assert_int_equal(k.runs.all[0].host, h->id);
    assert_int_equal(k.runs.all[0].load, fan->id);
    assert_true(k.runs.all[0].programme);
}

/* Nearly all: three of four are, two of four are not. */
static void now_and_then_makes_no_programme(void **state)
{
    const struct programme none = {PUMP, 0.2F, 5, 15, 1};
    struct kitchen k;
    (void)state;
    for (int without = 1; without <= 2; without++) {
        set_up(&k);
        for (int i = 0; i < 4; i++)
            wash(&k, i < without ? &none : &washing);
        assert_int_equal(stages_programme(k.pump), without == 1);
    }
    /* one that has had one for long, and has none any more, is forgotten */
    washes(&k, 20, &washing);
    for (int i = 0; i < 10; i++)
        wash(&k, &none);
    assert_false(stages_programme(k.pump));
}

static void what_differs_each_time_makes_no_programme(void **state)
{
    struct kitchen k;
    (void)state;
    set_up(&k);
    for (int i = 0; i < 8; i++) /* who cooks and who washes at the same time */
        wash(&k, &(struct programme){PUMP, 3.0F * powf(2.0F, (float)(i % 3)), 5, 15, 1});
    assert_false(stages_programme(k.pump));
}

static void what_is_taken_note_of_as_a_stage(void **state)
{
    static const struct {
        const char *name;
        struct programme p;
        bool noted;
    } cases[] = {
        {"an element", {PUMP, ELEMENT, 5, 15, 1}, true},
        {"hardly larger than the host", {2.0F, 3.0F, 5, 15, 1}, false},
        {"more than twice the host", {2.0F, 5.0F, 5, 15, 1}, true},
        {"small", {0.3F, 1.0F, 5, 15, 1}, false},
        {"fifty minutes long", {PUMP, ELEMENT, 2, 50, 1}, false},
        {"half an hour long", {PUMP, ELEMENT, 2, 30, 1}, true},
        {"a pulse", {PUMP, ELEMENT, 5, 0.2, 1}, false},
        {"as old as the host", {PUMP, ELEMENT, 0.02, 15, 1}, false},
        {"older than the host", {PUMP, ELEMENT, -2, 15, 1}, false},
    };
    struct kitchen k;
    (void)state;
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        washes(&k, 3, &cases[c].p);
        if (stages_programme(k.pump) != cases[c].noted)
            fail_msg("%s: is %sa stage", cases[c].name, cases[c].noted ? "not " : "");
    }
}

/* The host may end with its stage, and no earlier; both may be over in the same moment. */
static void a_stage_ends_before_its_host(void **state)
{
    const struct {
        int seconds;
        bool inside;
    } earlier[] = {{0, true}, {5, true}, {30, false}};
    struct kitchen k;
    (void)state;
    for (size_t e = 0; e < 3; e++) {
        set_up(&k);
        struct run over[2] = {run_begun(PUMP, k.now_ms),
                              run_begun(ELEMENT, k.now_ms + 5 * MINUTE_MS)};
        run_ended(&over[0], k.now_ms + 20 * MINUTE_MS - earlier[e].seconds * INT64_C(1000));
        run_ended(&over[1], k.now_ms + 20 * MINUTE_MS);
        stages_note(&k.runs, over, 2);
        assert_int_equal(over[0].inners, earlier[e].inside);
        assert_int_equal(over[1].inners, 0);
    }
}

static void what_the_supply_cut_short_and_trains_teach_nothing(void **state)
{
    struct kitchen k;
    (void)state;
    for (int what = 0; what < 4; what++) {
        set_up(&k);
        for (int i = 0; i < 3; i++) {
            struct run *h = &k.runs.all[LAST];
            *h = run_begun(PUMP, k.now_ms);
            k.now_ms += 5 * MINUTE_MS;
            struct run over = run_begun(ELEMENT, k.now_ms);
            k.now_ms += 15 * MINUTE_MS;
            run_ended(&over, k.now_ms);
            over.cut = what == 0;
            over.train = what == 1;
            stages_note(&k.runs, &over, 1);
            h->cut = what == 2;
            h->train = what == 3;
            host_over(&k);
        }
        assert_false(stages_programme(k.pump));
    }
}

/* Of what is inside, the largest is the stage, and the longest of those says how long. */
static void the_largest_inside_is_the_stage(void **state)
{
    const struct programme drain = {PUMP, 2.0F, 5, 3, 1}, heat = {PUMP, ELEMENT, 10, 12, 1};
    struct kitchen k;
    (void)state;
    set_up(&k);
    for (int i = 0; i < 4; i++) {
        int64_t began = k.now_ms;
        k.runs.all[LAST] = run_begun(PUMP, began);
        k.now_ms += 5 * MINUTE_MS;
        stage_runs(&k, &drain);
        stage_runs(&k, &heat);
        stage_runs(&k, &drain);
        k.now_ms = began + 40 * MINUTE_MS;
        host_over(&k);
    }
    assert_true(stages_programme(k.pump));
    pump_on(&k, 5);
    assert_in_range(comes_on(&k, ELEMENT) - k.now_ms, 12 * MINUTE_MS, 36 * MINUTE_MS);
    pump_on(&k, 5);
    assert_int_equal(comes_on(&k, 2.0F), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_runs_make_a_programme),
        cmocka_unit_test(its_stage_is_held_back_and_told_when_it_outlasts_all_before),
        cmocka_unit_test(what_is_no_stage_of_it_is_told),
        cmocka_unit_test(what_comes_once_comes_at_its_time),
        cmocka_unit_test(of_two_that_are_on_one_is_its_stage),
        cmocka_unit_test(a_programme_may_pause_and_another_load_may_not),
        cmocka_unit_test(a_host_that_outlasts_all_its_runs_has_no_stages),
        cmocka_unit_test(a_programme_inside_a_programme_is_a_part_of_it),
        cmocka_unit_test(now_and_then_makes_no_programme),
        cmocka_unit_test(what_differs_each_time_makes_no_programme),
        cmocka_unit_test(what_is_taken_note_of_as_a_stage),
        cmocka_unit_test(a_stage_ends_before_its_host),
        cmocka_unit_test(what_the_supply_cut_short_and_trains_teach_nothing),
        cmocka_unit_test(the_largest_inside_is_the_stage),
    };
    return cmocka_run_group_tests_name("stages", tests, NULL, NULL);
}
