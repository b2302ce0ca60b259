#include "check.h"

#include "base/log.h"
#include "base/pulse.h"
#include "base/text.h"

#include <stdlib.h>

#define PATIENCE_MS INT64_C(10000)
#define ROUND_MS 200

struct rig {
    struct pulse pulse;
    struct vigil vigil;
    struct text said;
    int64_t mono_ms;
};

static void hear(void *context, enum log_level level, const char *subsystem, const char *line)
{
    (void)level, (void)subsystem;
    text_printf(context, "%s\n", line);
}

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    if (!r)
        return -1;
    pulse_init(&r->pulse, "bus cellar", PATIENCE_MS);
    r->mono_ms = 1000000;
    log_to(hear, &r->said);
    vigil_add(&r->vigil, &r->pulse);
    *state = r;
    return 0;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    log_to(NULL, NULL);
    text_free(&r->said);
    free(r);
    return 0;
}

/* rounds for so long; how many were stuck in the last */
static size_t rounds(struct rig *r, int64_t ms, bool beats)
{
    size_t stuck = 0;
    for (int64_t end = r->mono_ms + ms; r->mono_ms < end;) {
        if (beats)
            pulse_beat(&r->pulse);
        stuck = vigil_round(&r->vigil, r->mono_ms += ROUND_MS, NULL);
    }
    return stuck;
}

static void who_beats_is_never_stuck(void **state)
{
    struct rig *r = *state;
    pulse_begin(&r->pulse);
    assert_int_equal(rounds(r, 100 * PATIENCE_MS, true), 0);
    assert_string_equal(text_get(&r->said), "");
}

static void who_falls_silent_is_stuck_after_its_patience_and_said_once(void **state)
{
    struct rig *r = *state;
    const struct pulse *who = NULL;
    pulse_begin(&r->pulse);
    rounds(r, ROUND_MS, true);
    assert_int_equal(rounds(r, PATIENCE_MS, false), 0);
    assert_int_equal(rounds(r, ROUND_MS, false), 1);
    rounds(r, PATIENCE_MS, false);
    assert_string_equal(text_get(&r->said),
                        "bus cellar has not stirred for 10 s: it is stuck\n");
    assert_int_equal(vigil_round(&r->vigil, r->mono_ms += ROUND_MS, &who), 1);
    assert_ptr_equal(who, &r->pulse);
    text_clear(&r->said);
    assert_int_equal(rounds(r, ROUND_MS, true), 0);
    assert_string_equal(text_get(&r->said), "bus cellar stirs again\n");
}

static void who_has_nothing_to_do_is_not_missed(void **state)
{
    struct rig *r = *state;
    assert_int_equal(rounds(r, 3 * PATIENCE_MS, false), 0); /* never began */
    pulse_begin(&r->pulse);
    pulse_end(&r->pulse);
    assert_int_equal(rounds(r, 3 * PATIENCE_MS, false), 0);
    pulse_begin(&r->pulse); /* of two, one hangs */
    pulse_begin(&r->pulse);
    pulse_end(&r->pulse);
    assert_int_equal(rounds(r, 2 * PATIENCE_MS, false), 1);
    pulse_end(&r->pulse);
    assert_int_equal(rounds(r, ROUND_MS, false), 0);
}

static void a_suspended_machine_has_nobody_stuck(void **state)
{
    struct rig *r = *state;
    pulse_begin(&r->pulse);
    rounds(r, ROUND_MS, true);
    for (int i = 0; i < 4; i++) /* a night each, and no time between for anybody to beat */
        assert_int_equal(vigil_round(&r->vigil, r->mono_ms += 8 * 3600000, NULL), 0);
    assert_int_equal(rounds(r, ROUND_MS, true), 0);
}

static void a_part_that_is_not_there_is_left_out_and_too_many_are_said(void **state)
{
    struct rig *r = *state;
    assert_true(vigil_add(&r->vigil, NULL));
    assert_int_equal(r->vigil.count, 1);
    while (r->vigil.count < VIGIL_MOST)
        assert_true(vigil_add(&r->vigil, &r->pulse));
    assert_false(vigil_add(&r->vigil, &r->pulse));
}

#define CASE(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        CASE(who_beats_is_never_stuck),
        CASE(who_falls_silent_is_stuck_after_its_patience_and_said_once),
        CASE(who_has_nothing_to_do_is_not_missed),
        CASE(a_suspended_machine_has_nobody_stuck),
        CASE(a_part_that_is_not_there_is_left_out_and_too_many_are_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
