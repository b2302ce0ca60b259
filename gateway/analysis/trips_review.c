/* What a meter reads while a supply is lost, and what while loads are off, is known only after
 * some of both. A fall that was judged before that is over long since; it is judged again with
 * what has been learned, and when that shows it in another light it is told afterwards: for the
 * record and for what is learned from it, not as an alarm. */
#include "trips_state.h"

#include <math.h>
#include <string.h>

#define REVIEW_MS (14 * 86400000LL) /* after its fall nothing is looked at again */
#define REVIEW_EVERY_MS 3600000LL
#define UNDOUBTED 0.01 /* without the levels: less is a load that ended, whatever they say */
#define ALONE 0.1      /* of what takes several at once, and of a dead channel, at most */
#define LEAST_MARKS 3  /* two minutes of readings */
#define MOVED 0.2      /* of the probability, before it is told again */
#define SURE 0.9       /* before it teaches what a lost supply reads */

void trips_review_keep(struct trips *t, size_t i)
{
    const struct trip_case *c = &t->cases[i];
    double without =
        evidence_probability(c->evidence.sum - evidence_levels(&c->evidence, true));
    if (c->facts.seen.marks < LEAST_MARKS || t->watch[i].feeder ||
        !trips_counts(t, i, c->facts.amps) || c->scope.probability > ALONE ||
        c->causes[CAUSE_SENSOR_LOST] > ALONE || (without < UNDOUBTED && !c->said))
        return;
    struct closed_case *closed = &t->closed[t->closed_count++ % CLOSED_MOST];
    *closed = (struct closed_case){i, *c};
    evidence_drop(&closed->of.evidence, TOGETHER); /* concluded anew with the rest */
    evidence_drop(&closed->of.evidence, FEEDER_GOES_ON);
}

void trips_review_forget(struct trips *t, const char *id)
{
    for (size_t k = 0; k < CLOSED_MOST; k++)
        if (strcmp(t->closed[k].of.id, id) == 0)
            t->closed[k].of.id[0] = '\0';
}

/* Without what the fall itself has taught. */
struct levels {
    struct stillness lost, off, off_elsewhere;
};

static struct levels levels_without(const struct trips *t, const struct closed_case *closed)
{
    const struct stillness_seen *seen = &closed->of.facts.seen;
    uint8_t taught = closed->of.taught_levels;
    struct levels l = {t->lost_level, t->histories[closed->circuit].off_level, t->off_level};
    if (taught & TAUGHT_LOST)
        l.lost = stillness_without(&l.lost, seen);
    if (taught & TAUGHT_OFF)
        l.off = stillness_without(&l.off, seen);
    if (taught & TAUGHT_OFF_ELSEWHERE)
        l.off_elsewhere = stillness_without(&l.off_elsewhere, seen);
    return l;
}

static void learn_anew(struct trips *t, size_t i, const struct levels *others, double was)
{
    struct trip_case *c = &t->cases[i];
    t->openings = fmax(0.0, t->openings + c->probability - was);
    falls_correct(&t->histories[i], (float)c->facts.amps, (float)c->facts.ages[0],
                  c->causes[CAUSE_LOAD_ENDED]);
    if ((c->probability >= 0.5) == (was >= 0.5))
        return;
    t->lost_level = others->lost;
    t->histories[i].off_level = others->off;
    t->off_level = others->off_elsewhere;
    c->taught_levels = 0;
    if (c->probability < SURE)
        return;
    stillness_learn(&t->lost_level, &c->facts.seen, trips_odds_without_levels(c));
    c->taught_levels = TAUGHT_LOST;
}

/* What still speaks for a lost supply, if less than it did, takes nothing back: the levels of
 * loads that are off may have been learned from openings that nobody saw. */
static bool is_worth_telling(const struct trip_case *c, double was)
{
    bool known = c->said && !(c->stage == TRIP_WITHDRAWN && c->probability < 0.5);
    if (c->probability < was && c->evidence.ratios[PIECE_STILLNESS] >= 0.0)
        return false;
    return fabs(c->probability - was) >= MOVED && (known || c->probability >= 0.5);
}

static void say_over(struct trips *t, size_t i)
{
    const struct trip_case *c = &t->cases[i];
    struct event e = {
        .type = EVENT_RESTORED,
        .wall_ms = c->opened_wall_ms + (int64_t)(1000.0 * c->facts.silent_seconds),
        .panel = t->site->circuits[i].panel,
        .circuit = (int)i,
        .outcome = {.trip = c->id, .seconds = c->facts.silent_seconds},
    };
    t->sink(t->context, &e);
}

/* In the place of the circuit's case, which is none. */
static void look_again(struct trips *t, struct closed_case *closed)
{
    size_t i = closed->circuit;
    struct trip_case *c = &t->cases[i];
    const struct levels others = levels_without(t, closed);
    const struct stillness_known known = {&others.lost, &others.off, &others.off_elsewhere,
                                          t->empty_level};
    if (!stillness_knows(&known))
        return;
    *c = closed->of;
    c->state = CASE_BACK;
    evidence_judge_levels(&c->facts, &t->histories[i], &known, &c->evidence);
    trips_case_conclude(t, i);
    if (is_worth_telling(c, closed->of.probability)) {
        bool was_told = c->said && c->stage != TRIP_WITHDRAWN && c->said_probability >= 0.5;
        c->afterwards = true;
        trips_case_tell(t, i);
        trips_case_remember(t, i);
        if (c->probability >= 0.5 && !was_told)
            say_over(t, i);
        learn_anew(t, i, &others, closed->of.probability);
        closed->of = *c;
    }
    c->state = CASE_NONE;
}

void trips_settle_levels(struct trips *t)
{
    struct stillness *off[SITE_MAX_CIRCUITS];
    for (size_t i = 0; i < t->site->circuit_count; i++)
        off[i] = &t->histories[i].off_level;
    t->empty_level =
        stillness_settle(&t->lost_level, &t->off_level, off, t->site->circuit_count);
}

void trips_review(struct trips *t)
{
    uint32_t learned = t->lost_level.count + t->off_level.count;
    if (t->mono_ms < t->next_review_ms || learned == t->reviewed)
        return;
    t->next_review_ms = t->mono_ms + REVIEW_EVERY_MS;
    t->reviewed = learned;
    trips_settle_levels(t);
    for (size_t k = 0; k < CLOSED_MOST; k++) {
        struct closed_case *closed = &t->closed[k];
        if (!closed->of.id[0])
            continue;
        if (t->wall_ms - closed->of.opened_wall_ms > REVIEW_MS)
            closed->of.id[0] = '\0';
        else if (t->cases[closed->circuit].state == CASE_NONE)
            look_again(t, closed);
        else
            t->reviewed = UINT32_MAX; /* its circuit is just being judged: the next time */
    }
}
