/*
 * forecast - from the heat now, a current held from now on, and the weights: when will it open.
 *
 *     P(opens within T | holds now) = 1 - sum S_i(max(top_i, h_i(T))) / sum S_i(max(top_i,
 * h_i))
 *
 * S_i is the survival of the hypotheses of tau_i, h_i(T) the replica at constant q, top_i the
 * most heat of this warming that was already survived.
 *
 * Units      seconds; heat and q unscaled (see heat.h), multiples of the rating
 */
#ifndef FORETRIP_FORECAST_H
#define FORETRIP_FORECAST_H

#include "hypotheses.h"

#define FORECAST_LONGEST_SECONDS 14400.0 /* beyond this "not at this current" */

/* Where a breaker stands. lower and upper are the heat with every gap in the readings taken as
 * rest and as load; upper_share is how likely the second is. */
struct forecast_state {
    const struct hypotheses_view *view;
    double lower[HEAT_STATES], upper[HEAT_STATES];
    double top[HEAT_TAUS];
    double upper_share;
};

/* Chance of opening within `seconds` at constant q. */
double forecast_chance(const struct forecast_state *s, double q, double seconds);

/* A way the current may go from now on: constant stretches. */
#define FORECAST_MOST_STRETCHES 24
struct forecast_path {
    int count;
    struct {
        double q, seconds;
    } stretch[FORECAST_MOST_STRETCHES];
};

/* Chance that H reaches `level` (1: that it opens) on that way, given that it holds now. */
double forecast_path_reaches(const struct forecast_state *s, const struct forecast_path *p,
                             double level);

/* The same for several levels of one way; what does not depend on the way is found once. */
struct forecast_base {
    struct forecast_from {
        double holds;             /* weight of what holds now */
        float ln_held[HEAT_TAUS]; /* logarithm of the most it has felt and held */
    } lower, upper;               /* at both ends of the heat */
};
struct forecast_base forecast_base_of(const struct forecast_state *s);
void forecast_path_levels(const struct forecast_state *s, const struct forecast_base *base,
                          const struct forecast_path *p, const double *levels, size_t count,
                          double *chances);

/* Time by which it has opened with probability p, INFINITY when not within the longest. */
double forecast_seconds(const struct forecast_state *s, double q, double p);

/* The greatest multiple of the rating that, held for `seconds`, keeps the chance at or below
 * `chance`; 0 when even that is too much. */
double forecast_greatest(const struct forecast_state *s, double seconds, double chance);

/* Expected thermal level H now, each hypothesis at most 1. */
double forecast_heat(const struct forecast_state *s);

#endif
