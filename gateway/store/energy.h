/*
 * energy - kilowatt hours and their cost, by day of the site's clock.
 *
 * A span is cut into quarters of an hour, each with the local date and the tariff's slot it
 * falls into; the sums of each circuit are then taken from its history by quarters. A local
 * day has 92 or 100 of them when clocks are changed. Only what was measured is counted: time
 * without readings adds no energy and is told.
 *
 * Pure: whoever calls brings the zone, as a function, and the quarters' means.
 *
 * Units      kWh; money in the tariff's currency; negative energy (fed in) lowers the cost at
 *            the same price
 * Ownership  energy_span_create .. energy_span_destroy
 */
#ifndef FORETRIP_STORE_ENERGY_H
#define FORETRIP_STORE_ENERGY_H

#include "history.h"

#include "model/tariff.h"

#define ENERGY_STEP_MS (TARIFF_STEP_MINUTES * INT64_C(60000))

struct energy_span {
    size_t count;    /* of quarters */
    int64_t *edges;  /* count + 1: wall ms */
    int32_t *at_day; /* of each quarter, index into days */
    uint8_t *slots;
    int64_t *days; /* local dates, since 1970-01-01, in order */
    size_t day_count;
};

struct energy_day {
    double kwh, cost;
    double kwh_at[TARIFF_SLOTS];
    double seconds_without; /* readings */
};

/* Seconds that the site's clock is ahead of UTC. */
typedef int32_t energy_offset_fn(void *context, int64_t wall_ms);

/* Whole quarters: from is rounded down, to up. NULL when memory is short. */
struct energy_span *energy_span_create(const struct tariff *t, int64_t from_wall_ms,
                                       int64_t to_wall_ms, energy_offset_fn *offset,
                                       void *context);
void energy_span_destroy(struct energy_span *s);

/* Adds one pole's energy: quarters has span->count buckets of watts (scale 1) or of amps
 * (scale volts). Seconds without readings are of the pole that lacks the most. */
void energy_add(const struct energy_span *s, const struct tariff *t,
                const struct history_bucket *quarters, double scale, struct energy_day *days);

/* Sums up. */
void energy_join(struct energy_day *into, const struct energy_day *from);

#endif
