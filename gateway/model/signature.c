#include "signature.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TENTH                                                                                  \
    1.2816F /* standard deviations from the middle to the tenth and ninetieth percentile */

/* Logarithmic scales begin a little under the least that occurs, so that "none" is a number. */
static const struct {
    const char *name;
    bool linear;
    float plus, least, most;
} features[SIGNATURE_FEATURES] = {
    [SIGNATURE_WATTS] = {"watts", false, 0, 2, 1e6F},
    [SIGNATURE_SECONDS] = {"seconds", false, 5, 0, 1e7F},
    [SIGNATURE_INRUSH] = {"inrush", false, 0.02F, 0.1F, 100},
    [SIGNATURE_RISE] = {"rise", false, 0, 0.1F, 30},
    [SIGNATURE_FADE] = {"fade", false, 0, 0.2F, 5},
    [SIGNATURE_SPREAD] = {"spread", false, 0.01F, 0, 100},
    [SIGNATURE_CHANGES] = {"changes", false, 0.05F, 0, 1000},
    [SIGNATURE_PULSES] = {"pulses", false, 0, 0.1F, 1e6F},
    [SIGNATURE_RIPPLE] = {"ripple", false, 0, 0.1F, 100},
    [SIGNATURE_USUAL_SECONDS] = {"usual_seconds", false, 0, 1, 1e7F},
    [SIGNATURE_SECONDS_VARY] = {"seconds_vary", false, 0.05F, 0, 100},
    [SIGNATURE_GAP_SECONDS] = {"gap_seconds", false, 0, 1, 1e8F},
    [SIGNATURE_GAP_VARY] = {"gap_vary", false, 0.05F, 0, 100},
    [SIGNATURE_NIGHT] = {"night", true, 0, -1, 2},
    [SIGNATURE_PER_DAY] = {"per_day", false, 0, 1e-3F, 1e5F},
    [SIGNATURE_LATELY] = {"lately", false, 0, 0.1F, 1000},
    [SIGNATURE_POWER_FACTOR] = {"power_factor", true, 0, -1, 2},
};

const char *signature_feature_name(enum signature_feature f)
{
    return features[f].name;
}

float signature_scale(enum signature_feature f, float value)
{
    float v = fminf(fmaxf(value, features[f].least), features[f].most);
    return features[f].linear ? v : logf(v + features[f].plus);
}

float signature_unscale(enum signature_feature f, float scaled)
{
    return features[f].linear ? scaled : expf(scaled) - features[f].plus;
}

void signature_range(struct signature_mode *m, enum signature_feature f, const double range[3])
{
    float low = signature_scale(f, (float)range[0]), high = signature_scale(f, (float)range[2]);
    m->centre[f] = signature_scale(f, (float)range[1]);
    m->width[f] = fmaxf((high - low) / (2 * TENTH), 0.02F);
}

void signature_mode_init(struct signature_mode *m)
{
    *m = (struct signature_mode){.part = 1};
    for (int f = 0; f < SIGNATURE_PADDED; f++)
        m->centre[f] = NAN;
}

const struct signature *signature_find(const struct signature_set *set, const char *key)
{
    for (size_t i = 0; i < set->count; i++)
        if (strcmp(set->signatures[i].key, key) == 0)
            return &set->signatures[i];
    return NULL;
}

void signature_forest_shares(const struct signature_forest *f, const float day[SIGNATURE_DAY],
                             float shares[SIGNATURE_CLASSES])
{
    float x[SIGNATURE_DAY];
    for (int i = 0; i < SIGNATURE_DAY; i++)
        x[i] = 100 * (isnan(day[i]) ? SIGNATURE_DAY_NONE : day[i]);
    for (size_t c = 0; c < f->class_count; c++)
        shares[c] = 0;
    for (size_t t = 0; t < f->tree_count; t++) {
        const int16_t *n = f->numbers + f->trees[t];
        while (n[0] >= 0)
            n += x[n[0]] > (float)n[1] ? (uint16_t)n[2] : 3;
        for (int left = -1 - *n++; left > 0; left--, n++)
            shares[*n / SIGNATURE_SHARE] +=
                (float)(*n % SIGNATURE_SHARE) / (100 * (float)f->tree_count);
    }
}

/* NULL for want of memory; room for one more, as the reader takes it, so that none is no NULL
 */
static void *copy_of(const void *table, size_t count, size_t size)
{
    void *copy = calloc(count + 1, size);
    if (copy && count > 0)
        memcpy(copy, table, count * size);
    return copy;
}

bool signature_set_copy(struct signature_set *out, const struct signature_set *of)
{
    const struct signature_forest *f = &of->forest;
    *out = *of;
    out->signatures = copy_of(of->signatures, of->count, sizeof *of->signatures);
    out->forest.numbers = copy_of(f->numbers, f->number_count, sizeof *f->numbers);
    out->forest.trees = copy_of(f->trees, f->tree_count, sizeof *f->trees);
    if (out->signatures && out->forest.numbers && out->forest.trees)
        return true;
    signature_set_free(out);
    return false;
}

void signature_set_free(struct signature_set *set)
{
    free(set->forest.numbers);
    free(set->forest.trees);
    free(set->signatures);
    *set = (struct signature_set){0};
}
