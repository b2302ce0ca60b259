#include "advice_replay.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SECOND_MS INT64_C(1000)
#define RUN_ON_MS INT64_C(3600000)
#define CUT_MS INT64_C(6000) /* a run that ends so near a trip was ended by it */
#define LONGEST_MS INT64_C(14400000)
#define USUAL_SECONDS 1800 /* of a run that nobody has seen to its end */
#define HOLD_SECONDS 60    /* a reading that is missing is like the last for so long */
#define OFFSET_SECONDS 900 /* the zone is asked for so often */
#define PIECE_SECONDS 7200 /* of which each may see the breaker open */

bool advice_load_has(const struct advice_load *l, const struct advice_run *r)
{
    if (l->circuit != r->circuit)
        return false;
    return l->appliance[0] ? strcmp(l->appliance, r->appliance) == 0
                           : r->amps >= l->least_amps && r->amps <= l->most_amps;
}

bool advice_load_brings(const struct advice_load *l, const struct advice_run *r)
{
    return advice_load_has(l, r) ||
           (l->circuit == r->circuit && r->amps >= l->along_least && r->amps <= l->along_most);
}

/* ---- the readings ---- */

static const struct advice_trip *trip_ending(const struct advice_record *r,
                                             const struct advice_run *x)
{
    for (size_t i = 0; i < r->trip_count; i++)
        if (r->trips[i].circuit == x->circuit &&
            llabs(r->trips[i].opened_wall_ms - x->off_wall_ms) <= CUT_MS)
            return &r->trips[i];
    return NULL;
}

int64_t replay_run_end(const struct advice_record *r, const struct advice_load *l,
                       const struct advice_run *x)
{
    int64_t longest = 0;
    if (!trip_ending(r, x))
        return x->off_wall_ms;
    for (size_t i = 0; i < r->run_count; i++) {
        int64_t length = r->runs[i].off_wall_ms - r->runs[i].on_wall_ms;
        if (advice_load_has(l, &r->runs[i]) && length > longest && !trip_ending(r, &r->runs[i]))
            longest = length;
    }
    int64_t so_far = x->off_wall_ms - x->on_wall_ms;
    if (longest == 0)
        longest = USUAL_SECONDS * SECOND_MS;
    if (longest <= so_far)
        longest = 2 * so_far;
    if (longest > LONGEST_MS)
        longest = LONGEST_MS;
    return x->on_wall_ms + (longest > so_far ? longest : so_far);
}

/* first second of the span at or after t, at most seconds */
static size_t second_at(int64_t from, int64_t t, size_t seconds)
{
    if (t <= from)
        return 0;
    size_t s = (size_t)((t - from + SECOND_MS - 1) / SECOND_MS);
    return s < seconds ? s : seconds;
}

static void take_out(float *amps, size_t first, size_t end, double a)
{
    for (size_t s = first; s < end; s++)
        if (!isnan(amps[s]))
            amps[s] = fmaxf(0.0F, amps[s] - (float)a);
}

static bool touches(const struct replay *r, int circuit)
{
    for (size_t m = 0; m < r->move_count; m++)
        if (r->moves[m].load.circuit == circuit)
            return true;
    return false;
}

/* what the others carried just before, on until the reset, for an hour at the most */
static void run_on(const struct replay *r, int circuit, int64_t from, size_t seconds)
{
    const struct advice_record *rec = r->record;
    for (size_t i = 0; i < rec->trip_count; i++) {
        const struct advice_trip *t = &rec->trips[i];
        int64_t end = t->opened_wall_ms + RUN_ON_MS;
        if (t->circuit != circuit || t->opened_wall_ms <= from)
            continue;
        if (t->restored_wall_ms && t->restored_wall_ms < end)
            end = t->restored_wall_ms;
        size_t at = second_at(from, t->opened_wall_ms, seconds);
        size_t last = second_at(from, end, seconds), before = at > 3 ? at - 3 : 0;
        for (size_t s = at > 2 ? at - 2 : 0; s < last; s++) /* the fall itself too */
            r->amps[s] = r->amps[before];
    }
}

const float *replay_read(struct replay *r, int circuit, int64_t from_wall_ms, size_t seconds)
{
    const struct advice_record *rec = r->record;
    if (seconds > r->room) {
        float *grown = realloc(r->amps, seconds * sizeof *grown);
        if (!grown)
            return NULL;
        r->amps = grown;
        r->room = seconds;
    }
    if (!rec->read(rec->context, circuit, from_wall_ms, seconds, r->amps))
        return NULL;
    for (size_t m = 0; m < r->move_count; m++) {
        const struct advice_move *v = &r->moves[m];
        if (v->load.circuit != circuit)
            continue;
        for (size_t i = 0; i < rec->run_count; i++)
            if (advice_load_has(&v->load, &rec->runs[i]))
                take_out(r->amps, second_at(from_wall_ms, rec->runs[i].on_wall_ms, seconds),
                         second_at(from_wall_ms, rec->runs[i].off_wall_ms, seconds),
                         rec->runs[i].amps);
    }
    if (touches(r, circuit))
        run_on(r, circuit, from_wall_ms, seconds);
    for (size_t m = 0; m < r->move_count; m++) {
        const struct advice_move *v = &r->moves[m];
        if (v->to != circuit)
            continue;
        for (size_t i = 0; i < rec->run_count; i++) {
            const struct advice_run *x = &rec->runs[i];
            if (!advice_load_brings(&v->load, x))
                continue;
            size_t first = second_at(from_wall_ms, x->on_wall_ms, seconds);
            size_t end = second_at(from_wall_ms, replay_run_end(rec, &v->load, x), seconds);
            for (size_t s = first; s < end; s++)
                if (!isnan(r->amps[s]))
                    r->amps[s] += (float)x->amps;
        }
    }
    return r->amps;
}

/* ---- the breaker ---- */

static double opened_by(const struct hypotheses_view *v, const double top[HEAT_TAUS])
{
    double holds = (double)v->weight.never;
    for (int i = 0; i < HEAT_TAUS; i++)
        holds += hypotheses_survive(v, i, log(fmax(top[i], 1e-9)));
    return fmin(fmax(1.0 - holds, 0.0), 1.0);
}

/* pieces: the chance of each is added up; else that of the hottest moment */
static double follow(const struct hypotheses_view *v, double q_per_amps2, const float *amps,
                     size_t seconds, bool pieces)
{
    struct heat_bank bank = v->class->bank;
    double h[HEAT_STATES] = {0}, top[HEAT_TAUS] = {0}, sum = 0.0, q = 0.0;
    size_t missing = 0;
    const double *e = heat_bank_decay(&bank, SECOND_MS);
    for (size_t s = 0; s < seconds; s++) {
        if (!isnan(amps[s])) {
            q = (double)amps[s] * (double)amps[s] * q_per_amps2;
            missing = 0;
        } else if (++missing > HOLD_SECONDS) {
            q = 0.0;
        }
        heat_bank_step(h, top, e, q);
        if (pieces && (s + 1) % PIECE_SECONDS == 0) {
            sum += opened_by(v, top);
            for (int i = 0; i < HEAT_TAUS; i++)
                top[i] = heat_felt(h, i);
        }
    }
    return sum + opened_by(v, top);
}

double replay_chance(const struct hypotheses_view *v, double q_per_amps2, const float *amps,
                     size_t seconds)
{
    return follow(v, q_per_amps2, amps, seconds, false);
}

double replay_expected(const struct hypotheses_view *v, double q_per_amps2, const float *amps,
                       size_t seconds)
{
    return follow(v, q_per_amps2, amps, seconds, true);
}

/* ---- the engine ---- */

struct counting {
    int raised;
};

static void count_warning(void *context, const struct event *e)
{
    struct counting *c = context;
    if (e->type == EVENT_ALARM && e->alarm.kind == ALARM_NEAR_OVERLOAD &&
        e->alarm.state == ALARM_UNACKNOWLEDGED)
        c->raised++;
}

/* the circuit by itself, of one pole: what is learned goes by its id */
static bool site_of_one(const struct site *s, int circuit, struct site *out)
{
    site_init(out);
    struct site_panel *p = site_add_panel(out);
    struct site_circuit *c = site_add_circuit(out);
    if (!p || !c)
        return false;
    memcpy(out->id, s->id, sizeof out->id);
    memcpy(out->timezone, s->timezone, sizeof out->timezone);
    out->standard = s->standard;
    out->nominal_volts = s->nominal_volts;
    *p = s->panels[s->circuits[circuit].panel];
    p->fed_by_id[0] = '\0';
    *c = s->circuits[circuit];
    c->panel = 0;
    c->meter = -1;
    c->poles = 1;
    c->leg[1] = '\0';
    c->neutral_group[0] = '\0';
    site_finish(out);
    return true;
}

static bool feed_span(struct replay *r, struct engine *e, struct frame *f, int circuit,
                      const struct span *x, int64_t *mono_ms)
{
    const struct advice_record *rec = r->record;
    size_t seconds = (size_t)((x->to - x->from) / SECOND_MS);
    const float *amps = replay_read(r, circuit, x->from, seconds);
    if (!amps)
        return false;
    *mono_ms += INT64_C(2) * 86400 * SECOND_MS; /* a long gap: all is cold */
    for (size_t s = 0; s < seconds; s++) {
        f->wall_ms = x->from + (int64_t)s * SECOND_MS;
        f->mono_ms = *mono_ms += SECOND_MS;
        if (s % OFFSET_SECONDS == 0)
            f->utc_offset_seconds = rec->offset(rec->context, f->wall_ms);
        f->values[0] = amps[s];
        engine_feed(e, f);
    }
    return true;
}

int replay_warnings(struct replay *r, int circuit, const struct span *spans, size_t count)
{
    const struct advice_record *rec = r->record;
    struct counting counting = {0};
    struct site one;
    struct rules_set rules = {0};
    struct engine *e = NULL;
    struct frame *f = NULL;
    int64_t mono_ms = 0;
    bool good = site_of_one(rec->site, circuit, &one) && rules_set_init(&rules, &one);
    if (good) {
        rules.site = rec->rules->site;
        rules.panels[0] = rec->rules->panels[rec->site->circuits[circuit].panel];
        rules.circuits[0] = rec->rules->circuits[circuit];
        e = engine_create(&one, &rules, rec->signatures, count_warning, &counting);
        f = frame_create(&one);
        good = e && f && (!rec->learned || engine_load(e, rec->learned, rec->learned_length));
    }
    if (good)
        f->has = 1U << FRAME_AMPS;
    for (size_t i = 0; good && i < count; i++)
        good = feed_span(r, e, f, circuit, &spans[i], &mono_ms);
    engine_destroy(e);
    frame_destroy(f);
    rules_set_free(&rules);
    site_free(&one);
    return good ? counting.raised : -1;
}
