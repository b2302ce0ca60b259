/*
 * house_supply - the utility's side of a panel: leg volts that answer to load, and the neutral.
 *
 * A transformer with `legs` windings (two: half a turn apart, three: a third), a conductor of
 * source_ohms on each leg and neutral_ohms on the neutral. The loads of the last step stand as
 * conductances; the volts of the star point follow from Millman's theorem, so a neutral that
 * has opened (ohms in the thousands) throws the legs apart as it does in a real house.
 */
#ifndef FORETRIP_SIMULATED_HOUSE_SUPPLY_H
#define FORETRIP_SIMULATED_HOUSE_SUPPLY_H

#include "model/site.h"

struct house_supply {
    int legs;
    double source_ohms;
    double neutral_ohms;
};

struct house_leg {
    double volts;        /* line to neutral */
    double neutral_amps; /* of loads between this leg and the neutral */
    double across_amps;  /* of loads between the legs */
};

/* Sets legs[].volts from their amps and their present volts. emf: of each winding. */
void house_supply_solve(const struct house_supply *s, double emf, struct house_leg *legs);

#endif
