/* breaker: what the others ask of it, and what it is told of openings. */
#include "breaker_state.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The level at which a breaker opens wanders with the air around it: 6 % over a day. */
#define WANDER_PER_SECOND (0.06 * 2.0 * 3.14159265358979 / 86400.0)
/* what comes back of the prior with every opening: breakers age */
#define FORGET 0.02

_Static_assert(BREAKER_MOST_STRETCHES == FORECAST_MOST_STRETCHES, "one path");

/* hypotheses_view_init, whose result is kept: it costs microseconds and seldom changes. Made in
 * `spare` when memory is short. */
static const struct hypotheses_view *view_of(const struct breakers *b, int circuit,
                                             struct hypotheses_view *spare)
{
    const struct circuit *c = &b->circuits[circuit];
    struct kept_view *kept = b->views[circuit];
    if (!kept)
        kept = b->views[circuit] = calloc(1, sizeof *kept);
    if (!kept) {
        hypotheses_view_init(spare, c->class, c->learned, c->held);
        return spare;
    }
    if (kept->made && kept->lessons == c->lessons)
        return &kept->view;
    hypotheses_view_init(&kept->view, c->class, c->learned, c->held);
    kept->lessons = c->lessons;
    kept->made = true;
    return &kept->view;
}

static void state_of(const struct breakers *b, int circuit, struct hypotheses_view *spare,
                     struct forecast_state *s)
{
    const struct site_circuit *sc = &b->site->circuits[circuit];
    *s = (struct forecast_state){.view = view_of(b, circuit, spare)};
    for (int k = 0; k < sc->poles; k++) {
        size_t pole = (size_t)sc->first_pole + (size_t)k;
        double h[HEAT_STATES], width[HEAT_STATES];
        pole_heat(b, pole, h);
        pole_width(b, pole, width);
        for (int i = 0; i < HEAT_STATES; i++) { /* the hotter pole opens both */
            s->lower[i] = fmax(s->lower[i], h[i]);
            s->upper[i] = fmax(s->upper[i], h[i] + width[i]);
        }
        for (int i = 0; i < HEAT_TAUS; i++)
            s->top[i] = fmax(s->top[i], b->poles[pole].top[i]);
        if (b->poles[pole].wide)
            s->upper_share = fmax(s->upper_share, b->poles[pole].upper_share);
    }
}

void breakers_known(const struct breakers *b, int circuit, struct hypotheses_view *view,
                    double *q_per_amps2)
{
    const struct circuit *c = &b->circuits[circuit];
    hypotheses_view_init(view, c->class, c->learned, c->held);
    *q_per_amps2 = c->q_per_amps2;
}

double breakers_heat(const struct breakers *b, int circuit)
{
    struct hypotheses_view spare;
    struct forecast_state s;
    state_of(b, circuit, &spare, &s);
    return forecast_heat(&s);
}

double breakers_chance(const struct breakers *b, int circuit, double amps, double seconds)
{
    struct hypotheses_view spare;
    struct forecast_state s;
    state_of(b, circuit, &spare, &s);
    return forecast_chance(&s, amps * amps * b->circuits[circuit].q_per_amps2, seconds);
}

void breakers_paths_reach(const struct breakers *b, int circuit,
                          const struct breaker_path *paths, size_t path_count,
                          const double *levels, size_t level_count, double *chances)
{
    double per_amps2 = b->circuits[circuit].q_per_amps2;
    struct hypotheses_view spare;
    struct forecast_state s;
    state_of(b, circuit, &spare, &s);
    struct forecast_base base = forecast_base_of(&s);
    for (size_t k = 0; k < path_count; k++) {
        const struct breaker_path *p = &paths[k];
        struct forecast_path q = {.count = p->count};
        for (int i = 0; i < p->count; i++) {
            q.stretch[i].q = p->stretch[i].amps * p->stretch[i].amps * per_amps2;
            q.stretch[i].seconds = p->stretch[i].seconds;
        }
        forecast_path_levels(&s, &base, &q, levels, level_count, chances + k * level_count);
    }
}

void breakers_forecast(const struct breakers *b, int circuit, double amps,
                       struct breaker_forecast *out)
{
    static const double minutes[4] = {1, 5, 15, 60};
    const struct circuit *c = &b->circuits[circuit];
    const struct rules *r = &b->rules->circuits[circuit];
    struct hypotheses_view spare;
    struct forecast_state s;
    double q = amps * amps * c->q_per_amps2;
    state_of(b, circuit, &spare, &s);
    out->heat = forecast_heat(&s);
    for (int i = 0; i < 4; i++)
        out->chance[i] = forecast_chance(&s, q, 60.0 * minutes[i]);
    out->chance_horizon = forecast_chance(&s, q, r->near_overload_horizon_seconds);
    out->p05_seconds = forecast_seconds(&s, q, 0.05);
    out->p50_seconds = forecast_seconds(&s, q, 0.50);
    out->p95_seconds = forecast_seconds(&s, q, 0.95);
    double clear = r->near_overload_clear_chance;
    out->headroom_amps =
        c->rating_amps * forecast_greatest(&s, r->near_overload_horizon_seconds, clear) - amps;
    out->headroom_3h_amps = c->rating_amps * forecast_greatest(&s, 10800.0, clear) - amps;
}

/* ---- openings ------------------------------------------------------------------------------
 */

/* Where it stood when the current last fell to nothing, or where it stands. */
static void state_at_fall(const struct breakers *b, int circuit, bool fallen,
                          struct hypotheses_view *spare, struct forecast_state *s, double *amps)
{
    const struct circuit *c = &b->circuits[circuit];
    const struct site_circuit *sc = &b->site->circuits[circuit];
    state_of(b, circuit, spare, s);
    *amps = c->fall_amps;
    if (fallen) {
        for (int i = 0; i < HEAT_STATES; i++) {
            s->upper[i] += c->fall_h[i] - s->lower[i];
            s->lower[i] = c->fall_h[i];
        }
        memcpy(s->top, c->fall_top, sizeof s->top);
        return;
    }
    *amps = 0.0;
    for (int k = 0; k < sc->poles; k++)
        *amps = fmax(*amps, b->poles[sc->first_pole + k].amps);
}

/* The chances of an opening within `poll` seconds at q, where it stands at h[]. */
static void opening_from(const struct forecast_state *s, const double h[HEAT_STATES], double q,
                         double poll, double *overload, double *worn)
{
    double felt[HEAT_TAUS], next[HEAT_STATES], rise[HEAT_TAUS];
    for (int i = 0; i < HEAT_STATES; i++)
        next[i] = heat_step(h[i], q, poll, s->view->class->bank.tau[i]);
    for (int i = 0; i < HEAT_TAUS; i++) {
        felt[i] = heat_felt(h, i);
        double to = heat_felt(next, i), from = fmax(felt[i], s->top[i]);
        rise[i] = WANDER_PER_SECOND * poll + (to > from && from > 0.0 ? log(to / from) : 0.0);
    }
    hypotheses_opening(s->view, felt, rise, overload, worn);
}

void breakers_opening(const struct breakers *b, int circuit, struct breaker_opening *out)
{
    const struct circuit *c = &b->circuits[circuit];
    struct hypotheses_view spare;
    struct forecast_state s;
    double amps, overload, worn, poll = fmax(1.0, (double)breakers_usual_ms(b) * 1e-3);
    state_at_fall(b, circuit, c->fallen, &spare, &s, &amps);
    if (c->fallen)
        poll = fmax(poll, c->fall_seconds); /* it may have opened at any time in lost polls */
    double q = amps * amps * c->q_per_amps2;
    opening_from(&s, s.lower, q, poll, &out->chance_overload, &out->chance_worn);
    if (s.upper_share > 0.0) { /* readings were lost before: it may be hotter than it seems */
        opening_from(&s, s.upper, q, poll, &overload, &worn);
        out->chance_overload += s.upper_share * (overload - out->chance_overload);
        out->chance_worn += s.upper_share * (worn - out->chance_worn);
    }
    out->heat = forecast_heat(&s);
    out->worn = hypotheses_quick(s.view);
    out->amps = amps;
    out->must_hold_amps = c->class->limits.hold * c->rating_amps;
}

void breakers_learn_opened(struct breakers *b, int circuit, double p_by_heat)
{
    struct circuit *c = &b->circuits[circuit];
    const struct site_circuit *sc = &b->site->circuits[circuit];
    struct hypotheses_view spare;
    struct forecast_state s;
    double amps, felt[HEAT_TAUS];
    if (c->fall_seconds > BREAKER_UNSEEN_SECONDS)
        return;
    if (!c->learned)
        c->learned = hypotheses_grid_create();
    if (!c->learned)
        return; /* stays as wise as before */
    state_at_fall(b, circuit, c->fall_amps > 0.0, &spare, &s, &amps); /* current may be back */
    for (int i = 0; i < HEAT_STATES; i++) /* as hot as it most likely was */
        s.lower[i] += s.upper_share * (s.upper[i] - s.lower[i]);
    for (int i = 0; i < HEAT_TAUS; i++)
        felt[i] = heat_felt(s.lower, i);
    hypotheses_learn(s.view, c->held, felt, p_by_heat, FORGET * p_by_heat, c->learned);
    memset(c->held, 0, sizeof c->held);
    c->lessons++;
    for (int k = 0; k < sc->poles; k++) {
        struct pole *p = &b->poles[sc->first_pole + k];
        for (int i = 0; i < HEAT_TAUS; i++)
            p->top[i] = heat_felt(p->h, i);
        p->warmed = true;
    }
}

double breakers_worn(const struct breakers *b, int circuit)
{
    struct hypotheses_view spare;
    return hypotheses_quick(view_of(b, circuit, &spare));
}

double breakers_overdue_seconds(const struct breakers *b, int circuit)
{
    const struct site_circuit *sc = &b->site->circuits[circuit];
    const struct breaker_limits *l = &b->circuits[circuit].class->limits;
    double overdue = 0.0;
    for (int k = 0; k < sc->poles; k++) {
        const struct pole *p = &b->poles[sc->first_pole + k];
        overdue = fmax(overdue, fmax(p->open.seconds - l->open_seconds,
                                     p->quick.seconds - l->quick_most_seconds));
    }
    return overdue;
}

void breakers_replaced(struct breakers *b, int circuit)
{
    struct circuit *c = &b->circuits[circuit];
    const struct site_circuit *sc = &b->site->circuits[circuit];
    free(c->learned);
    c->learned = NULL;
    memset(c->held, 0, sizeof c->held);
    c->lessons++;
    for (int k = 0; k < sc->poles; k++) {
        struct pole *p = &b->poles[sc->first_pole + k];
        memset(p->top, 0, sizeof p->top);
        p->open = p->quick = (struct overstay){0};
    }
}
