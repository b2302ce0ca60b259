/*
 * bench_trace - how often a traced place is told rightly, in houses made of recorded
 * appliances.
 *
 * Each of 500 placements is a house of its own: 21 branch circuits and a feeder to a sub-panel
 * with six more, each circuit with one to three appliance days out of the traces
 * (trace_days.h), from any second of them; half of the circuits are caught while something on
 * them changes. A hand switches a load of 0.4 to 12 A to the beat: each beat is late by its own
 * delay, one beat in a hundred is missed, and half of the time somebody says what the load
 * draws, to 15 %. The meter gives the mean of its second in steps of 10 or 100 mA and misses
 * one poll in a hundred. 84 % of the places are on one circuit, 8 % on two, 8 % on none that is
 * metered, half of these behind the feeder. Who traces begins a new place every minute and a
 * half: in half of the houses the place before was on the same circuit.
 *
 * Right: what is said is the truth; of an unmetered place, also where the panel is left open.
 * False: something is claimed that is not. What is not sure enough is neither, and is tried
 * once more, as the page asks for. Each placement draws from dice of its own.
 */
#include "trace_days.h"

#include "analysis/trace.h"
#include "drivers/simulated/chance.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PLACEMENTS 500
#define MAIN_CIRCUITS 21
#define SUB_CIRCUITS 6
#define FEEDER 0
#define CIRCUITS (1 + MAIN_CIRCUITS + SUB_CIRCUITS)
#define BEGIN_MS INT64_C(1767254400000)
#define SPAN_SECONDS 900 /* before the beginning, and as much after */
#define VOLTS_SHARE (230.0 / 120.0)
#define RETRY_SECONDS 110
#define TRIES TRACE_TRIES

struct truth {
    enum trace_verdict verdict;
    int circuits[2], panel;
    double amps;
};

struct house {
    const struct trace_days *days;
    const int32_t *device[CIRCUITS][3];
    int devices[CIRCUITS], from[CIRCUITS][3];
    double load[CIRCUITS][2 * SPAN_SECONDS + 1]; /* of the hand, by the second */
    double resolution;
    bool busy; /* half of the circuits are caught while something on them changes */
};

static struct chance dice;

static int below(int n)
{
    int i = (int)chance_between(&dice, 0.0, n);
    return i < n ? i : n - 1;
}

/* any second; or one in which something changes within the minute that follows */
static int pick_second(const int32_t *day, bool busy)
{
    int least = SPAN_SECONDS, most = TRACE_DAY_SECONDS - SPAN_SECONDS - 1;
    int at = least + below(most - least);
    for (int t = at; busy && t < most; t++)
        if (abs(day[t + 1] - day[t]) > 100)
            return t - below(60) > least ? t - below(60) : least;
    return at;
}

static void furnish(struct house *h)
{
    memset(h->load, 0, sizeof h->load);
    h->resolution = below(4) ? 0.01 : 0.1;
    for (int c = 1; c < CIRCUITS; c++) {
        bool busy = h->busy && below(2);
        h->devices[c] = 1 + below(3);
        for (int d = 0; d < h->devices[c]; d++) {
            h->device[c][d] = h->days->days[below((int)h->days->count)];
            h->from[c][d] = pick_second(h->device[c][d], busy);
        }
    }
}

/* of the second after `second`, which counts from the first beginning */
static double appliances(const struct house *h, int c, int second)
{
    double sum = 0.0;
    for (int d = 0; d < h->devices[c]; d++)
        sum += h->device[c][d][h->from[c][d] + second] / 1000.0 * VOLTS_SHARE;
    return sum + h->load[c][second + SPAN_SECONDS];
}

/* the hand: its load into every circuit of the place */
static void use_hand(struct house *h, const struct trace_plan *p, const struct truth *place)
{
    double late = chance_between(&dice, 0.2, 2.0), amps = 0.0, seconds[TRACE_BEATS],
           next[TRACE_BEATS];
    for (int i = 0; i < TRACE_BEATS; i++) {
        bool missed = below(100) == 0;
        seconds[i] = (double)(p->at_wall_ms[i] - BEGIN_MS) / 1000.0 + late +
                     chance_between(&dice, -0.4, 0.8);
        amps = missed       ? amps
               : i % 2 == 0 ? place->amps * chance_between(&dice, 0.98, 1.02)
                            : 0.0;
        next[i] = amps;
    }
    for (int i = 0; i < TRACE_BEATS; i++) {
        double end = i + 1 < TRACE_BEATS ? seconds[i + 1] : seconds[i];
        for (int s = (int)floor(seconds[i]); s < end; s++) { /* the mean of each second */
            double part = fmin(s + 1, end) - fmax(s, seconds[i]);
            for (int k = 0; k < 2; k++)
                if (place->circuits[k] >= 0 && s + SPAN_SECONDS <= 2 * SPAN_SECONDS)
                    h->load[place->circuits[k]][s + SPAN_SECONDS] += next[i] * part;
        }
    }
}

static void read_meters(const struct house *h, int from, int to, int64_t *times, float *amps,
                        struct trace_rows *out)
{
    size_t n = 0;
    for (int s = from; s < to; s++) {
        if (below(100) == 0)
            continue; /* a poll that was lost */
        double sub = 0.0;
        times[n] = BEGIN_MS + 1000 * (int64_t)(s + 1) + below(50);
        for (int c = CIRCUITS - 1; c >= 0; c--) {
            double a =
                c == FEEDER ? sub + h->load[FEEDER][s + SPAN_SECONDS] : appliances(h, c, s);
            sub += c > MAIN_CIRCUITS ? a : 0.0;
            a += 0.01 * chance_normal(&dice, 0.0, 1.0);
            amps[n * CIRCUITS + (size_t)c] =
                (float)(round(fmax(a, 0.0) / h->resolution) * h->resolution);
        }
        n++;
    }
    *out = (struct trace_rows){n, times, amps};
}

static struct truth choose_place(void)
{
    double u = chance_between(&dice, 0.0, 1.0);
    struct truth t = {TRACE_ONE,
                      {1 + below(CIRCUITS - 1), -1},
                      -1,
                      0.4 * pow(30.0, chance_between(&dice, 0.0, 1.0))};
    if (u < 0.08) {
        t.verdict = TRACE_TWO;
        do
            t.circuits[1] = 1 + below(CIRCUITS - 1);
        while (t.circuits[1] == t.circuits[0]);
    } else if (u < 0.16) {
        t.verdict = TRACE_UNMETERED;
        t.panel = u < 0.12 ? 1 : -1;
        t.circuits[0] = u < 0.12 ? FEEDER : -1; /* nothing but the feeder sees it */
    }
    return t;
}

static bool is_right(const struct truth *t, const struct trace_result *r)
{
    if (r->verdict != t->verdict)
        return false;
    if (t->verdict == TRACE_UNMETERED)
        return r->panel < 0 || r->panel == t->panel; /* less than is known is not wrong */
    if (t->verdict == TRACE_ONE)
        return r->circuits[0] == t->circuits[0];
    return (r->circuits[0] == t->circuits[0] && r->circuits[1] == t->circuits[1]) ||
           (r->circuits[0] == t->circuits[1] && r->circuits[1] == t->circuits[0]);
}

static void make_site(struct site *s)
{
    site_init(s);
    s->nominal_volts = 120.0;
    for (int p = 0; p < 2; p++) {
        struct site_panel *panel = site_add_panel(s);
        snprintf(panel->id, sizeof panel->id, p ? "sub" : "main");
        if (p)
            strcpy(panel->fed_by_id, "c-00");
        panel->legs = 2;
        panel->rating_amps = p ? 60 : 200;
    }
    for (int c = 0; c < CIRCUITS; c++) {
        struct site_circuit *k = site_add_circuit(s);
        snprintf(k->id, sizeof k->id, "c-%02d", c);
        k->panel = c > MAIN_CIRCUITS;
        k->poles = 1;
        k->breaker_amps = c == FEEDER ? 60 : 20;
    }
    site_finish(s);
}

struct score {
    size_t right[TRIES], wrong, kinds[5], kinds_right[5];
};

/* one place, tried until something is said */
static void place(const struct site *site, struct house *h, int number, struct score *k)
{
    static int64_t times[2 * SPAN_SECONDS];
    static float amps[2 * SPAN_SECONDS * CIRCUITS];
    struct truth t = choose_place();
    struct trace_plan plans[1 + TRIES];
    size_t planned = 0;
    furnish(h);
    if (below(2)) { /* the place before */
        trace_plan(BEGIN_MS - 100000 + 1000 * below(16), TRACE_LEAST_BEAT_MS, plans);
        use_hand(h, &plans[planned++], &t);
    }
    double said = below(2) ? t.amps * exp(0.15 * chance_normal(&dice, 0.0, 1.0)) : (double)NAN;
    k->kinds[t.verdict]++;
    for (int try = 0; try < TRIES; try++) {
        struct trace_rows rows;
        struct trace_result r;
        int begin = try * RETRY_SECONDS + below(16);
        struct trace_plan *p = &plans[planned++];
        trace_plan(BEGIN_MS + 1000 * (int64_t)begin, TRACE_LEAST_BEAT_MS, p);
        use_hand(h, p, &t);
        const struct trace_plans all = {plans, planned, (size_t)try + 1};
        read_meters(h, begin - 600 - try * RETRY_SECONDS,
                    (int)((p->end_wall_ms - BEGIN_MS) / 1000), times, amps, &rows);
        trace_judge(site, &rows, &all, said, false, &r);
        bool good = is_right(&t, &r);
        if (getenv("TRACE_VERBOSE") && !good)
            printf("%d.%d: %s %d %d (panel %d) %.2f A, said %.2f; judged %s %d %d (panel %d) "
                   "%.4f %.2f A, unmetered %.4f two %.4f, likeliest %d %.4f\n",
                   number, try, trace_verdict_name(t.verdict), t.circuits[0], t.circuits[1],
                   t.panel, t.amps, said, trace_verdict_name(r.verdict), r.circuits[0],
                   r.circuits[1], r.panel, r.probability, r.amps, r.unmetered, r.two,
                   r.guesses[0].circuit, r.guesses[0].probability);
        for (int later = try; good && later < TRIES; later++)
            k->right[later]++;
        k->kinds_right[t.verdict] += good;
        k->wrong += r.verdict != TRACE_UNSURE && !good;
        if (r.verdict != TRACE_UNSURE)
            return;
    }
}

static double percent(size_t n)
{
    return 100.0 * (double)n / PLACEMENTS;
}

int main(void)
{
    struct trace_days days;
    struct site site;
    static struct house h;
    const char *seed = getenv("TRACE_SEED");
    if (!trace_days_load(&days, TRACE_DAYS_MOST))
        return 0;
    make_site(&site);
    h.days = &days;
    for (int busy = 0; busy < 2; busy++) {
        struct score k = {0};
        h.busy = busy;
        for (int i = 0; i < PLACEMENTS; i++) {
            char name[32]; /* each has its own, whatever it took to tell the one before */
            snprintf(name, sizeof name, "trace %d", i);
            dice = chance_seed(seed ? strtoull(seed, NULL, 10) : 20260101, name);
            place(&site, &h, i, &k);
        }
        printf(
            "%d placements among %zu recorded appliances, %s: right at the first try %.1f "
            "%%, by the second %.1f %%, by the third %.1f %%, by the fourth %.1f %%; false "
            "%.2f %%, not told %.1f %%\n",
            PLACEMENTS, days.count,
            busy ? "half of the circuits while something changes" : "any second of their days",
            percent(k.right[0]), percent(k.right[1]), percent(k.right[2]), percent(k.right[3]),
            percent(k.wrong), percent(PLACEMENTS - k.right[3] - k.wrong));
        for (int v = TRACE_ONE; v <= TRACE_UNMETERED; v++)
            printf("  %-10s %zu of %zu\n", trace_verdict_name((enum trace_verdict)v),
                   k.kinds_right[v], k.kinds[v]);
    }
    site_free(&site);
    trace_days_free(&days);
    return 0;
}
