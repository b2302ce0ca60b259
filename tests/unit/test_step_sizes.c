/* step_sizes: what a circuit steps by is known again, and nothing else */
#include "check.h"

#include "analysis/step_sizes.h"

static void a_size_is_known_again_to_a_few_hundredths(void **state)
{
    struct step_sizes s = {0};
    (void)state;
    for (int k = 0; k < 5; k++)
        step_sizes_down(&s, 8.7, 1.0);
    step_sizes_up(&s, 8.7, 0.5);
    const struct {
        double amps, least, most;
    } cases[] = {
        {8.7, 4.0, 5.0}, {8.8, 2.5, 5.0}, {8.0, 0.0, 0.1}, {9.5, 0.0, 0.1}, {0.3, 0.0, 0.0}};
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        double like = step_sizes_downs_like(&s, cases[k].amps);
        if (like < cases[k].least || like > cases[k].most)
            fail_msg("%g A is like %g steps", cases[k].amps, like);
    }
    assert_true(step_sizes_ups_like(&s, 8.7) > 0.3 && step_sizes_ups_like(&s, 8.7) <= 0.5);
}

static void small_sizes_are_as_coarse_as_the_meter(void **state)
{
    struct step_sizes s = {0};
    (void)state;
    step_sizes_down(&s, 0.20, 1.0);
    assert_true(step_sizes_downs_like(&s, 0.21) > 0.4); /* a meter's step off */
    assert_true(step_sizes_downs_like(&s, 0.26) < 0.05);
    step_sizes_down(&s, 0.05, 1.0); /* wandering */
    step_sizes_down(&s, 500.0, 1.0);
    step_sizes_down(&s, 1000.0, 1.0); /* the largest there is, however large */
    assert_true(step_sizes_downs_like(&s, 100.0) > 0.0);
}

static void what_is_old_fades(void **state)
{
    struct step_sizes s = {0};
    (void)state;
    step_sizes_up(&s, 2.0, 4.0);
    double before = step_sizes_ups_like(&s, 2.0);
    step_sizes_fade(&s, 0.5F);
    assert_near(step_sizes_ups_like(&s, 2.0), before / 2.0, 1e-6);
}

static void state_goes_there_and_back_and_damage_is_told(void **state)
{
    struct step_sizes s = {0}, back;
    struct codec_out out = {0};
    (void)state;
    step_sizes_down(&s, 3.3, 2.0);
    step_sizes_up(&s, 0.4, 1.0);
    step_sizes_save(&s, &out);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(step_sizes_load(&back, &in));
    assert_memory_equal(&s, &back, sizeof s);
    for (size_t cut = 0; cut < out.length; cut += 101) {
        in = (struct codec_in){.at = out.bytes, .end = out.bytes + cut};
        assert_false(step_sizes_load(&back, &in));
        assert_near(step_sizes_downs_like(&back, 3.3), 0.0, 1e-12);
    }
    codec_out_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_size_is_known_again_to_a_few_hundredths),
        cmocka_unit_test(small_sizes_are_as_coarse_as_the_meter),
        cmocka_unit_test(what_is_old_fades),
        cmocka_unit_test(state_goes_there_and_back_and_damage_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
