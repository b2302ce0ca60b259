/*
 * pace - how often something comes, by the time since it last turned.
 *
 * Events over the seconds watched, in eight stretches of the time since the last turn: what
 * comes back every ten minutes, every evening, or now and then. Where little was watched it is
 * drawn towards the plain rate, by one event: rate = (events + 1) / (seconds + 1 / plain).
 *
 * Followers are the same for one thing after another: of so many times that the first came, how
 * often had the second not yet come and then came.
 *
 * Units      seconds, events a second
 * Ownership  plain data, zeroed is the right beginning
 */
#ifndef FORETRIP_PACE_H
#define FORETRIP_PACE_H

#define PACE_STRETCHES 8
#define PACE_LONG 43200.0 /* the last stretch begins here */

struct pace {
    float events[PACE_STRETCHES], seconds[PACE_STRETCHES];
};

/* It was watched for `seconds` since the last turn; comes: and then it came. */
void pace_watched(struct pace *p, double seconds, int comes);

/* Events expected within `seconds` from now, `since` after the last turn. plain > 0. */
double pace_expects(const struct pace *p, double since, double seconds, double plain);

void pace_fade(struct pace *p, double share);

#define PACE_AFTERS 4
#define PACE_AFTER_MOST 1800.0 /* later is no following */

struct pace_after {
    float followed[PACE_AFTERS];
};

/* It followed after `seconds`, at most PACE_AFTER_MOST. */
void pace_followed(struct pace_after *a, double seconds);

/* Expected within `seconds` from now, when the first came `since` ago and did so `times` times
 * in all. */
double pace_expects_after(const struct pace_after *a, double times, double since,
                          double seconds, double plain);

void pace_fade_after(struct pace_after *a, double share);

#endif
