#include "steps.h"

#include <math.h>
#include <string.h>

#define BAND_LEAST 0.045F /* a meter's last digit of 10 mA and its noise stay inside */
#define BAND_NOISES                                                                            \
    5.0F          /* mean absolute deviations: four standard deviations of Gaussian noise */
#define SETTLED 3 /* readings that rest make a level, over SETTLED_MS at least */
#define SETTLED_MS 1900

static float band_of(const struct steps *s)
{
    return fmaxf(BAND_LEAST, BAND_NOISES * s->noise);
}

/* median of the newest n readings, n <= STEPS_KEEP */
static float median_of_newest(const struct steps *s, int n)
{
    float v[STEPS_KEEP];
    const float *from = s->amps + s->kept - n;

    for (int i = 0; i < n; i++) {
        int k = i;
        for (; k > 0 && v[k - 1] > from[i]; k--)
            v[k] = v[k - 1];
        v[k] = from[i];
    }
    return (v[(n - 1) / 2] + v[n / 2]) / 2;
}

static void rest_at(struct steps *s, float level)
{
    s->level = level;
    s->known = true;
    s->kept = 0;
    s->band = band_of(s);
}

/* How many of the newest readings rest: all within twice the band (or 4 % of the movement) of
 * each other. At slow polls two readings do. */
static int resting(const struct steps *s)
{
    float low = INFINITY, high = -INFINITY;
    int n = 0;

    while (n < s->kept) {
        float x = s->amps[s->kept - 1 - n];
        low = fminf(low, x);
        high = fmaxf(high, x);
        if (high - low > fmaxf(2 * band_of(s), 0.04F * fabsf(x - s->level)))
            break;
        n++;
    }
    return n;
}

static void keep(struct steps *s, int64_t mono_ms, int64_t wall_ms, float amps)
{
    if (s->kept == 0) {
        s->began_mono_ms = mono_ms;
        s->began_wall_ms = wall_ms;
    }
    if (s->kept == STEPS_KEEP) {
        memmove(s->amps, s->amps + 1, (STEPS_KEEP - 1) * sizeof s->amps[0]);
        memmove(s->after_ms, s->after_ms + 1, (STEPS_KEEP - 1) * sizeof s->after_ms[0]);
        s->kept--;
    }
    s->amps[s->kept] = amps;
    s->after_ms[s->kept] = (int32_t)(mono_ms - s->began_mono_ms);
    s->kept++;
    s->band = -1;
}

bool steps_feed(struct steps *s, int64_t mono_ms, int64_t wall_ms, float amps, struct step *out)
{
    float band = band_of(s);
    if (s->known && s->kept == 0 && fabsf(amps - s->level) <= band)
        return false;
    if (s->kept > 0 && mono_ms - s->began_mono_ms > 600000)
        s->kept = 0; /* a gap inside a movement: begin again */
    keep(s, mono_ms, wall_ms, amps);
    int32_t lasted = s->after_ms[s->kept - 1];
    int n = resting(s);
    int32_t rested = lasted - s->after_ms[s->kept - n];
    bool slow = s->kept >= 2 && lasted / (s->kept - 1) > STEPS_PATIENCE_MS / 2;
    bool settled = n >= (slow ? 2 : SETTLED) && rested >= SETTLED_MS;

    if (!s->known) {
        if (settled || lasted >= STEPS_PATIENCE_MS)
            rest_at(s, median_of_newest(s, settled ? n : s->kept));
        return false;
    }
    if (n >= 2 && fabsf(amps - s->level) <= band && lasted - rested <= STEPS_GLITCH_MS) {
        rest_at(s, s->level);
        return false;
    }
    if (!settled && lasted < STEPS_PATIENCE_MS)
        return false;
    float peak = amps;
    for (int i = 0; i < s->kept; i++)
        peak = fmaxf(peak, s->amps[i]);
    *out = (struct step){s->began_mono_ms, s->began_wall_ms, s->level,
                         median_of_newest(s, settled ? n : s->kept), peak};
    rest_at(s, out->after);
    return fabsf(out->after - out->before) > band;
}

void steps_rested(struct steps *s, float offset, float deviation)
{
    s->level += offset;
    s->noise += 0.2F * (deviation - s->noise);
    if (s->kept == 0)
        s->band = band_of(s);
}
