#include "house_meter.h"
#include "encode.h"
#include "house_sunspec.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static struct house_space *space_of(struct house_meter *m, int function)
{
    return &m->spaces[function == 4];
}

static void grow(struct house_space *s, int first, int last)
{
    int end = s->base + s->count;
    if (s->count == 0 || first < s->base)
        s->base = first;
    if (s->count == 0 || last >= end)
        end = last + 1;
    s->count = end - s->base;
}

static void lay_out(struct house_meter *m)
{
    if (m->map->sunspec)
        grow(&m->spaces[0], HOUSE_SUNSPEC_BASE, HOUSE_SUNSPEC_BASE + HOUSE_SUNSPEC_MOST - 1);
    for (size_t i = 0; i < m->map->point_count; i++) {
        const struct meter_point *p = &m->map->points[i];
        int last =
            p->address + (p->channels - 1) * p->stride + meter_type_registers(p->type) - 1;
        grow(space_of(m, p->function), p->address, last);
        if (p->scale_register >= 0)
            grow(space_of(m, p->function), p->scale_register, p->scale_register);
    }
}

static void wire_channels(struct house_meter *m)
{
    for (int ch = 0; ch <= METER_MAP_MAX_CHANNELS; ch++) {
        m->poles[ch] = m->circuits[ch] = -1;
        m->gains[ch] = 1.0 + chance_between(&m->chance, -0.005, 0.005);
    }
    for (size_t i = 0; i < m->site->circuit_count; i++) {
        const struct site_circuit *c = &m->site->circuits[i];
        for (int k = 0; c->meter == m->meter && k < c->poles; k++) {
            int ch = c->channels[k];
            if (ch < 1 || ch > METER_MAP_MAX_CHANNELS)
                continue;
            m->poles[ch] = c->first_pole + k;
            m->circuits[ch] = (int)i;
        }
    }
}

bool house_meter_init(struct house_meter *m, const struct site *site, int meter,
                      const struct meter_map *map, uint64_t seed)
{
    *m = (struct house_meter){.site = site, .map = map, .meter = meter, .filled_ms = INT64_MIN};
    m->chance = chance_seed(seed, site->meters[meter].id);
    lay_out(m);
    wire_channels(m);
    for (int k = 0; k < 2; k++) {
        m->spaces[k].words = calloc((size_t)m->spaces[k].count + 1, sizeof(uint16_t));
        if (!m->spaces[k].words) {
            house_meter_free(m);
            return false;
        }
    }
    return true;
}

void house_meter_free(struct house_meter *m)
{
    free(m->spaces[0].words);
    free(m->spaces[1].words);
    m->spaces[0] = m->spaces[1] = (struct house_space){0};
}

static double noisy(struct house_meter *m, double value, double floor)
{
    return value + chance_normal(&m->chance, 0.0, floor + 0.001 * fabs(value));
}

/* what the channel shows; NaN: nothing hangs on it */
static double measure(struct house_meter *m, const struct house *h, enum frame_quantity q,
                      int ch)
{
    if (q == FRAME_PANEL_VOLTS) {
        int panel = m->site->meters[m->meter].panel;
        if (panel < 0 || ch > m->site->panels[panel].legs)
            return (double)NAN;
        double volts = house_read_volts(h, (size_t)panel, ch - 1);
        return volts > 1.0 ? noisy(m, volts, 0.02) : 0.0;
    }
    if (ch > METER_MAP_MAX_CHANNELS || m->poles[ch] < 0)
        return (double)NAN;
    const struct site_circuit *c = &m->site->circuits[m->circuits[ch]];
    struct house_pole p = house_read_pole(h, (size_t)m->poles[ch]);
    switch (q) {
    case FRAME_AMPS: return fmax(0.0, noisy(m, p.amps * m->gains[ch] / c->ct_ratio, 0.004));
    case FRAME_WATTS:
        return noisy(m, p.watts * m->gains[ch] / c->ct_ratio, 0.4) *
               (c->ct_reversed ? -1.0 : 1.0);
    case FRAME_VOLTS: return p.volts > 1.0 ? noisy(m, p.volts, 0.02) : 0.0;
    case FRAME_POWER_FACTOR: return p.power_factor;
    case FRAME_PANEL_VOLTS: break;
    }
    return (double)NAN;
}

static void fill_sunspec(struct house_meter *m, const struct house *h, int64_t before_ms)
{
    int panel = m->site->meters[m->meter].panel;
    struct house_phases p = {.legs = panel >= 0 ? m->site->panels[panel].legs : 1,
                             .floats = m->floats};
    for (int k = 0; k < p.legs; k++) {
        double watts = measure(m, h, FRAME_WATTS, k + 1), volts;
        volts = measure(m, h, FRAME_PANEL_VOLTS, k + 1);
        p.amps[k] = measure(m, h, FRAME_AMPS, k + 1);
        p.watts[k] = watts;
        p.power_factor[k] = measure(m, h, FRAME_POWER_FACTOR, k + 1);
        p.volts[k] = isnan(volts) ? measure(m, h, FRAME_VOLTS, k + 1) : volts;
        if (before_ms != INT64_MIN && watts > 0.0)
            m->watt_hours += watts * (double)(m->filled_ms - before_ms) / 3600000.0;
    }
    p.watt_hours = m->watt_hours;
    m->spaces[0].count =
        house_sunspec_fill(&p, m->site->meters[m->meter].id, m->spaces[0].words);
}

void house_meter_fill(struct house_meter *m, const struct house *h)
{
    int64_t before_ms = m->filled_ms;
    if (house_now_ms(h) == m->filled_ms)
        return;
    m->filled_ms = house_now_ms(h);
    if (m->map->sunspec)
        fill_sunspec(m, h, before_ms);
    for (size_t i = 0; i < m->map->point_count; i++) {
        const struct meter_point *p = &m->map->points[i];
        struct house_space *s = space_of(m, p->function);
        int exponent = encode_exponent(p);
        if (p->scale_register >= 0)
            s->words[p->scale_register - s->base] = (uint16_t)exponent;
        for (int k = 0; k < p->channels; k++) {
            uint16_t words[ENCODE_MAX_WORDS];
            double value = measure(m, h, p->quantity, p->first_channel + k);
            int n = encode_value(p, exponent, value, words);
            memcpy(&s->words[p->address + k * p->stride - s->base], words,
                   (size_t)n * sizeof words[0]);
        }
    }
}

bool house_meter_read(const struct house_meter *m, int function, int address, int count,
                      uint16_t *out)
{
    const struct house_space *s = &m->spaces[function == 4];
    if (address < s->base || address + count > s->base + s->count)
        return false;
    memcpy(out, &s->words[address - s->base], (size_t)count * sizeof out[0]);
    return true;
}
