/*
 * hypotheses - which breaker is it: weights over a grid of (opening level, tau).
 *
 * The level is theta = k^2, spaced evenly in its logarithm (so 4 % in k), tau as in the heat
 * bank. A breaker of level theta opens when its heat h reaches theta * e^(z s): s stands for
 * what one time constant leaves out (a second body, the day's ambient, the meter). It is below
 * the spacing of the levels, which makes the survival of every h a sum over few neighbours.
 *
 * Two s: what is learned holds over weeks, all kinds of overload and all weathers, and must not
 * be too sure of itself; what lies ahead is this warming alone, of which it is known where it
 * has held.
 *
 * Prior      a new breaker of its standard, rating and type: even in ln k between what it must
 * hold and what must open it, even in the logarithm of its time at the standard's quick row,
 * cut where it would break another row; and a configured share of worn ones, half of it on the
 * quick side (k from 0.5 up to what must be held), half on the slow side (k above what must
 * open it, a tenth of them never opening at all) Threads    a class is read only after
 * hypotheses_class_init, its bank's decays apart
 */
#ifndef FORETRIP_HYPOTHESES_H
#define FORETRIP_HYPOTHESES_H

#include "breaker_limits.h"
#include "heat.h"

#define HYPOTHESES_LEVELS 32
#define HYPOTHESES_LEAST_K 0.5
#define HYPOTHESES_LN_STEP 0.08 /* of ln theta */
/* s: 2 % for the air of the day, 2 % for a class 1 meter, squared, 5 % for one time constant
 * where there are two; with 3 % a worn breaker was forgotten after many openings. */
#define HYPOTHESES_SPREAD 0.06
#define HYPOTHESES_SPREAD_AHEAD 0.03 /* within one warming */
#define HYPOTHESES_KERNEL 8          /* levels over which survival falls from 1 to 0 */
#define HYPOTHESES_FINE 64           /* table points a level */

/* A number for every hypothesis: weights, or factors on weights. */
struct hypotheses_grid {
    float at[HEAT_TAUS][HYPOTHESES_LEVELS];
    float never; /* the one that opens at no heat */
};

/* What all breakers of one standard, rating band, type and worn share have in common. */
struct hypotheses_class {
    struct breaker_limits limits;
    double worn_share;
    struct heat_bank bank;
    struct hypotheses_grid prior;        /* adds up to 1 */
    double per_theta[HYPOTHESES_LEVELS]; /* 1 / theta of each level */
    float quick_share[HEAT_TAUS]
                     [HYPOTHESES_LEVELS]; /* how much of a cell's prior is worn quick */
    float kernel[HYPOTHESES_KERNEL * HYPOTHESES_FINE + 2]; /* P(it holds), learned from */
    float rows[HYPOTHESES_FINE + 2][HYPOTHESES_KERNEL]; /* the same ahead, a level a column */
};

/* The weights now, with their sums from each level up. */
struct hypotheses_view {
    const struct hypotheses_class *class;
    struct hypotheses_grid weight; /* adds up to 1 */
    float from[HEAT_TAUS][HYPOTHESES_LEVELS + 1];
    float near[HEAT_TAUS][2 * HYPOTHESES_KERNEL + HYPOTHESES_LEVELS]; /* weight, zeros around */
};

void hypotheses_class_init(struct hypotheses_class *c, const struct breaker_limits *l,
                           double worn_share);

double hypotheses_ln_theta(int level);

/* prior * learned (NULL: nothing learned) * survival of the heat it has once held without
 * opening (held[i] = 0: none), made to add up to 1. */
void hypotheses_view_init(struct hypotheses_view *v, const struct hypotheses_class *c,
                          const struct hypotheses_grid *learned, const double held[HEAT_TAUS]);

/* Sum over the levels of one tau: weight times the probability that it holds at heat e^ln_h. */
double hypotheses_survive(const struct hypotheses_view *v, int tau, double ln_h);

/* Probability that it opens while ln h rises by rise[] from h[]: of sound and of quick (worn)
 * hypotheses. */
void hypotheses_opening(const struct hypotheses_view *v, const double h[HEAT_TAUS],
                        const double rise[HEAT_TAUS], double *sound, double *quick);

/* Share of the weight that is worn on the quick side. */
double hypotheses_quick(const struct hypotheses_view *v);

/* Learns an opening at heat h[] that came by heat with probability p. The survival of `held`,
 * which the view has in it, goes into the factors too, so that it can start anew; `forget` of
 * the prior comes back. */
void hypotheses_learn(const struct hypotheses_view *v, const double held[HEAT_TAUS],
                      const double h[HEAT_TAUS], double p, double forget,
                      struct hypotheses_grid *learned);

/* Learns that one warming, felt as top with tau number i, ended without an opening. What
 * repeats day by day is not independent: each counts a part. `held` counts the hottest in full.
 */
#define HYPOTHESES_REPEAT 0.5
void hypotheses_learn_warming(const struct hypotheses_class *c, int i, double top,
                              struct hypotheses_grid *learned);

/* Factors with nothing learned, all 1; NULL when memory is short, the caller frees. */
struct hypotheses_grid *hypotheses_grid_create(void);

bool hypotheses_class_is(const struct hypotheses_class *c, const struct breaker_limits *l,
                         double worn_share);

#endif
