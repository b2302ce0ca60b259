#include "trace_steps.h"

#include <math.h>

#define LEAST_STEPS 6 /* of the eight, with readings on both sides */
#define MOODS 3
#define BUSY_HALF 0.5 /* of the steps */
#define BUSY_MOST 0.9 /* ... of a circuit on which something is at work */
#define BUSY 0.05     /* circuits that are, from one minute to the next */
#define CHANCE 0.6    /* the most that a pole speaks for it without most of the beats */
#define ASTRAY_MOST 3 /* of eight, or it is none */
#define KEPT_LEAST 4
#define OTHERS_LEAST 2 /* steps of its size between the beats, or it is none */
#define MISSED 0.01    /* beats that the hand misses */
#define SPREAD 0.03    /* of a load from one time to the next */
#define LEAST_AMPS 0.05
#define AMPS_RATIO 1.04

double trace_amps_at(int k)
{
    return LEAST_AMPS * pow(AMPS_RATIO, k);
}

/* of a quiet circuit and of a busy one: which of both it is now is not known beforehand, for an
 * appliance may have begun with the tracing */
static const struct {
    double weight, busy;
} moods[MOODS] = {{1.0 - BUSY, 0.0}, {BUSY / 2.0, BUSY_HALF}, {BUSY / 2.0, BUSY_MOST}};

struct densities {
    double quiet[TRACE_BEATS], busy[TRACE_BEATS];
};

static double density(const struct densities *d, int mood, int i)
{
    return (1.0 - moods[mood].busy) * d->quiet[i] + moods[mood].busy * d->busy[i];
}

static void fill(const struct trace_noise *o, const double steps[TRACE_BEATS], double amps,
                 struct densities *out)
{
    for (int i = 0; i < TRACE_BEATS; i++)
        if (!isnan(steps[i])) {
            out->quiet[i] = trace_noise_density(o, steps[i] - amps, SPREAD * amps);
            out->busy[i] = trace_noise_busy(steps[i] - amps);
        }
}

/* Without the load. */
static double null_likelihood(const double steps[TRACE_BEATS], const struct densities *none)
{
    double sum = 0.0;
    for (int m = 0; m < MOODS; m++) {
        double product = moods[m].weight;
        for (int i = 0; i < TRACE_BEATS; i++)
            product *= isnan(steps[i]) ? 1.0 : density(none, m, i);
        sum += product;
    }
    return sum;
}

/* With it. A beat that the hand misses leaves the load as it was, and the next one finds it
 * where it should go: both show no step. */
static double load_likelihood(const double steps[TRACE_BEATS], const struct densities *none,
                              const struct densities *with)
{
    double sum = 0.0;
    for (int m = 0; m < MOODS; m++) {
        double kept = moods[m].weight, missed = 0.0;
        for (int i = 0; i < TRACE_BEATS; i++) {
            double n = isnan(steps[i]) ? 1.0 : density(none, m, i);
            double w = isnan(steps[i]) ? 1.0 : density(with, m, i);
            double next = kept * (1.0 - MISSED) * w + missed * n;
            missed = kept * MISSED * n;
            kept = next;
        }
        sum += kept + missed;
    }
    return sum;
}

static double width_of(double sigma, double amps)
{
    return hypot(sigma, SPREAD * amps);
}

/* a load of about that size is switched where no beat is: somebody else's */
static bool is_out_of_time(const double between[TRACE_BEATS - 1], double sigma, double amps)
{
    int others = 0;
    for (int i = 0; i + 1 < TRACE_BEATS; i++)
        others += fabs(fabs(between[i]) - amps) < 0.5 * amps;
    return 3.0 * width_of(sigma, amps) < 0.5 * amps && others >= OTHERS_LEAST;
}

/* most beats are in the steps; two without any are one that was missed */
static bool keeps_the_beat(const double steps[TRACE_BEATS], double sigma, double amps)
{
    double width = 3.0 * width_of(sigma, amps);
    int kept = 0, astray = 0;
    for (int i = 0; i < TRACE_BEATS; i++) {
        if (isnan(steps[i]))
            continue;
        if (fabs(steps[i] - amps) < width) {
            kept++;
            continue;
        }
        astray++;
        if (fabs(steps[i]) < width && i + 1 < TRACE_BEATS && fabs(steps[i + 1]) < width)
            i++; /* one beat that was missed */
    }
    return kept >= KEPT_LEAST && astray <= ASTRAY_MOST;
}

/* means before and after each beat */
static void take_steps(const double before[TRACE_BEATS], const double after[TRACE_BEATS],
                       double steps[TRACE_BEATS], double between[TRACE_BEATS - 1])
{
    for (int i = 0; i < TRACE_BEATS; i++) {
        steps[i] = i % 2 == 0 ? after[i] - before[i] : before[i] - after[i];
        if (i > 0)
            between[i - 1] = before[i] - after[i - 1];
    }
}

static bool see_delay(const struct trace_noise *o, const double before[TRACE_BEATS],
                      const double after[TRACE_BEATS], const bool wanted[TRACE_AMPS],
                      trace_ratios out)
{
    struct densities none = {0}, with = {0};
    double steps[TRACE_BEATS], between[TRACE_BEATS - 1];
    int read = 0;
    take_steps(before, after, steps, between);
    for (int i = 0; i < TRACE_BEATS; i++)
        read += !isnan(steps[i]);
    if (read < LEAST_STEPS)
        return false;
    fill(o, steps, 0.0, &none);
    double null = null_likelihood(steps, &none);
    for (int k = 0; k < TRACE_AMPS; k++) {
        double amps = trace_amps_at(k);
        out[k] = TRACE_NOT;
        if (!wanted[k])
            continue;
        fill(o, steps, amps, &with);
        double ratio = load_likelihood(steps, &none, &with) / null;
        if (ratio > CHANCE &&
            (!keeps_the_beat(steps, o->sigma, amps) || is_out_of_time(between, o->sigma, amps)))
            ratio = CHANCE;
        out[k] = (float)log(ratio);
    }
    return true;
}

bool trace_see(const struct trace_series *r, const struct trace_plan *plan,
               const struct trace_plans *all, const bool wanted[TRACE_AMPS],
               trace_ratios out[TRACE_DELAYS])
{
    struct trace_noise o;
    bool read = true;
    trace_noise_measure(r, plan, all, &o);
    for (int d = 0; d < TRACE_DELAYS && read; d++) {
        double before[TRACE_BEATS], after[TRACE_BEATS];
        for (int i = 0; i < TRACE_BEATS; i++)
            trace_noise_around(r, plan, i, d * (int64_t)TRACE_DELAY_MS, &before[i], &after[i]);
        read = see_delay(&o, before, after, wanted, out[d]);
    }
    return read;
}
