/* joins: of the openings that were expected of joining loads, how many came */
#include "check.h"

#include "analysis/joins.h"

#define RATE 0.001 /* one in a thousand seconds */

/* expects `count` openings, looked at every 10 s */
static void expect(struct joins *j, double count)
{
    joins_look(j, 0, RATE);
    for (double at = 0.0; at < count; at += 10.0 * RATE)
        joins_look(j, 10000, RATE);
}

static void open_after(struct joins *j, int64_t ms)
{
    joins_rose(j, 1767225600000);
    joins_opened(j, 1767225600000 + ms);
}

static void an_unknown_circuit_brings_a_part_of_what_is_expected(void **state)
{
    struct joins j = {0};
    (void)state;
    assert_near(joins_share(&j), JOINS_COME, 1e-12);
    assert_true(joins_empty(&j));
}

static void what_is_expected_and_never_comes_is_expected_less(void **state)
{
    struct joins j = {0};
    (void)state;
    expect(&j, 10.0);
    assert_near(joins_share(&j), 1.0 / (10.0 + 1.0 / JOINS_COME), 1e-3);
    expect(&j, 40.0); /* and is not forgotten, though only the newer half weighs */
    assert_true(joins_share(&j) < 0.08);
}

static void what_comes_as_expected_is_expected_as_it_is(void **state)
{
    struct joins j = {0};
    (void)state;
    for (int n = 0; n < 60; n++) {
        expect(&j, 1.0);
        open_after(&j, 20000);
    }
    assert_true(joins_share(&j) > 0.75 && joins_share(&j) < 1.1);
}

static void only_an_opening_soon_after_a_rise_came_of_it(void **state)
{
    struct joins j = {0};
    (void)state;
    joins_opened(&j, 1767225600000); /* no rise was seen */
    assert_near(joins_share(&j), JOINS_COME, 1e-12);
    open_after(&j, JOINS_LATEST_MS + 1);
    open_after(&j, -1000);
    assert_near(joins_share(&j), JOINS_COME, 1e-12);
    open_after(&j, JOINS_LATEST_MS);
    assert_near(joins_share(&j), 2.0 * JOINS_COME, 1e-6);
    joins_opened(&j, 1767225600000 + 1000); /* the same rise opens once */
    assert_near(joins_share(&j), 2.0 * JOINS_COME, 1e-6);
}

static void it_survives_a_restart_and_damage_changes_nothing(void **state)
{
    struct joins j = {0}, again = {0};
    (void)state;
    expect(&j, 5.0);
    open_after(&j, 1000);
    struct codec_out out = {0};
    joins_save(&j, &out);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(joins_load(&again, &in));
    assert_true(joins_share(&again) == joins_share(&j) && !joins_empty(&again));
    struct codec_in cut = {.at = out.bytes, .end = out.bytes + out.length - 1};
    assert_false(joins_load(&again, &cut));
    out.bytes[3] |= 0x80; /* a negative count */
    struct codec_in negative = {.at = out.bytes, .end = out.bytes + out.length};
    assert_false(joins_load(&again, &negative));
    assert_true(joins_share(&again) == joins_share(&j));
    codec_out_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_unknown_circuit_brings_a_part_of_what_is_expected),
        cmocka_unit_test(what_is_expected_and_never_comes_is_expected_less),
        cmocka_unit_test(what_comes_as_expected_is_expected_as_it_is),
        cmocka_unit_test(only_an_opening_soon_after_a_rise_came_of_it),
        cmocka_unit_test(it_survives_a_restart_and_damage_changes_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
