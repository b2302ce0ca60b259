/* what a circuit has learned of its loads, and a clock that was wrong meanwhile */
#include "check.h"

#include "analysis/learned.h"
#include "analysis/loads.h"

#include <math.h>

#define NOW INT64_C(1795603200000) /* 2026-11-25 */
#define YEAR_MS (INT64_C(365) * 86400000)

/* one of the sizes 0, 1, 2 ..: each a load by itself */
static struct learned_load *run(struct learned *l, int size, int64_t wall_ms)
{
    float amps = 0.2F * powf(1.6F, (float)(size % 12));
    const struct run_shape s = {.first = amps,
                                .last = amps,
                                .inrush = amps * (size < 12 ? 1.0F : 6.0F),
                                .on_seconds = 300,
                                .ripple = -1};
    return learned_take(l, &s, wall_ms, 0);
}

static void fill(struct learned *l)
{
    for (int k = 0; k < 40; k++)
        for (int size = 0; size < LEARNED_MAX; size++)
            assert_non_null(run(l, size, NOW + (k * LEARNED_MAX + size) * INT64_C(600000)));
    for (int i = 0; i < LEARNED_MAX; i++)
        assert_true(l->loads[i].id != 0); /* no place is free */
}

static void check_finite(const struct learned *l)
{
    for (int i = 0; i < LEARNED_MAX; i++) {
        const struct learned_load *c = &l->loads[i];
        assert_true(isfinite(c->runs) && isfinite(c->lately) && isfinite(c->gap.mean));
        assert_true(c->runs <= 100);
    }
}

/* a box without a clock of its own starts in 1970 until the network tells it better */
static void a_clock_in_the_past_finds_a_place_and_spoils_nothing(void **state)
{
    struct learned l = {0};
    (void)state;
    fill(&l);
    for (int size = 0; size < LEARNED_MAX; size++) /* known ones, years before they were last */
        run(&l, size, NOW - 50 * YEAR_MS);
    check_finite(&l);
    const struct run_shape stranger = {
        .first = 77, .last = 77, .inrush = 77, .on_seconds = 9000, .ripple = -1};
    fill(&l);
    assert_non_null(learned_take(&l, &stranger, NOW - 50 * YEAR_MS, 0)); /* no place was free */
    check_finite(&l);
}

static void what_is_seldom_and_long_ago_makes_room(void **state)
{
    struct learned l = {0};
    (void)state;
    fill(&l);
    l.loads[7].runs = 1;
    l.loads[7].last_wall_ms = NOW - YEAR_MS;
    const struct run_shape stranger = {
        .first = 77, .last = 77, .inrush = 77, .on_seconds = 9000, .ripple = -1};
    assert_ptr_equal(learned_take(&l, &stranger, NOW + YEAR_MS / 12, 0), &l.loads[7]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_clock_in_the_past_finds_a_place_and_spoils_nothing),
        cmocka_unit_test(what_is_seldom_and_long_ago_makes_room),
    };
    return cmocka_run_group_tests_name("learned", tests, NULL, NULL);
}
