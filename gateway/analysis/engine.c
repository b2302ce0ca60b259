#include "engine.h"

#include "code_rules.h"
#include "essential.h"
#include "near_overload.h"
#include "permissible.h"
#include "suppression.h"
#include "trip_alarms.h"
#include "trips.h"

#include "base/lanes.h"
#include "base/text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct engine {
    const struct site *site;
    const struct rules_set *rules;
    event_sink *sink;
    void *context;

    struct breakers *breakers;
    struct loads *loads;
    struct trips *trips;
    struct alarms *alarms;
    struct trip_alarms *trip_alarms;
    struct essential *essential;
    struct suppression *suppression;
    struct near_overload *near_overload;
    struct code_rules *code_rules;
    struct permissible *permissible;
    struct calls *calls;

    int64_t mono_ms, wall_ms; /* of the last frame, mono 0 before the first */
    bool started;
    uint64_t frames_refused;
    struct frame *last;          /* the newest reading of everything, however old */
    int64_t all_read_mono_ms;    /* when all poles' amps were read at once, INT64_MIN: never */
    int64_t *pole_read_mono_ms;  /* when each was while others were not */
    int64_t *meter_read_mono_ms; /* when anything of a meter was read */
    int64_t next_meter_check_ms;

    bool resumed; /* state was loaded, saved at these times */
    int64_t resume_mono_ms, resume_wall_ms;
    int64_t mono_shift_ms; /* added to every frame's mono after a restart */
    struct frame *shifted;
};

/* what trips and loads say goes on to the outside, and makes alarms */
static void forward(void *context, const struct event *e)
{
    struct engine *engine = context;
    engine->sink(engine->context, e);
    trip_alarms_event(engine->trip_alarms, e);
    near_overload_event(engine->near_overload, e);
    essential_event(engine->essential, e);
    calls_event(engine->calls, e);
}

struct engine *engine_create(const struct site *s, const struct rules_set *rules,
                             const struct signature_set *signatures, event_sink *sink,
                             void *context)
{
    struct engine *e = calloc(1, sizeof *e);
    if (!e)
        return NULL;
    *e = (struct engine){.site = s, .rules = rules, .sink = sink, .context = context};
    size_t poles = s->poles_total ? s->poles_total : 1;
    e->last = frame_create(s);
    e->pole_read_mono_ms = malloc(poles * sizeof *e->pole_read_mono_ms);
    e->meter_read_mono_ms = calloc(s->meter_count + 1, sizeof *e->meter_read_mono_ms);
    e->alarms = alarms_create(s, sink, context);
    e->breakers = breakers_create(s, rules);
    e->loads = loads_create(s, rules, signatures, forward, e);
    if (e->alarms && e->breakers && e->loads) {
        e->trips = trips_create(s, rules, e->breakers, e->loads, forward, e);
        e->trip_alarms = trip_alarms_create(s, rules, e->breakers, e->alarms);
        e->essential = essential_create(s, e->alarms, e->trip_alarms);
        e->suppression = suppression_create(s, e->alarms);
        e->near_overload = near_overload_create(s, rules, e->breakers, e->loads, e->alarms);
        e->code_rules = code_rules_create(s, rules, e->breakers, e->alarms);
        e->permissible = permissible_create(s, rules, e->loads, e->alarms);
        e->calls = calls_create(s, rules, e->alarms, sink, context);
    }
    if (!e->last || !e->pole_read_mono_ms || !e->meter_read_mono_ms || !e->trips ||
        !e->trip_alarms || !e->essential || !e->suppression || !e->near_overload ||
        !e->code_rules || !e->permissible || !e->calls) {
        engine_destroy(e);
        return NULL;
    }
    e->all_read_mono_ms = INT64_MIN;
    for (size_t p = 0; p < poles; p++)
        e->pole_read_mono_ms[p] = INT64_MIN;
    return e;
}

void engine_destroy(struct engine *e)
{
    if (!e)
        return;
    calls_destroy(e->calls);
    permissible_destroy(e->permissible);
    code_rules_destroy(e->code_rules);
    near_overload_destroy(e->near_overload);
    suppression_destroy(e->suppression);
    essential_destroy(e->essential);
    trip_alarms_destroy(e->trip_alarms);
    trips_destroy(e->trips);
    loads_destroy(e->loads);
    breakers_destroy(e->breakers);
    alarms_destroy(e->alarms);
    free(e->meter_read_mono_ms);
    free(e->pole_read_mono_ms);
    frame_destroy(e->shifted);
    frame_destroy(e->last);
    free(e);
}

/* The newest of each value; true when none of them is missing now. */
static bool merge(float *last, const float *now, size_t count)
{
    size_t i = 0;
    lanes_mask all = {-1, -1, -1, -1};
    for (; i + LANES <= count; i += LANES) {
        lanes v = lanes_load(now + i);
        lanes_mask read = lanes_known(v);
        lanes_store(last + i, lanes_choose(read, v, lanes_load(last + i)));
        all &= read;
    }
    bool complete = lanes_all(all);
    for (; i < count; i++) {
        complete = complete && !isnan(now[i]);
        last[i] = isnan(now[i]) ? last[i] : now[i];
    }
    return complete;
}

static void keep_last(struct engine *e, const struct frame *f)
{
    for (int q = 0; q < FRAME_QUANTITIES; q++) {
        if (!(f->has & (1U << q)))
            continue;
        size_t from = frame_section(f, (enum frame_quantity)q);
        size_t count = q == FRAME_PANEL_VOLTS ? f->count - from : f->poles;
        bool complete = merge(e->last->values + from, f->values + from, count);
        if (q == FRAME_AMPS && complete)
            e->all_read_mono_ms = f->mono_ms;
        for (size_t p = 0; q == FRAME_AMPS && !complete && p < f->poles; p++)
            if (!isnan(f->values[p]))
                e->pole_read_mono_ms[p] = f->mono_ms;
    }
    e->last->has |= f->has;
}

/* when the pole's amps were read, INT64_MIN: never */
static int64_t pole_read_mono_ms(const struct engine *e, size_t pole)
{
    int64_t alone = e->pole_read_mono_ms[pole];
    return alone > e->all_read_mono_ms ? alone : e->all_read_mono_ms;
}

/* A meter is lost when none of the circuits it measures was read for the rule's time. Looked at
 * once a second: the shortest time a rule may ask for is two. */
static void judge_meters(struct engine *e)
{
    const struct site *s = e->site;
    if (s->meter_count == 0 || e->mono_ms < e->next_meter_check_ms)
        return;
    e->next_meter_check_ms = e->mono_ms + 1000;
    for (size_t c = 0; c < s->circuit_count; c++) {
        const struct site_circuit *circuit = &s->circuits[c];
        if (circuit->meter < 0)
            continue;
        int64_t *read = &e->meter_read_mono_ms[circuit->meter];
        for (int p = 0; p < circuit->poles; p++) {
            int64_t pole = pole_read_mono_ms(e, (size_t)circuit->first_pole + (size_t)p);
            *read = pole > *read ? pole : *read;
        }
    }
    for (size_t m = 0; m < s->meter_count; m++) {
        double age = (double)(e->mono_ms - e->meter_read_mono_ms[m]) / 1000.0;
        double limit = e->rules->site.meter_lost_seconds;
        struct text text = TEXT_INIT;
        struct figures figures;
        figures_clear(&figures);
        struct alarm_judgement j = {
            .kind = ALARM_METER_LOST,
            .subject = {-1, -1, (int)m},
            .stands = age >= limit,
            .priority = PRIORITY_LOW,
        };
        if (alarms_raises(e->alarms, e->mono_ms, &j)) {
            const struct site_meter *meter = &s->meters[m];
            text_printf(
                &text, "The meter %s%s%s does not answer: what it measures is not watched now.",
                meter->id, meter->panel >= 0 ? " in " : "",
                meter->panel >= 0 ? s->panels[meter->panel].name : "");
            figures_add(&figures, FIGURE_NO_READING_FOR, age);
            figures_add_text(&figures, FIGURE_BUS, s->buses[meter->bus].id);
            figures_add(&figures, FIGURE_UNIT_NUMBER, meter->unit);
        }
        j.text = text_get(&text);
        j.figures = &figures;
        alarms_judge(e->alarms, e->mono_ms, e->wall_ms, &j);
        text_free(&text);
    }
}

/* The first frame after a restart: the saved mono plus the wall time that has passed, at least
 * a second (the wall clock may have been set back meanwhile). */
static void resume(struct engine *e, const struct frame *f)
{
    int64_t away_ms = f->wall_ms - e->resume_wall_ms;
    e->resumed = false;
    e->shifted = frame_create(e->site);
    if (!e->shifted)
        return; /* memory is short: the saved times then look like a long gap, or like the
                   future */
    e->mono_shift_ms = e->resume_mono_ms + (away_ms > 1000 ? away_ms : 1000) - f->mono_ms;
}

static const struct frame *shift(struct engine *e, const struct frame *f)
{
    memcpy(e->shifted, f, sizeof *f + f->count * sizeof f->values[0]);
    e->shifted->mono_ms += e->mono_shift_ms;
    return e->shifted;
}

/* The time of a loss counts from the first frame, but a meter that was lost before a restart is
 * so until it is read. */
static bool lost_before(const struct engine *e, size_t meter)
{
    return alarms_condition(e->alarms, ALARM_METER_LOST,
                            (struct alarm_subject){-1, -1, (int)meter});
}

void engine_feed(struct engine *e, const struct frame *f)
{
    if (e->resumed)
        resume(e, f);
    if (e->shifted)
        f = shift(e, f);
    if (e->started && f->mono_ms <= e->mono_ms) {
        e->frames_refused++;
        return;
    }
    if (!e->started)
        for (size_t m = 0; m < e->site->meter_count; m++)
            e->meter_read_mono_ms[m] = lost_before(e, m) ? INT64_MIN / 2 : f->mono_ms;
    e->started = true;
    e->mono_ms = f->mono_ms;
    e->wall_ms = f->wall_ms;
    keep_last(e, f);
    breakers_step(e->breakers, f);
    trips_step(e->trips, f); /* before loads: it asks what ran before the fall */
    loads_step(e->loads, f, trips_cut(e->trips));
    trip_alarms_step(e->trip_alarms, f->mono_ms, f->wall_ms);
    essential_step(e->essential, f->mono_ms, f->wall_ms);
    suppression_step(e->suppression, f->wall_ms);
    near_overload_step(e->near_overload, f);
    code_rules_step(e->code_rules, f);
    permissible_step(e->permissible, f);
    calls_step(e->calls, f);
    judge_meters(e);
    alarms_tick(e->alarms, f->mono_ms, f->wall_ms);
}

static int hotter_pole(const struct engine *e, const struct site_circuit *c)
{
    int hottest = c->first_pole;
    for (int p = c->first_pole + 1; p < c->first_pole + c->poles; p++)
        if (e->last->values[p] > e->last->values[hottest])
            hottest = p;
    return hottest;
}

void engine_glance(const struct engine *e, int circuit, struct engine_circuit *out)
{
    const struct site_circuit *c = &e->site->circuits[circuit];
    size_t pole = (size_t)hotter_pole(e, c);
    int64_t read = pole_read_mono_ms(e, pole);
    memset(out, 0, sizeof *out);
    out->amps = (double)e->last->values[frame_index(e->last, FRAME_AMPS, pole)];
    out->watts = (double)e->last->values[frame_index(e->last, FRAME_WATTS, pole)];
    out->volts = (double)e->last->values[frame_index(e->last, FRAME_VOLTS, pole)];
    out->power_factor = (double)e->last->values[frame_index(e->last, FRAME_POWER_FACTOR, pole)];
    out->state = CIRCUIT_UNKNOWN;
    if (read == INT64_MIN) {
        out->reading_age_seconds = (double)INFINITY;
        return;
    }
    out->reading_age_seconds = (double)(e->mono_ms - read) / 1000.0;
    out->reading_wall_ms = e->wall_ms - (e->mono_ms - read);
    if (trip_alarms_open(e->trip_alarms, circuit))
        out->state = CIRCUIT_OPEN;
    else if (out->amps >= e->rules->circuits[circuit].zero_amps)
        out->state =
            CIRCUIT_CLOSED; /* what carries current is closed; what does not may be either */
    out->load_count = loads_running(e->loads, circuit, out->loads);
    out->rest_amps = loads_rest_amps(e->loads, circuit);
    out->standing_amps = loads_standing_amps(e->loads, circuit, NULL);
}

void engine_circuit(const struct engine *e, int circuit, struct engine_circuit *out)
{
    engine_glance(e, circuit, out);
    if (out->reading_wall_ms)
        breakers_forecast(e->breakers, circuit, out->amps, &out->forecast);
}

double engine_chance(const struct engine *e, int circuit, double seconds)
{
    struct engine_circuit glance;
    engine_glance(e, circuit, &glance);
    if (isnan(glance.amps) || glance.reading_wall_ms == 0)
        return 0.0;
    return near_overload_chance(e->near_overload, circuit, glance.amps, seconds);
}

const struct breakers *engine_breakers(const struct engine *e)
{
    return e->breakers;
}

struct loads *engine_loads(struct engine *e)
{
    return e->loads;
}

struct alarms *engine_alarms(struct engine *e)
{
    return e->alarms;
}

enum call_err engine_call(struct engine *e, const struct call_say *say, int64_t wall_ms,
                          char id[EVENT_ID_SIZE])
{
    if (say->answer == CALL_SAID_BEGIN)
        return calls_begin(e->calls, e->last, say, wall_ms, id);
    id[0] = '\0';
    return calls_answer(e->calls, say, wall_ms);
}

const struct calls *engine_calls(const struct engine *e)
{
    return e->calls;
}

bool engine_correct_trip(struct engine *e, const char *trip, enum trip_cause cause,
                         int64_t wall_ms, const char *by)
{
    return trips_correct(e->trips, trip, cause, wall_ms, by);
}

bool engine_note_trip(struct engine *e, const char *trip, const char *note, int64_t wall_ms,
                      const char *by)
{
    static const size_t tail = sizeof "-20260101T061502Z" - 1;
    char circuit[SITE_ID_SIZE];
    size_t n = strlen(trip);
    if (n <= tail || n - tail >= sizeof circuit)
        return false;
    memcpy(circuit, trip, n - tail);
    circuit[n - tail] = '\0';
    struct event out = {.type = EVENT_TRIP_NOTE,
                        .wall_ms = wall_ms,
                        .panel = -1,
                        .circuit = site_find_circuit(e->site, circuit),
                        .note = {trip, note, by}};
    if (out.circuit < 0)
        return false;
    e->sink(e->context, &out);
    return true;
}

bool engine_breaker_replaced(struct engine *e, const char *circuit, const char *note,
                             int64_t wall_ms, const char *by)
{
    const struct event out = {.type = EVENT_BREAKER_REPLACED,
                              .wall_ms = wall_ms,
                              .panel = -1,
                              .circuit = site_find_circuit(e->site, circuit),
                              .note = {NULL, note, by}};
    if (out.circuit < 0)
        return false;
    breakers_replaced(e->breakers, out.circuit);
    trips_replaced(e->trips, out.circuit);
    forward(e, &out);
    return true;
}

/* tags of the sections; a number is never used again for something else */
enum {
    STATE_TIME = 1,
    STATE_BREAKERS,
    STATE_LOADS,
    STATE_TRIPS,
    STATE_ALARMS,
    STATE_TRIP_ALARMS,
    STATE_NEAR_OVERLOAD,
    STATE_TRIPS_LEARNED,
    STATE_ESSENTIAL = 20,
    STATE_CALLS = 30
};

static void save_time(const struct engine *e, struct codec_out *out)
{
    size_t begun = codec_begin(out, STATE_TIME);
    codec_put_i64(out, e->mono_ms);
    codec_put_i64(out, e->wall_ms);
    codec_end(out, begun);
}

#define SAVE(tag, function, object)                                                            \
    do {                                                                                       \
        size_t begun_ = codec_begin(out, tag);                                                 \
        function(object, out);                                                                 \
        codec_end(out, begun_);                                                                \
    } while (0)

void engine_save(const struct engine *e, enum engine_part part, struct codec_out *out)
{
    if (e->started)
        save_time(e, out);
    switch (part) {
    case ENGINE_RUNNING:
        SAVE(STATE_ALARMS, alarms_save, e->alarms);
        SAVE(STATE_TRIP_ALARMS, trip_alarms_save, e->trip_alarms);
        SAVE(STATE_TRIPS, trips_save, e->trips);
        SAVE(STATE_CALLS, calls_save, e->calls);
        return;
    case ENGINE_LEARNED:
        SAVE(STATE_BREAKERS, breakers_save, e->breakers);
        SAVE(STATE_LOADS, loads_save, e->loads);
        SAVE(STATE_TRIPS_LEARNED, trips_save_learned, e->trips);
        SAVE(STATE_ESSENTIAL, essential_save, e->essential);
        SAVE(STATE_NEAR_OVERLOAD, near_overload_save, e->near_overload);
        return;
    }
}

/* the later of the two parts' times is when the gateway went */
static bool load_time(struct engine *e, struct codec_in *in)
{
    int64_t mono_ms = codec_get_i64(in), wall_ms = codec_get_i64(in);
    if (!in->failed && (!e->resumed || mono_ms > e->resume_mono_ms)) {
        e->resumed = true;
        e->resume_mono_ms = mono_ms;
        e->resume_wall_ms = wall_ms;
    }
    return !in->failed;
}

bool engine_load(struct engine *e, const uint8_t *bytes, size_t length)
{
    struct codec_in in = {.at = bytes, .end = bytes + length}, section;
    uint32_t tag;
    bool ok = true;
    while (ok && codec_next(&in, &tag, &section)) {
        switch (tag) {
        case STATE_TIME: ok = load_time(e, &section); break;
        case STATE_BREAKERS: ok = breakers_load(e->breakers, &section); break;
        case STATE_LOADS: ok = loads_load(e->loads, &section); break;
        case STATE_TRIPS: ok = trips_load(e->trips, &section); break;
        case STATE_TRIPS_LEARNED: ok = trips_load_learned(e->trips, &section); break;
        case STATE_ALARMS: ok = alarms_load(e->alarms, &section); break;
        case STATE_TRIP_ALARMS: ok = trip_alarms_load(e->trip_alarms, &section); break;
        case STATE_CALLS: ok = calls_load(e->calls, &section); break;
        case STATE_ESSENTIAL: ok = essential_load(e->essential, &section); break;
        case STATE_NEAR_OVERLOAD: ok = near_overload_load(e->near_overload, &section); break;
        default: break; /* of a later version */
        }
    }
    return ok && !in.failed;
}
