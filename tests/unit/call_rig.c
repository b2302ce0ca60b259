#include "call_rig.h"

#include <stdlib.h>

static void take(void *context, const struct event *e)
{
    struct call_rig *r = context;
    if (e->type != EVENT_CALL)
        return;
    r->last = *e->call.call;
    assert_true(r->count < CALL_RIG_STEPS);
    r->steps[r->count] = *e->call.step;
    r->steps[r->count++].note = "";
}

static void add_circuit(struct call_rig *r, const char *id, const char *name, int panel,
                        double rating_amps)
{
    struct site_circuit *c = site_add_circuit(&r->site);
    strcpy(c->id, id);
    strcpy(c->name, name);
    strcpy(c->leg, "A");
    snprintf(c->position, sizeof c->position, "%d", (int)r->site.circuit_count);
    c->panel = panel;
    c->breaker_amps = rating_amps;
    c->meter = 0;
}

int call_rig_set_up(void **state)
{
    struct call_rig *r = calloc(1, sizeof *r);
    struct site *s = &r->site;
    site_init(s);
    strcpy(s->id, "rents-3");
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "main");
    strcpy(p->name, "Main panel");
    p = site_add_panel(s);
    strcpy(p->id, "shed");
    strcpy(p->name, "Shed panel");
    strcpy(p->fed_by_id, "main-04");
    strcpy(site_add_bus(s)->id, "lan");
    strcpy(site_add_meter(s)->id, "m1");
    add_circuit(r, "main-01", "Bath", 0, 15);
    add_circuit(r, "main-02", "Hall", 0, 15);
    add_circuit(r, "main-03", "Kitchen", 0, 20);
    add_circuit(r, "main-04", "Shed", 0, 30);
    add_circuit(r, "shed-01", "Bench", 1, 20);
    site_finish(s);
    assert_true(rules_set_init(&r->rules, s));
    r->alarms = alarms_create(s, take, r);
    r->calls = calls_create(s, &r->rules, r->alarms, take, r);
    r->frame = frame_create(s);
    assert_true(r->alarms && r->calls && r->frame);
    r->frame->has = 1U << FRAME_AMPS;
    r->by = "Ada";
    r->device = "phone-1";
    r->amps[HALL] = 1.0F;
    r->amps[FEEDER] = r->amps[SHED] = 2.0F;
    *state = r;
    call_rig_feed(r, 5);
    return 0;
}

int call_rig_tear_down(void **state)
{
    struct call_rig *r = *state;
    calls_destroy(r->calls);
    alarms_destroy(r->alarms);
    frame_destroy(r->frame);
    rules_set_free(&r->rules);
    site_free(&r->site);
    free(r);
    return 0;
}

int64_t call_rig_now(const struct call_rig *r)
{
    return CALL_RIG_WALL0 + r->second * 1000;
}

void call_rig_feed(struct call_rig *r, int seconds)
{
    for (int i = 0; i < seconds; i++) {
        r->second++;
        r->frame->mono_ms = 5000 + r->second * 1000;
        r->frame->wall_ms = call_rig_now(r);
        for (int c = 0; c < CALL_RIG_CIRCUITS; c++)
            r->frame->values[c] = r->amps[c];
        calls_step(r->calls, r->frame);
    }
}

void call_rig_trip(struct call_rig *r, int circuit, enum trip_cause cause, double probability,
                   enum trip_stage stage)
{
    char id[EVENT_ID_SIZE];
    const struct event_load loads[] = {{.appliance = "space_heater", .amps = 10.4},
                                       {.appliance = "hair_dryer", .amps = 12.1}};
    struct event e = {
        .type = EVENT_TRIP, .wall_ms = call_rig_now(r), .panel = -1, .circuit = circuit};
    trip_id_make(&r->site, circuit, call_rig_now(r), id);
    e.trip = (struct event_trip){.id = id,
                                 .stage = stage,
                                 .probability = probability,
                                 .opened_wall_ms = call_rig_now(r),
                                 .cause = cause,
                                 .amps_before = 22.5,
                                 .loads = loads,
                                 .load_count = 2,
                                 .upstream = TRIP_UPSTREAM_NONE};
    if (cause == CAUSE_SUPPLY_OUTAGE)
        e.trip.upstream = TRIP_UPSTREAM_UTILITY;
    if (cause == CAUSE_UPSTREAM_OPEN)
        e.trip.upstream = FEEDER;
    e.trip.causes[cause] = 0.9;
    calls_event(r->calls, &e);
}

static struct call_say say_of(const struct call_rig *r)
{
    return (struct call_say){.call = r->id,
                             .question = r->last.question,
                             .as = r->as,
                             .by = r->by,
                             .device = r->device,
                             .note = ""};
}

enum call_err call_rig_begin(struct call_rig *r, int circuit)
{
    struct call_say say = say_of(r);
    char id[EVENT_ID_SIZE];
    say.call = r->site.circuits[circuit].id;
    say.answer = CALL_SAID_BEGIN;
    enum call_err err = calls_begin(r->calls, r->frame, &say, call_rig_now(r), id);
    if (err == CALL_OK)
        memcpy(r->id, id, sizeof id);
    call_rig_feed(r, 1);
    return err;
}

enum call_err call_rig_say_with(struct call_rig *r, enum call_answer answer, const char *note)
{
    struct call_say say = say_of(r);
    say.answer = answer;
    say.note = note;
    enum call_err err = calls_answer(r->calls, &say, call_rig_now(r));
    call_rig_feed(r, 1);
    return err;
}

enum call_err call_rig_say(struct call_rig *r, enum call_answer answer)
{
    return call_rig_say_with(r, answer, "");
}

enum call_err call_rig_stop(struct call_rig *r, enum call_danger danger)
{
    struct call_say say = say_of(r);
    say.answer = CALL_SAID_DANGER;
    say.danger = danger;
    return calls_answer(r->calls, &say, call_rig_now(r));
}

void call_rig_to_off(struct call_rig *r, int circuit)
{
    static const enum call_answer answers[] = {CALL_SAID_CLEAR, CALL_SAID_TRIPPED,
                                               CALL_SAID_LOADS_OFF};
    assert_int_equal(call_rig_begin(r, circuit), CALL_OK);
    for (size_t i = 0; i < sizeof answers / sizeof answers[0]; i++)
        assert_int_equal(call_rig_say(r, answers[i]), CALL_OK);
    assert_int_equal(r->last.stage, CALL_OFF);
}

void call_rig_put_on(struct call_rig *r, int circuit)
{
    call_rig_to_off(r, circuit);
    assert_int_equal(call_rig_say(r, CALL_SAID_IS_OFF), CALL_OK);
    assert_int_equal(call_rig_say(r, CALL_SAID_HOLDS), CALL_OK);
    assert_int_equal(r->last.stage, CALL_NEXT);
}

bool call_rig_saw(const struct call_rig *r, enum call_sight sight)
{
    for (size_t i = 0; i < r->count; i++)
        if (r->steps[i].sight == sight)
            return true;
    return false;
}

void call_rig_restart(struct call_rig *r)
{
    struct codec_out out = {0};
    calls_save(r->calls, &out);
    calls_destroy(r->calls);
    r->calls = calls_create(&r->site, &r->rules, r->alarms, take, r);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(calls_load(r->calls, &in));
    codec_out_free(&out);
}
