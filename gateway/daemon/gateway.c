#include "gateway.h"

#include "gateway_parts.h"

#include "absence_at_start.h"
#include "answer.h"
#include "clock_watch.h"
#include "configure.h"
#include "orphans.h"
#include "serve.h"
#include "wish.h"

#include "analysis/engine_json.h"
#include "base/clock.h"
#include "base/heap.h"
#include "base/log.h"
#include "model/event_json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define QUEUE_REPORTS 256
#define LEARNED_EVERY_MS (INT64_C(15) * 60 * 1000) /* megabytes: think of the card */
#define HEALTH_EVERY_MS 15000
#define WISHES_EVERY_MS 2000
#define STATE_EVERY_MS 10000 /* a circuit's state is published at least so often */
#define STATE_STEP_AMPS 0.1  /* and whenever it moved by this, or by 2 % */
#define KNOWN_REST_FRAMES 30 /* between two rounds of what is known of the loads */

/* ---- out of the engine ------------------------------------------------------------------- */

static void take_event(void *context, const struct event *e)
{
    struct gateway *g = context;
    char *json = event_to_json_text(&g->config->site, e);
    if (!json) {
        log_error("engine", "memory is short: an event of type %s is lost",
                  event_type_name(e->type));
        return;
    }
    store_add_event(g->store, &g->config->site, e, json);
    if (g->announce)
        announce_event(g->announce, e, json);
    mailroom_event(&g->mailroom, e);
    free(json);
    g->events++;
    if (e->type == EVENT_ALARM && e->alarm.state == ALARM_UNACKNOWLEDGED) {
        if (e->alarm.changed == ALARM_CHANGED_STATE)
            (*(e->alarm.alert ? &g->alerts : &g->raised[e->alarm.priority]))++;
        log_info("alarm", "%s (%s): %s", e->alarm.id, alarm_priority_name(e->alarm.priority),
                 e->alarm.text);
    }
    g->alarms_changed |= e->type == EVENT_ALARM;
    if (e->type != EVENT_LOAD_ON && e->type != EVENT_LOAD_OFF)
        g->running_changed = true;
}

static bool worth_publishing(const struct published *p, const struct engine_circuit *c,
                             int64_t mono_ms)
{
    double step = fmax(STATE_STEP_AMPS, 0.02 * p->amps);
    return p->mono_ms == 0 || mono_ms - p->mono_ms >= STATE_EVERY_MS ||
           (int)c->state != p->state || c->load_count != p->load_count ||
           isnan(c->amps) != isnan(p->amps) || fabs(c->amps - p->amps) >= step;
}

static void publish_states(struct gateway *g, const struct frame *f)
{
    const struct site *s = &g->config->site;
    for (size_t i = 0; i < s->circuit_count; i++) {
        struct engine_circuit c;
        engine_glance(g->engine, (int)i, &c);
        struct published *p = &g->published[i];
        if (!worth_publishing(p, &c, f->mono_ms))
            continue;
        engine_circuit(g->engine, (int)i, &c);
        json_t *o = engine_circuit_json(s, (int)i, f->wall_ms, &c);
        char *text = o ? event_json_dump(o) : NULL;
        if (text && g->mqtt && !g->config->delivery.broker.up_only)
            mqtt_set_state(g->mqtt, s->circuits[i].id, text);
        conventions_set(&g->conventions, i, f->wall_ms, &c);
        if (text && g->web)
            web_set_state(g->web, i, f->wall_ms, text, c.forecast.heat);
        free(text);
        json_decref(o);
        *p = (struct published){c.amps, (int)c.state, c.load_count, f->mono_ms};
    }
    conventions_tell(&g->conventions, false);
}

/* takes the reference; NULL when memory is short */
static char *known_text(json_t *o)
{
    char *text = o ? json_dumps(o, JSON_COMPACT | JSON_REAL_PRECISION(10)) : NULL;
    json_decref(o);
    return text;
}

/* what hangs on each circuit changes slowly; one circuit a frame keeps the turn short */
static void publish_known(struct gateway *g)
{
    size_t i = (size_t)(g->frames % (g->config->site.circuit_count + KNOWN_REST_FRAMES));
    struct loads_known known[LOADS_MAX_KNOWN];
    if (i >= g->config->site.circuit_count)
        return;
    struct loads_whole whole;
    size_t count = loads_known(engine_loads(g->engine), (int)i, known);
    loads_whole(engine_loads(g->engine), (int)i, &whole);
    char *loads = known_text(engine_known_json(known, count));
    char *is = known_text(engine_whole_json(&whole));
    if (loads && is)
        web_set_known(g->web, i, loads, is);
    free(loads);
    free(is);
}

static void show_page(struct gateway *g, const struct frame *f)
{
    publish_known(g);
    web_frame(g->web, f->wall_ms);
}

static void keep_state(struct gateway *g, enum engine_part part, const char *key)
{
    struct codec_out out = {0};
    engine_save(g->engine, part, &out);
    if (out.failed)
        log_error("engine", "memory is short: the state was not kept");
    else
        store_add_state(g->store, key, out.bytes, out.length, clock_wall_ms());
    codec_out_free(&out);
}

static void take_frame(void *context, const struct frame *f)
{
    struct gateway *g = context;
    g->frames++;
    g->frame_wall_ms = f->wall_ms;
    engine_feed(g->engine, f);
    store_add_readings(g->store, f);
    if (g->mqtt || g->web)
        publish_states(g, f);
    if (g->web)
        show_page(g, f);
    if (f->mono_ms - g->learned_saved_mono_ms >= LEARNED_EVERY_MS) {
        g->learned_saved_mono_ms = f->mono_ms;
        keep_state(g, ENGINE_LEARNED, "learned");
    }
}

/* ---- the turn ---------------------------------------------------------------------------- */

static void take_report(void *context, struct bus_report *r) /* on a bus's thread */
{
    if (!queue_push(context, r))
        bus_report_free(r);
}

static void say_full_queue(struct gateway *g)
{
    uint64_t dropped = queue_dropped(g->reports);
    if (dropped > 0 && !g->queue_full_said)
        log_warning("engine", "cannot keep up: %llu reports of the buses dropped so far",
                    (unsigned long long)dropped);
    g->queue_full_said = dropped > 0;
}

/* for a centre, which hears it every quarter of an hour */
static void tell_health(struct gateway *g, int64_t mono_ms)
{
    if (!g->mqtt || (g->health_mono_ms != 0 && mono_ms - g->health_mono_ms < HEALTH_EVERY_MS))
        return;
    g->health_mono_ms = mono_ms;
    json_t *o = answer_status(g->mqtt, &g->config->site, g->store, clock_wall_ms());
    char *text = o ? event_json_dump(o) : NULL;
    if (text)
        mqtt_set_health(g->mqtt, text);
    free(text);
    json_decref(o);
}

/* for a centre too */
static void tell_day(struct gateway *g, int64_t mono_ms)
{
    struct event e;
    if (g->config->delivery.broker.up &&
        day_tell(&g->day, &g->config->site, g->store, g->wishes, clock_wall_ms(), mono_ms, &e))
        take_event(g, &e);
}

/* Names that people gave: done and on disk before they are dropped. */
static void take_wishes(struct gateway *g, int64_t mono_ms)
{
    struct wish_done done = {0};
    if (mono_ms - g->wishes_mono_ms < WISHES_EVERY_MS)
        return;
    g->wishes_mono_ms = mono_ms;
    wish_take(g->wishes, g->engine, &g->config->site, g->web, g->store, clock_wall_ms(), &done);
    if (done.count == 0)
        return;
    keep_state(g, ENGINE_LEARNED, "learned");
    if (g->web)
        web_keep(g->web, clock_wall_ms());
    if (store_commit(g->store, mono_ms, clock_wall_ms()) == STORE_OK)
        wish_drop(g->database, &done);
}

static void note_meters(struct gateway *g, const struct bus_report *r)
{
    for (size_t i = 0; i < r->meter_count; i++) {
        g->meters[r->meters[i].meter].known = true;
        g->meters[r->meters[i].meter].last = r->meters[i];
    }
}

void gateway_turn(struct gateway *g, int64_t timeout_ms)
{
    int64_t deadline = assemble_deadline_mono_ms(g->assemble), now = clock_mono_ms();
    if (deadline != INT64_MAX && deadline - now < timeout_ms)
        timeout_ms = deadline > now ? deadline - now : 0;
    struct bus_report *r = queue_pop(g->reports, timeout_ms);
    int64_t woken_mono_ms = clock_mono_ms();
    for (; r; r = queue_pop(g->reports, 0)) {
        note_meters(g, r);
        assemble_report(g->assemble, r);
        bus_report_free(r);
    }
    assemble_time(g->assemble, clock_mono_ms());
    clock_watch(assemble_counters(g->assemble), &g->clock_steps);
    struct command command;
    while (g->mqtt && mqtt_take_command(g->mqtt, &command))
        answer_command(g->mqtt, g->config, g->engine, g->store, g->wishes, clock_wall_ms(),
                       &command);
    take_wishes(g, clock_mono_ms());
    tell_day(g, clock_mono_ms());
    tell_health(g, clock_mono_ms());
    struct web_ask ask;
    while (g->web && web_take_ask(g->web, &ask))
        answer_ask(g->web, g->config, g->engine, g->store, g->wishes, clock_wall_ms(), &ask);
    if (g->running_changed) {
        g->running_changed = false;
        keep_state(g, ENGINE_RUNNING, "running");
    }
    if (g->web)
        web_keep(g->web, clock_wall_ms());
    mailroom_tick(&g->mailroom);
    conventions_keep(&g->conventions, g->store, clock_wall_ms());
    int64_t commit_mono_ms = clock_mono_ms(); /* the store says itself when it cannot write */
    enum store_err err = store_commit(g->store, commit_mono_ms, clock_wall_ms());
    if (err != STORE_OK && g->mqtt)
        mqtt_tell_unwritten(g->mqtt, commit_mono_ms);
    mailroom_committed(&g->mailroom, err, commit_mono_ms);
    if (g->alarms_changed && err == STORE_OK) {
        g->alarms_changed = false;
        conventions_tell(&g->conventions, true);
    }
    struct store_status record;
    store_get_status(g->store, &record);
    record_alarm_judge(&g->record_alarm, engine_alarms(g->engine), &record, commit_mono_ms,
                       clock_wall_ms());
    if (g->web)
        web_turn(g->web);
    say_full_queue(g);
    heap_give_back(commit_mono_ms, &g->heap_mono_ms);
    int64_t took_ms = clock_mono_ms() - woken_mono_ms;
    g->longest_turn_ms = took_ms > g->longest_turn_ms ? took_ms : g->longest_turn_ms;
    g->stuck_count = vigil_round(&g->vigil, clock_mono_ms(), &g->stuck);
}

/* ---- starting and stopping the parts ----------------------------------------------------- */

static void stop_buses(struct gateway *g)
{
    for (size_t i = 0; i < SITE_MAX_BUSES; i++) {
        bus_stop(g->buses[i]);
        g->buses[i] = NULL;
    }
    for (struct bus_report *r; g->reports && (r = queue_pop(g->reports, 0));)
        bus_report_free(r);
    assemble_destroy(g->assemble);
    g->assemble = NULL;
}

static bool start_buses(struct gateway *g)
{
    const struct site *s = &g->config->site;
    int64_t origin = bus_origin_us();
    uint32_t has = 0;
    bool ok = true;
    char why[256];
    for (size_t i = 0; i < s->bus_count; i++) {
        struct bus_options o = {
            .site = s,
            .maps = &g->config->maps,
            .bus = (int)i,
            .only_meter = -1,
            .origin_mono_us = origin,
            .deliver = take_report,
            .context = g->reports,
        };
        g->buses[i] = bus_start(&o, why, sizeof why);
        if (!g->buses[i]) {
            log_error("bus", "%s: %s", s->buses[i].id, why);
            ok = false;
            continue;
        }
        has |= bus_has(g->buses[i]);
        if (bus_round_ms(g->buses[i]) > s->buses[i].poll_ms)
            log_warning("bus",
                        "%s: one round takes about %.0f ms, more than its period of %d ms",
                        s->buses[i].id, bus_round_ms(g->buses[i]), s->buses[i].poll_ms);
    }
    g->assemble = assemble_create(s, has, take_frame, g);
    return ok && g->assemble;
}

static bool start_mqtt(struct gateway *g)
{
    const struct delivery_broker *broker = &g->config->delivery.broker;
    if (broker->host[0] == '\0') {
        log_info("mqtt", "delivery.cfg names no broker: nothing is published");
        return true;
    }
    if (!broker->up_only) {
        struct store_reader *reader = store_reader_open(g->database);
        g->announce = announce_create(g->store, &g->config->site, reader);
        store_reader_close(reader);
    }
    char why[256];
    struct mqtt_options o = {.broker = broker,
                             .site_id = g->config->site.id,
                             .store = g->store,
                             .store_path = g->database};
    g->mqtt = mqtt_start(&o, why, sizeof why);
    if (!g->mqtt)
        log_error("mqtt", "%s", why);
    return (g->announce || broker->up_only) && g->mqtt &&
           conventions_start(&g->conventions, broker, &g->config->site, g->database,
                             g->config->rules.site.meter_lost_seconds);
}

static void stop_mqtt(struct gateway *g)
{
    conventions_keep(&g->conventions, g->store, clock_wall_ms()); /* on disk with the next */
    conventions_stop(&g->conventions);
    mqtt_stop(g->mqtt);
    announce_destroy(g->announce);
    g->mqtt = NULL;
    g->announce = NULL;
}

/* from now on every thread that there is */
static void watch_over_all(struct gateway *g)
{
    g->vigil = (struct vigil){0};
    for (size_t i = 0; i < SITE_MAX_BUSES; i++)
        if (g->buses[i])
            vigil_add(&g->vigil, bus_pulse(g->buses[i]));
    if (g->mqtt)
        vigil_add(&g->vigil, mqtt_pulse(g->mqtt));
    conventions_watch(&g->conventions, &g->vigil);
    if (g->mailroom.courier)
        vigil_add(&g->vigil, courier_pulse(g->mailroom.courier));
    for (int i = 0; g->web && i < WEB_PULSES; i++)
        vigil_add(&g->vigil, web_pulse(g->web, i));
    for (size_t i = 0; i < g->vigil.count; i++)
        log_debug("gateway", "watches over %s", g->vigil.rows[i].pulse->name);
}

static struct engine *make_engine(struct gateway *g, const struct config *c)
{
    return engine_create(&c->site, &c->rules, &c->signatures, take_event, g);
}

static bool load_part(struct engine *e, struct store_reader *r, const char *key)
{
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms;
    bool ok = true;
    if (store_read_state(r, key, &bytes, &length, &wall_ms) == STORE_OK && bytes)
        ok = engine_load(e, bytes, length);
    free(bytes);
    return ok;
}

/* an engine with what was kept; a damaged state is said, and forgotten */
static bool start_engine(struct gateway *g)
{
    g->engine = make_engine(g, g->config);
    struct store_reader *reader = store_reader_open(g->database);
    if (!g->engine || !reader)
        return false;
    if (!load_part(g->engine, reader, "learned") || !load_part(g->engine, reader, "running")) {
        log_warning(
            "engine",
            "the kept state is damaged and was not taken over: alarms and learning begin anew");
        engine_destroy(g->engine);
        g->engine = make_engine(g, g->config);
    }
    store_reader_close(reader);
    return g->engine != NULL;
}

struct gateway *gateway_create(const char *config_directory, const char *state_directory)
{
    struct gateway *g = calloc(1, sizeof *g);
    if (!g)
        return NULL;
    text_copy(g->config_directory, sizeof g->config_directory, config_directory);
    snprintf(g->database, sizeof g->database, "%s/foretrip.db", state_directory);
    g->learned_saved_mono_ms = clock_mono_ms();
    g->started_wall_ms = clock_wall_ms();
    g->config = configure_read(config_directory, NULL);
    if (!g->config)
        goto failed;
    enum store_err err;
    struct store_options o = {.path = g->database, .reserve = true};
    g->store = store_open(&o, clock_wall_ms(), &err);
    g->wishes = store_reader_open(g->database);
    g->reports = queue_create(QUEUE_REPORTS);
    g->published = calloc(g->config->site.circuit_count + 1, sizeof *g->published);
    if (!g->store || !g->wishes || !g->reports || !g->published) {
        log_error("gateway", "memory is short");
        goto failed;
    }
    store_set_site(g->store, &g->config->site);
    store_set_retention(g->store, &g->config->retention);
    if (!start_engine(g) ||
        !mailroom_start(&g->mailroom, g->config, g->store, g->database, NULL) ||
        !start_mqtt(g) || !start_buses(g))
        goto failed;
    g->web = serve_page(g->config, g->store, g->database);
    watch_over_all(g);
    orphans_settle(g->wishes, engine_alarms(g->engine), g->started_wall_ms, take_event, g);
    struct event away;
    if (absence_at_start(g->wishes, g->store, g->started_wall_ms, &away))
        take_event(g, &away);
    log_info("gateway", "watching %zu circuits of %s on %zu buses",
             g->config->site.circuit_count, g->config->site.name, g->config->site.bus_count);
    return g;
failed:
    gateway_destroy(g);
    return NULL;
}

void gateway_destroy(struct gateway *g)
{
    if (!g)
        return;
    stop_buses(g);
    web_stop(g->web);
    if (g->engine && g->store) {
        keep_state(g, ENGINE_RUNNING, "running");
        keep_state(g, ENGINE_LEARNED, "learned");
        absence_ended(g->store, clock_wall_ms());
        store_commit(g->store, clock_mono_ms(), clock_wall_ms());
    }
    mailroom_stop(&g->mailroom, NULL); /* its state went with the last change */
    stop_mqtt(g);
    engine_destroy(g->engine);
    store_reader_close(g->wishes);
    store_close(g->store);
    queue_destroy(g->reports);
    free(g->published);
    if (g->config)
        config_free(g->config);
    free(g->config);
    free(g);
}

/* everything new is made before anything old is given up; only the buses, which cannot poll one
 * meter twice at a time, are stopped first */
void gateway_reload(struct gateway *g)
{
    struct config *next = configure_read(g->config_directory, g->config);
    if (!next) {
        log_error("config", "the new configuration is not usable: the old one stays");
        return;
    }
    struct engine *engine = make_engine(g, next);
    struct published *published = calloc(next->site.circuit_count + 1, sizeof *published);
    struct codec_out running = {0}, learned = {0};
    engine_save(g->engine, ENGINE_RUNNING, &running);
    engine_save(g->engine, ENGINE_LEARNED, &learned);
    bool ok = engine && published && !running.failed && !learned.failed &&
              engine_load(engine, learned.bytes, learned.length) &&
              engine_load(engine, running.bytes, running.length);
    codec_out_free(&running);
    codec_out_free(&learned);
    if (!ok) {
        log_error("config", "memory is short: the old configuration stays");
        engine_destroy(engine);
        free(published);
        config_free(next);
        free(next);
        return;
    }
    stop_buses(g);
    memset(g->meters, 0, sizeof g->meters);
    web_stop(g->web);
    g->web = NULL;
    store_commit(g->store, clock_mono_ms(), clock_wall_ms()); /* who is logged in: read anew */
    stop_mqtt(g);
    struct codec_out told = {0};
    mailroom_stop(&g->mailroom, &told);
    engine_destroy(g->engine);
    free(g->published);
    struct config *old = g->config;
    g->engine = engine;
    g->published = published;
    g->config = next;
    store_set_site(g->store, &next->site);
    store_set_retention(g->store, &next->retention);
    config_free(old);
    free(old);
    bool started = mailroom_start(&g->mailroom, next, g->store, g->database, &told);
    codec_out_free(&told);
    if (!start_mqtt(g) || !start_buses(g) || !started)
        log_error(
            "config",
            "the new configuration was taken over, but not every part of it could be started");
    g->web = serve_page(g->config, g->store, g->database);
    watch_over_all(g);
    orphans_settle(g->wishes, engine_alarms(g->engine), clock_wall_ms(), take_event, g);
    log_info("config", "the new configuration is in force: %zu circuits on %zu buses",
             next->site.circuit_count, next->site.bus_count);
}
