#include "forecast.h"

#include "base/lanes.h"

#include <math.h>
#include <string.h>

/* Room for the states in whole lanes: float is enough for what lies ahead. */
#define LANED ((HEAT_STATES + LANES - 1) / LANES * LANES)

/* The most that each tau feels on the way, as logarithms. */
static void hottest(const struct forecast_state *s, const double heat[HEAT_STATES],
                    const struct forecast_path *p, float ln_most[LANED])
{
    float now[LANED] = {0}, rate[LANED] = {0}, most[LANED] = {0};
    for (int i = 0; i < HEAT_STATES; i++) {
        now[i] = (float)heat[i];
        rate[i] = (float)(-1.0 / s->view->class->bank.tau[i]);
    }
    for (int n = 0; n <= p->count; n++) { /* between two ends it goes one way */
        if (n > 0) {
            float q = (float)p->stretch[n - 1].q, seconds = (float)p->stretch[n - 1].seconds;
            for (int i = 0; i < LANED; i += LANES)
                lanes_store(now + i, q + (lanes_load(now + i) - q) *
                                             lanes_exp(seconds * lanes_load(rate + i)));
        }
        float slow = (float)HEAT_ENCLOSURE_SHARE * now[HEAT_TAUS];
        for (int i = 0; i < HEAT_TAUS; i += LANES) {
            lanes felt = (float)(1.0 - HEAT_ENCLOSURE_SHARE) * lanes_load(now + i) + slow;
            lanes before = lanes_load(most + i);
            lanes_store(most + i, lanes_choose(felt > before, felt, before));
        }
    }
    for (int i = 0; i < HEAT_TAUS; i += LANES)
        lanes_store(ln_most + i, lanes_log(lanes_load(most + i)));
}

/* What it has held until now, as logarithms. */
static void held(const struct forecast_state *s, const double heat[HEAT_STATES],
                 float ln_held[HEAT_TAUS])
{
    for (int i = 0; i < HEAT_TAUS; i++)
        ln_held[i] = (float)fmax(heat_felt(heat, i), s->top[i]);
    for (int i = 0; i < HEAT_TAUS; i += LANES)
        lanes_store(ln_held + i, lanes_log(lanes_load(ln_held + i)));
}

/* Survival of that moment: of H below `level`, and of holding until now. */
static double survives(const struct forecast_state *s, const float ln_held[HEAT_TAUS],
                       const float ln_most[LANED], double level)
{
    double sum = 0.0, ln_level = log(level);
    for (int i = 0; i < HEAT_TAUS; i++)
        sum += hypotheses_survive(s->view, i,
                                  fmax((double)ln_most[i] - ln_level, (double)ln_held[i]));
    return sum;
}

static void base_at(const struct forecast_state *s, const double heat[HEAT_STATES],
                    struct forecast_from *from)
{
    held(s, heat, from->ln_held);
    from->holds = 0.0;
    for (int i = 0; i < HEAT_TAUS; i++)
        from->holds += hypotheses_survive(s->view, i, (double)from->ln_held[i]);
}

struct forecast_base forecast_base_of(const struct forecast_state *s)
{
    struct forecast_base base = {.upper.holds = 1.0};
    base_at(s, s->lower, &base.lower);
    if (s->upper_share > 0.0)
        base_at(s, s->upper, &base.upper);
    return base;
}

void forecast_path_levels(const struct forecast_state *s, const struct forecast_base *base,
                          const struct forecast_path *p, const double *levels, size_t count,
                          double *chances)
{
    float low[LANED], high[LANED];
    hottest(s, s->lower, p, low);
    if (s->upper_share > 0.0)
        hottest(s, s->upper, p, high);
    for (size_t k = 0; k < count; k++) {
        double chance =
            1.0 - survives(s, base->lower.ln_held, low, levels[k]) / base->lower.holds;
        if (s->upper_share > 0.0) {
            double upper =
                1.0 - survives(s, base->upper.ln_held, high, levels[k]) / base->upper.holds;
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
            sum += s->view->weight.at[i][j] * fmin(1.0, h * s->view->class->per_theta[j]);
    }
    return sum;
}
