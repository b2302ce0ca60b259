/* engine: the whole analysis behind one call, on small invented houses */
#include "check.h"

#include "analysis/engine.h"
#include "model/event_json.h"

#include <stdlib.h>

#define WALL0 1767225600000 /* 2026-01-01T00:00:00Z */

struct house {
    struct site site;
    struct rules_set rules;
    struct signature_set signatures;
    struct engine *engine;
    struct frame *frame;
    int64_t second;
    int trips, confirmed, restored, alarms_raised[ALARM_KINDS];
    uint64_t hash; /* of every event's JSON, in order */
    size_t events;
};

static void take(void *context, const struct event *e)
{
    struct house *h = context;
    char *text = event_to_json_text(&h->site, e);
    for (const char *p = text; *p; p++)
        h->hash = (h->hash ^ (uint8_t)*p) * 1099511628211U; /* FNV-1a */
    free(text);
    h->events++;
    if (e->type == EVENT_TRIP) {
        h->trips += e->trip.stage == TRIP_PROVISIONAL;
        h->confirmed += e->trip.stage == TRIP_CONFIRMED;
    }
    h->restored += e->type == EVENT_RESTORED;
    if (e->type == EVENT_ALARM && e->alarm.state == ALARM_UNACKNOWLEDGED)
        h->alarms_raised[e->alarm.kind]++;
}

static void set_up(struct house *h)
{
    memset(h, 0, sizeof *h);
    struct site *s = &h->site;
    site_init(s);
    strcpy(s->id, "maple-12");
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "main");
    strcpy(p->name, "Main panel, cellar");
    p->rating_amps = 100;
    strcpy(site_add_bus(s)->id, "lan");
    struct site_meter *m = site_add_meter(s);
    strcpy(m->id, "m1");
    m->bus = 0;
    m->panel = 0;
    for (int i = 0; i < 3; i++) {
        struct site_circuit *c = site_add_circuit(s);
        snprintf(c->id, sizeof c->id, "main-%02d", i + 1);
        snprintf(c->position, sizeof c->position, "%d", i + 1);
        snprintf(c->name, sizeof c->name, "Room %d", i + 1);
        c->panel = 0;
        c->breaker_amps = 15;
        c->meter = 0;
    }
    site_finish(s);
    assert_true(rules_set_init(&h->rules, s));
    h->engine = engine_create(s, &h->rules, &h->signatures, take, h);
    assert_non_null(h->engine);
    h->frame = frame_create(s);
    h->frame->has = 1U << FRAME_AMPS;
}

static void tear_down(struct house *h)
{
    engine_destroy(h->engine);
    frame_destroy(h->frame);
    rules_set_free(&h->rules);
    site_free(&h->site);
}

static void feed(struct house *h, int seconds, float a, float b, float c)
{
    for (int i = 0; i < seconds; i++, h->second++) {
        h->frame->mono_ms = 5000 + h->second * 1000;
        h->frame->wall_ms = WALL0 + h->second * 1000;
        h->frame->values[0] = a;
        h->frame->values[1] = b;
        h->frame->values[2] = c;
        engine_feed(h->engine, h->frame);
    }
}

/* a quiet hour, two heaters at 30 A on 15 A until the breaker opens, five minutes dark, a reset
 */
static void overload(struct house *h)
{
    feed(h, 3600, 0.6F, 2.0F, 0.0F);
    feed(h, 20, 15.1F, 2.0F, 0.0F);
    feed(h, 60, 30.0F, 2.0F, 0.0F);
    feed(h, 300, 0.0F, 2.0F, 0.0F);
    feed(h, 120, 0.6F, 2.0F, 0.0F);
}

static void an_overload_is_warned_of_told_and_followed(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    overload(&h);
    assert_int_equal(h.trips, 1);
    assert_true(h.confirmed >= 1);
    assert_int_equal(h.restored, 1);
    assert_int_equal(h.alarms_raised[ALARM_TRIP], 1);
    tear_down(&h);
}

static void the_same_readings_give_the_same_events(void **state)
{
    (void)state;
    struct house a, b;
    set_up(&a);
    set_up(&b);
    overload(&a);
    overload(&b);
    assert_true(a.events > 4);
    assert_int_equal(a.events, b.events);
    assert_true(a.hash == b.hash);
    tear_down(&a);
    tear_down(&b);
}

static void time_that_does_not_move_on_is_refused(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    feed(&h, 10, 1.0F, 1.0F, 1.0F);
    size_t before = h.events;
    h.frame->values[0] = 0.0F;
    engine_feed(h.engine, h.frame); /* the same moment again */
    h.frame->mono_ms -= 5000;
    engine_feed(h.engine, h.frame);
    struct engine_circuit c;
    engine_circuit(h.engine, 0, &c);
    assert_near(c.amps, 1.0, 1e-6);
    assert_int_equal(h.events, before);
    tear_down(&h);
}

static void no_reading_is_not_zero(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    feed(&h, 3600, 6.0F, 2.0F, 3.0F);
    feed(&h, 120, (float)NAN, (float)NAN, (float)NAN);
    assert_int_equal(h.trips, 0);
    assert_int_equal(h.alarms_raised[ALARM_METER_LOST], 1);
    struct engine_circuit c;
    engine_circuit(h.engine, 0, &c);
    assert_near(c.reading_age_seconds, 120.0, 1e-9); /* stale is said aloud */
    feed(&h, 60, 6.0F, 2.0F, 3.0F);
    assert_int_equal(h.trips, 0);
    tear_down(&h);
}

static void a_restart_keeps_alarms_and_does_not_invent_trips(void **state)
{
    (void)state;
    struct house h, after;
    set_up(&h);
    feed(&h, 3600, 0.6F, 2.0F, 0.0F);
    feed(&h, 20, 15.1F, 2.0F, 0.0F);
    feed(&h, 60, 30.0F, 2.0F, 0.0F);
    feed(&h, 30, 0.0F, 2.0F, 0.0F);
    assert_int_equal(h.alarms_raised[ALARM_TRIP], 1);
    struct codec_out running = {0}, learned = {0};
    engine_save(h.engine, ENGINE_RUNNING, &running);
    engine_save(h.engine, ENGINE_LEARNED, &learned);

    set_up(&after);
    assert_true(engine_load(after.engine, learned.bytes, learned.length));
    assert_true(engine_load(after.engine, running.bytes, running.length));
    after.second = h.second + 100; /* its mono clock began anew, the wall went on */
    for (int i = 0; i < 60; i++, after.second++) {
        after.frame->mono_ms = 1 + i * 1000;
        after.frame->wall_ms = WALL0 + after.second * 1000;
        after.frame->values[0] = 0.0F;
        after.frame->values[1] = 2.0F;
        after.frame->values[2] = 0.0F;
        engine_feed(after.engine, after.frame);
    }
    assert_int_equal(after.trips, 0);
    assert_int_equal(after.alarms_raised[ALARM_TRIP], 0); /* it stands already */
    assert_true(alarms_standing(engine_alarms(after.engine), ALARM_TRIP,
                                (struct alarm_subject){0, 0, -1}));
    struct engine_circuit c;
    engine_circuit(after.engine, 0, &c);
    assert_int_equal((int)c.state, (int)CIRCUIT_OPEN);

    for (size_t cut = 1; cut < running.length;
         cut += 7) { /* damage is refused or harmless, never a crash */
        struct house d;
        set_up(&d);
        engine_load(d.engine, running.bytes, cut);
        tear_down(&d);
    }
    codec_out_free(&running);
    codec_out_free(&learned);
    tear_down(&h);
    tear_down(&after);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_overload_is_warned_of_told_and_followed),
        cmocka_unit_test(the_same_readings_give_the_same_events),
        cmocka_unit_test(time_that_does_not_move_on_is_refused),
        cmocka_unit_test(no_reading_is_not_zero),
        cmocka_unit_test(a_restart_keeps_alarms_and_does_not_invent_trips),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
