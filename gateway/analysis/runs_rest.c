#include "runs_rest.h"

#include "runs_inner.h"

#include <math.h>

#define CALM_MS 10000 /* a level held for so long */
#define AGO_MS 600000 /* and no longer ago than this */
#define LARGE_AMPS 1.5F
#define ALIKE_AMPS 0.03F
#define ALIKE 0.01F

static int running_ids(const struct runs *r, int64_t ids[RUNS_MAX])
{
    int n = 0;
    for (int i = 0; i < RUNS_MAX; i++)
        if (r->all[i].id && !r->all[i].pausing)
            ids[n++] = r->all[i].id;
    return n;
}

static bool among(const struct runs_rest *rest, int64_t id)
{
    for (int i = 0; i < rest->count; i++)
        if (rest->ids[i] == id)
            return true;
    return false;
}

void runs_rest_note(struct runs *r, const struct step *s)
{
    struct runs_rest now = {.level = s->before, .mono_ms = s->at_mono_ms};
    struct runs_rest *place = &r->rests[0];
    if (s->at_mono_ms - r->edge_mono_ms < CALM_MS)
        return;
    now.count = running_ids(r, now.ids);
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

bool runs_rest_again(struct runs *r, const struct step *s)
{
    const struct runs_rest *rest =
        s->before - s->after < LARGE_AMPS || s->restless ? NULL : like(r, s);
    for (int i = 0; i < RUNS_MAX && rest; i++) {
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
    return rest != NULL;
}
