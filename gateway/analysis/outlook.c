#include "outlook.h"

#include <math.h>
#include <string.h>

#define JOIN_LEAST_AMPS 1.0
#define JOIN_LEAST_CHANCE 0.05
#define MAIN_SHARE 0.2 /* of the current: when such a load ends, the next joins too late */
#define SET_OF 10      /* loads that may be told to switch off */
#define NAMED_AMPS 0.2 /* nobody is told to switch off less */

static bool is_standing(const struct event_load *l)
{
    return strcmp(l->appliance, LOADS_STANDING) == 0;
}

/* What comes and goes on the way: `extra` more for the first seconds, at most `lower` once what
 * has just risen falls. */
struct course {
    double seconds;
    double extra, extra_seconds;
    double lower, lower_from; /* INFINITY: it stays */
};

/* The way when every running load ends in its time. */
static void path_of(const struct outlook *o, const double ends[LOADS_MAX_RUNNING],
                    const struct course *c, struct breaker_path *p)
{
    double t = 0.0;
    p->count = 0;
    while (t < c->seconds && p->count < BREAKER_MOST_STRETCHES) {
        double next = c->seconds, amps = o->amps;
        for (size_t k = 0; k < o->running_count; k++) {
            if (ends[k] <= t)
                amps -= o->running[k].amps;
            else
                next = fmin(next, ends[k]);
        }
        if (c->lower_from <= t)
            amps = fmin(amps, c->lower);
        else
            next = fmin(next, c->lower_from);
        if (t < c->extra_seconds) {
            amps += c->extra;
            next = fmin(next, c->extra_seconds);
        }
        p->stretch[p->count].amps = fmax(amps, 0.0);
        p->stretch[p->count].seconds = next - t;
        p->count++;
        t = next;
    }
}

#define SHARES 5

/* What ends first is counted twice where a stay is known: by the lengths of the loads, and by
 * how long currents stay as high. */
enum ends {
    ENDS_SOONER, /* the sooner of both: what a warning may count on */
    ENDS_ONCE,   /* the stays alone, where they know something: what is true */
};

/* until: how long the main loads all run on */
static struct course course_of(const struct outlook_sources *from, int circuit, int64_t mono_ms,
                               const struct outlook *o, double seconds, enum ends which,
                               double share, double ends[LOADS_MAX_RUNNING], double *until)
{
    const struct dwell *d = from->dwells ? &from->dwells[circuit] : NULL;
    double rating = from->site->circuits[circuit].breaker_amps;
    struct course c = {.seconds = seconds, .lower_from = (double)INFINITY};
    bool stays = d && dwell_knows(d, rating);
    if (stays) {
        c.lower = (double)d->before;
        c.lower_from = dwell_ends(d, mono_ms, rating, share);
    }
    *until = which == ENDS_ONCE ? fmin(seconds, c.lower_from) : seconds;
    for (size_t k = 0; k < o->running_count; k++) {
        const struct event_load *l = &o->running[k];
        ends[k] = is_standing(l) ? (double)INFINITY
                                 : habits_remaining_seconds(from->habits, circuit, l->amps,
                                                            l->seconds, share);
        if (l->amps >= MAIN_SHARE * o->amps)
            *until = fmin(*until, ends[k]);
        if (stays && which == ENDS_ONCE)
            ends[k] = (double)INFINITY;
    }
    return c;
}

/* until[]: as above, for each of the shares */
static void take_usual(const struct outlook_sources *from, int circuit, int64_t mono_ms,
                       double horizon, enum ends which, struct outlook *o, double until[SHARES])
{
    static const double shares[SHARES] = {0.1, 0.3, 0.5, 0.7, 0.9}, levels[2] = {1.0, 0.5};
    struct breaker_path paths[SHARES + 2];
    double chances[SHARES + 2][2];
    for (int s = 0; s < SHARES; s++) {
        double ends[LOADS_MAX_RUNNING];
        struct course c =
            course_of(from, circuit, mono_ms, o, horizon, which, shares[s], ends, &until[s]);
        path_of(o, ends, &c, &paths[s]);
    }
    paths[SHARES].count = 0; /* now */
    paths[SHARES + 1].count = 1;
    paths[SHARES + 1].stretch[0].amps = o->amps;
    paths[SHARES + 1].stretch[0].seconds = OUTLOOK_SOON_SECONDS;
    breakers_paths_reach(from->breakers, circuit, paths, SHARES + 2, levels, 2, chances[0]);
    o->half_now = chances[SHARES][1];
    o->soon = chances[SHARES + 1][0];
    for (int s = 0; s < SHARES; s++) {
        o->chance += chances[s][0] / SHARES;
        o->half += chances[s][1] / SHARES;
    }
}

static void take_joins(const struct outlook_sources *from, int circuit,
                       const double until[SHARES], struct outlook *o)
{
    static const double opens = 1.0;
    double expected[SHARES] = {0},
           come = from->joins ? joins_share(&from->joins[circuit]) : 1.0;
    struct habit_join joins[HABITS_OF_CIRCUIT];
    struct breaker_path paths[HABITS_OF_CIRCUIT];
    double stay[LOADS_MAX_RUNNING], chances[HABITS_OF_CIRCUIT];
    size_t ways = 0, count = habits_joins(from->habits, circuit, joins);
    for (size_t k = 0; k < LOADS_MAX_RUNNING; k++)
        stay[k] = (double)INFINITY;
    for (size_t k = 0; k < count; k++) {
        if (joins[k].amps < JOIN_LEAST_AMPS)
            continue;
        const struct course c = {.seconds = OUTLOOK_SOON_SECONDS,
                                 .extra = joins[k].amps,
                                 .extra_seconds = joins[k].seconds,
                                 .lower_from = (double)INFINITY};
        path_of(o, stay, &c, &paths[ways]);
        joins[ways++] = joins[k];
    }
    if (ways > 0)
        breakers_paths_reach(from->breakers, circuit, paths, ways, &opens, 1, chances);
    for (size_t k = 0; k < ways; k++) {
        for (int s = 0; s < SHARES && chances[k] >= JOIN_LEAST_CHANCE; s++)
            expected[s] += chances[k] * habits_expects(from->habits, circuit, &joins[k],
                                                       o->running, o->running_count, until[s]);
        if (joins[k].count >= HABITS_SEEN && chances[k] > o->join_chance) {
            o->join_chance = chances[k];
            o->join_amps = joins[k].amps;
        }
    }
    o->join_rate = expected[SHARES - 1] / fmax(until[SHARES - 1], 1.0);
    for (int s = 0; s < SHARES; s++) {
        o->joined -= expm1(-expected[s]) / SHARES;
        o->joins -= expm1(-come * expected[s]) / SHARES;
    }
}

void outlook_take(const struct outlook_sources *from, int circuit, int64_t mono_ms, double amps,
                  struct outlook *out)
{
    double horizon = from->rules->circuits[circuit].near_overload_horizon_seconds;
    double until[SHARES];
    *out = (struct outlook){.amps = amps};
    out->running_count = loads_running(from->loads, circuit, out->running);
    take_usual(from, circuit, mono_ms, horizon, ENDS_SOONER, out, until);
    if (out->half >= OUTLOOK_HALF_LEAST) /* who might join matters to a warm breaker only */
        take_joins(from, circuit, until, out);
}

double outlook_chance(const struct outlook_sources *from, int circuit, int64_t mono_ms,
                      double amps, double seconds)
{
    double until[SHARES];
    struct outlook o = {.amps = amps};
    o.running_count = loads_running(from->loads, circuit, o.running);
    take_usual(from, circuit, mono_ms, seconds, ENDS_ONCE, &o, until);
    take_joins(from, circuit, until, &o);
    return 1.0 - (1.0 - o.chance) * (1.0 - o.joins);
}

bool outlook_calm(const struct outlook_sources *from, int circuit, double amps, double seconds,
                  double chance, double half)
{
    static const double levels[2] = {1.0, 0.5};
    double horizon = from->rules->circuits[circuit].near_overload_horizon_seconds, reach[2];
    struct breaker_path stay = {.count = 1};
    stay.stretch[0].amps = amps;
    stay.stretch[0].seconds = seconds + horizon;
    breakers_paths_reach(from->breakers, circuit, &stay, 1, levels, 2, reach);
    return reach[0] < chance && reach[1] < half;
}

/* ---- what to switch off -------------------------------------------------------------------
 */

static int members(unsigned set)
{
    int n = 0;
    for (; set; set &= set - 1)
        n++;
    return n;
}

size_t outlook_switch_off(const struct outlook_sources *from, int circuit,
                          const struct outlook *o, struct event_load out[LOADS_MAX_RUNNING])
{
    const struct rules *r = &from->rules->circuits[circuit];
    const struct event_load *may[SET_OF];
    int count = 0, best_members = SET_OF + 1;
    double best_amps = 0.0;
    double later = o->amps + (o->chance < r->near_overload_chance ? o->join_amps : 0.0);
    unsigned best = 0;
    if (from->site->circuits[circuit].essential)
        return 0;
    for (size_t k = 0; k < o->running_count && count < SET_OF; k++)
        if (!is_standing(&o->running[k]) && !o->running[k].essential &&
            o->running[k].amps >= NAMED_AMPS)
            may[count++] = &o->running[k];
    for (unsigned set = 1; set < 1U << count; set++) {
        double amps = 0.0;
        int n = members(set);
        for (int k = 0; k < count; k++)
            amps += set & (1U << k) ? may[k]->amps : 0.0;
        if (n > best_members || (n == best_members && amps >= best_amps))
            continue;
        if (breakers_chance(from->breakers, circuit, fmax(0.0, later - amps),
                            r->near_overload_horizon_seconds) > r->near_overload_clear_chance)
            continue;
        best_members = n;
        best_amps = amps;
        best = set;
    }
    if (best == 0)
        best = (1U << count) - 1;
    size_t said = 0;
    for (int k = 0; k < count; k++)
        if (best & (1U << k))
            out[said++] = *may[k];
    return said;
}
