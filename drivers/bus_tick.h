/*
 * bus_tick - one period of a bus: which meter is read when, tried again, or left alone.
 *
 * The part of bus.h that does not know of threads; for bus.c and tests. See bus.h for the order
 * within a tick.
 */
#ifndef FORETRIP_BUS_TICK_H
#define FORETRIP_BUS_TICK_H

#include "bus.h"
#include "health.h"
#include "link.h"
#include "sunspec.h"

/* What a meter said of itself. */
struct bus_sunspec {
    struct sunspec_walk walk;
    struct meter_map map; /* made of it */
    bool found;
    uint16_t registers[SUNSPEC_MOST_READ];
};

struct bus_meter {
    int meter; /* index in the site */
    const struct site_meter *site;
    const struct meter_map *map;
    struct bus_sunspec *sunspec; /* NULL for a meter with a map of points */
    struct meter_plan plan;
    bool without_holes;          /* it refused to read over unwanted registers */
    uint16_t *registers;         /* of all reads */
    bool *got;                   /* which reads were answered in this tick */
    struct frame_taken *moments; /* when */
    struct health health;
    int said_exception; /* code of the refusal that was logged, 0 none */
    /* of this tick */
    enum bus_meter_state state;
    enum fault fault;
    int exception;
    int refused_read; /* the read that got the exception */
    int tries;
};

struct bus_state {
    const struct site *site;
    const struct meter_map_set *maps;
    int bus;
    int only_meter;
    int stop_fd;
    int64_t period_us;
    int64_t tick_us; /* mono, of this tick */
    const struct site_bus *site_bus;
    struct link *link;
    struct health link_health;
    char link_why[128];
    int reopened;     /* times in this tick */
    int silent_ticks; /* in a row in which every try timed out */
    struct bus_meter *meters;
    size_t meter_count;
    size_t first; /* whose turn is first */
    struct bus_counters tally;
};

/* Plans all meters; site, maps, bus, only_meter and stop_fd are set. False with why. */
bool bus_state_prepare(struct bus_state *s, char *why, size_t capacity);
void bus_state_close(struct bus_state *s);
void bus_state_free(struct bus_state *s);

/* Plans the meter's reads by its map. On an error all stays as it was. */
enum meter_plan_err bus_meter_plan(const struct bus_state *s, struct bus_meter *m,
                                   const struct plan_line *line);

/* One request, counted. A connection that broke under it is made anew, and the request sent
 * once more. */
struct link_result bus_state_ask(struct bus_state *s, const struct link_read *q,
                                 int64_t give_up_us, uint16_t *registers);

/* A SunSpec meter: asks on until it is known where its values are, and plans its reads. False,
 * with the meter's fault or state set, when that has to go on in another tick. */
bool bus_sunspec_find(struct bus_state *s, struct bus_meter *m, int64_t give_up_us);
bool bus_sunspec_unfound(const struct bus_meter *m);
/* The next time it is asked anew. */
void bus_sunspec_forget(struct bus_meter *m);

/* NULL when memory is short. */
struct bus_report *bus_state_tick(struct bus_state *s, uint64_t tick, int64_t tick_us);

uint32_t bus_state_has(const struct bus_state *s);
double bus_state_round_ms(const struct bus_state *s);

#endif
