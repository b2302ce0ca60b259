#include "bus_rig.h"

#include "base/clock.h"
#include "base/log.h"
#include "check.h"
#include "held_time.h"

#include <stdlib.h>

static void listen_to_log(void *context, enum log_level level, const char *subsystem,
                          const char *line)
{
    (void)level;
    (void)subsystem;
    text_printf(context, "%s\n", line);
}

static void describe_map(struct meter_map *map)
{
    *map = (struct meter_map){.id = "four", .max_registers = 125, .point_count = 2};
    map->points[0] = (struct meter_point){.quantity = FRAME_AMPS,
                                          .type = METER_U16,
                                          .function = 3,
                                          .stride = 1,
                                          .first_channel = 1,
                                          .channels = BUS_CHANNELS,
                                          .scale = 0.01,
                                          .scale_register = -1};
    map->points[1] = map->points[0];
    map->points[1].quantity = FRAME_WATTS;
    map->points[1].address = 40;
    map->points[1].scale = 1.0;
}

static void describe_site(struct bus_rig *b, bool tcp, int timeout_ms)
{
    struct site *s = &b->site;
    site_init(s);
    snprintf(site_add_panel(s)->id, SITE_ID_SIZE, "main");
    struct site_bus *bus = site_add_bus(s);
    snprintf(bus->id, SITE_ID_SIZE, "line");
    bus->timeout_ms = timeout_ms;
    bus->poll_ms = BUS_PERIOD_MS;
    bus->baud = 115200;
    bus->port = fake_meter_port(b->fake);
    if (tcp)
        snprintf(bus->host, sizeof bus->host, "127.0.0.1");
    else
        snprintf(bus->device, sizeof bus->device, "%s", fake_meter_device(b->fake));
    for (int unit = 1; unit <= BUS_UNITS; unit++) {
        struct site_meter *m = site_add_meter(s);
        snprintf(m->id, sizeof m->id, "m%d", unit);
        m->bus = 0;
        m->unit = unit;
        snprintf(m->map, sizeof m->map, "four");
        for (int channel = 1; channel <= BUS_CHANNELS; channel++) {
            struct site_circuit *c = site_add_circuit(s);
            snprintf(c->id, sizeof c->id, "c%d-%d", unit, channel);
            c->panel = 0;
            c->meter = unit - 1;
            c->channels[0] = channel;
        }
    }
    site_finish(s);
}

static struct bus_rig *up(bool tcp, int timeout_ms, bool live)
{
    struct bus_rig *b = calloc(1, sizeof *b);
    char why[256] = "";
    assert_non_null(b);
    log_to(listen_to_log, &b->said);
    b->live = live;
    if (!live)
        held_time_begin(NULL);
    b->fake = !live ? fake_meter_by_hand(tcp) : tcp ? fake_meter_tcp() : fake_meter_serial();
    b->maps.maps = calloc(1, sizeof *b->maps.maps);
    b->maps.count = 1;
    describe_map(b->maps.maps);
    describe_site(b, tcp, timeout_ms);
    b->bus = (struct bus_state){
        .site = &b->site, .maps = &b->maps, .bus = 0, .only_meter = -1, .stop_fd = -1};
    if (!bus_state_prepare(&b->bus, why, sizeof why))
        fail_msg("%s", why);
    return b;
}

struct bus_rig *bus_rig_up(bool tcp, int timeout_ms)
{
    return up(tcp, timeout_ms, false);
}

struct bus_rig *bus_rig_up_live(bool tcp, int timeout_ms)
{
    return up(tcp, timeout_ms, true);
}

void bus_rig_down(struct bus_rig *b)
{
    bus_state_free(&b->bus);
    fake_meter_stop(b->fake);
    meter_map_set_free(&b->maps);
    site_free(&b->site);
    log_to(NULL, NULL);
    text_free(&b->said);
    held_time_end();
    free(b);
}

struct bus_report *bus_rig_tick(struct bus_rig *b)
{
    struct bus_report *r = bus_state_tick(&b->bus, b->tick++, clock_mono_us());
    assert_non_null(r);
    assert_int_equal(r->meter_count, BUS_UNITS);
    return r;
}

double bus_rig_amps(const struct bus_report *r, int unit, int channel)
{
    uint32_t index = (uint32_t)((unit - 1) * BUS_CHANNELS + channel - 1);
    for (size_t i = 0; i < r->reading_count; i++)
        if (r->readings[i].index == index)
            return (double)r->readings[i].value;
    return (double)NAN;
}

void assert_all_good(const struct bus_report *r)
{
    assert_int_equal(r->reading_count, 2 * BUS_UNITS * BUS_CHANNELS);
    for (int unit = 1; unit <= BUS_UNITS; unit++) {
        assert_int_equal(r->meters[unit - 1].state, BUS_METER_OK);
        for (int channel = 1; channel <= BUS_CHANNELS; channel++)
            assert_near(bus_rig_amps(r, unit, channel), fake_register(unit, channel - 1) * 0.01,
                        1e-4);
    }
}
