#include "trips_state.h"

#include <math.h>
#include <stdlib.h>

#define RESTART_POLLS 2.5  /* a meter that restarts is silent for longer */
#define FRESH_POLLS 1.5    /* meters of one bus are read one after the other */
#define SCOPE_SUREST 0.998 /* that a return can still be weighed against */
#define VOLTS_ALONE 0.99   /* the voltage went, and no current was there to fall */

/* Of those that fell for that reason, the one whose time is known best. */
static const struct trip_case *sharpest(const struct trips *t, struct scope scope)
{
    const struct trip_case *best = NULL;
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        const struct trip_case *c = &t->cases[i];
        if (t->fell[i] && together_within(t->site, scope, (int)i) &&
            (!best || c->facts.gap_seconds < best->facts.gap_seconds))
            best = c;
    }
    return best;
}

/* Circuits of a scope that had no current to fall lost their supply with the others. */
static void open_dark(struct trips *t, struct scope_guess guess, const struct trip_case *when)
{
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct trip_case *c = &t->cases[i];
        if (!together_within(t->site, guess.scope, (int)i) || t->carries[i])
            continue;
        if (c->state == CASE_OPEN && t->mono_ms - c->seen_mono_ms > SAME_OPENING_MS) {
            t->now.counting[i] = 0; /* open since earlier: what is read from now on tells */
            continue;               /* nothing of that */
        }
        if (c->state == CASE_BACK)
            trips_case_close(t, i);
        if (c->state == CASE_NONE)
            trips_case_open(t, i, fmax(0.0, (double)t->now.p2[i]), t->mono_ms);
        if (when && !c->said)
            trips_case_date(t, i, when);
        c->scope = guess;
    }
}

/* What falls in this frame may have fallen since its last reading. */
static int64_t may_have_fallen_since(const struct trips *t)
{
    int64_t since = t->mono_ms - (int64_t)(1000.0 * FRESH_POLLS * trips_poll_seconds(t));
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        const struct trip_case *c = &t->cases[i];
        int64_t read_before = t->mono_ms - (int64_t)(1000.0 * c->facts.gap_seconds);
        if (c->state == CASE_OPEN && c->seen_mono_ms == t->mono_ms && read_before < since)
            since = read_before;
    }
    return since;
}

/* Fills fell, carries and log_chance, and the gaps of those that fell. */
static void look(struct trips *t, struct together_view *v)
{
    double poll = trips_poll_seconds(t), lost = trips_lost_per_second(t);
    int64_t since = may_have_fallen_since(t);
    v->gap_seconds = (double)INFINITY;
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        const struct trip_case *c = &t->cases[i];
        const struct fall_facts *f = &c->facts;
        t->fell[i] =
            c->state == CASE_OPEN && c->seen_mono_ms >= since && trips_counts(t, i, f->amps);
        t->carries[i] = !t->now.low[i] && t->now.read_ms[i] == t->mono_ms;
        if (!t->fell[i])
            continue;
        v->gap_seconds = fmin(v->gap_seconds, f->gap_seconds);
        v->silent_before |= f->gap_seconds > RESTART_POLLS * poll;
        v->on_the_clock |= evidence_at_full_hour(f);
        double natural = evidence_natural_here(f, &t->histories[i]);
        t->log_chance[i] = fmin(0.0, log((natural + lost) * f->gap_seconds));
    }
    if (isinf(v->gap_seconds)) /* nobody fell: the voltage went */
        v->gap_seconds = poll;
}

void trips_scope_judge(struct trips *t, const struct frame *f, bool volts_went)
{
    struct together_view v = {.site = t->site,
                              .fell = t->fell,
                              .carries = t->carries,
                              .log_chance = t->log_chance,
                              .frame = f};
    look(t, &v);
    struct scope_guess guess = together_judge(&v);
    if (volts_went && guess.probability < 0.9)
        guess = (struct scope_guess){.scope = {SCOPE_UTILITY, -1}, .probability = VOLTS_ALONE};
    guess.by_voltage = together_voltage(t->site, guess.scope, f) == 1;
    for (size_t i = 0; i < t->site->circuit_count; i++)
        if (t->fell[i] && together_within(t->site, guess.scope, (int)i))
            t->cases[i].scope = guess;
    if (guess.probability >= 0.5 && guess.scope.kind != SCOPE_METER)
        open_dark(t, guess, sharpest(t, guess.scope));
}

static bool same_scope(const struct trip_case *a, const struct trip_case *b)
{
    return a->scope.scope.kind == b->scope.scope.kind &&
           a->scope.scope.index == b->scope.scope.index &&
           llabs(a->opened_mono_ms - b->opened_mono_ms) <= SAME_OPENING_MS;
}

void trips_scope_back(struct trips *t, size_t i)
{
    struct trip_case *c = &t->cases[i];
    double ages[SITE_MAX_CIRCUITS];
    size_t with = 0, waiting = 0;
    if (c->scope.probability <= 0.0 || c->scope.by_voltage)
        return; /* where voltage told, nothing else can */
    for (size_t k = 0; k < t->site->circuit_count; k++) {
        const struct trip_case *o = &t->cases[k];
        if (k == i || t->watch[k].feeder || o->state == CASE_NONE || !same_scope(c, o) ||
            !trips_counts(t, k, o->facts.amps))
            continue;
        if (o->state == CASE_OPEN)
            ages[waiting++] = o->facts.ages[0];
        else
            with++;
    }
    double p = evidence_probability(trips_log_odds(fmin(c->scope.probability, SCOPE_SUREST)) +
                                    together_came_back(with, ages, waiting));
    for (size_t k = 0; k < t->site->circuit_count; k++)
        if (k != i && t->cases[k].state != CASE_NONE && same_scope(c, &t->cases[k]))
            t->cases[k].scope.probability = p;
    c->scope.probability = p;
}

/* It carries current since that fall, and was not open with it: what was and is reset says that
 * the scope has its supply again, and nothing against its having been without. */
static bool carried_through(const struct trips *t, size_t k, const struct trip_case *c)
{
    const struct circuit_watch *w = &t->watch[k];
    return !t->now.low[k] && !w->feeder && t->cases[k].state == CASE_NONE &&
           w->woke_ms > c->seen_mono_ms && w->reset_ms < c->seen_mono_ms;
}

void trips_scope_refute(struct trips *t)
{
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct trip_case *c = &t->cases[i];
        if (c->state != CASE_OPEN || c->scope.probability <= 0.0)
            continue;
        for (size_t k = 0; k < t->site->circuit_count; k++)
            if (carried_through(t, k, c) && together_within(t->site, c->scope.scope, (int)k))
                c->scope.probability = 0.0;
    }
}

void trips_scope_release(struct trips *t, size_t i)
{
    const struct trip_case *c = &t->cases[i];
    if (c->scope.probability < 0.5)
        return;
    for (size_t k = 0; k < t->site->circuit_count; k++) {
        struct trip_case *o = &t->cases[k];
        bool dark = o->state == CASE_OPEN && !trips_counts(t, k, o->facts.amps);
        if (k == i || !same_scope(c, o) || !(dark || t->watch[k].feeder) ||
            o->state == CASE_NONE)
            continue;
        if (o->state == CASE_OPEN)
            o->back_mono_ms = c->back_mono_ms;
        o->state = CASE_BACK;
        trips_case_schedule(t, k, t->mono_ms);
    }
}

void trips_scope_volts_back(struct trips *t)
{
    for (size_t i = 0; i < t->site->circuit_count; i++) {
        struct trip_case *c = &t->cases[i];
        if (c->state != CASE_OPEN || !c->scope.by_voltage ||
            c->scope.scope.kind != SCOPE_UTILITY)
            continue;
        c->state = CASE_BACK;
        c->back_mono_ms = t->mono_ms;
        t->cut[i] = false;
        trips_case_schedule(t, i, t->mono_ms + SETTLE_MS);
    }
}
