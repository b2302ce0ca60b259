#include "trips.h"

#include "causes.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FALL_FROM_ZEROS 2.0F /* a fall counts from this many times the rule's zero_amps */
#define SWITCH_ON_AMPS 0.25F
#define AFTER_POLLS_MOST 60
#define LOW_LEARNED_POLLS 30
#define SETTLE_MS 5000
#define SAY_FROM 0.3 /* at the fall; later it takes SAY_LATE_FROM */
#define SAY_LATE_FROM 0.5
#define CONFIRM_FROM 0.9
#define WITHDRAW_BELOW 0.1
#define CONFIRM_AFTER_MS 10000
#define SAY_CHANGE_LOG 1.5   /* said again when its log odds moved so far */
#define SAY_CHANGE_LAST 0.03 /* and at the end when it moved by this */
#define EXPOSURE_MS 60000
#define LOST_PER_DAY                                                                           \
    0.1 /* before a site has taught otherwise; weighs as many circuit days:                    \
         */
#define LOST_PRIOR_DAYS 10.0
#define EVENING_FROM_LOG_ODDS (-1.0)
#define HAND_SHARE 0.5
#define SAME_START_SECONDS 10.0 /* loads that began within this time are stages of one */
#define LEAST_LOAD_AMPS 0.05    /* smaller ones are taken for wandering of a larger */
#define LEAST_LOAD_SHARE 0.03
#define LASTING_SECONDS 21600.0 /* unless they have run for so long */
#define LASTING_LEAST_AMPS 0.03
#define LOW_EMA 0.125F
#define BACK_FROM_ZEROS 1.3F /* a mean of so many zero_amps is current again */
#define FEEDER_NOISE_AMPS 0.1
#define SAME_OPENING_MS 2000

static const int64_t due_ms[] = {5000,    15000,    60000,    300000,   900000,
                                 3600000, 10800000, 43200000, 86400000, 259200000};
#define DUE_COUNT (sizeof due_ms / sizeof due_ms[0])

enum case_state {
    CASE_NONE,
    CASE_OPEN, /* carries nothing since the fall */
    CASE_BACK, /* carries again, not yet settled */
};

struct trip_case {
    enum case_state state;
    bool said, learned_heat;
    enum trip_stage stage;
    double said_probability;
    enum trip_cause said_cause;
    char id[EVENT_ID_SIZE];
    int64_t opened_mono_ms, opened_wall_ms;
    int64_t seen_mono_ms; /* the frame that showed it */
    int64_t back_mono_ms;
    size_t next_due;
    int64_t due_mono_ms;
    double after_sum;
    struct fall_facts facts;
    struct scope_guess scope;
    double feeder_drop; /* NaN: nobody measures it */
    struct event_load loads[LOADS_MAX_RUNNING];
    size_t load_count;
    double probability;
    double causes[CAUSE_COUNT];
    struct evidence_list evidence;
};

struct circuit_watch {
    int64_t read_ms;  /* of the newest reading, INT64_MIN before the first */
    int64_t rose_ms;  /* last switch-on */
    int64_t woke_ms;  /* since when it carries anything */
    float p1, p2, p3; /* newest readings, hotter pole */
    float low_mean;   /* of the last few readings, while low */
    float zero;
    bool low;
    bool feeder; /* of branches that are measured themselves */
};

struct trips {
    const struct site *site;
    const struct rules_set *rules;
    struct breakers *breakers;
    struct loads *loads;
    event_sink *sink;
    void *context;
    trips_observer *observer;
    void *observer_context;
    int64_t mono_ms, wall_ms;
    int64_t intervals[4];
    size_t frames;
    int64_t next_exposure_ms, next_due_ms;
    double openings, circuit_days; /* what taught how often supplies are lost here */
    bool volts_gone;
    size_t changed_count;
    size_t *changed; /* circuits that went low or high in this frame */
    bool *cut, *fell, *carries;
    double *log_chance;
    struct circuit_watch *watch;
    struct trip_case *cases;
    struct falls *histories;
};

struct trips *trips_create(const struct site *s, const struct rules_set *rules,
                           struct breakers *b, struct loads *l, event_sink *sink, void *context)
{
    struct trips *t = calloc(1, sizeof *t);
    size_t n = s->circuit_count + 1;
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
    t->changed = calloc(n, sizeof *t->changed);
    t->cut = calloc(n, sizeof *t->cut);
    t->fell = calloc(n, sizeof *t->fell);
    t->carries = calloc(n, sizeof *t->carries);
    t->log_chance = calloc(n, sizeof *t->log_chance);
    t->watch = calloc(n, sizeof *t->watch);
    t->cases = calloc(n, sizeof *t->cases);
    t->histories = calloc(n, sizeof *t->histories);
    if (!t->changed || !t->cut || !t->fell || !t->carries || !t->log_chance || !t->watch ||
        !t->cases || !t->histories) {
        trips_destroy(t);
        return NULL;
    }
    for (size_t i = 0; i < s->circuit_count; i++) {
        t->watch[i] = (struct circuit_watch){.read_ms = INT64_MIN,
                                             .rose_ms = INT64_MIN,
                                             .zero = (float)rules->circuits[i].zero_amps,
                                             .low = true};
        for (size_t k = 0; k < s->circuit_count; k++)
            t->watch[i].feeder |= s->circuits[i].feeds_panel >= 0 &&
                                  s->circuits[k].panel == s->circuits[i].feeds_panel;
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

/* the usual time between frames: the shortest of the last four */
static double poll_seconds(const struct trips *t)
{
    int64_t least = 0;
    for (size_t i = 0; i < 4 && i < t->frames; i++)
        if (least == 0 || t->intervals[i] < least)
            least = t->intervals[i];
    return least ? (double)least / 1000.0 : 1.0;
}

static double lost_per_second(const struct trips *t)
{
    return (t->openings + LOST_PER_DAY * LOST_PRIOR_DAYS) /
           (t->circuit_days + LOST_PRIOR_DAYS) / 86400.0;
}

static int64_t local_seconds(const struct frame *f, int64_t wall_ms)
{
    return wall_ms / 1000 + f->utc_offset_seconds;
}

/* ---- what ran ------------------------------------------------------------------------------
 */

static int older_first(const void *a, const void *b)
{
    const struct event_load *x = a, *y = b;
    return (x->seconds < y->seconds) - (x->seconds > y->seconds);
}

/* Loads that began apart from each other, oldest first. */
static void independent_loads(const struct trips *t, size_t i, struct event_load *loads,
                              size_t count, struct fall_facts *facts)
{
    double awake = (double)(t->mono_ms - t->watch[i].woke_ms) / 1000.0;
    struct event_load sorted[LOADS_MAX_RUNNING];
    memcpy(sorted, loads, count * sizeof *loads);
    for (size_t k = 0; k < count; k++)
        if (strcmp(sorted[k].appliance, LOADS_STANDING) == 0 || sorted[k].seconds > awake)
            sorted[k].seconds = awake; /* nobody saw it begin */
    qsort(sorted, count, sizeof sorted[0], older_first);
    facts->loads = 0;
    for (size_t k = 0; k < count; k++) {
        int last = facts->loads - 1;
        bool lasting = sorted[k].seconds >= LASTING_SECONDS;
        double least = fmax(LEAST_LOAD_AMPS, LEAST_LOAD_SHARE * facts->amps);
        if (sorted[k].amps < (lasting ? LASTING_LEAST_AMPS : least))
            continue;
        if (last >= 0 && facts->ages[last] - sorted[k].seconds <= SAME_START_SECONDS) {
            facts->sizes[last] += sorted[k].amps;
            continue;
        }
        facts->ages[facts->loads] = sorted[k].seconds;
        facts->sizes[facts->loads++] = sorted[k].amps;
    }
    if (facts->loads == 0) { /* something ran, although nobody knows what */
        facts->ages[0] = awake;
        facts->sizes[0] = facts->amps;
        facts->loads = 1;
    }
}

/* Once a minute: what every circuit carries, which is what falls are counted against. */
static void note_exposure(struct trips *t, const struct frame *f)
{
    if (t->mono_ms < t->next_exposure_ms)
        return;
    bool first = t->next_exposure_ms == 0;
    t->next_exposure_ms = t->mono_ms + EXPOSURE_MS;
    for (size_t i = 0; i < t->site->circuit_count && !first; i++) {
        struct circuit_watch *w = &t->watch[i];
        falls_fade(&t->histories[i], local_seconds(f, f->wall_ms));
        if (w->feeder || w->read_ms != t->mono_ms)
            continue;
        falls_night(&t->histories[i], local_seconds(f, f->wall_ms), !w->low);
        t->circuit_days += EXPOSURE_MS / 86400000.0;
        if (w->low || w->p1 < FALL_FROM_ZEROS * w->zero)
            continue;
        struct event_load loads[LOADS_MAX_RUNNING];
        struct fall_facts facts = {.amps = (double)w->p1};
        size_t count = loads_running(t->loads, (int)i, loads);
        independent_loads(t, i, loads, count, &facts);
        if (facts.loads >= 2)
            falls_carried(&t->histories[i], facts.amps,
                          evidence_usual_falls_per_second(&facts) * EXPOSURE_MS / 1000.0);
        if (facts.ages[0] >= 86400.0)
            falls_spell_over(&t->histories[i]);
        if (t->observer)
            t->observer(t->observer_context,
                        &(struct trips_judgement){.circuit = (int)i,
                                                  .opened_wall_ms = f->wall_ms,
                                                  .moment = "carried",
                                                  .facts = &facts});
    }
}

/* ---- saying --------------------------------------------------------------------------------
 */

static struct event event_of(const struct trips *t, size_t i, enum event_type type)
{
    return (struct event){.type = type,
                          .wall_ms = t->wall_ms,
                          .panel = t->site->circuits[i].panel,
                          .circuit = (int)i};
}

static void say_trip(struct trips *t, size_t i, enum trip_stage stage)
{
    struct trip_case *c = &t->cases[i];
    int with[64];
    size_t with_count = 0;
    for (size_t k = 0; k < t->site->circuit_count && with_count < 64; k++)
        if (k != i && t->cases[k].state != CASE_NONE && c->scope.probability >= 0.5 &&
            llabs(t->cases[k].opened_mono_ms - c->opened_mono_ms) <= 2000 &&
            together_within(t->site, c->scope.scope, (int)k))
            with[with_count++] = (int)k;
    struct event e = event_of(t, i, EVENT_TRIP);
    c->said = true;
    c->stage = stage;
    c->said_probability = c->probability;
    c->said_cause = causes_likeliest(c->causes, c->probability);
    e.trip = (struct event_trip){
        .id = c->id,
        .stage = stage,
        .probability = c->probability,
        .opened_wall_ms = c->opened_wall_ms,
        .cause = c->said_cause,
        .amps_before = c->facts.amps,
        .heat = c->facts.heat.heat,
        .loads = c->loads,
        .load_count = c->load_count,
        .with = with,
        .with_count = with_count,
        .upstream = TRIP_UPSTREAM_NONE,
        .evidence = c->evidence.items,
        .evidence_count = c->evidence.count,
    };
    memcpy(e.trip.causes, c->causes, sizeof e.trip.causes);
    if (c->said_cause == CAUSE_UPSTREAM_OPEN)
        e.trip.upstream = c->scope.scope.index;
    else if (c->said_cause == CAUSE_SUPPLY_OUTAGE)
        e.trip.upstream = TRIP_UPSTREAM_UTILITY;
    t->sink(t->context, &e);
}

static void say_outcome(struct trips *t, size_t i, enum event_type type, double seconds)
{
    struct event e = event_of(t, i, type);
    e.outcome = (struct event_outcome){.trip = t->cases[i].id, .seconds = seconds};
    t->sink(t->context, &e);
}

static enum trip_stage stage_now(const struct trips *t, const struct trip_case *c)
{
    bool ripe = t->mono_ms - c->seen_mono_ms >= CONFIRM_AFTER_MS || c->state == CASE_BACK;
    if (c->probability < WITHDRAW_BELOW || (c->state == CASE_BACK && c->probability < 0.5))
        return TRIP_WITHDRAWN;
    if (c->probability >= CONFIRM_FROM && ripe)
        return TRIP_CONFIRMED;
    return c->said && c->stage == TRIP_CONFIRMED && c->probability >= 0.5 ? TRIP_CONFIRMED
                                                                          : TRIP_PROVISIONAL;
}

static double log_odds(double p)
{
    p = fmin(fmax(p, 1e-6), 1.0 - 1e-6);
    return log(p / (1.0 - p));
}

static void say_if_changed(struct trips *t, size_t i, double from)
{
    struct trip_case *c = &t->cases[i];
    enum trip_stage stage = stage_now(t, c);
    enum trip_cause cause = causes_likeliest(c->causes, c->probability);
    bool sensor = cause == CAUSE_SENSOR_LOST && c->causes[cause] >= 0.5;
    if (!c->said) {
        if (c->probability >= from || sensor)
            say_trip(t, i, sensor ? TRIP_PROVISIONAL : stage);
        return;
    }
    if (c->stage == TRIP_WITHDRAWN && c->probability < SAY_LATE_FROM)
        return;
    bool moved =
        fabs(log_odds(c->probability) - log_odds(c->said_probability)) >= SAY_CHANGE_LOG;
    if (c->state == CASE_BACK)
        moved = fabs(c->probability - c->said_probability) >= SAY_CHANGE_LAST;
    if (stage != c->stage || cause != c->said_cause || moved)
        say_trip(t, i, stage);
}

/* ---- judging -------------------------------------------------------------------------------
 */

static void observe(const struct trips *t, size_t i, const char *moment)
{
    const struct trip_case *c = &t->cases[i];
    if (!t->observer)
        return;
    struct trips_judgement j = {
        .circuit = (int)i,
        .opened_wall_ms = c->opened_wall_ms,
        .moment = moment,
        .probability = c->probability,
        .causes = c->causes,
        .facts = &c->facts,
        .evidence = &c->evidence,
        .said = c->said,
    };
    t->observer(t->observer_context, &j);
}

static void judge(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    struct cause_view v = {.facts = &c->facts,
                           .lost_per_second = lost_per_second(t),
                           .hand_share = HAND_SHARE,
                           .scope = c->scope};
    evidence_judge(&c->facts, &t->histories[i], v.lost_per_second, &c->evidence);
    double alone = evidence_probability(c->evidence.sum);
    if (t->watch[i].feeder) { /* its own opening is what took its branches */
        bool own = c->scope.scope.kind == SCOPE_FEEDER && c->scope.scope.index == (int)i;
        v.scope = own ? (struct scope_guess){.scope = SCOPE_NOTHING} : c->scope;
        v.lost_alone = own ? c->scope.probability : 0.0;
    } else {
        v.lost_alone =
            c->facts.amps < (double)(FALL_FROM_ZEROS * t->watch[i].zero) ? 0.0 : alone;
        v.sensor_lost = causes_sensor_lost(c->facts.amps, c->feeder_drop, FEEDER_NOISE_AMPS);
    }
    c->probability = causes_judge(&v, c->causes);
    if (c->scope.probability > 0.01 || v.sensor_lost > 0.01)
        evidence_add(&c->evidence,
                     c->scope.probability > 0.01 ? "went_together" : "feeder_carries_on",
                     log_odds(c->probability) - log_odds(alone), c->scope.probability);
    t->cut[i] = c->state == CASE_OPEN && c->said && c->probability >= 0.5;
}

static void schedule(struct trips *t, struct trip_case *c)
{
    c->due_mono_ms = c->next_due < DUE_COUNT ? c->seen_mono_ms + due_ms[c->next_due++]
                                             : t->mono_ms + due_ms[DUE_COUNT - 1];
    if (c->due_mono_ms < t->next_due_ms)
        t->next_due_ms = c->due_mono_ms;
}

/* What the fall was is learned when it is over. */
static void learn(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    struct falls *h = &t->histories[i];
    const struct fall_facts *f = &c->facts;
    double natural = c->causes[CAUSE_LOAD_ENDED];
    if (c->probability >= 0.5)
        t->openings += c->probability;
    if (t->watch[i].feeder || c->scope.probability >= 0.5 || f->amps <= 0.0)
        return;
    if (evidence_at_switch_on(f))
        falls_ended_at_once(h, natural);
    falls_over(h, &(struct falls_past){.amps = (float)f->amps,
                                       .age_seconds = (float)f->ages[0],
                                       .nothing_seconds = (float)f->silent_seconds,
                                       .weight = (float)natural,
                                       .several = f->loads >= 2});
    if (natural > 0.9 && f->after_polls >= LOW_LEARNED_POLLS)
        falls_low(h, f->after_amps);
}

/* A fall with neither heat nor a switch-on that would otherwise be taken for a lost supply may
 * be a habit: remembered at once, since the night decides. */
static void note_evening(struct trips *t, size_t i)
{
    const struct trip_case *c = &t->cases[i];
    double lost = lost_per_second(t);
    double unexplained = c->evidence.sum - evidence_habit(&c->facts, &t->histories[i], lost) -
                         evidence_heat(&c->facts, lost) -
                         evidence_silence(&c->facts, &t->histories[i]);
    if (!evidence_at_switch_on(&c->facts) && unexplained > EVENING_FROM_LOG_ODDS &&
        c->scope.probability < 0.5)
        falls_evening(&t->histories[i], c->facts.local_seconds);
}

/* The breaker's share in it: told once, when it is fairly sure. */
static void teach_breaker(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    if (c->learned_heat || c->probability < 0.5 || c->state != CASE_OPEN)
        return;
    c->learned_heat = true;
    breakers_learn_opened(t->breakers, (int)i,
                          c->causes[CAUSE_OVERLOAD] + c->causes[CAUSE_WORN_BREAKER]);
}

static bool same_scope(const struct trip_case *a, const struct trip_case *b)
{
    return a->scope.scope.kind == b->scope.scope.kind &&
           a->scope.scope.index == b->scope.scope.index &&
           llabs(a->opened_mono_ms - b->opened_mono_ms) <= SAME_OPENING_MS;
}

/* The first of a scope that comes back tells of the others; where voltage told, nothing can. */
static void weigh_return(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    double ages[SITE_MAX_CIRCUITS];
    size_t with = 0, waiting = 0;
    if (c->scope.probability <= 0.0 || c->scope.by_voltage)
        return;
    for (size_t k = 0; k < t->site->circuit_count; k++) {
        const struct trip_case *o = &t->cases[k];
        if (k == i || t->watch[k].feeder || o->state == CASE_NONE || !same_scope(c, o) ||
            o->facts.amps < (double)(FALL_FROM_ZEROS * t->watch[k].zero))
            continue;
        if (o->state == CASE_OPEN)
            ages[waiting++] = o->facts.ages[0];
        else
            with++;
    }
    double odds =
        log_odds(fmin(c->scope.probability, 0.998)) + together_came_back(with, ages, waiting);
    double p = evidence_probability(odds);
    for (size_t k = 0; k < t->site->circuit_count; k++)
        if (t->cases[k].state != CASE_NONE && k != i && same_scope(c, &t->cases[k]))
            t->cases[k].scope.probability = p;
    c->scope.probability = p;
}

static void close_case(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    weigh_return(t, i);
    c->facts.back = true;
    c->facts.back_amps = ((double)t->watch[i].p1 + (double)t->watch[i].p2) / 2.0;
    c->facts.silent_seconds = (double)(c->back_mono_ms - c->opened_mono_ms) / 1000.0;
    judge(t, i);
    if (c->said) {
        say_if_changed(t, i, SAY_LATE_FROM);
        if (c->probability >= 0.5)
            say_outcome(t, i, EVENT_RESTORED, c->facts.silent_seconds);
    }
    observe(t, i, "back");
    learn(t, i);
    c->state = CASE_NONE;
    t->cut[i] = false;
}

/* ---- a frame -------------------------------------------------------------------------------
 */

static float hotter_pole(const struct site_circuit *c, const float *amps)
{
    float most = amps[c->first_pole];
    for (int p = 1; p < c->poles; p++)
        most = fmaxf(most, amps[c->first_pole + p]);
    return most;
}

static double feeder_drop(const struct trips *t, size_t i, const struct frame *f)
{
    int feeder = t->site->panels[t->site->circuits[i].panel].fed_by;
    if (feeder < 0 || t->watch[feeder].read_ms != t->mono_ms)
        return (double)NAN;
    (void)f;
    return (double)(t->watch[feeder].p2 - t->watch[feeder].p1);
}

/* Begins a case; `amps` is what it carried before. */
static void open_case(struct trips *t, size_t i, const struct frame *f, double amps,
                      int64_t last_read_ms)
{
    struct circuit_watch *w = &t->watch[i];
    struct trip_case *c = &t->cases[i];
    double gap = (double)(t->mono_ms - last_read_ms) / 1000.0, poll = poll_seconds(t);
    /* when readings were lost before it, it fell somewhere between */
    int64_t back_ms = gap > 1.5 * poll ? (t->mono_ms - last_read_ms) / 2 : 0;
    *c = (struct trip_case){.state = CASE_OPEN,
                            .scope = {.scope = SCOPE_NOTHING},
                            .feeder_drop = feeder_drop(t, i, f),
                            .opened_mono_ms = t->mono_ms - back_ms,
                            .opened_wall_ms = t->wall_ms - back_ms,
                            .seen_mono_ms = t->mono_ms};
    c->facts = (struct fall_facts){
        .poll_seconds = poll,
        .gap_seconds = gap,
        .amps = amps,
        .staged = w->p3 > w->p2 && w->p3 > 0.0F ? (double)((w->p3 - w->p2) / w->p3) : 0.0,
        .switch_on_seconds = w->rose_ms == INT64_MIN
                                 ? (double)INFINITY
                                 : (double)(t->mono_ms - w->rose_ms) / 1000.0,
        .local_seconds = local_seconds(f, c->opened_wall_ms),
    };
    c->load_count = loads_running(t->loads, (int)i, c->loads);
    independent_loads(t, i, c->loads, c->load_count, &c->facts);
    breakers_opening(t->breakers, (int)i, &c->facts.heat);
    trip_id_make(t->site, (int)i, c->opened_wall_ms, c->id);
    schedule(t, c);
}

/* Readings of this frame into the watch; who went low or high is noted. */
static void take_readings(struct trips *t, const struct frame *f)
{
    const float *amps = frame_amps(f);
    t->changed_count = 0;
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct circuit_watch *w = &t->watch[i];
        float a = hotter_pole(&t->site->circuits[i], amps);
        if (isnan(a))
            continue;
        bool low = a < w->zero;
        if (w->low) { /* a small load that lies about the threshold does not make it flap */
            w->low_mean += LOW_EMA * (a - w->low_mean);
            low = a < FALL_FROM_ZEROS * w->zero && w->low_mean < BACK_FROM_ZEROS * w->zero;
        }
        if (low != w->low)
            t->changed[t->changed_count++] = i;
        else
            w->read_ms = t->mono_ms; /* the handler of a change wants to know the one before */
        if (a - w->p1 >= SWITCH_ON_AMPS) {
            w->rose_ms = t->mono_ms;
            falls_switched_on(&t->histories[i]);
        }
        if (t->cases[i].state == CASE_OPEN && low &&
            t->cases[i].facts.after_polls < AFTER_POLLS_MOST) {
            struct trip_case *c = &t->cases[i];
            c->after_sum += (double)a;
            c->facts.after_amps = c->after_sum / ++c->facts.after_polls;
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
    c->due_mono_ms = t->mono_ms + SETTLE_MS;
    t->cut[i] = false;
    if (c->due_mono_ms < t->next_due_ms)
        t->next_due_ms = c->due_mono_ms;
}

static bool went_low(struct trips *t, size_t i, const struct frame *f, int64_t last_read_ms)
{
    struct circuit_watch *w = &t->watch[i];
    w->low_mean = w->p1;
    falls_spell_over(&t->histories[i]);
    if (t->cases[i].state == CASE_BACK)
        close_case(t, i);
    if (w->feeder || w->p2 < FALL_FROM_ZEROS * w->zero)
        return false;
    open_case(t, i, f, (double)w->p2, last_read_ms);
    struct trip_case *c = &t->cases[i];
    c->after_sum = (double)w->p1;
    c->facts.after_amps = (double)w->p1;
    c->facts.after_polls = 1;
    return true;
}

/* Circuits of a scope that had no current to fall lost their supply with the others. */
static void open_dark(struct trips *t, struct scope_guess guess, const struct frame *f)
{
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct trip_case *c = &t->cases[i];
        if (!together_within(t->site, guess.scope, (int)i) || t->carries[i])
            continue;
        if (c->state == CASE_OPEN && t->mono_ms - c->seen_mono_ms > 2000)
            continue; /* open since earlier */
        if (c->state == CASE_BACK)
            close_case(t, i);
        if (c->state == CASE_NONE)
            open_case(t, i, f, fmax(0.0, (double)t->watch[i].p2), t->mono_ms);
        c->scope = guess;
    }
}

static void judge_together(struct trips *t, const struct frame *f, bool volts_gone)
{
    double poll = poll_seconds(t), gap = poll;
    bool on_the_clock = false;
    size_t n = t->site->circuit_count;
    for (size_t i = 0; i < n; i++) {
        struct trip_case *c = &t->cases[i];
        bool fresh =
            c->state == CASE_OPEN && (double)(t->mono_ms - c->seen_mono_ms) <= 1500.0 * poll;
        t->fell[i] = fresh && c->facts.amps >= (double)(FALL_FROM_ZEROS * t->watch[i].zero);
        t->carries[i] = !t->watch[i].low && t->watch[i].read_ms == t->mono_ms;
        if (!t->fell[i])
            continue;
        gap = fmax(gap, c->facts.gap_seconds);
        on_the_clock |= evidence_at_full_hour(&c->facts);
        double natural = evidence_natural_here(&c->facts, &t->histories[i]);
        t->log_chance[i] =
            fmin(0.0, log((natural + lost_per_second(t)) * c->facts.gap_seconds));
    }
    struct together_view v = {.site = t->site,
                              .fell = t->fell,
                              .carries = t->carries,
                              .log_chance = t->log_chance,
                              .gap_seconds = gap,
                              .on_the_clock = on_the_clock,
                              .frame = f};
    struct scope_guess guess = together_judge(&v);
    if (volts_gone && guess.probability < 0.9)
        guess = (struct scope_guess){.scope = {SCOPE_UTILITY, -1}, .probability = 0.99};
    guess.by_voltage = together_voltage(t->site, guess.scope, f) == 1;
    for (size_t i = 0; i < n; i++)
        if (t->fell[i] && together_within(t->site, guess.scope, (int)i))
            t->cases[i].scope = guess;
    if (guess.probability >= 0.5 && guess.scope.kind != SCOPE_METER)
        open_dark(t, guess, f);
}

/* A circuit that carries current while its scope should be dark refutes the scope. */
static void refute_scopes(struct trips *t)
{
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct trip_case *c = &t->cases[i];
        if (c->state != CASE_OPEN || c->scope.probability <= 0.0)
            continue;
        for (size_t k = 0; k < t->site->circuit_count; k++) {
            bool came = !t->watch[k].low && !t->watch[k].feeder &&
                        t->cases[k].state == CASE_NONE && t->watch[k].woke_ms > c->seen_mono_ms;
            if (came && together_within(t->site, c->scope.scope, (int)k))
                c->scope.probability = 0.0;
        }
    }
}

static void run_due(struct trips *t)
{
    if (t->mono_ms < t->next_due_ms)
        return;
    t->next_due_ms = INT64_MAX;
    refute_scopes(t);
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct trip_case *c = &t->cases[i];
        if (c->state == CASE_NONE)
            continue;
        if (t->mono_ms < c->due_mono_ms) {
            t->next_due_ms = c->due_mono_ms < t->next_due_ms ? c->due_mono_ms : t->next_due_ms;
            continue;
        }
        if (c->state == CASE_BACK) {
            close_case(t, i);
            continue;
        }
        c->facts.silent_seconds = (double)(t->mono_ms - c->opened_mono_ms) / 1000.0;
        judge(t, i);
        say_if_changed(t, i, c->facts.silent_seconds <= 60.0 ? SAY_FROM : SAY_LATE_FROM);
        if (c->facts.silent_seconds >= 15.0)
            teach_breaker(t, i);
        if (c->next_due == 3) /* a minute has passed */
            note_evening(t, i);
        observe(t, i, "later");
        schedule(t, c);
    }
}

static bool volts_gone(const struct trips *t, const struct frame *f)
{
    return together_voltage(t->site, (struct scope){SCOPE_UTILITY, -1}, f) == 1;
}

void trips_step(struct trips *t, const struct frame *f)
{
    assert(f->poles == t->site->poles_total);
    if (t->mono_ms != INT64_MIN && f->mono_ms > t->mono_ms)
        t->intervals[t->frames++ % 4] = f->mono_ms - t->mono_ms;
    t->mono_ms = f->mono_ms;
    t->wall_ms = f->wall_ms;
    take_readings(t, f);
    bool fell = false, gone = volts_gone(t, f), went = gone && !t->volts_gone;
    t->volts_gone = gone;
    for (size_t k = 0; k < t->changed_count; k++) {
        struct circuit_watch *w = &t->watch[t->changed[k]];
        int64_t last_read_ms = w->read_ms;
        bool first = last_read_ms == INT64_MIN;
        w->low = !w->low;
        w->read_ms = t->mono_ms;
        if (!w->low)
            went_high(t, t->changed[k]);
        else if (!first)
            fell |= went_low(t, t->changed[k], f, last_read_ms);
    }
    if (fell || went) {
        judge_together(t, f, went);
        for (size_t i = 0; i < t->site->circuit_count; i++) {
            if (t->cases[i].state != CASE_OPEN || t->cases[i].seen_mono_ms != t->mono_ms)
                continue;
            judge(t, i);
            say_if_changed(t, i, SAY_FROM);
            observe(t, i, "fall");
        }
    }
    run_due(t);
    note_exposure(t, f);
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
