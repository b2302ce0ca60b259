#include "trips.h"

#include "trips_state.h"

#include "base/heap.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SWITCH_ON_AMPS 0.25F
#define STEP_AMPS ((float)STEP_SIZES_LEAST_AMPS)
#define STEP_LONGEST_POLLS 3  /* between two readings, for their difference to be a step */
#define STEP_SETTLED_MS 10000 /* without another step */
#define MORE_TIMES 2.5F       /* a block's mean square over that of those before it */
#define MORE_AMPS2 3e-3F      /* and so much more in sum: 10 mA */
#define EXPOSURE_MS 60000
#define HEAT_FROM_SHARE 0.3 /* of the rating */
#define CHANCE_FROM_SHARE 0.6
#define CHANCE_SECONDS 900.0
#define SPELL_LONGEST_SECONDS 86400.0
#define LOST_PER_DAY                                                                           \
    0.1 /* before a site has taught otherwise; weighs as many circuit days:                    \
         */
#define LOST_PRIOR_DAYS 10.0
#define LOW_EMA 0.125F
#define BACK_FROM_ZEROS 1.3F /* a mean of so many zero_amps is current again */

static bool allocate_lanes(struct watch_lanes *w, size_t count)
{
    size_t n = lanes_padded(count + 1);
    w->amps = calloc(6 * n, sizeof *w->amps);
    w->low = calloc(2 * n, sizeof *w->low);
    w->read_ms = calloc(n, sizeof *w->read_ms);
    w->rest = calloc(n, sizeof *w->rest);
    if (!w->amps || !w->low || !w->read_ms || !w->rest)
        return false;
    w->p1 = w->amps + n;
    w->p2 = w->p1 + n;
    w->p3 = w->p2 + n;
    w->low_mean = w->p3 + n;
    w->zero = w->low_mean + n;
    w->counting = w->low + n;
    return true;
}

static bool allocate(struct trips *t, size_t n)
{
    t->changed = calloc(n, sizeof *t->changed);
    t->cut = calloc(n, sizeof *t->cut);
    t->fell = calloc(n, sizeof *t->fell);
    t->carries = calloc(n, sizeof *t->carries);
    t->log_chance = calloc(n, sizeof *t->log_chance);
    t->watch = heap_table(n, sizeof *t->watch);
    t->cases = heap_table(n, sizeof *t->cases);
    t->histories = heap_table(n, sizeof *t->histories);
    return allocate_lanes(&t->now, n) && t->changed && t->cut && t->fell && t->carries &&
           t->log_chance && t->watch && t->cases && t->histories;
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
                        .next_due_ms = INT64_MAX,
                        .empty_level = (double)NAN};
    if (!allocate(t, s->circuit_count + 1)) {
        trips_destroy(t);
        return NULL;
    }
    for (size_t i = 0; i < s->circuit_count; i++) {
        t->watch[i] = (struct circuit_watch){
            .rose_ms = INT64_MIN, .reset_ms = INT64_MIN, .feeder = feeds_measured(s, i)};
        t->now.zero[i] = (float)rules->circuits[i].zero_amps;
        t->now.read_ms[i] = INT64_MIN;
        t->now.low[i] = -1;
        falls_init(&t->histories[i]);
    }
    return t;
}

void trips_destroy(struct trips *t)
{
    if (!t)
        return;
    free(t->now.amps);
    free(t->now.low);
    free(t->now.read_ms);
    free(t->now.rest);
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

/* For the record of a trip. What carries little has no heat to speak of and no chance. */
static void note_minute(struct trips *t, size_t i)
{
    struct past_minute *m = &t->watch[i].minutes[t->next_minute % MINUTES];
    double amps = (double)t->now.p1[i], rating = t->site->circuits[i].breaker_amps;
    *m = (struct past_minute){.amps = t->now.p1[i]};
    if (amps < HEAT_FROM_SHARE * rating)
        return;
    m->heat = (float)breakers_heat(t->breakers, (int)i);
    if (amps >= CHANCE_FROM_SHARE * rating)
        m->chance = (float)breakers_chance(t->breakers, (int)i, amps, CHANCE_SECONDS);
}

/* Once a minute: what a circuit carries, which is what falls are counted against. */
static void note_exposure(struct trips *t, size_t i)
{
    const struct watch_lanes *w = &t->now;
    struct falls *h = &t->histories[i];
    int64_t local = t->wall_ms / 1000 + t->utc_offset_seconds;
    falls_fade(h, local);
    if (t->watch[i].feeder || w->read_ms[i] != t->mono_ms)
        return;
    falls_night(h, local, !w->low[i]);
    falls_watched(h, EXPOSURE_MS / 1000.0);
    t->circuit_days += EXPOSURE_MS / 86400000.0;
    if (w->low[i] || !trips_counts(t, i, (double)w->p1[i]))
        return;
    struct event_load loads[LOADS_MAX_RUNNING];
    struct fall_facts facts = {.amps = (double)w->p1[i], .switch_on_seconds = (double)INFINITY};
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
    for (size_t i = 0; i < t->site->circuit_count && !first; i++) {
        note_exposure(t, i);
        note_minute(t, i);
    }
    t->next_minute += first ? 0 : 1;
}

/* ---- readings ------------------------------------------------------------------------------
 */

/* The current of a circuit is that of its pole with most of it. */
static void gather(struct trips *t, const struct frame *f)
{
    const float *amps = frame_amps(f);
    if (t->site->poles_total == t->site->circuit_count) {
        memcpy(t->now.amps, amps, t->site->circuit_count * sizeof *amps);
        return;
    }
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        const struct site_circuit *c = &t->site->circuits[i];
        float most = amps[c->first_pole];
        for (int p = 1; p < c->poles; p++)
            most = fmaxf(most, amps[c->first_pole + p]);
        t->now.amps[i] = most;
    }
}

/* What it reads since its fall, block by block, until one block reads more: something that
 * stands by is back. */
static void count_reading(struct watch_lanes *w, size_t i, float a)
{
    struct rest_count *r = &w->rest[i];
    r->block_sum += a;
    r->block_square += a * a;
    r->block_fourth += a * a * a * a;
    if (++r->block_polls < REST_BLOCK_POLLS)
        return;
    float before = r->polls > 0 ? r->square / (float)r->polls * (float)r->block_polls : 0.0F;
    bool more = r->polls > 0 && r->block_square > MORE_TIMES * before + MORE_AMPS2;
    if (!more) {
        r->polls += r->block_polls;
        r->sum += r->block_sum;
        r->square += r->block_square;
        r->fourth += r->block_fourth;
        stillness_see(&r->seen, (double)r->square, (double)r->fourth, r->polls);
    }
    if (more || r->polls >= STILLNESS_MOST_POLLS)
        w->counting[i] = 0;
    r->block_polls = 0;
    r->block_sum = r->block_square = r->block_fourth = 0.0F;
}

/* While it carries nothing: the mean since the fall, and a shorter one that tells whether a
 * small load is back, without flapping about the threshold. True: still low. */
static bool stays_low(struct trips *t, size_t i, float a)
{
    struct watch_lanes *w = &t->now;
    w->low_mean[i] += LOW_EMA * (a - w->low_mean[i]);
    if (a >= FALL_FROM_ZEROS * w->zero[i] || w->low_mean[i] >= BACK_FROM_ZEROS * w->zero[i])
        return false;
    if (w->counting[i])
        count_reading(w, i, a);
    return true;
}

/* The steps of the last seconds are over: what is left of them is one step, so that neither an
 * inrush nor a flicker counts. */
static void settle_step(struct trips *t, size_t i)
{
    struct circuit_watch *w = &t->watch[i];
    double net = (double)(t->now.p1[i] - w->step_from);
    w->stepping = false;
    if (net > 0.0)
        step_sizes_up(&t->histories[i].steps, net, 1.0);
    else if (t->mono_ms - w->step_ms >= STEP_SETTLED_MS)
        step_sizes_down(&t->histories[i].steps, -net, 1.0);
}

/* By what sizes it steps is learned; of the fall to nothing and of the return from it when the
 * case is closed. */
static void note_step(struct trips *t, size_t i)
{
    struct circuit_watch *w = &t->watch[i];
    bool falls = t->now.amps[i] < t->now.zero[i];
    bool returns = t->now.low[i] && t->cases[i].state == CASE_OPEN;
    if (w->stepping && (falls || t->mono_ms - w->step_ms >= STEP_SETTLED_MS))
        settle_step(t, i);
    if (!w->stepping)
        w->step_from = t->now.p1[i];
    w->stepping = !falls && !returns;
    w->step_ms = t->mono_ms;
}

/* A switch-on in one reading, or blurred over two. */
static void note_blur(struct trips *t, float before, float now)
{
    if (before >= BLUR_PART_AMPS && now >= BLUR_PART_AMPS && before + now >= BLUR_AMPS) {
        t->blurred++;
        t->sharp -= before >= BLUR_AMPS; /* counted when it began */
    } else if (now >= BLUR_AMPS) {
        t->sharp++;
    }
    if (t->sharp >= BLUR_MOST || t->blurred >= BLUR_MOST) { /* another meter may come */
        t->sharp /= 2;
        t->blurred /= 2;
    }
}

/* A reading into the watch; a circuit that went low or high is noted, and keeps the time of the
 * reading before until that has been dealt with. */
static void take_reading(struct trips *t, size_t i)
{
    struct watch_lanes *w = &t->now;
    float a = w->amps[i];
    if (isnan(a))
        return;
    bool first = w->read_ms[i] == INT64_MIN;
    bool low = w->low[i] ? stays_low(t, i, a) : a < w->zero[i];
    bool step = fabsf(a - w->p1[i]) >= STEP_AMPS && w->read_ms[i] != INT64_MIN &&
                (double)(t->mono_ms - w->read_ms[i]) <=
                    STEP_LONGEST_POLLS * 1000.0 * trips_poll_seconds(t);
    if (step)
        note_step(t, i);
    if (low != (w->low[i] != 0))
        t->changed[t->changed_count++] = i;
    else
        w->read_ms[i] = t->mono_ms;
    if (a - w->p1[i] >= SWITCH_ON_AMPS) {
        if (!first)
            note_blur(t, w->p1[i] - w->p2[i], a - w->p1[i]);
        t->watch[i].rose_ms = t->mono_ms;
        t->watch[i].rise = a - w->p1[i];
        falls_switched_on(&t->histories[i], (double)t->watch[i].rise);
    }
    w->p3[i] = w->p2[i];
    w->p2[i] = w->p1[i];
    w->p1[i] = a;
}

static lanes_mask load_mask(const int32_t *from)
{
    lanes_mask m;
    memcpy(&m, from, sizeof m);
    return m;
}

/* take_reading for four circuits to which nothing happens; false, and nothing done, when
 * something does to one of them. */
static bool take_quiet(struct watch_lanes *w, size_t i, int64_t mono_ms)
{
    lanes a = lanes_load(w->amps + i), p1 = lanes_load(w->p1 + i),
          zero = lanes_load(w->zero + i);
    lanes mean = lanes_load(w->low_mean + i), next = mean + LOW_EMA * (a - mean);
    lanes_mask low = load_mask(w->low + i);
    lanes_mask stays_low = (a < FALL_FROM_ZEROS * zero) & (next < BACK_FROM_ZEROS * zero);
    lanes_mask stays = (low & stays_low) | (~low & (a >= zero));
    if (!lanes_all(stays & (lanes_abs(a - p1) < STEP_AMPS))) /* also with no reading */
        return false;
    lanes_store(w->low_mean + i, lanes_choose(low, next, mean));
    lanes_store(w->p3 + i, lanes_load(w->p2 + i));
    lanes_store(w->p2 + i, p1);
    lanes_store(w->p1 + i, a);
    for (size_t k = i; k < i + LANES; k++)
        w->read_ms[k] = mono_ms;
    if (!lanes_all(~load_mask(w->counting + i)))
        for (size_t k = i; k < i + LANES; k++)
            if (w->counting[k])
                count_reading(w, k, w->amps[k]);
    return true;
}

static void take_readings(struct trips *t, const struct frame *f)
{
    size_t count = t->site->circuit_count;
    gather(t, f);
    t->changed_count = 0;
    for (size_t i = 0; i < count; i += LANES) {
        if (take_quiet(&t->now, i, t->mono_ms))
            continue;
        for (size_t k = i; k < i + LANES && k < count; k++)
            take_reading(t, k);
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
    t->now.counting[i] = 0;
    c->facts.back_first_amps = (double)t->now.p1[i];
    t->cut[i] = false;
    trips_case_schedule(t, i, t->mono_ms + SETTLE_MS);
}

static bool went_low(struct trips *t, size_t i, int64_t last_read_ms)
{
    struct watch_lanes *w = &t->now;
    w->low_mean[i] = w->p1[i];
    falls_spell_over(&t->histories[i]);
    if (t->cases[i].state == CASE_BACK)
        trips_case_close(t, i);
    if (!trips_counts(t, i, (double)w->p2[i]))
        return false;
    if (t->watch[i].feeder)
        return true; /* read before its branches, it shows what took them a reading later */
    trips_case_open(t, i, (double)w->p2[i], last_read_ms);
    count_reading(w, i, w->p1[i]);
    return true;
}

/* True when a circuit fell. */
static bool follow_changes(struct trips *t)
{
    bool fell = false;
    for (size_t k = 0; k < t->changed_count; k++) {
        size_t i = t->changed[k];
        int64_t last_read_ms = t->now.read_ms[i];
        t->now.low[i] = ~t->now.low[i];
        t->now.read_ms[i] = t->mono_ms;
        if (!t->now.low[i])
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
    t->taken = f->taken;
}

void trips_step(struct trips *t, const struct frame *f)
{
    assert(f->poles == t->site->poles_total);
    take_time(t, f);
    take_readings(t, f);
    trips_feeder_take(t);
    bool dead = utility_dead(t, f), went = dead && !t->volts_gone;
    if (t->volts_gone && !dead)
        trips_scope_volts_back(t);
    t->volts_gone = dead;
    if (follow_changes(t) || went) {
        trips_scope_judge(t, f, went);
        for (size_t i = 0; i < t->site->circuit_count; i++) {
            const struct trip_case *c = &t->cases[i];
            bool now = c->seen_mono_ms == t->mono_ms;
            bool with_others = t->fell[i] && c->scope.probability >= 0.5; /* as is seen now */
            if (c->state != CASE_OPEN || !(now || with_others))
                continue;
            trips_case_judge(t, i, now ? "fall" : "later");
            trips_case_say(t, i, SAY_FROM);
        }
    }
    run_due(t);
    trips_review(t);
    note_exposures(t);
}
