#include "conventions.h"

#include <stdlib.h>

#define KEY "sparkplug"

/* 0 when there is nothing, or it is damaged */
static int64_t read_kept(const char *store_path)
{
    struct store_reader *r = store_reader_open(store_path);
    uint8_t *bytes = NULL;
    size_t length = 0;
    int64_t wall_ms, since = 0;
    if (r && store_read_state(r, KEY, &bytes, &length, &wall_ms) == STORE_OK && bytes) {
        struct codec_in in = {bytes, bytes + length, false};
        since = codec_get_i64(&in);
        if (in.failed)
            since = 0;
    }
    free(bytes);
    store_reader_close(r);
    return since;
}

void conventions_keep(struct conventions *c, struct store *s, int64_t wall_ms)
{
    int64_t since = c->sparkplug ? sparkplug_quiet_since(c->sparkplug) : c->kept_since;
    struct codec_out out = {0};
    if (since == c->kept_since)
        return;
    codec_put_i64(&out, since);
    if (!out.failed)
        store_add_state(s, KEY, out.bytes, out.length, wall_ms);
    codec_out_free(&out);
    c->kept_since = since;
}

bool conventions_start(struct conventions *c, const struct delivery_broker *broker,
                       const struct site *site, const char *store_path,
                       double meter_lost_seconds)
{
    *c = (struct conventions){0};
    if (broker->host[0] == '\0' || (!broker->sparkplug.enabled && !broker->homie.enabled))
        return true;
    c->bulletin = bulletin_create(site);
    if (!c->bulletin)
        return false;
    const struct convention_options o = {.broker = broker,
                                         .site = site,
                                         .bulletin = c->bulletin,
                                         .store_path = store_path,
                                         .meter_lost_seconds = meter_lost_seconds};
    if (broker->sparkplug.enabled) {
        c->kept_since = read_kept(store_path);
        c->sparkplug = sparkplug_start(&o, c->kept_since);
    }
    if (broker->homie.enabled)
        c->homie = homie_start(&o);
    return (!broker->sparkplug.enabled || c->sparkplug) && (!broker->homie.enabled || c->homie);
}

void conventions_stop(struct conventions *c)
{
    sparkplug_stop(c->sparkplug);
    homie_stop(c->homie);
    bulletin_destroy(c->bulletin);
    *c = (struct conventions){0};
}

void conventions_watch(const struct conventions *c, struct vigil *v)
{
    if (c->sparkplug)
        vigil_add(v, sparkplug_pulse(c->sparkplug));
    if (c->homie)
        vigil_add(v, homie_pulse(c->homie));
}

void conventions_set(struct conventions *c, size_t circuit, int64_t wall_ms,
                     const struct engine_circuit *known)
{
    if (c->bulletin)
        bulletin_set(c->bulletin, circuit, wall_ms, known);
}

void conventions_tell(struct conventions *c, bool alarms)
{
    if (c->sparkplug)
        sparkplug_tell(c->sparkplug, alarms);
    if (c->homie)
        homie_tell(c->homie, alarms);
}
