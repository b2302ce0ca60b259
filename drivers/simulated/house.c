#include "house.h"
#include "house_supply.h"

#include <math.h>
#include <stdlib.h>

#define STEP (HOUSE_STEP_MS / 1000.0)
#define DAY 86400.0
#define FAULT_SECONDS 0.015 /* a magnetic trip clears within about a cycle */
#define LOST_NEUTRAL_OHMS 5000.0
#define NOTICE_SECONDS 12.0 /* until somebody who stands by switches off what went dead */

struct pole {
    double watts, vars; /* of the running step */
    double neutral_amps, across_amps;
    double fault_amps; /* into a short circuit at or behind it */
    double amps[2];    /* of the last two steps: the meter's window */
    double line_volts; /* to neutral, before the breaker: where a panel's meter taps them */
    double volts;      /* the same behind it */
    struct trip_heat heat;
};

struct breaker {
    struct trip_unit unit;
    bool closed;
    bool live;  /* closed, and volts before it */
    bool unfed; /* closed, and no volts before it */
    double opened_at;
    double reset_at;     /* INFINITY: nobody comes */
    double faulty_until; /* a script's short circuit */
    double dead_since;
};

struct panel {
    struct house_leg legs[SITE_MAX_LEGS];
    struct house_supply supply; /* of a panel fed by the utility */
};

struct house {
    const struct site *site;
    const struct house_spec *spec;
    house_sink *sink;
    void *context;
    struct chance chance;
    double start_second;
    int64_t now_ms;
    bool quiet; /* warming up */
    struct house_load *loads;
    struct breaker *breakers;
    struct pole *poles;
    struct panel *panels;
    int *order; /* panels, those deepest in first */
    size_t script_next;
    double script_offset;
    double emf_wander; /* slow swing of the utility's volts, share of nominal */
    double air_wander; /* celsius */
    double outage_until, neutral_until;
    bool outage, neutral_lost;
};

static void note(struct house *h, enum house_note_kind kind, int circuit, int load, double amps,
                 double seconds)
{
    struct house_note n = {h->now_ms, kind, circuit, load, amps, seconds};
    if (!h->quiet && h->sink)
        h->sink(h->context, &n);
}

static double now(const struct house *h)
{
    return (double)h->now_ms / 1000.0;
}

static int depth(const struct site *s, int panel)
{
    int n = 0;
    for (int c = s->panels[panel].fed_by; c >= 0 && n < SITE_MAX_PANELS; n++)
        c = s->panels[s->circuits[c].panel].fed_by;
    return n;
}

static void order_panels(struct house *h)
{
    size_t n = 0;
    for (int d = SITE_MAX_PANELS; d >= 0; d--)
        for (size_t p = 0; p < h->site->panel_count; p++)
            if (depth(h->site, (int)p) == d)
                h->order[n++] = (int)p;
}

static struct pole *pole_of(const struct house *h, const struct site_circuit *c, int pole)
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

static void install_breakers(struct house *h, uint64_t seed)
{
    for (size_t i = 0; i < h->site->circuit_count; i++) {
        const struct site_circuit *c = &h->site->circuits[i];
        struct chance own = chance_seed(seed, c->id);
        enum trip_unit_condition condition = TRIP_UNIT_SOUND;
        for (size_t b = 0; b < h->spec->breaker_count; b++)
            if (h->spec->breakers[b].circuit == (int)i)
                condition = h->spec->breakers[b].condition;
        h->breakers[i] = (struct breaker){
            .unit =
                trip_unit_draw(h->site->standard, c->breaker_amps, c->type, condition, &own),
            .closed = true,
            .reset_at = INFINITY,
            .faulty_until = -(double)INFINITY,
        };
    }
}

static void reset_by_hand(struct house *h, size_t i);

struct house *house_create(const struct site *site, const struct house_spec *spec,
                           uint64_t seed, double start_second, house_sink *sink, void *context)
{
    struct house *h = calloc(1, sizeof *h);
    if (!h)
        return NULL;
    *h = (struct house){.site = site, .spec = spec, .sink = sink, .context = context};
    h->loads = calloc(spec->load_count + 1, sizeof *h->loads);
    h->breakers = calloc(site->circuit_count + 1, sizeof *h->breakers);
    h->poles = calloc(site->poles_total + 1, sizeof *h->poles);
    h->panels = calloc(site->panel_count + 1, sizeof *h->panels);
    h->order = calloc(site->panel_count + 1, sizeof *h->order);
    if (!h->loads || !h->breakers || !h->poles || !h->panels || !h->order) {
        house_destroy(h);
        return NULL;
    }
    h->chance = chance_seed(seed, "house");
    h->start_second = start_second;
    h->outage_until = h->neutral_until = -(double)INFINITY;
    order_panels(h);
    install_breakers(h, seed);
    for (size_t i = 0; i < spec->load_count; i++)
        house_load_init(&h->loads[i], &spec->loads[i], seed);
    for (size_t p = 0; p < site->panel_count; p++) {
        h->panels[p].supply =
            (struct house_supply){site->panels[p].legs, spec->source_ohms, spec->neutral_ohms};
        for (int k = 0; k < site->panels[p].legs; k++)
            h->panels[p].legs[k].volts = site->nominal_volts;
    }
    h->quiet = true;
    h->now_ms = -(int64_t)(spec->warm_up_seconds * 10.0) * 100;
    house_advance(h, 0);
    for (size_t i = 0; i < site->circuit_count; i++)
        if (!h->breakers[i].closed)
            reset_by_hand(h, i);
    h->quiet = false;
    return h;
}

void house_destroy(struct house *h)
{
    if (!h)
        return;
    free(h->loads);
    free(h->breakers);
    free(h->poles);
    free(h->panels);
    free(h->order);
    free(h);
}

void house_spec_free(struct house_spec *spec)
{
    free(spec->loads);
    free(spec->script);
    free(spec->breakers);
    *spec = (struct house_spec){0};
}

/* ---- hands ------------------------------------------------------------------------------- */

static double hotter_pole(const struct house *h, size_t circuit)
{
    const struct site_circuit *c = &h->site->circuits[circuit];
    double most = 0.0;
    for (int k = 0; k < c->poles; k++)
        most = fmax(most, pole_of(h, c, k)->amps[0]);
    return most;
}

static void open_breaker(struct house *h, size_t i, enum house_note_kind why)
{
    struct breaker *b = &h->breakers[i];
    if (!b->closed)
        return;
    b->closed = false;
    b->opened_at = now(h);
    b->reset_at =
        h->spec->reset.most > 0.0
            ? now(h) + chance_between(&h->chance, h->spec->reset.least, h->spec->reset.most)
            : (double)INFINITY;
    note(h, why, (int)i, -1, hotter_pole(h, i), 0.0);
}

static void reset_by_hand(struct house *h, size_t i)
{
    struct breaker *b = &h->breakers[i];
    if (b->closed)
        return;
    for (size_t k = 0; k < h->spec->load_count; k++) {
        struct house_load *l = &h->loads[k];
        if (l->spec->circuit == (int)i &&
            (l->shorted || (!l->spec->always && !l->spec->trace)) &&
            chance_happens(&h->chance, h->spec->unplug_chance))
            house_load_stop(l);
    }
    b->closed = true;
    b->reset_at = INFINITY;
    note(h, HOUSE_RESET, (int)i, -1, 0.0, now(h) - b->opened_at);
}

static void act(struct house *h, const struct house_script *s)
{
    switch (s->act) {
    case HOUSE_ACT_ON: house_load_start(&h->loads[s->load], now(h), s->seconds); break;
    case HOUSE_ACT_OFF: house_load_stop(&h->loads[s->load]); break;
    case HOUSE_ACT_FAULT: h->breakers[s->circuit].faulty_until = now(h) + FAULT_SECONDS; break;
    case HOUSE_ACT_OPEN: open_breaker(h, (size_t)s->circuit, HOUSE_OPENED_BY_HAND); break;
    case HOUSE_ACT_RESET: reset_by_hand(h, (size_t)s->circuit); break;
    case HOUSE_ACT_OUTAGE: h->outage_until = now(h) + s->seconds; break;
    case HOUSE_ACT_LOSE_NEUTRAL: h->neutral_until = now(h) + s->seconds; break;
    }
}

static void follow_script(struct house *h)
{
    const struct house_spec *s = h->spec;
    if (h->now_ms < 0)
        return;
    if (s->script_again > 0.0 && now(h) >= h->script_offset + s->script_again) {
        h->script_offset += s->script_again;
        h->script_next = 0;
    }
    while (h->script_next < s->script_count &&
           s->script[h->script_next].at + h->script_offset <= now(h))
        act(h, &s->script[h->script_next++]);
}

static void people_and_utility(struct house *h)
{
    const struct house_spec *s = h->spec;
    for (size_t i = 0; i < h->site->circuit_count; i++)
        if (!h->breakers[i].closed && now(h) >= h->breakers[i].reset_at)
            reset_by_hand(h, i);
    if (h->quiet)
        return;
    if (chance_happens(&h->chance, s->hands_per_day * STEP / DAY))
        open_breaker(h, (size_t)chance_between(&h->chance, 0.0, (double)h->site->circuit_count),
                     HOUSE_OPENED_BY_HAND);
    if (chance_happens(&h->chance, s->outages_per_day * STEP / DAY))
        h->outage_until = now(h) + chance_between(&h->chance, 2.0, 1800.0);
    if (h->outage != (now(h) < h->outage_until)) {
        h->outage = !h->outage;
        note(h, h->outage ? HOUSE_OUTAGE : HOUSE_SUPPLY_BACK, -1, -1, 0.0, 0.0);
    }
    if (h->neutral_lost != (now(h) < h->neutral_until)) {
        h->neutral_lost = !h->neutral_lost;
        note(h, h->neutral_lost ? HOUSE_NEUTRAL_LOST : HOUSE_NEUTRAL_BACK, -1, -1, 0.0, 0.0);
    }
}

/* ---- volts: from the utility outwards -------------------------------------------------------
 */

static void volts_of_panel(struct house *h, int p)
{
    const struct site_panel *panel = &h->site->panels[p];
    struct panel *here = &h->panels[p];
    if (panel->fed_by < 0) {
        double emf = h->outage ? 0.0 : h->site->nominal_volts * (1.015 + h->emf_wander);
        here->supply.neutral_ohms = h->neutral_lost ? LOST_NEUTRAL_OHMS : h->spec->neutral_ohms;
        house_supply_solve(&here->supply, emf, here->legs);
        return;
    }
    const struct site_circuit *feeder = &h->site->circuits[panel->fed_by];
    for (int k = 0; k < panel->legs; k++) {
        const struct pole *from = pole_of(h, feeder, feeder_pole(feeder, k));
        here->legs[k].volts =
            fmax(0.0, from->volts - h->spec->feeder_ohms * (here->legs[k].across_amps +
                                                            2.0 * here->legs[k].neutral_amps));
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
            struct pole *pole = pole_of(h, c, k);
            pole->line_volts = h->panels[p].legs[leg_of(h, c, k)].volts;
            pole->volts = b->closed ? pole->line_volts : 0.0;
            live = live && pole->volts > 0.2 * h->site->nominal_volts;
        }
        if (b->live && !live)
            b->dead_since = now(h);
        if (b->closed && !live && !b->unfed)
            note(h, HOUSE_CIRCUIT_DEAD, (int)i, -1, 0.0, 0.0);
        else if (b->unfed && live)
            note(h, HOUSE_CIRCUIT_BACK, (int)i, -1, 0.0, 0.0);
        b->unfed = b->closed && !live;
        b->live = live;
    }
}

/* ---- watts: from the loads inwards ----------------------------------------------------------
 */

static int local_hour(const struct house *h)
{
    double second = fmod(h->start_second + now(h) + 10.0 * DAY, DAY);
    return (int)(second / 3600.0) % 24;
}

/* volts across the load, and what they are nominally */
static double load_volts(const struct house *h, const struct house_load_spec *s,
                         double *nominal)
{
    const struct site_circuit *c = &h->site->circuits[s->circuit];
    if (s->pole != HOUSE_ALL_POLES || c->poles == 1) {
        *nominal = h->site->nominal_volts;
        return pole_of(h, c, s->pole == HOUSE_ALL_POLES ? 0 : s->pole)->volts;
    }
    /* between two legs half a turn (2 legs) or a third (3 legs) apart */
    double factor = h->site->panels[c->panel].legs == 3 ? sqrt(3.0) : 2.0;
    double sum = 0.0;
    for (int k = 0; k < c->poles; k++)
        sum += pole_of(h, c, k)->volts;
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
    double vars = watts * tan(acos(s->power_factor));
    double wires = count == 3 ? sqrt(3.0) : 1.0;
    double amps = watts / (s->power_factor * fmax(volts, 1.0) * wires);
    for (int k = first; k < first + count; k++) {
        struct pole *pole = pole_of(h, c, k);
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

static void switch_load(struct house *h, size_t i, bool on)
{
    struct house_load *l = &h->loads[i];
    l->drawing = on;
    if (on) {
        l->since = now(h);
        l->run_watts =
            l->spec->watts * fmax(0.2, 1.0 + chance_normal(&l->chance, 0.0, l->spec->spread));
        if (chance_happens(&l->chance, l->spec->fault_chance))
            l->shorted = true;
    }
    if (l->spec->trace)
        return; /* a recording comes and goes within itself */
    enum house_note_kind kind = on ? HOUSE_LOAD_ON : HOUSE_LOAD_OFF;
    if (!on && !h->breakers[l->spec->circuit].live)
        kind = HOUSE_LOAD_LOST;
    note(h, kind, l->spec->circuit, (int)i, running_amps(h, l), on ? 0.0 : now(h) - l->since);
}

static void live_load(struct house *h, size_t i)
{
    struct house_load *l = &h->loads[i];
    const struct house_load_spec *s = l->spec;
    const struct breaker *b = &h->breakers[s->circuit];
    house_load_live(l, now(h), STEP, local_hour(h));
    if (s->with >= 0) { /* the dust collector follows the saw */
        const struct house_load *leader = &h->loads[s->with];
        if (leader->in_use && !l->in_use)
            house_load_start(l, now(h), fmax(1.0, leader->until - now(h)));
        else if (!leader->in_use && l->in_use)
            house_load_stop(l);
    }
    if (!b->live && s->attended && l->in_use && now(h) - b->dead_since > NOTICE_SECONDS)
        house_load_stop(l);
    bool on = b->live && house_load_wanted(l);
    if (on != l->drawing)
        switch_load(h, i, on);
    if (!on)
        return;
    double nominal, volts = load_volts(h, s, &nominal);
    double watts = house_load_watts(l, now(h), STEP, h->start_second + now(h));
    add_load(h, s, watts * pow(volts / nominal, s->volts_exponent), volts);
}

/* ---- currents: through the breakers to the supply ------------------------------------------
 */

/* a short circuit is limited by the conductors alone */
static double fault_amps(const struct house *h, size_t i)
{
    const struct site_circuit *c = &h->site->circuits[i];
    bool shorted = now(h) < h->breakers[i].faulty_until;
    for (size_t k = 0; k < h->spec->load_count; k++)
        shorted = shorted || (h->loads[k].drawing && h->loads[k].shorted &&
                              h->loads[k].spec->circuit == (int)i);
    if (!shorted || !h->breakers[i].live)
        return 0.0;
    double branch_ohms = 0.25; /* some 25 m of branch circuit, there and back */
    return pole_of(h, c, 0)->volts /
           (branch_ohms + h->spec->source_ohms + h->spec->neutral_ohms);
}

static enum trip_unit_verdict heat_pole(const struct breaker *b, struct pole *pole,
                                        double celsius)
{
    double amps = b->live ? hypot(pole->watts, pole->vars) / fmax(pole->volts, 1.0) : 0.0;
    double fault = pole->fault_amps;
    enum trip_unit_verdict v =
        trip_unit_step(&b->unit, &pole->heat, amps + fault, celsius, STEP);
    double share = 1.0;
    if (v == TRIP_UNIT_MAGNET) { /* it is gone before the step is over, and so is its heat */
        share = FAULT_SECONDS / STEP;
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
        enum trip_unit_verdict v = heat_pole(&h->breakers[i], pole_of(h, c, k), celsius);
        worst = v > worst ? v : worst;
    }
    if (worst != TRIP_UNIT_HOLDS && h->breakers[i].closed)
        open_breaker(h, i,
                     worst == TRIP_UNIT_MAGNET ? HOUSE_OPENED_BY_FAULT : HOUSE_OPENED_BY_HEAT);
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
            const struct pole *pole = pole_of(h, c, k);
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
        struct pole *pole = pole_of(h, feeder, feeder_pole(feeder, k));
        pole->watts += watts[k];
        pole->vars += vars[k];
        pole->fault_amps += fault[k];
        pole->neutral_amps += here->legs[k].neutral_amps;
        pole->across_amps += here->legs[k].across_amps;
    }
}

static double celsius(const struct house *h)
{
    double day = 2.0 * 3.14159265358979323846 * (h->start_second + now(h)) / DAY;
    return h->spec->ambient_celsius - h->spec->ambient_swing * cos(day) + h->air_wander;
}

/* mean-reverting walks with a memory of minutes; small beside what loads do */
static void wander(struct house *h)
{
    h->emf_wander += -h->emf_wander * STEP / 600.0 + chance_normal(&h->chance, 0.0, 1.5e-4);
    h->air_wander += -h->air_wander * STEP / 1800.0 + chance_normal(&h->chance, 0.0, 0.005);
}

static void step(struct house *h)
{
    follow_script(h);
    people_and_utility(h);
    wander(h);
    for (size_t i = h->site->panel_count; i-- > 0;) {
        volts_of_panel(h, h->order[i]);
        volts_of_circuits(h, h->order[i]);
    }
    for (size_t k = 0; k < h->site->poles_total; k++)
        h->poles[k].watts = h->poles[k].vars = h->poles[k].neutral_amps =
            h->poles[k].across_amps = h->poles[k].fault_amps = 0.0;
    for (size_t i = 0; i < h->spec->load_count; i++)
        live_load(h, i);
    for (size_t i = 0; i < h->site->circuit_count; i++)
        pole_of(h, &h->site->circuits[i], 0)->fault_amps = fault_amps(h, i);
    for (size_t i = 0; i < h->site->panel_count; i++)
        sum_panel(h, h->order[i]);
    double air = celsius(h);
    for (size_t i = 0; i < h->site->circuit_count; i++)
        heat_breaker(h, i, air);
}

void house_advance(struct house *h, int64_t to_ms)
{
    while (h->now_ms + HOUSE_STEP_MS <= to_ms) {
        h->now_ms += HOUSE_STEP_MS;
        step(h);
    }
}

/* ---- what is to be seen ---------------------------------------------------------------------
 */

int64_t house_now_ms(const struct house *h)
{
    return h->now_ms;
}

struct house_pole house_read_pole(const struct house *h, size_t pole)
{
    const struct pole *p = &h->poles[pole];
    double va = hypot(p->watts, p->vars);
    return (struct house_pole){
        .amps = sqrt(0.5 * (p->amps[0] * p->amps[0] + p->amps[1] * p->amps[1])),
        .watts = p->watts,
        .volts = p->line_volts,
        .power_factor = va > 0.0 ? p->watts / va : 1.0,
    };
}

double house_read_volts(const struct house *h, size_t panel, int leg)
{
    return leg < h->site->panels[panel].legs ? h->panels[panel].legs[leg].volts : 0.0;
}

bool house_circuit_closed(const struct house *h, size_t circuit)
{
    return h->breakers[circuit].closed;
}

bool house_circuit_live(const struct house *h, size_t circuit)
{
    return h->breakers[circuit].live;
}

const struct trip_unit *house_trip_unit(const struct house *h, size_t circuit)
{
    return &h->breakers[circuit].unit;
}
