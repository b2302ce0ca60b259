/* trips_review: a fall that is over, in the light of what was learned since. The meter reads
 * exactly nothing when a supply is lost and 20 mA when the hall's loads are off. */
#include "check.h"

#include "trips_rig.h"

#include <stdlib.h>

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

/* Another gateway takes up what was saved of that one, and the bath opens: the hall's fall is
 * seen in another light. */
static void goes_on_elsewhere(const struct house *h, const struct codec_out *running,
                              const struct codec_out *learned, struct house *after)
{
    set_up(after);
    struct codec_in in = {.at = running->bytes, .end = running->bytes + running->length};
    assert_true(trips_load(after->trips, &in));
    in = (struct codec_in){.at = learned->bytes, .end = learned->bytes + learned->length};
    assert_true(trips_load_learned(after->trips, &in));
    after->second = h->second;
    bath_opens(after);
    assert_int_equal(after->last_circuit, 0);
    assert_true(after->last.afterwards);
    assert_true(after->last.probability > 0.9);
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
    goes_on_elsewhere(&h, &running, &learned, &after);
    assert_true(after.last.evidence_count > 3);
    assert_int_equal(after.restored, 2);
    for (size_t cut = 0; cut < learned.length; cut += 211) { /* damage: refused, no crash */
        struct house d;
        set_up(&d);
        struct codec_in in = {.at = learned.bytes, .end = learned.bytes + cut};
        trips_load_learned(d.trips, &in);
        feed(&d, 3, quiet);
        tear_down(&d);
    }
    codec_out_free(&running);
    codec_out_free(&learned);
    tear_down(&h);
    tear_down(&after);
}

/* The hall's fall of a_restart_forgets_no_doubt as the fifth version of a case was written,
 * without what has come since: reset_at_once and how worn the breaker was. */
static const char fifth_version[] =
    "0400000068616c6c050000000101010207b05b1a6d9637c53fb05b1a6d9637c53f1500000068616c6c2d"
    "3230323630333031543135343535305a18d7970000000000b0cb13aa9c01000018d79700000000000500"
    "0000000000000000f03f000000000000f03f000000000000124000000000000000000200000000000000"
    "00dc9540000000400ad707400000000000d88540000000000000f83f000000000000f83f0000000000e0"
    "8540000000000000f0bf0000000000003e402e5fa469000000001ce82c0f9186b13f0000000000000000"
    "f4af1c22345a493000000000000012400000000000002e40000000000000000000000000000000000000"
    "000000e09540000000005955bd3f00000000000000008403000000000000000000000500000000ec0551"
    "3e000000003acd133e00000000ec05d13d000000003acd933d00000000ec05513d030000000000708240"
    "0000000000001240000000a03042af3f0000000000000000000000000020724000000000000012400000"
    "0000852eb13f000000000000000000000000000049400000000000001240000000203d7cb13f00000000"
    "00000000020000008559e109f84b0600000000400ad70740f06efea99c01000007000000756e6b6e6f77"
    "6e000000000000f03f0086809a33f84b0600000000000000f83f501d09aa9c01000007000000756e6b6e"
    "6f776e000000000000f03f000000000000000000000000000000000000000000208c4000000000000008"
    "40000000000000084002b3618a5f16dbf9bf944dd33c1ffb1ac006db6e41affdf53fed9bbac50d68e9bf"
    "583dbd0fd4fded3f499224490ec3903f3d7f0ae654f68431000000000000000000000000000000000000"
    "000000000000000000000000000000000000000000005e410a21e8f8ba3f000000000000000000000000"
    "0000000091101b8ea83cf73fb95ca84014eedd3f0000000000000000c059189fb198dd3f000000000000"
    "0000000000000000000008110000006f70656e696e67735f6172655f72617265944dd33c1ffb1ac01918"
    "18181818b83f0e0000006c6f6164735f76616e6973686564a1ec345ad321f33f00000000000000400e00"
    "0000636172726965645f6265666f7265cb63a02c9842c0bf0000000000e095400b000000757375616c5f"
    "66616c6c739bf1d76fb2fee13fbbf506f91f8a2c400c0000006f6e5f7468655f636c6f636b36f0402e59"
    "66bd3f00000000007ca5400c00000063757272656e745f6c6566748a9589854135fe3f00000000000000"
    "00090000007374696c6c6e657373fb1a49000f47f43f00000000000000000f00000063616d655f626163"
    "6b5f6166746572bf0f1aeaf473c93f0000000000208c40";

/* All that was learned, the doubt as the fifth version wrote it. */
static void learned_long_ago(const struct codec_out *learned, struct codec_out *old)
{
    struct codec_in in = {.at = learned->bytes + 4, .end = learned->bytes + learned->length};
    struct codec_in section;
    uint32_t tag;
    size_t doubts = 0;
    codec_put_bytes(old, learned->bytes, 4);
    while (codec_next(&in, &tag, &section)) {
        size_t begun = codec_begin(old, tag);
        if (tag != 4)
            codec_put_bytes(old, section.at, (size_t)(section.end - section.at));
        for (const char *c = fifth_version; tag == 4 && *c; c += 2)
            codec_put_u8(old, (uint8_t)strtoul((const char[]){c[0], c[1], '\0'}, NULL, 16));
        doubts += tag == 4;
        codec_end(old, begun);
    }
    assert_int_equal(doubts, 1);
}

static void a_doubt_of_an_older_program_is_taken_up(void **state)
{
    (void)state;
    struct house h, after;
    struct codec_out running = {0}, learned = {0}, old = {0};
    set_up(&h);
    ends(&h, 6);
    hall_falls(&h, 0.0F);
    trips_save(h.trips, &running);
    trips_save_learned(h.trips, &learned);
    learned_long_ago(&learned, &old);
    assert_true(old.length < learned.length); /* it knew less */
    goes_on_elsewhere(&h, &running, &old, &after);
    codec_out_free(&running);
    codec_out_free(&learned);
    codec_out_free(&old);
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
        cmocka_unit_test(a_doubt_of_an_older_program_is_taken_up),
        cmocka_unit_test(what_is_long_past_rests),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
