#include "advice.h"

#include "advice_loads.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WARNED_LEAST 2  /* times, to be looked at without a trip */
#define MOST_WARNERS 6  /* candidates that the engine is asked about */
#define LIKE_TRIPS 0.02 /* no difference */
#define DEDICATED_LEAST_TRIPS 2
#define PLUG_SHARE 0.8 /* NEC 210.23: of a shared circuit's rating, by one plug */

struct finder {
    const struct advice_record *record;
    const struct breakers *breakers;
    struct replay replay;
    struct advice *out;
    int count;
    int circuit; /* that is looked at */
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

/* ---- trips ---- */

/* the chance that the breaker opens there as the readings now are; -1: they cannot be had */
static double chance_at(struct finder *f, const struct hypotheses_view *v, double per_amps2,
                        const struct advice_trip *t)
{
    size_t seconds = (size_t)((ADVICE_BEFORE_MS + ADVICE_AFTER_MS) / 1000);
    const float *amps = replay_read(
        &f->replay, t->circuit, (t->opened_wall_ms - ADVICE_BEFORE_MS) / 1000 * 1000, seconds);
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
    struct span *spans = malloc(ADVICE_MOST_SPANS * sizeof *spans);
    size_t n = spans ? advice_run_spans(r, l, spans) : 0;
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
    struct span *at = malloc(ADVICE_MOST_SPANS * sizeof *at),
                *runs = malloc(ADVICE_MOST_SPANS * sizeof *runs);
    struct replay *p = &f->replay;
    f->failed |= !at || !runs;
    if (!f->failed) {
        size_t n = advice_incident_spans(f->record, a->circuit, at);
        size_t k = m->to >= 0 ? advice_run_spans(f->record, &m->load, runs) : 0;
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

static int warnings_of(const struct advice_record *r, int circuit)
{
    int n = 0;
    for (size_t i = 0; i < r->warning_count; i++)
        n += r->warnings[i].circuit == circuit;
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
    advice_describe(f->record, l, &a);
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
    struct advice_load list[ADVICE_MOST_CANDIDATES];
    struct advice best = {0}, alone = {0};
    struct advice_move move = {0}, own = {0};
    size_t n = advice_find_candidates(r, circuit, list);
    for (size_t i = 0; i < n && !f->failed; i++) {
        struct advice a = without(f, &list[i]);
        if (a.trips_avoided == 0)
            continue;
        if (is_better(&a, &alone)) {
            alone = a;
            own = (struct advice_move){list[i], -1};
        }
        if (a.trips_avoided < best.trips_avoided)
            continue; /* looking for a place is what takes long */
        struct advice_load moved = advice_moved(&list[i], &a);
        a.to = find_place(f, &moved, a.most_amps, &a.trips_added);
        a.kind = ADVICE_MOVE;
        if (a.to >= 0 && is_better(&a, &best)) {
            best = a;
            move = (struct advice_move){moved, a.to};
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

/* ---- a circuit that has warned and never opened ---- */

static int warnings_without(struct finder *f, const struct advice_load *l,
                            const struct span *spans, size_t n)
{
    struct replay *p = &f->replay;
    if (l)
        p->moves[p->move_count++] = (struct advice_move){*l, -1};
    int left = replay_warnings(p, f->circuit, spans, n);
    if (l)
        p->move_count--;
    f->failed |= left < 0;
    return left;
}

/* the load without which the engine warns least, NULL: it makes no difference */
static const struct advice_load *find_warner(struct finder *f, const struct advice_load *list,
                                             size_t n)
{
    struct span *spans = malloc(ADVICE_MOST_SPANS * sizeof *spans);
    const struct advice_load *best = NULL;
    f->failed |= !spans;
    if (!f->failed) {
        size_t count = advice_incident_spans(f->record, f->circuit, spans);
        int least = warnings_without(f, NULL, spans, count);
        for (size_t i = 0; i < n && i < MOST_WARNERS && least > 0 && !f->failed; i++) {
            int left = warnings_without(f, &list[i], spans, count);
            if (left < least) {
                least = left;
                best = &list[i];
            }
        }
    }
    free(spans);
    return f->failed ? NULL : best;
}

static void advise_warned(struct finder *f, int circuit)
{
    struct advice_load list[ADVICE_MOST_CANDIDATES];
    struct advice a = {.kind = ADVICE_MOVE, .circuit = circuit};
    f->circuit = circuit;
    const struct advice_load *l =
        find_warner(f, list, advice_find_candidates(f->record, circuit, list));
    if (!l)
        return;
    advice_describe(f->record, l, &a);
    const struct advice_load moved = advice_moved(l, &a);
    a.to = find_place(f, &moved, a.most_amps, &a.trips_added);
    if (a.to < 0 || f->failed)
        return;
    const struct advice_move move = {moved, a.to};
    count_warnings(f, &move, &a);
    if (!f->failed && a.warnings_left + a.to_warnings_left < a.warnings + a.to_warnings)
        keep(f, &a, &move);
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
    int circuit, trips, warnings;
};

static int most_first(const void *a, const void *b)
{
    const struct rank *x = a, *y = b;
    if (x->trips != y->trips)
        return x->trips < y->trips ? 1 : -1;
    if (x->warnings != y->warnings)
        return x->warnings < y->warnings ? 1 : -1;
    return (x->circuit > y->circuit) - (x->circuit < y->circuit);
}

static bool is_to_be_tested(const struct finder *f, int circuit)
{
    for (int i = 0; i < f->count; i++)
        if (f->out[i].kind == ADVICE_TEST && f->out[i].circuit == circuit)
            return true;
    return false;
}

static void advise_all(struct finder *f)
{
    const struct site *s = f->record->site;
    struct rank *rank = calloc(s->circuit_count + 1, sizeof *rank);
    f->failed = !rank;
    for (size_t c = 0; rank && c < s->circuit_count; c++) {
        rank[c] = (struct rank){(int)c, overloads_of(f->record, (int)c),
                                warnings_of(f->record, (int)c)};
        if (s->circuits[c].feeds_panel < 0 && f->record->measured[c])
            advise_test(f, (int)c);
    }
    if (rank)
        qsort(rank, s->circuit_count, sizeof *rank, most_first);
    for (size_t i = 0; rank && i < s->circuit_count && !f->failed; i++) {
        if (s->circuits[rank[i].circuit].feeds_panel >= 0 ||
            is_to_be_tested(f, rank[i].circuit))
            continue; /* the breaker comes first */
        if (rank[i].trips > 0)
            advise_circuit(f, rank[i].circuit);
        else if (rank[i].warnings >= WARNED_LEAST)
            advise_warned(f, rank[i].circuit);
    }
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
