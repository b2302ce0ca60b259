/*
 * joins - of the openings that joining loads were expected to bring, how many came.
 *
 * The habits (habits.h) know sizes, not machines: one element that is booked under two sizes,
 * or two machines that never run at once, are expected to join each other and never do. So what
 * was expected on a circuit, looked at from time to time, is set against the openings by heat
 * that followed a rise of its current. Both are counts of a Poisson process; the share that
 * comes has a gamma prior of mean JOINS_COME with the weight of one opening:
 *
 *     share = (opened + 1) / (expected + 1 / JOINS_COME)
 *
 * Units      openings a second, milliseconds
 * Ownership  plain data, zeroed is the right beginning
 */
#ifndef FORETRIP_JOINS_H
#define FORETRIP_JOINS_H

#include "base/codec.h"

/* Before a circuit is known: a third of what the habits expect came on the development houses,
 * 473 minutes before such an opening where 1364 were expected. */
#define JOINS_COME 0.35
#define JOINS_LATEST_MS 45000 /* an opening so soon after a rise came of it */
#define JOINS_KEPT 20.0F      /* when so many were expected, the older half weighs no more */

struct joins {
    float expected, opened;
    float rate;           /* expected a second from the last look on */
    int64_t rose_wall_ms; /* when the current last rose while some were expected; 0: not */
};

/* A look: `ms` after the last one (0: there was none, or too long ago to tell), from here on
 * `rate` openings a second are expected. */
void joins_look(struct joins *j, int64_t ms, double rate);

/* The current rose at this look. */
void joins_rose(struct joins *j, int64_t wall_ms);

/* The breaker opened by heat. */
void joins_opened(struct joins *j, int64_t wall_ms);

/* How many of the expected ones do come, as a share; above 1 when more came. */
double joins_share(const struct joins *j);

/* What was learned. True: nothing was. */
bool joins_empty(const struct joins *j);
void joins_save(const struct joins *j, struct codec_out *out);
/* False: damaged; j is unchanged then. */
bool joins_load(struct joins *j, struct codec_in *in);

#endif
