/*
 * demand - the 15-minute demand of a panel or a circuit, from its minutes.
 *
 * Minute after minute goes in, each with the amps of every leg; out comes the highest mean over
 * a quarter of an hour, once by quarters of the clock and once over any fifteen minutes in a
 * row (a window of the code says neither), and what was carried for three hours and longer.
 *
 * A quarter counts when at least 90 % of its minutes were measured; minutes without readings
 * add nothing and are told (docs/method/load_study.md).
 *
 * Units      amps (mean over a minute), wall ms at the beginning of what is told
 * Cost       some tens of ns a minute
 */
#ifndef FORETRIP_DEMAND_H
#define FORETRIP_DEMAND_H

#include "model/site.h"

#define DEMAND_MINUTES 15
#define DEMAND_LEAST_MINUTES 14 /* of them, measured: 90 % */
#define DEMAND_LONG_QUARTERS 12 /* three hours: a continuous load (Article 100) */

struct demand_leg {
    double sliding_amps, aligned_amps; /* highest; NaN: no quarter was measured */
    int64_t sliding_wall_ms, aligned_wall_ms;
    double continuous_amps; /* the most that no quarter of three hours was below */
    double ring[DEMAND_MINUTES];
    double quarters[DEMAND_LONG_QUARTERS];
};

struct demand {
    int legs;
    struct demand_leg leg[SITE_MAX_LEGS];
    double most_amps; /* of the sum of the legs, sliding */
    int64_t most_wall_ms;
    int64_t first_wall_ms, last_wall_ms; /* of minutes with readings; last: its end; 0: none */
    double minutes;                      /* with readings */
    double longest_gap_minutes;          /* between them */
    int64_t next_wall_ms;                /* the minute that would follow */
    double sum[DEMAND_MINUTES];
    int quarters; /* in a row */
};

void demand_init(struct demand *d, int legs);

/* One minute, later than the last: the amps of each leg, NaN when any part of them was not
 * measured. Minutes left out count as not measured. */
void demand_minute(struct demand *d, int64_t wall_ms, const double amps[SITE_MAX_LEGS]);

/* The leg with the highest sliding demand, -1 when nothing is known. */
int demand_worse_leg(const struct demand *d);

#endif
