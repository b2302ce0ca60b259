#include "runs_train.h"

#include <math.h>

#define HEATING_AMPS 2.0F /* an element: its pulses are all of one size */
#define SAME 0.12F        /* what one element draws differs no more */
#define SMALL_AMPS 1.5F
#define SMALL_DOUBT_MS 95000 /* what a pump or a drum does between the pulses is shorter */

struct run *runs_train_for(struct runs *r, int64_t mono_ms, float amps)
{
    struct run *best = NULL;
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (x->id && x->train && x->pausing && mono_ms - x->off_mono_ms <= RUNS_TRAIN_MS &&
            amps <= fmaxf(1.2F * x->most, x->most + 1) && (!best || x->pulses > best->pulses))
            best = x;
    }
    return best;
}

enum kinship { ALONE, UNLIKE, LIKE };

/* Whether a run of that size may be a part of what keeps this circuit restless: a train, or a
 * load that steps up and down all the time. */
static enum kinship kinship_of(const struct runs *r, const struct run *x)
{
    const struct run *t = runs_train_for((struct runs *)r, x->on_mono_ms, x->amps);
    if (t && t->pulses < RUNS_TRAIN_PULSES)
        t = NULL;
    if (t && t->most > HEATING_AMPS && x->most > 0.3F * t->most && x->most < 0.85F * t->most)
        return UNLIKE;
    if (t || (r->unrest >= RUNS_UNREST && x->amps <= 1.5F * r->usual))
        return LIKE;
    return ALONE;
}

int64_t runs_announce_due_ms(const struct runs *r, const struct run *x)
{
    if (x->id == 0 || x->announced || (x->pausing && !x->train))
        return INT64_MAX;
    if (x->train)
        return x->pulses >= RUNS_TRAIN_PULSES ? x->began_mono_ms + RUNS_PULSE_MS : INT64_MAX;
    enum kinship kin = kinship_of(r, x);
    bool small = kin == LIKE && x->most < SMALL_AMPS;
    int64_t due = x->began_mono_ms + (kin == ALONE ? RUNS_PULSE_MS
                                      : small      ? SMALL_DOUBT_MS
                                                   : RUNS_DOUBT_MS);
    if (kin != LIKE || x->calm_ms >= RUNS_CALM_MS)
        return due;
    int64_t calm = r->edge_mono_ms + RUNS_CALM_MS, late = x->began_mono_ms + RUNS_RESTLESS_MS;
    calm = calm < late ? calm : late;
    return due > calm ? due : calm;
}

/* Whether a run that is over without having been announced was one nevertheless. */
static bool deserved(const struct runs *r, const struct run *x)
{
    int64_t lasted = x->off_mono_ms - x->began_mono_ms;
    enum kinship kin = kinship_of(r, x);
    bool clean = x->disturbed == 0;
    if (lasted < RUNS_PULSE_MS)
        return false;
    const struct run *t = runs_train_for((struct runs *)r, x->on_mono_ms, x->amps);
    bool same = t && fabsf(x->amps - t->usual) < SAME * t->usual;
    if (kin == ALONE || (clean && !same && x->most > HEATING_AMPS))
        return true;
    return lasted >= (x->most < SMALL_AMPS ? SMALL_DOUBT_MS : RUNS_DOUBT_MS) &&
           (kin == UNLIKE || 5 * x->calm_ms >= 4 * lasted);
}

void runs_train_add(struct run *t, const struct run *pulse)
{
    t->pulses++;
    t->most += (pulse->most > t->most ? 0.2F : 0.01F) * (pulse->most - t->most);
    t->on_seconds += pulse->on_seconds;
    t->charge += pulse->charge;
    t->square += pulse->square;
    if (pulse->off_mono_ms > t->off_mono_ms) {
        t->off_mono_ms = pulse->off_mono_ms;
        t->off_wall_ms = pulse->off_wall_ms;
    }
}

void runs_train_gather(struct runs *r, struct run *x)
{
    struct run *t = runs_train_for(r, x->on_mono_ms, x->amps);
    if (x->announced || deserved(r, x))
        return;
    if (!t) {
        x->train = true;
        return;
    }
    if (t->usual == 0)
        t->usual = x->amps;
    else if (x->amps > 0.5F * t->usual)
        t->usual += 0.2F * (x->amps - t->usual);
    runs_train_add(t, x);
    *x = (struct run){0};
}
