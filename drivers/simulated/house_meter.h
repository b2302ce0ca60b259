/*
 * house_meter - a simulated meter: the registers that its map promises, filled from the house.
 *
 * It has the imperfections of a real one: each channel's gain is off by up to half a percent,
 * each reading has a little noise, and the register's own step rounds it. Registers that the
 * map leaves out between two points read as zero; outside the map they are illegal addresses. A
 * channel that no circuit uses reads as the map's "not measured", or zero.
 *
 * A map that says `sunspec` makes it a meter that describes itself (house_sunspec.h), of the
 * wiring that its panel has; channels 1 to 3 are its phases.
 *
 * Ownership  init .. free; borrows site and map
 */
#ifndef FORETRIP_SIMULATED_HOUSE_METER_H
#define FORETRIP_SIMULATED_HOUSE_METER_H

#include "house.h"
#include "model/meter_map.h"

struct house_space { /* registers base .. base + count - 1 of one function code */
    int base;
    int count;
    uint16_t *words;
};

struct house_meter {
    const struct site *site;
    const struct meter_map *map;
    int meter;
    struct chance chance;
    struct house_space spaces[2];             /* functions 3 and 4 */
    int64_t filled_ms;                        /* house time the registers stand for */
    bool floats;                              /* SunSpec: models 211 to 213, else 201 to 203 */
    double watt_hours;                        /* SunSpec: counted since the first filling */
    int poles[METER_MAP_MAX_CHANNELS + 1];    /* by channel: pole of the site, -1 */
    int circuits[METER_MAP_MAX_CHANNELS + 1]; /* by channel */
    double gains[METER_MAP_MAX_CHANNELS + 1];
};

/* False when memory is short. */
bool house_meter_init(struct house_meter *m, const struct site *site, int meter,
                      const struct meter_map *map, uint64_t seed);
void house_meter_free(struct house_meter *m);

/* Measures, once per house moment. */
void house_meter_fill(struct house_meter *m, const struct house *h);

/* Copies registers out; false: illegal address. count 1..125. */
bool house_meter_read(const struct house_meter *m, int function, int address, int count,
                      uint16_t *out);

#endif
