/*
 * house_sunspec - the registers of a simulated meter that describes itself by SunSpec.
 *
 *     40000  "SunS", model 1 (maker, model, serial number), a meter model, the end
 *
 * The meter model is 201, 202 or 203 (single phase, split phase, wye) in integers with scale
 * factors, or 211, 212, 213 in floats. Offsets are those of the models' published definitions
 * (sunspec/models, JSON, commit 7abdf8982d53), written down here once more and apart from the
 * driver's, so that the two can be held against each other. What the meter does not measure
 * says so ("not implemented").
 *
 * Pure. Units: amps, volts, watts, a power factor of -1 to 1; NaN: nothing hangs there.
 */
#ifndef FORETRIP_SIMULATED_HOUSE_SUNSPEC_H
#define FORETRIP_SIMULATED_HOUSE_SUNSPEC_H

#include "model/site.h"

#include <stdbool.h>
#include <stdint.h>

#define HOUSE_SUNSPEC_BASE 40000
#define HOUSE_SUNSPEC_MOST (2 + 68 + 126 + 2)

struct house_phases {
    int legs; /* 1 to 3 */
    bool floats;
    double amps[SITE_MAX_LEGS], watts[SITE_MAX_LEGS], power_factor[SITE_MAX_LEGS];
    double volts[SITE_MAX_LEGS]; /* to neutral */
    double watt_hours;           /* taken in so far, all phases */
};

/* The registers from HOUSE_SUNSPEC_BASE on; returns how many. serial: the meter's id. */
int house_sunspec_fill(const struct house_phases *p, const char *serial,
                       uint16_t words[HOUSE_SUNSPEC_MOST]);

#endif
