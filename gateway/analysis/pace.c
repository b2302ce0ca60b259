#include "pace.h"

#include <math.h>

#define PRIOR_EVENTS 1.0 /* how much the plain rate weighs: so many events, */
#define PRIOR_TIMES 1.0  /* or times that the first came */

static const double until[PACE_STRETCHES] = {15, 60, 180, 600, 1800, 7200, PACE_LONG, 1e12};
static const double after_until[PACE_AFTERS] = {60, 180, 600, PACE_AFTER_MOST};

/* how much of from .. to lies in stretch n */
static double overlap(const double *ends, int n, double from, double to)
{
    return fmax(0.0, fmin(to, ends[n]) - fmax(from, n > 0 ? ends[n - 1] : 0.0));
}

static int stretch_of(const double *ends, int count, double seconds)
{
    int n = 0;
    while (n < count - 1 && seconds >= ends[n])
        n++;
    return n;
}

void pace_watched(struct pace *p, double seconds, int comes)
{
    int last = stretch_of(until, PACE_STRETCHES, seconds);
    for (int n = 0; n <= last; n++)
        p->seconds[n] += (float)overlap(until, n, 0.0, seconds);
    if (comes)
        p->events[last] += 1.0F;
}

double pace_expects(const struct pace *p, double since, double seconds, double plain)
{
    double sum = 0.0;
    for (int n = stretch_of(until, PACE_STRETCHES, since); n < PACE_STRETCHES; n++) {
        double part = overlap(until, n, since, since + seconds);
        if (part <= 0.0)
            break;
        sum += part * ((double)p->events[n] + PRIOR_EVENTS) /
               ((double)p->seconds[n] + PRIOR_EVENTS / plain);
    }
    return sum;
}

void pace_fade(struct pace *p, double share)
{
    for (int n = 0; n < PACE_STRETCHES; n++) {
        p->events[n] *= (float)share;
        p->seconds[n] *= (float)share;
    }
}

void pace_followed(struct pace_after *a, double seconds)
{
    a->followed[stretch_of(after_until, PACE_AFTERS, seconds)] += 1.0F;
}

double pace_expects_after(const struct pace_after *a, double times, double since,
                          double seconds, double plain)
{
    double sum = 0.0, waiting = times;
    for (int n = 0; n < PACE_AFTERS; n++) {
        double width = after_until[n] - (n > 0 ? after_until[n - 1] : 0.0);
        double followed = (double)a->followed[n];
        sum += overlap(after_until, n, since, since + seconds) *
               (followed / width + PRIOR_TIMES * plain) /
               (fmax(waiting, followed) + PRIOR_TIMES);
        waiting = fmax(0.0, waiting - followed);
    }
    return sum;
}

void pace_fade_after(struct pace_after *a, double share)
{
    for (int n = 0; n < PACE_AFTERS; n++)
        a->followed[n] *= (float)share;
}
