#include "forecast.h"

#include <math.h>

static double survives(const struct forecast_state *s, const double heat[HEAT_TAUS], double q,
                       double seconds)
{
    double sum = 0.0;
    for (int i = 0; i < HEAT_TAUS; i++) {
        double h = heat_step(heat[i], q, seconds, s->view->class->bank.tau[i]);
        h = fmax(h, fmax(heat[i], s->top[i]));
        sum += hypotheses_survive(s->view, i, h > 0.0 ? log(h) : -(double)INFINITY);
    }
    return sum;
}

double forecast_chance(const struct forecast_state *s, double q, double seconds)
{
    double chance = 1.0 - survives(s, s->lower, q, seconds) / survives(s, s->lower, q, 0.0);
    if (s->upper_share > 0.0) {
        double high = 1.0 - survives(s, s->upper, q, seconds) / survives(s, s->upper, q, 0.0);
        chance += s->upper_share * (high - chance);
    }
    return fmin(1.0, fmax(0.0, chance));
}

double forecast_seconds(const struct forecast_state *s, double q, double p)
{
    double low = 0.0, high = FORECAST_LONGEST_SECONDS;
    if (!(forecast_chance(s, q, high) >= p))
        return (double)INFINITY;
    while (high - low > 0.01 * high + 0.05) {
        double mid = sqrt(fmax(low, 0.05) * high); /* always between the two */
        if (forecast_chance(s, q, mid) >= p)
            high = mid;
        else
            low = mid;
    }
    return high;
}

double forecast_greatest(const struct forecast_state *s, double seconds, double chance)
{
    double low = 0.0, high = 16.0; /* multiples of the rating */
    if (forecast_chance(s, low, seconds) > chance)
        return 0.0;
    while (high - low > 0.002) {
        double mid = 0.5 * (low + high);
        if (forecast_chance(s, mid * mid, seconds) <= chance)
            low = mid;
        else
            high = mid;
    }
    return low;
}

double forecast_heat(const struct forecast_state *s)
{
    double sum = 0.0;
    for (int i = 0; i < HEAT_TAUS; i++) {
        double h = s->lower[i] + s->upper_share * (s->upper[i] - s->lower[i]);
        for (int j = 0; j < HYPOTHESES_LEVELS; j++)
            sum += s->view->weight.at[i][j] * fmin(1.0, h * exp(-hypotheses_ln_theta(j)));
    }
    return sum;
}
