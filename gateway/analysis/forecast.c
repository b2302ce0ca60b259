#include "forecast.h"

#include <math.h>
#include <string.h>

/* The most that each tau feels on the way. */
static void hottest(const struct forecast_state *s, const double heat[HEAT_STATES],
                    const struct forecast_path *p, double most[HEAT_TAUS])
{
    const double *tau = s->view->class->bank.tau;
    double now[HEAT_STATES];
    memcpy(now, heat, sizeof now);
    for (int i = 0; i < HEAT_TAUS; i++)
        most[i] = heat_felt(heat, i);
    for (int n = 0; n < p->count; n++) {
        for (int i = 0; i < HEAT_STATES; i++)
            now[i] = heat_step(now[i], p->stretch[n].q, p->stretch[n].seconds, tau[i]);
        for (int i = 0; i < HEAT_TAUS; i++) /* it goes one way between two ends */
            most[i] = fmax(most[i], heat_felt(now, i));
    }
}

/* Survival of that moment: of H below `level`, and of holding until now. */
static double survives(const struct forecast_state *s, const double heat[HEAT_STATES],
                       const double most[HEAT_TAUS], double level)
{
    double sum = 0.0;
    for (int i = 0; i < HEAT_TAUS; i++) {
        double h = fmax(most[i] / level, fmax(heat_felt(heat, i), s->top[i]));
        sum += hypotheses_survive(s->view, i, h > 0.0 ? log(h) : -(double)INFINITY);
    }
    return sum;
}

static double survives_now(const struct forecast_state *s, const double heat[HEAT_STATES])
{
    static const struct forecast_path stay = {0};
    double most[HEAT_TAUS];
    hottest(s, heat, &stay, most);
    return survives(s, heat, most, 1.0);
}

struct forecast_base forecast_base_of(const struct forecast_state *s)
{
    return (struct forecast_base){
        .lower = survives_now(s, s->lower),
        .upper = s->upper_share > 0.0 ? survives_now(s, s->upper) : 1.0,
    };
}

void forecast_path_levels(const struct forecast_state *s, const struct forecast_base *base,
                          const struct forecast_path *p, const double *levels, size_t count,
                          double *chances)
{
    double low[HEAT_TAUS], high[HEAT_TAUS];
    hottest(s, s->lower, p, low);
    if (s->upper_share > 0.0)
        hottest(s, s->upper, p, high);
    for (size_t k = 0; k < count; k++) {
        double chance = 1.0 - survives(s, s->lower, low, levels[k]) / base->lower;
        if (s->upper_share > 0.0) {
            double upper = 1.0 - survives(s, s->upper, high, levels[k]) / base->upper;
            chance += s->upper_share * (upper - chance);
        }
        chances[k] = fmin(1.0, fmax(0.0, chance));
    }
}

double forecast_path_reaches(const struct forecast_state *s, const struct forecast_path *p,
                             double level)
{
    struct forecast_base base = forecast_base_of(s);
    double chance;
    forecast_path_levels(s, &base, p, &level, 1, &chance);
    return chance;
}

static double chance_of(const struct forecast_state *s, const struct forecast_base *base,
                        double q, double seconds)
{
    static const double opens = 1.0;
    struct forecast_path p = {.count = 1};
    double chance;
    p.stretch[0].q = q;
    p.stretch[0].seconds = seconds;
    forecast_path_levels(s, base, &p, &opens, 1, &chance);
    return chance;
}

double forecast_chance(const struct forecast_state *s, double q, double seconds)
{
    struct forecast_base base = forecast_base_of(s);
    return chance_of(s, &base, q, seconds);
}

double forecast_seconds(const struct forecast_state *s, double q, double p)
{
    struct forecast_base base = forecast_base_of(s);
    double low = 0.0, high = FORECAST_LONGEST_SECONDS;
    if (!(chance_of(s, &base, q, high) >= p))
        return (double)INFINITY;
    while (high - low > 0.01 * high + 0.05) {
        double mid = sqrt(fmax(low, 0.05) * high); /* always between the two */
        if (chance_of(s, &base, q, mid) >= p)
            high = mid;
        else
            low = mid;
    }
    return high;
}

double forecast_greatest(const struct forecast_state *s, double seconds, double chance)
{
    struct forecast_base base = forecast_base_of(s);
    double low = 0.0, high = 16.0; /* multiples of the rating */
    if (chance_of(s, &base, low, seconds) > chance)
        return 0.0;
    while (high - low > 0.002) {
        double mid = 0.5 * (low + high);
        if (chance_of(s, &base, mid * mid, seconds) <= chance)
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
