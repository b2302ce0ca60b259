#include "runs_train.h"

#include <math.h>

#define HEATING_AMPS 2.0F /* an element: its pulses are all of one size */
#define SAME 0.12F        /* what one element draws differs no more */
#define FITS 0.06F        /* a run that may be one of its pulses */
#define GOES_ON 0.06F
#define STEADY 0.9F
#define LEAD_IN_MS 60000
#define LEAD_IN_ALIKE 0.03F /* as large, and on for so long, it may have paused for longer */
#define LEAD_IN_SECONDS 8
#define TRIAL_UNREST 3.3F /* its own edges, and none before */
#define TRIAL_SECONDS 5
#define TRIAL_PAUSE_MS 10000
#define TRIAL_PART 0.01F
#define SMALL_AMPS 1.5F
#define SMALL_USUAL 6.0F
#define KNOWN_PULSES 4 /* show what they are like */
#define MANY_PULSES 30
#define LEVEL_SECONDS 4       /* of a pulse, show its level */
#define SMALL_DOUBT_MS 95000  /* what a pump or a drum does between the pulses is shorter */
#define SMALL_ALIKE_MS 450000 /* and in a programme of small stages, any of them */

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

static bool known(const struct run_pulses *p)
{
    return p->count >= KNOWN_PULSES;
}

/* Of the size of the circuit's pulses; a pump may have come on with the element. */
static bool fits(const struct run_pulses *p, float amps)
{
    return amps >= p->amps - 0.05F - fmaxf(3 * p->vary, FITS * p->amps) &&
           amps <= 1.06F * p->amps + 0.2F;
}

enum kinship { ALONE, UNLIKE, LIKE };

/* Whether a run of that size may be a part of what keeps this circuit restless: a train, or a
 * load that steps up and down all the time. */
static enum kinship kinship_of(const struct runs *r, const struct run *x)
{
    const struct run *t = runs_train_for((struct runs *)r, x->on_mono_ms, x->amps);
    if (t && t->pulses < RUNS_TRAIN_PULSES)
        t = NULL;
    if (x->amps > HEATING_AMPS && x->staged)
        return UNLIKE;
    float element = x->first < SMALL_AMPS        ? x->most - x->first
                    : x->amps > STEADY * x->most ? x->amps
                                                 : x->most;
    if (element > HEATING_AMPS && known(&r->pulses) && fits(&r->pulses, element) &&
        (t || r->unrest >= RUNS_UNREST))
        return LIKE;
    if (t && t->most > HEATING_AMPS && x->most > 0.3F * t->most &&
        (x->most < 0.85F * t->most || known(&r->pulses)))
        return UNLIKE;
    if (x->most > HEATING_AMPS && known(&r->pulses))
        return UNLIKE; /* of another size than those pulses */
    if (t || (r->unrest >= RUNS_UNREST && x->amps <= 1.5F * r->usual))
        return LIKE;
    return ALONE;
}

/* How long a run must last to be no pulse; whether it must have been calm too, because it is
 * not known yet how long those are. */
static int64_t doubt_ms(const struct runs *r, const struct run *x, bool *calm)
{
    *calm = x->most < HEATING_AMPS || !known(&r->pulses);
    if (x->most < SMALL_AMPS)
        return r->usual < SMALL_USUAL * x->most ? SMALL_ALIKE_MS : SMALL_DOUBT_MS;
    if (*calm)
        return RUNS_DOUBT_MS;
    return (int64_t)fminf(fmaxf(1200 * r->pulses.longest, RUNS_DOUBT_MS), 2 * RUNS_DOUBT_MS);
}

int64_t runs_announce_due_ms(const struct runs *r, const struct run *x)
{
    if (x->id == 0 || x->announced || (x->pausing && !x->train))
        return INT64_MAX;
    if (x->train)
        return x->pulses >= RUNS_TRAIN_PULSES ? x->began_mono_ms + RUNS_PULSE_MS : INT64_MAX;
    enum kinship kin = kinship_of(r, x);
    bool must_be_calm = false;
    int64_t due =
        x->began_mono_ms + (kin == LIKE ? doubt_ms(r, x, &must_be_calm) : RUNS_PULSE_MS);
    if (!must_be_calm || x->calm_ms >= RUNS_CALM_MS)
        return due;
    int64_t calm = r->edge_mono_ms + RUNS_CALM_MS, late = x->began_mono_ms + RUNS_RESTLESS_MS;
    calm = calm < late ? calm : late;
    return due > calm ? due : calm;
}

bool runs_train_goes_on(const struct runs *r, const struct run *t)
{
    return t->train && t->most > HEATING_AMPS && r->told_id != 0 &&
           t->began_mono_ms - r->told_off_mono_ms <= RUNS_TRAIN_MS &&
           fabsf(t->most - r->told_amps) <= GOES_ON * r->told_amps;
}

/* Whether a run that is over without having been announced was one nevertheless. */
static bool deserved(const struct runs *r, const struct run *x)
{
    int64_t lasted = x->off_mono_ms - x->began_mono_ms;
    enum kinship kin = kinship_of(r, x);
    bool clean = x->disturbed == 0;
    if (lasted < RUNS_PULSE_MS)
        return false;
    bool same = r->pulses.count > 0 && fabsf(x->amps - r->pulses.amps) < SAME * r->pulses.amps;
    if (kin != LIKE || (clean && !same && x->most > HEATING_AMPS))
        return true;
    bool must_be_calm;
    return lasted >= doubt_ms(r, x, &must_be_calm) &&
           (!must_be_calm || INT64_C(5) * x->calm_ms >= 4 * lasted);
}

/* A relay's or a pump's trial before the start proper: on a circuit that was calm, two edges
 * within seconds have one cause. */
static bool trial(const struct runs *r, const struct run *t, const struct run *x)
{
    return r->unrest < TRIAL_UNREST && t->pulses == 1 && t->on_seconds >= TRIAL_SECONDS &&
           x->pulses == 1 && x->began_mono_ms - t->off_mono_ms <= TRIAL_PAUSE_MS &&
           x->first > t->first && t->first > TRIAL_PART * x->first && t->disturbed == 0;
}

void runs_train_lead_in(struct runs *r, struct run *x)
{
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *t = &r->all[i];
        float unlike = fabsf(t->most - x->most) / x->most;
        bool same = unlike < LEAD_IN_ALIKE && t->on_seconds > LEAD_IN_SECONDS;
        if (t == x || t->id == 0 || t->announced || t->goes_on || !t->pausing ||
            x->began_mono_ms < t->off_mono_ms ||
            x->began_mono_ms - t->off_mono_ms > RUNS_PAUSE_MS / (same ? 1 : 2) ||
            t->off_mono_ms - t->began_mono_ms > LEAD_IN_MS ||
            (unlike > SAME && !trial(r, t, x)))
            continue;
        x->began_mono_ms = t->began_mono_ms;
        x->began_wall_ms = t->began_wall_ms;
        x->first = t->first;
        x->inrush = t->inrush;
        x->on_seconds += t->on_seconds;
        x->charge += t->charge;
        x->square += t->square;
        x->pulses += t->pulses;
        *t = (struct run){0};
        return;
    }
}

/* What a pulse shows of all of them: how long it was, and of the longer ones the level. */
static void learn(struct run_pulses *p, const struct run *x)
{
    float d = x->amps - p->amps;
    if (x->amps < HEATING_AMPS || x->on_seconds < LEVEL_SECONDS)
        return;
    if (p->count > 0 && fabsf(d) > 2 * SAME * p->amps) { /* of another element */
        p->count--;
        return;
    }
    if (p->count <= 0)
        *p = (struct run_pulses){.amps = x->amps}, d = 0;
    if (p->count < MANY_PULSES)
        p->count++;
    float share = 1 / fminf((float)p->count, 8);
    p->amps += share * d;
    p->vary += share * (fabsf(d) * (1 - share) - p->vary);
    d = x->on_seconds - p->longest;
    p->longest += (d > 0 ? 0.7F : 0.0005F) * d;
}

void runs_train_add(struct runs *r, struct run *t, const struct run *pulse)
{
    learn(&r->pulses, pulse);
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
    if (x->announced || deserved(r, x)) {
        if (t && t->pulses >= KNOWN_PULSES && x->pulses == 1 &&
            x->on_seconds < 2e-3F * RUNS_DOUBT_MS && fits(&r->pulses, x->amps))
            learn(&r->pulses, x); /* a pulse that was taken for more */
        if (!x->announced)
            runs_train_lead_in(r, x);
        return;
    }
    if (!t) {
        learn(&r->pulses, x);
        x->train = true;
        return;
    }
    runs_train_add(r, t, x);
    *x = (struct run){0};
}
