/* Where a SunSpec meter has its values: asked before it is first read. */
#include "bus_tick.h"

#include "base/clock.h"
#include "base/log.h"

bool bus_sunspec_unfound(const struct bus_meter *m)
{
    return m->sunspec && !m->sunspec->found;
}

void bus_sunspec_forget(struct bus_meter *m)
{
    if (!m->sunspec)
        return;
    m->sunspec->found = false;
    sunspec_begin(&m->sunspec->walk, m->map->max_registers);
}

static void say_found(const struct bus_meter *m)
{
    const struct sunspec_walk *w = &m->sunspec->walk;
    for (size_t i = 0; i < w->meter_count; i++)
        log_info("bus",
                 "meter %s: SunSpec model %d at register %d, %s %s, version %s, serial %s",
                 m->site->id, w->meters[i].id, w->meters[i].address, w->common.maker,
                 w->common.model, w->common.version, w->common.serial);
}

static bool take_over(struct bus_state *s, struct bus_meter *m)
{
    struct plan_line line = *link_line(s->link);
    if (m->without_holes)
        line = plan_line_without_holes(line);
    bool found = sunspec_map(&m->sunspec->walk, &m->sunspec->map);
    m->map = &m->sunspec->map;
    if (!found || bus_meter_plan(s, m, &line) != METER_PLAN_OK) {
        m->fault = FAULT_FOREIGN;
        sunspec_begin(&m->sunspec->walk, m->map->max_registers);
        return false;
    }
    m->sunspec->found = true;
    say_found(m);
    return true;
}

/* A refusal is an answer to the question where things are, unless it comes from a gateway or
 * will pass. */
static bool is_no(const struct link_result *r)
{
    return r->fault == FAULT_EXCEPTION && r->exception >= 1 && r->exception <= 3;
}

bool bus_sunspec_find(struct bus_state *s, struct bus_meter *m, int64_t give_up_us)
{
    struct sunspec_walk *w = &m->sunspec->walk;
    struct plan_read next;
    while (sunspec_next(w, &next)) {
        struct link_read q = {m->site->unit, SUNSPEC_FUNCTION, next.address, next.count};
        if (clock_mono_us() + plan_read_ns(link_line(s->link), next.count) / 1000 >
            give_up_us) {
            m->state = BUS_METER_NO_TIME; /* goes on here in the next tick */
            return false;
        }
        struct link_result r = bus_state_ask(s, &q, give_up_us, m->sunspec->registers);
        if (r.fault != FAULT_NONE && !is_no(&r)) {
            m->fault = r.fault;
            m->exception = r.exception;
            return false;
        }
        sunspec_take(w, r.fault == FAULT_NONE ? m->sunspec->registers : NULL);
    }
    return take_over(s, m);
}
