/* trips_scope: circuits that go in the same moment, and come back, for one reason; with real
 * breakers and loads */
#include "check.h"

#include "trips_rig.h"

enum { HALL, BATH, RANGE, FEED, SAW, BENCH };

/* the shop's saw runs, and what is given on its bench; an hour and a bit */
static struct amps shop_runs(struct house *h, float bench)
{
    struct amps a = quiet;
    a.saw = 6.0F;
    a.bench = bench;
    set_up(h);
    feed(h, 3617, a);
    return a;
}

/* what the shop's trips say, all of one opening of its feeder */
static void assert_feeder_opened(const struct house *h, int64_t opened_wall_ms)
{
    for (int i = FEED; i <= BENCH; i++) {
        assert_true(h->of[i].told > 0);
        assert_int_equal(h->of[i].upstream, i == FEED ? TRIP_UPSTREAM_NONE : FEED);
        if (i != FEED) /* whose own cause is another question */
            assert_int_equal(h->of[i].cause, CAUSE_UPSTREAM_OPEN);
        assert_true(h->of[i].probability > 0.5);
        assert_int_equal(h->of[i].opened_wall_ms, opened_wall_ms);
    }
    assert_int_equal(h->of[HALL].told + h->of[BATH].told + h->of[RANGE].told, 0);
}

/* A dark circuit behind a feeder gets a trip of its own with the others, at the same moment
 * (docs/mqtt.md, trips: every circuit that lost its supply), and is restored with them. */
static void what_is_dark_behind_a_feeder_goes_and_comes_with_the_others(void **state)
{
    struct house h;
    (void)state;
    struct amps on = quiet, off;
    set_up(&h);
    on.bench = 0.0F;
    on.saw = 6.0F;
    feed(&h, 60, on);
    on.bench = 2.4F; /* known to be there, and dark again long before */
    feed(&h, 3617, on);
    off = on;
    off.saw = off.bench = 0.0F;
    int64_t opens = WALL0 + h.second * 1000; /* the first reading of nothing */
    feed(&h, 300, off);
    assert_feeder_opened(&h, opens);
    assert_int_equal(h.of[BENCH].with_count, 2);
    assert_true(trips_cut(h.trips)[FEED] && trips_cut(h.trips)[SAW] &&
                trips_cut(h.trips)[BENCH]);
    feed(&h, 120, on);
    for (int i = FEED; i <= BENCH; i++) {
        assert_int_equal(h.of[i].restored, 1);
        assert_near(h.of[i].seconds_open, 300.0, 1.5);
        assert_int_equal(h.of[i].stage, TRIP_CONFIRMED);
        assert_false(trips_cut(h.trips)[i]);
    }
    /* what comes back in one poll had gone for one reason: surer than before */
    assert_true(h.of[SAW].probability > 0.99 && h.of[BENCH].probability > 0.99);
    tear_down(&h);
}

/* The feeder is closed again and the bench runs; the saw was switched off meanwhile. That says
 * nothing against its having been without supply: it keeps its cause. */
static void what_stays_off_after_the_reset_had_the_same_cause(void **state)
{
    struct house h;
    (void)state;
    struct amps a = shop_runs(&h, 2.4F);
    a.saw = a.bench = 0.0F;
    feed(&h, 300, a);
    a.bench = 2.4F;
    feed(&h, 9000, a);
    assert_int_equal(h.of[BENCH].restored, 1);
    assert_int_equal(h.of[SAW].upstream, FEED);
    assert_int_equal(h.of[SAW].cause, CAUSE_UPSTREAM_OPEN);
    assert_int_not_equal(h.of[SAW].stage, TRIP_WITHDRAWN);
    a.saw = 6.0F;
    feed(&h, 120, a);
    assert_int_equal(h.of[SAW].cause, CAUSE_UPSTREAM_OPEN);
    assert_int_equal(h.of[SAW].restored, 1);
    tear_down(&h);
}

/* The feeder is reset, and fifteen seconds later the bench's load ends. Nobody has reset the
 * bench's own breaker: it has not opened again. */
static void who_resets_the_feeder_has_not_reset_its_branches(void **state)
{
    struct house h;
    (void)state;
    struct amps a = shop_runs(&h, 15.0F);
    a.saw = a.bench = 0.0F;
    feed(&h, 120, a);
    assert_int_equal(h.of[BENCH].cause, CAUSE_UPSTREAM_OPEN);
    a.saw = 6.0F;
    a.bench = 15.0F;
    feed(&h, 15, a);
    assert_int_equal(h.of[BENCH].restored, 1);
    a.bench = 0.0F;
    feed(&h, 600, a);
    assert_int_equal(h.again, 0);
    tear_down(&h);
}

/* A breaker that was open before did not open again: its trip keeps its time and its cause. */
static void what_was_open_before_keeps_its_own_trip(void **state)
{
    struct house h;
    (void)state;
    struct amps a = shop_runs(&h, 2.4F);
    a.saw = 29.6F; /* twice its rating */
    feed(&h, 60, a);
    a.saw = 0.0F;
    int64_t opens = WALL0 + h.second * 1000;
    feed(&h, 120, a);
    assert_int_equal(h.of[SAW].cause, CAUSE_OVERLOAD);
    assert_int_equal(h.of[FEED].told, 0);
    a.bench = 0.0F;
    feed(&h, 120, a);
    assert_int_equal(h.of[SAW].cause, CAUSE_OVERLOAD);
    assert_int_equal(h.of[SAW].upstream, TRIP_UPSTREAM_NONE);
    assert_int_equal(h.of[SAW].opened_wall_ms, opens);
    tear_down(&h);
}

/* Meters of one bus are read one after the other: falls that show in two polls that follow each
 * other may be one opening, falls ten seconds apart are two, and loads that went off. */
static void falls_of_neighbouring_polls_may_be_one_opening(void **state)
{
    struct house h;
    (void)state;
    struct amps a = shop_runs(&h, 2.4F);
    a.saw = 0.0F;
    feed(&h, 1, a);
    a.bench = 0.0F;
    feed(&h, 60, a);
    assert_int_equal(h.of[SAW].upstream, FEED);
    assert_int_equal(h.of[BENCH].upstream, FEED);
    assert_true(h.of[FEED].told > 0);
    tear_down(&h);
    a = shop_runs(&h, 2.4F);
    a.saw = 0.0F;
    feed(&h, 10, a);
    a.bench = 0.0F;
    feed(&h, 60, a);
    assert_int_equal(h.of[FEED].told + h.of[SAW].told + h.of[BENCH].told, 0);
    tear_down(&h);
}

/* An outage while nothing is on: no current falls, the voltage does. Every circuit is told of,
 * and restored when the voltage is back, though nothing is on then either. */
static void an_outage_with_nothing_on_is_told_by_the_voltage(void **state)
{
    static const struct amps nothing;
    struct house h;
    (void)state;
    set_up(&h);
    measure_volts(&h, 121.0F, 120.0F);
    feed(&h, 3617, nothing);
    measure_volts(&h, 0.3F, 0.2F);
    int64_t opens = WALL0 + h.second * 1000;
    feed(&h, 300, nothing);
    for (int i = HALL; i <= BENCH; i++) {
        assert_int_equal(h.of[i].upstream, TRIP_UPSTREAM_UTILITY);
        assert_int_equal(h.of[i].cause, CAUSE_SUPPLY_OUTAGE);
        assert_true(h.of[i].probability >= 0.98);
        assert_int_equal(h.of[i].opened_wall_ms, opens);
        assert_true(trips_cut(h.trips)[i]);
    }
    measure_volts(&h, 121.0F, 120.0F);
    feed(&h, 120, nothing);
    for (int i = HALL; i <= BENCH; i++) {
        assert_int_equal(h.of[i].restored, 1);
        assert_near(h.of[i].seconds_open, 300.0, 1.5);
        assert_false(trips_cut(h.trips)[i]);
    }
    tear_down(&h);
}

/* With something on: what falls is dated by its readings, and what was dark with it. While the
 * voltage is there, the same fall is none of an outage. */
static void a_fall_with_the_voltage_is_an_outage_and_without_it_is_none(void **state)
{
    struct house h;
    (void)state;
    for (int outage = 0; outage < 2; outage++) {
        struct amps off = {0};
        set_up(&h);
        measure_volts(&h, 121.0F, 120.0F);
        feed(&h, 3617, quiet);
        if (outage)
            measure_volts(&h, 0.3F, 0.2F);
        int64_t opens = WALL0 + h.second * 1000;
        feed(&h, 300, off);
        for (int i = HALL; i <= BENCH; i++) {
            if (!outage) {
                assert_int_not_equal(h.of[i].cause, CAUSE_SUPPLY_OUTAGE);
                continue;
            }
            assert_int_equal(h.of[i].cause, CAUSE_SUPPLY_OUTAGE);
            assert_true(h.of[i].probability >= 0.98);
            assert_int_equal(h.of[i].opened_wall_ms, opens);
        }
        tear_down(&h);
    }
}

/* One leg of the supply is gone, the other is there: what hangs on it alone is told, and
 * neither a breaker of two poles nor the other leg's circuits are. */
static void a_lost_leg_takes_its_own_circuits(void **state)
{
    struct house h;
    struct amps a = quiet, off = {0};
    (void)state;
    set_up(&h);
    h.site.circuits[BATH].leg[0] = 'B';
    measure_volts(&h, 121.0F, 120.0F);
    a.range_a = a.range_b = off.range_b = 5.0F;
    off.bath = a.bath;
    feed(&h, 3617, a);
    measure_volts(&h, 0.3F, 120.0F);
    feed(&h, 300, off);
    assert_int_equal(h.of[HALL].cause, CAUSE_SUPPLY_OUTAGE);
    assert_true(h.of[HALL].probability >= 0.98);
    assert_int_equal(h.of[BENCH].cause,
                     CAUSE_SUPPLY_OUTAGE); /* behind the feeder on that leg */
    assert_int_equal(h.of[BATH].told + h.of[RANGE].told, 0);
    tear_down(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_dark_behind_a_feeder_goes_and_comes_with_the_others),
        cmocka_unit_test(what_stays_off_after_the_reset_had_the_same_cause),
        cmocka_unit_test(who_resets_the_feeder_has_not_reset_its_branches),
        cmocka_unit_test(what_was_open_before_keeps_its_own_trip),
        cmocka_unit_test(falls_of_neighbouring_polls_may_be_one_opening),
        cmocka_unit_test(an_outage_with_nothing_on_is_told_by_the_voltage),
        cmocka_unit_test(a_lost_leg_takes_its_own_circuits),
        cmocka_unit_test(a_fall_with_the_voltage_is_an_outage_and_without_it_is_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
