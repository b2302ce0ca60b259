#include "trace.h"

#include "trace_steps.h"

#include <math.h>
#include <stdlib.h>

/* Beforehand; common practice, not measured: nearly every place is on one circuit. */
#define PRIOR_ONE 0.878
#define PRIOR_TWO 0.002
#define PRIOR_UNMETERED 0.12
#define FEEDER_LEAST                                                                           \
    (-3.0)         /* a feeder that does not show it may be wired or clamped wrongly           \
                    */
#define PAIRS_OF 8 /* the likeliest, that are looked at as pairs */
#define LEAST_AMPS 0.3
#define LEAST_LIGHT_AMPS 0.05
#define SPEAKS 3.0 /* log ratio from which a pole is said to carry it */

/* Of all orders of these pauses the four that agree least with each other, and with what cycles
 * evenly: in five beats of eight at the most, however they are shifted. */
static const uint8_t codes[TRACE_CODES][TRACE_BEATS - 1] = {
    {3, 4, 3, 2, 2, 2, 4},
    {3, 2, 2, 4, 2, 4, 3},
    {2, 4, 4, 3, 2, 3, 2},
    {4, 3, 2, 2, 4, 3, 2},
};

void trace_plan(int64_t begin_wall_ms, int64_t beat_ms, struct trace_plan *out)
{
    const uint8_t *code = codes[(begin_wall_ms / 1000) % TRACE_CODES];
    int64_t at = begin_wall_ms;
    out->beat_ms = beat_ms;
    for (int i = 0; i < TRACE_BEATS; i++) {
        out->at_wall_ms[i] = at;
        at += beat_ms * (i + 1 < TRACE_BEATS ? code[i] : 2);
    }
    out->end_wall_ms = at + beat_ms / 2; /* for a hand that is late */
}

int64_t trace_beat_ms(const struct site *s)
{
    int64_t beat = TRACE_LEAST_BEAT_MS;
    for (size_t i = 0; i < s->bus_count; i++)
        if (3 * (int64_t)s->buses[i].poll_ms > beat)
            beat = 3 * (int64_t)s->buses[i].poll_ms;
    return beat < TRACE_MOST_BEAT_MS ? beat : TRACE_MOST_BEAT_MS;
}

/* ---- one circuit ---- */

struct circuit_seen {
    bool read;
    struct trace_delay at[TRACE_TRIES][TRACE_DELAYS]; /* log likelihood ratios */
    int poles;
};

static double log_add(double a, double b)
{
    double high = fmax(a, b), low = fmin(a, b);
    return low == -INFINITY ? high : high + log1p(exp(low - high));
}

static double over_delays(const double log_ratio[TRACE_DELAYS])
{
    double sum = -INFINITY;
    for (int d = 0; d < TRACE_DELAYS; d++)
        sum = log_add(sum, log_ratio[d]);
    return sum - log(TRACE_DELAYS);
}

static double best_delay(const struct trace_delay *at, int *best)
{
    double most = -INFINITY;
    for (int d = 0; d < TRACE_DELAYS; d++)
        if (at[d].unknown > most) {
            most = at[d].unknown;
            *best = d;
        }
    return most;
}

/* on one of its poles, or across all of them */
static void join_poles(struct trace_delay pole[][TRACE_DELAYS], int n,
                       struct trace_delay out[TRACE_DELAYS])
{
    for (int d = 0; d < TRACE_DELAYS; d++) {
        double lone_known = -INFINITY, lone_unknown = -INFINITY, known = 0.0, unknown = 0.0;
        int best = 0;
        for (int p = 0; p < n; p++) {
            lone_known = log_add(lone_known, pole[p][d].known);
            lone_unknown = log_add(lone_unknown, pole[p][d].unknown);
            known += pole[p][d].known;
            unknown += pole[p][d].unknown;
            if (pole[p][d].unknown > pole[best][d].unknown)
                best = p;
        }
        double lone = n > 1 ? log(0.5 / n) : 0.0, all = n > 1 ? log(0.5) : -INFINITY;
        out[d].known = log_add(lone + lone_known, all + known);
        out[d].unknown = log_add(lone + lone_unknown, all + unknown);
        out[d].amps = pole[best][d].amps;
    }
}

static void see_circuit(const struct site *s, const struct trace_rows *rows, int circuit,
                        const struct trace_plans *plans, const struct trace_load *load,
                        struct circuit_seen *out)
{
    const struct site_circuit *k = &s->circuits[circuit];
    int best;
    *out = (struct circuit_seen){.read = true};
    for (size_t i = 0; i < plans->tries && out->read; i++) {
        const struct trace_plan *p = &plans->plans[plans->count - plans->tries + i];
        struct trace_delay pole[SITE_MAX_POLES][TRACE_DELAYS];
        int read = 0, speak = 0;
        for (int n = 0; n < k->poles; n++) {
            if (!trace_see(s, rows, (size_t)k->first_pole + (size_t)n, p, plans, load,
                           pole[read]))
                continue;
            speak += best_delay(pole[read], &best) > SPEAKS;
            read++;
        }
        out->read = read > 0;
        out->poles = speak > out->poles ? speak : out->poles;
        if (out->read)
            join_poles(pole, read, out->at[i]);
    }
}

/* ---- all of them ---- */

struct judging {
    const struct site *site;
    struct circuit_seen *seen; /* a circuit */
    size_t tries;
    size_t branches, feeders; /* that were read */
};

static int feeder_of(const struct site *s, int circuit)
{
    return s->panels[s->circuits[circuit].panel].fed_by;
}

/* what the feeders before a circuit say */
static double above(const struct judging *j, int circuit, size_t i, int d)
{
    double sum = 0.0;
    int depth = 0; /* config refuses a ring; this ends one all the same */
    for (int f = feeder_of(j->site, circuit); f >= 0 && depth < SITE_MAX_PANELS; depth++) {
        if (j->seen[f].read)
            sum += fmax(FEEDER_LEAST, j->seen[f].at[i][d].unknown);
        f = feeder_of(j->site, f);
    }
    return sum;
}

static bool is_branch(const struct judging *j, size_t i)
{
    return j->site->circuits[i].feeds_panel < 0 && j->seen[i].read;
}

static bool is_feeder(const struct judging *j, size_t i)
{
    return j->site->circuits[i].feeds_panel >= 0 && j->seen[i].read;
}

static double weight_of_one(const struct judging *j, size_t circuit)
{
    double all = 0.0, sum[TRACE_DELAYS];
    for (size_t i = 0; i < j->tries; i++) {
        for (int d = 0; d < TRACE_DELAYS; d++)
            sum[d] = j->seen[circuit].at[i][d].known + above(j, (int)circuit, i, d);
        all += over_delays(sum);
    }
    return all;
}

static double weight_of_two(const struct judging *j, int x, int y)
{
    bool same = feeder_of(j->site, x) == feeder_of(j->site, y);
    double all = 0.0, sum[TRACE_DELAYS];
    for (size_t i = 0; i < j->tries; i++) {
        for (int d = 0; d < TRACE_DELAYS; d++)
            sum[d] = j->seen[x].at[i][d].unknown + j->seen[y].at[i][d].unknown +
                     above(j, x, i, d) + (same ? 0.0 : above(j, y, i, d));
        all += over_delays(sum);
    }
    return all;
}

static double loudest(const struct judging *j, int circuit)
{
    double sum = 0.0;
    int delay;
    for (size_t i = 0; i < j->tries; i++)
        sum += best_delay(j->seen[circuit].at[i], &delay);
    return sum;
}

/* the likeliest branch circuits, whatever the load draws */
static size_t likeliest(const struct judging *j, int out[PAIRS_OF])
{
    size_t n = 0;
    for (size_t i = 0; i < j->site->circuit_count; i++) {
        if (!is_branch(j, i))
            continue;
        double mine = loudest(j, (int)i);
        size_t at = n < PAIRS_OF ? n++ : PAIRS_OF;
        for (; at > 0 && loudest(j, out[at - 1]) < mine; at--)
            if (at < PAIRS_OF)
                out[at] = out[at - 1];
        if (at < PAIRS_OF)
            out[at] = (int)i;
    }
    return n;
}

struct totals {
    double one, two, none, behind; /* logarithms of weights */
    double best_one, best_two, best_behind;
    int one_at, two_at[2], behind_at;
};

static void add_ones(const struct judging *j, struct totals *t)
{
    for (size_t i = 0; i < j->site->circuit_count; i++) {
        if (!is_branch(j, i))
            continue;
        double w = log(PRIOR_ONE / (double)j->branches) + weight_of_one(j, i);
        t->one = log_add(t->one, w);
        if (w > t->best_one) {
            t->best_one = w;
            t->one_at = (int)i;
        }
    }
}

static void add_twos(const struct judging *j, struct totals *t)
{
    int best[PAIRS_OF];
    size_t n = likeliest(j, best);
    double pairs = (double)j->branches * (double)(j->branches - 1) / 2.0;
    for (size_t a = 0; a < n; a++)
        for (size_t b = a + 1; b < n; b++) {
            int x = best[a] < best[b] ? best[a] : best[b], y = best[a] + best[b] - x;
            double w = log(PRIOR_TWO / pairs) + weight_of_two(j, x, y);
            t->two = log_add(t->two, w);
            if (w > t->best_two) {
                t->best_two = w;
                t->two_at[0] = x;
                t->two_at[1] = y;
            }
        }
}

static void add_unmetered(const struct judging *j, struct totals *t)
{
    double prior = log(PRIOR_UNMETERED / (double)(j->feeders + 1));
    t->none = prior;
    for (size_t i = 0; i < j->site->circuit_count; i++) {
        if (!is_feeder(j, i))
            continue;
        double w = prior + weight_of_one(j, i);
        t->behind = log_add(t->behind, w);
        if (w > t->best_behind) {
            t->best_behind = w;
            t->behind_at = (int)i;
        }
    }
}

static void add_guesses(const struct judging *j, double all, struct trace_result *out)
{
    for (size_t i = 0; i < j->site->circuit_count; i++) {
        if (!is_branch(j, i))
            continue;
        double p = exp(log(PRIOR_ONE / (double)j->branches) + weight_of_one(j, i) - all);
        size_t at = out->guess_count < TRACE_GUESSES ? out->guess_count++ : TRACE_GUESSES;
        for (; at > 0 && out->guesses[at - 1].probability < p; at--)
            if (at < TRACE_GUESSES)
                out->guesses[at] = out->guesses[at - 1];
        if (at < TRACE_GUESSES)
            out->guesses[at] = (struct trace_guess){(int)i, p};
    }
}

static double amps_on(const struct judging *j, int circuit)
{
    double most = -INFINITY, amps = NAN;
    for (size_t i = 0; i < j->tries; i++) {
        int delay = 0;
        double speaks = best_delay(j->seen[circuit].at[i], &delay);
        if (speaks > most) {
            most = speaks;
            amps = j->seen[circuit].at[i][delay].amps;
        }
    }
    return amps;
}

static void decide(const struct judging *j, const struct totals *t, double all,
                   struct trace_result *out)
{
    double one = exp(t->best_one - all), two = exp(t->best_two - all);
    out->unmetered = exp(log_add(t->none, t->behind) - all);
    out->two = exp(t->two - all);
    out->verdict = TRACE_UNSURE;
    out->probability = fmax(fmax(one, two), out->unmetered);
    if (out->probability < TRACE_SURE)
        return;
    if (out->probability == out->unmetered) {
        out->verdict = TRACE_UNMETERED;
        if (t->behind > t->none + 2.0 && t->best_behind > t->behind - 0.1) {
            out->panel = j->site->circuits[t->behind_at].feeds_panel;
            out->amps = amps_on(j, t->behind_at);
        }
    } else if (one > two) {
        out->verdict = TRACE_ONE;
        out->circuits[0] = t->one_at;
        out->poles = j->seen[t->one_at].poles;
        out->amps = amps_on(j, t->one_at);
    } else {
        out->verdict = TRACE_TWO;
        out->circuits[0] = t->two_at[0];
        out->circuits[1] = t->two_at[1];
        out->amps = fmax(amps_on(j, t->two_at[0]), amps_on(j, t->two_at[1]));
    }
}

static void judge(const struct judging *j, struct trace_result *out)
{
    const double no = -INFINITY;
    struct totals t = {no, no, no, no, no, no, no, -1, {-1, -1}, -1};
    add_ones(j, &t);
    add_twos(j, &t);
    add_unmetered(j, &t);
    double all = log_add(log_add(t.one, t.two), log_add(t.none, t.behind));
    add_guesses(j, all, out);
    decide(j, &t, all, out);
}

bool trace_judge(const struct site *s, const struct trace_rows *rows,
                 const struct trace_plans *plans, double amps, bool is_light,
                 struct trace_result *out)
{
    const struct trace_load load = {amps > 0.0 ? amps : (double)NAN,
                                    is_light ? LEAST_LIGHT_AMPS : LEAST_AMPS};
    struct judging j = {
        .site = s, .seen = calloc(s->circuit_count + 1, sizeof *j.seen), .tries = plans->tries};
    bool good = j.seen != NULL;
    *out = (struct trace_result){.circuits = {-1, -1}, .panel = -1, .amps = NAN};
    for (size_t i = 0; good && i < s->circuit_count; i++) {
        see_circuit(s, rows, (int)i, plans, &load, &j.seen[i]);
        out->read += j.seen[i].read;
        out->unread += !j.seen[i].read;
        j.branches += is_branch(&j, i);
        j.feeders += is_feeder(&j, i);
    }
    if (j.branches > 0)
        judge(&j, out);
    free(j.seen);
    return good;
}

const char *trace_verdict_name(enum trace_verdict v)
{
    switch (v) {
    case TRACE_UNREAD: return "unread";
    case TRACE_UNSURE: return "unsure";
    case TRACE_ONE: return "one";
    case TRACE_TWO: return "two";
    case TRACE_UNMETERED: return "unmetered";
    }
    return "?";
}
