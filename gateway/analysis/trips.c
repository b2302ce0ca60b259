#include "trips_state.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SWITCH_ON_AMPS 0.25F
#define AFTER_POLLS_MOST 60
#define EXPOSURE_MS 60000
#define SPELL_LONGEST_SECONDS 86400.0
#define LOST_PER_DAY                                                                           \
    0.1 /* before a site has taught otherwise; weighs as many circuit days:                    \
         */
#define LOST_PRIOR_DAYS 10.0
#define LOW_EMA 0.125F
#define BACK_FROM_ZEROS 1.3F /* a mean of so many zero_amps is current again */

static bool allocate(struct trips *t, size_t n)
{
    t->changed = calloc(n, sizeof *t->changed);
    t->cut = calloc(n, sizeof *t->cut);
    t->fell = calloc(n, sizeof *t->fell);
    t->carries = calloc(n, sizeof *t->carries);
    t->log_chance = calloc(n, sizeof *t->log_chance);
    t->watch = calloc(n, sizeof *t->watch);
    t->cases = calloc(n, sizeof *t->cases);
    t->histories = calloc(n, sizeof *t->histories);
    return t->changed && t->cut && t->fell && t->carries && t->log_chance && t->watch &&
           t->cases && t->histories;
}

/* A feeder whose branches are measured says nothing by itself: they do. */
static bool feeds_measured(const struct site *s, size_t circuit)
{
    int panel = s->circuits[circuit].feeds_panel;
    for (size_t k = 0; panel >= 0 && k < s->circuit_count; k++)
        if (s->circuits[k].panel == panel)
            return true;
    return false;
}

struct trips *trips_create(const struct site *s, const struct rules_set *rules,
                           struct breakers *b, struct loads *l, event_sink *sink, void *context)
{
    struct trips *t = calloc(1, sizeof *t);
    if (!t)
        return NULL;
    *t = (struct trips){.site = s,
                        .rules = rules,
                        .breakers = b,
                        .loads = l,
                        .sink = sink,
                        .context = context,
                        .mono_ms = INT64_MIN,
                        .next_due_ms = INT64_MAX};
    if (!allocate(t, s->circuit_count + 1)) {
        trips_destroy(t);
        return NULL;
    }
    for (size_t i = 0; i < s->circuit_count; i++) {
        t->watch[i] = (struct circuit_watch){.read_ms = INT64_MIN,
                                             .rose_ms = INT64_MIN,
                                             .reset_ms = INT64_MIN,
                                             .zero = (float)rules->circuits[i].zero_amps,
                                             .low = true,
                                             .feeder = feeds_measured(s, i)};
        falls_init(&t->histories[i]);
    }
    return t;
}

void trips_destroy(struct trips *t)
{
    if (!t)
        return;
    free(t->changed);
    free(t->cut);
    free(t->fell);
    free(t->carries);
    free(t->log_chance);
    free(t->watch);
    free(t->cases);
    free(t->histories);
    free(t);
}

const bool *trips_cut(const struct trips *t)
{
    return t->cut;
}

void trips_observe(struct trips *t, trips_observer *observer, void *context)
{
    t->observer = observer;
    t->observer_context = context;
}

/* the shortest of the last four intervals, so that one gap does not become the rule */
double trips_poll_seconds(const struct trips *t)
{
    int64_t least = 0;
    for (size_t i = 0; i < 4 && i < t->frames; i++)
        if (least == 0 || t->intervals[i] < least)
            least = t->intervals[i];
    return least ? (double)least / 1000.0 : 1.0;
}

double trips_lost_per_second(const struct trips *t)
{
    return (t->openings + LOST_PER_DAY * LOST_PRIOR_DAYS) /
           (t->circuit_days + LOST_PRIOR_DAYS) / 86400.0;
}

/* Once a minute: what a circuit carries, which is what falls are counted against. */
static void note_exposure(struct trips *t, size_t i)
{
    const struct circuit_watch *w = &t->watch[i];
    struct falls *h = &t->histories[i];
    int64_t local = t->wall_ms / 1000 + t->utc_offset_seconds;
    falls_fade(h, local);
    if (w->feeder || w->read_ms != t->mono_ms)
        return;
    falls_night(h, local, !w->low);
    t->circuit_days += EXPOSURE_MS / 86400000.0;
    if (w->low || !trips_counts(t, i, (double)w->p1))
        return;
    struct event_load loads[LOADS_MAX_RUNNING];
    struct fall_facts facts = {.amps = (double)w->p1, .switch_on_seconds = (double)INFINITY};
    trips_independent_loads(t, i, loads, loads_running(t->loads, (int)i, loads), &facts);
    if (facts.loads >= 2)
        falls_carried(h, facts.amps,
                      evidence_usual_falls_per_second(&facts) * EXPOSURE_MS / 1000.0);
    if (facts.ages[0] >= SPELL_LONGEST_SECONDS)
        falls_spell_over(h);
    if (t->observer)
        t->observer(t->observer_context, &(struct trips_judgement){.circuit = (int)i,
                                                                   .opened_wall_ms = t->wall_ms,
                                                                   .moment = "carried",
                                                                   .facts = &facts});
}

static void note_exposures(struct trips *t)
{
    if (t->mono_ms < t->next_exposure_ms)
        return;
    bool first = t->next_exposure_ms == 0;
    t->next_exposure_ms = t->mono_ms + EXPOSURE_MS;
    for (size_t i = 0; i < t->site->circuit_count && !first; i++)
        note_exposure(t, i);
}

/* ---- readings ------------------------------------------------------------------------------
 */

static float hotter_pole(const struct site_circuit *c, const float *amps)
{
    float most = amps[c->first_pole];
    for (int p = 1; p < c->poles; p++)
        most = fmaxf(most, amps[c->first_pole + p]);
    return most;
}

/* While it carries nothing: the mean since the fall, and a shorter one that tells whether a
 * small load is back, without flapping about the threshold. True: still low. */
static bool stays_low(struct trips *t, size_t i, float a)
{
    struct circuit_watch *w = &t->watch[i];
    struct trip_case *c = &t->cases[i];
    w->low_mean += LOW_EMA * (a - w->low_mean);
    if (a >= FALL_FROM_ZEROS * w->zero || w->low_mean >= BACK_FROM_ZEROS * w->zero)
        return false;
    if (c->state == CASE_OPEN && c->facts.after_polls < AFTER_POLLS_MOST) {
        c->after_sum += (double)a;
        c->facts.after_amps = c->after_sum / ++c->facts.after_polls;
    }
    return true;
}

/* Readings of this frame into the watch; who went low or high is noted, and keeps the time of
 * the reading before until it has been dealt with. */
static void take_readings(struct trips *t, const struct frame *f)
{
    const float *amps = frame_amps(f);
    t->changed_count = 0;
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct circuit_watch *w = &t->watch[i];
        float a = hotter_pole(&t->site->circuits[i], amps);
        if (isnan(a))
            continue;
        bool low = w->low ? stays_low(t, i, a) : a < w->zero;
        if (low != w->low)
            t->changed[t->changed_count++] = i;
        else
            w->read_ms = t->mono_ms;
        if (a - w->p1 >= SWITCH_ON_AMPS) {
            w->rose_ms = t->mono_ms;
            falls_switched_on(&t->histories[i]);
        }
        w->p3 = w->p2;
        w->p2 = w->p1;
        w->p1 = a;
    }
}

static void went_high(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    t->watch[i].woke_ms = t->mono_ms;
    if (c->state != CASE_OPEN)
        return;
    c->state = CASE_BACK;
    c->back_mono_ms = t->mono_ms;
    t->cut[i] = false;
    trips_case_schedule(t, i, t->mono_ms + SETTLE_MS);
}

static bool went_low(struct trips *t, size_t i, int64_t last_read_ms)
{
    struct circuit_watch *w = &t->watch[i];
    w->low_mean = w->p1;
    falls_spell_over(&t->histories[i]);
    if (t->cases[i].state == CASE_BACK)
        trips_case_close(t, i);
    if (w->feeder || !trips_counts(t, i, (double)w->p2))
        return false;
    trips_case_open(t, i, (double)w->p2, last_read_ms);
    struct trip_case *c = &t->cases[i];
    c->after_sum = (double)w->p1;
    c->facts.after_amps = (double)w->p1;
    c->facts.after_polls = 1;
    return true;
}

/* True when a circuit fell. */
static bool follow_changes(struct trips *t)
{
    bool fell = false;
    for (size_t k = 0; k < t->changed_count; k++) {
        size_t i = t->changed[k];
        struct circuit_watch *w = &t->watch[i];
        int64_t last_read_ms = w->read_ms;
        w->low = !w->low;
        w->read_ms = t->mono_ms;
        if (!w->low)
            went_high(t, i);
        else if (last_read_ms != INT64_MIN)
            fell |= went_low(t, i, last_read_ms);
    }
    return fell;
}

static void run_due(struct trips *t)
{
    if (t->mono_ms < t->next_due_ms)
        return;
    t->next_due_ms = INT64_MAX;
    trips_scope_refute(t);
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct trip_case *c = &t->cases[i];
        if (c->state == CASE_NONE)
            continue;
        if (t->mono_ms < c->due_mono_ms)
            trips_case_schedule(t, i, c->due_mono_ms);
        else if (c->state == CASE_BACK)
            trips_case_close(t, i);
        else
            trips_case_later(t, i);
    }
}

static bool utility_dead(const struct trips *t, const struct frame *f)
{
    return together_voltage(t->site, (struct scope){SCOPE_UTILITY, -1}, f) == 1;
}

static void take_time(struct trips *t, const struct frame *f)
{
    if (t->mono_ms != INT64_MIN && f->mono_ms > t->mono_ms)
        t->intervals[t->frames++ % 4] = f->mono_ms - t->mono_ms;
    t->mono_ms = f->mono_ms;
    t->wall_ms = f->wall_ms;
    t->utc_offset_seconds = f->utc_offset_seconds;
}

void trips_step(struct trips *t, const struct frame *f)
{
    assert(f->poles == t->site->poles_total);
    take_time(t, f);
    take_readings(t, f);
    bool dead = utility_dead(t, f), went = dead && !t->volts_gone;
    if (t->volts_gone && !dead)
        trips_scope_volts_back(t);
    t->volts_gone = dead;
    if (follow_changes(t) || went) {
        trips_scope_judge(t, f, went);
        for (size_t i = 0; i < t->site->circuit_count; i++) {
            if (t->cases[i].state != CASE_OPEN || t->cases[i].seen_mono_ms != t->mono_ms)
                continue;
            trips_case_judge(t, i, "fall");
            trips_case_say(t, i, SAY_FROM);
        }
    }
    run_due(t);
    note_exposures(t);
}
