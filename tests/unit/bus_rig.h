/*
 * bus_rig - three meters on one bus, for the tests of the bus.
 *
 * Units 1 to 3 of four channels each: amps from register 0 in hundredths, watts from register
 * 40; each circuit has one pole. The meters are a fake one (fake_meter.h), over TCP or a serial
 * line. Time is held (held_time.h), so that no test depends on how
 * busy the machine is, unless the rig is a live one, for what is about threads and devices.
 */
#ifndef FORETRIP_TEST_BUS_RIG_H
#define FORETRIP_TEST_BUS_RIG_H

#include "base/text.h"
#include "drivers/bus_tick.h"
#include "fake_meter.h"

#define BUS_UNITS 3
#define BUS_CHANNELS 4
#define BUS_PERIOD_MS 1000

struct bus_rig {
    struct site site;
    struct meter_map_set maps;
    struct fake_meter *fake;
    struct bus_state bus;
    struct text said; /* what was logged */
    uint64_t tick;
    bool live;
};

struct bus_rig *bus_rig_up(bool tcp, int timeout_ms);
/* Over a real connection or pseudo-terminal, in real time. */
struct bus_rig *bus_rig_up_live(bool tcp, int timeout_ms);
void bus_rig_down(struct bus_rig *b);

/* The next tick, now. The caller frees the report. */
struct bus_report *bus_rig_tick(struct bus_rig *b);

/* The amps of the unit's channel in the report, NaN when it is not there. */
double bus_rig_amps(const struct bus_report *r, int unit, int channel);

/* Every meter was read and says what the fake one holds. */
void assert_all_good(const struct bus_report *r);

#endif
