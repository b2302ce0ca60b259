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

/* Those that are switched on. */
void gauges_conventions(const struct conventions *c, struct metrics *out);

#endif
