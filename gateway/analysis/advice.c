#include "advice.h"

#include "advice_replay.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define HOUR_MS INT64_C(3600000)
#define BEFORE_MS (3 * HOUR_MS)     /* a breaker is taken to be cold so long before */
#define AFTER_MS HOUR_MS            /* and what ran on is followed so far */
#define RUN_BEFORE_MS (2 * HOUR_MS) /* the same around a run on the other circuit */
#define RUN_AFTER_MS (HOUR_MS / 2)
#define MOST_CANDIDATES 16
#define LIKE 0.08       /* runs of one size */
#define NEIGHBOUR 1.15  /* sizes that belong together, each to the next */
#define LIKE_TRIPS 0.02 /* no difference */
#define MOST_SPANS 1024
#define DEDICATED_LEAST_TRIPS 2
#define PLUG_SHARE 0.8 /* NEC 210.23: of a shared circuit's rating, by one plug */

struct candidate {
    struct advice_load load;
    int avoided;
};

struct finder {
    const struct advice_record *record;
    const struct breakers *breakers;
    struct replay replay;
    struct advice *out;
    int count;
    bool failed;
};

const char *advice_kind_name(enum advice_kind k)
{
    switch (k) {
    case ADVICE_MOVE: return "move";
    case ADVICE_DEDICATED: return "dedicated";
    case ADVICE_TEST: return "test";
    }
    return "?";
}

/* ---- spans ---- */

static int by_from(const void *a, const void *b)
{
    const struct span *x = a, *y = b;
    return (x->from > y->from) - (x->from < y->from);
}

/* in order, those that touch made one, whole seconds; how many are left */
static size_t join_spans(struct span *s, size_t n)
{
    size_t kept = 0;
    qsort(s, n, sizeof *s, by_from);
    for (size_t i = 0; i < n; i++)
        if (kept && s[i].from <= s[kept - 1].to)
            s[kept - 1].to = s[i].to > s[kept - 1].to ? s[i].to : s[kept - 1].to;
        else
            s[kept++] = s[i];
    for (size_t i = 0; i < kept; i++) {
        s[i].from -= s[i].from % 1000;
        s[i].to -= s[i].to % 1000;
    }
    return kept;
}

/* around what happened on a circuit */
static size_t incident_spans(const struct advice_record *r, int circuit,
                             struct span out[MOST_SPANS])
{
    size_t n = 0;
    for (size_t i = 0; i < r->trip_count && n < MOST_SPANS; i++)
        if (r->trips[i].circuit == circuit)
            out[n++] = (struct span){r->trips[i].opened_wall_ms - BEFORE_MS,
                                     r->trips[i].opened_wall_ms + AFTER_MS};
    for (size_t i = 0; i < r->warning_count && n < MOST_SPANS; i++)
        if (r->warnings[i].circuit == circuit)
            out[n++] = (struct span){r->warnings[i].wall_ms - BEFORE_MS,
                                     r->warnings[i].wall_ms + AFTER_MS};
    return join_spans(out, n);
}

/* around the runs of a load; the latest where they are too many */
static size_t run_spans(const struct advice_record *r, const struct advice_load *l,
                        struct span out[MOST_SPANS])
{
    size_t n = 0;
    for (size_t i = r->run_count; i-- > 0 && n < MOST_SPANS;)
        if (advice_load_has(l, &r->runs[i]))
            out[n++] = (struct span){r->runs[i].on_wall_ms - RUN_BEFORE_MS,
                                     r->runs[i].off_wall_ms + RUN_AFTER_MS};
    return join_spans(out, n);
}

/* ---- trips ---- */

/* the chance that the breaker opens there as the readings now are; -1: they cannot be had */
static double chance_at(struct finder *f, const struct hypotheses_view *v, double per_amps2,
                        const struct advice_trip *t)
{
    size_t seconds = (size_t)((BEFORE_MS + AFTER_MS) / 1000);
    const float *amps = replay_read(&f->replay, t->circuit,
                                    (t->opened_wall_ms - BEFORE_MS) / 1000 * 1000, seconds);
    if (amps)
        return replay_chance(v, per_amps2, amps, seconds);
    f->failed = true;
    return -1.0;
}

static void note_avoided(struct advice *a, const struct advice_trip *t)
{
    a->trips_avoided++;
    if (a->avoided_count < ADVICE_MOST_TRIPS)
        a->avoided[a->avoided_count++] = t;
}

/* what the moves do to the overloads of the circuit */
static void count_avoided(struct finder *f, int circuit, struct advice *a)
{
    const struct advice_record *r = f->record;
    struct hypotheses_view *v = malloc(sizeof *v);
    double per_amps2;
    if (!v) {
        f->failed = true;
        return;
    }
    breakers_known(f->breakers, circuit, v, &per_amps2);
    for (size_t i = 0; i < r->trip_count && !f->failed; i++) {
        const struct advice_trip *t = &r->trips[i];
        if (t->circuit != circuit || t->worn)
            continue;
        double chance = chance_at(f, v, per_amps2, t);
        a->trips_less += 1.0 - chance;
        if (chance <= ADVICE_AVOIDED_CHANCE)
            note_avoided(a, t);
    }
    free(v);
}

/* openings to be expected of a circuit around the runs of a load */
static double expect_openings(struct finder *f, int circuit, const struct span *spans, size_t n)
{
    struct hypotheses_view *v = malloc(sizeof *v);
    double per_amps2, sum = 0.0;
    if (!v) {
        f->failed = true;
        return 0.0;
    }
    breakers_known(f->breakers, circuit, v, &per_amps2);
    for (size_t i = 0; i < n && !f->failed; i++) {
        size_t seconds = (size_t)((spans[i].to - spans[i].from) / 1000);
        const float *amps = replay_read(&f->replay, circuit, spans[i].from, seconds);
        f->failed = !amps;
        if (amps)
            sum += replay_expected(v, per_amps2, amps, seconds);
    }
    free(v);
    return sum;
}

/* ---- candidates ---- */

static bool runs_at(const struct advice_run *x, int circuit, int64_t wall_ms)
{
    return x->circuit == circuit && x->amps >= ADVICE_LEAST_AMPS && x->on_wall_ms < wall_ms &&
           x->off_wall_ms >= wall_ms - 5000;
}

static bool was_there(const struct advice_record *r, int circuit, const struct advice_run *x)
{
    for (size_t i = 0; i < r->trip_count; i++)
        if (r->trips[i].circuit == circuit && runs_at(x, circuit, r->trips[i].opened_wall_ms))
            return true;
    for (size_t i = 0; i < r->warning_count; i++)
        if (r->warnings[i].circuit == circuit && runs_at(x, circuit, r->warnings[i].wall_ms))
            return true;
    return false;
}

static size_t add_candidate(struct candidate *list, size_t n, const struct advice_load *l)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(list[i].load.appliance, l->appliance) == 0 &&
            fabs(list[i].load.least_amps - l->least_amps) < 1e-9 &&
            fabs(list[i].load.most_amps - l->most_amps) < 1e-9)
            return n;
    if (n < MOST_CANDIDATES)
        list[n++] = (struct candidate){.load = *l};
    return n;
}

/* sizes that lie each near the next, the one of x among them */
static struct advice_load neighbours(const struct advice_record *r, int circuit, double amps)
{
    struct advice_load l = {circuit, amps, amps, ""};
    for (bool grown = true; grown;) {
        grown = false;
        for (size_t i = 0; i < r->run_count; i++) {
            double a = r->runs[i].amps;
            if (r->runs[i].circuit != circuit || a < ADVICE_LEAST_AMPS)
                continue;
            if (a < l.least_amps && a * NEIGHBOUR >= l.least_amps)
                l.least_amps = a, grown = true;
            if (a > l.most_amps && a <= l.most_amps * NEIGHBOUR)
                l.most_amps = a, grown = true;
        }
    }
    return l;
}

/* the loads that were on when it happened: by size, by the sizes around, by name */
static size_t find_candidates(const struct advice_record *r, int circuit,
                              struct candidate list[MOST_CANDIDATES])
{
    size_t n = 0;
    for (int way = 0; way < 3; way++)
        for (size_t i = 0; i < r->run_count; i++) {
            const struct advice_run *x = &r->runs[i];
            struct advice_load l = {circuit, x->amps * (1.0 - LIKE), x->amps * (1.0 + LIKE),
                                    ""};
            bool known = false;
            if (!was_there(r, circuit, x))
                continue;
            if (way == 2)
                l = neighbours(r, circuit, x->amps);
            if (way == 1 && strcmp(x->appliance, LOADS_UNKNOWN) == 0)
                continue;
            if (way == 1)
                text_copy(l.appliance, sizeof l.appliance, x->appliance);
            for (size_t k = 0; way == 0 && k < n; k++)
                known |= advice_load_has(&list[k].load, x);
            if (!known)
                n = add_candidate(list, n, &l);
        }
    return n;
}

/* ---- what a load is ---- */

static void describe(const struct advice_record *r, const struct advice_load *l,
                     struct advice *out)
{
    double sum = 0.0;
    int most = 0;
    out->by_name = l->appliance[0] != '\0';
    out->least_amps = (double)INFINITY;
    text_copy(out->appliance, sizeof out->appliance, LOADS_UNKNOWN);
    for (size_t i = 0; i < r->run_count; i++) {
        const struct advice_run *x = &r->runs[i];
        int same = 0;
        if (!advice_load_has(l, x))
            continue;
        out->least_amps = fmin(out->least_amps, x->amps);
        out->most_amps = fmax(out->most_amps, x->amps);
        sum += x->amps;
        out->runs++;
        for (size_t k = 0; k < r->run_count; k++)
            same += advice_load_has(l, &r->runs[k]) &&
                    strcmp(r->runs[k].appliance, x->appliance) == 0;
        if (same > most) {
            most = same;
            text_copy(out->appliance, sizeof out->appliance, x->appliance);
        }
    }
    out->usual_amps = out->runs ? sum / out->runs : 0.0;
}

/* ---- where to ---- */

static bool may_take(const struct advice_record *r, int from, int to, double amps)
{
    const struct site_circuit *x = &r->site->circuits[from], *y = &r->site->circuits[to];
    double most =
        r->site->standard == SITE_UL489 ? PLUG_SHARE * y->breaker_amps : y->breaker_amps;
    return to != from && y->poles == 1 && x->poles == 1 && y->feeds_panel < 0 &&
           !y->essential && y->feeds != SITE_FEEDS_ONE && r->measured[to] && amps <= most;
}

/* the circuit that risks least by it, -1 when all risk too much; *added: how much */
static int find_place(struct finder *f, const struct advice_load *l, double amps, double *added)
{
    const struct advice_record *r = f->record;
    struct span *spans = malloc(MOST_SPANS * sizeof *spans);
    size_t n = spans ? run_spans(r, l, spans) : 0;
    int best = -1;
    double least = ADVICE_MOST_ADDED;
    f->failed |= !spans;
    for (size_t y = 0; y < r->site->circuit_count && !f->failed; y++) {
        if (!may_take(r, l->circuit, (int)y, amps))
            continue;
        double without = expect_openings(f, (int)y, spans, n);
        f->replay.moves[f->replay.move_count++] = (struct advice_move){*l, (int)y};
        double more = expect_openings(f, (int)y, spans, n) - without;
        f->replay.move_count--;
        if (more < least) {
            least = more;
            best = (int)y;
        }
    }
    free(spans);
    *added = fmax(least, 0.0);
    return best;
}

/* ---- one circuit ---- */

static void count_warnings(struct finder *f, const struct advice_move *m, struct advice *a)
{
    struct span *at = malloc(MOST_SPANS * sizeof *at),
                *runs = malloc(MOST_SPANS * sizeof *runs);
    struct replay *p = &f->replay;
    f->failed |= !at || !runs;
    if (!f->failed) {
        size_t n = incident_spans(f->record, a->circuit, at);
        size_t k = m->to >= 0 ? run_spans(f->record, &m->load, runs) : 0;
        a->warnings = replay_warnings(p, a->circuit, at, n);
        if (m->to >= 0)
            a->to_warnings = replay_warnings(p, m->to, runs, k);
        p->moves[p->move_count++] = *m;
        a->warnings_left = replay_warnings(p, a->circuit, at, n);
        if (m->to >= 0)
            a->to_warnings_left = replay_warnings(p, m->to, runs, k);
        p->move_count--;
        f->failed = a->warnings < 0 || a->warnings_left < 0 || a->to_warnings < 0 ||
                    a->to_warnings_left < 0;
    }
    free(at);
    free(runs);
}

static int overloads_of(const struct advice_record *r, int circuit)
{
    int n = 0;
    for (size_t i = 0; i < r->trip_count; i++)
        n += r->trips[i].circuit == circuit && !r->trips[i].worn;
    return n;
}

static bool is_better(const struct advice *a, const struct advice *b)
{
    double x = a->trips_less - a->trips_added, y = b->trips_less - b->trips_added;
    return x > y + LIKE_TRIPS || (x > y - LIKE_TRIPS && a->runs < b->runs);
}

/* what a load does to its own circuit's trips by not being there */
static struct advice without(struct finder *f, const struct advice_load *l)
{
    struct advice a = {.kind = ADVICE_DEDICATED,
                       .circuit = l->circuit,
                       .to = -1,
                       .trips = overloads_of(f->record, l->circuit)};
    describe(f->record, l, &a);
    f->replay.moves[f->replay.move_count++] = (struct advice_move){*l, -1};
    count_avoided(f, l->circuit, &a);
    f->replay.move_count--;
    return a;
}

static void keep(struct finder *f, const struct advice *a, const struct advice_move *m)
{
    if (f->count == ADVICE_MOST)
        return;
    f->out[f->count++] = *a;
    if (m && f->replay.move_count + 1 < REPLAY_MOST_MOVES)
        f->replay.moves[f->replay.move_count++] = *m;
}

static void advise_circuit(struct finder *f, int circuit)
{
    const struct advice_record *r = f->record;
    const struct site_circuit *c = &r->site->circuits[circuit];
    struct candidate list[MOST_CANDIDATES];
    struct advice best = {0}, alone = {0};
    struct advice_move move = {0}, own = {0};
    size_t n = find_candidates(r, circuit, list);
    for (size_t i = 0; i < n && !f->failed; i++) {
        struct advice a = without(f, &list[i].load);
        if (a.trips_avoided == 0)
            continue;
        if (is_better(&a, &alone)) {
            alone = a;
            own = (struct advice_move){list[i].load, -1};
        }
        if (a.trips_avoided < best.trips_avoided)
            continue; /* looking for a place is what takes long */
        a.to = find_place(f, &list[i].load, a.most_amps, &a.trips_added);
        a.kind = ADVICE_MOVE;
        if (a.to >= 0 && is_better(&a, &best)) {
            best = a;
            move = (struct advice_move){list[i].load, a.to};
        }
    }
    if (best.trips_avoided > 0 && !f->failed) {
        count_warnings(f, &move, &best);
        if (best.warnings_left + best.to_warnings_left <= best.warnings + best.to_warnings)
            keep(f, &best, &move);
        else
            best.trips_avoided = 0;
    }
    alone.too_large = alone.most_amps > PLUG_SHARE * c->breaker_amps;
    if (alone.trips_avoided - best.trips_avoided >= DEDICATED_LEAST_TRIPS && !f->failed) {
        count_warnings(f, &own, &alone);
        keep(f, &alone, NULL);
    }
}

/* ---- breakers ---- */

/* a breaker of that standard as it is sold */
static bool sound_view(const struct advice_record *r, int circuit, struct hypotheses_view *v,
                       struct hypotheses_class *class)
{
    static const double none[HEAT_TAUS] = {0};
    const struct site_circuit *c = &r->site->circuits[circuit];
    struct breaker_limits l = breaker_limits_of(r->site->standard, c->breaker_amps, c->type);
    hypotheses_class_init(class, &l, 1e-6);
    hypotheses_view_init(v, class, NULL, none);
    return true;
}

static void advise_test(struct finder *f, int circuit)
{
    const struct advice_record *r = f->record;
    struct advice a = {.kind = ADVICE_TEST,
                       .circuit = circuit,
                       .to = -1,
                       .worn_chance = breakers_worn(f->breakers, circuit)};
    struct hypotheses_view *v = malloc(sizeof *v);
    struct hypotheses_class *class = malloc(sizeof *class);
    double per_amps2;
    int worn = 0;
    f->failed |= !v || !class;
    for (size_t i = 0; i < r->trip_count; i++)
        worn += r->trips[i].circuit == circuit && r->trips[i].worn;
    if (worn > 0 && !f->failed) {
        breakers_known(f->breakers, circuit, v, &per_amps2);
        sound_view(r, circuit, v, class);
        for (size_t i = 0; i < r->trip_count && !f->failed; i++) {
            const struct advice_trip *t = &r->trips[i];
            if (t->circuit != circuit)
                continue;
            a.trips++;
            if (chance_at(f, v, per_amps2, t) <= ADVICE_AVOIDED_CHANCE)
                note_avoided(&a, t);
        }
        keep(f, &a, NULL);
    }
    free(v);
    free(class);
}

/* ---- all ---- */

struct rank {
    int circuit, trips;
};

static int most_first(const void *a, const void *b)
{
    const struct rank *x = a, *y = b;
    if (x->trips != y->trips)
        return x->trips < y->trips ? 1 : -1;
    return (x->circuit > y->circuit) - (x->circuit < y->circuit);
}

static void advise_all(struct finder *f)
{
    const struct site *s = f->record->site;
    struct rank *rank = calloc(s->circuit_count + 1, sizeof *rank);
    f->failed = !rank;
    for (size_t c = 0; rank && c < s->circuit_count; c++) {
        rank[c] = (struct rank){(int)c, overloads_of(f->record, (int)c)};
        if (s->circuits[c].feeds_panel < 0 && f->record->measured[c])
            advise_test(f, (int)c);
    }
    if (rank)
        qsort(rank, s->circuit_count, sizeof *rank, most_first);
    for (size_t i = 0; rank && i < s->circuit_count && rank[i].trips > 0 && !f->failed; i++)
        if (s->circuits[rank[i].circuit].feeds_panel < 0)
            advise_circuit(f, rank[i].circuit);
    free(rank);
}

static void ignore(void *context, const struct event *e)
{
    (void)context;
    (void)e;
}

int advice_find(const struct advice_record *r, struct advice *out)
{
    struct engine *e = engine_create(r->site, r->rules, r->signatures, ignore, NULL);
    struct finder f = {.record = r, .replay = {.record = r}, .out = out};
    f.failed = !e || (r->learned && !engine_load(e, r->learned, r->learned_length));
    if (!f.failed) {
        f.breakers = engine_breakers(e);
        advise_all(&f);
    }
    free(f.replay.amps);
    engine_destroy(e);
    return f.failed ? -1 : f.count;
}
