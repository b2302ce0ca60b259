/*
 * aligned - what a feeder and its branches carried at one and the same instant.
 *
 * Pure. Meters are polled one after another, and a slow bus less often than a quick one, so
 * that the readings of one frame are not of one moment: a kettle that is switched on between
 * the read of the feeder and that of its branch makes their sums differ by ten amps, with
 * nothing wrong. Each reading carries when it was taken (frame.taken). The feeder's newest
 * reading for which every branch has been read before and after is taken as the instant T, and
 * each branch is held to what it can have carried then:
 *
 *     taken in the same read as the feeder        its reading
 *     else, of the readings around T              anything from the least to the most of the
 *                                                 last one that was surely before, the first
 *                                                 that was surely after, and those between
 *
 * "Surely" heeds both readings' uncertainty. So the sum is an interval: as narrow as the
 * meters' noise while nothing is switched, as wide as what may have changed while something is.
 * That a current moved away and back between two readings is not seen by anybody.
 *
 * Ownership  create .. destroy; the site is borrowed
 * Cost       feed O(poles); memory a few readings a pole, more where buses are polled unlike
 */
#ifndef FORETRIP_ALIGNED_H
#define FORETRIP_ALIGNED_H

#include "model/frame.h"

#define ALIGNED_MOST 64 /* readings that are kept of a pole */

struct aligned;

struct aligned_sum {
    double own;         /* amps of the feeder's pole at the instant */
    double least, most; /* of the branches on its leg, together */
    int64_t at_us;      /* the instant, on the frames' monotonic clock */
};

/* NULL when memory is short. */
struct aligned *aligned_create(const struct site *s);
void aligned_destroy(struct aligned *a); /* accepts NULL */

/* Frames in order of time. */
void aligned_feed(struct aligned *a, const struct frame *f);

/* A feeder's pole against the branches of its panel. False when there is no such instant: one
 * of them is not metered, was lost, or has only begun to be read. */
bool aligned_feeder(const struct aligned *a, int feeder, int pole, struct aligned_sum *out);

/* How far the feeder is from what its branches can have carried, 0 when it is within. */
double aligned_apart(const struct aligned_sum *s);

#endif
