#include "wiring_check.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "wiring_parts.h"

#define GAP_MS 3000
#define SETTLED 0.06 /* of the step: what may still move before and behind it */
#define ALONE 0.15   /* of the step: what other circuits may do meanwhile */
#define QUIET 0.05   /* the same, for an amount that is to be compared */
#define CLEARLY 2.0  /* the answering leg against the next one */
#define ANSWERED 0.3 /* of the step: less is no answer to it */
#define FEEDER_LEAST_AMPS 3.0
#define CARRYING_AMPS 1.0
#define MOST_PF 0.97 /* signed power over volts times amps, of what is counted as backwards */

struct wiring_check *wiring_check_create(const struct site *s)
{
    struct wiring_check *w = calloc(1, sizeof *w);
    if (!w)
        return NULL;
    w->site = s;
    w->last_mono_ms = INT64_MIN;
    w->amps = calloc(WIRING_WINDOW * (s->poles_total + 1), sizeof *w->amps);
    w->watts = calloc(WIRING_WINDOW * (s->poles_total + 1), sizeof *w->watts);
    w->poles = calloc(s->poles_total + 1, sizeof *w->poles);
    w->walk = wiring_walk_create(s);
    w->panels = calloc(s->panel_count + 1, sizeof *w->panels);
    if (!w->amps || !w->watts || !w->poles || !w->walk || !w->panels) {
        wiring_check_destroy(w);
        return NULL;
    }
    return w;
}

void wiring_check_destroy(struct wiring_check *w)
{
    if (!w)
        return;
    free(w->amps);
    free(w->watts);
    free(w->poles);
    wiring_walk_destroy(w->walk);
    free(w->panels);
    free(w);
}

struct wiring_walk *wiring_check_walk(struct wiring_check *w)
{
    return w->walk;
}

/* ---- steps ------------------------------------------------------------------------------- */

static double at(const struct wiring_check *w, const float *series, size_t pole, int age)
{
    return (double)series[(size_t)age * w->site->poles_total + pole];
}

static double mean2(const struct wiring_check *w, const float *series, size_t pole, int age)
{
    return (at(w, series, pole, age) + at(w, series, pole, age + 1)) / 2.0;
}

/* how much it changed over the window; NaN when a reading is missing */
static double change(const struct wiring_check *w, const float *series, size_t pole)
{
    return mean2(w, series, pole, 0) - mean2(w, series, pole, WIRING_WINDOW - 2);
}

/* the step between two settled stretches, 0 when there is none of at least `least` */
static double settled_step(const struct wiring_check *w, const float *series, size_t pole,
                           double least)
{
    double d = change(w, series, pole), room = SETTLED * fabs(d);
    if (!(fabs(d) >= least) ||
        !(fabs(at(w, series, pole, 0) - at(w, series, pole, 1)) <= room) ||
        !(fabs(at(w, series, pole, WIRING_WINDOW - 2) -
               at(w, series, pole, WIRING_WINDOW - 1)) <= room))
        return 0.0;
    return d;
}

static bool is_feeder(const struct site_circuit *c)
{
    return c->feeds_panel >= 0;
}

static bool metered(const struct site_circuit *c)
{
    for (int k = 0; k < c->poles; k++)
        if (c->meter < 0 || c->channels[k] <= 0)
            return false;
    return true;
}

/* the metered feeder of the circuit's panel, -1 */
static int feeder_of(const struct site *s, const struct site_circuit *c)
{
    int f = c->panel >= 0 ? s->panels[c->panel].fed_by : -1;
    return f >= 0 && metered(&s->circuits[f]) ? f : -1;
}

/* the largest change of current of any other circuit of the panel */
static double others_move(const struct wiring_check *w, size_t circuit)
{
    const struct site *s = w->site;
    double most = 0.0;
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct site_circuit *c = &s->circuits[i];
        if (i == circuit || c->panel != s->circuits[circuit].panel)
            continue;
        for (int k = 0; k < c->poles; k++) {
            double d = fabs(change(w, w->amps, (size_t)c->first_pole + (size_t)k));
            most = d > most ? d : most; /* NaN: not metered, is passed over */
        }
    }
    return most;
}

/* ---- a branch against its feeder --------------------------------------------------------- */

static int leg_index(char leg)
{
    return leg >= 'A' && leg <= 'C' ? leg - 'A' : 0;
}

/* The feeder's answer on each of its legs, signed in watts where both have them. */
static bool feeder_answer(const struct wiring_check *w, const struct site_circuit *f,
                          const float *series, double out[SITE_MAX_LEGS])
{
    for (int k = 0; k < SITE_MAX_LEGS; k++)
        out[k] = 0.0;
    for (int k = 0; k < f->poles; k++) {
        double d = change(w, series, (size_t)f->first_pole + (size_t)k);
        if (isnan(d))
            return false;
        out[leg_index(f->leg[k])] = d;
    }
    return true;
}

static void keep_ratio(struct wiring_pole *p, double ratio)
{
    p->ratios[p->ratio_count++ % WIRING_RATIOS] = ratio;
}

static void compare(struct wiring_check *w, size_t circuit, int pole, double amps_step,
                    double others)
{
    const struct site_circuit *c = &w->site->circuits[circuit];
    const struct site_circuit *f = &w->site->circuits[feeder_of(w->site, c)];
    struct wiring_pole *p = &w->poles[c->first_pole + pole];
    double answer[SITE_MAX_LEGS],
        step = change(w, w->watts, (size_t)c->first_pole + (size_t)pole);
    bool by_watts = fabs(step) >= 0.0 && feeder_answer(w, f, w->watts, answer);
    if (!by_watts) {
        step = amps_step;
        if (!feeder_answer(w, f, w->amps, answer))
            return;
    }
    int own = leg_index(c->leg[pole]), most = own;
    for (int k = 0; k < SITE_MAX_LEGS; k++)
        if (fabs(answer[k]) > CLEARLY * fabs(answer[most]))
            most = k;
    /* with a circuit on two legs both answer alike; that is no vote against its own */
    if (fabs(answer[most]) < ANSWERED / 2.0 * fabs(step))
        return;
    p->compared++;
    p->votes[most]++;
    if (by_watts && step * answer[most] < 0.0)
        p->opposite++;
    p->by_watts += by_watts;
    if (others <= QUIET * fabs(amps_step))
        keep_ratio(p, fabs(answer[most] / step));
}

static void look_at_branch(struct wiring_check *w, size_t circuit)
{
    const struct site_circuit *c = &w->site->circuits[circuit];
    bool has_feeder = feeder_of(w->site, c) >= 0;
    for (int k = 0; k < c->poles; k++) {
        size_t pole = (size_t)c->first_pole + (size_t)k;
        double step = settled_step(w, w->amps, pole, WIRING_LEAST_AMPS);
        if (step == 0.0)
            continue;
        double others = has_feeder ? others_move(w, circuit) : 0.0;
        if (has_feeder && others <= ALONE * fabs(step))
            compare(w, circuit, k, step, others);
        w->poles[pole].rest = WIRING_WINDOW / 2;
    }
}

/* ---- a feeder that nobody explains ------------------------------------------------------- */

static bool any_answers(const struct wiring_check *w, int panel, double step)
{
    const struct site *s = w->site;
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct site_circuit *c = &s->circuits[i];
        if (c->panel != panel)
            continue;
        if (!metered(c))
            return true; /* it may be that one */
        for (int k = 0; k < c->poles; k++)
            if (!(fabs(change(w, w->amps, (size_t)c->first_pole + (size_t)k)) <
                  ANSWERED * fabs(step)))
                return true;
    }
    return false;
}

static void look_at_feeder(struct wiring_check *w, size_t circuit)
{
    const struct site_circuit *f = &w->site->circuits[circuit];
    for (int k = 0; k < f->poles; k++) {
        size_t pole = (size_t)f->first_pole + (size_t)k;
        double step = settled_step(w, w->amps, pole, FEEDER_LEAST_AMPS);
        if (step == 0.0)
            continue;
        struct wiring_panel *p = &w->panels[f->feeds_panel];
        p->steps[k]++;
        w->poles[pole].rest = WIRING_WINDOW / 2;
        if (any_answers(w, f->feeds_panel, step))
            continue;
        p->unexplained[k]++;
    }
}

/* ---- frames ------------------------------------------------------------------------------ */

static void shift(struct wiring_check *w, float *series, const float *newest)
{
    size_t n = w->site->poles_total;
    memmove(series + n, series, (WIRING_WINDOW - 1) * n * sizeof *series);
    memcpy(series, newest, n * sizeof *series);
}

/* what needs no step: whether it ever carries anything, and which way the power flows */
static void look_at_level(struct wiring_check *w, const struct frame *f, size_t pole,
                          double volts)
{
    double amps = (double)f->values[pole], watts = (double)f->values[f->poles + pole];
    struct wiring_pole *p = &w->poles[pole];
    if (isnan(amps))
        return;
    p->frames++;
    if (amps > p->most_amps)
        p->most_amps = amps;
    if (!(amps >= CARRYING_AMPS) || isnan(watts))
        return;
    p->carrying++;
    p->backward += watts < 0.0;
    double pf = watts / (volts * amps);
    p->pf_sum += pf < -MOST_PF ? -1.0 : pf > MOST_PF ? 1.0 : pf;
}

static double volts_of(const struct wiring_check *w, const struct frame *f,
                       const struct site_circuit *c, int pole)
{
    double v = (double)f->values[2 * f->poles + (size_t)c->first_pole + (size_t)pole];
    if (isnan(v) && c->panel >= 0)
        v = (double)f->values[frame_panel_index(f, (size_t)c->panel,
                                                (size_t)leg_index(c->leg[pole]))];
    return isnan(v) ? w->site->nominal_volts : v;
}

static bool rests(struct wiring_check *w, const struct site_circuit *c)
{
    bool rest = false;
    for (int k = 0; k < c->poles; k++) {
        struct wiring_pole *p = &w->poles[c->first_pole + k];
        if (p->rest > 0) {
            p->rest--;
            rest = true;
        }
    }
    return rest;
}

void wiring_check_feed(struct wiring_check *w, const struct frame *f)
{
    const struct site *s = w->site;
    if (w->last_mono_ms == INT64_MIN || f->mono_ms - w->last_mono_ms > GAP_MS)
        w->held = 0;
    w->last_mono_ms = f->mono_ms;
    wiring_walk_feed(w->walk, f);
    shift(w, w->amps, f->values);
    shift(w, w->watts, f->values + f->poles);
    if (w->held < WIRING_WINDOW)
        w->held++;
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct site_circuit *c = &s->circuits[i];
        for (int k = 0; k < c->poles; k++)
            look_at_level(w, f, (size_t)c->first_pole + (size_t)k, volts_of(w, f, c, k));
        if (w->held < WIRING_WINDOW || rests(w, c))
            continue;
        look_at_branch(w, i);
        if (is_feeder(c))
            look_at_feeder(w, i);
    }
}

int wiring_check_compared(const struct wiring_check *w, int circuit, int pole)
{
    return w->poles[w->site->circuits[circuit].first_pole + pole].compared;
}
