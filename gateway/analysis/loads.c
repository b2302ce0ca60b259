#include "loads.h"

#include "loads_inner.h"

#include "base/heap.h"
#include "base/lanes.h"
#include "base/text.h"
#include "loads_part.h"
#include "runs_train.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define RESTED_LEAST 12        /* readings, that their mean says something */
#define REST_FRAMES 32         /* quiet readings are summed up this often */
#define ANNOUNCE_AFTER_MS 8000 /* shorter runs get no event */
#define LEAST_AMPS 0.04F
#define ALONE 0.9 /* so sure, a circuit lends its runs the name of its one appliance */
#define WHOLE_HOURS                                                                            \
    6 /* between two judgements: each compares every load with every signature */
#define HELD_MOST_MS 300000 /* without a reading: what it drew is not known any more */

struct loads *loads_create(const struct site *s, const struct rules_set *rules,
                           const struct signature_set *signatures, event_sink *sink,
                           void *context)
{
    (void)rules;
    size_t padded = lanes_padded(s->circuit_count);
    struct loads *l = calloc(1, sizeof *l + 5 * padded * sizeof l->block[0]);
    if (!l)
        return NULL;
    l->circuits = heap_table(s->circuit_count + 1, sizeof *l->circuits);
    l->cut = calloc(s->circuit_count + 1, sizeof *l->cut);
    if (!l->circuits || !l->cut) {
        loads_destroy(l);
        return NULL;
    }
    l->site = s;
    l->signatures = signatures;
    l->sink = sink;
    l->context = context;
    l->count = s->circuit_count;
    l->amps = l->block;
    l->level = l->amps + padded;
    l->band = l->level + padded;
    l->offset = l->band + padded;
    l->deviation = l->offset + padded;
    l->single = s->poles_total == s->circuit_count;
    l->due_mono_ms = INT64_MAX;
    for (size_t i = 0; i < l->count; i++)
        l->band[i] = -1;
    return l;
}

void loads_observe(struct loads *l, loads_observer *observer, void *context)
{
    l->observer = observer;
    l->observer_context = context;
}

void loads_destroy(struct loads *l)
{
    if (!l)
        return;
    free(l->circuits);
    free(l->cut);
    free(l);
}

/* Only size and inrush are known of a run that is not over. */
static void label_early(struct loads *l, size_t i, struct run *r)
{
    struct run_shape s = {.amps = r->first,
                          .first = r->first,
                          .most = r->first,
                          .inrush = r->inrush,
                          .power_factor = r->power_factor};
    const struct learned_load *load =
        learned_like(&l->circuits[i].learned, r->first, r->inrush);
    struct loads_label label;
    loads_label(l, i, &s, load, &label);
    r->load = load ? load->id : 0;
    r->programme = load && stages_programme(load);
    r->probability = label.probability;
    r->essential = label.essential;
    memcpy(r->appliance, label.appliance, sizeof r->appliance);
}

static struct event_load describe(const struct run *r, int64_t mono_ms)
{
    struct event_load e = {
        .run = r->id,
        .amps = (double)r->amps,
        .inrush_amps = (double)r->inrush,
        .seconds = (double)run_seconds(r, mono_ms),
        .since_wall_ms = r->began_wall_ms,
    };
    strcpy(e.appliance, r->appliance[0] ? r->appliance : LOADS_UNKNOWN);
    e.appliance_probability = (double)r->probability;
    e.essential = r->essential;
    e.cut = r->cut;
    return e;
}

static void emit(struct loads *l, size_t i, enum event_type type, int64_t wall_ms,
                 const struct event_load *load)
{
    struct event e = {.type = type, .wall_ms = wall_ms, .circuit = (int)i, .load = *load};
    e.panel = l->site->circuits[i].panel;
    if (l->sink)
        l->sink(l->context, &e);
}

static void portray_run(struct loads *l, size_t i, const struct run *r,
                        const struct run_shape *s, const struct learned_load *load)
{
    float x[SIGNATURE_FEATURES];
    appliances_features(s, load, appliances_volts(l->site, (int)i), NAN, x);
    portrait_run(&l->circuits[i].portrait, x, r->began_wall_ms, l->utc_offset_seconds);
}

static int local_hour(const struct loads *l)
{
    int64_t seconds = l->wall_ms / 1000 + l->utc_offset_seconds;
    return (int)((seconds % 86400 + 86400) % 86400 / 3600);
}

/* The circuit has drawn what it drew until now, and from now on that. An open breaker and a
 * meter that is silent say nothing of what hangs there. */
static void portray_level(struct loads *l, size_t i, float amps)
{
    struct circuit *c = &l->circuits[i];
    int64_t held = l->mono_ms - c->held_mono_ms;
    if (c->begun && !l->cut[i] && held > 0 && held <= HELD_MOST_MS)
        portrait_level(&c->portrait, c->held_amps * (float)appliances_volts(l->site, (int)i),
                       (float)held / 1000, local_hour(l));
    c->held_amps = amps;
    c->held_mono_ms = l->mono_ms;
}

/* n readings rested, on average so far from the level; the time since the last is theirs. */
static void portray_rest(struct loads *l, size_t i, int64_t n, float offset)
{
    struct circuit *c = &l->circuits[i];
    float volts = (float)appliances_volts(l->site, (int)i);
    float seconds = (float)(l->mono_ms - c->held_mono_ms) / 1000;
    if (n >= RESTED_LEAST)
        portrait_rest(&c->portrait, (c->steps.level + offset) * volts,
                      l->deviation[i] / (float)n * volts, seconds);
    else
        portrait_stir(&c->portrait);
}

/* A run is over: its load learns from it, and then says who it was. What the supply cut short
 * teaches nothing. */
static void label_over(struct loads *l, size_t i, struct run *r)
{
    struct learned *learned = &l->circuits[i].learned;
    struct learned_load *load = NULL;
    struct loads_label label;
    struct run_shape s;

    run_shape(r, &s);
    if (!r->cut && !r->shared)
        load = learned_take(learned, &s, r->began_wall_ms, l->utc_offset_seconds);
    else
        load = learned_find(learned, r->load);
    if (load)
        stages_learn(load, r);
    if (!r->cut && !r->shared)
        portray_run(l, i, r, &s, load);
    series_over(&l->circuits[i].series, r);
    loads_label(l, i, &s, load, &label);
    r->probability = label.probability;
    r->essential = label.essential;
    memcpy(r->appliance, label.appliance, sizeof r->appliance);
    if (l->observer)
        l->observer(l->observer_context, (int)i, r, &s, load);
}

static void emit_over(struct loads *l, size_t i, struct run *over, int n)
{
    stages_note(&l->circuits[i].runs, over, n);
    for (int k = 0; k < n; k++) {
        struct run *r = &over[k];
        if ((r->host || r->part || r->goes_on) && !r->announced) {
            label_over(l, i, r);
            continue;
        }
        if (r->train && !r->announced)
            continue;
        if (!r->announced) {
            label_early(l, i, r);
            struct event_load on = describe(r, l->mono_ms);
            on.amps = (double)r->first;
            emit(l, i, EVENT_LOAD_ON, r->began_wall_ms, &on);
        }
        label_over(l, i, r);
        if (!r->train && !r->cut) {
            struct runs *all = &l->circuits[i].runs;
            all->told_amps = r->amps;
            all->told_off_mono_ms = r->off_mono_ms;
            all->told_id = r->id;
        }
        struct event_load off = describe(r, l->mono_ms);
        emit(l, i, EVENT_LOAD_OFF, r->off_wall_ms, &off);
    }
}

/* Runs that have lasted long enough get their load_on, stamped with when they began. */
static void announce(struct loads *l, size_t i)
{
    struct runs *r = &l->circuits[i].runs;
    for (int k = 0; k < RUNS_MAX; k++) {
        struct run *run = &r->all[k];
        int64_t due = runs_announce_due_ms(r, run);
        if (due <= l->mono_ms) {
            struct circuit *c = &l->circuits[i];
            int64_t until = stages_hold(r, &c->learned, run);
            int64_t part = series_hold(&c->series, r, &c->learned, run);
            until = until > part ? until : part;
            due = until > due ? until : due;
        }
        if (due > l->mono_ms) {
            if (due < l->circuits[i].due_mono_ms)
                l->circuits[i].due_mono_ms = due;
            continue;
        }
        run->goes_on |= runs_train_goes_on(r, run);
        if (run->goes_on)
            continue;
        if (!run->train)
            runs_train_lead_in(r, run);
        run->announced = true;
        label_early(l, i, run);
        struct event_load e = describe(run, l->mono_ms);
        e.amps = (double)run->first;
        emit(l, i, EVENT_LOAD_ON, run->began_wall_ms, &e);
    }
}

static void tick(struct loads *l, size_t i)
{
    struct circuit *c = &l->circuits[i];
    struct run over[RUNS_MAX];
    c->due_mono_ms = INT64_MAX;
    announce(l, i);
    int n = runs_tick(&c->runs, l->mono_ms, over, &c->due_mono_ms);
    emit_over(l, i, over, n);
    if (c->due_mono_ms < l->due_mono_ms)
        l->due_mono_ms = c->due_mono_ms;
}

static void tick_due(struct loads *l)
{
    if (l->mono_ms < l->due_mono_ms)
        return;
    l->due_mono_ms = INT64_MAX;
    for (size_t i = 0; i < l->count; i++) {
        if (l->circuits[i].due_mono_ms <= l->mono_ms)
            tick(l, i);
        else if (l->circuits[i].due_mono_ms < l->due_mono_ms)
            l->due_mono_ms = l->circuits[i].due_mono_ms;
    }
}

/* Whose name its unknown runs have from now on. */
static void judge_whole(const struct loads *l, size_t i)
{
    struct circuit *c = &l->circuits[i];
    struct loads_whole whole;
    loads_whole(l, (int)i, &whole);
    bool alone = whole.judged && !whole.several && whole.probability >= ALONE &&
                 strcmp(whole.appliance, LOADS_UNKNOWN) != 0;
    text_copy(c->alone, sizeof c->alone, alone ? whole.appliance : "");
    c->alone_probability = alone ? (float)whole.probability : 0;
}

/* Hourly lows of the settled level, and what the circuit is by its days; an hour that was cut
 * short by an open breaker still counts with what was seen of it, an hour without any reading
 * does not. */
static void note_low(const struct loads *l, size_t i)
{
    struct circuit *c = &l->circuits[i];
    int64_t hour = l->mono_ms / 3600000;
    if (l->cut[i] || !c->steps.known || steps_moving(&c->steps))
        return;
    float *low = &c->hour_low[hour % STANDING_HOURS];
    if (c->hours == 0 || hour != c->hour) {
        c->hour = hour;
        if (c->hours < STANDING_HOURS)
            c->hours++;
        *low = c->steps.level;
        if (hour % WHOLE_HOURS == 0)
            judge_whole(l, i);
    }
    *low = fminf(*low, c->steps.level);
}

/* The circuit's watts now, NaN when the meter does not say; *apparent: of one ampere. */
static float watts_now(const struct loads *l, size_t i, float *apparent)
{
    const struct frame *f = l->frame;
    const struct site_circuit *c = &l->site->circuits[i];
    float sum = 0;
    *apparent = 0;
    if (!(f->has & (1U << FRAME_WATTS | 1U << FRAME_POWER_FACTOR)))
        return NAN;
    for (int p = 0; p < c->poles; p++) {
        size_t pole = (size_t)c->first_pole + (size_t)p;
        float volts =
            f->has & 1U << FRAME_VOLTS ? f->values[frame_index(f, FRAME_VOLTS, pole)] : NAN;
        if (!(volts > 0))
            volts = (float)l->site->nominal_volts;
        float watts =
            f->has & 1U << FRAME_WATTS ? f->values[frame_index(f, FRAME_WATTS, pole)] : NAN;
        if (isnan(watts) && f->has & 1U << FRAME_POWER_FACTOR)
            watts = f->values[frame_index(f, FRAME_POWER_FACTOR, pole)] * volts *
                    f->values[frame_index(f, FRAME_AMPS, pole)];
        sum += watts;
        *apparent += volts;
    }
    return sum;
}

/* What has changed, by its watts; the level has them from now on. */
static void weigh(const struct loads *l, size_t i, struct step *s)
{
    struct circuit *c = &l->circuits[i];
    float apparent, watts = watts_now(l, i, &apparent), amps = s ? s->after - s->before : 0;
    if (s && c->watts_known && amps > LEAST_AMPS)
        s->power_factor = fminf(fmaxf((watts - c->watts) / (amps * apparent), 0), 1);
    if (s && !(s->power_factor > 0))
        s->power_factor = 0;
    c->watts_known = !isnan(watts);
    c->watts = c->watts_known ? watts : 0;
}

/* Hands over what the quiet readings since the last time amounted to. */
static void rest(struct loads *l, size_t i)
{
    struct circuit *c = &l->circuits[i];
    int64_t n = l->frames - c->rested_from;
    if (n > 0 && !steps_moving(&c->steps) && c->steps.known) {
        float offset = l->offset[i] / (float)n;
        steps_rested(&c->steps, offset, l->deviation[i] / (float)n);
        runs_ripple(&c->runs, c->steps.level, l->deviation[i] / (float)n, (float)n);
        runs_drift(&c->runs, l->mono_ms, offset);
        note_low(l, i);
        portray_rest(l, i, n, offset);
        portray_level(l, i, c->steps.level);
        if (l->frame && l->amps[i] >= 0 && fabsf(l->amps[i] - c->steps.level) <= c->steps.band)
            weigh(l, i, NULL);
    }
    l->offset[i] = l->deviation[i] = 0;
    c->rested_from = l->frames;
    l->level[i] = c->steps.level;
    l->band[i] = c->steps.band;
}

static void feed(struct loads *l, size_t i, float amps)
{
    struct circuit *c = &l->circuits[i];
    struct step s;

    if (!(amps >= 0)) /* no reading */
        return;
    rest(l, i);
    portray_level(l, i, amps);
    enum steps_said said = steps_feed(&c->steps, l->mono_ms, l->wall_ms, amps, &s);
    if (said == STEPS_STEP)
        weigh(l, i, &s);
    if (said != STEPS_NOTHING) {
        float volts = (float)appliances_volts(l->site, (int)i);
        portrait_step(&c->portrait, s.before * volts, s.after * volts,
                      said == STEPS_PULSE ? s.peak * volts : 0);
        struct run over[RUNS_MAX];
        struct loads_cut cut = loads_cut_before(&c->runs);
        int n = runs_step(&c->runs, &s, over);
        if (s.after > s.before)
            n = loads_part(c, &s, &cut, over, n);
        emit_over(l, i, over, n);
        tick(l, i);
    } else if (!c->begun && c->steps.known) {
        c->begun = true;
        if (c->begun_wall_ms == 0)
            c->begun_wall_ms = l->wall_ms;
        c->runs.base = c->steps.level;
    }
    l->level[i] = c->steps.level;
    l->band[i] = c->steps.band;
    c->rested_from = l->frames + 1;
}

static void cut_off(struct loads *l, size_t i)
{
    struct circuit *c = &l->circuits[i];
    struct run over[RUNS_MAX];
    bool fell = steps_moving(&c->steps);
    int n = runs_cut(&c->runs, fell ? c->steps.began_mono_ms : l->mono_ms,
                     fell ? c->steps.began_wall_ms : l->wall_ms, over);
    emit_over(l, i, over, n);
    c->steps.level = 0;
    c->steps.kept = 0;
    c->steps.band = 0.045F;
    l->cut[i] = true;
    rest(l, i);
}

/* The current of a circuit is that of its pole with most of it. */
static void gather(struct loads *l, const struct frame *f)
{
    const float *amps = frame_amps(f);
    if (l->single) {
        memcpy(l->amps, amps, l->count * sizeof *l->amps);
        return;
    }
    for (size_t i = 0; i < l->count; i++) {
        const struct site_circuit *c = &l->site->circuits[i];
        float x = amps[c->first_pole];
        for (int p = 1; p < c->poles; p++)
            x = fmaxf(x, amps[c->first_pole + p]);
        l->amps[i] = x;
    }
}

static void take_cut(struct loads *l, size_t i, bool cut)
{
    if (cut == l->cut[i])
        return;
    l->cut[i] = false;
    if (cut)
        cut_off(l, i);
}

/* A reading inside its band only adds to the sums. */
static lanes_mask sum_quiet(struct loads *l, size_t i)
{
    lanes d = lanes_load(l->amps + i) - lanes_load(l->level + i), size = lanes_abs(d);
    lanes_mask quiet = size <= lanes_load(l->band + i);
    lanes_store(l->offset + i, lanes_load(l->offset + i) + lanes_where(quiet, d));
    lanes_store(l->deviation + i, lanes_load(l->deviation + i) + lanes_where(quiet, size));
    return quiet;
}

/* The machine was started anew, and intervals with it: what is learned stays, what ran does
 * not. */
static void begin_again(struct loads *l)
{
    for (size_t i = 0; i < l->count; i++) {
        struct circuit *c = &l->circuits[i];
        c->steps = (struct steps){0};
        c->runs = (struct runs){.counter = c->runs.counter};
        c->series = (struct series){0};
        c->due_mono_ms = INT64_MAX;
        c->begun = false;
        c->hours = 0;
        c->rested_from = l->frames;
        l->offset[i] = l->deviation[i] = 0;
        l->band[i] = -1;
    }
    l->due_mono_ms = INT64_MAX;
}

void loads_step(struct loads *l, const struct frame *f, const bool *cut)
{
    if (f->mono_ms < l->mono_ms)
        begin_again(l);
    l->frame = f;
    l->mono_ms = f->mono_ms;
    l->wall_ms = f->wall_ms;
    l->utc_offset_seconds = f->utc_offset_seconds;
    gather(l, f);
    bool cut_changed = cut && memcmp(cut, l->cut, l->count * sizeof *cut) != 0;
    for (size_t i = 0; i < l->count; i += LANES) {
        lanes_mask quiet = sum_quiet(l, i);
        if (lanes_all(quiet) && !cut_changed)
            continue;
        for (size_t k = 0; k < LANES && i + k < l->count; k++) {
            if (cut_changed)
                take_cut(l, i + k, cut[i + k]);
            if (!quiet[k])
                feed(l, i + k, l->amps[i + k]);
        }
    }
    l->frames++;
    if (l->frames % REST_FRAMES == 0)
        for (size_t i = 0; i < l->count; i++)
            rest(l, i);
    tick_due(l);
    l->frame = NULL;
}

int loads_larger_first(const void *a, const void *b)
{
    const struct event_load *x = a, *y = b;
    return (x->amps < y->amps) - (x->amps > y->amps);
}

/* What is held back as a stage is part of its host, as long as that runs. */
static bool add_to_host(const struct run *stage, float amps, struct event_load out[], size_t n)
{
    for (size_t k = 0; stage->host && k < n; k++)
        if (out[k].run == stage->host) {
            out[k].amps += (double)amps;
            return true;
        }
    return false;
}

/* What is moving may be another stage of a run that has begun a moment ago, or one that never
 * rests. */
static bool add_to_starting(const struct circuit *c, float amps, struct event_load out[],
                            size_t n)
{
    const struct run *x = runs_starting(&c->runs, c->steps.began_mono_ms, amps);
    if (!x)
        x = runs_unsteady(&c->runs, c->steps.began_mono_ms, amps);
    for (size_t k = 0; x && k < n; k++)
        if (out[k].run == x->id) {
            out[k].amps += (double)amps;
            return true;
        }
    return false;
}

size_t loads_running(const struct loads *l, int circuit,
                     struct event_load out[LOADS_MAX_RUNNING])
{
    const struct circuit *c = &l->circuits[circuit];
    float amps[RUNS_MAX];
    size_t n = 0;

    runs_amps(&c->runs, amps);
    for (int stages = 0; stages <= 1; stages++)
        for (int i = 0; i < RUNS_MAX && n < LOADS_MAX_RUNNING - 2; i++) {
            const struct run *x = &c->runs.all[i];
            if (amps[i] <= 0 || (x->host != 0) != stages || add_to_host(x, amps[i], out, n))
                continue;
            out[n] = describe(x, l->mono_ms);
            out[n++].amps = (double)amps[i];
        }
    float moved = l->amps[circuit] - c->steps.level;
    if (c->steps.kept > 0 && moved > LEAST_AMPS &&
        !add_to_starting(c, moved, out, n)) { /* not yet settled */
        struct run r = {.began_mono_ms = c->steps.began_mono_ms,
                        .began_wall_ms = c->steps.began_wall_ms,
                        .amps = moved,
                        .inrush = moved};
        out[n++] = describe(&r, l->mono_ms);
    }
    if (c->runs.base > LEAST_AMPS && n < LOADS_MAX_RUNNING) {
        struct run r = {
            .began_mono_ms = l->mono_ms, .began_wall_ms = l->wall_ms, .amps = c->runs.base};
        out[n] = describe(&r, l->mono_ms);
        strcpy(out[n++].appliance, LOADS_STANDING);
    }
    qsort(out, n, sizeof *out, loads_larger_first);
    return n;
}

double loads_rest_amps(const struct loads *l, int circuit)
{
    struct event_load on[LOADS_MAX_RUNNING];
    double rest = (double)l->amps[circuit];
    size_t n = loads_running(l, circuit, on);
    for (size_t i = 0; i < n; i++)
        rest -= on[i].amps;
    return isnan(rest) ? 0 : rest;
}

double loads_standing_amps(const struct loads *l, int circuit, double *confidence)
{
    const struct circuit *c = &l->circuits[circuit];
    float low = c->steps.known && !l->cut[circuit] ? c->steps.level : INFINITY;

    for (int i = 0; i < c->hours; i++)
        low = fminf(low, c->hour_low[(c->hour - i + STANDING_HOURS) % STANDING_HOURS]);
    if (confidence)
        *confidence = c->hours / (double)STANDING_HOURS;
    return isfinite(low) ? (double)low : 0.0;
}
