/*
 * lanes - four floats side by side: what every frame does to every circuit, four at a time.
 *
 * The one place for the compiler's vector types (gcc and clang alike). Each lane computes what
 * a float alone would, to the last bit; only lanes_sum adds up across lanes. Arrays
 * are as long as lanes_padded says, and what lies behind their end must do no harm in a
 * comparison.
 */
#ifndef FORETRIP_LANES_H
#define FORETRIP_LANES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define LANES 4

typedef float lanes __attribute__((vector_size(LANES * sizeof(float))));
typedef int32_t lanes_mask __attribute__((vector_size(LANES * sizeof(int32_t)))); /* 0 or -1 */

static inline size_t lanes_padded(size_t count)
{
    return (count + LANES - 1) / LANES * LANES;
}

static inline lanes lanes_load(const float *from)
{
    lanes v;
    memcpy(&v, from, sizeof v);
    return v;
}

static inline void lanes_store(float *to, lanes v)
{
    memcpy(to, &v, sizeof v);
}

/* v where the mask is set, else +0 */
static inline lanes lanes_where(lanes_mask m, lanes v)
{
    return (lanes)((lanes_mask)v & m);
}

static inline lanes lanes_choose(lanes_mask m, lanes yes, lanes no)
{
    return (lanes)(((lanes_mask)yes & m) | ((lanes_mask)no & ~m));
}

/* where v is a number: set, where it is NaN: not */
static inline lanes_mask lanes_known(lanes v)
{
    return v == v; /* NOLINT(misc-redundant-expression) */
}

static inline lanes lanes_abs(lanes v)
{
    return (lanes)((lanes_mask)v & INT32_MAX);
}

static inline bool lanes_all(lanes_mask m)
{
    uint64_t halves[2];
    memcpy(halves, &m, sizeof halves);
    return (halves[0] & halves[1]) == UINT64_MAX;
}

/* Natural logarithm of positive normal numbers, to 2e-7 of the larger of 1 and the result: the
 * exponent, and the series of ln m = 2 atanh((m - 1) / (m + 1)) for m between 0.7 and 1.4. */
static inline lanes lanes_log(lanes v)
{
    lanes_mask bits = (lanes_mask)v, exponent = (bits - 0x3F3504F3) >> 23; /* of sqrt(1/2) */
    lanes m = (lanes)(bits - (exponent << 23));
    lanes s = (m - 1.0F) / (m + 1.0F), s2 = s * s;
    lanes series = 1.0F + s2 * (1.0F / 3 + s2 * (1.0F / 5 + s2 * (1.0F / 7 + s2 * (1.0F / 9))));
    return 0.693147181F * __builtin_convertvector(exponent, lanes) + 2.0F * s * series;
}

/* e^v, to 3e-7 of it; 0 for anything below -87, v < 88. */
static inline lanes lanes_exp(lanes v)
{
    lanes low = {-87.0F, -87.0F, -87.0F, -87.0F}, half = {0.5F, 0.5F, 0.5F, 0.5F};
    lanes_mask small = v < low, up = (v > 0.0F) & (lanes_mask)half;
    lanes x = lanes_choose(small, low, v);
    lanes turns = 1.44269504F * x;
    /* to the nearest whole power of two: halves away from zero, then cut */
    lanes_mask n = __builtin_convertvector(turns - half + 2.0F * (lanes)up, lanes_mask);
    lanes whole = __builtin_convertvector(n, lanes);
    lanes r = (x - 0.693359375F * whole) + 2.12194440e-4F * whole; /* ln 2 in two parts */
    lanes series =
        1.0F +
        r * (1.0F + r * (0.5F + r * (1.0F / 6 +
                                     r * (1.0F / 24 + r * (1.0F / 120 + r * (1.0F / 720))))));
    lanes_mask power = (n + 127) << 23;
    return lanes_where(~small, series * (lanes)power);
}

/* Sum of the four. */
static inline float lanes_sum(lanes v)
{
    return (v[0] + v[1]) + (v[2] + v[3]);
}

#endif
