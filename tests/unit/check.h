/*
 * check - cmocka with its prerequisites, and the comparisons that the tests here share.
 */
#ifndef FORETRIP_TEST_CHECK_H
#define FORETRIP_TEST_CHECK_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

/* |a - b| <= tolerance, saying all three when not */
#define assert_near(a, b, tolerance)                                                           \
    do {                                                                                       \
        double a_ = (a), b_ = (b), t_ = (tolerance);                                           \
        if (!(fabs(a_ - b_) <= t_))                                                            \
            fail_msg("%s is %.12g, wanted %.12g within %g", #a, a_, b_, t_);                   \
    } while (0)

#endif
