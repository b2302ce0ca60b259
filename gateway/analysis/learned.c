#include "learned.h"

#include <math.h>
#include <string.h>

#define MEMORY 12.0F /* runs over which means are taken */
#define SIZE_LOG                                                                               \
    0.04F /* how alike runs of one load are in size, beside the meter's own error */
#define SIZE_AMPS 0.03F     /* that error */
#define LENGTH_LOG 0.4F     /* in length */
#define INRUSH_LOG 0.5F     /* in inrush over size */
#define ALIKE 5.0F          /* squared distance up to which a run belongs to a cluster */
#define OF_SIZE_LOG 0.06F   /* in size alone */
#define MERGE 0.7F          /* and clusters are one */
#define SAME_SIZE_LOG 0.04F /* a load that moved draws as much as before */
#define TWIN_MS 3600000
#define TWIN_SIZE_LOG 0.015F
#define TWIN_LENGTH_LOG 0.06F
#define STRANGER_RUNS 4
#define STRANGER_TWINS 0.25F
#define TWINS_APART 0.5F /* one repeats itself, the other does not: two loads */
#define HALF_LIFE_MS (60LL * 86400000)

static float log_of(float v, float least)
{
    return logf(fmaxf(v, least));
}

static void follow(struct learned_log *g, float value, float n)
{
    float share = 1 / fminf(n, MEMORY), d = value - g->mean;
    g->mean += share * d;
    g->variance += share * (d * d * (1 - share) - g->variance);
}

static void follow_mean(float *mean, float value, float n)
{
    *mean += (value - *mean) / fminf(n, MEMORY);
}

/* A run on the scales of a cluster. */
struct place_of {
    float amps, inrush; /* logarithms; the inrush over the amps */
    float size;         /* how far off in amps another run of the load may be */
};

static struct place_of place_of(float amps, float inrush)
{
    return (struct place_of){
        .amps = log_of(amps, 0.02F),
        .inrush = log_of(inrush / fmaxf(amps, 0.02F), 1),
        .size = SIZE_LOG + SIZE_AMPS / fmaxf(amps, 0.05F),
    };
}

/* Squared distance in size and inrush. */
static float distance(const struct learned_load *c, const struct place_of *x)
{
    float a = (x->amps - c->amps.mean) / x->size;
    float i = (x->inrush - c->inrush.mean) / (INRUSH_LOG + sqrtf(c->inrush.variance));
    return a * a + 0.5F * i * i;
}

static float length_distance(const struct learned_load *c, float log_seconds)
{
    float d = (log_seconds - c->seconds.mean) / (LENGTH_LOG + sqrtf(c->seconds.variance));
    return d * d;
}

const struct learned_load *learned_like(const struct learned *l, float amps, float inrush)
{
    const struct learned_load *best = NULL;
    struct place_of x = place_of(amps, inrush);
    float least = ALIKE;
    for (int i = 0; i < LEARNED_MAX; i++) {
        const struct learned_load *c = &l->loads[i];
        float d = c->id ? distance(c, &x) : ALIKE + 2;
        if (d >= ALIKE + 2)
            continue; /* however often it was seen */
        d -= 0.2F * log_of(c->runs, 1);
        if (d < least)
            least = d, best = c;
    }
    return best;
}

const struct learned_load *learned_of_size(const struct learned *l, float amps,
                                           float runs_least)
{
    const struct learned_load *best = NULL;
    float least = 1, size = OF_SIZE_LOG + SIZE_AMPS / fmaxf(amps, 0.05F);
    float log_amps = log_of(amps, 0.02F);
    for (int i = 0; i < LEARNED_MAX; i++) {
        const struct learned_load *c = &l->loads[i];
        float d = fabsf(log_amps - c->amps.mean) / size;
        if (c->id && c->runs >= runs_least && d < least)
            least = d, best = c;
    }
    return best;
}

/* Milliseconds since its last run began; a clock that was set back makes none of it fresher
 * than new, by which what is learned would grow without bounds. */
static float age_ms(const struct learned_load *c, int64_t wall_ms)
{
    return wall_ms > c->last_wall_ms ? (float)(wall_ms - c->last_wall_ms) : 0;
}

/* What is worth least: little seen, long ago; a name protects. */
static struct learned_load *place(struct learned *l, int64_t wall_ms)
{
    struct learned_load *least = l->loads;
    float worth = INFINITY;
    for (int i = 0; i < LEARNED_MAX; i++) {
        struct learned_load *c = &l->loads[i];
        if (c->id == 0)
            return c;
        float age = age_ms(c, wall_ms) / HALF_LIFE_MS;
        float w = c->runs * exp2f(-30 * age) + (c->name[0] ? 1000 : 0);
        if (w < worth)
            worth = w, least = c;
    }
    return least;
}

static void merge(struct learned_load *a, struct learned_load *b)
{
    float n = a->runs + b->runs, share = b->runs / n;
    a->amps.mean += share * (b->amps.mean - a->amps.mean);
    a->seconds.mean += share * (b->seconds.mean - a->seconds.mean);
    a->inrush.mean += share * (b->inrush.mean - a->inrush.mean);
    a->runs = n;
    a->charge += b->charge;
    for (int h = 0; h < 24; h++)
        a->hours[h] += b->hours[h];
    if (b->first_wall_ms < a->first_wall_ms)
        a->first_wall_ms = b->first_wall_ms;
    if (b->last_wall_ms > a->last_wall_ms)
        a->last_wall_ms = b->last_wall_ms;
    if (a->name[0] == '\0')
        memcpy(a->name, b->name, sizeof a->name);
    if (b->staged > a->staged) {
        a->stage = b->stage;
        a->stage_seconds = b->stage_seconds;
    }
    a->programmes += b->programmes;
    a->series += b->series;
    a->rich += b->rich;
    a->staged += b->staged;
    *b = (struct learned_load){0};
}

/* Clusters that have come to look alike; two names are never one. */
static void merge_grown(struct learned *l, struct learned_load *a)
{
    for (int i = 0; i < LEARNED_MAX; i++) {
        struct learned_load *b = &l->loads[i];
        if (b == a || b->id == 0 || (a->name[0] && b->name[0] && strcmp(a->name, b->name) != 0))
            continue;
        if (fabsf(a->twins - b->twins) > TWINS_APART)
            continue;
        struct place_of x = place_of(expf(b->amps.mean), expf(b->amps.mean + b->inrush.mean));
        float d = distance(a, &x) + length_distance(a, b->seconds.mean);
        if (d < MERGE)
            merge(a, b);
    }
}

static const struct learned_load *which(const struct learned *l, const struct run_shape *s,
                                        float twins_least)
{
    const struct learned_load *best = NULL;
    struct place_of x = place_of(s->first, s->inrush);
    float least = ALIKE, seconds = log_of(s->on_seconds, 1);
    for (int i = 0; i < LEARNED_MAX; i++) {
        const struct learned_load *c = &l->loads[i];
        if (c->id == 0 || c->twins < twins_least)
            continue;
        float d = distance(c, &x) + length_distance(c, seconds);
        if (d < least)
            least = d, best = c;
    }
    return best;
}

const struct learned_load *learned_which(const struct learned *l, const struct run_shape *s)
{
    return which(l, s, 0);
}

/* Like the last run of the load, shortly before, to within what a meter shows. */
static bool is_twin(const struct learned_load *c, const struct run_shape *s,
                    int64_t began_wall_ms)
{
    return began_wall_ms - c->last_wall_ms < TWIN_MS &&
           fabsf(log_of(s->first, 0.02F) - c->last_amps) < TWIN_SIZE_LOG &&
           fabsf(log_of(s->on_seconds, 1) - c->last_seconds) < TWIN_LENGTH_LOG;
}

/* It repeats itself, which this load never did, and is not quite like it, or does so for the
 * second time in a row: nobody fills a kettle three times to the same drop. */
static bool stranger(const struct learned_load *c, const struct run_shape *s)
{
    return c->runs >= STRANGER_RUNS && c->twins < STRANGER_TWINS &&
           (c->streak > 0 || fabsf(log_of(s->first, 0.02F) - c->amps.mean) > TWIN_SIZE_LOG ||
            fabsf(log_of(s->on_seconds, 1) - c->seconds.mean) > 2 * TWIN_LENGTH_LOG);
}

struct learned_load *learned_take(struct learned *l, const struct run_shape *s,
                                  int64_t began_wall_ms, int32_t utc_offset_seconds)
{
    const struct learned_load *known = learned_which(l, s);
    struct learned_load *best = known ? &l->loads[known - l->loads] : NULL;
    bool twin = best && is_twin(best, s, began_wall_ms);
    if (twin && stranger(best, s)) {
        known = which(l, s, TWINS_APART);
        best = known ? &l->loads[known - l->loads] : NULL;
    }
    if (!best) {
        best = place(l, began_wall_ms);
        *best = (struct learned_load){.id = ++l->last_id, .first_wall_ms = began_wall_ms};
    }
    float fade = exp2f(-age_ms(best, began_wall_ms) / HALF_LIFE_MS);
    float n = best->runs = (best->runs > 0 ? best->runs * fade : 0) + 1;
    if (best->runs > 1.5F)
        follow(&best->gap, log_of(age_ms(best, began_wall_ms) / 1000.0F, 1), n - 1);
    best->lately = 1 + best->lately * expf(-age_ms(best, began_wall_ms) / LEARNED_LATELY_MS);
    follow_mean(&best->twins, twin ? 1 : 0, n);
    best->streak = twin ? best->streak + 1 : 0;
    best->last_amps = log_of(s->first, 0.02F);
    best->last_seconds = log_of(s->on_seconds, 1);
    follow(&best->amps, log_of(s->first, 0.02F), n);
    follow(&best->seconds, log_of(s->on_seconds, 1), n);
    follow(&best->inrush, log_of(s->inrush / fmaxf(s->first, 0.02F), 1), n);
    follow_mean(&best->spread, s->spread, n);
    follow_mean(&best->changes, s->changes, n);
    follow_mean(&best->pulses, (float)s->pulses, n);
    follow_mean(&best->fading, log_of(s->last / fmaxf(s->first, 0.02F), 0.1F), n);
    follow_mean(&best->growth, log_of(s->growth, 1), n);
    if (s->ripple >= 0)
        follow_mean(&best->ripple, s->ripple, n);
    if (s->power_factor > 0)
        best->power_factor += best->power_factor > 0
                                  ? (s->power_factor - best->power_factor) / fminf(n, MEMORY)
                                  : s->power_factor;
    best->charge += s->amps * s->on_seconds;
    best->last_wall_ms = began_wall_ms;
    best->hours[((began_wall_ms / 1000 + utc_offset_seconds) / 3600 % 24 + 24) % 24] += 1;
    merge_grown(l, best);
    return best;
}

struct learned_load *learned_find(struct learned *l, uint32_t id)
{
    for (int i = 0; i < LEARNED_MAX && id != 0; i++)
        if (l->loads[i].id == id)
            return &l->loads[i];
    return NULL;
}

bool learned_alike(const struct learned_load *a, const struct learned_load *b)
{
    float size = fabsf(a->amps.mean - b->amps.mean);
    return size < SAME_SIZE_LOG + SIZE_AMPS / expf(a->amps.mean) &&
           fabsf(a->inrush.mean - b->inrush.mean) < INRUSH_LOG &&
           length_distance(a, b->seconds.mean) < MERGE;
}
