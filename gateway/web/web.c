#include "web.h"

#include "assets.h"
#include "discreet.h"
#include "web_parts.h"

#include "base/clock.h"
#include "base/log.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define QUEUE_ASKS 16
#define ALIVE_SECONDS 5
#define TOLD_AT_ONCE 500
#define SERVING_PATIENCE_MS INT64_C(120000)
#define TRAIL_STATE "heat trail" /* key in the record */

/* ---- live messages: a thread of its own tells what is new ---- */

/* the same for those who may not see all of it */
static void tell_discreetly(struct web *w, const char *event, int64_t seq, const char *json)
{
    json_t *o = w->discreet ? json_loads(json, 0, NULL) : NULL;
    if (o && seq >= 0)
        o = discreet_event(w->context.site, o);
    char *text = o ? json_dumps(o, JSON_COMPACT | JSON_REAL_PRECISION(10)) : NULL;
    if (text)
        stream_write(w->discreet, event, seq, text);
    free(text);
    json_decref(o);
}

static bool tell_event(void *context, const struct store_event_row *row)
{
    struct web *w = context;
    struct text t = TEXT_INIT;
    text_printf(&t, "{\"seq\":%lld,", (long long)row->seq);
    text_append(&t, row->json + 1);
    stream_write(w->stream, "event", row->seq, text_get(&t));
    tell_discreetly(w, "event", row->seq, text_get(&t));
    text_free(&t);
    w->read_seq = row->seq;
    return true;
}

/* a message with the circuits that changed, or without any */
static void tell_circuits(struct stream *s, const char *at, const char *states)
{
    struct text t = TEXT_INIT;
    text_printf(&t, at[0] ? "{\"frame_at\":\"%s\"" : "{\"frame_at\":null", at);
    if (states)
        text_printf(&t, ",\"circuits\":[%s]", states);
    text_append(&t, "}");
    if (!t.failed)
        stream_write(s, states ? "circuits" : "alive", -1, text_get(&t));
    text_free(&t);
}

static void tell(struct web *w, bool frame)
{
    struct text states = TEXT_INIT, less = TEXT_INIT;
    char at[CLOCK_RFC3339_SIZE] = "";
    int64_t frame_wall_ms = board_frame_wall_ms(w->board);
    if (store_newest(w->store, STORE_ROUTE_UP) > w->read_seq)
        store_read_events(w->herald_reader, w->read_seq, TOLD_AT_ONCE, tell_event, w);
    if (frame_wall_ms)
        clock_format_rfc3339(frame_wall_ms, at);
    if (frame)
        board_append_changed(w->board, &states);
    tell_circuits(w->stream, at, frame ? text_get(&states) : NULL);
    if (w->discreet) {
        discreet_states(text_get(&states), &less);
        tell_circuits(w->discreet, at, frame ? text_get(&less) : NULL);
    }
    text_free(&states);
    text_free(&less);
}

/* called with the lock held */
static void wake_listeners(struct web *w)
{
    for (struct listener *l = w->listeners; l; l = l->next)
        if (l->suspended) {
            l->suspended = false;
            MHD_resume_connection(l->connection);
        }
}

/* Whether a frame came; false after some seconds without one. Called with the lock held. */
static bool wait_for_frame(struct web *w)
{
    struct timespec until;
    int rc = 0;
    clock_gettime(CLOCK_MONOTONIC, &until);
    until.tv_sec += ALIVE_SECONDS;
    while (!w->stopping && !w->frame && rc == 0)
        rc = pthread_cond_timedwait(&w->wake, &w->wake_lock, &until);
    bool frame = w->frame;
    w->frame = false;
    return frame;
}

static void *herald(void *context)
{
    struct web *w = context;
    pulse_begin_thread(&w->pulses[WEB_HERALD]);
    pthread_mutex_lock(&w->wake_lock);
    while (!w->stopping) {
        pulse_beat(&w->pulses[WEB_HERALD]);
        bool frame = wait_for_frame(w);
        pthread_mutex_unlock(&w->wake_lock);
        tell(w, frame);
        pthread_mutex_lock(&w->lock);
        wake_listeners(w);
        pthread_mutex_unlock(&w->lock);
        pthread_mutex_lock(&w->wake_lock);
        w->told_seq = w->read_seq;
    }
    pthread_mutex_unlock(&w->wake_lock);
    pulse_end(&w->pulses[WEB_HERALD]);
    return NULL;
}

static bool start_herald(struct web *w)
{
    w->told_seq = w->read_seq = store_newest(w->store, STORE_ROUTE_UP);
    w->herald_runs = pthread_create(&w->herald, NULL, herald, w) == 0;
    return w->herald_runs;
}

/* ---- the engine's side ---- */

void web_set_state(struct web *w, size_t circuit, int64_t wall_ms, const char *json,
                   double heat)
{
    trail_put(w->context.trail, circuit, wall_ms, heat);
    board_set_state(w->board, circuit, json);
}

void web_set_known(struct web *w, size_t circuit, const char *loads, const char *whole)
{
    board_set_known(w->board, circuit, loads, whole);
}

void web_frame(struct web *w, int64_t wall_ms)
{
    board_frame(w->board, wall_ms);
    pthread_mutex_lock(&w->wake_lock);
    w->frame = true;
    pthread_mutex_unlock(&w->wake_lock);
}

void web_turn(struct web *w)
{
    server_tend(w->server);
    int64_t newest = store_newest(w->store, STORE_ROUTE_UP);
    pthread_mutex_lock(&w->wake_lock);
    if (newest > w->told_seq)
        w->frame = true;
    bool wake = w->frame;
    pthread_mutex_unlock(&w->wake_lock);
    if (wake)
        pthread_cond_signal(&w->wake);
}

bool web_take_ask(struct web *w, struct web_ask *out)
{
    struct server_ask *a = queue_pop(w->asks, 0);
    if (!a)
        return false;
    *out =
        (struct web_ask){a->verb, text_get(&a->body), a->body.length, &a->who, a->address, a};
    return true;
}

void web_reply(struct web *w, struct web_ask *ask, const char *error)
{
    (void)w;
    server_failed(ask->token, error ? error : "");
    ask->token = NULL;
}

void web_refuse(struct web *w, struct web_ask *ask, const char *why)
{
    ((struct server_ask *)ask->token)->refused = true;
    web_reply(w, ask, why);
}

/* ---- starting and stopping ---- */

static void make_locks(struct web *w)
{
    pthread_condattr_t how;
    pthread_mutex_init(&w->lock, NULL);
    pthread_mutex_init(&w->wake_lock, NULL);
    pthread_condattr_init(&how);
    pthread_condattr_setclock(&how, CLOCK_MONOTONIC);
    pthread_cond_init(&w->wake, &how);
    pthread_condattr_destroy(&how);
}

/* The patience of each is some times what a slow card makes of its work; the desk reckons over
 * three months. */
static void make_pulses(struct web *w)
{
    pulse_init(&w->pulses[WEB_HERALD], "page herald", INT64_C(30000));
    pulse_init(&w->pulses[WEB_DOOR_KEEPER], "page door", INT64_C(120000));
    pulse_init(&w->pulses[WEB_DESK_CLERK], "page desk", INT64_C(3600000));
}

_Static_assert(WEB_PULSES == WEB_PARTS + SERVER_THREADS, "each thread has its pulse");

const struct pulse *web_pulse(const struct web *w, int i)
{
    return i < WEB_PARTS ? &w->pulses[i] : &w->places.of[i - WEB_PARTS].pulse;
}

/* the heat, as the gateway before this one left it; damaged: it begins anew */
static void load_trail(struct web *w)
{
    w->trail_kept_wall_ms = clock_wall_ms();
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms;
    if (store_read_state(w->herald_reader, TRAIL_STATE, &bytes, &length, &wall_ms) ==
            STORE_OK &&
        bytes)
        trail_load(w->context.trail, w->context.site,
                   &(struct codec_in){.at = bytes, .end = bytes + length});
    free(bytes);
}

static void keep_trail(struct web *w, int64_t wall_ms)
{
    w->trail_kept_wall_ms = wall_ms;
    struct codec_out out = {0};
    trail_save(w->context.trail, w->context.site, &out);
    if (!out.failed)
        store_add_state(w->store, TRAIL_STATE, out.bytes, out.length, wall_ms);
    codec_out_free(&out);
}

void web_keep(struct web *w, int64_t wall_ms)
{
    if (w->porter)
        web_door_keep(w, wall_ms);
    if (llabs(wall_ms - w->trail_kept_wall_ms) >= TRAIL_KEEP_MS)
        keep_trail(w, wall_ms);
}

/* people log in: the door, and what those hear who may not see all */
static bool start_access(struct web *w, const struct delivery *d)
{
    w->discreet = stream_create(STREAM_BYTES(w->context.site->circuit_count));
    return w->discreet && web_door_start(w, d, w->herald_reader);
}

static struct server *start_server(struct web *w, char *why, size_t why_size)
{
    static const struct server_calls calls = {
        .answer = web_http_answer, .pass = web_http_pass, .stream = web_http_stream};
    return server_start(
        &(struct server_options){.settings = &w->settings, .calls = &calls, .context = w}, why,
        why_size);
}

struct web *web_start(const struct web_options *o, char *why, size_t why_size)
{
    struct web *w = calloc(1, sizeof *w);
    if (!w) {
        snprintf(why, why_size, "memory is short");
        return NULL;
    }
    make_locks(w);
    make_pulses(w);
    bool placed = places_open(&w->places, o->store_path, SERVING_PATIENCE_MS);
    w->herald_reader = store_reader_open(o->store_path);
    w->settings = *o->settings;
    w->store = o->store;
    w->board = board_create(o->site->circuit_count);
    w->stream = stream_create(STREAM_BYTES(o->site->circuit_count));
    clock_utc_offset_seconds(o->site->timezone,
                             0); /* sets the zone, before there are threads */
    w->asks = queue_create(QUEUE_ASKS);
    w->context = (struct web_context){.site = o->site,
                                      .phrases = o->phrases,
                                      .tariff = o->tariff,
                                      .study = o->study,
                                      .rules = o->rules,
                                      .signatures = o->signatures,
                                      .trail = trail_create(o->site->circuit_count),
                                      .board = w->board,
                                      .charts = asset_find(assets, "/uplot.js") != NULL,
                                      .local = !page_asks_who(&w->settings)};
    snprintf(why, why_size, "memory is short");
    bool ok =
        w->board && w->context.trail && w->stream && w->asks && placed && w->herald_reader;
    if (ok)
        load_trail(w); /* by the herald's reader, before there is a herald */
    if (!ok || !web_desk_start(w, o->store_path) ||
        (!w->context.local && !start_access(w, o->delivery)) || !start_herald(w) ||
        !(w->server = start_server(w, why, why_size))) {
        web_stop(w);
        return NULL;
    }
    return w;
}

/* whoever waits is let go, so that the server's threads can end */
static void let_go(struct web *w)
{
    pthread_mutex_lock(&w->lock);
    pthread_mutex_lock(&w->wake_lock);
    w->stopping = true;
    pthread_mutex_unlock(&w->wake_lock);
    wake_listeners(w);
    pthread_mutex_unlock(&w->lock);
    pthread_cond_signal(&w->wake);
    web_desk_stop(w);
    porter_stop(w->porter); /* before: it passes on to the asks */
    struct web_ask ask;
    while (w->asks && web_take_ask(w, &ask))
        web_reply(w, &ask, "the gateway is stopping");
}

void web_stop(struct web *w)
{
    if (!w)
        return;
    let_go(w);
    if (w->herald_runs)
        pthread_join(w->herald, NULL);
    bool served = w->server != NULL;
    server_stop(w->server);
    if (w->porter)
        web_door_keep(w, clock_wall_ms());
    if (served)
        keep_trail(w, clock_wall_ms());
    places_close(&w->places);
    store_reader_close(w->herald_reader);
    queue_destroy(w->asks);
    stream_destroy(w->stream);
    stream_destroy(w->discreet);
    web_door_free(w);
    web_desk_free(w);
    board_destroy(w->board);
    trail_destroy(w->context.trail);
    pthread_cond_destroy(&w->wake);
    pthread_mutex_destroy(&w->lock);
    pthread_mutex_destroy(&w->wake_lock);
    free(w);
}

int web_port(const struct web *w)
{
    return server_port(w->server);
}
