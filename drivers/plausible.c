#include "plausible.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "base/clock.h"
#include "decode.h"

#define PATIENCE_US 10000000
#define MOST_AMPS 600.0
#define LEAST_SAID                                                                             \
    0.0005 /* A, W: what is no zero and smaller is a float read in the wrong order */
#define MOST_WATTS 150000.0
#define LEAST_VOLTS 80.0
#define MOST_VOLTS 290.0
#define STRONG 3
#define BAD_SHARE                                                                              \
    12 /* one bad in so many good is forgiven: a channel with a fault of its own */

/* amps and watts of a pole as the map has them, NaN when absent */
struct pole {
    double amps, watts, volts;
};

static void add(struct plausible *p, bool good, int weight)
{
    if (good)
        p->good += weight;
    else
        p->bad += weight;
}

static void judge_value(struct plausible *p, enum frame_quantity q, double v)
{
    double size = fabs(v);
    if (size == 0.0)
        return;
    switch (q) {
    case FRAME_AMPS: add(p, v >= LEAST_SAID && v <= MOST_AMPS, 1); break;
    case FRAME_WATTS: add(p, size >= LEAST_SAID && size <= MOST_WATTS, 1); break;
    case FRAME_POWER_FACTOR: add(p, size >= LEAST_SAID && size <= 1.0001, 1); break;
    case FRAME_VOLTS:
    case FRAME_PANEL_VOLTS: add(p, v >= LEAST_VOLTS && v <= MOST_VOLTS, STRONG); break;
    }
}

/* Watts are no more than volts times amps, and no less than a bad power factor leaves. */
static void judge_power(struct plausible *p, const struct pole *at, double volts)
{
    if (!isnan(at->volts))
        volts = at->volts;
    double most = volts * at->amps;
    if (!(at->amps >= 0.5) || isnan(at->watts) || isnan(most))
        return;
    add(p, fabs(at->watts) <= 1.15 * most + 5.0 && fabs(at->watts) >= 0.05 * most, STRONG);
}

struct plausible plausible_judge(const struct meter_plan *plan, const struct site *s,
                                 const uint16_t *registers)
{
    struct plausible p = {0};
    double panel_volts = s->nominal_volts;
    size_t count =
        s->poles_total > 0 ? s->poles_total : 1; /* no circuits yet: one of its own */
    struct pole *poles = calloc(count, sizeof *poles);
    for (size_t i = 0; poles && i < count; i++)
        poles[i] = (struct pole){(double)NAN, (double)NAN, (double)NAN};
    for (size_t i = 0; poles && i < plan->value_count; i++) {
        const struct meter_value *v = &plan->values[i];
        int16_t exponent = v->scale_read >= 0 ? (int16_t)registers[v->scale_at] : 0;
        double value = decode_value(v->point, registers + v->at, exponent);
        if (isnan(value))
            continue;
        judge_value(&p, v->point->quantity, value);
        size_t pole = v->index % count;
        switch (v->point->quantity) {
        case FRAME_AMPS:
            poles[pole].amps = value;
            p.amps += value >= 0.05 && value <= MOST_AMPS;
            break;
        case FRAME_WATTS: poles[pole].watts = value; break;
        case FRAME_VOLTS: poles[pole].volts = value; break;
        case FRAME_PANEL_VOLTS:
            if (value >= LEAST_VOLTS && value <= MOST_VOLTS)
                panel_volts = value;
            break;
        case FRAME_POWER_FACTOR: break;
        }
    }
    for (size_t i = 0; poles && i < count; i++)
        judge_power(&p, &poles[i], panel_volts);
    free(poles);
    return p;
}

static int last_channel(const struct meter_map *map)
{
    int last = 0;
    for (size_t i = 0; i < map->point_count; i++) {
        const struct meter_point *p = &map->points[i];
        int end = p->first_channel + p->channels - 1;
        if (p->quantity == FRAME_AMPS && end > last)
            last = end;
    }
    return last;
}

bool plausible_site(struct site *out, const struct site_bus *bus, int unit,
                    const struct meter_map *map)
{
    site_init(out);
    out->nominal_volts = 120.0;
    struct site_panel *p = site_add_panel(out);
    struct site_bus *b = site_add_bus(out);
    struct site_meter *m = site_add_meter(out);
    bool ok = p && b && m;
    if (ok) {
        snprintf(p->id, sizeof p->id, "all");
        p->legs = SITE_MAX_LEGS;
        *b = *bus;
        snprintf(m->id, sizeof m->id, "unit-%d", unit);
        snprintf(m->map, sizeof m->map, "%s", map->id);
        m->bus = m->panel = 0;
        m->unit = unit;
    }
    for (int channel = 1; ok && channel <= last_channel(map); channel++) {
        struct site_circuit *c = site_add_circuit(out);
        ok = c != NULL;
        if (!ok)
            break;
        snprintf(c->id, sizeof c->id, "channel-%d", channel);
        snprintf(c->leg, sizeof c->leg, "A");
        c->panel = c->meter = 0;
        c->poles = 1;
        c->channels[0] = channel;
    }
    if (ok)
        site_finish(out);
    else
        site_free(out);
    return ok;
}

static bool read_all(struct link *l, int unit, const struct meter_plan *plan,
                     uint16_t *registers, struct plausible *p)
{
    for (size_t i = 0; i < plan->read_count; i++) {
        const struct meter_read *r = &plan->reads[i];
        struct link_read q = {unit, r->function, r->address, r->count};
        char why[96];
        if (!link_is_open(l) && !link_open(l, clock_mono_us() + PATIENCE_US, why, sizeof why)) {
            p->fault = FAULT_CONNECTION;
            return false;
        }
        struct link_result x =
            link_read(l, &q, clock_mono_us() + PATIENCE_US, registers + r->at);
        p->fault = x.fault;
        p->exception = x.exception;
        if (x.fault != FAULT_NONE)
            return false;
    }
    return true;
}

struct plausible plausible_read(struct link *l, int unit, const struct meter_map *map)
{
    struct plausible p = {.fault = FAULT_LENGTH};
    struct site s;
    struct meter_plan plan = {0};
    struct site_bus bus = {.port = 502};
    /* without holes: a meter may refuse registers that it has not got, and be the right one */
    struct plan_line line = plan_line_without_holes(*link_line(l));
    if (!plausible_site(&s, &bus, unit, map))
        return p;
    if (meter_plan_make(&s, 0, map, &line, &plan) == METER_PLAN_OK) {
        uint16_t *registers = calloc(plan.registers + 1, sizeof *registers);
        if (registers && read_all(l, unit, &plan, registers, &p))
            p = plausible_judge(&plan, &s, registers);
        free(registers);
    }
    meter_plan_free(&plan);
    site_free(&s);
    return p;
}

int plausible_worth(const struct plausible *p)
{
    if (p->fault != FAULT_NONE || p->bad * BAD_SHARE > p->good)
        return 0;
    return p->good - 2 * p->bad;
}
