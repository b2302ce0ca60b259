#include "neutral_steps.h"

#include <math.h>
#include <string.h>

#define STEADY_AMPS 0.5
#define STEADY_SHARE 0.05 /* of the step */
#define LONGEST_MS 8000   /* from the first of the readings to the last */
#define KEPT_SHARE 0.97   /* of what was known, with every step */
#define SURE 3.0          /* standard errors */

static bool steady(const struct neutral_steps *s, int a, int b, double step)
{
    double most = STEADY_AMPS + STEADY_SHARE * step;
    return fabs(s->at[a].amps[0] - s->at[b].amps[0]) <= most &&
           fabs(s->at[a].amps[1] - s->at[b].amps[1]) <= most;
}

/* from the first two readings to the last two */
static double amps_change(const struct neutral_steps *s, int leg)
{
    return 0.5 *
           (s->at[3].amps[leg] + s->at[4].amps[leg] - s->at[0].amps[leg] - s->at[1].amps[leg]);
}

static double volts_change(const struct neutral_steps *s, int leg)
{
    return 0.5 * (s->at[3].volts[leg] + s->at[4].volts[leg] - s->at[0].volts[leg] -
                  s->at[1].volts[leg]);
}

static void learn(struct neutral_steps *s, int leg)
{
    double amps = amps_change(s, leg), other = volts_change(s, 1 - leg);
    s->steps = KEPT_SHARE * s->steps + 1.0;
    s->squares = KEPT_SHARE * s->squares + amps * amps;
    s->own = KEPT_SHARE * s->own + amps * volts_change(s, leg);
    s->other = KEPT_SHARE * s->other + amps * other;
    s->other_squares = KEPT_SHARE * s->other_squares + other * other;
}

void neutral_steps_take(struct neutral_steps *s, int64_t mono_ms, const double amps[2],
                        const double volts[2])
{
    if (isnan(amps[0] + amps[1] + volts[0] + volts[1])) {
        s->kept = 0;
        return;
    }
    if (s->kept == NEUTRAL_KEPT)
        memmove(s->at, s->at + 1, (size_t)--s->kept * sizeof s->at[0]);
    s->at[s->kept].ms = mono_ms;
    memcpy(s->at[s->kept].amps, amps, sizeof s->at[0].amps);
    memcpy(s->at[s->kept].volts, volts, sizeof s->at[0].volts);
    s->kept++;
    if (s->kept < NEUTRAL_KEPT || mono_ms - s->at[0].ms > LONGEST_MS)
        return;
    for (int leg = 0; leg < 2; leg++) {
        double step = fabs(amps_change(s, leg));
        if (step < NEUTRAL_STEP_AMPS || !steady(s, 0, 1, step) || !steady(s, 3, 4, step) ||
            fabs(amps_change(s, 1 - leg)) > STEADY_AMPS + STEADY_SHARE * step)
            continue;
        learn(s, leg);
        s->kept = 0; /* each step once */
        return;
    }
}

struct neutral_ohms neutral_steps_ohms(const struct neutral_steps *s)
{
    struct neutral_ohms o = {.steps = s->steps, .error = (double)INFINITY};
    if (!(s->steps >= 2.0))
        return o;
    o.neutral = s->other / s->squares;
    o.line = -s->own / s->squares - o.neutral;
    double left = s->other_squares - o.neutral * s->other; /* unexplained dV^2 */
    o.error = sqrt(fmax(0.0, left) / (s->steps - 1.0) / s->squares);
    return o;
}

bool neutral_steps_loose(const struct neutral_ohms *o, double limit)
{
    double line = o->line > 0.0 ? o->line : 0.0;
    return o->steps >= NEUTRAL_STEPS_LEAST - 0.5 && o->neutral >= limit &&
           o->neutral - SURE * o->error >= 0.5 * limit && o->neutral >= NEUTRAL_RATIO * line;
}
