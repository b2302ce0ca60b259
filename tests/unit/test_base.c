/* base: texts, clocks as text, the codec */
#include "check.h"

#include "base/clock.h"
#include "base/codec.h"
#include "base/text.h"

static void text_grows_and_stays_terminated(void **state)
{
    struct text t = TEXT_INIT;
    (void)state;
    assert_string_equal(text_get(&t), "");
    for (int i = 0; i < 1000; i++)
        text_printf(&t, "%d,", i);
    assert_int_equal(t.length, 3890);
    assert_string_equal(t.bytes + t.length - 4, "999,");
    text_clear(&t);
    assert_string_equal(text_get(&t), "");
    text_free(&t);
}

static void distance_counts_edits_and_swaps(void **state)
{
    (void)state;
    assert_int_equal(text_distance("breaker_amps", "breaker_amps"), 0);
    assert_int_equal(text_distance("braeker_amps", "breaker_amps"), 1);
    assert_int_equal(text_distance("breaker_amp", "breaker_amps"), 1);
    assert_int_equal(text_distance("poles", "roles"), 1);
    assert_int_equal(text_distance("", "abc"), 3);
}

static void times_are_written_and_read_back(void **state)
{
    /* RFC 3339 section 5.8 gives these four as examples */
    static const struct {
        const char *text;
        int64_t wall_ms;
    } cases[] = {
        {"1985-04-12T23:20:50.52Z", 482196050520},
        {"1996-12-19T16:39:57-08:00", 851042397000},
        {"1990-12-31T23:59:60Z", 662688000000},
        {"1937-01-01T12:00:27.87+00:20", -1}, /* before 1970: refused */
        {"1767225600", 1767225600000},
        {"1767225600.25", 1767225600250},
        {"2026-01-01T00:00:00Z", 1767225600000},
        {"2026-02-29T00:00:00Z", -1},
        {"2026-01-01T24:00:00Z", -1},
        {"2026-01-01T00:00:00", -1},
        {"", -1},
        {"-5", -1},
        {"1e9", -1},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        int64_t v = -1;
        bool ok = clock_parse(cases[i].text, strlen(cases[i].text), &v);
        assert_int_equal(ok, cases[i].wall_ms >= 0);
        assert_int_equal(v, cases[i].wall_ms);
    }
    char out[CLOCK_RFC3339_SIZE], compact[CLOCK_COMPACT_SIZE];
    for (int64_t ms = 1; ms < 250000000000000; ms = ms * 7 + 13) {
        int64_t back;
        clock_format_rfc3339(ms, out);
        assert_true(clock_parse(out, strlen(out), &back));
        assert_int_equal(back, ms);
    }
    clock_format_compact(1767225600000, compact);
    assert_string_equal(compact, "20260101T000000Z");
}

static void local_offset_follows_daylight_saving(void **state)
{
    (void)state;
    /* 2026-01-15 and 2026-07-15 12:00 UTC: CST is UTC-6, CDT UTC-5 (IANA time zone database) */
    assert_int_equal(clock_utc_offset_seconds("America/Chicago", 1768478400000), -21600);
    assert_int_equal(clock_utc_offset_seconds("America/Chicago", 1784116800000), -18000);
    assert_int_equal(clock_utc_offset_seconds("UTC", 1784116800000), 0);
    assert_false(clock_zone_known("Mars/Olympus"));
    assert_false(clock_zone_known("America"));  /* a folder of zones */
    assert_false(clock_zone_known("zone.tab")); /* a table of them */
    assert_false(clock_zone_known("../../etc/passwd"));
}

static void state_comes_back_and_damage_is_noticed(void **state)
{
    struct codec_out o = {0};
    (void)state;
    size_t s = codec_begin(&o, 7);
    codec_put_string(&o, "main-07");
    codec_put_f64(&o, 0.25);
    codec_put_i64(&o, -3);
    codec_end(&o, s);
    s = codec_begin(&o, 8);
    codec_put_u8(&o, 1);
    codec_end(&o, s);

    struct codec_in in = {o.bytes, o.bytes + o.length, false}, section;
    uint32_t tag;
    char id[16];
    assert_true(codec_next(&in, &tag, &section));
    assert_int_equal(tag, 7);
    codec_get_string(&section, id, sizeof id);
    assert_string_equal(id, "main-07");
    assert_true(codec_get_f64(&section) == 0.25);
    assert_int_equal(codec_get_i64(&section), -3);
    assert_false(section.failed);
    assert_int_equal(codec_get_u8(&section), 0); /* past its end */
    assert_true(section.failed);
    assert_true(codec_next(&in, &tag, &section));
    assert_false(codec_next(&in, &tag, &section));
    assert_false(in.failed);

    for (size_t cut = 1; cut < o.length; cut++) { /* a cut never reads past the end */
        struct codec_in part = {o.bytes, o.bytes + cut, false};
        while (codec_next(&part, &tag, &section))
            ;
    }
    codec_out_free(&o);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(text_grows_and_stays_terminated),
        cmocka_unit_test(distance_counts_edits_and_swaps),
        cmocka_unit_test(times_are_written_and_read_back),
        cmocka_unit_test(local_offset_follows_daylight_saving),
        cmocka_unit_test(state_comes_back_and_damage_is_noticed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
