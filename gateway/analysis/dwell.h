/*
 * dwell - how long a circuit's current stays as high as it has just become.
 *
 * Beside the lengths of the loads (habits.h): an element that pulses within one run of its
 * machine, or a thermostat, ends long before the run does. Each rise to DWELL_LEAST of the
 * rating or more begins a stay at that height; the fall from it, or the next rise, ends it. How
 * often stays end, by how long they have lasted, is kept for eight heights. A fall to nothing
 * may be an opening, and a further rise is no fall: both count as watched, not as an end, else
 * the openings would teach that high currents do not last. That nothing ends is knowledge too:
 * a current that has only ever been ended by the breaker stays.
 *
 * Units      amps RMS, milliseconds and seconds
 * Ownership  plain data, zeroed is the right beginning
 */
#ifndef FORETRIP_DWELL_H
#define FORETRIP_DWELL_H

#include "base/codec.h"

#define DWELL_LEVELS 8
#define DWELL_LEAST 0.4 /* of the rating; each level is from 25 % above the one before */

#define DWELL_STRETCHES 8 /* of a stay: to 5 s, each three times as long */

struct dwell {
    struct dwell_level {
        float ends[DWELL_STRETCHES], seconds[DWELL_STRETCHES]; /* watched */
    } at[DWELL_LEVELS];
    float amps;   /* of the stay now; 0: none */
    float before; /* what flowed before the rise */
    float last;   /* last reading */
    int64_t since_ms, last_ms;
};

/* A reading; a stay with a gap in its readings teaches nothing. rating_amps > 0, nothing_amps:
 * below it nothing flows. */
void dwell_read(struct dwell *d, int64_t mono_ms, double amps, double rating_amps,
                double nothing_amps);

/* What was learned, without the stay now. True: nothing was. */
bool dwell_empty(const struct dwell *d);
void dwell_save(const struct dwell *d, struct codec_out *out);
/* False: damaged; d is unchanged then. */
bool dwell_load(struct dwell *d, struct codec_in *in);

/* True when there is a stay, and some of its height have been seen to end or to last. */
bool dwell_knows(const struct dwell *d, double rating_amps);

/* Seconds from now until this stay has ended with probability `share`; INFINITY when
 * it knows nothing, or it is hours. */
double dwell_ends(const struct dwell *d, int64_t mono_ms, double rating_amps, double share);

#endif
