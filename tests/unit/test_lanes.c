/* The functions of four floats against those of the C library. */
#include "base/lanes.h"

#include "check.h"

#include <math.h>

static void assert_within(double is, double should, double most)
{
    if (!(fabs(is - should) <= most * fmax(1.0, fabs(should))))
        fail_msg("%.9g instead of %.9g", is, should);
}

static void the_logarithm_is_that_of_the_library(void **state)
{
    (void)state;
    for (double x = 1.3e-38; x < 3e38; x *= 1.0007) {
        lanes v = {(float)x, 1.0F, (float)x, (float)x};
        lanes ln = lanes_log(v);
        for (int k = 0; k < LANES; k++)
            assert_within((double)ln[k], log((double)v[k]), 2e-7);
    }
    assert_true(lanes_log((lanes){1.0F, 1.0F, 1.0F, 1.0F})[0] == 0.0F);
    assert_true(lanes_log((lanes){0})[0] < -80.0F); /* nothing is far below everything */
}

static void the_exponential_is_that_of_the_library(void **state)
{
    (void)state;
    for (double x = -86.9; x < 86.9; x += 0.00137) {
        lanes v = {(float)x, 0.0F, (float)-fabs(x), (float)x};
        lanes e = lanes_exp(v);
        for (int k = 0; k < LANES; k++) {
            double should = exp((double)v[k]);
            if (!(fabs((double)e[k] - should) <= 3e-7 * should))
                fail_msg("e^%.9g is %.9g instead of %.9g", (double)v[k], (double)e[k], should);
        }
    }
    assert_true(lanes_exp((lanes){0})[0] == 1.0F);
    assert_true(lanes_exp((lanes){-1e6F, -INFINITY, -88.0F, 0.0F})[0] == 0.0F);
    assert_true(lanes_exp((lanes){-1e6F, -INFINITY, -88.0F, 0.0F})[1] == 0.0F);
}

static void a_sum_is_of_all_four(void **state)
{
    (void)state;
    assert_true(lanes_sum((lanes){1.0F, 2.0F, 4.0F, 8.0F}) == 15.0F);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_logarithm_is_that_of_the_library),
        cmocka_unit_test(the_exponential_is_that_of_the_library),
        cmocka_unit_test(a_sum_is_of_all_four),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
