/*
 * ages - how long things took, counted in steps that grow by a fifth.
 *
 * Plain data; a value is known to within a fifth of itself, whatever its size.
 */
#ifndef FORETRIP_FLEET_AGES_H
#define FORETRIP_FLEET_AGES_H

#include <stdint.h>

#define AGES_STEPS 128

struct ages {
    uint64_t steps[AGES_STEPS];
    uint64_t count;
};

void ages_add(struct ages *a, int64_t ms); /* below 0 counts as 0 */

/* The time within which that share (0 to 1) of them were; 0 when there are none. */
int64_t ages_within(const struct ages *a, double share);

#endif
