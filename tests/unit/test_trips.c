/* trips: from readings to what is said, with real breakers and loads */
#include "check.h"

#include "trips_rig.h"

static void an_overload_is_provisional_at_once_then_confirmed_and_restored(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    overload(&h);
    feed(&h, 1, with(0));
    assert_int_equal(h.said[TRIP_PROVISIONAL], 1);
    assert_true(trips_cut(h.trips)[0]);
    assert_near(h.last.amps_before, 29.6, 0.01);
    assert_true(h.last.load_count >= 2);
    assert_true(h.last.evidence_count > 3);
    feed(&h, 120, with(0));
    assert_true(h.said[TRIP_CONFIRMED] >= 1);
    assert_int_equal(h.last.cause, CAUSE_OVERLOAD);
    assert_true(h.last.probability > 0.95);
    feed(&h, 60, quiet);
    assert_int_equal(h.restored, 1);
    assert_false(trips_cut(h.trips)[0]);
    assert_int_equal(h.said[TRIP_WITHDRAWN], 0);
    tear_down(&h);
}

static void a_load_that_ends_is_no_trip(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    for (int k = 0; k < 12; k++) { /* a compressor: nothing between its cycles */
        feed(&h, 840, with(1.1F));
        feed(&h, 1607, with(0));
    }
    assert_int_equal(h.said[TRIP_PROVISIONAL] + h.said[TRIP_CONFIRMED], 0);
    tear_down(&h);
}

static void a_reset_onto_the_fault_is_opened_again(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    overload(&h);
    feed(&h, 200, with(0));
    feed(&h, 2, with(90));
    feed(&h, 60, with(0));
    assert_int_equal(h.again, 1);
    assert_int_equal(h.restored, 1);
    assert_true(trips_cut(h.trips)[0]);
    tear_down(&h);
}

static void a_feeder_takes_its_branches_and_gets_its_own_trip(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    struct amps on = quiet, off = quiet;
    on.saw = 6.0F;
    on.bench = 2.4F;
    off.bench = 0;
    feed(&h, 3617, on);
    feed(&h, 30, off);
    assert_true(trips_cut(h.trips)[3] && trips_cut(h.trips)[4] && trips_cut(h.trips)[5]);
    assert_false(trips_cut(h.trips)[0] || trips_cut(h.trips)[1]);
    assert_int_equal(h.said[TRIP_WITHDRAWN], 0);
    assert_int_equal(h.last.with_count, 2);
    tear_down(&h);
}

static void count_falls(void *context, const struct trips_judgement *j)
{
    int *falls = context;
    falls[j->circuit] += strcmp(j->moment, "fall") == 0;
}

static void a_two_pole_breaker_falls_with_both(void **state)
{
    (void)state;
    struct house h;
    int falls[6] = {0};
    set_up(&h);
    trips_observe(h.trips, count_falls, falls);
    struct amps on = quiet;
    on.range_a = 21.0F;
    on.range_b = 20.0F;
    feed(&h, 3617, quiet);
    feed(&h, 150, on);
    on.range_a = 0; /* one leg goes: the other still carries */
    feed(&h, 5, on);
    assert_int_equal(falls[2], 0);
    feed(&h, 5, quiet);
    assert_int_equal(falls[2], 1);
    assert_int_equal(falls[0] + falls[1] + falls[4] + falls[5], 0);
    tear_down(&h);
}

static void readings_that_are_lost_are_no_fall(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    feed(&h, 3617, quiet);
    struct amps none = {(float)NAN, (float)NAN, (float)NAN, (float)NAN, (float)NAN, (float)NAN};
    feed(&h, 300, none);
    feed(&h, 60, quiet);
    assert_int_equal(h.said[TRIP_PROVISIONAL] + h.said[TRIP_CONFIRMED], 0);
    tear_down(&h);
}

static void an_open_trip_survives_a_restart_and_is_restored_after_it(void **state)
{
    (void)state;
    struct house h, after;
    struct codec_out running = {0}, learned = {0};
    set_up(&h);
    overload(&h);
    feed(&h, 90, with(0));
    trips_save(h.trips, &running);
    trips_save_learned(h.trips, &learned);
    set_up(&after);
    struct codec_in in = {.at = running.bytes, .end = running.bytes + running.length};
    assert_true(trips_load(after.trips, &in));
    in = (struct codec_in){.at = learned.bytes, .end = learned.bytes + learned.length};
    assert_true(trips_load_learned(after.trips, &in));
    assert_true(trips_cut(after.trips)[0]);
    after.second = h.second + 100;
    feed(&after, 60, with(0));
    assert_int_equal(after.said[TRIP_PROVISIONAL], 0); /* said before */
    feed(&after, 60, quiet);
    assert_int_equal(after.restored, 1);
    for (size_t cut = 0; cut < running.length; cut += 11) { /* damage: refused, no crash */
        struct house d;
        set_up(&d);
        in = (struct codec_in){.at = running.bytes, .end = running.bytes + cut};
        trips_load(d.trips, &in);
        feed(&d, 3, quiet);
        tear_down(&d);
    }
    codec_out_free(&running);
    codec_out_free(&learned);
    tear_down(&h);
    tear_down(&after);
}

/* The supply fails, and with it the gateway; an hour later both are back. */
static void wake_after_an_hour(struct house *h, struct house *after, struct amps then)
{
    struct codec_out running = {0}, learned = {0};
    set_up(h);
    feed(h, 4000, quiet);
    trips_save(h->trips, &running);
    trips_save_learned(h->trips, &learned);
    set_up(after);
    struct codec_in in = {.at = running.bytes, .end = running.bytes + running.length};
    assert_true(trips_load(after->trips, &in));
    in = (struct codec_in){.at = learned.bytes, .end = learned.bytes + learned.length};
    assert_true(trips_load_learned(after->trips, &in));
    after->second = h->second + 3600;
    feed(after, 1200, then);
    codec_out_free(&running);
    codec_out_free(&learned);
}

static void nothing_is_invented_about_the_time_the_gateway_was_away(void **state)
{
    const struct {
        const char *name;
        struct amps then;
    } cases[] = {
        {"everything is back", {.hall = 0.6F, .bath = 2.0F, .bench = 0.4F}},
        {"what was in use is off", {.hall = 0.6F, .bench = 0.4F}},
        {"something else is on", {.hall = 0.6F, .bath = 2.0F, .saw = 7.0F, .bench = 0.4F}},
    };
    (void)state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct house h, after;
        wake_after_an_hour(&h, &after, cases[k].then);
        if (after.said[TRIP_CONFIRMED] || after.restored || after.again)
            fail_msg("%s: %zu trips confirmed, %zu restored", cases[k].name,
                     after.said[TRIP_CONFIRMED], after.restored);
        tear_down(&h);
        tear_down(&after);
    }
}

static void what_a_person_says_is_kept_beside_what_was_computed(void **state)
{
    (void)state;
    struct house h, after;
    struct codec_out learned = {0};
    set_up(&h);
    overload(&h);
    feed(&h, 90, with(0));
    feed(&h, 60, quiet);
    assert_true(trips_correct(h.trips, h.last_id, CAUSE_LOAD_ENDED, 5000, "Ada"));
    assert_int_equal(h.corrections, 1);
    assert_string_equal(h.corrected_id, h.last_id);
    assert_int_equal(h.correction.said, CAUSE_LOAD_ENDED);
    assert_int_equal(h.correction.computed, CAUSE_OVERLOAD);
    assert_true(h.correction.computed_probability > 0.9);
    assert_string_equal(h.correction.by, "Ada");
    assert_false(trips_correct(h.trips, h.last_id, CAUSE_FAULT, 5000, "Ada")); /* once */
    assert_false(trips_correct(h.trips, "hall-19700101T000000Z", CAUSE_FAULT, 5000, "Ada"));
    assert_false(trips_correct(h.trips, "", CAUSE_FAULT, 5000, "Ada"));
    assert_int_equal(h.corrections, 1);

    trips_save_learned(h.trips, &learned); /* a restart forgets neither it nor that */
    set_up(&after);
    struct codec_in in = {.at = learned.bytes, .end = learned.bytes + learned.length};
    assert_true(trips_load_learned(after.trips, &in));
    assert_false(trips_correct(after.trips, h.last_id, CAUSE_FAULT, 5000, "Ada"));
    codec_out_free(&learned);
    tear_down(&h);
    tear_down(&after);
}

static void a_trip_that_is_over_can_be_corrected_after_a_restart(void **state)
{
    (void)state;
    struct house h, after;
    struct codec_out learned = {0};
    set_up(&h);
    overload(&h);
    feed(&h, 90, with(0));
    feed(&h, 60, quiet);
    trips_save_learned(h.trips, &learned);
    set_up(&after);
    struct codec_in in = {.at = learned.bytes, .end = learned.bytes + learned.length};
    assert_true(trips_load_learned(after.trips, &in));
    assert_true(trips_correct(after.trips, h.last_id, CAUSE_OPENED_BY_HAND, 5000, "Ada"));
    assert_int_equal(after.correction.computed, CAUSE_OVERLOAD);
    for (size_t cut = 0; cut < learned.length; cut += 499) { /* damage: refused, no crash */
        struct house d;
        set_up(&d);
        in = (struct codec_in){.at = learned.bytes, .end = learned.bytes + cut};
        trips_load_learned(d.trips, &in);
        feed(&d, 3, quiet);
        tear_down(&d);
    }
    codec_out_free(&learned);
    tear_down(&h);
    tear_down(&after);
}

static void a_trip_tells_what_the_breaker_was_like_before(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    feed(&h, 1200, quiet);
    feed(&h, 420, with(14.0F));
    feed(&h, 200, with(24.0F)); /* two more loads */
    feed(&h, 90, with(0));
    assert_int_equal(h.last.before_count, 3);
    const struct {
        double least, most, amps;
    } then[] = {{570, 630, 14.0}, {270, 330, 14.0}, {30, 90, 24.0}};
    for (size_t k = 0; k < 3; k++) {
        assert_in_range((int)h.before[k].seconds, (int)then[k].least, (int)then[k].most);
        assert_near(h.before[k].amps, then[k].amps, 0.01);
        assert_true(k == 0 || h.before[k].heat > h.before[k - 1].heat);
    }
    assert_true(h.before[2].chance > 0.2);
    tear_down(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_overload_is_provisional_at_once_then_confirmed_and_restored),
        cmocka_unit_test(a_load_that_ends_is_no_trip),
        cmocka_unit_test(a_reset_onto_the_fault_is_opened_again),
        cmocka_unit_test(a_feeder_takes_its_branches_and_gets_its_own_trip),
        cmocka_unit_test(a_two_pole_breaker_falls_with_both),
        cmocka_unit_test(readings_that_are_lost_are_no_fall),
        cmocka_unit_test(an_open_trip_survives_a_restart_and_is_restored_after_it),
        cmocka_unit_test(nothing_is_invented_about_the_time_the_gateway_was_away),
        cmocka_unit_test(what_a_person_says_is_kept_beside_what_was_computed),
        cmocka_unit_test(a_trip_that_is_over_can_be_corrected_after_a_restart),
        cmocka_unit_test(a_trip_tells_what_the_breaker_was_like_before),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
