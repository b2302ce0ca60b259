#include "house_station.h"

#include "base/clock.h"

#include <stdlib.h>

struct house_station {
    const struct site *site;
    struct house *house;
    struct house_meter *meters;
    struct mischief *mischief;
    struct chance chance;
    int64_t origin_us;
    double speed;
};

struct house_station *house_station_create(const struct site *site,
                                           const struct meter_map_set *maps,
                                           struct house *house, const struct mischief *mischief,
                                           double speed, uint64_t seed)
{
    struct house_station *s = calloc(1, sizeof *s);
    if (!s)
        return NULL;
    *s = (struct house_station){.site = site, .house = house, .speed = speed};
    s->chance = chance_seed(seed, "station");
    s->meters = calloc(site->meter_count + 1, sizeof *s->meters);
    s->mischief = calloc(site->meter_count + 1, sizeof *s->mischief);
    bool ok = s->meters && s->mischief;
    for (size_t i = 0; ok && i < site->meter_count; i++) {
        const struct meter_map *map = meter_map_find(maps, site->meters[i].map);
        ok = map && house_meter_init(&s->meters[i], site, (int)i, map, seed);
        if (mischief)
            s->mischief[i] = mischief[i];
    }
    if (!ok) {
        house_station_destroy(s);
        return NULL;
    }
    s->origin_us = clock_mono_us();
    return s;
}

void house_station_destroy(struct house_station *s)
{
    if (!s)
        return;
    for (size_t i = 0; s->meters && i < s->site->meter_count; i++)
        house_meter_free(&s->meters[i]);
    free(s->meters);
    free(s->mischief);
    free(s);
}

void house_station_use_floats(struct house_station *s)
{
    for (size_t i = 0; i < s->site->meter_count; i++)
        s->meters[i].floats = true;
}

void house_station_catch_up(struct house_station *s)
{
    double real_ms = (double)(clock_mono_us() - s->origin_us) / 1000.0;
    house_advance(s->house, (int64_t)(real_ms * s->speed));
}

static int meter_at(const struct house_station *s, int bus, int unit)
{
    for (size_t i = 0; i < s->site->meter_count; i++)
        if (s->site->meters[i].bus == bus && s->site->meters[i].unit == unit)
            return (int)i;
    return -1;
}

static bool read_registers(void *context, int function, int address, int count, uint16_t *out)
{
    return house_meter_read(context, function, address, count, out);
}

static void spoil(struct house_station *s, int meter, uint8_t function, struct server_reply *r)
{
    const struct mischief *m = &s->mischief[meter];
    double seconds = (double)house_now_ms(s->house) / 1000.0;
    switch (mischief_draw(m, &s->chance, seconds)) {
    case MISCHIEF_NONE:
    case MISCHIEF_KINDS: return;
    case MISCHIEF_SILENCE: r->length = 0; return;
    case MISCHIEF_DELAY: r->delay_ms = m->delay_ms; return;
    case MISCHIEF_EXCEPTION:
        r->length = pdu_exception(function, (uint8_t)m->exception, r->pdu);
        return;
    case MISCHIEF_UNIT: r->unit = (uint8_t)(r->unit % 247 + 1); return;
    case MISCHIEF_CORRUPT: r->corrupt = true; return;
    case MISCHIEF_SHORT: r->cut = true; return;
    case MISCHIEF_CLOSE:
        r->length = 0;
        r->hang_up = true;
        return;
    }
}

void house_station_answer(void *context, int bus, uint8_t unit, const uint8_t *pdu,
                          size_t length, struct server_reply *reply)
{
    struct house_station *s = context;
    int meter = meter_at(s, bus, unit);
    if (meter < 0) {
        if (s->site->buses[bus].host[0])
            reply->length = pdu_exception(pdu[0], 0x0B, reply->pdu);
        return;
    }
    house_station_catch_up(s);
    house_meter_fill(&s->meters[meter], s->house);
    reply->length = pdu_answer(read_registers, &s->meters[meter], pdu, length, reply->pdu);
    spoil(s, meter, pdu[0], reply);
}
