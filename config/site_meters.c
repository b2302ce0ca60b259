/*
 * Buses, meters and channels: whether they can be read at all, and each thing once.
 */
#include "config/site_file.h"

#include <stdlib.h>
#include <string.h>

static int line_of(const struct site_element *e, const char *key)
{
    return field_line(e->group, key);
}

/* ---- buses
 * ----------------------------------------------------------------------------------- */

static const int bauds[] = {300,   600,   1200,   2400,   4800,   9600,  19200,
                            38400, 57600, 115200, 230400, 460800, 921600};
#define BAUDS (sizeof bauds / sizeof bauds[0])

static void check_baud(const struct site_reading *r, const struct site_element *e, int baud)
{
    size_t nearest = 0;
    for (size_t i = 0; i < BAUDS; i++)
        if (abs(bauds[i] - baud) < abs(bauds[nearest] - baud))
            nearest = i;
    if (bauds[nearest] != baud)
        field_error(r->file, line_of(e, "baud"),
                    "baud = %d is no speed of a serial line; the nearest is %d", baud,
                    bauds[nearest]);
}

/* keys that mean nothing on the other kind of bus */
static void check_strays(const struct site_reading *r, const struct site_element *e,
                         bool serial)
{
    static const int serial_only[] = {BUS_BAUD, BUS_PARITY, BUS_STOP_BITS, BUS_RS485};
    if (serial && site_key(e, BUS_PORT))
        field_error(r->file, line_of(e, "port"), "port goes with host; a serial line has none");
    if (serial && site_key(e, BUS_TLS))
        field_error(r->file, line_of(e, "tls"), "tls goes with host; a serial line has none");
    for (size_t i = 0; !serial && i < sizeof serial_only / sizeof serial_only[0]; i++)
        if (site_key(e, serial_only[i]))
            field_error(r->file, line_of(e, bus_fields[serial_only[i]].name),
                        "%s goes with device; a network connection has none",
                        bus_fields[serial_only[i]].name);
}

static void check_tls(const struct site_reading *r, const struct site_bus *b,
                      const struct site_element *e)
{
    if (!b->tls.cert[0] == !b->tls.key[0])
        return;
    field_error(r->file, line_of(e, "tls"),
                "tls of bus \"%s\" has %s; a certificate and its key go together", b->id,
                b->tls.cert[0] ? "cert and no key" : "key and no cert");
}

static void check_bus(const struct site_reading *r, size_t bus)
{
    const struct site_bus *b = &r->site->buses[bus];
    const struct site_element *e = &r->buses[bus];
    if (e->keys.faulty & (FIELD_BIT(BUS_DEVICE) | FIELD_BIT(BUS_HOST)))
        return;
    if (site_key(e, BUS_DEVICE) == site_key(e, BUS_HOST)) {
        field_error(r->file, line_of(e, "host"),
                    "bus \"%s\" has %s; device = \"/dev/...\" for a serial line, or host = "
                    "\"...\" for the "
                    "network",
                    b->id,
                    site_key(e, BUS_HOST) ? "both device and host" : "neither device nor host");
        return;
    }
    bool serial = site_key(e, BUS_DEVICE);
    check_strays(r, e, serial);
    check_tls(r, b, e);
    if (serial && b->device[0] != '/')
        field_error(r->file, line_of(e, "device"),
                    "device = \"%s\" is no full path; write it as \"/dev/ttyUSB0\"", b->device);
    const char *colon = strchr(b->host, ':');
    bool with_port = colon && !strchr(colon + 1, ':'); /* more than one: an IPv6 address */
    if (!serial && (with_port || strpbrk(b->host, " \t/@[]")))
        field_error(r->file, line_of(e, "host"),
                    "host = \"%s\" is no host name or address; the port goes into port = ...",
                    b->host);
    if (site_key(e, BUS_BAUD))
        check_baud(r, e, b->baud);
    if (b->timeout_ms > b->poll_ms)
        field_warning(r->file, line_of(e, "timeout_ms"),
                      "timeout_ms = %d is longer than poll_ms = %d; one silent meter makes the "
                      "others late",
                      b->timeout_ms, b->poll_ms);
    for (size_t i = 0; serial && i < bus; i++)
        if (strcmp(r->site->buses[i].device, b->device) == 0)
            field_error(r->file, line_of(e, "device"),
                        "device \"%s\" is already that of bus \"%s\" (line %d); a serial line "
                        "is one bus",
                        b->device, r->site->buses[i].id, line_of(&r->buses[i], "device"));
}

/* ---- meters
 * ---------------------------------------------------------------------------------- */

static void check_meter(const struct site_reading *r, size_t meter)
{
    const struct site *s = r->site;
    const struct site_meter *m = &s->meters[meter];
    const struct site_element *e = &r->meters[meter];
    if (m->bus < 0 || !site_key(e, METER_UNIT))
        return;
    /* Modbus over Serial Line V1.02, 2.2: 0 is broadcast, 248 to 255 are reserved */
    if (site_key(&r->buses[m->bus], BUS_DEVICE) && (m->unit < 1 || m->unit > 247))
        field_error(r->file, line_of(e, "unit"),
                    "unit = %d: units on a serial line are 1 to 247", m->unit);
    for (size_t i = 0; i < meter; i++)
        if (s->meters[i].bus == m->bus && site_key(&r->meters[i], METER_UNIT) &&
            s->meters[i].unit == m->unit)
            field_error(r->file, line_of(e, "unit"),
                        "unit %d of bus \"%s\" is already meter \"%s\" (line %d); each meter "
                        "has its own",
                        m->unit, s->buses[m->bus].id, s->meters[i].id,
                        line_of(&r->meters[i], "unit"));
}

/* ---- channels
 * -------------------------------------------------------------------------------- */

static bool map_has(const struct meter_map *map, int channel, int *last)
{
    bool has = map->sunspec && channel <= METER_MAP_SUNSPEC_CHANNELS;
    *last = map->sunspec ? METER_MAP_SUNSPEC_CHANNELS : 0;
    for (size_t i = 0; i < map->point_count; i++) {
        const struct meter_point *p = &map->points[i];
        if (p->quantity != FRAME_AMPS)
            continue;
        int end = p->first_channel + p->channels;
        has = has || (channel >= p->first_channel && channel < end);
        *last = end - 1 > *last ? end - 1 : *last;
    }
    return has;
}

static void check_channel(const struct site_reading *r, const struct meter_map_set *maps,
                          size_t circuit, int channel)
{
    const struct site_circuit *c = &r->site->circuits[circuit];
    const struct site_meter *m = &r->site->meters[c->meter];
    const struct meter_map *map = meter_map_find(maps, m->map);
    int line = line_of(&r->circuits[circuit], "channels"), last;
    if (!map || map_has(map, channel, &last))
        return;
    if (channel > last)
        field_error(r->file, line,
                    "channel %d: map \"%s\" of meter \"%s\" has the channels 1 to %d", channel,
                    map->id, m->id, last);
    else
        field_error(r->file, line,
                    "channel %d: map \"%s\" of meter \"%s\" gives no amps for it", channel,
                    map->id, m->id);
}

static void check_channels(const struct site_reading *r, const struct meter_map_set *maps,
                           size_t circuit)
{
    const struct site_circuit *c = &r->site->circuits[circuit];
    const struct site_element *e = &r->circuits[circuit];
    const uint64_t both = FIELD_BIT(CIRCUIT_METER) | FIELD_BIT(CIRCUIT_CHANNELS);
    if (e->keys.faulty & (both | FIELD_BIT(CIRCUIT_POLES)))
        return;
    if (site_key(e, CIRCUIT_METER) != site_key(e, CIRCUIT_CHANNELS)) {
        bool meter = site_key(e, CIRCUIT_METER);
        field_error(r->file, line_of(e, meter ? "meter" : "channels"),
                    "circuit \"%s\" has %s; name both, or neither when nothing measures it",
                    c->id, meter ? "a meter and no channels" : "channels and no meter");
        return;
    }
    if (site_key(e, CIRCUIT_CHANNELS) && e->channel_count != (size_t)c->poles)
        field_error(r->file, line_of(e, "channels"),
                    "channels has %zu number%s and poles = %d; one channel a pole, 0 for a "
                    "pole that is not "
                    "measured",
                    e->channel_count, e->channel_count == 1 ? "" : "s", c->poles);
    for (int k = 0; c->meter >= 0 && k < SITE_MAX_POLES; k++)
        if (c->channels[k] > 0)
            check_channel(r, maps, circuit, c->channels[k]);
}

/* who[] is one row of METER_MAP_MAX_CHANNELS + 1 a meter: circuit + 1 that took the channel */
static void check_channel_use(const struct site_reading *r, size_t circuit, int *who)
{
    const struct site_circuit *c = &r->site->circuits[circuit];
    if (c->meter < 0)
        return;
    int *row = who + (size_t)c->meter * (METER_MAP_MAX_CHANNELS + 1);
    for (int k = 0; k < SITE_MAX_POLES; k++) {
        int channel = c->channels[k];
        if (channel <= 0)
            continue;
        if (row[channel] > 0) {
            size_t other = (size_t)(row[channel] - 1);
            field_error(r->file, line_of(&r->circuits[circuit], "channels"),
                        "channel %d of meter \"%s\" is already that of circuit \"%s\" (line "
                        "%d); each pole "
                        "has its own",
                        channel, r->site->meters[c->meter].id, r->site->circuits[other].id,
                        line_of(&r->circuits[other], "channels"));
        } else {
            row[channel] = (int)circuit + 1;
        }
    }
}

void site_meters_check(const struct site_reading *r, const struct meter_map_set *maps)
{
    const struct site *s = r->site;
    for (size_t i = 0; i < s->bus_count; i++)
        check_bus(r, i);
    for (size_t i = 0; i < s->meter_count; i++)
        check_meter(r, i);
    int *who = calloc((s->meter_count + 1) * (METER_MAP_MAX_CHANNELS + 1), sizeof *who);
    if (!who)
        field_error(r->file, 0, "memory is short");
    for (size_t i = 0; who && i < s->circuit_count; i++) {
        check_channels(r, maps, i);
        check_channel_use(r, i, who);
    }
    free(who);
}
