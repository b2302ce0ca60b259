/* series: the parts of a programme are told once, what is used by itself is told always */
#include "run_rig.h"

#include "analysis/series.h"

#define VALVE 0.3F
#define PUMP 0.8F
#define ELEMENT 8.0F
#define LAST (RUNS_MAX - 1)

struct kitchen {
    struct series series;
    struct runs runs;
    struct learned learned;
    int64_t now_ms;
};

static void set_up(struct kitchen *k)
{
    *k = (struct kitchen){.now_ms = HOUR_MS};
}

/* Comes on, in that place, and is due; until when it is held back, 0: told. */
static int64_t comes_on(struct kitchen *k, int place, float amps)
{
    struct run *x = &k->runs.all[place];
    *x = run_begun(amps, k->now_ms);
    k->now_ms += 10000;
    return series_hold(&k->series, &k->runs, &k->learned, x);
}

static void goes_off(struct kitchen *k, int place)
{
    struct run *x = &k->runs.all[place], over;
    run_ended(x, k->now_ms);
    over = *x;
    run_taken(&k->learned, &over);
    series_over(&k->series, &over);
    *x = (struct run){0};
}

static int64_t runs(struct kitchen *k, float amps, int minutes)
{
    int64_t began = k->now_ms, until = comes_on(k, 0, amps);
    k->now_ms = began + minutes * MINUTE_MS;
    goes_off(k, 0);
    k->now_ms += MINUTE_MS / 2;
    return until;
}

/* valve, pump, element, and that again */
static void dishwasher(struct kitchen *k)
{
    for (int part = 0; part < 2; part++) {
        runs(k, VALVE, 1);
        runs(k, PUMP, 10);
        runs(k, ELEMENT, 20);
    }
    k->now_ms += 12 * HOUR_MS;
}

static void washes(struct kitchen *k, int times)
{
    set_up(k);
    for (int i = 0; i < times; i++)
        dishwasher(k);
}

static void after_two_programmes_only_the_first_part_is_told(void **state)
{
    struct kitchen k;
    (void)state;
    for (int known = 0; known <= 6; known++) {
        washes(&k, known);
        bool held = known >= 2;
        assert_int_equal(runs(&k, VALVE, 1), 0);
        assert_int_equal(runs(&k, PUMP, 10) != 0, held);
        assert_int_equal(runs(&k, ELEMENT, 20), 0); /* what is large is never one */
        assert_int_equal(runs(&k, VALVE, 1) != 0, held);
        assert_int_equal(runs(&k, PUMP, 10) != 0, held);
    }
}

static void a_part_that_outlasts_all_before_is_told_after_all(void **state)
{
    struct kitchen k;
    (void)state;
    washes(&k, 6);
    runs(&k, VALVE, 1);
    int64_t began = k.now_ms, until = comes_on(&k, 0, PUMP);
    assert_in_range(until - began, 11 * MINUTE_MS, 30 * MINUTE_MS); /* it took 10 */
    assert_true(k.runs.all[0].part);
    assert_int_equal(k.runs.all[0].load, learned_like(&k.learned, PUMP, PUMP)->id);
    k.now_ms += 5 * MINUTE_MS; /* it is asked again: nothing is counted twice */
    int counted = k.series.runs;
    assert_int_equal(series_hold(&k.series, &k.runs, &k.learned, &k.runs.all[0]), until);
    assert_int_equal(k.series.runs, counted);
}

static void what_was_told_is_not_taken_back(void **state)
{
    struct kitchen k;
    (void)state;
    washes(&k, 6);
    assert_int_equal(comes_on(&k, 0, VALVE), 0);
    comes_on(&k, 1, PUMP);
    assert_int_equal(series_hold(&k.series, &k.runs, &k.learned, &k.runs.all[0]), 0);
}

/* Two loads by turns, three small ones, and a large one that is no element of anything. */
static void what_is_no_programme_is_told(void **state)
{
    static const struct {
        const char *name;
        float amps[6];
    } cases[] = {
        {"two loads", {VALVE, ELEMENT, VALVE, ELEMENT, VALVE, ELEMENT}},
        {"none of them large", {VALVE, PUMP, 1.2F, VALVE, PUMP, 1.2F}},
    };
    struct kitchen k;
    (void)state;
    for (size_t c = 0; c < 2; c++) {
        set_up(&k);
        for (int day = 0; day < 8; day++) {
            for (int i = 0; i < 6; i++)
                if (runs(&k, cases[c].amps[i], 10))
                    fail_msg("%s, and a run is held back as a part", cases[c].name);
            k.now_ms += 12 * HOUR_MS;
        }
    }
}

/* An element of two amperes is large as well, and four runs of three loads are a programme. Its
 * first one teaches less: a load that was never seen before is known when it is over. */
static void a_short_programme_with_a_small_element_is_one(void **state)
{
    static const float parts[] = {VALVE, PUMP, 2.0F, VALVE};
    struct kitchen k;
    (void)state;
    set_up(&k);
    for (int day = 0; day < 6; day++) {
        for (int i = 0; i < 4; i++) {
            bool held = runs(&k, parts[i], 5) != 0;
            if (day != 2)
                assert_int_equal(held, day > 2 && (i == 1 || i == 3));
        }
        k.now_ms += 12 * HOUR_MS;
    }
}

/* Of five times three in a programme: mostly a part of it. */
static void what_is_mostly_in_a_programme_is_a_part(void **state)
{
    struct kitchen k;
    (void)state;
    set_up(&k);
    for (int i = 0; i < 6; i++) {
        dishwasher(&k);
        dishwasher(&k);
        runs(&k, PUMP, 10); /* by itself */
        k.now_ms += 3 * HOUR_MS;
        dishwasher(&k);
        runs(&k, PUMP, 10);
        k.now_ms += 3 * HOUR_MS;
    }
    runs(&k, VALVE, 1);
    assert_true(runs(&k, PUMP, 10) != 0);
}

/* The pump runs in a programme, and oftener by itself: a pump of its own. */
static void what_is_used_by_itself_is_told(void **state)
{
    struct kitchen k;
    (void)state;
    set_up(&k);
    for (int i = 0; i < 10; i++) {
        dishwasher(&k);
        for (int alone = 0; alone < 2; alone++) {
            runs(&k, PUMP, 10);
            k.now_ms += 3 * HOUR_MS;
        }
    }
    runs(&k, VALVE, 1);
    assert_int_equal(runs(&k, PUMP, 10), 0);
    assert_true(runs(&k, VALVE, 1) != 0); /* the valve never is */
}

/* Ten minutes of nothing end it, from the end of the last run on. */
static void a_long_break_begins_another_series(void **state)
{
    const struct {
        int minutes;
        bool held;
    } breaks[] = {{5, true}, {9, true}, {11, false}, {60, false}};
    struct kitchen k;
    (void)state;
    for (size_t b = 0; b < 4; b++) {
        washes(&k, 6);
        runs(&k, VALVE, 1);
        runs(&k, ELEMENT, 25);
        k.now_ms += breaks[b].minutes * MINUTE_MS - MINUTE_MS / 2;
        if ((runs(&k, PUMP, 10) != 0) != breaks[b].held)
            fail_msg("after a break of %d minutes", breaks[b].minutes);
        assert_true(runs(&k, VALVE, 1) != 0); /* one of it has been told in any case */
    }
}

/* Its element is on for longer than any break. */
static void what_is_on_meanwhile_is_no_break(void **state)
{
    struct kitchen k;
    (void)state;
    for (int place = 1; place <= LAST; place += LAST - 1) {
        washes(&k, 6);
        runs(&k, VALVE, 1);
        comes_on(&k, place, ELEMENT);
        k.now_ms += 40 * MINUTE_MS;
        assert_true(comes_on(&k, 0, PUMP) != 0);

        washes(&k, 6); /* it went off long ago and only pauses */
        runs(&k, VALVE, 1);
        comes_on(&k, place, ELEMENT);
        run_ended(&k.runs.all[place], k.now_ms);
        k.now_ms += 40 * MINUTE_MS;
        assert_int_equal(comes_on(&k, 0, PUMP), 0);

        washes(&k, 6); /* it was on before, for days: a lamp is no programme's */
        k.runs.all[place] = run_begun(ELEMENT, k.now_ms - 48 * HOUR_MS);
        k.runs.all[place].in_series = true;
        runs(&k, VALVE, 1);
        k.now_ms += 40 * MINUTE_MS;
        assert_int_equal(comes_on(&k, 0, PUMP), 0);
    }
}

/* A tap that drips for a day is no programme of a day. */
static void no_programme_lasts_longer_than_four_hours(void **state)
{
    struct kitchen k;
    (void)state;
    washes(&k, 6);
    int64_t began = k.now_ms, told_again = 0;
    runs(&k, VALVE, 1);
    while (k.now_ms < began + 6 * HOUR_MS) {
        int64_t at = k.now_ms;
        if (runs(&k, VALVE, 1) == 0 && !told_again)
            told_again = at - began;
        k.now_ms += 5 * MINUTE_MS;
    }
    assert_in_range(told_again, 4 * HOUR_MS - 10 * MINUTE_MS, 4 * HOUR_MS + 10 * MINUTE_MS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(after_two_programmes_only_the_first_part_is_told),
        cmocka_unit_test(a_part_that_outlasts_all_before_is_told_after_all),
        cmocka_unit_test(what_was_told_is_not_taken_back),
        cmocka_unit_test(what_is_no_programme_is_told),
        cmocka_unit_test(a_short_programme_with_a_small_element_is_one),
        cmocka_unit_test(what_is_mostly_in_a_programme_is_a_part),
        cmocka_unit_test(what_is_used_by_itself_is_told),
        cmocka_unit_test(a_long_break_begins_another_series),
        cmocka_unit_test(what_is_on_meanwhile_is_no_break),
        cmocka_unit_test(no_programme_lasts_longer_than_four_hours),
    };
    return cmocka_run_group_tests_name("series", tests, NULL, NULL);
}
