#include "appliances.h"

#include "base/lanes.h"

#include <math.h>
#include <string.h>

#define FEW 3  /* runs of a load from which on their statistics say something */
#define SOME 8 /* and the hours do */
#define HALF_A_DAY_SECONDS 43200
#define RIPPLE_AMPS 1.3F /* of less, the meter's own noise is most */
#define MEMBER 0.8F      /* of its group: a member is named, else the group's first */

/* How much a feature counts, and the background against which a signature must stand out.
 * Weights and background: docs/method/appliances.md. */
static const struct {
    float weight, centre, width;
} background[SIGNATURE_PADDED] = {
    [SIGNATURE_WATTS] = {0.94F, 5.5F, 1.6F},
    [SIGNATURE_SECONDS] = {0.47F, 6, 2},
    [SIGNATURE_INRUSH] = {0.50F, 0.1F, 0.5F},
    [SIGNATURE_RISE] = {0.64F, 0.2F, 0.5F},
    [SIGNATURE_FADE] = {0.59F, 0, 0.3F},
    [SIGNATURE_SPREAD] = {0.44F, -3.2F, 1.2F},
    [SIGNATURE_CHANGES] = {0.27F, -1.5F, 1.6F},
    [SIGNATURE_PULSES] = {0.28F, 0.4F, 0.8F},
    [SIGNATURE_RIPPLE] = {0.40F, -1, 1},
    [SIGNATURE_USUAL_SECONDS] = {0.86F, 6, 2},
    [SIGNATURE_SECONDS_VARY] = {0.47F, -0.5F, 0.8F},
    [SIGNATURE_GAP_SECONDS] = {0.83F, 8, 2},
    [SIGNATURE_GAP_VARY] = {0.20F, -0.2F, 0.8F},
    [SIGNATURE_NIGHT] = {0.47F, 0.2F, 0.2F},
    [SIGNATURE_PER_DAY] = {0.57F, 2, 1.5F},
    [SIGNATURE_LATELY] = {0.36F, 0.4F, 0.7F},
    [SIGNATURE_POWER_FACTOR] = {1, 0.85F, 0.2F},
};
#define UNKNOWN_SHARE 0.39F

double appliances_volts(const struct site *s, int circuit)
{
    int poles = s->circuits[circuit].poles;
    bool split_phase =
        s->nominal_volts < 180; /* 120 V and 240 V; three phases of 120 V are wired alike */
    if (poles > 1)
        return s->nominal_volts * (split_phase ? 2 : poles);
    return split_phase ? s->nominal_volts / SIGNATURE_WATTS_120 : s->nominal_volts;
}

static void load_features(const struct learned_load *c, float x[SIGNATURE_FEATURES])
{
    float span = (float)(c->last_wall_ms - c->first_wall_ms) / 1000.0F, night = 0, all = 0;
    if (c->runs >= 2)
        x[SIGNATURE_LATELY] = signature_scale(SIGNATURE_LATELY, fmaxf(c->lately, 1));
    if (c->runs < FEW)
        return;
    x[SIGNATURE_USUAL_SECONDS] = c->seconds.mean;
    x[SIGNATURE_SECONDS_VARY] =
        signature_scale(SIGNATURE_SECONDS_VARY, sqrtf(c->seconds.variance));
    x[SIGNATURE_GAP_SECONDS] = c->gap.mean;
    x[SIGNATURE_GAP_VARY] = signature_scale(SIGNATURE_GAP_VARY, sqrtf(c->gap.variance));
    if (span > HALF_A_DAY_SECONDS)
        x[SIGNATURE_PER_DAY] =
            signature_scale(SIGNATURE_PER_DAY, c->runs * 86400.0F / (span + 20000));
    for (int h = 0; h < 24; h++) {
        all += c->hours[h];
        night += h < 6 ? c->hours[h] : 0;
    }
    if (c->runs >= SOME)
        x[SIGNATURE_NIGHT] = night / all;
}

void appliances_features(const struct run_shape *s, const struct learned_load *load,
                         double volts, float power_factor, float x[SIGNATURE_FEATURES])
{
    float first = fmaxf(s->first, 0.02F);
    for (int f = 0; f < SIGNATURE_FEATURES; f++)
        x[f] = NAN;
    x[SIGNATURE_WATTS] = signature_scale(SIGNATURE_WATTS, s->amps * (float)volts);
    x[SIGNATURE_INRUSH] = signature_scale(SIGNATURE_INRUSH, fmaxf(s->inrush / first, 1));
    if (s->on_seconds > 0) {
        x[SIGNATURE_SECONDS] = signature_scale(SIGNATURE_SECONDS, s->on_seconds);
        x[SIGNATURE_RISE] = signature_scale(SIGNATURE_RISE, fmaxf(s->most / first, 1));
        x[SIGNATURE_FADE] = signature_scale(SIGNATURE_FADE, s->last / first);
        x[SIGNATURE_SPREAD] = signature_scale(SIGNATURE_SPREAD, s->spread);
        x[SIGNATURE_CHANGES] = signature_scale(SIGNATURE_CHANGES, s->changes);
        x[SIGNATURE_PULSES] = signature_scale(SIGNATURE_PULSES, (float)s->pulses);
        if (s->ripple > 0 && s->amps > RIPPLE_AMPS)
            x[SIGNATURE_RIPPLE] = signature_scale(SIGNATURE_RIPPLE, 100 * s->ripple);
    }
    if (load)
        load_features(load, x);
    x[SIGNATURE_POWER_FACTOR] = power_factor;
}

/* A run against the background, ready to be compared: in whole lanes, what it lacks NaN. */
struct compared {
    float x[SIGNATURE_PADDED];
    float weight[SIGNATURE_PADDED];
    float base[SIGNATURE_PADDED]; /* logarithm of the background's density, less the constant of
                                     a mode's */
    bool any[SIGNATURE_PADDED / LANES]; /* something of these lanes is known */
};

static void compare(const float x[SIGNATURE_FEATURES], struct compared *c)
{
    for (int f = 0; f < SIGNATURE_PADDED; f++) {
        c->x[f] = f < SIGNATURE_FEATURES ? x[f] : NAN;
        c->weight[f] = background[f].weight;
        c->base[f] = NAN;
        if (f % LANES == 0)
            c->any[f / LANES] = false;
        if (isnan(c->x[f]))
            continue;
        c->any[f / LANES] = true;
        float d = (c->x[f] - background[f].centre) / background[f].width;
        c->base[f] = 0.95F - 0.5F * d * d - logf(background[f].width) - 0.92F;
    }
}

/* Logarithm of the density of one mode (Student's t of four degrees, whose tails are fat), over
 * the background's. */
static float mode_score(const struct signature_mode *m, const struct compared *c)
{
    lanes sum = {0};
    for (int f = 0; f < SIGNATURE_PADDED; f += LANES) {
        if (!c->any[f / LANES])
            continue;
        lanes width = lanes_load(m->width + f), base = lanes_load(c->base + f);
        lanes d = (lanes_load(c->x + f) - lanes_load(m->centre + f)) / width;
        lanes fat = 1.0F + 0.25F * d * d, fat2 = fat * fat;
        lanes over = -0.5F * lanes_log(fat2 * fat2 * fat * width * width) - base;
        sum += lanes_where(lanes_known(d), lanes_load(c->weight + f) * over);
    }
    return logf(m->part) + lanes_sum(sum);
}

/* Logarithm of a signature's odds against the background. */
static float score(const struct signature *s, const struct compared *c)
{
    float each[SIGNATURE_MODES], most = -INFINITY, sum = 0;
    for (size_t m = 0; m < s->mode_count; m++) {
        each[m] = mode_score(&s->modes[m], c);
        most = fmaxf(most, each[m]);
    }
    if (most == -INFINITY)
        return most;
    for (size_t m = 0; m < s->mode_count; m++)
        sum += expf(each[m] - most);
    return most + logf(sum) + logf((float)s->share);
}

const struct signature *appliances_of_group(const struct signature_set *set, const float odds[],
                                            size_t i, float *sum)
{
    const struct signature *first = NULL, *best = NULL;
    float most = 0;
    *sum = odds[i];
    if (set->signatures[i].group[0] == '\0')
        return &set->signatures[i];
    *sum = 0;
    for (size_t k = 0; k < set->count; k++) {
        const struct signature *s = &set->signatures[k];
        if (strcmp(s->group, set->signatures[i].group) != 0)
            continue;
        *sum += odds[k];
        if (!first)
            first = s;
        if (odds[k] > most)
            most = odds[k], best = s;
    }
    return most >= MEMBER * *sum ? best : first;
}

void appliances_odds(const struct signature_set *set, const float x[SIGNATURE_FEATURES],
                     float odds[SIGNATURE_MAX])
{
    struct compared c;
    compare(x, &c);
    for (size_t i = 0; i < set->count; i++)
        odds[i] = score(&set->signatures[i], &c);
}

struct appliance_guess appliances_judge(const struct signature_set *set,
                                        const float x[SIGNATURE_FEATURES])
{
    float odds[SIGNATURE_MAX], most = 0, largest = 0;
    struct appliance_guess best = {NULL, 0};

    appliances_odds(set, x, odds);
    for (size_t i = 0; i < set->count; i++)
        most = fmaxf(most, odds[i]);
    float total = UNKNOWN_SHARE * expf(-most);
    for (size_t i = 0; i < set->count; i++) {
        odds[i] = expf(odds[i] - most);
        largest = fmaxf(largest, odds[i]);
        total += odds[i];
    }
    for (size_t i = 0; i < set->count; i++) {
        float sum;
        if (odds[i] * (float)set->count < largest)
            continue; /* a group with more than the largest alone has a member above this */
        const struct signature *s = appliances_of_group(set, odds, i, &sum);
        if (sum / total > best.probability)
            best = (struct appliance_guess){s, sum / total};
    }
    if (best.signature && best.probability >= (float)best.signature->sure)
        return best;
    return (struct appliance_guess){NULL, 1 - best.probability};
}
