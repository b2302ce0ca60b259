/*
 * gauges - the buses' counters as the metrics want them.
 */
#ifndef FORETRIP_GAUGES_H
#define FORETRIP_GAUGES_H

#include "drivers/bus.h"
#include "notify/conventions.h"
#include "notify/metrics.h"

/* One row for each of the site's buses that runs (buses[i] not NULL); how many. */
size_t gauges_buses(const struct site *s, struct bus *const *buses,
                    struct metrics_bus out[METRICS_BUSES]);

/* Age of the oldest message to the broker that waits, 0 when none does. What was acknowledged
 * in the last moments may still count. */
double gauges_outbox_oldest(struct store_reader *r, int64_t wall_ms);

/* Those that are switched on. */
void gauges_conventions(const struct conventions *c, struct metrics *out);

#endif
