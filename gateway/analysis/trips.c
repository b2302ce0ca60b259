#include "trips.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A fall counts from this many times the rule's zero_amps. */
#define FALL_FROM_ZEROS 2.0
#define CONFIRM_AFTER_MS 60000

enum circuit_phase { PHASE_CLOSED, PHASE_PROVISIONAL, PHASE_CONFIRMED };

struct circuit_trip {
    float amps; /* last reading, hotter pole; NaN before the first */
    enum circuit_phase phase;
    bool again; /* opened within the rule's time of a reset: said already */
    char id[EVENT_ID_SIZE];
    int64_t opened_mono_ms, opened_wall_ms;
    int64_t restored_mono_ms; /* of the last trip, INT64_MIN when there was none */
    double amps_before;
    double probability;
    struct event_load loads[LOADS_MAX_RUNNING];
    size_t load_count;
};

struct trips {
    const struct site *site;
    const struct rules_set *rules;
    struct breakers *breakers;
    struct loads *loads;
    event_sink *sink;
    void *context;
    bool *cut;
    struct circuit_trip circuits[];
};

struct trips *trips_create(const struct site *s, const struct rules_set *rules,
                           struct breakers *b, struct loads *l, event_sink *sink, void *context)
{
    struct trips *t = calloc(1, sizeof *t + s->circuit_count * sizeof t->circuits[0]);
    if (!t)
        return NULL;
    t->cut = calloc(s->circuit_count ? s->circuit_count : 1, sizeof *t->cut);
    if (!t->cut) {
        free(t);
        return NULL;
    }
    t->site = s;
    t->rules = rules;
    t->breakers = b;
    t->loads = l;
    t->sink = sink;
    t->context = context;
    for (size_t i = 0; i < s->circuit_count; i++) {
        t->circuits[i].amps = (float)NAN;
        t->circuits[i].restored_mono_ms = INT64_MIN;
    }
    return t;
}

void trips_destroy(struct trips *t)
{
    if (!t)
        return;
    free(t->cut);
    free(t);
}

const bool *trips_cut(const struct trips *t)
{
    return t->cut;
}

static float hotter_pole(const struct site_circuit *c, const struct frame *f)
{
    float most = (float)NAN;
    for (int p = 0; p < c->poles; p++) {
        float a = frame_amps(f)[c->first_pole + p];
        if (!(a <= most)) /* also when most is NaN */
            most = isnan(a) ? most : a;
    }
    return most;
}

static void say_trip(struct trips *t, size_t i, const struct frame *f, enum trip_stage stage)
{
    struct circuit_trip *c = &t->circuits[i];
    struct breaker_opening heat;
    breakers_opening(t->breakers, (int)i, &heat);
    struct event e = {.type = EVENT_TRIP,
                      .wall_ms = f->wall_ms,
                      .panel = t->site->circuits[i].panel,
                      .circuit = (int)i};
    e.trip = (struct event_trip){
        .id = c->id,
        .stage = stage,
        .probability = c->probability,
        .opened_wall_ms = c->opened_wall_ms,
        .cause = heat.heat > 0.8 ? CAUSE_OVERLOAD : CAUSE_FAULT,
        .amps_before = c->amps_before,
        .heat = heat.heat,
        .loads = c->loads,
        .load_count = c->load_count,
        .upstream = TRIP_UPSTREAM_NONE,
    };
    e.trip.causes[e.trip.cause] = c->probability;
    e.trip.causes[CAUSE_LOAD_ENDED] = 1.0 - c->probability;
    t->sink(t->context, &e);
}

static void say_outcome(struct trips *t, size_t i, const struct frame *f, enum event_type type,
                        double seconds)
{
    struct event e = {.type = type,
                      .wall_ms = f->wall_ms,
                      .panel = t->site->circuits[i].panel,
                      .circuit = (int)i};
    e.outcome = (struct event_outcome){.trip = t->circuits[i].id, .seconds = seconds};
    t->sink(t->context, &e);
}

static void fell(struct trips *t, size_t i, const struct frame *f)
{
    struct circuit_trip *c = &t->circuits[i];
    double again_ms = t->rules->circuits[i].again_seconds * 1000.0;
    double held_ms = c->restored_mono_ms == INT64_MIN
                         ? INFINITY
                         : (double)(f->mono_ms - c->restored_mono_ms);
    double confidence = 0.0;
    double standing = loads_standing_amps(t->loads, (int)i, &confidence);
    c->load_count = loads_running(t->loads, (int)i, c->loads);
    bool standing_gone =
        standing >= FALL_FROM_ZEROS * t->rules->circuits[i].zero_amps && confidence > 0.5;
    if (held_ms <= again_ms)
        say_outcome(t, i, f, EVENT_OPENED_AGAIN, held_ms / 1000.0);
    else if (c->load_count < 2 && !standing_gone)
        return;
    c->phase = PHASE_PROVISIONAL;
    c->probability = 0.9;
    c->opened_mono_ms = f->mono_ms;
    c->opened_wall_ms = f->wall_ms;
    c->amps_before = (double)c->amps;
    trip_id_make(t->site, (int)i, f->wall_ms, c->id);
    t->cut[i] = true;
    say_trip(t, i, f, TRIP_PROVISIONAL);
}

static void step_circuit(struct trips *t, size_t i, const struct frame *f, float amps)
{
    struct circuit_trip *c = &t->circuits[i];
    float zero = (float)t->rules->circuits[i].zero_amps;
    if (c->phase != PHASE_CLOSED && amps >= zero) {
        say_outcome(t, i, f, EVENT_RESTORED, (double)(f->mono_ms - c->opened_mono_ms) / 1000.0);
        c->phase = PHASE_CLOSED;
        c->restored_mono_ms = f->mono_ms;
        t->cut[i] = false;
    } else if (c->phase == PHASE_PROVISIONAL &&
               f->mono_ms - c->opened_mono_ms >= CONFIRM_AFTER_MS) {
        c->phase = PHASE_CONFIRMED;
        c->probability = 0.95;
        say_trip(t, i, f, TRIP_CONFIRMED);
    } else if (c->phase == PHASE_CLOSED && amps < zero &&
               c->amps >= (float)FALL_FROM_ZEROS * zero) {
        fell(t, i, f);
    }
    c->amps = amps;
}

void trips_step(struct trips *t, const struct frame *f)
{
    assert(f->poles == t->site->poles_total);
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        float amps = hotter_pole(&t->site->circuits[i], f);
        if (!isnan(amps))
            step_circuit(t, i, f, amps);
    }
}

void trips_save(const struct trips *t, struct codec_out *out)
{
    (void)t;
    codec_end(out, codec_begin(out, 0x54524950));
}

bool trips_load(struct trips *t, struct codec_in *in)
{
    (void)t;
    return !in->failed;
}
