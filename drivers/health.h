/*
 * health - whether something answers, and when to try it again.
 *
 * Pure. The first failure is followed by a try in the next period, then the pause doubles up to
 * HEALTH_MOST_PAUSE_US (or four periods): seldom enough that a dead meter costs its neighbours
 * little, often enough that it is back within a few ticks of its return.
 */
#ifndef FORETRIP_HEALTH_H
#define FORETRIP_HEALTH_H

#include <stdbool.h>
#include <stdint.h>

#include "fault.h"

#define HEALTH_MOST_PAUSE_US INT64_C(4000000)
#define HEALTH_LEAST_PAUSE_US INT64_C(250000)

struct health {
    bool failing;
    bool said;  /* the failure was logged */
    int tries;  /* without a good answer since it began */
    int pauses; /* how often the pause was set */
    int64_t since_us;
    int64_t next_try_us;
};

/* Tries more failed at now. */
void health_fail(struct health *h, int tries, int64_t now_us, int64_t period_us);

/* It answered. Returns how long it had failed in whole seconds, rounded, when the failure was
 * said (the return is worth a line), else -1. */
int64_t health_recover(struct health *h, int64_t now_us);

static inline bool health_due(const struct health *h, int64_t now_us)
{
    return !h->failing || now_us >= h->next_try_us;
}

#endif
