/*
 * soak_days - the daemon's way with readings, day after day as fast as they come: every frame
 * through the engine, its events into the record and as messages into the outbox, a commit a
 * frame, the kept state when the daemon keeps it; a broker is made believe that takes all.
 *
 *     soak_days CONFIG READINGS DATABASE
 *
 * What it holds and writes is looked at from outside (soak.py).
 */
#include "analysis/engine.h"
#include "base/heap.h"
#include "config/reader.h"
#include "drivers/recorded.h"
#include "model/event_json.h"
#include "notify/announce.h"
#include "store/reader.h"
#include "store/store.h"

#include <stdio.h>
#include <stdlib.h>

#define LEARNED_EVERY_MS (INT64_C(15) * 60 * 1000)

struct soak {
    struct config config;
    struct store *store;
    struct announce *announce;
    struct engine *engine;
    bool running_changed;
    uint64_t events, frames;
};

static void take_event(void *context, const struct event *e)
{
    struct soak *s = context;
    char *json = event_to_json_text(&s->config.site, e);
    if (!json)
        abort();
    store_add_event(s->store, &s->config.site, e, json);
    announce_event(s->announce, e, json);
    free(json);
    s->events++;
    s->running_changed |= e->type != EVENT_LOAD_ON && e->type != EVENT_LOAD_OFF;
}

static void keep(struct soak *s, enum engine_part part, const char *key, int64_t wall_ms)
{
    struct codec_out out = {0};
    engine_save(s->engine, part, &out);
    if (out.failed)
        abort();
    store_add_state(s->store, key, out.bytes, out.length, wall_ms);
    codec_out_free(&out);
}

static void turn(struct soak *s, const struct frame *f, int64_t *learned_mono_ms,
                 int64_t *heap_mono_ms)
{
    engine_feed(s->engine, f);
    store_add_readings(s->store, f);
    if (f->mono_ms - *learned_mono_ms >= LEARNED_EVERY_MS) {
        *learned_mono_ms = f->mono_ms;
        keep(s, ENGINE_LEARNED, "learned", f->wall_ms);
    }
    if (s->running_changed)
        keep(s, ENGINE_RUNNING, "running", f->wall_ms);
    s->running_changed = false;
    store_settle(s->store, STORE_ROUTE_MQTT, store_newest(s->store, STORE_ROUTE_MQTT));
    if (store_commit(s->store, f->mono_ms, f->wall_ms) != STORE_OK)
        abort();
    heap_give_back(f->mono_ms, heap_mono_ms);
    s->frames++;
}

static bool begin(struct soak *s, const char *directory, const char *database)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text report = TEXT_INIT;
    bool ok = config_load(&s->config, directory, &faults);
    faults_print(&faults, directory, &report);
    fputs(text_get(&report), stderr);
    text_free(&report);
    faults_free(&faults);
    if (!ok)
        return false;
    s->store = store_open(&(struct store_options){.path = database}, 0, NULL);
    struct store_reader *reader = store_reader_open(database);
    if (!s->store || !reader)
        return false;
    store_set_site(s->store, &s->config.site);
    store_set_retention(s->store, &s->config.retention);
    s->announce = announce_create(s->store, &s->config.site, reader);
    store_reader_close(reader);
    s->engine =
        engine_create(&s->config.site, &s->config.rules, &s->config.signatures, take_event, s);
    return s->announce && s->engine;
}

int main(int argc, char **argv)
{
    struct soak s = {0};
    struct text problem = TEXT_INIT;
    heap_begin();
    store_begin();
    if (argc != 4 || !begin(&s, argv[1], argv[3]))
        return 2;
    struct recorded *r = recorded_open(&s.config.site, argv[2], &problem);
    struct frame *f = frame_create(&s.config.site);
    if (!r || !f) {
        fprintf(stderr, "%s\n", text_get(&problem));
        return 2;
    }
    int64_t learned_mono_ms = 0, heap_mono_ms = 0;
    while (recorded_read(r, &f, 1) > 0)
        turn(&s, f, &learned_mono_ms, &heap_mono_ms);
    bool whole = recorded_problem(r)[0] == '\0';
    struct store_status status;
    store_get_status(s.store, &status);
    printf(
        "%llu frames, %llu events, %lld messages wait, %llu records and %llu readings lost\n",
        (unsigned long long)s.frames, (unsigned long long)s.events,
        (long long)status.outbox_rows, (unsigned long long)status.lost_records,
        (unsigned long long)status.lost_readings);
    engine_destroy(s.engine);
    announce_destroy(s.announce);
    store_close(s.store);
    recorded_close(r);
    frame_destroy(f);
    config_free(&s.config);
    text_free(&problem);
    return whole && status.lost_records + status.lost_readings == 0 ? 0 : 1;
}
