#include "ages.h"

#include <math.h>

#define STEPS_AN_OCTAVE 4.0 /* 2^(1/4) = 1.19 */

static int step_of(int64_t ms)
{
    int step = ms > 0 ? (int)ceil(STEPS_AN_OCTAVE * log2((double)ms)) + 1 : 0;
    return step < AGES_STEPS ? step : AGES_STEPS - 1;
}

void ages_add(struct ages *a, int64_t ms)
{
    a->steps[step_of(ms)]++;
    a->count++;
}

int64_t ages_within(const struct ages *a, double share)
{
    double wanted = share * (double)a->count;
    uint64_t so_far = 0;
    for (int i = 0; i < AGES_STEPS && a->count > 0; i++) {
        so_far += a->steps[i];
        if (a->steps[i] > 0 && (double)so_far >= wanted)
            return i == 0 ? 0 : (int64_t)floor(exp2((i - 1) / STEPS_AN_OCTAVE));
    }
    return 0;
}
