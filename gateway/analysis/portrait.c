#include "portrait.h"

#include <math.h>

#define DAY_SECONDS 86400.0F
#define FADE_SECONDS 3600.0F
#define MEMORY_SECONDS (3 * DAY_SECONDS)
#define STEPS_AN_OCTAVE 3
#define LOG_2 0.6931472F
#define UP_WATTS 8.0F /* something is on */
#define UP_LEVEL 9    /* the first of them */

/* Added before the logarithm, so that "none" is a number. */
#define PLUS_WATTS 3.0F
#define PLUS_SHARE 3e-4F
#define PLUS_ON 1e-3F
#define PLUS_RUNS 0.3F
#define PLUS_WANDER 0.01F
#define PLUS_WATTS_VARY 0.02F
#define PLUS_VARY 0.05F
#define PLUS_FLUTTER 0.3F
#define PLUS_UNREST 0.5F
#define PLUS_MOVING 0.003F
#define PLUS_DRAWN 0.1F   /* watts that are none */
#define PLUS_SECONDS 5.0F /* as SIGNATURE_SECONDS has */
#define PLUS_GAP 10.0F
#define PLUS_WANDER_UP 0.003F
#define PLUS_WANDER_SHARE 1e-4F
#define PLUS_LEVEL 1e-9F

/* The judge; docs/method/appliances.md. Trees that agree do so less than they should: the power
 * makes said probabilities come true on devices that were held back. */
#define LEAST 3e-3F        /* share that a class has without a tree that says so */
#define SHARPER 1.5F       /* that power */
#define SEVERAL_PRIOR 1.5F /* of several appliances, against a usual one alone */
#define RAREST 0.1F        /* no appliance is taken for rarer */
#define SURE 0.6F

#define LEVELS 11
static const float hundredths[LEVELS] = {5,  25,    50,     75,     90,     97,
                                         99, 99.7F, 99.95F, 99.99F, 99.997F};
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
    float *const sums[] = {&p->seconds,       &p->energy, &p->wander,   &p->runs,
                           &p->on_seconds,    &p->night,  &p->evening,  &p->up_seconds,
                           &p->quiet_seconds, &p->rises,  &p->from_low, &p->falls,
                           &p->to_low};
    struct portrait_sum *const means[] = {
        &p->watts_by_charge, &p->watts_by_run, &p->seconds_by_run, &p->seconds_by_time, &p->gap,
        &p->flutter,         &p->unrest};
    for (size_t i = 0; i < sizeof sums / sizeof sums[0]; i++)
        *sums[i] *= by;
    for (int i = 0; i < PORTRAIT_LEVELS; i++)
        p->level[i] *= by;
    for (int i = 0; i < PORTRAIT_QUARTERS; i++)
        p->quarter[i] *= by;
    for (size_t i = 0; i < sizeof means / sizeof means[0]; i++)
        fade_sum(means[i], by);
    for (int i = 0; i < PORTRAIT_SHAPES; i++)
        fade_sum(&p->shape[i], by);
    p->unfaded = 0;
}

void portrait_level(struct portrait *p, float watts, float seconds, int hour)
{
    float at = STEPS_AN_OCTAVE * log2f(fmaxf(watts, 1));
    p->level[(int)fminf(at, PORTRAIT_LEVELS - 1)] += seconds;
    p->seconds += seconds;
    p->energy += watts * seconds;
    p->quarter[hour / 6] += watts * seconds;
    if (watts > UP_WATTS)
        p->up_seconds += seconds;
    if (p->seconds < DAY_SECONDS)
        return;
    p->unfaded += seconds;
    if (p->unfaded >= FADE_SECONDS)
        fade(p);
}

void portrait_rest(struct portrait *p, float watts, float deviation, float seconds)
{
    if (watts > UP_WATTS) {
        p->quiet_seconds += seconds;
        if (p->rest_watts > 0)
            add(&p->flutter, logf(fabsf(watts - p->rest_watts) + PLUS_FLUTTER), 1);
        add(&p->unrest, logf(deviation + PLUS_UNREST), 1);
    }
    p->rest_watts = watts > UP_WATTS ? watts : 0;
}

void portrait_stir(struct portrait *p)
{
    p->rest_watts = 0;
}

void portrait_step(struct portrait *p, float before, float after, float peak)
{
    float change = fabsf(after - before);
    p->wander += change + 2 * fmaxf(peak - before, 0);
    if (after > 2 * before) {
        p->rises += change;
        if (before > UP_WATTS)
            p->from_low += change;
    } else if (before > 2 * after) {
        p->falls += change;
        if (after > UP_WATTS)
            p->to_low += change;
    }
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

/* Seconds at that level and above. */
static float seconds_from(const struct portrait *p, int from)
{
    float sum = 0;
    for (int k = from; k < PORTRAIT_LEVELS; k++)
        sum += p->level[k];
    return sum;
}

/* Logarithm of the watts below which it drew for so many of the seconds at that level and
 * above. */
static float level_at(const struct portrait *p, int from, float seconds)
{
    float below = 0, at = PORTRAIT_LEVELS;
    for (int k = from; k < PORTRAIT_LEVELS; k++) {
        if (p->level[k] > 0 && below + p->level[k] >= seconds) {
            at = (float)k + (seconds - below) / p->level[k];
            break;
        }
        below += p->level[k];
    }
    return at / STEPS_AN_OCTAVE * LOG_2;
}

static float share_over(const struct portrait *p, float watts)
{
    float from = STEPS_AN_OCTAVE * log2f(watts), sum = 0;
    for (int k = (int)ceilf(from); k < PORTRAIT_LEVELS; k++)
        sum += p->level[k];
    return (sum + (ceilf(from) - from) * p->level[(int)from]) / p->seconds;
}

/* What it draws while something is on, however long that is: watts, and how much they differ.
 */
static void day_up(const struct portrait *p, float day[SIGNATURE_DAY])
{
    float up = seconds_from(p, UP_LEVEL), down = 0, drawn_down = 0, before = 0;
    for (int k = 0; k < UP_LEVEL; k++) {
        down += p->level[k];
        drawn_down += p->level[k] * exp2f(((float)k + 0.5F) / STEPS_AN_OCTAVE);
    }
    if (down > 0)
        day[DAY_STANDBY] = logf(drawn_down / down);
    if (!(up > 0))
        return;
    float low = level_at(p, UP_LEVEL, 0.1F * up), middle = level_at(p, UP_LEVEL, 0.5F * up);
    float high = level_at(p, UP_LEVEL, 0.9F * up);
    day[DAY_UP_LOW] = low;
    day[DAY_UP_MIDDLE] = middle;
    day[DAY_UP_SPREAD] = high - low;
    day[DAY_UP_PEAK] = level_at(p, UP_LEVEL, 0.999F * up) - high;
    day[DAY_UNREST_SHARE] = mean(&p->unrest) - middle;
    day[DAY_FLUTTER_SHARE] = mean(&p->flutter) - middle;
    day[DAY_LEVELS] = day[DAY_ONE_LEVEL] = 0;
    for (int k = UP_LEVEL; k < PORTRAIT_LEVELS; k++) {
        float part = p->level[k] / up;
        day[DAY_LEVELS] -= part * logf(part + PLUS_LEVEL);
        day[DAY_ONE_LEVEL] = fmaxf(day[DAY_ONE_LEVEL], before + part);
        before = part;
    }
}

void portrait_day(const struct portrait *p, float day[SIGNATURE_DAY])
{
    for (int f = 0; f < SIGNATURE_DAY; f++)
        day[f] = NAN;
    if (!(p->seconds > 0))
        return;
    for (int i = 0; i < LEVELS; i++)
        day[DAY_LEVEL_5 + i] =
            logf(expf(level_at(p, 0, hundredths[i] / 100 * p->seconds)) + PLUS_WATTS);
    for (int i = 0; i < 4; i++)
        day[DAY_OVER_20 + i] = logf(share_over(p, overs[i]) + PLUS_SHARE);
    day[DAY_MEAN] = logf(p->energy / p->seconds + 1);
    day[DAY_WANDER] = logf(p->wander / p->seconds + PLUS_WANDER);
    day[DAY_RUNS] = logf(p->runs * DAY_SECONDS / p->seconds + PLUS_RUNS);
    float drawn = p->energy + PLUS_DRAWN * p->seconds;
    day[DAY_EARLY] = p->quarter[0] / drawn;
    day[DAY_MORNING] = p->quarter[1] / drawn;
    day[DAY_LATE] = p->quarter[3] / drawn;
    day[DAY_FLUTTER] = mean(&p->flutter);
    day[DAY_UNREST] = mean(&p->unrest);
    if (p->up_seconds > 0)
        day[DAY_MOVING] = logf(fmaxf(1 - p->quiet_seconds / p->up_seconds, 0) + PLUS_MOVING);
    day_up(p, day);
    day[DAY_WANDER_SHARE] = logf(p->wander / drawn + PLUS_WANDER_SHARE);
    day[DAY_UP_A_RUN] = logf(p->up_seconds / (p->runs + PLUS_RUNS) + 1);
    if (p->up_seconds > 0)
        day[DAY_WANDER_UP] = logf(p->wander / p->up_seconds + PLUS_WANDER_UP);
    if (p->rises > 0)
        day[DAY_FROM_LOW] = p->from_low / p->rises;
    if (p->falls > 0)
        day[DAY_TO_LOW] = p->to_low / p->falls;
    if (p->unrest.weight > 0)
        day[DAY_UNREST_VARY] = logf(deviation(&p->unrest) + PLUS_VARY);
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
    day[DAY_PULSES_VARY] = logf(deviation(&p->shape[DAY_PULSES - DAY_INRUSH]) + PLUS_VARY);
}

/* How common it is, tempered: a circuit of its own is no matter of how many there are. */
static float prior(const struct signature *s)
{
    return sqrtf(fminf(fmaxf((float)s->share, RAREST), 1));
}

struct portrait_guess portrait_judge(const struct signature_set *set,
                                     const float day[SIGNATURE_DAY])
{
    const struct signature_forest *f = &set->forest;
    float shares[SIGNATURE_CLASSES], odds[SIGNATURE_MAX] = {0}, several = 0, total = 0;
    struct portrait_guess best = {.kind = PORTRAIT_EARLY};
    if (f->tree_count == 0)
        return best;
    signature_forest_shares(f, day, shares);
    for (size_t c = 0; c < f->class_count; c++) {
        int k = f->classes[c];
        if (k == SIGNATURE_SEVERAL)
            several = powf((shares[c] + LEAST) * SEVERAL_PRIOR, SHARPER);
        else if (k >= 0)
            odds[k] = powf((shares[c] + LEAST) * prior(&set->signatures[k]), SHARPER);
    }
    for (size_t i = 0; i < set->count; i++)
        total += odds[i];
    total += several;
    for (size_t i = 0; i < set->count; i++) {
        float sum;
        const struct signature *s = appliances_of_group(set, odds, i, &sum);
        if (odds[i] > 0 && sum / total > best.probability)
            best = (struct portrait_guess){PORTRAIT_UNKNOWN, s, sum / total};
    }
    if (best.probability >= SURE)
        best.kind = PORTRAIT_ONE;
    if (several / total >= SURE)
        best = (struct portrait_guess){PORTRAIT_SEVERAL, best.signature, several / total};
    return best;
}
