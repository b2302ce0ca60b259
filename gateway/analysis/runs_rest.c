#include "runs_rest.h"

#include "runs_inner.h"

#include <math.h>
#include <stdlib.h>

#define CALM_MS 10000 /* a level held for so long */
#define AGO_MS 600000 /* and no longer ago than this */
#define LARGE_AMPS 1.5F
#define BELOW_AMPS 0.5F
#define ALIKE_AMPS 0.03F
#define ALIKE 0.01F

static void remember(const struct runs *r, struct runs_rest *rest)
{
    for (int i = 0; i < RUNS_MAX; i++)
        if (run_is_on(&r->all[i])) {
            rest->ids[rest->count] = r->all[i].id;
            rest->amps[rest->count++] = r->all[i].amps;
        }
}

/* Its place among them, -1: it is not. */
static int place_of(const struct runs_rest *rest, int64_t id)
{
    for (int i = 0; i < rest->count; i++)
        if (rest->ids[i] == id)
            return i;
    return -1;
}

static bool among(const struct runs_rest *rest, int64_t id)
{
    return place_of(rest, id) >= 0;
}

void runs_rest_note(struct runs *r, const struct step *s)
{
    struct runs_rest now = {.level = s->before, .mono_ms = s->at_mono_ms};
    struct runs_rest *place = &r->rests[0];
    if (s->at_mono_ms - r->edge_mono_ms < CALM_MS)
        return;
    remember(r, &now);
    for (int k = 0; k < RUNS_RESTS; k++) {
        struct runs_rest *o = &r->rests[k];
        bool same = o->mono_ms != 0 && o->count == now.count;
        for (int i = 0; i < now.count && same; i++)
            same = among(o, now.ids[i]);
        if (same) {
            *o = now;
            return;
        }
        if (o->mono_ms < place->mono_ms)
            place = o;
    }
    *place = now;
}

static bool all_here(const struct runs *r, const struct runs_rest *rest)
{
    int here = 0;
    for (int i = 0; i < RUNS_MAX; i++)
        here += r->all[i].id && !r->all[i].train && among(rest, r->all[i].id);
    return here == rest->count;
}

static const struct runs_rest *like(const struct runs *r, const struct step *s)
{
    const struct runs_rest *best = NULL;
    for (int k = 0; k < RUNS_RESTS; k++) {
        const struct runs_rest *o = &r->rests[k];
        if (o->mono_ms != 0 && s->at_mono_ms - o->mono_ms <= AGO_MS &&
            fabsf(o->level - s->after) <= ALIKE_AMPS + ALIKE * s->after &&
            (!best || o->mono_ms > best->mono_ms) && all_here(r, o))
            best = o;
    }
    return best;
}

/* Makes the runs what they were then. */
static void restore(struct runs *r, const struct runs_rest *rest, const struct step *s)
{
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (x->id == 0)
            continue;
        if (!among(rest, x->id) && !x->pausing)
            run_pause(x, s->at_mono_ms, s->at_wall_ms);
        if (among(rest, x->id) && x->pausing) { /* it never was off */
            x->pausing = false;
            x->on_seconds -= (float)(x->off_mono_ms - x->on_mono_ms) / 1000.0F;
        }
    }
}

bool runs_rest_again(struct runs *r, const struct step *s)
{
    const struct runs_rest *rest =
        s->before - s->after < LARGE_AMPS || s->restless ? NULL : like(r, s);
    if (rest)
        restore(r, rest, s);
    return rest != NULL;
}

static int larger_first(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;
    return (x < y) - (x > y);
}

/* How far the sizes are from what they were then. One run in the place of another of its size
 * is no difference: a thermostat does that. */
static float astray(const struct runs *r, const struct runs_rest *rest)
{
    struct runs_rest now = {0}, then = *rest;
    float sum = 0;
    remember(r, &now);
    qsort(now.amps, (size_t)now.count, sizeof now.amps[0], larger_first);
    qsort(then.amps, (size_t)then.count, sizeof then.amps[0], larger_first);
    for (int i = 0; i < now.count || i < then.count; i++)
        sum += fabsf(now.amps[i] - then.amps[i]); /* 0 behind the last */
    return sum;
}

void runs_rest_right(struct runs *r, const struct step *s)
{
    for (int k = 0; k < RUNS_RESTS; k++)
        r->rests[k].below |= r->rests[k].level - s->after > BELOW_AMPS;
    const struct runs_rest *rest = s->restless ? NULL : like(r, s);
    if (!rest || rest->below || astray(r, rest) < LARGE_AMPS)
        return;
    restore(r, rest, s);
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        int place = x->id ? place_of(rest, x->id) : -1;
        if (place < 0)
            continue;
        run_count_up(x, s->at_mono_ms);
        x->amps = rest->amps[place];
        x->lent = x->fell = 0;
    }
}
