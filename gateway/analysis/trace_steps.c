#include "trace_steps.h"

#include <math.h>
#include <string.h>

#define EARLY_MS 500      /* a hand that is before the beat */
#define SETTLE_MS 1000    /* of the load, and of a hand that is a second late */
#define LEAST_STEPS 6     /* of the eight, with readings on both sides */
#define NOISE_MOST 1200   /* means */
#define SIGMA_FLOOR 0.02  /* amps: what a meter can tell apart */
#define SIGMA_SHARE 0.015 /* of the current: what the supply's voltage does to other loads */
#define TAIL_LEAST 0.03   /* of the steps, in a house where people live */
#define TAIL_AMPS 1.0     /* half of what is switched in a house is smaller */
#define TAIL_HALF 0.5
#define TAIL_BUSY 0.9   /* of the steps of a circuit on which something is at work */
#define BUSY 0.05       /* circuits that are, from one minute to the next */
#define AGAIN 0.5       /* of the noise is as the noise before */
#define CHANCE 0.3      /* the most that a pole speaks for it without most of the beats */
#define FAR 6.3         /* widths from where on a normal density is nothing */
#define MISSED_MOST 3   /* of eight, or it is none */
#define MISSED 0.005    /* beats that the hand misses */
#define SPREAD 0.03     /* of a load from one time to the next */
#define SAID_SPREAD 0.2 /* of what somebody says of a load, in its logarithm */
#define SAID_WRONG 0.2  /* ... when it is right at all */
#define MOST_AMPS 25.0
#define GRID_RATIO 1.04
#define SQRT_TWO_PI 2.5066282746310002

struct noise {
    double sigma;
    double tail; /* share of the steps that are beyond the core */
    size_t n;
    double past[NOISE_MOST]; /* steps of the minutes before, without their sign */
};

/* ---- means ---- */

static size_t first_at(const struct trace_rows *r, int64_t wall_ms)
{
    size_t low = 0, high = r->count;
    while (low < high) {
        size_t mid = (low + high) / 2;
        if (r->wall_ms[mid] < wall_ms)
            low = mid + 1;
        else
            high = mid;
    }
    return low;
}

/* from..before; NaN when there is no reading */
static double mean_of(const struct site *s, const struct trace_rows *r, size_t pole,
                      int64_t from_wall_ms, int64_t before_wall_ms)
{
    double sum = 0.0;
    size_t n = 0;
    for (size_t i = first_at(r, from_wall_ms); i < r->count && r->wall_ms[i] < before_wall_ms;
         i++) {
        float v = r->amps[i * s->poles_total + pole];
        if (!isnan(v)) {
            sum += (double)v;
            n++;
        }
    }
    return n > 0 ? sum / (double)n : (double)NAN;
}

/* what a meter that is read each fourth part of a beat adds */
static int64_t settle_ms(const struct trace_plan *p)
{
    return SETTLE_MS + p->beat_ms / 4;
}

/* of step i of the plan, its sign taken out; NaN without readings */
static double step_of(const struct site *s, const struct trace_rows *r, size_t pole,
                      const struct trace_plan *p, int i, int64_t delay_ms)
{
    int64_t at = p->at_wall_ms[i] + delay_ms, after = at + settle_ms(p), before = at - EARLY_MS;
    double step = mean_of(s, r, pole, after, after + p->beat_ms) -
                  mean_of(s, r, pole, before - p->beat_ms, before);
    return i % 2 == 0 ? step : -step;
}

/* ---- noise ---- */

static void sort(double *v, size_t n) /* Shell's */
{
    for (size_t gap = n / 2; gap > 0; gap /= 2)
        for (size_t i = gap; i < n; i++) {
            double x = v[i];
            size_t j = i;
            for (; j >= gap && v[j - gap] > x; j -= gap)
                v[j] = v[j - gap];
            v[j] = x;
        }
}

static bool overlaps(const struct trace_plans *all, int64_t from, int64_t to)
{
    for (size_t i = 0; i < all->count; i++)
        if (from < all->plans[i].end_wall_ms && to > all->plans[i].at_wall_ms[0])
            return true;
    return false;
}

/* the same differences of means, in the minutes before, while nobody traced */
static size_t past_steps(const struct site *s, const struct trace_rows *r, size_t pole,
                         const struct trace_plan *p, const struct trace_plans *all,
                         double out[NOISE_MOST])
{
    int64_t room = settle_ms(p) + EARLY_MS, length = 2 * p->beat_ms + room;
    int64_t first = p->at_wall_ms[0] - TRACE_BEFORE_MS;
    size_t n = 0;
    for (int64_t t = first; t + length <= p->at_wall_ms[0] && n < NOISE_MOST; t += 1000) {
        double d = overlaps(all, t, t + length)
                       ? (double)NAN
                       : mean_of(s, r, pole, t + p->beat_ms + room, t + length) -
                             mean_of(s, r, pole, t, t + p->beat_ms);
        if (!isnan(d))
            out[n++] = fabs(d);
    }
    return n;
}

static void measure(const struct site *s, const struct trace_rows *r, size_t pole,
                    const struct trace_plan *p, const struct trace_plans *all, struct noise *o)
{
    double level = mean_of(s, r, pole, p->at_wall_ms[0] - 60000, p->at_wall_ms[0]);
    size_t beyond = 0;
    o->sigma = SIGMA_FLOOR;
    o->tail = TAIL_LEAST;
    o->n = past_steps(s, r, pole, p, all, o->past);
    if (!isnan(level))
        o->sigma = fmax(o->sigma, SIGMA_SHARE * level);
    if (o->n == 0)
        return;
    sort(o->past, o->n);
    o->sigma = fmax(o->sigma, 1.4826 * o->past[o->n / 2]);
    for (size_t i = o->n; i > 0 && o->past[i - 1] > 4.0 * o->sigma; i--)
        beyond++;
    o->tail = fmin(TAIL_BUSY, fmax(TAIL_LEAST, (double)beyond / (double)o->n));
}

static size_t first_from(const double *sorted, size_t n, double least)
{
    size_t low = 0, high = n;
    while (low < high) {
        size_t mid = (low + high) / 2;
        if (sorted[mid] < least)
            low = mid + 1;
        else
            high = mid;
    }
    return low;
}

/* What else is switched, up or down: any size, the larger the rarer, like 1 / amps^2. */
static double tail_density(double x)
{
    return 0.5 * TAIL_AMPS / ((TAIL_AMPS + fabs(x)) * (TAIL_AMPS + fabs(x)));
}

static double core_density(double sigma, double x)
{
    double z = x / sigma;
    return exp(-0.5 * z * z) / (sigma * SQRT_TWO_PI);
}

/* Steps of the sizes that were seen before: what cycles on the circuit comes again. The past
 * steps are sorted. */
static double again_density(const struct noise *o, double x)
{
    double width = hypot(o->sigma, SPREAD * x), sum = 0.0;
    for (size_t i = first_from(o->past, o->n, fabs(x) - FAR * width);
         i < o->n && o->past[i] < fabs(x) + FAR * width; i++) {
        double z = (fabs(x) - o->past[i]) / width;
        sum += exp(-0.5 * z * z);
    }
    /* half of them up, half down */
    return o->n > 0 ? 0.5 * sum / (double)o->n / (width * SQRT_TWO_PI) : tail_density(x);
}

/* ---- the load ---- */

/* of each amplitude of the grid, how likely it was beforehand; both sum to 1 */
struct prior {
    size_t n;
    double amps[256], known[256], unknown[256];
};

static void make_prior(const struct trace_load *load, struct prior *p)
{
    double known = 0.0, unknown = 0.0, peak = 0.0;
    p->n = 0;
    for (double a = 0.05; a < MOST_AMPS && p->n < 256; a *= GRID_RATIO) {
        double z = log(a / load->amps) / SAID_SPREAD;
        p->amps[p->n] = a;
        p->unknown[p->n] = a >= load->least_amps ? 1.0 : 0.0;
        p->known[p->n] = isnan(z) ? 0.0 : exp(-0.5 * z * z);
        peak += p->known[p->n];
        unknown += p->unknown[p->n++];
    }
    for (size_t i = 0; i < p->n; i++) {
        p->unknown[i] /= unknown;
        p->known[i] = peak > 0.0
                          ? (1.0 - SAID_WRONG) * p->known[i] / peak + SAID_WRONG * p->unknown[i]
                          : p->unknown[i];
        known += p->known[i];
    }
    for (size_t i = 0; i < p->n; i++)
        p->known[i] /= known;
}

/* of a quiet circuit and of a busy one: which of both it is now is not known beforehand, for an
 * appliance may have begun with the tracing */
#define MOODS 3
struct mood {
    double weight, tail;
    double null[TRACE_BEATS]; /* densities of the steps without the load */
};

static void make_moods(const struct noise *o, const double steps[TRACE_BEATS],
                       struct mood m[MOODS])
{
    double again[TRACE_BEATS]; /* dear, and the same for all */
    for (int i = 0; i < TRACE_BEATS; i++)
        again[i] = isnan(steps[i]) ? 0.0 : again_density(o, steps[i]);
    m[0] = (struct mood){.weight = 1.0 - BUSY, .tail = o->tail};
    m[1] = (struct mood){.weight = BUSY / 2.0, .tail = fmax(TAIL_HALF, o->tail)};
    m[2] = (struct mood){.weight = BUSY / 2.0, .tail = TAIL_BUSY};
    for (int k = 0; k < MOODS; k++)
        for (int i = 0; i < TRACE_BEATS; i++)
            if (!isnan(steps[i]))
                m[k].null[i] =
                    (1.0 - AGAIN) * ((1.0 - m[k].tail) * core_density(o->sigma, steps[i]) +
                                     m[k].tail * tail_density(steps[i])) +
                    AGAIN * again[i];
}

/* of the steps if the load draws a, over the moods */
static double with_load(const struct mood moods[MOODS], const double steps[TRACE_BEATS],
                        double sigma, double a)
{
    double core[TRACE_BEATS], tail[TRACE_BEATS], sum = 0.0;
    for (int i = 0; i < TRACE_BEATS; i++) {
        core[i] = isnan(steps[i]) ? 0.0 : core_density(sigma, steps[i] - a);
        tail[i] = isnan(steps[i]) ? 0.0 : tail_density(steps[i] - a);
    }
    for (int k = 0; k < MOODS; k++) {
        const struct mood *m = &moods[k];
        double product = m->weight;
        for (int i = 0; i < TRACE_BEATS; i++)
            if (!isnan(steps[i]))
                product *= MISSED * m->null[i] +
                           (1.0 - MISSED) * ((1.0 - m->tail) * core[i] + m->tail * tail[i]);
        sum += product;
    }
    return sum;
}

/* most beats are in the steps */
static bool keeps_the_beat(const double steps[TRACE_BEATS], int read, double sigma, double a)
{
    int kept = 0;
    for (int i = 0; i < TRACE_BEATS; i++)
        kept += fabs(steps[i] - a) < 3.0 * sigma;
    return kept >= read - MISSED_MOST;
}

/* log likelihood ratios of one delay; false: too few readings */
static bool see_delay(const struct noise *o, const struct prior *prior,
                      const double steps[TRACE_BEATS], struct trace_delay *out)
{
    int read = 0;
    double null = 0.0, known = 0.0, unknown = 0.0, amps = 0.0;
    struct mood moods[MOODS];
    for (int i = 0; i < TRACE_BEATS; i++)
        read += !isnan(steps[i]);
    if (read < LEAST_STEPS)
        return false;
    make_moods(o, steps, moods);
    for (int k = 0; k < MOODS; k++) {
        double product = moods[k].weight;
        for (int i = 0; i < TRACE_BEATS; i++)
            product *= isnan(steps[i]) ? 1.0 : moods[k].null[i];
        null += product;
    }
    for (size_t k = 0; k < prior->n; k++) {
        if (!(prior->known[k] > 0.0 || prior->unknown[k] > 0.0))
            continue;
        double a = prior->amps[k], sigma = hypot(o->sigma, SPREAD * a);
        double ratio = with_load(moods, steps, sigma, a) / null;
        if (ratio > CHANCE && !keeps_the_beat(steps, read, sigma, a))
            ratio = CHANCE;
        known += prior->known[k] * ratio;
        unknown += prior->unknown[k] * ratio;
        amps += prior->unknown[k] * ratio * a;
    }
    *out = (struct trace_delay){log(known), log(unknown), amps / unknown};
    return true;
}

bool trace_see(const struct site *s, const struct trace_rows *rows, size_t pole,
               const struct trace_plan *plan, const struct trace_plans *all,
               const struct trace_load *load, struct trace_delay out[TRACE_DELAYS])
{
    struct prior prior;
    struct noise o;
    bool read = true;
    make_prior(load, &prior);
    measure(s, rows, pole, plan, all, &o);
    for (int d = 0; d < TRACE_DELAYS; d++) {
        double steps[TRACE_BEATS];
        for (int i = 0; i < TRACE_BEATS; i++)
            steps[i] = step_of(s, rows, pole, plan, i, d * (int64_t)TRACE_DELAY_MS);
        read = see_delay(&o, &prior, steps, &out[d]) && read;
    }
    return read;
}
