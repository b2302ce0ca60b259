#include "calls.h"

#include "calls_state.h"

#include "base/heap.h"
#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SURE 0.9 /* a provisional trip that is taken for one without asking */

struct calls *calls_create(const struct site *s, const struct rules_set *rules,
                           const struct alarms *a, event_sink *sink, void *context)
{
    struct calls *c = calloc(1, sizeof *c);
    if (!c)
        return NULL;
    *c = (struct calls){
        .site = s, .rules = rules, .alarms = a, .sink = sink, .context = context};
    c->calls = heap_table(CALLS_MOST, sizeof *c->calls);
    c->circuits = calloc(s->circuit_count + 1, sizeof *c->circuits);
    c->amps = calloc(s->circuit_count + 1, sizeof *c->amps);
    if (!c->calls || !c->circuits || !c->amps) {
        calls_destroy(c);
        return NULL;
    }
    for (size_t i = 0; i < s->circuit_count; i++)
        c->amps[i] = (double)NAN;
    return c;
}

void calls_destroy(struct calls *c)
{
    if (!c)
        return;
    free(c->calls);
    free(c->circuits);
    free(c->amps);
    free(c);
}

struct call_facts calls_facts(const struct calls *c, const struct call_watched *w)
{
    int i = w->call.circuit;
    const struct site_circuit *k = &c->site->circuits[i];
    return (struct call_facts){
        .amps = w->amps,
        .zero_amps = c->rules->circuits[i].zero_amps,
        .rating_amps = k->breaker_amps,
        .occupant_resets = c->rules->circuits[i].call_occupant_resets > 0.0,
        .feeder = k->feeds_panel >= 0,
        .neutral_suspected = alarms_condition(c->alarms, ALARM_OPEN_NEUTRAL,
                                              (struct alarm_subject){k->panel, -1, -1}),
        .stopped = c->circuits[i].stopped,
    };
}

/* ---- what is said of it ---- */

static void say(struct calls *c, struct call_watched *w, struct call_step *step)
{
    step->number = ++w->call.steps;
    step->amps = w->amps;
    const struct event e = {.type = EVENT_CALL,
                            .wall_ms = step->wall_ms,
                            .panel = -1,
                            .circuit = w->call.circuit,
                            .call = {&w->call, step}};
    c->sink(c->context, &e);
}

void calls_saw(struct calls *c, struct call_watched *w, enum call_sight sight,
               enum call_stage stage, int other)
{
    struct call_step step = {.wall_ms = c->wall_ms,
                             .stage = stage,
                             .sight = sight,
                             .by = "",
                             .note = "",
                             .other = other};
    say(c, w, &step);
}

static void say_answer(struct calls *c, struct call_watched *w, enum call_stage stage,
                       const struct call_say *said, int64_t wall_ms)
{
    struct call_step step = {.wall_ms = wall_ms,
                             .stage = stage,
                             .answer = said->answer,
                             .danger = said->danger,
                             .by = said->by,
                             .as = w->call.as,
                             .note = said->note,
                             .other = -1};
    say(c, w, &step);
}

void calls_moved(struct calls *c, struct call_watched *w)
{
    if (w->call.stage != CALL_ENDED)
        return;
    struct call_circuit *k = &c->circuits[w->call.circuit];
    bool electrician = w->call.as == CALL_AS_ELECTRICIAN;
    c->open--;
    w->open = false;
    if (call_finding_bars(w->call.finding)) {
        c->stops += k->stopped == CALL_FOUND_NOTHING;
        k->stopped = w->call.finding;
        k->held_mono_ms = 0;
    } else if (electrician && k->stopped != CALL_FOUND_NOTHING &&
               w->call.finding != CALL_FOUND_LEFT) {
        k->stopped = CALL_FOUND_NOTHING; /* it was seen to */
        c->stops--;
    }
}

/* ---- people ---- */

static struct call_watched *find(struct calls *c, const char *id)
{
    for (size_t i = 0; i < CALLS_MOST; i++)
        if (c->calls[i].open && strcmp(c->calls[i].call.id, id) == 0)
            return &c->calls[i];
    return NULL;
}

static struct call_watched *find_of(struct calls *c, int circuit)
{
    for (size_t i = 0; i < CALLS_MOST; i++)
        if (c->calls[i].open && c->calls[i].call.circuit == circuit)
            return &c->calls[i];
    return NULL;
}

static struct call_watched *find_free(struct calls *c)
{
    for (size_t i = 0; i < CALLS_MOST; i++)
        if (!c->calls[i].open)
            return &c->calls[i];
    return NULL;
}

/* the call knows of its trip what is known now */
static void take_trip(struct call *call, const struct call_circuit *k)
{
    text_copy(call->trip, sizeof call->trip, k->trip);
    call->cause = k->cause;
    call->cause_probability = k->cause_probability;
    call->fault_probability = k->fault_probability;
    call->worn_probability = k->worn_probability;
    call->opened_wall_ms = k->opened_wall_ms;
    call->amps_before = k->amps_before;
    memcpy(call->before, k->before, sizeof call->before);
    call->before_count = k->before_count;
}

/* a circuit's id, or that of a trip, which begins with it */
static int circuit_of(const struct calls *c, const char *subject)
{
    static const size_t tail = sizeof "-20260101T061502Z" - 1;
    char id[SITE_ID_SIZE];
    size_t n = strlen(subject);
    int circuit = site_find_circuit(c->site, subject);
    if (circuit >= 0 || n <= tail || n - tail >= sizeof id)
        return circuit;
    memcpy(id, subject, n - tail);
    id[n - tail] = '\0';
    return site_find_circuit(c->site, id);
}

enum call_err calls_begin(struct calls *c, const struct frame *newest,
                          const struct call_say *said, int64_t wall_ms, char id[EVENT_ID_SIZE])
{
    id[0] = '\0';
    calls_read(c, newest);
    int dark = circuit_of(c, said->call);
    if (dark < 0)
        return CALL_ERR_NO_CIRCUIT;
    if (said->by[0] == '\0')
        return CALL_ERR_EMPTY;
    int upstream = c->circuits[dark].trip[0] ? c->circuits[dark].upstream : TRIP_UPSTREAM_NONE;
    int circuit = upstream >= 0 ? upstream : dark;
    const struct call_watched *there = find_of(c, circuit);
    if (there) {
        memcpy(id, there->call.id, EVENT_ID_SIZE);
        return CALL_ERR_BUSY;
    }
    if (c->amps[circuit] >= c->rules->circuits[circuit].zero_amps)
        return CALL_ERR_CLOSED;
    struct call_watched *w = find_free(c);
    if (!w)
        return CALL_ERR_MANY;
    c->open++;
    *w = (struct call_watched){.open = true,
                               .amps = c->amps[circuit],
                               .last_amps = (double)NAN,
                               .read_mono_ms = c->mono_ms};
    struct call *call = &w->call;
    *call = (struct call){.circuit = circuit,
                          .dark = dark,
                          .amps_before = (double)NAN,
                          .peak_amps = (double)NAN,
                          .other = -1,
                          .begun_wall_ms = wall_ms,
                          .said_wall_ms = wall_ms,
                          .as = said->as,
                          .last_answer = CALL_SAID_BEGIN,
                          .question = 1};
    trip_id_make(c->site, circuit, wall_ms, call->id);
    text_copy(call->by, sizeof call->by, said->by);
    text_copy(call->device, sizeof call->device, said->device);
    const struct call_circuit *own = &c->circuits[circuit];
    if (own->trip[0] || c->circuits[dark].trip[0])
        take_trip(call, own->trip[0] ? own : &c->circuits[dark]);
    memcpy(id, call->id, EVENT_ID_SIZE);
    if (upstream == TRIP_UPSTREAM_UTILITY)
        call_end(call, CALL_FOUND_SUPPLY, wall_ms);
    struct call_say begin = *said;
    begin.answer = CALL_SAID_BEGIN;
    begin.danger = CALL_DANGER_NONE;
    say_answer(c, w, CALL_CAUTIONS, &begin, wall_ms);
    calls_moved(c, w);
    return CALL_OK;
}

enum call_err calls_answer(struct calls *c, const struct call_say *said, int64_t wall_ms)
{
    struct call_watched *w = find(c, said->call);
    if (!w)
        return CALL_ERR_NO_CALL;
    const struct call_facts facts = calls_facts(c, w);
    double pause_ms = 1000.0 * c->rules->circuits[w->call.circuit].call_pause_seconds;
    bool old = (double)(wall_ms - w->call.said_wall_ms) >= pause_ms;
    if (old && w->call.stage != CALL_CAUTIONS) { /* also while the meter is silent */
        enum call_stage stage = w->call.stage;
        call_begin_anew(&w->call);
        calls_saw(c, w, CALL_SAW_PAUSE, stage, -1);
    }
    enum call_stage stage = w->call.stage;
    enum call_err err = call_take(&w->call, &facts, said, wall_ms);
    if (err == CALL_SAID_BEFORE)
        return CALL_OK;
    if (err != CALL_OK)
        return err;
    w->said_mono_ms = c->mono_ms;
    say_answer(c, w, stage, said, wall_ms);
    calls_moved(c, w);
    return CALL_OK;
}

const struct call *calls_open(const struct calls *c, size_t at)
{
    for (size_t i = 0; i < CALLS_MOST; i++)
        if (c->calls[i].open && at-- == 0)
            return &c->calls[i].call;
    return NULL;
}

/* ---- the engine's word ---- */

static void remember(struct call_circuit *k, const struct event_trip *t)
{
    text_copy(k->trip, sizeof k->trip, t->id);
    k->cause = t->cause;
    k->probability = t->probability;
    k->cause_probability = t->causes[t->cause];
    k->fault_probability = t->causes[CAUSE_FAULT];
    k->worn_probability = t->causes[CAUSE_WORN_BREAKER];
    k->opened_wall_ms = t->opened_wall_ms;
    k->amps_before = t->amps_before;
    k->upstream = t->upstream;
    k->before_count = 0;
    for (size_t i = 0; i < t->load_count && k->before_count < CALL_MOST_BEFORE; i++) {
        struct call_before *b = &k->before[k->before_count++];
        text_copy(b->appliance, sizeof b->appliance, t->loads[i].appliance);
        b->amps = t->loads[i].amps;
    }
}

static bool is_opening(const struct event_trip *t)
{
    return t->stage != TRIP_WITHDRAWN && t->cause != CAUSE_LOAD_ENDED &&
           t->cause != CAUSE_SENSOR_LOST;
}

/* of the call's own circuit, which was on again */
static void fell(struct calls *c, struct call_watched *w, const struct event_trip *t)
{
    const struct call_facts facts = calls_facts(c, w);
    enum call_stage stage = w->call.stage;
    bool upstream = t->cause == CAUSE_UPSTREAM_OPEN || t->cause == CAUSE_SUPPLY_OUTAGE;
    bool sure = t->stage == TRIP_CONFIRMED || t->probability >= SURE;
    if (stage == CALL_FELL && !is_opening(t)) { /* withdrawn: its loads had ended */
        call_go(&w->call, CALL_NEXT);
        calls_saw(c, w, CALL_SAW_DEAD, stage, -1);
    } else if (is_opening(t) && sure && upstream) {
        call_end(&w->call,
                 t->cause == CAUSE_SUPPLY_OUTAGE ? CALL_FOUND_SUPPLY : CALL_FOUND_FEEDER,
                 t->opened_wall_ms);
        calls_saw(c, w, CALL_SAW_UPSTREAM, stage, t->upstream >= 0 ? t->upstream : -1);
    } else if (is_opening(t) && sure) {
        call_opened(&w->call, &facts, t->cause == CAUSE_FAULT, c->wall_ms);
        calls_saw(c, w, CALL_SAW_OPENED, stage, -1);
    } else if (is_opening(t) && stage != CALL_FELL && stage != CALL_CAUTIONS) {
        call_go(&w->call, CALL_FELL);
        calls_saw(c, w, CALL_SAW_FALL, stage, -1);
    }
    calls_moved(c, w);
}

/* more is known of what the call is about: it may be a breaker before it */
static void known_better(struct calls *c, struct call_watched *w)
{
    const struct call_circuit *k = &c->circuits[w->call.circuit];
    take_trip(&w->call, k);
    if (w->call.stage > CALL_FIND || k->upstream == TRIP_UPSTREAM_NONE)
        return;
    enum call_stage stage = w->call.stage;
    if (k->upstream == TRIP_UPSTREAM_UTILITY) {
        call_end(&w->call, CALL_FOUND_SUPPLY, c->wall_ms);
    } else if (find_of(c, k->upstream) || k->upstream == w->call.circuit) {
        return;
    } else {
        w->call.circuit = k->upstream;
        w->amps = c->amps[k->upstream];
        call_go(&w->call, CALL_CAUTIONS);
    }
    calls_saw(c, w, CALL_SAW_UPSTREAM, stage, k->upstream >= 0 ? k->upstream : -1);
    calls_moved(c, w);
}

static void other_dead(struct calls *c, struct call_watched *w, int circuit,
                       const struct event_trip *t)
{
    if (t->cause == CAUSE_OPENED_BY_HAND && is_opening(t) &&
        t->opened_wall_ms >= w->asked_wall_ms)
        calls_ask_other(c, w, circuit);
}

void calls_ask_other(struct calls *c, struct call_watched *w, int circuit)
{
    enum call_stage stage = w->call.stage;
    if (stage != CALL_FIND && stage != CALL_OFF && stage != CALL_ON)
        return;
    w->call.other = circuit;
    w->call.resume = stage == CALL_FIND ? CALL_FIND : CALL_OFF;
    call_go(&w->call, CALL_WRONG_BREAKER);
    calls_saw(c, w, CALL_SAW_OTHER_DEAD, stage, circuit);
}

/* whether the call's breaker was on when this trip came */
static bool is_on_again(const struct call *call, const struct event_trip *t)
{
    return (call->stage >= CALL_NEXT || call->resume == CALL_NEXT) &&
           (strcmp(t->id, call->trip) != 0 || call->opened_wall_ms != t->opened_wall_ms);
}

static void take_trip_event(struct calls *c, int circuit, const struct event_trip *t)
{
    struct call_circuit *k = &c->circuits[circuit];
    if (t->stage == TRIP_WITHDRAWN)
        k->trip[0] = '\0';
    else
        remember(k, t);
    for (size_t i = 0; i < CALLS_MOST; i++) {
        struct call_watched *w = &c->calls[i];
        if (!w->open)
            continue;
        if (w->call.circuit != circuit)
            other_dead(c, w, circuit, t);
        else if (is_on_again(&w->call, t))
            fell(c, w, t);
        else if (is_opening(t)) /* another mind of the engine's does not undo an open handle */
            known_better(c, w);
    }
}

static void take_again(struct calls *c, int circuit)
{
    struct call_watched *w = find_of(c, circuit);
    bool on = w && (w->call.stage >= CALL_ON || w->call.resume == CALL_NEXT);
    if (!on || w->call.stage == CALL_WRONG_BREAKER)
        return;
    const struct call_facts facts = calls_facts(c, w);
    enum call_stage stage = w->call.stage;
    if (stage == CALL_ON)
        w->call.resets++;
    call_opened(&w->call, &facts, false, c->wall_ms);
    calls_saw(c, w, CALL_SAW_OPENED, stage, -1);
    calls_moved(c, w);
}

static void take_load(struct calls *c, int circuit, const struct event_load *l)
{
    struct call_watched *w = find_of(c, circuit);
    struct call_load *last = w ? call_last_load(&w->call) : NULL;
    if (!last || w->call.stage != CALL_WATCH ||
        l->since_wall_ms + 15000 < last->connected_wall_ms)
        return;
    text_copy(last->appliance, sizeof last->appliance, l->appliance);
    last->appliance_probability = l->appliance_probability;
    last->inrush_amps = fmax(last->inrush_amps, l->inrush_amps);
}

void calls_event(struct calls *c, const struct event *e)
{
    if (e->circuit < 0)
        return;
    if (e->type == EVENT_TRIP && !e->trip.afterwards)
        take_trip_event(c, e->circuit, &e->trip);
    else if (e->type == EVENT_RESTORED)
        c->circuits[e->circuit].trip[0] = '\0';
    else if (e->type == EVENT_OPENED_AGAIN)
        take_again(c, e->circuit);
    else if (e->type == EVENT_LOAD_ON)
        take_load(c, e->circuit, &e->load);
}
