#include "loads_rig.h"

#include <stdlib.h>

static void note(void *context, const struct event *e)
{
    struct loads_rig *b = context;
    assert_true(b->count < LOADS_RIG_EVENTS);
    b->events[b->count++] = *e;
}

void rig_begin(struct loads_rig *b, uint32_t has)
{
    frame_destroy(b->frame);
    b->frame = frame_create(&b->site);
    b->frame->has |= has;
    b->frame->mono_ms = 5000;
    b->frame->wall_ms = LOADS_RIG_BEGIN_WALL_MS;
    loads_destroy(b->loads);
    b->loads = loads_create(&b->site, &b->rules, &b->signatures, note, b);
    b->count = 0;
}

int loads_rig_set_up(void **state)
{
    struct loads_rig *b = calloc(1, sizeof *b);
    site_init(&b->site);
    b->site.nominal_volts = 230;
    strcpy(site_add_panel(&b->site)->id, "main");
    for (int i = 0; i < LOADS_RIG_CIRCUITS; i++) {
        struct site_circuit *c = site_add_circuit(&b->site);
        strcpy(c->id, i ? "main-02" : "main-01");
        c->panel = 0;
        c->poles = 1;
        c->breaker_amps = 16;
    }
    site_finish(&b->site);
    assert_true(rules_set_init(&b->rules, &b->site));
    b->period_ms = 1000;
    b->step_amps = 0.01;
    rig_begin(b, 0);
    *state = b;
    return 0;
}

int loads_rig_tear_down(void **state)
{
    struct loads_rig *b = *state;
    loads_destroy(b->loads);
    frame_destroy(b->frame);
    rules_set_free(&b->rules);
    site_free(&b->site);
    free(b);
    return 0;
}

/* Both circuits' currents for so many seconds. */
void rig_both(struct loads_rig *b, double first, double second, double seconds)
{
    double amps[LOADS_RIG_CIRCUITS] = {first, second};
    for (int64_t t = 0; t < llround(seconds * 1000); t += b->period_ms) {
        for (size_t i = 0; i < LOADS_RIG_CIRCUITS; i++)
            b->frame->values[i] = (float)(round(amps[i] / b->step_amps) * b->step_amps);
        loads_step(b->loads, b->frame, NULL);
        b->frame->mono_ms += b->period_ms;
        b->frame->wall_ms += b->period_ms;
    }
}

void rig_hold(struct loads_rig *b, double amps, double seconds)
{
    rig_both(b, amps, 0, seconds);
}

size_t rig_ons(const struct loads_rig *b)
{
    size_t n = 0;
    for (size_t k = 0; k < b->count; k++)
        n += b->events[k].type == EVENT_LOAD_ON;
    return n;
}

const struct event *rig_on_at(const struct loads_rig *b, double seconds, double within)
{
    for (size_t k = 0; k < b->count; k++) {
        double at = (double)(b->events[k].wall_ms - LOADS_RIG_BEGIN_WALL_MS) / 1000;
        if (b->events[k].type == EVENT_LOAD_ON && fabs(at - seconds) <= within)
            return &b->events[k];
    }
    return NULL;
}
