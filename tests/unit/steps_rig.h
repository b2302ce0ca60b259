/*
 * steps_rig - one circuit's runs, fed with the steps of a current that a test writes down; what
 * is due is announced, what is over is kept.
 */
#ifndef FORETRIP_TESTS_STEPS_RIG_H
#define FORETRIP_TESTS_STEPS_RIG_H

#include "check.h"

#include "analysis/runs.h"

#define OVER_MOST 256
#define STEPS_WALL0_MS 1767225600000

struct wire {
    struct runs runs;
    float level;
    int64_t now_ms;
    struct run over[OVER_MOST];
    int over_count;
};

static inline void wire_took(struct wire *w, const struct run *over, int n)
{
    for (int k = 0; k < n && w->over_count < OVER_MOST; k++)
        w->over[w->over_count++] = over[k];
}

/* Time goes by, a second at a time. */
static inline void wire_passes(struct wire *w, int seconds)
{
    struct run over[RUNS_MAX];
    for (int s = 0; s < seconds; s++) {
        int64_t next = INT64_MAX;
        w->now_ms += 1000;
        for (int i = 0; i < RUNS_MAX; i++)
            if (runs_announce_due_ms(&w->runs, &w->runs.all[i]) <= w->now_ms)
                w->runs.all[i].announced = true;
        wire_took(w, over, runs_tick(&w->runs, w->now_ms, over, &next));
    }
}

static inline struct step wire_step(const struct wire *w, float amps)
{
    return (struct step){.at_mono_ms = w->now_ms,
                         .at_wall_ms = STEPS_WALL0_MS + w->now_ms,
                         .settled_mono_ms = w->now_ms + 3000,
                         .before = w->level,
                         .after = amps,
                         .peak = fmaxf(amps, w->level),
                         .way = amps,
                         .early = {amps, amps, amps},
                         .early_ms = {1000, 2000, 3000},
                         .first = amps};
}

static inline void wire_takes(struct wire *w, const struct step *s, int seconds)
{
    struct run over[RUNS_MAX];
    wire_took(w, over, runs_step(&w->runs, s, over));
    w->level = s->after;
    wire_passes(w, seconds);
}

/* The current steps to that level, and stays for so many seconds. */
static inline void wire_to(struct wire *w, double amps, int seconds)
{
    struct step s = wire_step(w, (float)amps);
    wire_takes(w, &s, seconds);
}

/* Up and back within a few seconds: no step. */
static inline void wire_pulse(struct wire *w, double amps, int lasts, int seconds)
{
    struct step s = wire_step(w, w->level);
    s.peak = w->level + (float)amps;
    s.settled_mono_ms = w->now_ms + lasts * 1000;
    wire_takes(w, &s, seconds);
}

static inline int wire_on_count(const struct wire *w)
{
    int n = 0;
    for (int i = 0; i < RUNS_MAX; i++)
        n += w->runs.all[i].id != 0 && !w->runs.all[i].pausing;
    return n;
}

/* The run that is on with about that many amps; NULL: none. */
static inline const struct run *wire_on(const struct wire *w, double amps)
{
    for (int i = 0; i < RUNS_MAX; i++) {
        const struct run *x = &w->runs.all[i];
        if (x->id != 0 && !x->pausing && fabs((double)x->amps - amps) < 0.03 + 0.02 * amps)
            return x;
    }
    return NULL;
}

/* Runs and base make up the level, and none of them is less than nothing. */
static inline void wire_adds_up(const struct wire *w)
{
    float sum = w->runs.base;
    assert_true(w->runs.base >= 0.0F);
    for (int i = 0; i < RUNS_MAX; i++) {
        const struct run *x = &w->runs.all[i];
        if (x->id == 0 || x->pausing)
            continue;
        assert_true(x->amps > 0.0F);
        sum += x->amps;
    }
    assert_near((double)sum, (double)w->level, 0.03 + 1e-3 * (double)w->level);
}

#endif
