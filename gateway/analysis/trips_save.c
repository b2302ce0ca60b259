#include "trips_state.h"

#include <math.h>

#include <string.h>

#define TAG_CIRCUIT 2U

/* ---- running: what is open, and what every circuit did last --------------------------------
 */

/* INFINITY is written as -1: no number that is saved here is negative by itself. */
static void put_seconds(struct codec_out *out, double v)
{
    codec_put_f64(out, isinf(v) ? -1.0 : v);
}

static double get_seconds(struct codec_in *in)
{
    double v = codec_get_f64(in);
    return v < 0.0 ? (double)INFINITY : v;
}

static void put_facts(struct codec_out *out, const struct fall_facts *f)
{
    codec_put_f64(out, f->poll_seconds);
    codec_put_f64(out, f->gap_seconds);
    codec_put_f64(out, f->amps);
    codec_put_f64(out, f->staged);
    codec_put_u32(out, (uint32_t)f->loads);
    for (int k = 0; k < f->loads; k++) {
        codec_put_f64(out, f->ages[k]);
        codec_put_f64(out, f->sizes[k]);
    }
    codec_put_f64(out, f->switch_on_amps);
    put_seconds(out, f->switch_on_seconds);
    put_seconds(out, f->reset_seconds);
    codec_put_f64(out, f->again_seconds);
    codec_put_i64(out, f->local_seconds);
    codec_put_f64(out, f->heat.heat);
    codec_put_f64(out, f->heat.chance_overload);
    codec_put_f64(out, f->heat.chance_worn);
    codec_put_f64(out, f->heat.amps);
    codec_put_f64(out, f->heat.must_hold_amps);
    codec_put_f64(out, f->heat.worn);
    codec_put_f64(out, f->ends_like);
    codec_put_f64(out, f->begins_like);
    codec_put_f64(out, f->awake_seconds);
    codec_put_f64(out, f->watched_days);
    codec_put_f64(out, f->after_amps);
    codec_put_u32(out, (uint32_t)f->after_polls);
    codec_put_f64(out, f->after_rms);
    codec_put_u8(out, (uint8_t)f->seen.marks);
    for (int k = 0; k < f->seen.marks; k++) {
        codec_put_f32(out, f->seen.rms[k]);
        codec_put_f32(out, f->seen.unsure[k]);
    }
}

static bool get_seen(struct codec_in *in, uint32_t version, struct stillness_seen *s)
{
    struct stillness_seen seen = {0};
    int marks = codec_get_u8(in);
    if (marks > STILLNESS_MARKS)
        return false;
    for (int k = 0; k < marks; k++) {
        double rms = (double)codec_get_f32(in), n = STILLNESS_LEAST_POLLS << k;
        if (!(rms >= 0.0))
            return false;
        stillness_see(&seen, n * rms * rms, STILLNESS_USUAL_KURTOSIS * n * pow(rms, 4.0),
                      (int)n);
        if (version >= 5)
            seen.unsure[k] = codec_get_f32(in);
        if (!(seen.unsure[k] > 0.0F))
            return false;
    }
    *s = seen;
    return !in->failed;
}

static bool get_facts(struct codec_in *in, uint32_t version, struct fall_facts *f)
{
    f->poll_seconds = codec_get_f64(in);
    f->gap_seconds = codec_get_f64(in);
    f->amps = codec_get_f64(in);
    f->staged = codec_get_f64(in);
    uint32_t loads = codec_get_u32(in);
    if (loads < 1 || loads > LOADS_MAX_RUNNING)
        return false;
    f->loads = (int)loads;
    for (uint32_t k = 0; k < loads; k++) {
        f->ages[k] = codec_get_f64(in);
        f->sizes[k] = codec_get_f64(in);
        if (f->ages[k] < 0.0 || f->sizes[k] < 0.0)
            return false;
    }
    f->switch_on_amps = codec_get_f64(in);
    f->switch_on_seconds = get_seconds(in);
    f->reset_seconds = get_seconds(in);
    f->again_seconds = codec_get_f64(in);
    f->local_seconds = codec_get_i64(in);
    f->heat.heat = codec_get_f64(in);
    f->heat.chance_overload = codec_get_f64(in);
    f->heat.chance_worn = codec_get_f64(in);
    f->heat.amps = codec_get_f64(in);
    f->heat.must_hold_amps = codec_get_f64(in);
    f->heat.worn = version >= 6 ? codec_get_f64(in) : 0.0;
    f->ends_like = codec_get_f64(in);
    f->begins_like = codec_get_f64(in);
    f->awake_seconds = codec_get_f64(in);
    f->watched_days = codec_get_f64(in);
    f->after_amps = codec_get_f64(in);
    f->after_polls = (int)(codec_get_u32(in) & 0xffffU);
    f->after_rms = version >= 3 ? codec_get_f64(in) : f->after_amps;
    if (version >= 4 && !get_seen(in, version, &f->seen))
        return false;
    return !in->failed && f->poll_seconds >= 0.0 && f->gap_seconds >= 0.0 && f->amps >= 0.0 &&
           f->ends_like >= 0.0 && f->begins_like >= 0.0 && f->awake_seconds >= 0.0 &&
           f->watched_days >= 0.0 && f->after_amps >= 0.0 && f->after_rms >= 0.0 &&
           f->heat.chance_overload >= 0.0 && f->heat.chance_worn >= 0.0 &&
           f->heat.worn >= 0.0 && f->heat.worn <= 1.0;
}

static bool get_before(struct codec_in *in, struct trip_case *c)
{
    c->before_count = codec_get_u8(in);
    if (c->before_count > EVENT_MOST_BEFORE)
        return false;
    for (size_t k = 0; k < c->before_count; k++) {
        c->before[k].seconds = codec_get_f64(in);
        c->before[k].amps = codec_get_f64(in);
        c->before[k].heat = codec_get_f64(in);
        c->before[k].chance = codec_get_f64(in);
    }
    return !in->failed;
}

static void put_loads(struct codec_out *out, const struct trip_case *c)
{
    codec_put_u32(out, (uint32_t)c->load_count);
    for (size_t k = 0; k < c->load_count; k++) {
        const struct event_load *l = &c->loads[k];
        codec_put_i64(out, l->run);
        codec_put_f64(out, l->amps);
        codec_put_i64(out, l->since_wall_ms);
        codec_put_string(out, l->appliance);
        codec_put_f64(out, l->appliance_probability);
        codec_put_u8(out, l->essential);
    }
}

static bool get_loads(struct codec_in *in, struct trip_case *c)
{
    uint32_t count = codec_get_u32(in);
    if (count > LOADS_MAX_RUNNING)
        return false;
    c->load_count = count;
    for (uint32_t k = 0; k < count; k++) {
        struct event_load *l = &c->loads[k];
        l->run = codec_get_i64(in);
        l->amps = codec_get_f64(in);
        l->since_wall_ms = codec_get_i64(in);
        codec_get_string(in, l->appliance, sizeof l->appliance);
        l->appliance_probability = codec_get_f64(in);
        l->essential = codec_get_u8(in) != 0;
    }
    return !in->failed;
}

/* A feeder by its id, a leg by its number; a meter's scope is over with the restart. */
static void put_scope(const struct trips *t, struct codec_out *out, const struct scope_guess *g)
{
    bool feeder = g->scope.kind == SCOPE_FEEDER;
    bool kept = g->scope.kind != SCOPE_METER;
    codec_put_u8(out, kept ? (uint8_t)g->scope.kind : (uint8_t)SCOPE_NONE);
    codec_put_string(out, feeder ? t->site->circuits[g->scope.index].id : "");
    codec_put_u8(out, g->scope.kind == SCOPE_LEG ? (uint8_t)g->scope.index : 0);
    codec_put_f64(out, kept ? g->probability : 0.0);
    codec_put_u8(out, g->by_voltage);
}

static bool get_scope(const struct trips *t, struct codec_in *in, struct scope_guess *g)
{
    char id[SITE_ID_SIZE];
    uint8_t kind = codec_get_u8(in);
    codec_get_string(in, id, sizeof id);
    uint8_t leg = codec_get_u8(in);
    double p = codec_get_f64(in);
    bool by_voltage = codec_get_u8(in) != 0;
    if (in->failed || kind > SCOPE_FEEDER || leg >= SITE_MAX_LEGS || p < 0.0 || p > 1.0)
        return false;
    *g = (struct scope_guess){.scope = {(enum scope_kind)kind, kind == SCOPE_LEG ? leg : -1},
                              .probability = p,
                              .by_voltage = by_voltage};
    if (kind == SCOPE_FEEDER)
        g->scope.index = site_find_circuit(t->site, id);
    if (kind == SCOPE_NONE || (kind == SCOPE_FEEDER && g->scope.index < 0))
        *g = scope_not_guessed;
    return true;
}

void trips_put_case(const struct trips *t, struct codec_out *out, const struct trip_case *c)
{
    codec_put_u8(out, c->state != CASE_NONE);
    if (c->state == CASE_NONE)
        return;
    codec_put_u8(out, c->said);
    codec_put_u8(out, c->taught_breaker);
    codec_put_u8(out, (uint8_t)c->stage);
    codec_put_u8(out, (uint8_t)c->said_cause);
    codec_put_f64(out, c->said_probability);
    codec_put_f64(out, c->probability);
    codec_put_string(out, c->id);
    codec_put_i64(out, c->opened_mono_ms);
    codec_put_i64(out, c->opened_wall_ms);
    codec_put_i64(out, c->seen_mono_ms);
    codec_put_u32(out, (uint32_t)c->next_due);
    put_facts(out, &c->facts);
    codec_put_u8(out, (uint8_t)c->before_count);
    for (size_t k = 0; k < c->before_count; k++) {
        codec_put_f64(out, c->before[k].seconds);
        codec_put_f64(out, c->before[k].amps);
        codec_put_f64(out, c->before[k].heat);
        codec_put_f64(out, c->before[k].chance);
    }
    put_loads(out, c);
    put_scope(t, out, &c->scope);
}

bool trips_get_case(const struct trips *t, struct codec_in *in, uint32_t version,
                    struct trip_case *c)
{
    *c = (struct trip_case){
        .scope = scope_not_guessed, .feeder_drop = (double)NAN, .feeder_before = (double)NAN};
    if (codec_get_u8(in) == 0)
        return !in->failed;
    c->state = CASE_OPEN;
    c->said = codec_get_u8(in) != 0;
    c->taught_breaker = codec_get_u8(in) != 0;
    uint8_t stage = codec_get_u8(in), cause = codec_get_u8(in);
    c->said_probability = codec_get_f64(in);
    c->probability = codec_get_f64(in);
    codec_get_string(in, c->id, sizeof c->id);
    c->opened_mono_ms = codec_get_i64(in);
    c->opened_wall_ms = codec_get_i64(in);
    c->seen_mono_ms = codec_get_i64(in);
    c->next_due = codec_get_u32(in) & 0xffU;
    if (in->failed || stage > TRIP_WITHDRAWN || cause >= CAUSE_COUNT)
        return false;
    c->stage = (enum trip_stage)stage;
    c->said_cause = (enum trip_cause)cause;
    return get_facts(in, version, &c->facts) && get_before(in, c) && get_loads(in, c) &&
           get_scope(t, in, &c->scope);
}

static void put_circuit(const struct trips *t, struct codec_out *out, size_t i)
{
    const struct circuit_watch *w = &t->watch[i];
    codec_put_string(out, t->site->circuits[i].id);
    codec_put_i64(out, t->now.read_ms[i]);
    codec_put_f32(out, t->now.p1[i]);
    /* what carries again and has not settled is seen to come back after the restart */
    codec_put_u8(out, t->now.low[i] != 0 || t->cases[i].state != CASE_NONE);
    codec_put_i64(out, w->woke_ms);
    codec_put_i64(out, w->rose_ms);
    codec_put_f32(out, w->rise);
    codec_put_i64(out, w->reset_ms);
    codec_put_string(out, w->reset_id);
    trips_put_case(t, out, &t->cases[i]);
}

/* The readings since the fall, as far as they were counted. */
static struct rest_count rest_of(const struct fall_facts *f)
{
    float polls = (float)f->after_polls, rms = (float)f->after_rms;
    return (struct rest_count){.polls = f->after_polls,
                               .sum = polls * (float)f->after_amps,
                               .square = polls * rms * rms,
                               .fourth =
                                   (float)STILLNESS_USUAL_KURTOSIS * polls * powf(rms, 4.0F),
                               .seen = f->seen};
}

static bool get_circuit(struct trips *t, struct codec_in *in, uint32_t version)
{
    char id[SITE_ID_SIZE];
    struct circuit_watch w = {0};
    struct trip_case c;
    codec_get_string(in, id, sizeof id);
    int64_t read_ms = codec_get_i64(in);
    float amps = codec_get_f32(in);
    bool low = codec_get_u8(in) != 0;
    w.woke_ms = codec_get_i64(in);
    w.rose_ms = codec_get_i64(in);
    w.rise = codec_get_f32(in);
    w.reset_ms = codec_get_i64(in);
    codec_get_string(in, w.reset_id, sizeof w.reset_id);
    if (!trips_get_case(t, in, version, &c) || in->failed || amps < 0.0F)
        return false;
    int i = site_find_circuit(t->site, id);
    if (i < 0)
        return true; /* the site no longer has it */
    w.feeder = t->watch[i].feeder;
    t->watch[i] = w;
    t->now.read_ms[i] = read_ms;
    t->now.p1[i] = t->now.p2[i] = t->now.p3[i] = amps;
    t->now.low[i] = low ? -1 : 0;
    t->now.counting[i] = c.state == CASE_OPEN ? -1 : 0;
    t->now.rest[i] = rest_of(&c.facts);
    t->cases[i] = c;
    t->cut[i] = c.state == CASE_OPEN && c.probability >= 0.5;
    if (c.state == CASE_OPEN)
        trips_case_schedule(t, (size_t)i, INT64_MIN); /* looked at with the first frame */
    return true;
}

void trips_save(const struct trips *t, struct codec_out *out)
{
    codec_put_u32(out, TRIPS_CASE_VERSION);
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        size_t begun = codec_begin(out, TAG_CIRCUIT);
        put_circuit(t, out, i);
        codec_end(out, begun);
    }
}

bool trips_load(struct trips *t, struct codec_in *in)
{
    uint32_t tag;
    struct codec_in section;
    uint32_t version = codec_get_u32(in);
    if (version < 2 || version > TRIPS_CASE_VERSION)
        return false;
    while (codec_next(in, &tag, &section))
        if (tag == TAG_CIRCUIT && !get_circuit(t, &section, version))
            return false;
    return !in->failed;
}
