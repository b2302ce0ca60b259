#include "heat.h"

#include <assert.h>
#include <math.h>

double heat_step(double h, double q, double seconds, double tau)
{
    return q + (h - q) * exp(-seconds / tau);
}

double heat_seconds_to(double h, double q, double level, double tau)
{
    if (h >= level)
        return 0.0;
    if (!(q > level))
        return (double)INFINITY;
    return tau * log1p((level - h) /
                       (q - level)); /* ln((q - h) / (q - level)) without cancellation */
}

double heat_seconds_down_to(double h, double q, double level, double tau)
{
    if (h <= level)
        return 0.0;
    if (!(q < level))
        return (double)INFINITY;
    return tau * log1p((h - level) / (level - q));
}

double heat_cold_seconds(double amps, double k_amps, double tau)
{
    return heat_seconds_to(0.0, amps * amps, k_amps * k_amps, tau);
}

double heat_hot_seconds(double amps, double before, double k_amps, double tau)
{
    return heat_seconds_to(before * before, amps * amps, k_amps * k_amps, tau);
}

void heat_bank_init(struct heat_bank *b, double shortest, double longest)
{
    assert(shortest > 0.0 && longest > shortest);
    *b = (struct heat_bank){0};
    for (int i = 0; i < HEAT_TAUS; i++)
        b->tau[i] = shortest * pow(longest / shortest, i / (double)(HEAT_TAUS - 1));
    b->tau[HEAT_TAUS] = HEAT_ENCLOSURE_TAU;
}

const double *heat_bank_decay(struct heat_bank *b, int64_t ms)
{
    assert(ms > 0);
    size_t slot = (size_t)((uint64_t)ms / 1000 % HEAT_DECAYS);
    if (b->decays[slot].ms != ms) {
        b->decays[slot].ms = ms;
        for (int i = 0; i < HEAT_STATES; i++)
            b->decays[slot].e[i] = exp(-(double)ms * 1e-3 / b->tau[i]);
    }
    return b->decays[slot].e;
}

double heat_felt_cold_seconds(double q, double level, double tau)
{
    double low = 0.0, high = heat_seconds_to(0.0, q, level, fmax(tau, HEAT_ENCLOSURE_TAU));
    if (isinf(high))
        return high;
    for (int n = 0; n < 60 && high - low > 1e-9 * high; n++) {
        double mid = 0.5 * (low + high);
        double felt = -q * ((1.0 - HEAT_ENCLOSURE_SHARE) * expm1(-mid / tau) +
                            HEAT_ENCLOSURE_SHARE * expm1(-mid / HEAT_ENCLOSURE_TAU));
        if (felt < level)
            low = mid;
        else
            high = mid;
    }
    return high;
}
