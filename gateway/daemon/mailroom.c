#include "mailroom.h"

#include "base/clock.h"
#include "base/log.h"
#include "store/reader.h"

#include <stdlib.h>

#define ZONE_EVERY_MS 60000 /* how often the site's offset from UTC is looked up */

static void load(struct mailroom *m, const uint8_t *bytes, size_t length)
{
    const struct config *c = m->config;
    if (!m->people || !bytes)
        return;
    struct codec_in in = {.at = bytes, .end = bytes + length};
    if (people_load(m->people, &in))
        return;
    log_warning("mail", "who was told what is damaged in the record and begins anew");
    people_destroy(m->people);
    m->people = people_create(&c->delivery, &c->phrases, &c->site, m->store);
}

static void load_from_record(struct mailroom *m, const char *database)
{
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms;
    struct store_reader *r = store_reader_open(database);
    if (r && store_read_state(r, "people", &bytes, &length, &wall_ms) == STORE_OK)
        load(m, bytes, length);
    free(bytes);
    store_reader_close(r);
}

bool mailroom_start(struct mailroom *m, const struct config *c, struct store *s,
                    const char *database, const struct codec_out *kept)
{
    *m = (struct mailroom){.store = s};
    if (c->delivery.person_count == 0)
        return true;
    m->config = c;
    m->people = people_create(&c->delivery, &c->phrases, &c->site, s);
    if (kept)
        load(m, kept->bytes, kept->length);
    else
        load_from_record(m, database);
    char why[256] = "memory is short";
    if (m->people)
        m->courier = courier_start(&(struct courier_options){.delivery = &c->delivery,
                                                             .phrases = &c->phrases,
                                                             .site = &c->site,
                                                             .store = s,
                                                             .store_path = database},
                                   why, sizeof why);
    if (m->courier)
        return true;
    log_error("mail", "%s", why);
    mailroom_stop(m, NULL);
    return false;
}

void mailroom_stop(struct mailroom *m, struct codec_out *kept)
{
    courier_stop(m->courier);
    if (m->people && kept)
        people_save(m->people, kept);
    people_destroy(m->people);
    *m = (struct mailroom){0};
}

void mailroom_event(struct mailroom *m, const struct event *e)
{
    if (m->people)
        people_event(m->people, e);
}

static void keep(struct mailroom *m)
{
    struct codec_out out = {0};
    people_save(m->people, &out);
    if (out.failed)
        log_error("mail", "memory is short: who was told what was not kept");
    else
        store_add_state(m->store, "people", out.bytes, out.length, clock_wall_ms());
    codec_out_free(&out);
}

void mailroom_tick(struct mailroom *m)
{
    int64_t mono_ms = clock_mono_ms(), wall_ms = clock_wall_ms();
    if (!m->people)
        return;
    if (m->zone_mono_ms == 0 || mono_ms - m->zone_mono_ms >= ZONE_EVERY_MS) {
        m->zone_mono_ms = mono_ms;
        m->utc_offset_seconds = clock_utc_offset_seconds(m->config->site.timezone, wall_ms);
    }
    if (people_tick(m->people, wall_ms, m->utc_offset_seconds))
        keep(m);
}

void mailroom_committed(struct mailroom *m, enum store_err err, int64_t mono_ms)
{
    if (!m->courier)
        return;
    int64_t newest = store_newest(m->store, STORE_ROUTE_LETTER);
    if (err != STORE_OK)
        courier_tell_unwritten(m->courier, mono_ms);
    else if (newest != m->newest)
        courier_wake(m->courier);
    m->newest = newest;
}
