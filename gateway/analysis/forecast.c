#include "forecast.h"

#include <math.h>
#include <string.h>

/* Survival of the hottest moment on the way: of H below `level`, and of holding until now. */
static double survives(const struct forecast_state *s, const double heat[HEAT_STATES],
                       const struct forecast_path *p, double level)
{
    const double *tau = s->view->class->bank.tau;
    double sum = 0.0, now[HEAT_STATES], most[HEAT_TAUS];
    memcpy(now, heat, sizeof now);
    for (int i = 0; i < HEAT_TAUS; i++)
        most[i] = heat_felt(heat, i);
    for (int n = 0; n < p->count; n++) {
        for (int i = 0; i < HEAT_STATES; i++)
            now[i] = heat_step(now[i], p->stretch[n].q, p->stretch[n].seconds, tau[i]);
        for (int i = 0; i < HEAT_TAUS; i++) /* it goes one way between two ends */
            most[i] = fmax(most[i], heat_felt(now, i));
    }
    for (int i = 0; i < HEAT_TAUS; i++) {
        double h = fmax(most[i] / level, fmax(heat_felt(heat, i), s->top[i]));
        sum += hypotheses_survive(s->view, i, h > 0.0 ? log(h) : -(double)INFINITY);
    }
    return sum;
}

double forecast_path_reaches(const struct forecast_state *s, const struct forecast_path *p,
                             double level)
{
    static const struct forecast_path stay = {0};
    double chance = 1.0 - survives(s, s->lower, p, level) / survives(s, s->lower, &stay, 1.0);
    if (s->upper_share > 0.0) {
        double high = 1.0 - survives(s, s->upper, p, level) / survives(s, s->upper, &stay, 1.0);
        chance += s->upper_share * (high - chance);
    }
    return fmin(1.0, fmax(0.0, chance));
}

double forecast_chance(const struct forecast_state *s, double q, double seconds)
{
    struct forecast_path p = {.count = 1};
    p.stretch[0].q = q;
    p.stretch[0].seconds = seconds;
    return forecast_path_reaches(s, &p, 1.0);
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
        double low = heat_felt(s->lower, i), high = heat_felt(s->upper, i);
        double h = low + s->upper_share * (high - low);
        for (int j = 0; j < HYPOTHESES_LEVELS; j++)
            sum += s->view->weight.at[i][j] * fmin(1.0, h * exp(-hypotheses_ln_theta(j)));
    }
    return sum;
}
