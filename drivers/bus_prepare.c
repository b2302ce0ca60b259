#include "bus_tick.h"

#include <stdio.h>
#include <stdlib.h>

#include "connect.h"

/* what a meter may say that it has */
#define SUNSPEC_HAS ((1U << FRAME_QUANTITIES) - 1)

static bool belongs(const struct bus_state *s, size_t meter)
{
    return s->site->meters[meter].bus == s->bus &&
           (s->only_meter < 0 || s->only_meter == (int)meter);
}

enum meter_plan_err bus_meter_plan(const struct bus_state *s, struct bus_meter *m,
                                   const struct plan_line *line)
{
    struct meter_plan plan;
    enum meter_plan_err err = meter_plan_make(s->site, m->meter, m->map, line, &plan);
    if (err)
        return err;
    uint16_t *registers = calloc(plan.registers + 1, sizeof *registers);
    bool *got = calloc(plan.read_count + 1, sizeof *got);
    struct frame_taken *moments = calloc(plan.read_count + 1, sizeof *moments);
    if (!registers || !got || !moments) {
        free(registers);
        free(got);
        free(moments);
        meter_plan_free(&plan);
        return METER_PLAN_ERR_MEMORY;
    }
    meter_plan_free(&m->plan);
    free(m->registers);
    free(m->got);
    free(m->moments);
    m->plan = plan;
    m->registers = registers;
    m->got = got;
    m->moments = moments;
    return METER_PLAN_OK;
}

static bool prepare_meter(struct bus_state *s, struct bus_meter *m, char *why, size_t capacity)
{
    m->site = &s->site->meters[m->meter];
    m->map = meter_map_find(s->maps, m->site->map);
    if (!m->map) {
        snprintf(why, capacity, "meter %s: there is no register map \"%s\"", m->site->id,
                 m->site->map);
        return false;
    }
    if (m->map->sunspec) {
        m->sunspec = calloc(1, sizeof *m->sunspec);
        if (!m->sunspec) {
            snprintf(why, capacity, "memory is short");
            return false;
        }
        m->sunspec->map = *m->map;
        bus_sunspec_forget(m);
    }
    enum meter_plan_err err = bus_meter_plan(s, m, link_line(s->link));
    if (err)
        snprintf(why, capacity, "meter %s, register map \"%s\": %s", m->site->id, m->map->id,
                 meter_plan_strerror(err));
    return err == METER_PLAN_OK;
}

bool bus_state_prepare(struct bus_state *s, char *why, size_t capacity)
{
    s->site_bus = &s->site->buses[s->bus];
    s->period_us = (int64_t)s->site_bus->poll_ms * 1000;
    if (s->site_bus->device[0] && !connect_baud_known(s->site_bus->baud)) {
        snprintf(why, capacity, "bus %s: a serial line has no speed of %d bit/s",
                 s->site_bus->id, s->site_bus->baud);
        return false;
    }
    s->link = link_create(s->site_bus, s->stop_fd);
    s->meters = calloc(s->site->meter_count + 1, sizeof *s->meters);
    if (!s->link || !s->meters) {
        snprintf(why, capacity, "memory is short");
        return false;
    }
    for (size_t i = 0; i < s->site->meter_count; i++) {
        if (!belongs(s, i))
            continue;
        struct bus_meter *m = &s->meters[s->meter_count++];
        m->meter = (int)i;
        if (!prepare_meter(s, m, why, capacity))
            return false;
    }
    return true;
}

void bus_state_close(struct bus_state *s)
{
    link_close(s->link);
}

void bus_state_free(struct bus_state *s)
{
    for (size_t i = 0; i < s->meter_count; i++) {
        meter_plan_free(&s->meters[i].plan);
        free(s->meters[i].registers);
        free(s->meters[i].got);
        free(s->meters[i].moments);
        free(s->meters[i].sunspec);
    }
    free(s->meters);
    link_destroy(s->link);
    s->meters = NULL;
    s->meter_count = 0;
    s->link = NULL;
}

uint32_t bus_state_has(const struct bus_state *s)
{
    uint32_t has = 0;
    for (size_t i = 0; i < s->meter_count; i++)
        has |= s->meters[i].sunspec ? SUNSPEC_HAS : meter_plan_has(&s->meters[i].plan);
    return has;
}

double bus_state_round_ms(const struct bus_state *s)
{
    int64_t sum = 0;
    for (size_t i = 0; i < s->meter_count; i++)
        for (size_t r = 0; r < s->meters[i].plan.read_count; r++)
            sum += plan_read_ns(link_line(s->link), s->meters[i].plan.reads[r].count);
    return (double)sum / 1e6;
}
