#include "house.h"
#include "house_parts.h"

#include <math.h>
#include <stdlib.h>

#define DAY 86400.0

void house_tell(struct house *h, enum house_note_kind kind, int circuit, int load, double amps,
                double seconds)
{
    struct house_note n = {h->now_ms, kind, circuit, load, amps, seconds};
    if (!h->quiet && h->sink)
        h->sink(h->context, &n);
}

double house_seconds(const struct house *h)
{
    return (double)h->now_ms / 1000.0;
}

int house_hour(const struct house *h)
{
    double second = fmod(h->start_second + house_seconds(h) + 10.0 * DAY, DAY);
    return (int)(second / 3600.0) % 24;
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

/* ---- hands ---- */

void house_open_breaker(struct house *h, size_t i, enum house_note_kind why)
{
    struct breaker *b = &h->breakers[i];
    if (!b->closed)
        return;
    b->closed = false;
    b->tripped = why != HOUSE_OPENED_BY_HAND;
    b->opened_at = house_seconds(h);
    b->reset_at = h->spec->reset.most > 0.0
                      ? house_seconds(h) + chance_between(&h->chance, h->spec->reset.least,
                                                          h->spec->reset.most)
                      : (double)INFINITY;
    house_tell(h, why, (int)i, -1, house_hotter_pole(h, i), 0.0);
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
    b->tripped = false;
    b->reset_at = INFINITY;
    house_tell(h, HOUSE_RESET, (int)i, -1, 0.0, house_seconds(h) - b->opened_at);
}

static void handle_off(struct house *h, size_t i)
{
    house_open_breaker(h, i, HOUSE_OPENED_BY_HAND);
    h->breakers[i].tripped = false;
    h->breakers[i].reset_at = INFINITY; /* whoever holds it, puts it back */
}

static void handle_on(struct house *h, size_t i)
{
    struct breaker *b = &h->breakers[i];
    if (b->closed)
        return;
    if (b->tripped) {
        house_tell(h, HOUSE_DID_NOT_LATCH, (int)i, -1, 0.0, 0.0);
        return;
    }
    b->closed = true;
    b->reset_at = INFINITY;
    house_tell(h, HOUSE_RESET, (int)i, -1, 0.0, house_seconds(h) - b->opened_at);
}

static void plug(struct house *h, int load, bool in)
{
    struct house_load *l = &h->loads[load];
    if (l->unplugged == !in)
        return;
    l->unplugged = !in;
    l->shorted = l->shorted && in;
    house_tell(h, in ? HOUSE_PLUGGED : HOUSE_UNPLUGGED, l->spec->circuit, load, 0.0, 0.0);
}

static void act(struct house *h, const struct house_script *s)
{
    switch (s->act) {
    case HOUSE_ACT_ON:
        house_load_start(&h->loads[s->load], house_seconds(h), s->seconds);
        break;
    case HOUSE_ACT_OFF: house_load_stop(&h->loads[s->load]); break;
    case HOUSE_ACT_FAULT:
        h->breakers[s->circuit].faulty_until = house_seconds(h) + HOUSE_STEP_SECONDS;
        break;
    case HOUSE_ACT_OPEN: house_open_breaker(h, (size_t)s->circuit, HOUSE_OPENED_BY_HAND); break;
    case HOUSE_ACT_RESET: reset_by_hand(h, (size_t)s->circuit); break;
    case HOUSE_ACT_HANDLE_OFF: handle_off(h, (size_t)s->circuit); break;
    case HOUSE_ACT_HANDLE_ON: handle_on(h, (size_t)s->circuit); break;
    case HOUSE_ACT_PLUG:
    case HOUSE_ACT_UNPLUG: plug(h, s->load, s->act == HOUSE_ACT_PLUG); break;
    case HOUSE_ACT_BREAK:
    case HOUSE_ACT_REPAIR:
        h->loads[s->load].broken = s->act == HOUSE_ACT_BREAK;
        h->loads[s->load].shorted = h->loads[s->load].broken && h->loads[s->load].drawing;
        break;
    case HOUSE_ACT_SHORT: h->breakers[s->circuit].faulty_until = INFINITY; break;
    case HOUSE_ACT_MEND: h->breakers[s->circuit].faulty_until = -(double)INFINITY; break;
    case HOUSE_ACT_OUTAGE: h->outage_until = house_seconds(h) + s->seconds; break;
    case HOUSE_ACT_LOSE_NEUTRAL: h->neutral_until = house_seconds(h) + s->seconds; break;
    }
}

void house_do(struct house *h, const struct house_script *s)
{
    if (h->hand_count < HOUSE_MAX_HANDS)
        h->hands[h->hand_count++] = *s;
}

static void follow_script(struct house *h)
{
    const struct house_spec *s = h->spec;
    for (size_t i = 0; i < h->hand_count; i++)
        act(h, &h->hands[i]);
    h->hand_count = 0;
    if (h->now_ms < 0)
        return;
    if (s->script_again > 0.0 && house_seconds(h) >= h->script_offset + s->script_again) {
        h->script_offset += s->script_again;
        h->script_next = 0;
    }
    while (h->script_next < s->script_count &&
           s->script[h->script_next].at + h->script_offset <= house_seconds(h))
        act(h, &s->script[h->script_next++]);
}

static void people_and_utility(struct house *h)
{
    const struct house_spec *s = h->spec;
    for (size_t i = 0; i < h->site->circuit_count; i++)
        if (!h->breakers[i].closed && house_seconds(h) >= h->breakers[i].reset_at)
            reset_by_hand(h, i);
    if (h->quiet)
        return;
    if (chance_happens(&h->chance, s->hands_per_day * HOUSE_STEP_SECONDS / DAY))
        house_open_breaker(
            h, (size_t)chance_between(&h->chance, 0.0, (double)h->site->circuit_count),
            HOUSE_OPENED_BY_HAND);
    if (chance_happens(&h->chance, s->outages_per_day * HOUSE_STEP_SECONDS / DAY))
        h->outage_until = house_seconds(h) + chance_between(&h->chance, 2.0, 1800.0);
    if (h->outage != (house_seconds(h) < h->outage_until)) {
        h->outage = !h->outage;
        house_tell(h, h->outage ? HOUSE_OUTAGE : HOUSE_SUPPLY_BACK, -1, -1, 0.0, 0.0);
    }
    if (h->neutral_lost != (house_seconds(h) < h->neutral_until)) {
        h->neutral_lost = !h->neutral_lost;
        house_tell(h, h->neutral_lost ? HOUSE_NEUTRAL_LOST : HOUSE_NEUTRAL_BACK, -1, -1, 0.0,
                   0.0);
    }
}

static double celsius(const struct house *h)
{
    double day = 2.0 * 3.14159265358979323846 * (h->start_second + house_seconds(h)) / DAY;
    return h->spec->ambient_celsius - h->spec->ambient_swing * cos(day) + h->air_wander;
}

/* mean-reverting walks with a memory of minutes, a pace a second; small beside what loads do */
static void wander(struct house *h)
{
    if (h->now_ms % 1000 != 0)
        return;
    h->emf_wander += -h->emf_wander / 600.0 + chance_normal(&h->chance, 0.0, 5e-4);
    h->air_wander += -h->air_wander / 1800.0 + chance_normal(&h->chance, 0.0, 0.016);
}

static void step(struct house *h)
{
    follow_script(h);
    people_and_utility(h);
    wander(h);
    house_feed_volts(h);
    house_run_loads(h);
    house_sum_currents(h);
    house_heat_breakers(h, celsius(h));
}

void house_advance(struct house *h, int64_t to_ms)
{
    while (h->now_ms + HOUSE_STEP_MS <= to_ms) {
        h->now_ms += HOUSE_STEP_MS;
        step(h);
    }
}

/* ---- what is to be seen ---- */

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
