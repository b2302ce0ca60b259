#include "meter_plan.h"

#include <math.h>
#include <stdlib.h>

#include "decode.h"

/* the registers wanted of one function's space, and the reads that cover them */
struct space {
    int function;
    struct plan_span *spans;
    size_t span_count;
    struct plan_read *reads;
    int read_count;
};

static void add_value(struct meter_plan *plan, const struct meter_point *p, int channel,
                      size_t index, double factor)
{
    if (channel < p->first_channel || channel >= p->first_channel + p->channels)
        return;
    struct meter_value *v = &plan->values[plan->value_count++];
    *v = (struct meter_value){.point = p, .index = (uint32_t)index, .factor = factor};
    int address = p->address + (channel - p->first_channel) * p->stride;
    v->at = (size_t)address; /* for now; locate_values makes a place of it */
}

static double ct_factor(const struct site_circuit *c, enum frame_quantity q)
{
    if (q == FRAME_AMPS)
        return c->ct_ratio;
    if (q == FRAME_WATTS)
        return c->ct_reversed ? -c->ct_ratio : c->ct_ratio;
    return 1.0;
}

static void want_circuit(struct meter_plan *plan, const struct site *s,
                         const struct meter_map *map, const struct site_circuit *c)
{
    for (size_t i = 0; i < map->point_count; i++) {
        const struct meter_point *p = &map->points[i];
        if (p->quantity == FRAME_PANEL_VOLTS)
            continue;
        for (int pole = 0; pole < c->poles; pole++)
            add_value(plan, p, c->channels[pole],
                      (size_t)p->quantity * s->poles_total + (size_t)(c->first_pole + pole),
                      ct_factor(c, p->quantity));
    }
}

static void want_panel(struct meter_plan *plan, const struct site *s,
                       const struct meter_map *map, int panel)
{
    for (size_t i = 0; i < map->point_count; i++)
        for (int leg = 0; leg < s->panels[panel].legs; leg++)
            if (map->points[i].quantity == FRAME_PANEL_VOLTS)
                add_value(plan, &map->points[i], leg + 1,
                          4 * s->poles_total + 3 * (size_t)panel + (size_t)leg, 1.0);
}

static size_t most_values(const struct site *s, int meter, const struct meter_map *map)
{
    size_t poles = 0;
    for (size_t i = 0; i < s->circuit_count; i++)
        if (s->circuits[i].meter == meter)
            poles += (size_t)s->circuits[i].poles;
    return (poles + SITE_MAX_LEGS) * map->point_count;
}

/* the spans of one function's space: every value, and each point's scale register once */
static void collect_spans(const struct meter_plan *plan, struct space *space)
{
    const struct meter_point *last = NULL;
    for (size_t i = 0; i < plan->value_count; i++) {
        const struct meter_value *v = &plan->values[i];
        if (v->point->function != space->function)
            continue;
        space->spans[space->span_count++] =
            (struct plan_span){(int)v->at, meter_type_registers(v->point->type)};
        if (v->point->scale_register >= 0 && v->point != last)
            space->spans[space->span_count++] = (struct plan_span){v->point->scale_register, 1};
        last = v->point;
    }
}

/* a read bridges when its spans do not touch each other all along */
static bool bridges(const struct plan_read *r, const struct plan_span *sorted, size_t count)
{
    int reached = r->address;
    for (size_t i = 0; i < count; i++) {
        if (sorted[i].address < r->address || sorted[i].address >= r->address + r->count)
            continue;
        if (sorted[i].address > reached)
            return true;
        if (sorted[i].address + sorted[i].count > reached)
            reached = sorted[i].address + sorted[i].count;
    }
    return false;
}

static void take_reads(struct meter_plan *plan, const struct space *space)
{
    for (int i = 0; i < space->read_count; i++) {
        struct meter_read *r = &plan->reads[plan->read_count++];
        *r = (struct meter_read){
            .function = space->function,
            .address = space->reads[i].address,
            .count = space->reads[i].count,
            .at = plan->registers,
            .bridges = bridges(&space->reads[i], space->spans, space->span_count),
        };
        plan->registers += (size_t)r->count;
    }
}

/* the read that holds count registers from address on; there is one by construction */
static size_t find_read(const struct meter_plan *plan, int function, int address, int count)
{
    size_t i = 0;
    while (i + 1 < plan->read_count &&
           !(plan->reads[i].function == function && plan->reads[i].address <= address &&
             plan->reads[i].address + plan->reads[i].count >= address + count))
        i++;
    return i;
}

static size_t place(const struct meter_plan *plan, size_t read, int address)
{
    return plan->reads[read].at + (size_t)(address - plan->reads[read].address);
}

static void locate_values(struct meter_plan *plan)
{
    for (size_t i = 0; i < plan->value_count; i++) {
        struct meter_value *v = &plan->values[i];
        const struct meter_point *p = v->point;
        int address = (int)v->at;
        size_t read = find_read(plan, p->function, address, meter_type_registers(p->type));
        v->read = (uint16_t)read;
        v->at = place(plan, read, address);
        v->scale_read = -1;
        if (p->scale_register >= 0) {
            read = find_read(plan, p->function, p->scale_register, 1);
            v->scale_read = (int16_t)read;
            v->scale_at = place(plan, read, p->scale_register);
        }
    }
}

static enum meter_plan_err plan_space(struct meter_plan *plan, int function, int max_registers,
                                      const struct plan_line *line)
{
    enum meter_plan_err err = METER_PLAN_OK;
    struct space space = {.function = function};
    space.spans = calloc(2 * plan->value_count + 1, sizeof *space.spans);
    space.reads = calloc(2 * plan->value_count + 1, sizeof *space.reads);
    if (!space.spans || !space.reads) {
        err = METER_PLAN_ERR_MEMORY;
        goto out;
    }
    collect_spans(plan, &space);
    space.read_count =
        plan_reads(space.spans, space.span_count, max_registers, line, space.reads);
    if (space.read_count < 0) {
        err = METER_PLAN_ERR_MAP;
        goto out;
    }
    take_reads(plan, &space);
out:
    free(space.spans);
    free(space.reads);
    return err;
}

enum meter_plan_err meter_plan_make(const struct site *s, int meter,
                                    const struct meter_map *map, const struct plan_line *line,
                                    struct meter_plan *out)
{
    struct meter_plan plan = {0};
    enum meter_plan_err err = METER_PLAN_ERR_MEMORY;
    size_t most = most_values(s, meter, map);
    plan.values = calloc(most + 1, sizeof *plan.values);
    plan.reads = calloc(2 * most + 1, sizeof *plan.reads);
    if (!plan.values || !plan.reads)
        goto fail;
    for (size_t i = 0; i < s->circuit_count; i++)
        if (s->circuits[i].meter == meter)
            want_circuit(&plan, s, map, &s->circuits[i]);
    if (s->meters[meter].panel >= 0)
        want_panel(&plan, s, map, s->meters[meter].panel);
    for (int function = 3; function <= 4; function++) {
        err = plan_space(&plan, function, map->max_registers, line);
        if (err)
            goto fail;
    }
    locate_values(&plan);
    *out = plan;
    return METER_PLAN_OK;
fail:
    meter_plan_free(&plan);
    return err;
}

void meter_plan_free(struct meter_plan *plan)
{
    free(plan->reads);
    free(plan->values);
    *plan = (struct meter_plan){0};
}

size_t meter_plan_decode(const struct meter_plan *plan, const uint16_t *registers,
                         const bool *got, const struct frame_taken *moments,
                         struct bus_reading *out)
{
    size_t n = 0;
    for (size_t i = 0; i < plan->value_count; i++) {
        const struct meter_value *v = &plan->values[i];
        if (!got[v->read] || (v->scale_read >= 0 && !got[v->scale_read]))
            continue;
        int16_t exponent = v->scale_read >= 0 ? (int16_t)registers[v->scale_at] : 0;
        float value = decode_reading(v->point, registers + v->at, exponent, v->factor);
        if (!isnan(value))
            out[n++] = (struct bus_reading){
                v->index, value, moments ? moments[v->read] : (struct frame_taken){0, 0}};
    }
    return n;
}

uint32_t meter_plan_has(const struct meter_plan *plan)
{
    uint32_t has = 0;
    for (size_t i = 0; i < plan->value_count; i++)
        has |= 1U << plan->values[i].point->quantity;
    return has;
}

const char *meter_plan_strerror(enum meter_plan_err err)
{
    switch (err) {
    case METER_PLAN_OK: return "ok";
    case METER_PLAN_ERR_MEMORY: return "memory is short";
    case METER_PLAN_ERR_MAP:
        return "a point of the register map lies outside 0..65535 or does not fit into one "
               "read";
    }
    return "?";
}
