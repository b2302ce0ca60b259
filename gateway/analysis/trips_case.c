#include "trips_state.h"

#include "loads_sheet.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define CONFIRM_FROM 0.9
#define COUNT_FROM 0.2 /* of the probability that a fall adds to the openings here */
#define WITHDRAW_BELOW 0.1
#define CONFIRM_AFTER_MS 10000
#define SAY_CHANGE_LOG 1.5   /* said again when its log odds moved so far */
#define SAY_CHANGE_LAST 0.03 /* and at the end when it moved by this */
#define TEACH_AFTER_SECONDS 15.0
#define TEACH_FROM 0.75
#define TEACH_LATER_SECONDS 300.0 /* by then it shows how still it reads, */
#define TEACH_LATER_FROM 0.55     /* and less will do */
#define TEACH_LAST_FROM 0.1       /* once it is over */
#define EVENING_AFTER_SECONDS 60.0
#define EVENING_FROM_LOG_ODDS (-1.0)
#define LOW_LEARNED_POLLS 30
#define LOW_LEARNED_FROM 0.6
#define HABIT_LOG_RATIO (-1.5)
#define AT_ONCE_LEAST 0.5       /* of a lesson: what ends at once is seldom a fault */
#define LEVEL_OFF_UP_TO 0.1     /* P(supply lost), without the pieces that judge the level; */
#define LEVEL_LOST_FROM 0.9     /* between them it is learned as either, as likely as it was */
#define SAME_START_SECONDS 10.0 /* loads that began within this time are stages of one */
#define LEAST_LOAD_AMPS 0.05    /* smaller ones are taken for wandering of a larger */
#define LEAST_LOAD_SHARE 0.03
#define LASTING_SECONDS 21600.0 /* unless they have run for so long */
#define LASTING_LEAST_AMPS 0.03
/* One load may draw 80 % of a branch circuit's rating (NEC 210.23); what draws so much more was
 * two that were switched on together. */
#define TWO_FROM_RATINGS 1.3
#define FEEDER_NOISE_AMPS 0.1
#define WITH_MOST 64

static const int64_t due_ms[] = {5000,    15000,    60000,    300000,   900000,
                                 3600000, 10800000, 43200000, 86400000, 259200000};
#define DUE_COUNT (sizeof due_ms / sizeof due_ms[0])

/* ---- what ran ------------------------------------------------------------------------------
 */

static int older_first(const void *a, const void *b)
{
    const struct event_load *x = a, *y = b;
    return (x->seconds < y->seconds) - (x->seconds > y->seconds);
}

void trips_independent_loads(const struct trips *t, size_t i, const struct event_load *loads,
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
    double rating = t->site->circuits[i].breaker_amps;
    if (facts->loads == 1 && facts->sizes[0] > TWO_FROM_RATINGS * rating) {
        facts->ages[1] = facts->ages[0];
        facts->sizes[1] = facts->sizes[0] - rating;
        facts->sizes[0] = rating;
        facts->loads = 2;
    }
}

static double since(const struct trips *t, int64_t mono_ms)
{
    return mono_ms == INT64_MIN ? (double)INFINITY : (double)(t->mono_ms - mono_ms) / 1000.0;
}

/* What the breaker was like ten, five and one minutes before, as it was judged then. */
static void look_back(const struct trips *t, size_t i, struct trip_case *c)
{
    static const size_t minutes[EVENT_MOST_BEFORE] = {10, 5, 1};
    double since_minute = (double)(t->mono_ms - (t->next_exposure_ms - 60000)) / 1000.0;
    for (size_t k = 0; k < EVENT_MOST_BEFORE; k++) {
        size_t ago = minutes[k] - (since_minute > 30.0 ? 1 : 0);
        if (t->next_minute <= ago)
            continue; /* not watched for so long */
        const struct past_minute *m =
            &t->watch[i].minutes[(t->next_minute - 1 - ago) % MINUTES];
        c->before[c->before_count++] =
            (struct event_before){.seconds = since_minute + 60.0 * (double)ago,
                                  .amps = (double)m->amps,
                                  .heat = (double)m->heat,
                                  .chance = (double)m->chance};
    }
}

void trips_case_open(struct trips *t, size_t i, double amps, int64_t last_read_ms)
{
    const struct circuit_watch *w = &t->watch[i];
    struct trip_case *c = &t->cases[i];
    float p2 = t->now.p2[i], p3 = t->now.p3[i];
    double gap = (double)(t->mono_ms - last_read_ms) / 1000.0, poll = trips_poll_seconds(t);
    /* when readings were lost before it, it fell somewhere between */
    int64_t back_ms = gap > 1.5 * poll ? (t->mono_ms - last_read_ms) / 2 : 0;
    bool blurred = BLUR_SHARE * (t->blurred + BLUR_UNSEEN) >= t->sharp && p3 > p2;
    if (blurred)
        amps = (double)p3; /* p2 lies in the same fall */
    *c = (struct trip_case){.state = CASE_OPEN,
                            .scope = scope_not_guessed,
                            .feeder_drop = (double)NAN,
                            .opened_mono_ms = t->mono_ms - back_ms,
                            .opened_wall_ms = t->wall_ms - back_ms,
                            .seen_mono_ms = t->mono_ms};
    trips_feeder_see(t, i, amps);
    t->now.counting[i] = -1;
    t->now.rest[i] = (struct rest_count){0};
    c->facts = (struct fall_facts){
        .poll_seconds = poll,
        .gap_seconds = gap,
        .amps = amps,
        .staged = !blurred && p3 > p2 && p3 > 0.0F ? (double)((p3 - p2) / p3) : 0.0,
        .switch_on_amps = (double)w->rise,
        .switch_on_seconds = since(t, w->rose_ms),
        .reset_seconds = w->reset_id[0] ? since(t, w->reset_ms) : (double)INFINITY,
        .again_seconds = t->rules->circuits[i].again_seconds,
        .local_seconds = c->opened_wall_ms / 1000 + t->utc_offset_seconds,
    };
    const struct step_sizes *steps = &t->histories[i].steps;
    c->facts.ends_like = step_sizes_downs_like(steps, amps);
    c->facts.begins_like = step_sizes_ups_like(steps, amps);
    c->facts.awake_seconds = since(t, w->woke_ms);
    c->facts.watched_days = (double)t->histories[i].watched_days;
    c->load_count = loads_running(t->loads, (int)i, c->loads);
    trips_independent_loads(t, i, c->loads, c->load_count, &c->facts);
    c->load_count = loads_sheet(t->loads, (int)i, c->loads);
    breakers_opening(t->breakers, (int)i, &c->facts.heat);
    look_back(t, i, c);
    trip_id_make(t->site, (int)i, c->opened_wall_ms, c->id);
    trips_case_schedule(t, i, t->mono_ms + due_ms[c->next_due++]);
}

void trips_case_date(struct trips *t, size_t i, const struct trip_case *when)
{
    struct trip_case *c = &t->cases[i];
    c->opened_mono_ms = when->opened_mono_ms;
    c->opened_wall_ms = when->opened_wall_ms;
    c->facts.local_seconds = when->facts.local_seconds;
    trip_id_make(t->site, (int)i, c->opened_wall_ms, c->id);
}

void trips_case_schedule(struct trips *t, size_t i, int64_t due_mono_ms)
{
    t->cases[i].due_mono_ms = due_mono_ms;
    if (due_mono_ms < t->next_due_ms)
        t->next_due_ms = due_mono_ms;
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

/* Circuits that went in the same instant, for the same reason. */
static size_t went_with(const struct trips *t, size_t i, int out[WITH_MOST])
{
    const struct trip_case *c = &t->cases[i];
    size_t n = 0;
    if (c->scope.probability < 0.5)
        return 0;
    for (size_t k = 0; k < t->site->circuit_count && n < WITH_MOST; k++)
        if (k != i && t->cases[k].state != CASE_NONE &&
            llabs(t->cases[k].opened_mono_ms - c->opened_mono_ms) <= SAME_OPENING_MS &&
            together_within(t->site, c->scope.scope, (int)k))
            out[n++] = (int)k;
    return n;
}

static int upstream_of(const struct trip_case *c)
{
    if (c->said_cause == CAUSE_UPSTREAM_OPEN)
        return c->scope.scope.index;
    return c->said_cause == CAUSE_SUPPLY_OUTAGE ? TRIP_UPSTREAM_UTILITY : TRIP_UPSTREAM_NONE;
}

static void say_trip(struct trips *t, size_t i, enum trip_stage stage)
{
    struct trip_case *c = &t->cases[i];
    int with[WITH_MOST];
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
        .with_count = went_with(t, i, with),
        .upstream = upstream_of(c),
        .evidence = c->evidence.items,
        .evidence_count = c->evidence.count,
        .before = c->before,
        .before_count = c->before_count,
        .afterwards = c->afterwards,
    };
    memcpy(e.trip.causes, c->causes, sizeof e.trip.causes);
    t->sink(t->context, &e);
}

void trips_say_outcome(struct trips *t, size_t i, enum event_type type, const char *id,
                       double seconds)
{
    struct event e = event_of(t, i, type);
    e.outcome = (struct event_outcome){.trip = id, .seconds = seconds};
    t->sink(t->context, &e);
}

static enum trip_stage stage_now(const struct trips *t, const struct trip_case *c)
{
    bool ripe = t->mono_ms - c->seen_mono_ms >= CONFIRM_AFTER_MS || c->state == CASE_BACK;
    /* what is over was a trip or was none: nothing more will be said of it */
    if (c->probability < (c->facts.back ? 0.5 : WITHDRAW_BELOW))
        return TRIP_WITHDRAWN;
    if (c->probability >= CONFIRM_FROM && ripe)
        return TRIP_CONFIRMED;
    return c->said && c->stage == TRIP_CONFIRMED && c->probability >= 0.5 ? TRIP_CONFIRMED
                                                                          : TRIP_PROVISIONAL;
}

void trips_case_tell(struct trips *t, size_t i)
{
    say_trip(t, i, stage_now(t, &t->cases[i]));
}

void trips_case_say(struct trips *t, size_t i, double from)
{
    struct trip_case *c = &t->cases[i];
    enum trip_stage stage = stage_now(t, c);
    enum trip_cause cause = causes_likeliest(c->causes, c->probability);
    bool sensor = cause == CAUSE_SENSOR_LOST && c->causes[cause] >= 0.5;
    if (!c->said) {
        if (c->probability >= 0.5 && c->facts.reset_seconds <= c->facts.again_seconds)
            trips_say_outcome(t, i, EVENT_OPENED_AGAIN, t->watch[i].reset_id,
                              c->facts.reset_seconds);
        if (c->probability >= from || sensor)
            say_trip(t, i, sensor ? TRIP_PROVISIONAL : stage);
        return;
    }
    if (c->stage == TRIP_WITHDRAWN && c->probability < SAY_LATE_FROM)
        return;
    bool moved = fabs(trips_log_odds(c->probability) - trips_log_odds(c->said_probability)) >=
                 SAY_CHANGE_LOG;
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
    if (t->observer)
        t->observer(t->observer_context, &j);
}

/* P(lost its supply by itself), and what else takes it. */
static struct cause_view view_of(const struct trips *t, size_t i)
{
    const struct trip_case *c = &t->cases[i];
    struct cause_view v = {.facts = &c->facts,
                           .history = &t->histories[i],
                           .lost_per_second = trips_lost_per_second(t),
                           .hand_share = (t->hands + 1.0) / (t->hands + t->faults + 2.0),
                           .scope = c->scope};
    if (t->watch[i].feeder) { /* its own opening is what took its branches */
        bool own = c->scope.scope.kind == SCOPE_FEEDER && c->scope.scope.index == (int)i;
        v.lost_alone = own ? c->scope.probability : 0.0;
        if (own)
            v.scope = scope_not_guessed;
    } else if (trips_counts(t, i, c->facts.amps)) {
        v.lost_alone = evidence_probability(c->evidence.sum);
        v.sensor_lost = causes_sensor_lost(c->facts.amps, c->feeder_drop, FEEDER_NOISE_AMPS);
    }
    return v;
}

/* What it reads since the fall, as it was counted: whole blocks, before there is one what there
 * is. */
static void note_rest(const struct rest_count *r, struct fall_facts *f)
{
    bool whole = r->polls > 0;
    f->seen = r->seen;
    f->after_polls = whole ? r->polls : r->block_polls;
    if (f->after_polls == 0)
        return;
    f->after_amps = (double)(whole ? r->sum : r->block_sum) / f->after_polls;
    f->after_rms = sqrt((double)(whole ? r->square : r->block_square) / f->after_polls);
}

void trips_case_judge(struct trips *t, size_t i, const char *moment)
{
    struct trip_case *c = &t->cases[i];
    note_rest(&t->now.rest[i], &c->facts);
    struct stillness_known levels = {.lost = &t->lost_level,
                                     .off = &t->histories[i].off_level,
                                     .off_elsewhere = &t->off_level,
                                     .empty = t->empty_level};
    evidence_judge(&c->facts, &t->histories[i], &levels, trips_lost_per_second(t),
                   &c->evidence);
    trips_case_conclude(t, i);
    t->cut[i] = c->state == CASE_OPEN && c->probability >= 0.5;
    observe(t, i, moment);
}

void trips_case_conclude(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    struct cause_view v = view_of(t, i);
    c->probability = causes_judge(&v, c->causes);
    double rest = trips_log_odds(c->probability) - c->evidence.sum;
    if (c->scope.probability > 0.01)
        evidence_add(&c->evidence, TOGETHER, rest, c->scope.probability);
    else if (v.sensor_lost > 0.01)
        evidence_add(&c->evidence, FEEDER_GOES_ON, rest, c->feeder_drop);
}

double trips_odds_without_levels(const struct trip_case *c)
{
    return trips_log_odds(c->probability) - evidence_levels(&c->evidence, true);
}

/* What is read at nothing, and what the rest of the evidence says it was. */
static void learn_level(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    const struct fall_facts *f = &c->facts;
    double odds = trips_odds_without_levels(c);
    if (c->causes[CAUSE_SENSOR_LOST] >= 0.5 || t->watch[i].feeder ||
        !trips_counts(t, i, f->amps))
        return;
    double without = evidence_probability(odds);
    if (without > LEVEL_OFF_UP_TO) {
        stillness_learn(&t->lost_level, &f->seen, odds);
        c->taught_levels |= TAUGHT_LOST;
    }
    if (without >= LEVEL_LOST_FROM)
        return;
    stillness_learn(&t->histories[i].off_level, &f->seen, odds);
    c->taught_levels |= TAUGHT_OFF;
    if (without > LEVEL_OFF_UP_TO)
        return;
    if (t->off_from != i) { /* a busy circuit is not all the site */
        stillness_learn(&t->off_level, &f->seen, odds);
        c->taught_levels |= TAUGHT_OFF_ELSEWHERE;
    }
    t->off_from = i;
}

/* What the fall was is learned when it is over. */
static void learn(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    struct falls *h = &t->histories[i];
    const struct fall_facts *f = &c->facts;
    double natural = c->causes[CAUSE_LOAD_ENDED];
    double habit = evidence_habit(f, h, trips_lost_per_second(t));
    if (c->probability >= COUNT_FROM && !t->watch[i].feeder)
        t->openings += c->probability;
    learn_level(t, i);
    if (t->watch[i].feeder || c->scope.probability >= 0.5 || !trips_counts(t, i, f->amps))
        return;
    step_sizes_down(&h->steps, f->amps, natural);
    step_sizes_up(&h->steps, f->back_amps, natural);
    if (evidence_at_switch_on(f))
        falls_ended_at_once(h, f->switch_on_amps, fmax(natural, AT_ONCE_LEAST));
    falls_over(h, &(struct falls_past){.amps = (float)f->amps,
                                       .age_seconds = (float)f->ages[0],
                                       .nothing_seconds = (float)f->silent_seconds,
                                       .weight = (float)natural,
                                       .several = f->loads >= 2,
                                       .habit = habit < HABIT_LOG_RATIO});
    if (natural > LOW_LEARNED_FROM && f->after_polls >= LOW_LEARNED_POLLS)
        falls_low(h, f->after_amps);
}

/* A fall with neither heat nor a switch-on that would otherwise be taken for a lost supply may
 * be a habit: remembered before it is over, since the night decides. */
static void note_evening(struct trips *t, size_t i)
{
    const struct trip_case *c = &t->cases[i];
    struct falls *h = &t->histories[i];
    double lost = trips_lost_per_second(t);
    double unexplained =
        c->evidence.sum -
        evidence_pieces[PIECE_NIGHT].open * evidence_habit(&c->facts, h, lost) -
        evidence_heat(&c->facts, lost);
    if (!evidence_at_switch_on(&c->facts) && unexplained > EVENING_FROM_LOG_ODDS &&
        c->scope.probability < 0.5 && !t->watch[i].feeder)
        falls_evening(h, c->facts.local_seconds);
}

/* The breaker's share in it: told once, as far as it is believed, so that a worn breaker is
 * known after a few openings none of which was sure by itself. What is sure enough is told at
 * once, the rest with less weight when it is over. */
static void teach_breaker(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    double by_heat = c->causes[CAUSE_OVERLOAD] + c->causes[CAUSE_WORN_BREAKER];
    bool over = c->facts.back, later = c->facts.silent_seconds >= TEACH_LATER_SECONDS;
    double from = over ? TEACH_LAST_FROM : later ? TEACH_LATER_FROM : TEACH_FROM;
    if (c->taught_breaker || c->probability < from)
        return;
    c->taught_breaker = true;
    if (over) /* the same kettle at the rating, day by day, must not add up */
        by_heat *= fmin(1.0, by_heat / TEACH_LATER_FROM);
    breakers_learn_opened(t->breakers, (int)i, by_heat);
}

void trips_case_later(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    double before = c->facts.silent_seconds;
    c->facts.silent_seconds = (double)(t->mono_ms - c->opened_mono_ms) / 1000.0;
    trips_case_judge(t, i, "later");
    trips_case_say(t, i,
                   c->facts.silent_seconds <= EVENING_AFTER_SECONDS ? SAY_FROM : SAY_LATE_FROM);
    if (c->facts.silent_seconds >= TEACH_AFTER_SECONDS)
        teach_breaker(t, i);
    if (before < EVENING_AFTER_SECONDS && c->facts.silent_seconds >= EVENING_AFTER_SECONDS)
        note_evening(t, i);
    trips_case_schedule(t, i,
                        c->next_due < DUE_COUNT ? c->seen_mono_ms + due_ms[c->next_due++]
                                                : t->mono_ms + due_ms[DUE_COUNT - 1]);
}

void trips_case_remember(struct trips *t, size_t i)
{
    const struct trip_case *c = &t->cases[i];
    struct remembered *r = trips_recall(t, c->id);
    if (!r)
        r = &t->remembered[t->remembered_count++ % REMEMBERED];
    *r = (struct remembered){.circuit = (int)i,
                             .cause = c->said_cause,
                             .probability = c->probability,
                             .natural = c->causes[CAUSE_LOAD_ENDED],
                             .local_seconds = c->facts.local_seconds,
                             .amps = (float)c->facts.amps,
                             .age_seconds = (float)c->facts.ages[0],
                             .several = c->facts.loads >= 2,
                             .at_switch_on = evidence_at_switch_on(&c->facts)};
    memcpy(r->id, c->id, sizeof r->id);
}

void trips_case_close(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    struct circuit_watch *w = &t->watch[i];
    trips_scope_back(t, i);
    c->facts.back = true;
    c->facts.back_amps = ((double)t->now.p1[i] + (double)t->now.p2[i]) / 2.0;
    c->facts.silent_seconds = (double)(c->back_mono_ms - c->opened_mono_ms) / 1000.0;
    trips_case_judge(t, i, "back");
    teach_breaker(t, i);
    trips_scope_release(t, i);
    trips_case_say(t, i, SAY_LATE_FROM);
    if (c->said)
        trips_case_remember(t, i);
    if (c->said && c->probability >= 0.5) {
        trips_say_outcome(t, i, EVENT_RESTORED, c->id, c->facts.silent_seconds);
        w->reset_ms = c->back_mono_ms;
        /* who resets the feeder has not reset this one */
        if (upstream_of(c) == TRIP_UPSTREAM_NONE)
            memcpy(w->reset_id, c->id, sizeof w->reset_id);
        else
            w->reset_id[0] = '\0';
    }
    learn(t, i);
    trips_review_keep(t, i);
    c->state = CASE_NONE;
    t->cut[i] = false;
}
