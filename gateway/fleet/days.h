/*
 * days - what the units' daily summaries (`site_day`, docs/mqtt.md) say together.
 */
#ifndef FORETRIP_FLEET_DAYS_H
#define FORETRIP_FLEET_DAYS_H

#include "sql.h"

struct day_of_unit {
    const char *site, *name; /* id, and what it is called */
    const char *day;         /* "2026-11-26", by its own clock */
    double kwh, peak_watts;  /* NaN: nothing was read */
    double seconds_without;
    int64_t trips, warnings, alarms;
};
typedef bool day_fn(void *context, const struct day_of_unit *d);

/* Each unit's newest among those that were filed since then, by unit. site_id: that one alone,
 * NULL for all. */
enum sql_err days_read(struct sql *s, int64_t since_ms, const char *site_id, day_fn *fn,
                       void *context);

struct days_sums {
    int64_t units, trips, warnings, alarms;
    double kwh;
    double peak_watts; /* the highest of one unit; NaN */
    char peak_site[64];
};
enum sql_err days_sum(struct sql *s, int64_t since_ms, struct days_sums *out);

#endif
