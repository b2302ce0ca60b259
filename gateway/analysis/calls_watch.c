/* The meter's side of a service call: what every frame says to the question that stands. */
#include "calls_state.h"

#include <math.h>
#include <string.h>

#define ON_SECONDS 3.0     /* current for this long: the breaker is closed */
#define DEAD_SECONDS 3.0   /* none for this long after there was: fallen */
#define OVER_SECONDS 3.0   /* above the rating for this long */
#define OTHER_SECONDS 2.0  /* another circuit carries nothing for this long */
#define RISE_SECONDS 1.0   /* a load has begun */
#define INRUSH_SECONDS 2.0 /* not counted among a load's running current */
#define LEAST_RISE_AMPS 0.15

static bool for_seconds(const struct calls *c, int64_t since_mono_ms, double seconds)
{
    return since_mono_ms > 0 && (double)(c->mono_ms - since_mono_ms) >= seconds * 1000.0;
}

static void since(const struct calls *c, bool so, int64_t *since_mono_ms)
{
    if (!so)
        *since_mono_ms = 0;
    else if (*since_mono_ms == 0)
        *since_mono_ms = c->mono_ms;
}

static double least_rise(const struct call_watched *w)
{
    return fmax(LEAST_RISE_AMPS, 0.04 * w->base_amps);
}

/* another question: what was watched for the last one is forgotten */
static void note_question(struct calls *c, struct call_watched *w)
{
    if (w->question == w->call.question)
        return;
    w->question = w->call.question;
    w->asked_mono_ms = c->mono_ms;
    w->asked_wall_ms = c->wall_ms;
    w->carried_mono_ms = w->dead_mono_ms = w->over_mono_ms = w->rise_mono_ms = 0;
    if (w->call.stage == CALL_NEXT && !isnan(w->amps))
        w->base_amps = w->amps;
    if (w->call.stage == CALL_WATCH) {
        w->sum_amps = w->load_readings = 0.0;
        w->load_since_mono_ms = 0;
    }
}

/* ---- nobody answers, no readings ---- */

static void judge_silence(struct calls *c, struct call_watched *w)
{
    const struct rules *r = &c->rules->circuits[w->call.circuit];
    if (w->said_mono_ms == 0) { /* begun, or read back after a restart, which may have lasted */
        int64_t ago_ms = c->wall_ms - w->call.said_wall_ms;
        w->said_mono_ms = ago_ms > 0 && ago_ms < c->mono_ms ? c->mono_ms - ago_ms : c->mono_ms;
    }
    if (!w->call.waiting && for_seconds(c, w->said_mono_ms, r->call_wait_seconds)) {
        w->call.waiting = true;
        calls_saw(c, w, CALL_SAW_NOBODY, w->call.stage, -1);
    }
    if (w->call.stage != CALL_CAUTIONS &&
        for_seconds(c, w->said_mono_ms, r->call_pause_seconds)) {
        enum call_stage stage = w->call.stage;
        call_begin_anew(&w->call);
        calls_saw(c, w, CALL_SAW_PAUSE, stage, -1);
    }
}

static bool judge_reading(struct calls *c, struct call_watched *w)
{
    double limit = c->rules->site.meter_lost_seconds;
    if (w->read_mono_ms == 0)
        w->read_mono_ms = c->mono_ms;
    w->last_amps = w->amps;
    w->amps = c->amps[w->call.circuit];
    if (!isnan(w->amps)) {
        w->read_mono_ms = c->mono_ms;
        w->blind = false;
        return true;
    }
    if (!w->blind && (double)(c->mono_ms - w->read_mono_ms) >= limit * 1000.0) {
        w->blind = true;
        calls_saw(c, w, CALL_SAW_BLIND, w->call.stage, -1);
    }
    return false;
}

/* ---- stage by stage ---- */

/* before it is put on it carries nothing; if it does, somebody has put it on */
static void before_on(struct calls *c, struct call_watched *w)
{
    enum call_stage stage = w->call.stage;
    if (!for_seconds(c, w->carried_mono_ms, ON_SECONDS))
        return;
    if (stage == CALL_CAUTIONS) {
        if (w->call.resume == CALL_NEXT)
            return;
        w->call.resume = CALL_NEXT;
    } else {
        if (stage == CALL_ON)
            w->call.resets++;
        call_go(&w->call, CALL_NEXT);
    }
    if (isnan(w->call.peak_amps))
        w->call.peak_amps = 0.0;
    calls_saw(c, w, CALL_SAW_CURRENT, stage, -1);
}

static bool too_much(struct calls *c, struct call_watched *w)
{
    enum call_stage stage = w->call.stage;
    if (!for_seconds(c, w->over_mono_ms, OVER_SECONDS))
        return false;
    call_go(&w->call, CALL_TOO_MUCH);
    calls_saw(c, w, CALL_SAW_TOO_MUCH, stage, -1);
    return true;
}

static void next(struct calls *c, struct call_watched *w)
{
    if (too_much(c, w))
        return;
    w->base_amps = fmin(w->base_amps, w->amps); /* something of before has gone off */
    since(c, w->amps - w->base_amps >= least_rise(w), &w->rise_mono_ms);
    if (!for_seconds(c, w->rise_mono_ms, RISE_SECONDS))
        return;
    int64_t rise_mono_ms = w->rise_mono_ms;
    if (!call_connect(&w->call, "", c->wall_ms - (c->mono_ms - rise_mono_ms)))
        return;
    calls_saw(c, w, CALL_SAW_LOAD, CALL_NEXT, -1);
    note_question(c, w);
    w->load_since_mono_ms = rise_mono_ms;
}

static void measure(struct calls *c, struct call_watched *w, struct call_load *l)
{
    double amps = w->amps - w->base_amps;
    if (amps < least_rise(w))
        return;
    l->inrush_amps = fmax(l->inrush_amps, amps);
    if (w->load_since_mono_ms == 0) {
        w->load_since_mono_ms = c->mono_ms;
        calls_saw(c, w, CALL_SAW_LOAD, CALL_WATCH, -1);
    }
    l->seconds = (double)(c->mono_ms - w->load_since_mono_ms) / 1000.0;
    if (w->load_readings > 0.0 && !for_seconds(c, w->load_since_mono_ms, INRUSH_SECONDS))
        return;
    if (w->load_readings == 1.0 && amps < 0.7 * w->sum_amps) /* the first was its inrush */
        w->sum_amps = w->load_readings = 0.0;
    w->sum_amps += amps;
    w->load_readings += 1.0;
    l->amps = w->sum_amps / w->load_readings;
}

static void watch(struct calls *c, struct call_watched *w)
{
    struct call_load *l = call_last_load(&w->call);
    double zero_amps = c->rules->circuits[w->call.circuit].zero_amps;
    if (too_much(c, w))
        return;
    measure(c, w, l);
    since(c, w->amps < zero_amps && w->load_since_mono_ms > 0, &w->dead_mono_ms);
    if (for_seconds(c, w->dead_mono_ms, DEAD_SECONDS)) {
        call_go(&w->call, CALL_FELL);
        calls_saw(c, w, CALL_SAW_FALL, CALL_WATCH, -1);
    }
}

static void back_on(struct calls *c, struct call_watched *w, enum call_stage to)
{
    enum call_stage stage = w->call.stage;
    call_go(&w->call, to);
    calls_saw(c, w, CALL_SAW_CURRENT, stage, -1);
}

static void other_back(struct calls *c, struct call_watched *w)
{
    int other = w->call.other;
    since(c, c->amps[other] >= c->rules->circuits[other].zero_amps, &w->rise_mono_ms);
    if (!for_seconds(c, w->rise_mono_ms, ON_SECONDS))
        return;
    w->call.other = -1;
    call_go(&w->call, w->call.resume);
    w->call.resume = CALL_CAUTIONS;
    calls_saw(c, w, CALL_SAW_OTHER_BACK, CALL_WRONG_BREAKER, other);
}

/* A load that ends by itself looks the same; but somebody is moving handles now, so they are
 * asked.
 */
static void watch_others(struct calls *c, struct call_watched *w)
{
    const struct site *s = c->site;
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct call_circuit *k = &c->circuits[i];
        if ((int)i != w->call.circuit &&
            s->circuits[i].panel == s->circuits[w->call.circuit].panel &&
            k->fell_mono_ms >= w->asked_mono_ms &&
            for_seconds(c, k->fell_mono_ms, OTHER_SECONDS)) {
            calls_ask_other(c, w, (int)i);
            return;
        }
    }
}

static void look(struct calls *c, struct call_watched *w)
{
    struct call *call = &w->call;
    double zero_amps = c->rules->circuits[call->circuit].zero_amps;
    since(c, w->amps >= zero_amps, &w->carried_mono_ms);
    since(c, w->amps > c->site->circuits[call->circuit].breaker_amps, &w->over_mono_ms);
    if (call->stage >= CALL_NEXT)
        call->peak_amps = fmax(call->peak_amps, fmin(w->amps, w->last_amps));
    switch (call->stage) {
    case CALL_CAUTIONS:
    case CALL_FIND:
    case CALL_BY_HAND:
    case CALL_LOADS_OFF: before_on(c, w); return;
    case CALL_OFF:
    case CALL_ON:
        watch_others(c, w);
        if (call->stage != CALL_WRONG_BREAKER)
            before_on(c, w);
        return;
    case CALL_WRONG_BREAKER: other_back(c, w); return;
    case CALL_NEXT: next(c, w); return;
    case CALL_WATCH: watch(c, w); return;
    case CALL_FELL:
        if (for_seconds(c, w->carried_mono_ms, ON_SECONDS))
            back_on(c, w, CALL_NEXT);
        return;
    case CALL_TOO_MUCH:
        if (call_last_load(call) && call_last_load(call)->outcome == CALL_LOAD_WATCHED)
            measure(c, w, call_last_load(call));
        return;
    case CALL_ENDED: return;
    }
}

/* ---- the frame ---- */

static double hotter_pole(const struct frame *f, const struct site_circuit *k)
{
    double most = (double)NAN;
    for (int p = 0; p < k->poles; p++)
        most = fmax(most, (double)f->values[k->first_pole + p]);
    return most;
}

/* a circuit that carries current for long is mended: its stop is over */
static void judge_stops(struct calls *c)
{
    for (size_t i = 0; i < c->site->circuit_count && c->stops > 0; i++) {
        struct call_circuit *k = &c->circuits[i];
        if (k->stopped == CALL_FOUND_NOTHING || isnan(c->amps[i]))
            continue;
        since(c, c->amps[i] >= c->rules->circuits[i].zero_amps, &k->held_mono_ms);
        if (!for_seconds(c, k->held_mono_ms, CALLS_MENDED_SECONDS))
            continue;
        k->stopped = CALL_FOUND_NOTHING;
        c->stops--;
    }
}

/* when each circuit fell to nothing */
static void note_falls(struct calls *c)
{
    for (size_t i = 0; i < c->site->circuit_count; i++) {
        struct call_circuit *k = &c->circuits[i];
        double zero_amps = c->rules->circuits[i].zero_amps;
        if (isnan(c->amps[i]))
            continue;
        if (c->amps[i] >= zero_amps)
            k->fell_mono_ms = 0;
        else if (k->carried)
            k->fell_mono_ms = c->mono_ms;
        k->carried = c->amps[i] >= zero_amps;
    }
}

void calls_read(struct calls *c, const struct frame *f)
{
    for (size_t i = 0; i < c->site->circuit_count; i++)
        c->amps[i] = hotter_pole(f, &c->site->circuits[i]);
}

void calls_step(struct calls *c, const struct frame *f)
{
    c->mono_ms = f->mono_ms;
    c->wall_ms = f->wall_ms;
    if (c->open == 0 && c->stops == 0)
        return;
    calls_read(c, f);
    note_falls(c);
    judge_stops(c);
    for (size_t i = 0; i < CALLS_MOST; i++) {
        struct call_watched *w = &c->calls[i];
        if (!w->open)
            continue;
        note_question(c, w);
        judge_silence(c, w);
        if (judge_reading(c, w))
            look(c, w);
        note_question(c, w);
    }
}
