/* How long the plan for the legs takes, and up to how many breakers it is known to be the best:
 * made-up panels of independent loads, three thousand quarters each. */
#include "analysis/balance.h"
#include "base/clock.h"

#include <complex.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PANELS 5
#define QUARTERS 3000

static double chance(uint64_t *state) /* SplitMix64 */
{
    uint64_t z = (*state += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return (double)((z ^ (z >> 31)) >> 11) / 9007199254740992.0;
}

/* each breaker with a load of its own size that is on at random */
static double make(double *q, size_t n, int legs, uint64_t *state)
{
    size_t m = n + 1;
    double complex way[BALANCE_MOST + 1], d[BALANCE_MOST + 1];
    double on[BALANCE_MOST + 1], amps[BALANCE_MOST + 1], whole = 0.0;
    memset(q, 0, 2 * m * m * sizeof *q);
    for (size_t i = 0; i < m; i++) {
        way[i] = cexp(2.0 * I * M_PI * floor(legs * chance(state)) / legs);
        on[i] = 0.02 + 0.3 * chance(state);
        amps[i] = 1.0 + 12.0 * chance(state);
    }
    for (int t = 0; t < QUARTERS; t++) {
        for (size_t i = 0; i < m; i++)
            d[i] = way[i] * (chance(state) < on[i] ? amps[i] : 0.1);
        for (size_t i = 0; i < m; i++)
            for (size_t j = 0; j < m; j++) {
                double complex v = conj(d[i]) * d[j] / QUARTERS;
                q[2 * (i * m + j)] += creal(v);
                q[2 * (i * m + j) + 1] += cimag(v);
            }
    }
    for (size_t i = 0; i < m * m; i++)
        whole += q[2 * i];
    return whole;
}

int main(void)
{
    uint64_t seed = 1;
    double *q = malloc(2 * (BALANCE_MOST + 1) * (BALANCE_MOST + 1) * sizeof *q);
    for (int legs = 2; q && legs <= 3; legs++)
        for (size_t n = 10; n <= 42; n += 8) {
            int turns[BALANCE_MOST], cut = 0;
            int64_t longest = 0;
            double least;
            for (int k = 0; k < PANELS; k++) {
                double whole = make(q, n, legs, &seed);
                int64_t begun = clock_mono_us();
                cut += !balance_least(q, n, legs, BALANCE_LEAST_SHARE * whole, turns, &least);
                int64_t took = clock_mono_us() - begun;
                longest = took > longest ? took : longest;
            }
            printf(
                "%zu breakers on %d legs: %.1f ms at the longest of %d, cut short %d times\n",
                n, legs, (double)longest / 1000.0, PANELS, cut);
        }
    free(q);
    return 0;
}
