#include "house_parts.h"

#include <math.h>

#define FAULT_SECONDS 0.015 /* a magnetic trip clears within about a cycle */
#define LOST_NEUTRAL_OHMS 5000.0
#define TURN (2.0 * 3.14159265358979323846)
#define NOTICE_SECONDS 12.0 /* until somebody who stands by switches off what went dead */

struct pole *house_pole_of(const struct house *h, const struct site_circuit *c, int pole)
{
    return &h->poles[c->first_pole + pole];
}

/* the panel's leg that a pole hangs on, 0-based */
static int leg_of(const struct house *h, const struct site_circuit *c, int pole)
{
    int leg = c->leg[pole] - 'A';
    return leg >= 0 && leg < h->site->panels[c->panel].legs ? leg : 0;
}

/* the feeder's pole that brings a panel's leg: the one of the same letter, else of the same
 * place */
static int feeder_pole(const struct site_circuit *feeder, int leg)
{
    for (int k = 0; k < feeder->poles; k++)
        if (feeder->leg[k] == 'A' + leg)
            return k;
    return leg < feeder->poles ? leg : 0;
}

double house_hotter_pole(const struct house *h, size_t circuit)
{
    const struct site_circuit *c = &h->site->circuits[circuit];
    double most = 0.0;
    for (int k = 0; k < c->poles; k++)
        most = fmax(most, house_pole_of(h, c, k)->amps[0]);
    return most;
}

/* ---- volts: from the utility outwards ---- */

static void volts_of_panel(struct house *h, int p)
{
    const struct site_panel *panel = &h->site->panels[p];
    struct panel *here = &h->panels[p];
    if (panel->fed_by < 0) {
        double emf = h->outage ? 0.0
                               : h->site->nominal_volts *
                                     (h->spec->supply_percent / 100.0 + h->emf_wander);
        here->supply.neutral_ohms = h->neutral_lost ? LOST_NEUTRAL_OHMS : h->spec->neutral_ohms;
        house_supply_solve(&here->supply, emf, here->legs);
        return;
    }
    const struct site_circuit *feeder = &h->site->circuits[panel->fed_by];
    for (int k = 0; k < panel->legs; k++) {
        const struct pole *from = house_pole_of(h, feeder, feeder_pole(feeder, k));
        double amps = here->legs[k].across_amps + here->legs[k].neutral_amps;
        for (int j = 0; j < panel->legs; j++) /* and what the neutral carries of it */
            amps += here->legs[j].neutral_amps * cos(TURN / panel->legs * (k - j));
        here->legs[k].volts = fmax(0.0, from->volts - h->spec->feeder_ohms * amps);
    }
}

static void volts_of_circuits(struct house *h, int p)
{
    for (size_t i = 0; i < h->site->circuit_count; i++) {
        const struct site_circuit *c = &h->site->circuits[i];
        if (c->panel != p)
            continue;
        struct breaker *b = &h->breakers[i];
        bool live = b->closed;
        for (int k = 0; k < c->poles; k++) {
            struct pole *pole = house_pole_of(h, c, k);
            pole->line_volts = h->panels[p].legs[leg_of(h, c, k)].volts;
            pole->volts = b->closed ? pole->line_volts : 0.0;
            live = live && pole->volts > 0.2 * h->site->nominal_volts;
        }
        if (b->live && !live)
            b->dead_since = house_seconds(h);
        if (b->closed && !live && !b->unfed)
            house_tell(h, HOUSE_CIRCUIT_DEAD, (int)i, -1, 0.0, 0.0);
        else if (b->unfed && live)
            house_tell(h, HOUSE_CIRCUIT_BACK, (int)i, -1, 0.0, 0.0);
        b->unfed = b->closed && !live;
        b->live = live;
    }
}

/* ---- watts: from the loads inwards ---- */

/* volts across the load, and what they are nominally */
static double load_volts(const struct house *h, const struct house_load_spec *s,
                         double *nominal)
{
    const struct site_circuit *c = &h->site->circuits[s->circuit];
    if (s->pole != HOUSE_ALL_POLES || c->poles == 1) {
        *nominal = h->site->nominal_volts;
        return house_pole_of(h, c, s->pole == HOUSE_ALL_POLES ? 0 : s->pole)->volts;
    }
    /* between two legs half a turn (2 legs) or a third (3 legs) apart */
    double factor = h->site->panels[c->panel].legs == 3 ? sqrt(3.0) : 2.0;
    double sum = 0.0;
    for (int k = 0; k < c->poles; k++)
        sum += house_pole_of(h, c, k)->volts;
    *nominal = factor * h->site->nominal_volts;
    return factor * sum / c->poles;
}

/* three wires share a three-pole load, two share one between two legs */
static void add_load(struct house *h, const struct house_load_spec *s, double watts,
                     double volts)
{
    const struct site_circuit *c = &h->site->circuits[s->circuit];
    bool across = s->pole == HOUSE_ALL_POLES && c->poles > 1;
    int first = across || s->pole == HOUSE_ALL_POLES ? 0 : s->pole;
    int count = across ? c->poles : 1;
    double vars = watts * sqrt(1.0 / (s->power_factor * s->power_factor) - 1.0);
    double wires = count == 3 ? sqrt(3.0) : 1.0;
    double amps = watts / (s->power_factor * fmax(volts, 1.0) * wires);
    for (int k = first; k < first + count; k++) {
        struct pole *pole = house_pole_of(h, c, k);
        pole->watts += watts / count;
        pole->vars += vars / count;
        *(across ? &pole->across_amps : &pole->neutral_amps) += amps;
    }
}

static double running_amps(const struct house *h, const struct house_load *l)
{
    const struct house_load_spec *s = l->spec;
    const struct site_circuit *c = &h->site->circuits[s->circuit];
    double nominal;
    load_volts(h, s, &nominal);
    double wires = s->pole == HOUSE_ALL_POLES && c->poles == 3 ? sqrt(3.0) : 1.0;
    return l->run_watts / (s->power_factor * nominal * wires);
}

/* pow is dear, and for the usual loads there is nothing to reckon */
static double raised(double volts_share, double exponent)
{
    return exponent == 0.0 ? 1.0 : exponent == 1.0 ? volts_share : pow(volts_share, exponent);
}

static void switch_load(struct house *h, size_t i, bool on)
{
    struct house_load *l = &h->loads[i];
    l->drawing = on;
    if (on) {
        l->since = house_seconds(h);
        l->run_watts =
            l->spec->watts * fmax(0.2, 1.0 + chance_normal(&l->chance, 0.0, l->spec->spread));
        if (chance_happens(&l->chance, l->spec->fault_chance) || l->broken)
            l->shorted = true;
    }
    if (l->spec->trace)
        return; /* a recording comes and goes within itself */
    enum house_note_kind kind = on ? HOUSE_LOAD_ON : HOUSE_LOAD_OFF;
    if (!on && !h->breakers[l->spec->circuit].live)
        kind = HOUSE_LOAD_LOST;
    house_tell(h, kind, l->spec->circuit, (int)i, running_amps(h, l),
               on ? 0.0 : house_seconds(h) - l->since);
}

/* the dust collector follows the saw, and clears its hose when that has stopped */
static void follow(const struct house *h, struct house_load *l)
{
    const struct house_load *leader = &h->loads[l->spec->with];
    double now = house_seconds(h), on = l->spec->runs_on_seconds;
    if (leader->in_use && !l->in_use)
        house_load_start(l, now, fmax(1.0, leader->until - now) + on);
    else if (!leader->in_use && l->in_use && on > 0.0)
        l->until = fmin(l->until, now + on);
    else if (!leader->in_use && l->in_use)
        house_load_stop(l);
}

static void live_load(struct house *h, size_t i, int hour)
{
    struct house_load *l = &h->loads[i];
    const struct house_load_spec *s = l->spec;
    struct breaker *b = &h->breakers[s->circuit];
    house_load_live(l, house_seconds(h), HOUSE_STEP_SECONDS, hour);
    if (s->with >= 0)
        follow(h, l);
    if (!b->live && s->attended && l->in_use &&
        house_seconds(h) - b->dead_since > NOTICE_SECONDS)
        house_load_stop(l);
    bool on = b->live && house_load_wanted(l);
    if (on != l->drawing)
        switch_load(h, i, on);
    if (!on)
        return;
    b->shorted = b->shorted || l->shorted;
    double nominal, volts = load_volts(h, s, &nominal);
    double watts = house_load_watts(l, house_seconds(h), HOUSE_STEP_SECONDS);
    add_load(h, s, watts * raised(volts / nominal, s->volts_exponent), volts);
}

/* ---- currents: through the breakers to the supply ---- */

/* a short circuit is limited by the conductors alone */
static double fault_amps(const struct house *h, size_t i)
{
    const struct breaker *b = &h->breakers[i];
    if (!b->live || !(b->shorted || house_seconds(h) < b->faulty_until))
        return 0.0;
    double branch_ohms = 0.25; /* some 25 m of branch circuit, there and back */
    return house_pole_of(h, &h->site->circuits[i], 0)->volts /
           (branch_ohms + h->spec->source_ohms + h->spec->neutral_ohms);
}

static enum trip_unit_verdict heat_pole(const struct breaker *b, struct pole *pole,
                                        double celsius)
{
    double amps = b->live ? hypot(pole->watts, pole->vars) / fmax(pole->volts, 1.0) : 0.0;
    double fault = pole->fault_amps;
    enum trip_unit_verdict v =
        trip_unit_step(&b->unit, &pole->heat, amps + fault, celsius, HOUSE_STEP_SECONDS);
    double share = 1.0;
    if (v == TRIP_UNIT_MAGNET) { /* it is gone before the step is over, and so is its heat */
        share = FAULT_SECONDS / HOUSE_STEP_SECONDS;
        pole->heat.bimetal = fmin(pole->heat.bimetal, 1.0);
    }
    pole->amps[1] = pole->amps[0];
    pole->amps[0] = sqrt(amps * amps + share * fault * fault);
    return v;
}

static void heat_breaker(struct house *h, size_t i, double celsius)
{
    const struct site_circuit *c = &h->site->circuits[i];
    enum trip_unit_verdict worst = TRIP_UNIT_HOLDS;
    for (int k = 0; k < c->poles; k++) {
        enum trip_unit_verdict v = heat_pole(&h->breakers[i], house_pole_of(h, c, k), celsius);
        worst = v > worst ? v : worst;
    }
    if (worst != TRIP_UNIT_HOLDS && h->breakers[i].closed)
        house_open_breaker(
            h, i, worst == TRIP_UNIT_MAGNET ? HOUSE_OPENED_BY_FAULT : HOUSE_OPENED_BY_HEAT);
}

static void sum_panel(struct house *h, int p)
{
    const struct site_panel *panel = &h->site->panels[p];
    struct panel *here = &h->panels[p];
    double watts[SITE_MAX_LEGS] = {0}, vars[SITE_MAX_LEGS] = {0}, fault[SITE_MAX_LEGS] = {0};
    for (int k = 0; k < panel->legs; k++)
        here->legs[k].neutral_amps = here->legs[k].across_amps = 0.0;
    for (size_t i = 0; i < h->site->circuit_count; i++) {
        const struct site_circuit *c = &h->site->circuits[i];
        for (int k = 0; c->panel == p && k < c->poles; k++) {
            const struct pole *pole = house_pole_of(h, c, k);
            int leg = leg_of(h, c, k);
            watts[leg] += pole->watts;
            vars[leg] += pole->vars;
            fault[leg] += pole->fault_amps;
            here->legs[leg].neutral_amps += pole->neutral_amps;
            here->legs[leg].across_amps += pole->across_amps;
        }
    }
    if (panel->fed_by < 0)
        return;
    const struct site_circuit *feeder = &h->site->circuits[panel->fed_by];
    for (int k = 0; k < panel->legs; k++) {
        struct pole *pole = house_pole_of(h, feeder, feeder_pole(feeder, k));
        pole->watts += watts[k];
        pole->vars += vars[k];
        pole->fault_amps += fault[k];
        pole->neutral_amps += here->legs[k].neutral_amps;
        pole->across_amps += here->legs[k].across_amps;
    }
}

void house_feed_volts(struct house *h)
{
    for (size_t i = h->site->panel_count; i-- > 0;) {
        volts_of_panel(h, h->order[i]);
        volts_of_circuits(h, h->order[i]);
    }
}

void house_run_loads(struct house *h)
{
    for (size_t k = 0; k < h->site->poles_total; k++) {
        struct pole *p = &h->poles[k];
        p->watts = p->vars = p->neutral_amps = p->across_amps = p->fault_amps = 0.0;
    }
    for (size_t i = 0; i < h->site->circuit_count; i++)
        h->breakers[i].shorted = false;
    int hour = house_hour(h);
    for (size_t i = 0; i < h->spec->load_count; i++)
        live_load(h, i, hour);
    for (size_t i = 0; i < h->site->circuit_count; i++)
        house_pole_of(h, &h->site->circuits[i], 0)->fault_amps = fault_amps(h, i);
}

void house_sum_currents(struct house *h)
{
    for (size_t i = 0; i < h->site->panel_count; i++)
        sum_panel(h, h->order[i]);
}

void house_heat_breakers(struct house *h, double celsius)
{
    for (size_t i = 0; i < h->site->circuit_count; i++)
        heat_breaker(h, i, celsius);
}
