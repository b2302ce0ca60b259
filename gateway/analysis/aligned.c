#include "aligned.h"

#include <math.h>
#include <stdlib.h>

#define LEAST_KEPT 4

struct taken {
    int64_t at_us;
    int32_t within_us;
    float amps;
};

struct aligned {
    const struct site *site;
    size_t depth;
    struct taken *kept; /* depth of each pole, a ring */
    size_t *count;      /* readings ever, per pole */
};

/* As many of the quickest bus as the slowest one takes for two polls. */
static size_t depth_for(const struct site *s)
{
    int quickest = 0, slowest = 0;
    for (size_t i = 0; i < s->bus_count; i++) {
        int ms = s->buses[i].poll_ms;
        quickest = ms > 0 && (quickest == 0 || ms < quickest) ? ms : quickest;
        slowest = ms > slowest ? ms : slowest;
    }
    size_t depth = LEAST_KEPT + (quickest ? 2 * (size_t)(slowest / quickest) : 0);
    return depth < ALIGNED_MOST ? depth : ALIGNED_MOST;
}

struct aligned *aligned_create(const struct site *s)
{
    struct aligned *a = calloc(1, sizeof *a);
    if (!a)
        return NULL;
    *a = (struct aligned){.site = s, .depth = depth_for(s)};
    a->kept = calloc(a->depth * (s->poles_total + 1), sizeof *a->kept);
    a->count = calloc(s->poles_total + 1, sizeof *a->count);
    if (!a->kept || !a->count) {
        aligned_destroy(a);
        return NULL;
    }
    return a;
}

void aligned_destroy(struct aligned *a)
{
    if (!a)
        return;
    free(a->kept);
    free(a->count);
    free(a);
}

/* age 0 is the newest; below held() */
static struct taken *reading(const struct aligned *a, size_t pole, size_t age)
{
    return &a->kept[pole * a->depth + (a->count[pole] - 1 - age) % a->depth];
}

static size_t held(const struct aligned *a, size_t pole)
{
    return a->count[pole] < a->depth ? a->count[pole] : a->depth;
}

void aligned_feed(struct aligned *a, const struct frame *f)
{
    for (size_t i = 0; i < f->poles; i++) {
        if (isnan(f->values[i]))
            continue;
        struct taken now = {1000 * f->mono_ms, 0, f->values[i]};
        if (f->taken) {
            now.at_us += f->taken[i].at_us;
            now.within_us = f->taken[i].within_us;
        }
        if (a->count[i] > 0 && now.at_us <= reading(a, i, 0)->at_us)
            continue;
        a->count[i]++;
        *reading(a, i, 0) = now;
    }
}

/* What the pole can have carried at the instant of t; false when it was not read around it. */
static bool held_to(const struct aligned *a, size_t pole, const struct taken *t, double *least,
                    double *most)
{
    bool after = false;
    *least = INFINITY;
    *most = -INFINITY;
    for (size_t age = 0; age < held(a, pole); age++) { /* the newest first */
        const struct taken *r = reading(a, pole, age);
        if (r->at_us == t->at_us && r->within_us == t->within_us) {
            *least = *most = (double)r->amps;
            return true;
        }
        int64_t apart_us = r->at_us - t->at_us;
        int64_t room_us = (int64_t)r->within_us + t->within_us;
        if (apart_us >= room_us) { /* surely after: only the last of these counts */
            after = true;
            *least = *most = (double)r->amps;
            continue;
        }
        *least = fmin(*least, (double)r->amps);
        *most = fmax(*most, (double)r->amps);
        if (apart_us <= -room_us)
            return after;
    }
    return false;
}

static bool sum_at(const struct aligned *a, int panel, char leg, const struct taken *t,
                   struct aligned_sum *out)
{
    out->least = out->most = 0.0;
    for (size_t i = 0; i < a->site->circuit_count; i++) {
        const struct site_circuit *c = &a->site->circuits[i];
        for (int k = 0; c->panel == panel && k < c->poles; k++) {
            double least, most;
            if (c->leg[k] != leg)
                continue;
            if (!held_to(a, (size_t)c->first_pole + (size_t)k, t, &least, &most))
                return false;
            out->least += least;
            out->most += most;
        }
    }
    return true;
}

bool aligned_feeder(const struct aligned *a, int feeder, int pole, struct aligned_sum *out)
{
    const struct site_circuit *f = &a->site->circuits[feeder];
    size_t own = (size_t)f->first_pole + (size_t)pole;
    for (size_t age = 0; age < held(a, own); age++) {
        const struct taken *t = reading(a, own, age);
        out->own = (double)t->amps;
        out->at_us = t->at_us;
        if (sum_at(a, f->feeds_panel, f->leg[pole], t, out))
            return true;
    }
    return false;
}

double aligned_apart(const struct aligned_sum *s)
{
    return fmax(0.0, fmax(s->least - s->own, s->own - s->most));
}
