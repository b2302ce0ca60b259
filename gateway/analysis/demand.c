#include "demand.h"

#include <math.h>

#define MINUTE_MS INT64_C(60000)
#define QUARTER_MS (DEMAND_MINUTES * MINUTE_MS)

static void forget(struct demand *d)
{
    for (int m = 0; m < DEMAND_MINUTES; m++) {
        d->sum[m] = (double)NAN;
        for (int l = 0; l < d->legs; l++)
            d->leg[l].ring[m] = (double)NAN;
    }
    d->quarters = 0;
}

void demand_init(struct demand *d, int legs)
{
    *d = (struct demand){.legs = legs, .most_amps = (double)NAN};
    for (int l = 0; l < SITE_MAX_LEGS; l++)
        d->leg[l].sliding_amps = d->leg[l].aligned_amps = d->leg[l].continuous_amps =
            (double)NAN;
    forget(d);
}

/* NaN when too few of the fifteen were measured */
static double mean_of(const double ring[DEMAND_MINUTES])
{
    double sum = 0.0;
    int n = 0;
    for (int m = 0; m < DEMAND_MINUTES; m++)
        if (!isnan(ring[m]))
            sum += ring[m], n++;
    return n >= DEMAND_LEAST_MINUTES ? sum / n : (double)NAN;
}

static void keep_most(double *most, int64_t *at, double value, int64_t wall_ms)
{
    if (isnan(value) || value <= *most) /* false while *most is NaN */
        return;
    *most = value;
    *at = wall_ms;
}

/* the quarter that this minute ends, by the clock */
static void end_quarter(struct demand *d, int64_t begun_wall_ms)
{
    int at = d->quarters % DEMAND_LONG_QUARTERS;
    bool measured = true;
    for (int l = 0; l < d->legs; l++) {
        struct demand_leg *x = &d->leg[l];
        x->quarters[at] = mean_of(x->ring);
        measured = measured && !isnan(x->quarters[at]);
        keep_most(&x->aligned_amps, &x->aligned_wall_ms, x->quarters[at], begun_wall_ms);
    }
    d->quarters = measured ? d->quarters + 1 : 0;
    if (d->quarters < DEMAND_LONG_QUARTERS)
        return;
    for (int l = 0; l < d->legs; l++) {
        struct demand_leg *x = &d->leg[l];
        double least = x->quarters[0];
        for (int q = 1; q < DEMAND_LONG_QUARTERS; q++)
            least = fmin(least, x->quarters[q]);
        x->continuous_amps = fmax(x->continuous_amps, least); /* NaN is no rival */
    }
    if (d->quarters >= 2 * DEMAND_LONG_QUARTERS)
        d->quarters -= DEMAND_LONG_QUARTERS; /* it only has to stay a full three hours */
}

static void take(struct demand *d, int64_t wall_ms, const double amps[SITE_MAX_LEGS])
{
    int at = (int)(wall_ms / MINUTE_MS % DEMAND_MINUTES);
    int64_t begun = wall_ms - QUARTER_MS + MINUTE_MS;
    double sum = 0.0;
    for (int l = 0; l < d->legs && l < SITE_MAX_LEGS; l++) {
        struct demand_leg *x = &d->leg[l];
        x->ring[at] = amps[l];
        sum += amps[l];
        keep_most(&x->sliding_amps, &x->sliding_wall_ms, mean_of(x->ring), begun);
    }
    d->sum[at] = sum;
    keep_most(&d->most_amps, &d->most_wall_ms, mean_of(d->sum), begun);
    if (at == DEMAND_MINUTES - 1)
        end_quarter(d, begun);
    d->next_wall_ms = wall_ms + MINUTE_MS;
    if (isnan(sum))
        return;
    if (d->first_wall_ms == 0)
        d->first_wall_ms = wall_ms;
    else
        d->longest_gap_minutes =
            fmax(d->longest_gap_minutes, (double)(wall_ms - d->last_wall_ms) / MINUTE_MS);
    d->last_wall_ms = d->next_wall_ms;
    d->minutes += 1.0;
}

void demand_minute(struct demand *d, int64_t wall_ms, const double amps[SITE_MAX_LEGS])
{
    static const double nothing[SITE_MAX_LEGS] = {(double)NAN, (double)NAN, (double)NAN};
    wall_ms -= wall_ms % MINUTE_MS;
    if (d->next_wall_ms && wall_ms - d->next_wall_ms > 2 * QUARTER_MS)
        forget(d);
    else
        for (int64_t t = d->next_wall_ms; t && t < wall_ms; t += MINUTE_MS)
            take(d, t, nothing);
    take(d, wall_ms, amps);
}

int demand_worse_leg(const struct demand *d)
{
    int worse = -1;
    for (int l = 0; l < d->legs; l++)
        if (!isnan(d->leg[l].sliding_amps) &&
            (worse < 0 || d->leg[l].sliding_amps > d->leg[worse].sliding_amps))
            worse = l;
    return worse;
}
