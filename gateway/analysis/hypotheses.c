#include "hypotheses.h"

#include "base/lanes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define HELD_DOUBT 0.01
#define SUB 4 /* a cell's prior is the mean over SUB x SUB points within it */
#define LEAST_RATIO                                                                            \
    60.0 /* UL 489 names no least time: the ratio of IEC 60898-1's row is taken */
#define NEVER_SHARE 0.1 /* of the slow worn ones */

double hypotheses_ln_theta(int level)
{
    return 2.0 * log(HYPOTHESES_LEAST_K) + HYPOTHESES_LN_STEP * level;
}

static double quick_most(const struct breaker_limits *l)
{
    return l->quick_most_seconds;
}

static double quick_least(const struct breaker_limits *l)
{
    return l->quick_least_seconds > 0.0 ? l->quick_least_seconds
                                        : l->quick_most_seconds / LEAST_RATIO;
}

enum kind { SOUND, QUICK, SLOW, IMPOSSIBLE };

/* what a breaker of (k, tau) would be */
static enum kind kind_of(const struct breaker_limits *l, double k, double tau)
{
    double as_k =
        fmin(fmax(k, l->hold), l->open); /* a worn one keeps the speed of a sound one */
    double quick = heat_felt_cold_seconds(l->quick * l->quick, as_k * as_k, tau);
    if (quick < quick_least(l) || quick > quick_most(l))
        return IMPOSSIBLE;
    if (k < l->hold)
        return QUICK;
    if (k >= l->open || heat_felt_cold_seconds(l->open * l->open, k * k, tau) > l->open_seconds)
        return SLOW;
    return SOUND;
}

static void count_cell(const struct hypotheses_class *c, int i, int j, double out[4])
{
    double ln_tau_step = log(c->bank.tau[1] / c->bank.tau[0]);
    for (int a = 0; a < SUB; a++)
        for (int b = 0; b < SUB; b++) {
            double tau = c->bank.tau[i] * exp(((a + 0.5) / SUB - 0.5) * ln_tau_step);
            double ln_theta =
                hypotheses_ln_theta(j) + ((b + 0.5) / SUB - 0.5) * HYPOTHESES_LN_STEP;
            out[kind_of(&c->limits, exp(0.5 * ln_theta), tau)] += 1.0;
        }
}

static void set_prior(struct hypotheses_class *c)
{
    double total[4] = {0.0}, count[HEAT_TAUS][HYPOTHESES_LEVELS][4];
    memset(count, 0, sizeof count);
    for (int i = 0; i < HEAT_TAUS; i++)
        for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
            count_cell(c, i, j, count[i][j]);
            for (int k = SOUND; k <= SLOW; k++)
                total[k] += count[i][j][k];
        }
    double share[3] = {(1.0 - c->worn_share) / total[SOUND], 0.5 * c->worn_share / total[QUICK],
                       0.5 * c->worn_share * (1.0 - NEVER_SHARE) / total[SLOW]};
    for (int i = 0; i < HEAT_TAUS; i++)
        for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
            double quick = share[QUICK] * count[i][j][QUICK];
            double sum =
                quick + share[SOUND] * count[i][j][SOUND] + share[SLOW] * count[i][j][SLOW];
            c->prior.at[i][j] = (float)sum;
            c->quick_share[i][j] = sum > 0.0 ? (float)(quick / sum) : 0.0F;
        }
    c->prior.never =
        (float)fmax(0.5 * c->worn_share * NEVER_SHARE, 1e-6); /* never quite excluded */
}

/* P(a breaker holds at n / HYPOTHESES_FINE - HYPOTHESES_KERNEL / 2 levels above its own) */
static float holds_at(int n, double spread)
{
    double levels = n / (double)HYPOTHESES_FINE - 0.5 * HYPOTHESES_KERNEL;
    return (float)(0.5 * erfc(levels * HYPOTHESES_LN_STEP / spread * M_SQRT1_2));
}

void hypotheses_class_init(struct hypotheses_class *c, const struct breaker_limits *l,
                           double worn_share)
{
    memset(c, 0, sizeof *c);
    c->limits = *l;
    c->worn_share = worn_share;
    double per_tau_most = heat_cold_seconds(l->quick, l->open, 1.0);
    double per_tau_least = heat_cold_seconds(l->quick, l->hold, 1.0);
    heat_bank_init(&c->bank, quick_least(l) / per_tau_most, quick_most(l) / per_tau_least);
    for (int i = 0; i < HYPOTHESES_KERNEL * HYPOTHESES_FINE + 2; i++)
        c->kernel[i] = holds_at(i, HYPOTHESES_SPREAD);
    for (int j = 0; j < HYPOTHESES_LEVELS; j++)
        c->per_theta[j] = exp(-hypotheses_ln_theta(j));
    for (int n = 0; n < HYPOTHESES_FINE + 2; n++)
        for (int m = 0; m < HYPOTHESES_KERNEL; m++)
            c->rows[n][m] = holds_at(n + (HYPOTHESES_KERNEL - 1 - m) * HYPOTHESES_FINE,
                                     HYPOTHESES_SPREAD_AHEAD);
    set_prior(c);
}

/* where ln h lies on the scale of levels */
static double level_of(double ln_h)
{
    return (ln_h - hypotheses_ln_theta(0)) / HYPOTHESES_LN_STEP;
}

/* P(a breaker of level j holds), u = level_of(ln h) */
static double holds(const struct hypotheses_class *c, double u, int j)
{
    double z = (u - j + 0.5 * HYPOTHESES_KERNEL) * HYPOTHESES_FINE;
    if (!(z > 0.0))
        return 1.0;
    if (z >= HYPOTHESES_KERNEL * HYPOTHESES_FINE)
        return 0.0;
    int n = (int)z;
    return c->kernel[n] + (z - n) * (c->kernel[n + 1] - c->kernel[n]);
}

/* The same of one warming as it was seen, which is never certain: a reading may be wrong, and
 * what was taken for openings before may have been none. Many openings outweigh it. */
static double held_by(const struct hypotheses_class *c, double u, int j)
{
    return HELD_DOUBT + (1.0 - HELD_DOUBT) * holds(c, u, j);
}

void hypotheses_view_init(struct hypotheses_view *v, const struct hypotheses_class *c,
                          const struct hypotheses_grid *learned, const double held[HEAT_TAUS])
{
    double sum = 0.0;
    v->class = c;
    for (int i = 0; i < HEAT_TAUS; i++) {
        double u = held[i] > 0.0 ? level_of(log(held[i])) : -(double)INFINITY;
        for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
            double w = c->prior.at[i][j] * held_by(c, u, j) *
                       (learned ? (double)learned->at[i][j] : 1.0);
            v->weight.at[i][j] = (float)w;
            sum += w;
        }
    }
    v->weight.never = c->prior.never * (learned ? learned->never : 1.0F);
    float scale = (float)(1.0 / (sum + (double)v->weight.never));
    v->weight.never *= scale;
    for (int i = 0; i < HEAT_TAUS; i++) {
        v->from[i][HYPOTHESES_LEVELS] = v->weight.never / HEAT_TAUS;
        for (int j = HYPOTHESES_LEVELS - 1; j >= 0; j--) {
            v->weight.at[i][j] *= scale;
            v->from[i][j] = v->from[i][j + 1] + v->weight.at[i][j];
        }
        memset(v->near[i], 0, sizeof v->near[i]);
        memcpy(v->near[i] + HYPOTHESES_KERNEL, v->weight.at[i], sizeof v->weight.at[i]);
    }
}

double hypotheses_survive(const struct hypotheses_view *v, int tau, double ln_h)
{
    double u =
        level_of(ln_h) - 0.5 * HYPOTHESES_KERNEL; /* levels below u have opened for certain */
    if (!(u > -HYPOTHESES_KERNEL))
        return (double)v->from[tau][0];
    if (u >= HYPOTHESES_LEVELS)
        return (double)v->from[tau][HYPOTHESES_LEVELS];
    int first = (int)ceil(u), last = first + HYPOTHESES_KERNEL;
    float fine = (float)(u - first + 1.0) * HYPOTHESES_FINE;
    int n = (int)fine;
    float part = fine - (float)n;
    lanes sum = {last < HYPOTHESES_LEVELS ? v->from[tau][last < 0 ? 0 : last]
                                          : v->from[tau][HYPOTHESES_LEVELS]};
    for (int k = 0; k < HYPOTHESES_KERNEL; k += LANES) { /* the levels first .. last - 1 */
        lanes low = lanes_load(v->class->rows[n] + k),
              high = lanes_load(v->class->rows[n + 1] + k);
        sum += lanes_load(v->near[tau] + (first + HYPOTHESES_KERNEL + k)) *
               (low + part * (high - low));
    }
    return (double)lanes_sum(sum);
}

static double density(double u, int j) /* of ln h, for a breaker of level j */
{
    double z = (u - j) * (HYPOTHESES_LN_STEP / HYPOTHESES_SPREAD);
    return exp(-0.5 * z * z) / (2.50662827463100050 * HYPOTHESES_SPREAD); /* sqrt(2 pi) s */
}

void hypotheses_opening(const struct hypotheses_view *v, const double h[HEAT_TAUS],
                        const double rise[HEAT_TAUS], double *sound, double *quick)
{
    *sound = *quick = 0.0;
    for (int i = 0; i < HEAT_TAUS; i++) {
        if (!(h[i] > 0.0))
            continue;
        double u = level_of(log(h[i])), over = fmin(rise[i], HYPOTHESES_LN_STEP);
        for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
            double p = v->weight.at[i][j] * density(u, j) * over,
                   q = v->class->quick_share[i][j];
            *quick += p * q;
            *sound += p * (1.0 - q);
        }
    }
}

double hypotheses_quick(const struct hypotheses_view *v)
{
    double sum = 0.0;
    for (int i = 0; i < HEAT_TAUS; i++)
        for (int j = 0; j < HYPOTHESES_LEVELS; j++)
            sum += (double)(v->weight.at[i][j] * v->class->quick_share[i][j]);
    return sum;
}

void hypotheses_learn(const struct hypotheses_view *v, const double held[HEAT_TAUS],
                      const double h[HEAT_TAUS], double p, double forget,
                      struct hypotheses_grid *learned)
{
    struct hypotheses_grid by_heat;
    double mean = 0.0, sum = 0.0;
    for (int i = 0; i < HEAT_TAUS; i++) {
        double u = h[i] > 0.0 ? level_of(log(h[i])) : -(double)INFINITY;
        for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
            by_heat.at[i][j] = (float)density(u, j);
            mean += v->weight.at[i][j] * by_heat.at[i][j];
        }
    }
    if (!(mean > 1e-12))
        p = 0.0; /* no hypothesis can have opened here: it was something else */
    for (int i = 0; i < HEAT_TAUS; i++) {
        double u = held[i] > 0.0 ? level_of(log(held[i])) : -(double)INFINITY;
        for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
            double factor = 1.0 - p + (p > 0.0 ? p * by_heat.at[i][j] / mean : 0.0);
            learned->at[i][j] *= (float)(held_by(v->class, u, j) * factor);
            sum += v->class->prior.at[i][j] * learned->at[i][j];
        }
    }
    learned->never *= (float)(1.0 - p);
    sum += v->class->prior.never * learned->never;
    /* scaled so that the factors' mean over the prior is 1, then a little of the prior again */
    for (int i = 0; i < HEAT_TAUS; i++)
        for (int j = 0; j < HYPOTHESES_LEVELS; j++)
            learned->at[i][j] = (float)((1.0 - forget) * learned->at[i][j] / sum + forget);
    learned->never = (float)((1.0 - forget) * learned->never / sum + forget);
}

void hypotheses_learn_warming(const struct hypotheses_class *c, int i, double top,
                              struct hypotheses_grid *learned)
{
    double u = level_of(log(top));
    for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
        double p = holds(c, u, j);
        if (p < 1.0)
            learned->at[i][j] *= (float)pow(fmax(p, 1e-6), HYPOTHESES_REPEAT);
    }
}

struct hypotheses_grid *hypotheses_grid_create(void)
{
    struct hypotheses_grid *g = malloc(sizeof *g);
    for (int i = 0; g && i < HEAT_TAUS; i++)
        for (int j = 0; j < HYPOTHESES_LEVELS; j++)
            g->at[i][j] = 1.0F;
    if (g)
        g->never = 1.0F;
    return g;
}

bool hypotheses_class_is(const struct hypotheses_class *c, const struct breaker_limits *l,
                         double worn_share)
{
    const struct breaker_limits *m = &c->limits;
    return c->worn_share == worn_share && m->hold == l->hold && m->open == l->open &&
           m->open_seconds == l->open_seconds && m->quick == l->quick &&
           m->quick_least_seconds == l->quick_least_seconds &&
           m->quick_most_seconds == l->quick_most_seconds &&
           m->instant_least == l->instant_least && m->instant_most == l->instant_most;
}
