/* How the gateway itself is: for its page's metrics, for the service manager, for foretrip
 * status. */
#include "gateway_parts.h"

#include "gauges.h"

#include "base/clock.h"
#include "notify/metrics.h"

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* metrics, and what they point to */
struct gathered {
    struct metrics metrics;
    struct metrics_bus buses[METRICS_BUSES];
    struct mqtt_status line;
    struct courier_status letters;
};

static void gather(struct gateway *g, struct gathered *out)
{
    struct metrics *m = &out->metrics;
    struct stat st;
    *m = (struct metrics){
        .site = g->config->site.id,
        .started_wall_ms = g->started_wall_ms,
        .frames = g->frames,
        .events = g->events,
        .alerts = g->alerts,
        .reports_waiting = queue_length(g->reports),
        .reports_dropped = queue_dropped(g->reports),
        .outbox_oldest_seconds = gauges_outbox_oldest(g->wishes, clock_wall_ms()),
        .turn_seconds = (double)g->longest_turn_ms / 1000.0,
        .database_bytes = stat(g->database, &st) == 0 ? st.st_size : 0,
        .buses = out->buses,
        .bus_count = gauges_buses(&g->config->site, g->buses, out->buses),
    };
    memcpy(m->raised, g->raised, sizeof m->raised);
    store_get_status(g->store, &m->record);
    if (g->mqtt) {
        mqtt_get_status(g->mqtt, &out->line);
        m->mqtt = &out->line;
    }
    if (g->mailroom.courier) {
        courier_get_status(g->mailroom.courier, &out->letters);
        m->courier = &out->letters;
    }
    gauges_conventions(&g->conventions, m);
}

void gateway_metrics(struct gateway *g, struct text *out)
{
    struct gathered *all = malloc(sizeof *all);
    if (!all) {
        out->failed = true;
        return;
    }
    gather(g, all);
    metrics_write(&all->metrics, out);
    free(all);
    g->longest_turn_ms = 0;
}

/* ---- as JSON ---- */

static json_t *time_json(int64_t wall_ms)
{
    char text[CLOCK_RFC3339_SIZE];
    if (wall_ms == 0)
        return json_null();
    clock_format_rfc3339(wall_ms, text);
    return json_string(text);
}

static const char *meter_word(const struct gateway *g, size_t i)
{
    if (!g->meters[i].known)
        return "unknown";
    switch (g->meters[i].last.state) {
    case BUS_METER_OK: return "ok";
    case BUS_METER_PARTLY: return "partly";
    case BUS_METER_LOST:
    case BUS_METER_BACKOFF: return "lost";
    case BUS_METER_NO_TIME: return "no time";
    }
    return "unknown";
}

static json_t *meters_json(const struct gateway *g)
{
    const struct site *s = &g->config->site;
    json_t *list = json_array();
    for (size_t i = 0; list && i < s->meter_count; i++) {
        enum fault f = g->meters[i].last.fault;
        json_array_append_new(list, json_pack("{s:s, s:s, s:s}", "id", s->meters[i].id, "state",
                                              meter_word(g, i), "fault",
                                              g->meters[i].known && f ? fault_name(f) : ""));
    }
    return list;
}

static json_t *buses_json(const struct metrics *m)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < m->bus_count; i++) {
        const struct metrics_bus *b = &m->buses[i];
        json_t *faults = json_object();
        for (int f = 0; f < METRICS_CLASSES && b->faults[f].kind; f++)
            if (b->faults[f].count)
                json_object_set_new(faults, b->faults[f].kind,
                                    json_integer((json_int_t)b->faults[f].count));
        json_array_append_new(list,
                              json_pack("{s:s, s:I, s:I, s:I, s:o}", "id", b->id, "reads",
                                        (json_int_t)b->reads, "answers", (json_int_t)b->answers,
                                        "missed", (json_int_t)b->missed, "faults", faults));
    }
    return list;
}

static json_t *record_json(const struct gateway *g, const struct metrics *m)
{
    const struct store_status *r = &m->record;
    uint64_t lost = r->lost_readings + r->lost_records;
    return json_pack("{s:s, s:b, s:s, s:I, s:I, s:I, s:I, s:b}", "path", g->database, "ok",
                     r->err == STORE_OK, "why", r->err == STORE_OK ? "" : r->why, "bytes",
                     (json_int_t)m->database_bytes, "waiting", (json_int_t)r->waiting_records,
                     "lost", (json_int_t)lost, "set_aside", (json_int_t)r->set_aside,
                     "short_of_room", r->short_of_room);
}

static json_t *broker_json(const struct gateway *g, const struct metrics *m)
{
    const struct delivery_broker *b = &g->config->delivery.broker;
    if (!m->mqtt)
        return json_null();
    return json_pack("{s:s, s:i, s:b, s:s, s:I, s:f}", "host", b->host, "port", b->port,
                     "connected", m->mqtt->connected, "why", m->mqtt->why, "waiting",
                     (json_int_t)m->record.outbox_rows, "oldest_seconds",
                     m->outbox_oldest_seconds);
}

static json_t *letters_json(const struct metrics *m)
{
    if (!m->courier)
        return json_null();
    return json_pack("{s:I, s:I, s:s, s:I, s:s}", "waiting", (json_int_t)m->courier->waiting,
                     "ways_down", (json_int_t)m->courier->ways_down, "why", m->courier->why,
                     "ways_refused", (json_int_t)m->courier->ways_refused, "why_refused",
                     m->courier->why_refused);
}

static json_t *page_json(const struct gateway *g)
{
    const struct page_settings *p = &g->config->page;
    return json_pack("{s:b, s:b, s:s, s:i, s:b}", "wanted", !p->off, "served", g->web != NULL,
                     "listen", p->listen, "port", g->web ? web_port(g->web) : p->port, "tls",
                     p->cert[0] != '\0');
}

static json_t *parts_json(const struct vigil *v)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < v->count; i++)
        json_array_append_new(list, json_pack("{s:s, s:b}", "name", v->rows[i].pulse->name,
                                              "stuck", v->rows[i].stuck));
    return list;
}

bool gateway_account(struct gateway *g, struct text *out)
{
    struct gathered *all = malloc(sizeof *all);
    json_t *o = NULL;
    if (all) {
        gather(g, all);
        const struct metrics *m = &all->metrics;
        o = json_pack("{s:s, s:s, s:i, s:o, s:o, s:s, s:I, s:I, s:I, s:o, s:o, s:o, s:o, s:o, "
                      "s:o, s:o, s:o}",
                      "version", FORETRIP_VERSION, "site", m->site, "pid", (int)getpid(), "at",
                      time_json(clock_wall_ms()), "started", time_json(m->started_wall_ms),
                      "config", g->config_directory, "frames", (json_int_t)m->frames, "events",
                      (json_int_t)m->events, "reports_dropped", (json_int_t)m->reports_dropped,
                      "last_frame", time_json(g->frame_wall_ms), "record", record_json(g, m),
                      "meters", meters_json(g), "buses", buses_json(m), "broker",
                      broker_json(g, m), "letters", letters_json(m), "page", page_json(g),
                      "parts", parts_json(&g->vigil));
    }
    char *text = o ? json_dumps(o, JSON_INDENT(1) | JSON_REAL_PRECISION(10)) : NULL;
    if (text) {
        text_append(out, text);
        text_append(out, "\n");
    }
    free(text);
    json_decref(o);
    free(all);
    return text != NULL && !out->failed;
}

/* ---- in a line ---- */

const char *gateway_status_line(struct gateway *g)
{
    struct store_status record;
    struct mqtt_status line = {0};
    store_get_status(g->store, &record);
    if (g->mqtt)
        mqtt_get_status(g->mqtt, &line);
    snprintf(g->status, sizeof g->status,
             "%s%s%llu frames, %llu events, record %s, broker %s, %lld messages waiting",
             g->stuck ? g->stuck->name : "", g->stuck ? " is stuck; " : "",
             (unsigned long long)g->frames, (unsigned long long)g->events,
             record.err == STORE_OK ? "ok" : store_strerror(record.err),
             !g->mqtt         ? "none"
             : line.connected ? "connected"
                              : "away",
             (long long)record.outbox_rows);
    return g->status;
}

bool gateway_alive(const struct gateway *g)
{
    return g->stuck_count == 0;
}
