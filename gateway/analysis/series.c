#include "series.h"

#include <math.h>

#define GAP_MS 600000      /* a longer break ends the series */
#define MOST_MS 14400000   /* no programme lasts longer */
#define LARGE_AMPS 1.5F    /* an element, or a large motor */
#define FOLLOWERS_LEAST 3  /* of a leader, to be one */
#define SERIES_LEAST 2.0F  /* of them, before it is believed, */
#define RUNS_LEAST 2.5F    /* and runs of a part */
#define NEARLY_ALL 0.75F
#define FADE 0.9F
#define DEVIATIONS 2.5F
#define LENGTH_LOG 0.35F

static bool goes_on(const struct series *s, const struct runs *r, const struct run *x)
{
    if (s->leader_run == 0 || x->began_mono_ms < s->began_mono_ms ||
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

/* Its leader learns whether it led. */
static void finish(const struct series *s, struct learned *l)
{
    struct learned_load *leader = learned_find(l, s->leader);
    if (!leader)
        return;
    leader->series = FADE * leader->series + 1;
    leader->followed =
        FADE * leader->followed + (s->followers >= FOLLOWERS_LEAST && s->large ? 1 : 0);
}

/* The load learns in whose series it came. */
static void vote(struct learned_load *c, uint32_t leader)
{
    c->in_series = FADE * c->in_series + 1;
    c->led *= FADE;
    if (c->leader != leader && c->led < 1) {
        c->leader = leader;
        c->led = 0;
    }
    if (c->leader == leader)
        c->led += 1;
}

static void count(struct series *s, const struct runs *r, struct learned *l, struct run *x,
                  struct learned_load *c)
{
    if (!goes_on(s, r, x)) {
        finish(s, l);
        *s = (struct series){.leader = c ? c->id : 0,
                             .leader_run = x->id,
                             .began_mono_ms = x->began_mono_ms,
                             .until_mono_ms = x->began_mono_ms};
    } else if (!c || c->id != s->leader)
        s->followers++;
    s->large |= x->first >= LARGE_AMPS;
    if (c && s->leader)
        vote(c, s->leader);
    x->in_series = true;
}

static bool part_of(const struct learned_load *c, const struct learned_load *leader)
{
    return c != leader && c->leader == leader->id && c->in_series >= RUNS_LEAST &&
           c->led >= NEARLY_ALL * c->in_series && leader->series >= SERIES_LEAST * FADE &&
           leader->followed >= NEARLY_ALL * leader->series;
}

int64_t series_hold(struct series *s, const struct runs *r, struct learned *l, struct run *x)
{
    const struct learned_load *like = learned_like(l, x->first, x->inrush);
    struct learned_load *c = like ? learned_find(l, like->id) : NULL;
    if (!x->in_series)
        count(s, r, l, x, c);
    const struct learned_load *leader = learned_find(l, s->leader);
    if (!c || !leader || x->began_mono_ms < s->began_mono_ms || !part_of(c, leader))
        return 0;
    float longest =
        expf(c->seconds.mean + DEVIATIONS * (LENGTH_LOG + sqrtf(c->seconds.variance)));
    return x->began_mono_ms + (int64_t)(1000 * longest);
}

void series_over(struct series *s, const struct run *x, uint32_t load)
{
    if (x->id == s->leader_run && s->leader == 0)
        s->leader = load;
    if (x->in_series && x->began_mono_ms >= s->began_mono_ms &&
        x->off_mono_ms > s->until_mono_ms)
        s->until_mono_ms = x->off_mono_ms;
}
