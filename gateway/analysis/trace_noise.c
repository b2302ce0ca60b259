#include "trace_noise.h"

#include <math.h>

#define EARLY_MS 500      /* a hand that is before the beat */
#define SETTLE_MS 1000    /* of the load, and of a hand that is a second late */
#define NOISE_MOST 1200   /* means */
#define SIGMA_FLOOR 0.02  /* amps: what a meter can tell apart */
#define SIGMA_SHARE 0.015 /* of the current: what the supply's voltage does to other loads */
#define TAIL_LEAST 0.03   /* of the steps, in a house where people live */
#define TAIL_AMPS 1.0     /* half of what is switched in a house is smaller */
#define AGAIN 0.5         /* of the noise is as the noise before */
#define AGAIN_WIDTH 0.25  /* of sigma: how well a size comes again */
#define AGAIN_SPREAD 0.03 /* of the size */
#define SQRT_TWO_PI 2.5066282746310002

/* ---- means ---- */

static size_t first_at(const struct trace_series *r, int64_t wall_ms)
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
static double mean_of(const struct trace_series *r, const float *amps, int64_t from_wall_ms,
                      int64_t before_wall_ms)
{
    double sum = 0.0;
    size_t n = 0;
    for (size_t i = first_at(r, from_wall_ms); i < r->count && r->wall_ms[i] < before_wall_ms;
         i++)
        if (!isnan(amps[i])) {
            sum += (double)amps[i];
            n++;
        }
    return n > 0 ? sum / (double)n : (double)NAN;
}

/* what a meter that is read each fourth part of a beat adds */
static int64_t settle_ms(const struct trace_plan *p)
{
    return SETTLE_MS + p->beat_ms / 4;
}

void trace_noise_around(const struct trace_series *r, const struct trace_plan *p, int i,
                        int64_t delay_ms, double *before, double *after)
{
    int64_t at = p->at_wall_ms[i] + delay_ms, ends = at - EARLY_MS, begins = at + settle_ms(p);
    *before = mean_of(r, r->amps, ends - p->beat_ms, ends);
    *after = mean_of(r, r->amps, begins, begins + p->beat_ms);
}

/* ---- measured ---- */

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
static size_t past_steps(const struct trace_series *r, const struct trace_plan *p,
                         const struct trace_plans *all, double out[NOISE_MOST])
{
    int64_t room = settle_ms(p) + EARLY_MS, length = 2 * p->beat_ms + room;
    int64_t first = p->at_wall_ms[0] - TRACE_BEFORE_MS;
    size_t n = 0;
    for (int64_t t = first; t + length <= p->at_wall_ms[0] && n < NOISE_MOST; t += 1000) {
        double d = overlaps(all, t, t + length)
                       ? (double)NAN
                       : mean_of(r, r->amps, t + p->beat_ms + room, t + length) -
                             mean_of(r, r->amps, t, t + p->beat_ms);
        if (!isnan(d))
            out[n++] = fabs(d);
    }
    return n;
}

static double width_of(const struct trace_noise *o, double size)
{
    return hypot(fmax(SIGMA_FLOOR, AGAIN_WIDTH * o->sigma), AGAIN_SPREAD * size);
}

/* those that lie within half a width made one, and as many as there is room for */
static void gather_sizes(const double *past, size_t n, struct trace_noise *o)
{
    double least = (past[n - 1] - past[0]) / TRACE_NOISE_SIZES, sum = 0.0, first = past[0];
    size_t count = 0;
    o->n = 0;
    for (size_t i = 0; i < n; i++) {
        sum += past[i];
        count++;
        bool ends = i + 1 == n || past[i + 1] - first > fmax(least, 0.5 * width_of(o, first));
        if (!ends || (o->n == TRACE_NOISE_SIZES - 1 && i + 1 < n))
            continue;
        o->size[o->n] = sum / (double)count;
        o->share[o->n++] = (double)count / (double)n;
        first = i + 1 < n ? past[i + 1] : 0.0;
        sum = 0.0;
        count = 0;
    }
}

void trace_noise_measure(const struct trace_series *r, const struct trace_plan *p,
                         const struct trace_plans *all, struct trace_noise *o)
{
    double past[NOISE_MOST];
    double level = mean_of(r, r->level, p->at_wall_ms[0] - 60000, p->at_wall_ms[0]);
    size_t beyond = 0, n = past_steps(r, p, all, past);
    *o = (struct trace_noise){.sigma = SIGMA_FLOOR, .tail = TAIL_LEAST};
    if (!isnan(level))
        o->sigma = fmax(o->sigma, SIGMA_SHARE * level);
    if (n == 0)
        return;
    sort(past, n);
    o->sigma = fmax(o->sigma, 1.4826 * past[n / 2]);
    for (size_t i = n; i > 0 && past[i - 1] > 4.0 * o->sigma; i--)
        beyond++;
    o->tail = fmax(TAIL_LEAST, (double)beyond / (double)n);
    gather_sizes(past, n, o);
}

/* ---- how likely ---- */

double trace_noise_busy(double x)
{
    return 0.5 * TAIL_AMPS / ((TAIL_AMPS + fabs(x)) * (TAIL_AMPS + fabs(x)));
}

static double normal_density(double sigma, double x)
{
    double z = x / sigma;
    return z * z < 32.0 ? exp(-0.5 * z * z) / (sigma * SQRT_TWO_PI) : 0.0;
}

/* half of the sizes up, half down */
static double again_density(const struct trace_noise *o, double x, double spread)
{
    double sum = 0.0;
    for (size_t i = 0; i < o->n; i++) {
        double width = hypot(width_of(o, o->size[i]), spread);
        sum += 0.5 * o->share[i] *
               (normal_density(width, x - o->size[i]) + normal_density(width, x + o->size[i]));
    }
    return sum;
}

double trace_noise_density(const struct trace_noise *o, double x, double spread)
{
    double any = (1.0 - o->tail) * normal_density(hypot(o->sigma, spread), x) +
                 o->tail * trace_noise_busy(x);
    return o->n == 0 ? any : (1.0 - AGAIN) * any + AGAIN * again_density(o, x, spread);
}
