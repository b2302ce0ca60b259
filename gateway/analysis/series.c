#include "series.h"

#include <math.h>

#define GAP_MS 600000    /* a longer break ends the series */
#define MOST_MS 14400000 /* no programme lasts longer */
#define LARGE_AMPS 1.5F  /* an element, or a large motor */
#define RICH_RUNS 4
#define RICH_LOADS 3
#define SERIES_LEAST 2.0F /* of a load, before it is believed */
#define MOSTLY 0.45F
#define FADE 0.9F
#define DEVIATIONS 2.5F
#define LENGTH_LOG 0.35F

_Static_assert(LEARNED_MAX <= 32, "a bit for each load");

static bool goes_on(const struct series *s, const struct runs *r, const struct run *x)
{
    if (s->runs == 0 || x->began_mono_ms < s->began_mono_ms ||
        x->began_mono_ms - s->began_mono_ms > MOST_MS)
        return false;
    if (x->began_mono_ms - s->until_mono_ms <= GAP_MS)
        return true;
    for (int i = 0; i < RUNS_MAX; i++) {
        const struct run *o = &r->all[i];
        if (o != x && o->id && !o->pausing && o->in_series &&
            o->began_mono_ms >= s->began_mono_ms && o->began_mono_ms < x->began_mono_ms)
            return true;
    }
    return false;
}

static bool rich(const struct series *s)
{
    unsigned loads = 0;
    for (int i = 0; i < LEARNED_MAX; i++)
        loads += s->loads >> i & 1U;
    return s->runs >= RICH_RUNS && loads >= RICH_LOADS && s->large &&
           s->until_mono_ms - s->began_mono_ms <= MOST_MS;
}

/* Its loads learn what it was. */
static void finish(const struct series *s, struct learned *l)
{
    for (int i = 0; i < LEARNED_MAX; i++) {
        struct learned_load *c = &l->loads[i];
        if (!(s->loads >> i & 1) || c->id == 0)
            continue;
        c->series = FADE * c->series + 1;
        c->rich = FADE * c->rich + rich(s);
    }
}

static void count(struct series *s, const struct runs *r, struct learned *l, struct run *x,
                  const struct learned_load *c)
{
    if (!goes_on(s, r, x)) {
        finish(s, l);
        *s = (struct series){.began_mono_ms = x->began_mono_ms};
    }
    s->runs++;
    s->large |= x->first >= LARGE_AMPS;
    s->loads |= c ? 1U << (c - l->loads) : 0;
    if (x->began_mono_ms > s->until_mono_ms)
        s->until_mono_ms = x->began_mono_ms;
    x->in_series = true;
}

static bool is_part(const struct learned_load *c)
{
    return c->series >= SERIES_LEAST * FADE && c->rich >= MOSTLY * c->series;
}

int64_t series_hold(struct series *s, const struct runs *r, struct learned *l, struct run *x)
{
    const struct learned_load *c = learned_like(l, x->first, x->inrush);
    bool first = !x->in_series;
    if (first)
        count(s, r, l, x, c);
    if (!c || x->first >= LARGE_AMPS || !is_part(c) || (first && !s->told)) {
        s->told |= c && is_part(c);
        return 0;
    }
    if (!first && !x->part)
        return 0;
    x->part = true;
    x->load = c->id;
    float longest =
        expf(c->seconds.mean + DEVIATIONS * (LENGTH_LOG + sqrtf(c->seconds.variance)));
    return x->began_mono_ms + (int64_t)(1000 * longest);
}

void series_over(struct series *s, const struct run *x)
{
    if (x->in_series && x->began_mono_ms >= s->began_mono_ms &&
        x->off_mono_ms > s->until_mono_ms)
        s->until_mono_ms = x->off_mono_ms;
}
