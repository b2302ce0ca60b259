#include "trace.h"

#include "trace_steps.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Beforehand; common practice, not measured: nearly every place is on one circuit. */
#define PRIOR_ONE 0.86
#define PRIOR_TWO 0.02
#define PRIOR_UNMETERED 0.12
#define PAIRS_OF 8 /* the likeliest, that are looked at as pairs */
#define LEAST_AMPS 0.3
#define LEAST_LIGHT_AMPS 0.05
#define MOST_AMPS 25.0
#define SAID_SPREAD 0.2   /* of what somebody says of a load, in its logarithm */
#define SAID_WRONG 0.2    /* ... when it is right at all */
#define WANTED_LEAST 1e-9 /* beforehand */
#define OTHER_LOAD 0.1    /* tries of one place, each with a load of its own */
#define UNLIKE 0.05       /* pairs on which it does not draw the same */
#define UNLIKE_LIGHT 0.5  /* ... of a switch with its lights */
#define SPEAKS 3.0        /* log ratio from which a pole is said to carry it */
#define READ_LEAST 0.5    /* of the rows */
#define AROUND 6          /* sizes that are one */
#define BETWEEN 0.1       /* of the loads behind a feeder are between its poles */

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

static double log_add(double a, double b)
{
    double high = fmax(a, b), low = fmin(a, b);
    return low == (double)-INFINITY ? high : high + log1p(exp(low - high));
}

/* ---- the load ---- */

/* of each size how likely it was beforehand, as logarithms; they sum to 1 */
struct prior {
    double known[TRACE_AMPS], unknown[TRACE_AMPS]; /* as it was said; whatever it draws */
    bool wanted[TRACE_AMPS];                       /* it can be */
};

static void make_prior(double said_amps, double least_amps, struct prior *p)
{
    double unknown[TRACE_AMPS], said[TRACE_AMPS], of_unknown = 0.0, of_said = 0.0;
    for (int k = 0; k < TRACE_AMPS; k++) {
        double a = trace_amps_at(k), z = log(a / said_amps) / SAID_SPREAD;
        unknown[k] = a >= least_amps && a < MOST_AMPS ? 1.0 : 0.0;
        said[k] = isnan(z) ? 0.0 : exp(-0.5 * z * z);
        of_unknown += unknown[k];
        of_said += said[k];
    }
    for (int k = 0; k < TRACE_AMPS; k++) {
        double any = unknown[k] / of_unknown;
        p->unknown[k] = log(any);
        p->known[k] = of_said > 0.0
                          ? log((1.0 - SAID_WRONG) * said[k] / of_said + SAID_WRONG * any)
                          : p->unknown[k];
        p->wanted[k] = p->known[k] > log(WANTED_LEAST);
    }
}

/* ---- one circuit ---- */

struct circuit_seen {
    bool read;
    int poles;
    double loudest; /* whatever the load draws */
    trace_ratios over_delays[TRACE_TRIES];
};

struct judging {
    const struct site *site;
    const struct trace_rows *rows;
    const struct trace_plans *plans;
    struct prior prior;
    double unlike;
    struct circuit_seen *seen; /* a circuit; what a feeder has that its circuits have not */
    float *amps, *level;       /* rows.count, of the current that is looked at */
    size_t branches, feeders;  /* that were read */
};

static int feeder_of(const struct site *s, size_t circuit)
{
    return s->panels[s->circuits[circuit].panel].fed_by;
}

static bool feeds(const struct site *s, size_t circuit)
{
    return s->circuits[circuit].feeds_panel >= 0;
}

static const float *column(const struct judging *j, size_t circuit, int pole)
{
    return j->rows->amps + (size_t)j->site->circuits[circuit].first_pole + (size_t)pole;
}

static void copy_pole(const struct judging *j, size_t circuit, int pole)
{
    const float *from = column(j, circuit, pole);
    for (size_t i = 0; i < j->rows->count; i++)
        j->amps[i] = j->level[i] = from[i * j->site->poles_total];
}

/* its poles added to the current or taken from it */
static void add_circuit(const struct judging *j, size_t circuit, float sign)
{
    for (int p = 0; p < j->site->circuits[circuit].poles; p++) {
        const float *from = column(j, circuit, p);
        for (size_t i = 0; i < j->rows->count; i++)
            j->amps[i] += sign * from[i * j->site->poles_total];
    }
}

static bool is_read(const struct judging *j, size_t circuit)
{
    const float *from = column(j, circuit, 0);
    size_t n = 0;
    for (size_t i = 0; i < j->rows->count; i++)
        n += isnan(from[i * j->site->poles_total]) ? 0 : 1;
    return (double)n > READ_LEAST * (double)j->rows->count;
}

/* What flows through a feeder and through none of its circuits. */
static void copy_rest(const struct judging *j, size_t feeder)
{
    const struct site *s = j->site;
    memset(j->amps, 0, j->rows->count * sizeof *j->amps);
    add_circuit(j, feeder, 1.0F);
    memcpy(j->level, j->amps, j->rows->count * sizeof *j->level);
    for (size_t i = 0; i < s->circuit_count; i++)
        if (i != feeder && feeder_of(s, i) == (int)feeder && is_read(j, i))
            add_circuit(j, i, -1.0F);
}

static bool see_amps(const struct judging *j, size_t try, trace_ratios out[TRACE_DELAYS])
{
    const struct trace_series r = {j->rows->count, j->rows->wall_ms, j->amps, j->level};
    return trace_see(&r, &j->plans->plans[j->plans->count - j->plans->tries + try], j->plans,
                     j->prior.wanted, out);
}

/* whatever the load draws, and of the delay that fits best */
static double loudness(const struct prior *p, trace_ratios at[TRACE_DELAYS])
{
    double most = -INFINITY;
    for (int d = 0; d < TRACE_DELAYS; d++) {
        double sum = -INFINITY;
        for (int k = 0; k < TRACE_AMPS; k++)
            sum = log_add(sum, p->unknown[k] + (double)at[d][k]);
        most = fmax(most, sum);
    }
    return most;
}

/* on one of its poles, or across all of them */
static void join_poles(trace_ratios pole[][TRACE_DELAYS], int n, trace_ratios out[TRACE_DELAYS])
{
    for (int d = 0; d < TRACE_DELAYS; d++)
        for (int k = 0; k < TRACE_AMPS; k++) {
            double lone = -INFINITY, all = 0.0;
            for (int p = 0; p < n; p++) {
                lone = log_add(lone, (double)pole[p][d][k]);
                all += (double)pole[p][d][k];
            }
            out[d][k] = (float)(n > 1 ? log_add(log(0.5 / n) + lone, log(0.5) + all) : lone);
        }
}

/* One try in a branch circuit; *poles: of how many of its poles it speaks. */
static bool see_branch(const struct judging *j, size_t circuit, size_t try, int *poles,
                       trace_ratios out[TRACE_DELAYS])
{
    trace_ratios pole[SITE_MAX_POLES][TRACE_DELAYS];
    int read = 0;
    *poles = 0;
    for (int n = 0; n < j->site->circuits[circuit].poles; n++) {
        copy_pole(j, circuit, n);
        if (!see_amps(j, try, pole[read]))
            continue;
        *poles += loudness(&j->prior, pole[read]) > SPEAKS;
        read++;
    }
    join_poles(pole, read, out);
    return read > 0;
}

/* ... behind a feeder: a load between its poles is there on each, and so that many times */
static bool see_rest(const struct judging *j, size_t feeder, size_t try,
                     trace_ratios out[TRACE_DELAYS])
{
    trace_ratios sum[TRACE_DELAYS];
    int poles = j->site->circuits[feeder].poles;
    int further = (int)lround(log(poles) / log(trace_amps_at(1) / trace_amps_at(0)));
    copy_rest(j, feeder);
    if (!see_amps(j, try, sum))
        return false;
    for (int d = 0; d < TRACE_DELAYS; d++)
        for (int k = 0; k < TRACE_AMPS; k++) {
            int all = k + further < TRACE_AMPS ? k + further : TRACE_AMPS - 1;
            out[d][k] = (float)log_add(log(1.0 - BETWEEN) + (double)sum[d][k],
                                       log(BETWEEN) + (double)sum[d][all]);
        }
    return true;
}

static void see_circuit(const struct judging *j, size_t circuit, struct circuit_seen *out)
{
    trace_ratios at[TRACE_DELAYS];
    out->read = true;
    for (size_t i = 0; i < j->plans->tries && out->read; i++) {
        int poles = 0;
        out->read = feeds(j->site, circuit) ? see_rest(j, circuit, i, at)
                                            : see_branch(j, circuit, i, &poles, at);
        out->poles = poles > out->poles ? poles : out->poles;
        if (!out->read)
            break;
        out->loudest += loudness(&j->prior, at);
        for (int k = 0; k < TRACE_AMPS; k++) {
            double sum = -INFINITY;
            for (int d = 0; d < TRACE_DELAYS; d++)
                sum = log_add(sum, (double)at[d][k]);
            out->over_delays[i][k] = (float)(sum - log(TRACE_DELAYS));
        }
    }
}

/* ---- all of them ---- */

static bool is_branch(const struct judging *j, size_t i)
{
    return !feeds(j->site, i) && j->seen[i].read;
}

static bool is_feeder(const struct judging *j, size_t i)
{
    return feeds(j->site, i) && j->seen[i].read;
}

/* How the tries speak together: of one load in all of them, or each of its own. */
static double weigh(const struct prior *prior, trace_ratios *tries, size_t n)
{
    double one = -INFINITY, each = 0.0;
    for (int k = 0; k < TRACE_AMPS; k++) {
        double all = prior->known[k];
        for (size_t i = 0; i < n; i++)
            all += (double)tries[i][k];
        one = log_add(one, all);
    }
    for (size_t i = 0; i < n; i++) {
        double sum = -INFINITY;
        for (int k = 0; k < TRACE_AMPS; k++)
            sum = log_add(sum, prior->known[k] + (double)tries[i][k]);
        each += sum;
    }
    return log_add(log(1.0 - OTHER_LOAD) + one, log(OTHER_LOAD) + each);
}

static double weight_of_one(const struct judging *j, size_t circuit)
{
    return weigh(&j->prior, j->seen[circuit].over_delays, j->plans->tries);
}

/* by the sizes around the likeliest */
static double amps_on(const struct judging *j, int circuit)
{
    const struct circuit_seen *c = &j->seen[circuit];
    double all[TRACE_AMPS], sum = 0.0, weighted = 0.0;
    int best = 0;
    for (int k = 0; k < TRACE_AMPS; k++) {
        all[k] = j->prior.known[k];
        for (size_t i = 0; i < j->plans->tries; i++)
            all[k] += (double)c->over_delays[i][k];
        best = all[k] > all[best] ? k : best;
    }
    for (int k = best - AROUND > 0 ? best - AROUND : 0; k < TRACE_AMPS && k <= best + AROUND;
         k++) {
        sum += exp(all[k] - all[best]);
        weighted += exp(all[k] - all[best]) * trace_amps_at(k);
    }
    return weighted / sum;
}

/* the likeliest branch circuits, whatever the load draws */
static size_t likeliest(const struct judging *j, int out[PAIRS_OF])
{
    size_t n = 0;
    for (size_t i = 0; i < j->site->circuit_count; i++) {
        if (!is_branch(j, i))
            continue;
        double mine = j->seen[i].loudest;
        size_t at = n < PAIRS_OF ? n++ : PAIRS_OF;
        for (; at > 0 && j->seen[out[at - 1]].loudest < mine; at--)
            if (at < PAIRS_OF)
                out[at] = out[at - 1];
        if (at < PAIRS_OF)
            out[at] = (int)i;
    }
    return n;
}

/* ---- pairs ---- */

/* one try: the same load on both circuits, or of each circuit its own */
static void join_pair(const struct prior *prior, trace_ratios x[TRACE_DELAYS],
                      trace_ratios y[TRACE_DELAYS], trace_ratios alike, double *unlike)
{
    double sum = -INFINITY;
    for (int k = 0; k < TRACE_AMPS; k++) {
        double both = -INFINITY;
        for (int d = 0; d < TRACE_DELAYS; d++)
            both = log_add(both, (double)x[d][k] + (double)y[d][k]);
        alike[k] = (float)(both - log(TRACE_DELAYS));
    }
    for (int d = 0; d < TRACE_DELAYS; d++) {
        double of_x = -INFINITY, of_y = -INFINITY;
        for (int k = 0; k < TRACE_AMPS; k++) {
            of_x = log_add(of_x, prior->unknown[k] + (double)x[d][k]);
            of_y = log_add(of_y, prior->unknown[k] + (double)y[d][k]);
        }
        sum = log_add(sum, of_x + of_y);
    }
    *unlike += sum - log(TRACE_DELAYS);
}

typedef trace_ratios pair_tries[TRACE_TRIES][TRACE_DELAYS];

static double weight_of_two(const struct judging *j, pair_tries *x, pair_tries *y)
{
    trace_ratios alike[TRACE_TRIES];
    double unlike = 0.0;
    for (size_t i = 0; i < j->plans->tries; i++)
        join_pair(&j->prior, (*x)[i], (*y)[i], alike[i], &unlike);
    return log_add(log(1.0 - j->unlike) + weigh(&j->prior, alike, j->plans->tries),
                   log(j->unlike) + unlike);
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

static bool add_twos(const struct judging *j, struct totals *t)
{
    int best[PAIRS_OF], poles;
    size_t n = likeliest(j, best);
    double pairs = (double)j->branches * (double)(j->branches - 1) / 2.0;
    pair_tries *tries = calloc(PAIRS_OF, sizeof *tries);
    for (size_t a = 0; tries && a < n; a++)
        for (size_t i = 0; i < j->plans->tries; i++)
            see_branch(j, (size_t)best[a], i, &poles, tries[a][i]);
    for (size_t a = 0; tries && a < n; a++)
        for (size_t b = a + 1; b < n; b++) {
            double w = log(PRIOR_TWO / pairs) + weight_of_two(j, &tries[a], &tries[b]);
            t->two = log_add(t->two, w);
            if (w > t->best_two) {
                t->best_two = w;
                t->two_at[0] = best[a] < best[b] ? best[a] : best[b];
                t->two_at[1] = best[a] + best[b] - t->two_at[0];
            }
        }
    free(tries);
    return tries != NULL;
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

static bool judge(const struct judging *j, struct trace_result *out)
{
    const double no = -INFINITY;
    struct totals t = {no, no, no, no, no, no, no, -1, {-1, -1}, -1};
    add_ones(j, &t);
    if (!add_twos(j, &t))
        return false;
    add_unmetered(j, &t);
    double all = log_add(log_add(t.one, t.two), log_add(t.none, t.behind));
    add_guesses(j, all, out);
    decide(j, &t, all, out);
    return true;
}

bool trace_judge(const struct site *s, const struct trace_rows *rows,
                 const struct trace_plans *plans, double amps, bool is_light,
                 struct trace_result *out)
{
    struct judging j = {
        .site = s, .rows = rows, .plans = plans, .unlike = is_light ? UNLIKE_LIGHT : UNLIKE};
    j.seen = calloc(s->circuit_count + 1, sizeof *j.seen);
    j.amps = calloc(rows->count + 1, sizeof *j.amps);
    j.level = calloc(rows->count + 1, sizeof *j.level);
    bool good = j.seen && j.amps && j.level;
    *out = (struct trace_result){.circuits = {-1, -1}, .panel = -1, .amps = NAN};
    make_prior(amps > 0.0 ? amps : (double)NAN, is_light ? LEAST_LIGHT_AMPS : LEAST_AMPS,
               &j.prior);
    for (size_t i = 0; good && i < s->circuit_count; i++) {
        see_circuit(&j, i, &j.seen[i]);
        out->read += j.seen[i].read;
        out->unread += !j.seen[i].read;
        j.branches += is_branch(&j, i);
        j.feeders += is_feeder(&j, i);
    }
    if (good && j.branches > 0)
        good = judge(&j, out);
    free(j.seen);
    free(j.amps);
    free(j.level);
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
