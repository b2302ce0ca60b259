#include "stages.h"

#include <math.h>

#define BEFORE_MS 3000        /* the host has begun by so much before */
#define AFTER_MS 10000        /* and ends no earlier than so much before its stage */
#define HOST_MOST_MS 21600000 /* no programme lasts longer */
#define STAGE_MOST_MS 2700000
#define STAGE_AMPS 1.5F /* a stage is an element or a large motor */
#define LARGER 2.0F     /* than the host, so many times */
#define RUNS_LEAST 2    /* of the host, before it is believed */
#define NEARLY_ALL 0.75F
#define SIZE_LOG 0.08F
#define LENGTH_LOG 0.35F
#define DEVIATIONS 2.5F
#define ONCE 1.5F /* a programme: more is more than once */
#define DELAY_KNOWN 0.1F
#define DELAY_LOG 0.15F
#define MEMORY 10.0F

bool stages_programme(const struct learned_load *load)
{
    return load->programmes >= RUNS_LEAST && load->staged >= NEARLY_ALL * load->programmes &&
           load->stage.variance < 0.04F;
}

/* Whether h, begun before x, was on (or between two parts of its programme) until x ended, or
 * is now. */
static bool encloses(const struct run *h, const struct run *x)
{
    if (h == x || h->id == 0 || h->id == x->id || h->train ||
        h->began_mono_ms > x->began_mono_ms - BEFORE_MS ||
        h->began_mono_ms < x->began_mono_ms - HOST_MOST_MS)
        return false;
    int64_t end = x->pausing ? x->off_mono_ms : x->on_mono_ms;
    return !h->pausing || h->programme || h->off_mono_ms >= end - AFTER_MS;
}

static const struct learned_load *find(const struct learned *l, uint32_t id)
{
    for (int i = 0; i < LEARNED_MAX && id != 0; i++)
        if (l->loads[i].id == id)
            return &l->loads[i];
    return NULL;
}

static bool of_size(const struct learned_load *host, float amps)
{
    return fabsf(logf(amps) - host->stage.mean) <=
           SIZE_LOG + DEVIATIONS * sqrtf(host->stage.variance);
}

/* How long the host had been on, after its last pause. */
static float since_on(const struct run *h, const struct run *x)
{
    int64_t from = h->on_mono_ms < x->began_mono_ms ? h->on_mono_ms : h->began_mono_ms;
    return (float)(x->began_mono_ms - from) / 1000.0F;
}

/* What comes on once in a programme, always at the same time of it, does not at another. */
static bool of_time(const struct learned_load *host, const struct run *h, const struct run *x)
{
    float delay = logf(fmaxf(since_on(h, x), 1));
    return h->pausing || host->stages > ONCE || host->delay.variance > DELAY_KNOWN ||
           fabsf(delay - host->delay.mean) <=
               DELAY_LOG + DEVIATIONS * sqrtf(host->delay.variance);
}

/* Another one of the host's is on already. */
static bool taken(const struct runs *r, const struct learned_load *host, const struct run *x)
{
    for (int i = 0; i < RUNS_MAX; i++) {
        const struct run *o = &r->all[i];
        if (o != x && o->id && !o->pausing && o->host && of_size(host, o->first))
            return true;
    }
    return false;
}

/* Longer than any of its runs: what is still on is not it. */
static float longest_run(const struct learned_load *host)
{
    return 2 *
           expf(host->seconds.mean + DEVIATIONS * (LENGTH_LOG + sqrtf(host->seconds.variance)));
}

static float longest(const struct learned_load *host)
{
    return expf(host->stage_seconds.mean +
                DEVIATIONS * (LENGTH_LOG + sqrtf(host->stage_seconds.variance)));
}

int64_t stages_hold(const struct runs *r, const struct learned *l, struct run *x)
{
    const struct learned_load *like = learned_like(l, x->first, x->inrush);
    bool part = like && stages_programme(like);
    for (int i = 0; i < RUNS_MAX; i++) {
        const struct run *h = &r->all[i];
        if (!h->programme || !(h->announced || h->host) || h->cut || !encloses(h, x))
            continue;
        const struct learned_load *host = find(l, h->load);
        if (!host ||
            x->began_mono_ms > h->began_mono_ms + (int64_t)(1000 * longest_run(host)) ||
            !(part || (of_size(host, x->first) && of_time(host, h, x) && !taken(r, host, x))))
            continue;
        x->host = h->host ? h->host : h->id;
        x->load = like ? like->id : 0;
        x->programme = part;
        return part ? x->began_mono_ms + HOST_MOST_MS
                    : x->began_mono_ms + (int64_t)(1000 * longest(host));
    }
    x->host = 0;
    return 0;
}

static void enclosed(struct run *h, const struct run *x)
{
    if (!encloses(h, x) || x->first < LARGER * h->first || x->first < 0.9F * h->inner)
        return;
    if (h->inner <= 0)
        h->inner_delay = since_on(h, x);
    h->inners++;
    h->inner = x->first;
    h->inner_seconds = fmaxf(h->inner_seconds, run_seconds(x, x->off_mono_ms));
}

void stages_note(struct runs *r, struct run *over, int n)
{
    for (int k = 0; k < n; k++) {
        const struct run *x = &over[k];
        if (x->cut || x->train || x->first < STAGE_AMPS ||
            x->off_mono_ms - x->began_mono_ms > STAGE_MOST_MS ||
            x->off_mono_ms - x->began_mono_ms < RUNS_PULSE_MS)
            continue;
        for (int i = 0; i < RUNS_MAX; i++)
            enclosed(&r->all[i], x);
        for (int i = 0; i < n; i++)
            enclosed(&over[i], x);
    }
}

static void follow(struct learned_log *g, float value, float n)
{
    float share = 1 / fminf(n, MEMORY), d = value - g->mean;
    g->mean += share * d;
    g->variance += share * (d * d * (1 - share) - g->variance);
}

void stages_learn(struct learned_load *load, const struct run *x)
{
    if (x->cut || x->train)
        return;
    float fade = load->programmes > MEMORY ? 1 - 1 / MEMORY : 1;
    load->programmes = load->programmes * fade + 1;
    load->staged *= fade;
    if (x->inner <= 0)
        return;
    float value = logf(x->inner);
    bool alike = load->staged < 1 || fabsf(value - load->stage.mean) < 0.25F;
    load->staged += alike;
    follow(&load->stage, value, fmaxf(load->staged, 1));
    float d = (float)x->inners - load->stages;
    load->stages += d / fminf(fmaxf(load->staged, 1), MEMORY);
    follow(&load->delay, logf(fmaxf(x->inner_delay, 1)), fmaxf(load->staged, 1));
    follow(&load->stage_seconds, logf(fmaxf(x->inner_seconds, 1)), fmaxf(load->staged, 1));
}
