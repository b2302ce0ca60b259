/*
 * plausible - whether a meter's registers make sense by a map.
 *
 * The map's values are read once and each is judged: volts that a supply can have, amps that a
 * panel can carry, a power factor of at most 1, watts of no more than volts times amps. A map
 * that is not the meter's is refused (illegal address), or its values lie all over. Of several
 * that make sense the one that explains most is the meter's. What reads 0 says nothing.
 *
 * The judging is pure (plausible_judge); plausible_read asks the meter.
 */
#ifndef FORETRIP_PLAUSIBLE_H
#define FORETRIP_PLAUSIBLE_H

#include "link.h"
#include "meter_plan.h"

struct plausible {
    int good,
        bad;  /* weighed: a voltage or a power that fits counts more than a small current */
    int amps; /* channels that carry something */
    enum fault fault; /* when a read failed; then nothing was judged */
    int exception;
};

/* The values of a plan, of which each channel is a circuit (plausible_site). */
struct plausible plausible_judge(const struct meter_plan *plan, const struct site *s,
                                 const uint16_t *registers);

/* A site that wants everything the map has, of one meter of that unit on the bus. False when
 * memory is short. Free with site_free. */
bool plausible_site(struct site *out, const struct site_bus *bus, int unit,
                    const struct meter_map *map);

/* Reads and judges. */
struct plausible plausible_read(struct link *l, int unit, const struct meter_map *map);

/* What a score is worth against another's: higher is likelier, 0 or less is not this map. */
int plausible_worth(const struct plausible *p);

#endif
