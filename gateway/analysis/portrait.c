#include "portrait.h"

#include <math.h>

#define DAY_SECONDS 86400.0F
#define FADE_SECONDS 3600.0F
#define MEMORY_SECONDS (3 * DAY_SECONDS)
#define STEPS_AN_OCTAVE 3

/* Added before the logarithm, so that "none" is a number. */
#define PLUS_WATTS 3.0F
#define PLUS_SHARE 3e-4F
#define PLUS_ON 1e-3F
#define PLUS_RUNS 0.3F
#define PLUS_WANDER 0.01F
#define PLUS_WATTS_VARY 0.02F
#define PLUS_VARY 0.05F
#define PLUS_SECONDS 5.0F /* as SIGNATURE_SECONDS has */
#define PLUS_GAP 10.0F

/* The judge; docs/method/appliances.md. */
#define WIDTH 0.6F        /* about a device's day, of the width of all days */
#define SCALE 0.3F        /* a day's features go together */
#define LACKS 1.0F        /* what has no days is like the best that has, less so much */
#define EACH_ITS_OWN 4.0F /* that every load may be another thing explains anything */
#define FLATTER 2.0F      /* runs and day are not independent either */
#define SURE 0.6F

static const float hundredths[] = {5, 25, 50, 75, 90, 97, 99, 99.7F};
static const float overs[] = {20, 100, 500, 1500};
static const enum signature_feature shapes[PORTRAIT_SHAPES] = {
    SIGNATURE_INRUSH,  SIGNATURE_RISE,   SIGNATURE_FADE,  SIGNATURE_SPREAD,
    SIGNATURE_CHANGES, SIGNATURE_PULSES, SIGNATURE_RIPPLE};

static void add(struct portrait_sum *s, float x, float weight)
{
    if (isnan(x))
        return;
    s->weight += weight;
    s->x += weight * x;
    s->xx += weight * x * x;
}

static float mean(const struct portrait_sum *s)
{
    return s->weight > 0 ? s->x / s->weight : NAN;
}

static float deviation(const struct portrait_sum *s)
{
    float m = mean(s);
    return sqrtf(fmaxf(s->xx / s->weight - m * m, 0));
}

static void fade_sum(struct portrait_sum *s, float by)
{
    s->weight *= by;
    s->x *= by;
    s->xx *= by;
}

static void fade(struct portrait *p)
{
    float by = expf(-p->unfaded / MEMORY_SECONDS);
    float *const sums[] = {&p->seconds,    &p->energy, &p->wander, &p->runs,
                           &p->on_seconds, &p->night,  &p->evening};
    struct portrait_sum *const means[] = {&p->watts_by_charge, &p->watts_by_run,
                                          &p->seconds_by_run, &p->seconds_by_time, &p->gap};
    for (size_t i = 0; i < sizeof sums / sizeof sums[0]; i++)
        *sums[i] *= by;
    for (int i = 0; i < PORTRAIT_LEVELS; i++)
        p->level[i] *= by;
    for (size_t i = 0; i < sizeof means / sizeof means[0]; i++)
        fade_sum(means[i], by);
    for (int i = 0; i < PORTRAIT_SHAPES; i++)
        fade_sum(&p->shape[i], by);
    p->unfaded = 0;
}

void portrait_level(struct portrait *p, float watts, float seconds)
{
    float at = STEPS_AN_OCTAVE * log2f(fmaxf(watts, 1));
    p->level[(int)fminf(at, PORTRAIT_LEVELS - 1)] += seconds;
    p->seconds += seconds;
    p->energy += watts * seconds;
    if (p->seconds < DAY_SECONDS)
        return;
    p->unfaded += seconds;
    if (p->unfaded >= FADE_SECONDS)
        fade(p);
}

void portrait_step(struct portrait *p, float watts)
{
    p->wander += fabsf(watts);
}

void portrait_run(struct portrait *p, const float x[SIGNATURE_FEATURES], int64_t began_wall_ms,
                  int32_t utc_offset_seconds)
{
    float seconds = expf(x[SIGNATURE_SECONDS]) - PLUS_SECONDS;
    float charge = expf(x[SIGNATURE_WATTS]) * seconds;
    int64_t second = (began_wall_ms / 1000 + utc_offset_seconds) % 86400;
    int hour = (int)((second + 86400) % 86400 / 3600);
    if (!(seconds > 0))
        return;
    p->runs++;
    p->on_seconds += seconds;
    p->night += hour < 6;
    p->evening += hour >= 17;
    add(&p->watts_by_charge, x[SIGNATURE_WATTS], charge);
    add(&p->watts_by_run, x[SIGNATURE_WATTS], 1);
    add(&p->seconds_by_run, x[SIGNATURE_SECONDS], 1);
    add(&p->seconds_by_time, x[SIGNATURE_SECONDS], seconds);
    if (p->last_wall_ms != 0)
        add(&p->gap, logf(fabsf((float)(began_wall_ms - p->last_wall_ms)) / 1000 + PLUS_GAP),
            1);
    p->last_wall_ms = began_wall_ms;
    for (int i = 0; i < PORTRAIT_SHAPES; i++)
        add(&p->shape[i], x[shapes[i]], charge);
}

/* Watts below which the level was for that part of the time. */
static float level_at(const struct portrait *p, float part)
{
    float below = 0;
    for (int k = 0; k < PORTRAIT_LEVELS; k++) {
        if (p->level[k] > 0 && below + p->level[k] >= part * p->seconds)
            return exp2f(((float)k + (part * p->seconds - below) / p->level[k]) /
                         STEPS_AN_OCTAVE);
        below += p->level[k];
    }
    return exp2f((float)PORTRAIT_LEVELS / STEPS_AN_OCTAVE);
}

static float share_over(const struct portrait *p, float watts)
{
    float from = STEPS_AN_OCTAVE * log2f(watts), sum = 0;
    for (int k = (int)ceilf(from); k < PORTRAIT_LEVELS; k++)
        sum += p->level[k];
    return (sum + (ceilf(from) - from) * p->level[(int)from]) / p->seconds;
}

void portrait_day(const struct portrait *p, float day[SIGNATURE_DAY])
{
    for (int f = 0; f < SIGNATURE_DAY; f++)
        day[f] = NAN;
    if (!(p->seconds > 0))
        return;
    for (int i = 0; i < 8; i++)
        day[DAY_LEVEL_5 + i] = logf(level_at(p, hundredths[i] / 100) + PLUS_WATTS);
    for (int i = 0; i < 4; i++)
        day[DAY_OVER_20 + i] = logf(share_over(p, overs[i]) + PLUS_SHARE);
    day[DAY_MEAN] = logf(p->energy / p->seconds + 1);
    day[DAY_WANDER] = logf(p->wander / p->seconds + PLUS_WANDER);
    day[DAY_RUNS] = logf(p->runs * DAY_SECONDS / p->seconds + PLUS_RUNS);
    if (p->seconds_by_run.weight <= 0)
        return;
    day[DAY_ON_SHARE] = logf(p->on_seconds / p->seconds + PLUS_ON);
    day[DAY_WATTS_BY_CHARGE] = mean(&p->watts_by_charge);
    day[DAY_WATTS_BY_CHARGE_VARY] = logf(deviation(&p->watts_by_charge) + PLUS_WATTS_VARY);
    day[DAY_WATTS_BY_RUN] = mean(&p->watts_by_run);
    day[DAY_WATTS_BY_RUN_VARY] = logf(deviation(&p->watts_by_run) + PLUS_WATTS_VARY);
    day[DAY_SECONDS_BY_RUN] = mean(&p->seconds_by_run);
    day[DAY_SECONDS_VARY] = logf(deviation(&p->seconds_by_run) + PLUS_VARY);
    day[DAY_SECONDS_BY_TIME] = mean(&p->seconds_by_time);
    day[DAY_GAP] = mean(&p->gap);
    if (p->runs > 2)
        day[DAY_GAP_VARY] = logf(deviation(&p->gap) + PLUS_VARY);
    day[DAY_NIGHT] = p->night / p->runs;
    day[DAY_EVENING] = p->evening / p->runs;
    for (int i = 0; i < PORTRAIT_SHAPES; i++)
        day[DAY_INRUSH + i] = mean(&p->shape[i]);
}

/* Logarithm of the density of Student's t of four degrees about a day, less a constant. */
static float likeness(const struct signature_set *set, const float day[SIGNATURE_DAY],
                      const float centre[SIGNATURE_DAY], float width)
{
    float sum = 0;
    for (int f = 0; f < SIGNATURE_DAY; f++) {
        float w = width * set->day_width[f], d = (day[f] - centre[f]) / w;
        if (!isnan(d))
            sum -= 2.5F * log1pf(0.25F * d * d) + logf(width);
    }
    return sum;
}

static float mean_likeness(const struct signature_set *set, const float day[SIGNATURE_DAY],
                           float (*const of)[SIGNATURE_DAY], size_t count)
{
    float most = -INFINITY, sum = 0;
    for (size_t i = 0; i < count; i++) {
        float l = likeness(set, day, of[i], WIDTH);
        if (l > most) {
            sum = sum * expf(most - l) + 1;
            most = l;
        } else {
            sum += expf(l - most);
        }
    }
    return SCALE * (most + logf(sum / (float)count));
}

struct portrait_guess portrait_judge(const struct signature_set *set,
                                     const float day[SIGNATURE_DAY],
                                     const struct portrait_odds *runs)
{
    float odds[SIGNATURE_MAX], likest = -INFINITY, most = -INFINITY, total = 0;
    struct portrait_guess best = {.kind = PORTRAIT_EARLY};
    for (size_t i = 0; i < set->count; i++) {
        const struct signature *s = &set->signatures[i];
        odds[i] = s->day_count ? mean_likeness(set, day, s->days, s->day_count) : -INFINITY;
        likest = fmaxf(likest, odds[i]);
    }
    if (likest == -INFINITY)
        return best;
    for (size_t i = 0; i < set->count; i++) {
        const struct signature *s = &set->signatures[i];
        if (!s->day_count)
            odds[i] = likest - LACKS;
        odds[i] += runs->known ? runs->one[i] : logf((float)s->share);
        if (odds[i] > most)
            most = odds[i], best.signature = s;
    }
    float unknown = SCALE * likeness(set, day, set->day_centre, 1), several = -INFINITY;
    if (set->several_count)
        several = mean_likeness(set, day, set->several, set->several_count) +
                  (runs->known ? runs->several : 0) - EACH_ITS_OWN;
    float top = fmaxf(most, fmaxf(unknown, several));
    for (size_t i = 0; i < set->count; i++)
        total += expf((odds[i] - top) / FLATTER);
    total += expf((unknown - top) / FLATTER) + expf((several - top) / FLATTER);
    best.probability = expf((most - top) / FLATTER) / total;
    float more = expf((several - top) / FLATTER) / total;
    best.kind = best.probability >= SURE ? PORTRAIT_ONE : PORTRAIT_UNKNOWN;
    if (more >= SURE)
        best = (struct portrait_guess){PORTRAIT_SEVERAL, best.signature, more};
    return best;
}
