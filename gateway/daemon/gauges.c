#include "gauges.h"

_Static_assert(FAULT_COUNT < METRICS_CLASSES && BUS_ANSWER_TIMES <= METRICS_CLASSES,
               "every fault and every class of times has its place");

static void take_bus(const char *id, const struct bus_counters *c, struct metrics_bus *out)
{
    *out = (struct metrics_bus){.id = id,
                                .reads = c->reads,
                                .answers = c->answers,
                                .retries = c->retries,
                                .missed = c->missed,
                                .seconds = c->answer_seconds};
    for (int f = 1; f < FAULT_COUNT; f++) /* 0 is none */
        out->faults[f - 1] = (struct metrics_fault){fault_name((enum fault)f), c->faults[f]};
    for (int i = 0; i < BUS_ANSWER_TIMES; i++) {
        out->times[i].most_seconds = bus_answer_time(i);
        out->times[i].count = c->answer_times[i];
    }
}

size_t gauges_buses(const struct site *s, struct bus *const *buses,
                    struct metrics_bus out[METRICS_BUSES])
{
    size_t count = 0;
    for (size_t i = 0; i < s->bus_count; i++) {
        struct bus_counters c;
        if (!buses[i])
            continue;
        bus_counters(buses[i], &c);
        take_bus(s->buses[i].id, &c, &out[count++]);
    }
    return count;
}

static bool take_created(void *context, const struct store_row *row)
{
    *(int64_t *)context = row->created_wall_ms;
    return false;
}

double gauges_outbox_oldest(struct store_reader *r, int64_t wall_ms)
{
    int64_t created = wall_ms;
    store_read_messages(r, STORE_ROUTE_MQTT, 0, 1, take_created, &created);
    return created < wall_ms ? (double)(wall_ms - created) / 1000.0 : 0.0;
}

void gauges_conventions(const struct conventions *c, struct metrics *out)
{
    if (c->sparkplug) {
        out->conventions[out->convention_count].name = "sparkplug";
        out->conventions[out->convention_count++].connected = sparkplug_connected(c->sparkplug);
    }
    if (c->homie) {
        out->conventions[out->convention_count].name = "homie";
        out->conventions[out->convention_count++].connected = homie_connected(c->homie);
    }
}
