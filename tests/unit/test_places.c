/* the places of those that serve the page: each has a reader and a pulse of its own */
#include "check.h"

#include "base/log.h"
#include "web/places.h"

#define PATIENCE_MS 10000
#define ROUND_MS 1000

static int set_up(void **state)
{
    struct places *s = calloc(1, sizeof *s);
    if (!s || !places_open(s, "/nonexistent/foretrip.db", PATIENCE_MS))
        return -1;
    log_set_level(LOG_LEVEL_ERROR);
    *state = s;
    return 0;
}

static int tear_down(void **state)
{
    places_close(*state);
    free(*state);
    return 0;
}

static void each_place_is_given_to_one(void **state)
{
    struct places *s = *state;
    struct place *taken[SERVER_THREADS];
    for (int i = 0; i < SERVER_THREADS; i++) {
        assert_non_null(taken[i] = places_take(s));
        assert_non_null(taken[i]->reader);
        for (int k = 0; k < i; k++)
            assert_true(taken[i] != taken[k] && taken[i]->reader != taken[k]->reader);
    }
    assert_null(places_take(s));
    places_leave(s, taken[0]);
    assert_ptr_equal(places_take(s), taken[0]);
    for (int i = 0; i < SERVER_THREADS; i++)
        places_leave(s, taken[i]);
}

/* One hangs in its answer; the other answers request after request, which must not pass for a
 * sign of life of the first. */
static void one_that_is_stuck_is_seen_while_the_others_serve(void **state)
{
    struct places *s = *state;
    struct vigil v = {0};
    const struct pulse *who = NULL;
    size_t stuck = 0;
    for (int i = 0; i < SERVER_THREADS; i++)
        assert_true(vigil_add(&v, &s->of[i].pulse));
    struct place *hangs = places_take(s);
    for (int64_t ms = ROUND_MS; ms < 3 * PATIENCE_MS; ms += ROUND_MS) {
        struct place *other = places_take(s);
        assert_true(other && other != hangs);
        stuck = vigil_round(&v, ms, &who);
        places_leave(s, other);
    }
    assert_int_equal(stuck, 1);
    assert_ptr_equal(who, &hangs->pulse);
    places_leave(s, hangs);
    assert_int_equal(vigil_round(&v, 4 * PATIENCE_MS, NULL), 0);
}

#define CASE(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        CASE(each_place_is_given_to_one),
        CASE(one_that_is_stuck_is_seen_while_the_others_serve),
    };
    return cmocka_run_group_tests_name("places", tests, NULL, NULL);
}
