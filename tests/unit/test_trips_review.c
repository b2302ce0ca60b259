/* trips_review: a fall that is over, in the light of what was learned since. The meter reads
 * exactly nothing when a supply is lost and 20 mA when the hall's loads are off. */
#include "check.h"

#include "trips_rig.h"

static double judged; /* what the hall's newest fall was taken for when it was over */

static void note(void *context, const struct trips_judgement *j)
{
    (void)context;
    if (j->circuit == 0 && strcmp(j->moment, "back") == 0)
        judged = j->probability;
}

static void set_up_observed(struct house *h)
{
    set_up(h);
    trips_observe(h->trips, note, NULL);
}

/* The hall's load ends again and again, and what stands by is left. */
static void ends(struct house *h, int times)
{
    for (int k = 0; k < times; k++) {
        feed(h, 700 + 90 * k, with(3.0F));
        feed(h, 500, with(0.02F));
    }
}

/* The hall loses two loads in one second and reads so for a quarter of an hour. */
static void hall_falls(struct house *h, float reads)
{
    feed(h, 700, with(3.0F));
    feed(h, 700, with(4.5F));
    feed(h, 900, with(reads));
    feed(h, 20, with(3.0F));
}

/* A breaker opens under twice its rating and with three loads that began apart: nobody can
 * doubt that. */
static void bath_opens(struct house *h)
{
    struct amps a = with(3.0F);
    for (int k = 0; k < 3; k++) {
        a.bath += 2.5F;
        feed(h, 2000, a);
    }
    a.bath = 15.1F;
    feed(h, 40, a);
    a.bath = 29.6F;
    feed(h, 60, a);
    a.bath = 0.0F;
    feed(h, 900, a);
    feed(h, 4000, with(3.0F)); /* they are looked at every hour */
}

static void an_opening_that_nobody_saw_is_told_afterwards(void **state)
{
    (void)state;
    struct house h;
    set_up_observed(&h);
    ends(&h, 6);
    hall_falls(&h, 0.0F);
    int64_t back_wall_ms = h.frame->wall_ms - 20000;
    assert_in_range((int)(1000.0 * judged), 10, 490);
    size_t said = h.said[TRIP_PROVISIONAL] + h.said[TRIP_CONFIRMED], restored = h.restored;
    assert_int_equal(restored, 0);
    bath_opens(&h);
    assert_int_equal(h.last_circuit, 0);
    assert_true(h.last.afterwards);
    assert_true(h.last.probability > 0.9);
    assert_int_equal(h.last.stage, TRIP_CONFIRMED);
    assert_true(h.last.opened_wall_ms < back_wall_ms - 800000);
    assert_true(h.said[TRIP_PROVISIONAL] + h.said[TRIP_CONFIRMED] > said);
    assert_int_equal(h.restored, 2); /* the bath's, and this one's, */
    assert_in_range(h.restored_wall_ms, back_wall_ms - 1000,
                    back_wall_ms + 1000); /* as it was */
    assert_false(trips_cut(h.trips)[0]);
    said = h.said[TRIP_CONFIRMED];
    feed(&h, 8000, with(3.0F));
    assert_int_equal(h.said[TRIP_CONFIRMED], said); /* once */
    assert_true(trips_correct(h.trips, h.last_id, CAUSE_OPENED_BY_HAND, 5000, "Ada"));
    tear_down(&h);
}

static void what_ended_with_its_loads_stays_so(void **state)
{
    (void)state;
    struct house h;
    set_up_observed(&h);
    ends(&h, 6);
    hall_falls(&h, 0.02F);
    bath_opens(&h);
    assert_int_equal(h.last_circuit, 1);
    assert_false(h.last.afterwards);
    assert_int_equal(h.restored, 1);
    tear_down(&h);
}

static void a_restart_forgets_no_doubt(void **state)
{
    (void)state;
    struct house h, after;
    struct codec_out running = {0}, learned = {0};
    set_up_observed(&h);
    ends(&h, 6);
    hall_falls(&h, 0.0F);
    trips_save(h.trips, &running);
    trips_save_learned(h.trips, &learned);
    set_up(&after);
    struct codec_in in = {.at = running.bytes, .end = running.bytes + running.length};
    assert_true(trips_load(after.trips, &in));
    in = (struct codec_in){.at = learned.bytes, .end = learned.bytes + learned.length};
    assert_true(trips_load_learned(after.trips, &in));
    after.second = h.second;
    bath_opens(&after);
    assert_int_equal(after.last_circuit, 0);
    assert_true(after.last.afterwards);
    assert_true(after.last.probability > 0.9);
    assert_true(after.last.evidence_count > 3);
    assert_int_equal(after.restored, 2);
    for (size_t cut = 0; cut < learned.length; cut += 211) { /* damage: refused, no crash */
        struct house d;
        set_up(&d);
        in = (struct codec_in){.at = learned.bytes, .end = learned.bytes + cut};
        trips_load_learned(d.trips, &in);
        feed(&d, 3, quiet);
        tear_down(&d);
    }
    codec_out_free(&running);
    codec_out_free(&learned);
    tear_down(&h);
    tear_down(&after);
}

/* After two weeks nobody asks any more. */
static void what_is_long_past_rests(void **state)
{
    (void)state;
    struct house h;
    set_up_observed(&h);
    ends(&h, 6);
    hall_falls(&h, 0.0F);
    h.second += 15LL * 86400; /* the gateway was away */
    feed(&h, 100, with(3.0F));
    bath_opens(&h);
    assert_int_equal(h.last_circuit, 1);
    assert_false(h.last.afterwards);
    tear_down(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_opening_that_nobody_saw_is_told_afterwards),
        cmocka_unit_test(what_ended_with_its_loads_stays_so),
        cmocka_unit_test(a_restart_forgets_no_doubt),
        cmocka_unit_test(what_is_long_past_rests),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
