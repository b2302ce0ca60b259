/* From what wiring_check.c gathered to what is wrong. */
#include "wiring_check.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "wiring_parts.h"

#define AGREE 0.8       /* share of the steps, and of the branches, that must say the same */
#define RATIO_ROOM 0.12 /* by watts; transformers and meters are within 1 to 3 % */
#define RATIO_ROOM_AMPS 0.6 /* by amps, which add up only where power factors are alike */
#define LEAST_RATIOS 4
#define WALK_ROOM 0.2   /* one load from one receptacle to the next: volts, and warm or cold */
#define LEAST_WALKED 3  /* other circuits with the same load */
#define MOST_WALKED 128 /* more need not be compared */
#define FEEDER_LEAST 3  /* branches that must say the same before it is the feeder's fault */
#define BACKWARD 0.95
#define LEAST_CARRYING 30
#define LEAST_FRAMES 120
#define FLAT_AMPS 0.08    /* a transformer that never shows more shows nothing */
#define FACES_AWAY (-0.9) /* a power factor below this is no third of a turn */

struct judgement {
    const struct wiring_check *w;
    struct wiring_finding *out;
    size_t count, most;
};

static void find(struct judgement *j, struct wiring_finding f)
{
    if (j->count < j->most)
        j->out[j->count++] = f;
}

static const struct wiring_pole *pole_of(const struct wiring_check *w,
                                         const struct site_circuit *c, int k)
{
    return &w->poles[c->first_pole + k];
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The median of the amounts; false when they are few, or not of one mind. */
static bool steady_ratio(const struct wiring_pole *p, double room, double *out)
{
    double sorted[WIRING_RATIOS];
    int n = p->ratio_count < WIRING_RATIOS ? p->ratio_count : WIRING_RATIOS, near = 0;
    memcpy(sorted, p->ratios, sizeof sorted);
    qsort(sorted, (size_t)n, sizeof sorted[0], by_size);
    *out = sorted[n / 2];
    for (int i = 0; i < n; i++)
        near += fabs(log(sorted[i] / *out)) < log1p(room);
    return n >= LEAST_RATIOS && near >= AGREE * n;
}

/* ---- what a walk told -------------------------------------------------------------------- */

/* On which circuit's channels the walk of this one was seen, -1. */
static int walked_to(const struct wiring_check *w, int circuit)
{
    const struct wiring_walked *k = wiring_walk_of(w->walk, circuit);
    return k->judged && k->result.verdict == TRACE_ONE ? k->result.circuits[0] : -1;
}

/* The load as a circuit of one pole showed it; false when that is not clear. */
static bool walked_amount(const struct wiring_check *w, int circuit, bool by_watts, double *out)
{
    const struct wiring_walked *k = wiring_walk_of(w->walk, circuit);
    if (walked_to(w, circuit) < 0 || w->site->circuits[circuit].poles != 1 ||
        !wiring_walked_clearly(k) || by_watts != (k->watts > 0.0))
        return false;
    *out = by_watts ? k->watts : (k->least_amps + k->most_amps) / 2.0;
    return true;
}

/* What the same load drew on most other circuits. */
static bool usual_amount(const struct wiring_check *w, int circuit, bool by_watts, double *out)
{
    const struct wiring_walked *mine = wiring_walk_of(w->walk, circuit);
    double sorted[MOST_WALKED] = {0};
    int n = 0, near = 0;
    for (int i = 0; i < (int)w->site->circuit_count && n < MOST_WALKED; i++)
        n += i != circuit && wiring_walk_of(w->walk, i)->load == mine->load &&
             walked_amount(w, i, by_watts, &sorted[n]);
    qsort(sorted, (size_t)n, sizeof sorted[0], by_size);
    for (int i = 0; i < n; i++)
        near += fabs(log(sorted[i] / sorted[n / 2])) < log1p(WALK_ROOM);
    if (n < LEAST_WALKED || near < AGREE * n)
        return false; /* somebody took another load on the way */
    *out = sorted[n / 2];
    return true;
}

/* What the circuit's readings are to be multiplied with, 1 when they are right; false when that
 * is not clear. */
static bool walked_ratio(const struct wiring_check *w, int circuit, double *out)
{
    const struct wiring_walked *k = wiring_walk_of(w->walk, circuit);
    bool by_watts = k->watts > 0.0;
    double least = by_watts ? k->watts : k->least_amps;
    double most = by_watts ? k->watts : k->most_amps, usual;
    if (walked_to(w, circuit) != circuit || w->site->circuits[circuit].poles != 1 ||
        !usual_amount(w, circuit, by_watts, &usual))
        return false;
    bool wrong = usual > most * (1.0 + WALK_ROOM) || usual < least / (1.0 + WALK_ROOM);
    *out = wrong ? usual / ((least + most) / 2.0) : 1.0;
    return wrong || wiring_walked_clearly(k);
}

/* ---- one pole against its feeder --------------------------------------------------------- */

/* Whether anything is wrong with the pole, as its steps and the feeder's say together. */
static bool pole_fault(const struct wiring_check *w, int circuit, int k,
                       struct wiring_finding *out)
{
    const struct site_circuit *c = &w->site->circuits[circuit];
    const struct wiring_pole *p = pole_of(w, c, k);
    *out = (struct wiring_finding){.circuit = circuit, .pole = k, .other = -1, .ratio = 1.0};
    if (p->compared < WIRING_LEAST_STEPS)
        return false;
    int most = 0;
    for (int leg = 1; leg < SITE_MAX_LEGS; leg++)
        if (p->votes[leg] > p->votes[most])
            most = leg;
    if (p->votes[most] < AGREE * p->compared)
        return false; /* it contradicts itself: nothing is claimed */
    out->steps = p->votes[most];
    if ('A' + most != c->leg[k]) {
        out->fault = WIRING_WRONG_LEG;
        out->leg = (char)('A' + most);
        return true;
    }
    if (p->by_watts >= WIRING_LEAST_STEPS && p->opposite >= AGREE * p->by_watts) {
        out->fault = WIRING_CT_REVERSED;
        out->steps = p->opposite;
        return true;
    }
    double ratio;
    bool by_watts = p->by_watts >= AGREE * p->compared;
    double room = by_watts ? RATIO_ROOM : RATIO_ROOM_AMPS;
    if (!by_watts && walked_ratio(w, circuit, &ratio))
        return false; /* which tells more than amps of unlike power factors */
    if (steady_ratio(p, room, &ratio) && fabs(log(ratio)) > log1p(room)) {
        out->fault = WIRING_WRONG_RATIO;
        out->ratio = ratio;
        return true;
    }
    return false;
}

static bool alike(const struct wiring_finding *a, const struct wiring_finding *b)
{
    if (a->fault != b->fault)
        return false;
    if (a->fault == WIRING_WRONG_RATIO)
        return fabs(log(a->ratio / b->ratio)) < log1p(RATIO_ROOM);
    return a->fault != WIRING_WRONG_LEG || a->leg == b->leg;
}

static const struct site_circuit *feeder_behind(const struct wiring_check *w, int circuit)
{
    int f = w->site->panels[w->site->circuits[circuit].panel].fed_by;
    return f >= 0 ? &w->site->circuits[f] : NULL;
}

/* Whether most branches on this one's leg say the same: then it is the feeder's own. */
static bool is_the_feeders(const struct wiring_check *w, const struct wiring_finding *f)
{
    const struct site *s = w->site;
    const struct site_circuit *c = &s->circuits[f->circuit];
    int judged = 0, same = 0;
    for (size_t i = 0; i < s->circuit_count; i++)
        for (int k = 0; s->circuits[i].panel == c->panel && k < s->circuits[i].poles; k++) {
            struct wiring_finding other;
            if (s->circuits[i].leg[k] != c->leg[f->pole] ||
                pole_of(w, &s->circuits[i], k)->compared < WIRING_LEAST_STEPS)
                continue;
            judged++;
            same += pole_fault(w, (int)i, k, &other) && alike(&other, f);
        }
    return judged >= FEEDER_LEAST && same >= AGREE * judged;
}

static bool said(const struct judgement *j, int circuit, int pole)
{
    for (size_t i = 0; i < j->count; i++) {
        const struct wiring_finding *f = &j->out[i];
        if ((f->circuit == circuit && (f->pole == pole || pole < 0)) ||
            (f->fault == WIRING_SWAPPED && f->other == circuit))
            return true;
    }
    return false;
}

static void judge_feeder_fault(struct judgement *j, const struct wiring_finding *by)
{
    const struct site *s = j->w->site;
    const struct site_circuit *branch = &s->circuits[by->circuit];
    int feeder = s->panels[branch->panel].fed_by;
    const struct site_circuit *f = feeder_behind(j->w, by->circuit);
    for (int k = 0; f && k < f->poles; k++) {
        struct wiring_finding of = *by;
        bool here = by->fault == WIRING_WRONG_LEG ? f->leg[k] == by->leg
                                                  : f->leg[k] == branch->leg[by->pole];
        if (!here || said(j, feeder, k))
            continue;
        of.circuit = feeder;
        of.pole = k;
        if (of.fault == WIRING_WRONG_LEG) /* its pole of that leg measures the branches' */
            of.leg = branch->leg[by->pole];
        if (of.fault == WIRING_WRONG_RATIO)
            of.ratio = 1.0 / of.ratio;
        find(j, of);
    }
}

/* ---- a walk against site.cfg --------------------------------------------------------------
 */

static bool shows_nothing(const struct wiring_pole *p)
{
    return p->frames >= LEAST_FRAMES && p->most_amps <= FLAT_AMPS;
}

/* The pole of the circuit that has never shown a current, -1. */
static int silent_pole(const struct wiring_check *w, int circuit)
{
    const struct site_circuit *c = &w->site->circuits[circuit];
    for (int k = 0; k < c->poles; k++)
        if (shows_nothing(pole_of(w, c, k)))
            return k;
    return -1;
}

/* Steps against the feeder, by watts, know better, and by how much. */
static bool ratio_is_wrong(const struct wiring_check *w, int circuit, double *ratio)
{
    const struct wiring_pole *p = pole_of(w, &w->site->circuits[circuit], 0);
    double by_steps;
    if (!walked_ratio(w, circuit, ratio) || *ratio == 1.0)
        return false;
    if (p->by_watts == 0 || !steady_ratio(p, RATIO_ROOM, &by_steps))
        return true;
    *ratio = by_steps;
    return fabs(log(by_steps)) > log1p(RATIO_ROOM);
}

static void judge_walks(struct judgement *j)
{
    const struct site *s = j->w->site;
    for (int i = 0; i < (int)s->circuit_count; i++) {
        const struct wiring_walked *k = wiring_walk_of(j->w->walk, i);
        int shown = walked_to(j->w, i), silent = silent_pole(j->w, i);
        struct wiring_finding f = {
            .circuit = i, .other = -1, .ratio = 1.0, .steps = TRACE_BEATS};
        if (!k->judged || said(j, i, -1))
            continue;
        if (shown >= 0 && shown != i) {
            f.fault = WIRING_SWAPPED;
            f.other = shown;
            if (walked_to(j->w, shown) == i)
                f.steps += TRACE_BEATS;
            find(j, f);
        } else if (k->result.verdict == TRACE_UNMETERED && silent >= 0) {
            f.fault = WIRING_CT_OPEN;
            f.pole = silent;
            find(j, f);
        } else if (ratio_is_wrong(j->w, i, &f.ratio)) {
            f.fault = WIRING_WRONG_RATIO;
            find(j, f);
        }
    }
}

/* ---- a feeder that carries more than its branches ---------------------------------------- */

static void judge_unexplained(struct judgement *j, int feeder, int k)
{
    const struct site *s = j->w->site;
    const struct site_circuit *f = &s->circuits[feeder];
    int steps = j->w->panels[f->feeds_panel].unexplained[k], open = -1, open_pole = 0, many = 0;
    if (steps < WIRING_LEAST_STEPS)
        return;
    for (size_t i = 0; i < s->circuit_count; i++)
        for (int p = 0; s->circuits[i].panel == f->feeds_panel && p < s->circuits[i].poles; p++)
            if (s->circuits[i].leg[p] == f->leg[k] &&
                shows_nothing(pole_of(j->w, &s->circuits[i], p))) {
                open = (int)i;
                open_pole = p;
                many++;
                if (said(j, open, -1))
                    return; /* a walk has told which one */
            }
    struct wiring_finding found = {.fault = WIRING_UNEXPLAINED,
                                   .circuit = feeder,
                                   .pole = k,
                                   .other = -1,
                                   .ratio = 1.0,
                                   .steps = steps};
    if (many == 1) {
        found.fault = WIRING_CT_OPEN;
        found.circuit = open;
        found.pole = open_pole;
    }
    if (!said(j, found.circuit, found.pole))
        find(j, found);
}

/* ---- without a feeder -------------------------------------------------------------------- */

static void judge_alone(struct judgement *j, int circuit, int k)
{
    const struct site *s = j->w->site;
    const struct site_circuit *c = &s->circuits[circuit];
    const struct wiring_pole *p = pole_of(j->w, c, k);
    if (p->compared >= WIRING_LEAST_STEPS || p->carrying < LEAST_CARRYING ||
        p->backward < BACKWARD * p->carrying || said(j, circuit, k))
        return;
    bool thirds = c->panel >= 0 && s->panels[c->panel].legs == 3;
    find(j, (struct wiring_finding){.fault = thirds && p->pf_sum / p->carrying > FACES_AWAY
                                                 ? WIRING_WRONG_LEG
                                                 : WIRING_CT_REVERSED,
                                    .circuit = circuit,
                                    .pole = k,
                                    .other = -1,
                                    .leg = '?',
                                    .ratio = 1.0,
                                    .steps = 0});
}

size_t wiring_check_judge(const struct wiring_check *w, struct wiring_finding *out, size_t most)
{
    const struct site *s = w->site;
    struct judgement j = {.w = w, .out = out, .most = most};
    judge_walks(&j);
    for (size_t i = 0; i < s->circuit_count; i++)
        for (int k = 0; k < s->circuits[i].poles; k++) {
            struct wiring_finding f;
            if (!pole_fault(w, (int)i, k, &f) || said(&j, (int)i, k))
                continue;
            if (is_the_feeders(w, &f))
                judge_feeder_fault(&j, &f);
            else
                find(&j, f);
        }
    for (size_t i = 0; i < s->circuit_count; i++)
        for (int k = 0; k < s->circuits[i].poles; k++) {
            if (s->circuits[i].feeds_panel >= 0)
                judge_unexplained(&j, (int)i, k);
            judge_alone(&j, (int)i, k);
        }
    return j.count;
}

/* ---- words ------------------------------------------------------------------------------- */

const char *wiring_fault_name(enum wiring_fault fault)
{
    switch (fault) {
    case WIRING_CT_REVERSED: return "ct_reversed";
    case WIRING_WRONG_LEG: return "wrong_leg";
    case WIRING_WRONG_RATIO: return "wrong_ratio";
    case WIRING_SWAPPED: return "swapped";
    case WIRING_CT_OPEN: return "ct_open";
    case WIRING_UNEXPLAINED: return "unexplained";
    }
    return "?";
}

static void evidence(const struct wiring_finding *f, char *out, size_t capacity)
{
    if (f->steps > 0)
        snprintf(out, capacity, "by %d steps", f->steps);
    else
        snprintf(out, capacity, "by the sign of its power alone");
}

char *wiring_check_text(const struct site *s, const struct wiring_finding *f, char *out,
                        size_t capacity)
{
    char what[2 * SITE_NAME_SIZE + 32], other[2 * SITE_NAME_SIZE + 32], by[48], pole[24] = "";
    const struct site_circuit *c = &s->circuits[f->circuit];
    site_describe_circuit(s, f->circuit, what, sizeof what);
    evidence(f, by, sizeof by);
    if (c->poles > 1)
        snprintf(pole, sizeof pole, ", pole %d", f->pole + 1);
    switch (f->fault) {
    case WIRING_CT_REVERSED:
        snprintf(out, capacity,
                 "%s%s: its current transformer faces the other way, %s%s. Turn it, or say "
                 "ct_reversed = %s.",
                 what, pole, by,
                 f->steps ? "" : ", or it sits on another leg, or the circuit feeds in",
                 c->ct_reversed ? "false" : "true");
        break;
    case WIRING_WRONG_LEG:
        if (f->leg == '?')
            snprintf(out, capacity,
                     "%s%s: no load has such a power factor; it is not on leg %c, %s. The "
                     "meter multiplies its current with another leg's voltage.",
                     what, pole, c->leg[f->pole], by);
        else
            snprintf(out, capacity,
                     "%s%s: it is on leg %c, not on %c, %s. Say so in site.cfg, and let the "
                     "meter use that leg's voltage.",
                     what, pole, f->leg, c->leg[f->pole], by);
        break;
    case WIRING_WRONG_RATIO:
        snprintf(
            out, capacity,
            "%s%s: its readings are to be multiplied with %.3g, %s. Its transformer is not "
            "the one that the meter is set for: ct_ratio = %.4g.",
            what, pole, f->ratio, by, c->ct_ratio * f->ratio);
        break;
    case WIRING_SWAPPED:
        site_describe_circuit(s, f->other, other, sizeof other);
        snprintf(out, capacity,
                 "%s: what was switched on it was seen on the channel of %s, %s. The two "
                 "transformers are exchanged, or their channels are in site.cfg%s.",
                 what, other, by,
                 f->steps > TRACE_BEATS ? "" : "; or that place is on the other breaker");
        break;
    case WIRING_CT_OPEN:
        snprintf(
            out, capacity,
            "%s%s: its current transformer does not show the load that it carries, %s. The "
            "transformer is open, not plugged in, or not around the conductor.",
            what, pole, by);
        break;
    case WIRING_UNEXPLAINED:
        snprintf(
            out, capacity,
            "%s%s: it carries loads that no current transformer behind it shows, %s. One of "
            "those on leg %c that show nothing is open, or something there is not metered.",
            what, pole, by, c->leg[f->pole]);
        break;
    }
    return out;
}
