/* stillness: what is read at nothing, with the supply lost and with the loads off */
#include "check.h"

#include "analysis/stillness.h"

#include <math.h>

#define DEAD_AMPS 0.006 /* a meter's own noise */
#define IDLE_AMPS 0.020 /* and what stands by beside it */

static double ratio(const struct stillness *lost, const struct stillness *off, double rms,
                    int polls)
{
    struct stillness elsewhere = {0};
    struct stillness_known k = {lost, off, &elsewhere};
    return stillness_log_ratio(&k, rms, polls);
}

static struct stillness times(int n, double rms)
{
    struct stillness s = {0};
    for (int k = 0; k < n; k++)
        stillness_learn(&s, rms * (1.0 + 0.01 * (k % 3 - 1)), 900);
    return s;
}

static void nothing_known_says_nothing(void **state)
{
    struct stillness none = {0};
    (void)state;
    assert_true(fabs(ratio(&none, &none, DEAD_AMPS, 900)) < 1e-12);
}

static void few_readings_say_nothing(void **state)
{
    struct stillness lost = times(5, DEAD_AMPS), off = times(20, IDLE_AMPS), few = {0};
    (void)state;
    assert_true(fabs(ratio(&lost, &off, DEAD_AMPS, STILLNESS_LEAST_POLLS - 1)) < 1e-12);
    stillness_learn(&few, DEAD_AMPS, STILLNESS_LEAST_POLLS - 1);
    assert_int_equal(few.count, 0);
}

static void it_tells_the_two_apart(void **state)
{
    struct stillness lost = times(5, DEAD_AMPS), off = times(20, IDLE_AMPS);
    (void)state;
    assert_true(ratio(&lost, &off, DEAD_AMPS, 900) > 2.0);
    assert_true(ratio(&lost, &off, IDLE_AMPS, 900) < -1.5); /* it may be back unseen */
    /* fewer readings are less sure */
    double close_to = 1.3 * DEAD_AMPS;
    assert_true(ratio(&lost, &off, close_to, 900) < ratio(&lost, &off, close_to, 60));
}

static void where_both_look_alike_it_says_little(void **state)
{
    struct stillness lost = times(20, DEAD_AMPS), off = times(20, DEAD_AMPS);
    (void)state;
    assert_true(fabs(ratio(&lost, &off, DEAD_AMPS, 900)) < 0.2);
    /* also for a meter that reads nothing at all as zero */
    lost = off = times(20, 0.0);
    assert_true(fabs(ratio(&lost, &off, 0.0, 900)) < 0.2);
}

/* What was never read while its loads were off speaks for a lost supply, but not for certain.
 */
static void with_one_known_the_other_may_be_like_it(void **state)
{
    struct stillness none = {0}, off = times(32, IDLE_AMPS);
    (void)state;
    double unlike = ratio(&none, &off, DEAD_AMPS, 900),
           like = ratio(&none, &off, IDLE_AMPS, 900);
    assert_true(unlike > 0.5 && unlike < 5.0);
    assert_true(like < 0.0 && like > -1.5);
}

static void a_level_of_another_circuit_is_no_news(void **state)
{
    struct stillness lost = {0}, off = times(32, IDLE_AMPS), clean = times(10, 1.3 * DEAD_AMPS);
    struct stillness none = {0};
    struct stillness_known without = {&lost, &off, &none}, with = {&lost, &off, &clean};
    (void)state;
    assert_true(stillness_log_ratio(&with, 1.3 * DEAD_AMPS, 900) <
                stillness_log_ratio(&without, 1.3 * DEAD_AMPS, 900) - 1.0);
}

static void it_comes_back_from_its_bytes(void **state)
{
    struct stillness s = times(40, IDLE_AMPS), back = {0};
    struct codec_out out = {0};
    (void)state;
    stillness_save(&s, &out);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(stillness_load(&back, &in));
    assert_memory_equal(&s, &back, sizeof s);
    out.bytes[7] = 0xff; /* a level that is no number */
    out.bytes[6] = 0xff;
    in = (struct codec_in){.at = out.bytes, .end = out.bytes + out.length};
    assert_false(stillness_load(&back, &in));
    assert_int_equal(back.count, 0);
    codec_out_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_known_says_nothing),
        cmocka_unit_test(few_readings_say_nothing),
        cmocka_unit_test(it_tells_the_two_apart),
        cmocka_unit_test(where_both_look_alike_it_says_little),
        cmocka_unit_test(with_one_known_the_other_may_be_like_it),
        cmocka_unit_test(a_level_of_another_circuit_is_no_news),
        cmocka_unit_test(it_comes_back_from_its_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
