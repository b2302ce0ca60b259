/*
 * house_record - what the simulated meters would have said, as readings in a file, as fast as
 * it goes.
 *
 * For replaying hours and days of a house whose truth is known. The readings take the same way
 * as on a bus: registers by the meter's map, then the driver's own plan and decoding; so they
 * have the steps, the noise and the missing values of the meters. A request that mischief
 * strikes (but for a delay) is a lost reading. The format is the readings contract
 * (docs/readings.md).
 */
#ifndef FORETRIP_SIMULATED_HOUSE_RECORD_H
#define FORETRIP_SIMULATED_HOUSE_RECORD_H

#include "base/text.h"
#include "house_meter.h"
#include "mischief.h"

#include <stdio.h>

struct house_record {
    const struct site *site;
    const struct meter_map_set *maps;
    const struct mischief *mischief; /* one a meter, NULL for none */
    struct house *house;
    uint64_t seed;
    int64_t start_wall_ms; /* at house time 0 */
    int64_t end_ms;        /* of house time */
    int64_t every_ms;      /* between two rows, of house time */
};

/* False: *why holds a sentence. Everything is borrowed. */
bool house_record_write(const struct house_record *r, FILE *out, struct text *why);

#endif
