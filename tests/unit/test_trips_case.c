/* trips_case: one fall: what is taken down of it, when it is weighed and said, what it teaches
 */
#include "check.h"

#include "trips_rig.h"

#define MOMENTS 32

/* what was judged of the hall */
struct watched {
    struct house house;
    int falls;
    struct fall_facts at_fall; /* of the newest */
    double first;              /* and how sure it was */
    int later;                 /* judgements between the fall and the return, */
    double silent[MOMENTS];    /* so many seconds after the fall */
    int back;
    double probability, natural; /* as of the newest judgement */
};

static void note(void *context, const struct trips_judgement *j)
{
    struct watched *w = context;
    if (j->circuit != 0 || !j->causes)
        return;
    w->probability = j->probability;
    w->natural = j->causes[CAUSE_LOAD_ENDED];
    if (strcmp(j->moment, "fall") == 0) {
        w->falls++;
        w->at_fall = *j->facts;
        w->first = j->probability;
        w->later = 0;
    } else if (strcmp(j->moment, "later") == 0) {
        assert_true(w->later < MOMENTS);
        w->silent[w->later++] = j->facts->silent_seconds;
    } else if (strcmp(j->moment, "back") == 0) {
        w->back++;
    }
}

static void begin(struct watched *w)
{
    *w = (struct watched){0};
    set_up(&w->house);
    trips_observe(w->house.trips, note, w);
}

static void hall(struct watched *w, double amps, int seconds)
{
    feed(&w->house, seconds, with((float)amps));
}

static void it_is_weighed_when_the_header_says(void **state)
{
    static const int64_t moments[] = {5, 15, 60, 300, 900, 3600, 10800, 43200, 86400, 259200};
    struct watched w;
    (void)state;
    begin(&w);
    overload(&w.house);
    hall(&w, 0.0, 3 * 86400 + 60);
    assert_int_equal(w.falls, 1);
    assert_int_equal(w.later, 10);
    for (int k = 0; k < 10; k++)
        assert_near(w.silent[k], (double)moments[k], 1.0);
    hall(&w, 0.6, 20);
    assert_int_equal(w.back, 1); /* and when current flows again */
    tear_down(&w.house);
}

/* Provisional within one poll; confirmed no sooner than after ten seconds, whatever speaks for
 * it: a reading that was wrong is over by then. */
static void it_is_provisional_at_first_and_confirmed_after_ten_seconds(void **state)
{
    struct watched w;
    (void)state;
    begin(&w);
    overload(&w.house);
    hall(&w, 0.0, 1);
    assert_true(w.first > 0.9);
    assert_int_equal(w.house.of[0].stage, TRIP_PROVISIONAL);
    hall(&w, 0.0, 9);
    assert_int_equal(w.house.said[TRIP_CONFIRMED], 0);
    hall(&w, 0.0, 8);
    assert_int_equal(w.house.of[0].stage, TRIP_CONFIRMED);
    size_t told = w.house.of[0].told;
    hall(&w, 0.0, 30); /* nothing has changed */
    assert_int_equal(w.house.of[0].told, told);
    tear_down(&w.house);
}

/* Loads that began within ten seconds are stages of one. */
static void loads_that_began_apart_are_counted(void **state)
{
    struct watched w;
    (void)state;
    begin(&w);
    hall(&w, 0.6, 3617);
    hall(&w, 2.6, 100);
    hall(&w, 5.6, 5);
    hall(&w, 7.1, 100);
    hall(&w, 0.0, 1);
    assert_int_equal(w.at_fall.loads, 3);
    assert_near(w.at_fall.amps, 7.1, 0.01);
    const struct {
        double age, size;
    } wanted[] = {{3822, 0.6}, {205, 2.0}, {105, 4.5}};
    for (int k = 0; k < 3; k++) {
        assert_near(w.at_fall.ages[k], wanted[k].age, 3.0);
        assert_near(w.at_fall.sizes[k], wanted[k].size, 0.1);
    }
    tear_down(&w.house);
}

/* A small one beside a large one is the wandering of the large one, unless it has been there
 * for hours: then it is what stands by. */
static void a_small_load_counts_when_it_lasts(void **state)
{
    (void)state;
    for (int lasting = 0; lasting < 2; lasting++) {
        struct watched w;
        begin(&w);
        hall(&w, 0.0, 600);
        hall(&w, 0.2, lasting ? 7 * 3600 : 600);
        hall(&w, 12.2, 900);
        hall(&w, 0.0, 1);
        assert_int_equal(w.at_fall.loads, 1 + lasting);
        assert_near(w.at_fall.sizes[lasting], 12.0, 0.3);
        tear_down(&w.house);
    }
}

/* One load draws no more than its branch circuit is for (NEC 210.23): what came on at once and
 * draws far more was two. */
static void more_than_the_rating_at_once_was_two_loads(void **state)
{
    (void)state;
    for (int large = 0; large < 2; large++) {
        struct watched w;
        begin(&w);
        hall(&w, 0.0, 3617);
        hall(&w, large ? 24.0 : 17.0, 30);
        hall(&w, 0.0, 1);
        assert_int_equal(w.at_fall.loads, 1 + large);
        assert_near(w.at_fall.sizes[0] + (large ? w.at_fall.sizes[1] : 0.0),
                    large ? 24.0 : 17.0, 0.2);
        tear_down(&w.house);
    }
}

/* Readings were lost before: it fell in the midst of that, as far as anybody knows. */
static void a_fall_in_lost_readings_is_dated_in_their_midst(void **state)
{
    struct watched w;
    (void)state;
    begin(&w);
    overload(&w.house);
    int64_t last_wall_ms = w.house.frame->wall_ms;
    hall(&w, (double)NAN, 39);
    hall(&w, 0.0, 60);
    assert_near(w.at_fall.gap_seconds, 40.0, 0.01);
    assert_near((double)(w.house.of[0].opened_wall_ms - last_wall_ms), 20000.0, 500.0);
    tear_down(&w.house);

    begin(&w);
    overload(&w.house);
    last_wall_ms = w.house.frame->wall_ms;
    hall(&w, 0.0, 60); /* none was: the reading that showed it */
    assert_int_equal(w.house.of[0].opened_wall_ms, last_wall_ms + 1000);
    tear_down(&w.house);
}

/* A meter that averages over its poll shows a fall in two readings, and every switch-on too;
 * with one that does not, what is seen half way is a load that went before. */
static void a_fall_over_two_readings_is_one_where_switch_ons_are(void **state)
{
    (void)state;
    for (int averages = 0; averages < 2; averages++) {
        struct watched w;
        begin(&w);
        hall(&w, 0.6, 600);
        for (int n = 0; n < 12; n++) {
            if (averages)
                hall(&w, 5.1, 1);
            hall(&w, 9.6, 60);
            if (averages)
                hall(&w, 4.1, 1);
            hall(&w, 0.6, 60);
        }
        hall(&w, 9.6, 600);
        hall(&w, 4.0, 1);
        hall(&w, 0.0, 1);
        assert_int_equal(w.falls, 1);
        assert_near(w.at_fall.amps, averages ? 9.6 : 4.0, 0.01);
        assert_near(w.at_fall.staged, averages ? 0.0 : 5.6 / 9.6, 0.01);
        tear_down(&w.house);
    }
}

static void the_last_switch_on_is_told(void **state)
{
    struct watched w;
    (void)state;
    begin(&w);
    hall(&w, 0.0, 600);
    hall(&w, 0.6, 3617);
    hall(&w, 8.6, 42);
    hall(&w, 0.0, 1);
    assert_near(w.at_fall.switch_on_amps, 8.0, 0.05);
    assert_near(w.at_fall.switch_on_seconds, 42.0, 1.0);
    assert_near(w.at_fall.awake_seconds, 3659.0, 1.0);
    assert_true(isinf(w.at_fall.reset_seconds));
    tear_down(&w.house);
}

/* What a fall turns out to have been is learned: that a load of that size comes and goes here,
 * of a load that ended; of an opening nothing of the kind. */
static void loads_that_end_are_learned_and_openings_are_not(void **state)
{
    struct watched w;
    (void)state;
    begin(&w);
    for (int n = 0; n < 10; n++) {
        hall(&w, 6.0, 300 + 11 * n);
        hall(&w, 0.0, 700);
    }
    assert_int_equal(w.falls, 10);
    assert_true(w.natural > 0.9);
    assert_true(w.at_fall.ends_like > 7.0 && w.at_fall.begins_like > 7.0);
    tear_down(&w.house);

    begin(&w);
    for (int n = 0; n < 3; n++) {
        overload(&w.house);
        hall(&w, 0.0, 700);
    }
    assert_true(w.natural < 0.1);
    assert_true(w.at_fall.ends_like < 0.5);
    tear_down(&w.house);
}

/* An opening by heat is told the breaker, once: it is the weaker for it. A load that ends at
 * the same current teaches it nothing of the kind. */
static void openings_below_the_rating_make_a_breaker_worn(void **state)
{
    double worn[2];
    (void)state;
    for (int opens = 0; opens < 2; opens++) {
        struct watched w;
        begin(&w);
        hall(&w, 0.6, 3617);
        for (int n = 0; n < 4; n++) {
            if (opens) { /* three that began apart, all gone in one reading */
                hall(&w, 5.0, 900);
                hall(&w, 9.0, 900);
            }
            hall(&w, 13.6, 5000);
            hall(&w, 0.0, 600);
            hall(&w, 0.6, 2000);
        }
        worn[opens] = breakers_worn(w.house.breakers, 0);
        tear_down(&w.house);
    }
    assert_true(worn[1] > 10.0 * worn[0]);
}

/* Two minutes after a reset is opening again, hours after it is another opening. */
static void an_opening_long_after_a_reset_is_another_one(void **state)
{
    struct watched w;
    (void)state;
    begin(&w);
    overload(&w.house);
    hall(&w, 0.0, 300);
    hall(&w, 0.6, (int)w.house.rules.circuits[0].again_seconds + 600);
    overload(&w.house);
    hall(&w, 0.0, 300);
    assert_int_equal(w.house.restored, 1);
    assert_int_equal(w.house.again, 0);
    assert_near(w.house.of[0].seconds_open, 300.0, 1.0);
    tear_down(&w.house);
}

/* Three loads gone at once, likely enough to be said; twenty seconds later something runs
 * again, which no breaker does by itself. Nothing is restored then, and what opens next has not
 * opened again. */
static void what_comes_back_by_itself_is_withdrawn(void **state)
{
    struct watched w;
    (void)state;
    begin(&w);
    hall(&w, 3.0, 1700);
    hall(&w, 6.0, 1700);
    hall(&w, 9.0, 1700);
    hall(&w, 0.0, 20);
    assert_int_equal(w.house.of[0].stage, TRIP_PROVISIONAL);
    assert_in_range((int)(100.0 * w.first), 30, 90);
    hall(&w, 1.0, 20);
    assert_int_equal(w.house.of[0].stage, TRIP_WITHDRAWN);
    assert_int_equal(w.house.restored, 0);
    hall(&w, 90.0, 2);
    hall(&w, 0.0, 60);
    assert_true(w.probability > 0.5);
    assert_int_equal(w.house.again, 0);
    tear_down(&w.house);
}

/* Somebody stands at the panel and resets it within twenty seconds. What hangs on it stays off
 * for ten minutes, and the meter reads as it always does with all of it off: what opened by
 * heat did so all the same. */
static void a_breaker_that_is_reset_at_once_has_opened(void **state)
{
    static const int loads_stay_off[] = {0, 600};
    (void)state;
    for (int k = 0; k < 2; k++) {
        struct watched w;
        begin(&w);
        for (int n = 0; n < 6; n++) { /* known: 20 mA are left when its loads end */
            hall(&w, 3.0, 700 + 90 * n);
            hall(&w, 0.02, 500);
        }
        assert_int_equal(w.house.of[0].told, 0);
        overload(&w.house);
        hall(&w, 0.0, 20);
        hall(&w, 0.02, loads_stay_off[k]);
        hall(&w, 1.0, 20);
        assert_true(w.house.of[0].stage != TRIP_WITHDRAWN);
        assert_true(w.house.of[0].probability >= 0.5);
        assert_int_equal(w.house.of[0].cause, CAUSE_OVERLOAD);
        assert_int_equal(w.house.of[0].restored, 1);
        tear_down(&w.house);
    }
}

/* An opening without heat was a hand or a fault, nobody knows; whoever says which it was twice
 * makes the third one likelier to be that. */
static void what_people_say_of_openings_is_learned(void **state)
{
    static const enum trip_cause says[] = {CAUSE_OPENED_BY_HAND, CAUSE_FAULT};
    (void)state;
    for (int k = 0; k < 2; k++) {
        struct watched w;
        begin(&w);
        for (int n = 0; n < 3; n++) {
            hall(&w, 3.0, 1700);
            hall(&w, 6.0, 1700);
            hall(&w, 9.0, 1700);
            hall(&w, 0.0, 900);
            const double *causes = w.house.last.causes;
            double ratio = causes[says[k]] / causes[says[1 - k]];
            if (n == 0)
                assert_near(ratio, 1.0, 0.01);
            else
                assert_true(ratio > (n == 1 ? 1.5 : 2.5));
            hall(&w, 3.0, 20);
            assert_true(trips_correct(w.house.trips, w.house.last_id, says[k], 5000, "Ada"));
        }
        tear_down(&w.house);
    }
}

/* Whether it is night is a question of local time. */
static void a_fall_is_dated_by_local_time(void **state)
{
    struct watched w;
    (void)state;
    begin(&w);
    w.house.frame->utc_offset_seconds = -6 * 3600;
    overload(&w.house);
    hall(&w, 0.0, 1);
    assert_int_equal(w.at_fall.local_seconds, w.house.frame->wall_ms / 1000 - INT64_C(21600));
    tear_down(&w.house);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_is_weighed_when_the_header_says),
        cmocka_unit_test(it_is_provisional_at_first_and_confirmed_after_ten_seconds),
        cmocka_unit_test(loads_that_began_apart_are_counted),
        cmocka_unit_test(a_small_load_counts_when_it_lasts),
        cmocka_unit_test(more_than_the_rating_at_once_was_two_loads),
        cmocka_unit_test(a_fall_in_lost_readings_is_dated_in_their_midst),
        cmocka_unit_test(a_fall_over_two_readings_is_one_where_switch_ons_are),
        cmocka_unit_test(the_last_switch_on_is_told),
        cmocka_unit_test(loads_that_end_are_learned_and_openings_are_not),
        cmocka_unit_test(openings_below_the_rating_make_a_breaker_worn),
        cmocka_unit_test(what_comes_back_by_itself_is_withdrawn),
        cmocka_unit_test(a_breaker_that_is_reset_at_once_has_opened),
        cmocka_unit_test(what_people_say_of_openings_is_learned),
        cmocka_unit_test(a_fall_is_dated_by_local_time),
        cmocka_unit_test(an_opening_long_after_a_reset_is_another_one),
    };
    return cmocka_run_group_tests_name("trips_case", tests, NULL, NULL);
}
