#include "loads_part.h"

#include "runs_train.h"

#include <math.h>

#define FOUND_AMPS 0.2F
#define ELEMENT_AMPS 1.5F
#define KNOWN_RUNS 3   /* of a load, before another is told apart by it */
#define GROWS_LOG 0.7F /* on average: it doubles at least */

/* A load of that size is known, and is not one that starts small and grows. */
static bool stays_small(const struct circuit *c, float first)
{
    const struct learned_load *known = learned_of_size(&c->learned, first, KNOWN_RUNS);
    return known && known->growth < GROWS_LOG;
}

static bool both_known(const struct circuit *c, float first, float then)
{
    return stays_small(c, first) && learned_of_size(&c->learned, then, KNOWN_RUNS);
}

/* Two loads that came on seconds apart look like one that starts in two stages; they are two
 * when each of them is known alone, and their sum is not. */
static int part_fused(struct circuit *c, const struct step *s, struct run over[RUNS_MAX], int n)
{
    for (int k = 0; k < RUNS_MAX; k++) {
        struct run *x = &c->runs.all[k];
        if (!x->id || x->pausing || x->changed_mono_ms != s->at_mono_ms || x->pulses > 1)
            continue;
        float began = x->amps - x->stage;
        if (c->runs.unrest < RUNS_UNREST && x->on_mono_ms != s->at_mono_ms &&
            x->stage > 0.5F * began && began < 1.2F * x->first && stays_small(c, x->first) &&
            learned_of_size(&c->learned, x->stage, 1)) {
            runs_part(&c->runs, s, x, x->stage, over, &n);
            break;
        }
        if (x->announced || learned_of_size(&c->learned, x->amps, KNOWN_RUNS))
            continue;
        if (x->stage > 0 && both_known(c, x->amps - x->stage, x->stage)) {
            runs_part(&c->runs, s, x, x->stage, over, &n);
            break;
        }
        struct step by = *s; /* a reading alone may have caught the first of them */
        for (int e = 0; e < STEPS_EARLY && x->on_mono_ms == s->at_mono_ms; e++) {
            float first = s->early[e] - s->before;
            if (first < FOUND_AMPS || x->amps - first < FOUND_AMPS ||
                !both_known(c, first, x->amps - first))
                continue;
            by.way_ms = s->early_ms[e];
            runs_part(&c->runs, &by, x, x->amps - first, over, &n);
            return n;
        }
    }
    return n;
}

struct loads_cut loads_cut_before(const struct runs *r)
{
    struct loads_cut cut = {0};
    for (int k = 0; k < RUNS_RETURN && !r->switched && r->cut[0] > 0; k++)
        if (r->cut[k] > 0)
            cut.amps[cut.count++] = r->cut[k];
    cut.loose = cut.count ? r->cut_loose : 0;
    return cut;
}

/* What came back with something else: the set of what was cut off whose rest of d is a known
 * load, else the largest set that leaves one. 0: none. */
static unsigned came_back(const struct circuit *c, const struct loads_cut *cut, float d)
{
    unsigned best = 0;
    float most = 0;
    for (unsigned set = 1; set < 1U << cut->count; set++) {
        float sum = 0;
        for (int k = 0; k < cut->count; k++)
            sum += set >> k & 1 ? cut->amps[k] : 0;
        bool known = learned_of_size(&c->learned, d - sum, KNOWN_RUNS) != NULL;
        if (d - sum < FOUND_AMPS || (!known && d - sum > ELEMENT_AMPS))
            continue; /* an element is not made of pieces */
        float worth = sum + (known ? d : 0);
        if (worth > most)
            most = worth, best = set;
    }
    return best;
}

/* By a reset all that is switched on comes on in one step: what was cut off, and with it what a
 * thermostat or a person has switched on since. */
static int part_reset(struct circuit *c, const struct step *s, const struct loads_cut *cut,
                      struct run over[RUNS_MAX], int n)
{
    struct step at_once = *s;
    struct run *x = NULL;
    for (int k = 0; k < RUNS_MAX; k++) {
        struct run *o = &c->runs.all[k];
        if (!o->id || o->pausing || o->began_mono_ms != s->at_mono_ms)
            continue;
        if (x) /* those that were cut off, exactly */
            return n;
        x = o;
    }
    if (!x || learned_of_size(&c->learned, x->amps, KNOWN_RUNS))
        return n;
    at_once.way_ms = 0;
    unsigned set = came_back(c, cut, x->amps);
    if (!set && cut->loose > FOUND_AMPS) {
        set = came_back(c, cut, x->amps - cut->loose);
        if (set)
            runs_part(&c->runs, &at_once, x, cut->loose, over, &n);
    }
    for (int i = 0; i < cut->count; i++)
        if (set >> i & 1)
            runs_part(&c->runs, &at_once, x, cut->amps[i], over, &n);
    for (int k = 0; k < RUNS_MAX && set; k++)
        if (c->runs.all[k].id && c->runs.all[k].began_mono_ms == s->at_mono_ms)
            c->runs.all[k].shared = true;
    return n;
}

int loads_part(struct circuit *c, const struct step *s, const struct loads_cut *cut,
               struct run over[RUNS_MAX], int n)
{
    if (cut->count > 0)
        return part_reset(c, s, cut, over, n);
    return part_fused(c, s, over, n);
}
