#include "check.h"

#include <stdlib.h>
#include <unistd.h>

#include "base/clock.h"
#include "base/log.h"
#include "base/queue.h"
#include "base/text.h"
#include "drivers/bus_tick.h"
#include "fake_meter.h"

#define UNITS 3
#define CHANNELS 4
#define PERIOD_MS 1000

/* Three meters (units 1 to 3) of four channels on one bus: amps from register 0 in hundredths,
 * watts from register 40; each circuit has one pole. */
struct bench {
    struct site site;
    struct meter_map_set maps;
    struct fake_meter *fake;
    struct bus_state bus;
    struct text said; /* what was logged */
    uint64_t tick;
};

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
                                          .channels = CHANNELS,
                                          .scale = 0.01,
                                          .scale_register = -1};
    map->points[1] = map->points[0];
    map->points[1].quantity = FRAME_WATTS;
    map->points[1].address = 40;
    map->points[1].scale = 1.0;
}

static void describe_site(struct bench *b, bool tcp, int timeout_ms)
{
    struct site *s = &b->site;
    site_init(s);
    snprintf(site_add_panel(s)->id, SITE_ID_SIZE, "main");
    struct site_bus *bus = site_add_bus(s);
    snprintf(bus->id, SITE_ID_SIZE, "line");
    bus->timeout_ms = timeout_ms;
    bus->poll_ms = PERIOD_MS;
    bus->baud = 115200;
    bus->port = fake_meter_port(b->fake);
    if (tcp)
        snprintf(bus->host, sizeof bus->host, "127.0.0.1");
    else
        snprintf(bus->device, sizeof bus->device, "%s", fake_meter_device(b->fake));
    for (int unit = 1; unit <= UNITS; unit++) {
        struct site_meter *m = site_add_meter(s);
        snprintf(m->id, sizeof m->id, "m%d", unit);
        m->bus = 0;
        m->unit = unit;
        snprintf(m->map, sizeof m->map, "four");
        for (int channel = 1; channel <= CHANNELS; channel++) {
            struct site_circuit *c = site_add_circuit(s);
            snprintf(c->id, sizeof c->id, "c%d-%d", unit, channel);
            c->panel = 0;
            c->meter = unit - 1;
            c->channels[0] = channel;
        }
    }
    site_finish(s);
}

static struct bench *set_up(bool tcp, int timeout_ms)
{
    struct bench *b = calloc(1, sizeof *b);
    char why[256] = "";
    assert_non_null(b);
    log_to(listen_to_log, &b->said);
    b->fake = tcp ? fake_meter_tcp() : fake_meter_serial();
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

static void tear_down(struct bench *b)
{
    bus_state_free(&b->bus);
    fake_meter_stop(b->fake);
    meter_map_set_free(&b->maps);
    site_free(&b->site);
    log_to(NULL, NULL);
    text_free(&b->said);
    free(b);
}

static struct bus_report *tick(struct bench *b)
{
    struct bus_report *r = bus_state_tick(&b->bus, b->tick++, clock_mono_us());
    assert_non_null(r);
    assert_int_equal(r->meter_count, UNITS);
    return r;
}

/* the amps of the unit's channel in the report, NaN when it is not there */
static double amps(const struct bench *b, const struct bus_report *r, int unit, int channel)
{
    (void)b;
    uint32_t index = (uint32_t)((unit - 1) * CHANNELS + channel - 1);
    for (size_t i = 0; i < r->reading_count; i++)
        if (r->readings[i].index == index)
            return (double)r->readings[i].value;
    return (double)NAN;
}

static void assert_all_good(const struct bench *b, const struct bus_report *r)
{
    assert_int_equal(r->reading_count, 2 * UNITS * CHANNELS);
    for (int unit = 1; unit <= UNITS; unit++) {
        assert_int_equal(r->meters[unit - 1].state, BUS_METER_OK);
        for (int channel = 1; channel <= CHANNELS; channel++)
            assert_near(amps(b, r, unit, channel), fake_register(unit, channel - 1) * 0.01,
                        1e-4);
    }
}

static void every_meter_is_read_in_a_tick(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct bench *b = set_up(tcp, 400);
        for (int i = 0; i < 3; i++) {
            struct bus_report *r = tick(b);
            assert_all_good(b, r);
            bus_report_free(r);
        }
        /* the hole of 36 registers is bridged on TCP; at 115200 it costs more than a read */
        assert_int_equal(b->bus.tally.reads, 3 * UNITS * (tcp ? 1 : 2));
        assert_int_equal(b->bus.tally.answers, b->bus.tally.reads);
        tear_down(b);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_meter_is_read_in_a_tick),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
