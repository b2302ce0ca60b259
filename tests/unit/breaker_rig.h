/* breaker_rig: breakers on a bench, for tests of what they are known to be */
#ifndef FORETRIP_TESTS_BREAKER_RIG_H
#define FORETRIP_TESTS_BREAKER_RIG_H

#include "check.h"

#include "analysis/breaker.h"
#include "analysis/breaker_limits.h"

struct bench {
    struct site site;
    struct rules_set rules;
    struct frame *frame;
    struct breakers *b;
};

static inline void bench_begin(struct bench *t, enum site_standard standard)
{
    site_init(&t->site);
    t->site.standard = standard;
    strcpy(site_add_panel(&t->site)->id, "main");
}

static inline void bench_add(struct bench *t, const char *id, int poles, double amps, char type)
{
    struct site_circuit *c = site_add_circuit(&t->site);
    strcpy(c->id, id);
    c->panel = 0;
    c->poles = poles;
    c->breaker_amps = amps;
    c->type = type;
}

static inline void bench_ready(struct bench *t)
{
    site_finish(&t->site);
    assert_true(rules_set_init(&t->rules, &t->site));
    t->frame = frame_create(&t->site);
    t->frame->has = 1;
    t->b = breakers_create(&t->site, &t->rules);
    assert_non_null(t->b);
}

/* one of one pole, main-01 */
static inline void set_up(struct bench *t, enum site_standard standard, double amps, char type)
{
    bench_begin(t, standard);
    bench_add(t, "main-01", 1, amps, type);
    bench_ready(t);
}

static inline void tear_down(struct bench *t)
{
    breakers_destroy(t->b);
    frame_destroy(t->frame);
    rules_set_free(&t->rules);
    site_free(&t->site);
}

/* each pole carries what was written into the frame */
static inline void bench_run(struct bench *t, int seconds, int64_t step_ms)
{
    for (int64_t ms = 0; ms < 1000 * (int64_t)seconds; ms += step_ms) {
        t->frame->mono_ms += step_ms;
        t->frame->wall_ms += step_ms;
        breakers_step(t->b, t->frame);
    }
}

static inline void feed_every(struct bench *t, double amps, int seconds, int64_t step_ms)
{
    t->frame->values[0] = (float)amps;
    bench_run(t, seconds, step_ms);
}

static inline void feed(struct bench *t, double amps, int seconds)
{
    feed_every(t, amps, seconds, 1000);
}

/* the first two poles */
static inline void feed_two(struct bench *t, double first, double second, int seconds)
{
    t->frame->values[1] = (float)second;
    feed(t, first, seconds);
}

#endif
