#include "overload_case.h"

#include "check.h"

static void note(void *context, const struct event *e)
{
    struct overload_case *t = context;
    if (e->type == EVENT_LOAD_ON || e->type == EVENT_LOAD_OFF) {
        near_overload_event(t->near, e);
        habits_event(t->habits, e);
    }
    if (e->type != EVENT_ALARM || e->alarm.kind != ALARM_NEAR_OVERLOAD ||
        e->alarm.state != ALARM_UNACKNOWLEDGED)
        return;
    t->raised++;
    t->raised_ms = t->frame->mono_ms;
    t->raised_on = e->circuit;
    t->alert = e->alarm.alert;
    t->p50_seconds = e->alarm.near_overload->p50_seconds;
    snprintf(t->text, sizeof t->text, "%s", e->alarm.text);
    t->off_count = e->alarm.near_overload->switch_off_count;
    t->off_amps = 0.0;
    for (size_t i = 0; i < t->off_count; i++) {
        double amps = e->alarm.near_overload->switch_off[i].amps;
        t->off_amps += amps;
        if (i < sizeof t->off / sizeof t->off[0])
            t->off[i] = amps;
    }
}

static void add_circuit(struct site *s, const char *id, const char *name, int poles,
                        double rating)
{
    struct site_circuit *c = site_add_circuit(s);
    strcpy(c->id, id);
    strcpy(c->name, name);
    strcpy(c->position, id + 6);
    c->panel = 0;
    c->poles = poles;
    c->breaker_amps = rating;
}

void overload_set_up(struct overload_case *t)
{
    memset(t, 0, sizeof *t);
    site_init(&t->site);
    t->site.nominal_volts = 120;
    struct site_panel *p = site_add_panel(&t->site);
    strcpy(p->id, "main");
    strcpy(p->name, "Main panel");
    add_circuit(&t->site, "main-07", "Kitchen", 1, 15);
    add_circuit(&t->site, "main-09", "Range", 2, 40);
    add_circuit(&t->site, "main-11", "Workshop", 2, 20);
    site_finish(&t->site);
    assert_true(rules_set_init(&t->rules, &t->site));
    t->frame = frame_create(&t->site);
    t->frame->has = 1U << FRAME_AMPS;
    t->frame->wall_ms = 1767225600000;
    t->breakers = breakers_create(&t->site, &t->rules);
    t->loads = loads_create(&t->site, &t->rules, &t->signatures, note, t);
    t->alarms = alarms_create(&t->site, note, t);
    t->near = near_overload_create(&t->site, &t->rules, t->breakers, t->loads, t->alarms);
    t->habits = habits_create(&t->site);
    assert_true(t->near && t->habits && t->loads && t->alarms && t->breakers && t->frame);
    t->sources = (struct outlook_sources){.site = &t->site,
                                          .rules = &t->rules,
                                          .breakers = t->breakers,
                                          .loads = t->loads,
                                          .habits = t->habits};
}

void overload_tear_down(struct overload_case *t)
{
    near_overload_destroy(t->near);
    habits_destroy(t->habits);
    alarms_destroy(t->alarms);
    loads_destroy(t->loads);
    breakers_destroy(t->breakers);
    frame_destroy(t->frame);
    rules_set_free(&t->rules);
    site_free(&t->site);
}

void overload_hold(struct overload_case *t, double amps, int seconds)
{
    for (int s = 0; s < seconds; s++) {
        t->frame->mono_ms += 1000;
        t->frame->wall_ms += 1000;
        t->frame->values[0] = (float)amps;
        memcpy(&t->frame->values[1], t->range_amps, sizeof t->range_amps);
        memcpy(&t->frame->values[3], t->shop_amps, sizeof t->shop_amps);
        breakers_step(t->breakers, t->frame);
        loads_step(t->loads, t->frame, NULL);
        near_overload_step(t->near, t->frame);
        habits_step(t->habits, t->frame);
        alarms_tick(t->alarms, t->frame->mono_ms, t->frame->wall_ms);
    }
}
