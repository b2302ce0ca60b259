/* evidence_rig: what the tests of evidence and of its weighing begin with */
#ifndef FORETRIP_TESTS_EVIDENCE_RIG_H
#define FORETRIP_TESTS_EVIDENCE_RIG_H

#include "check.h"

#include "analysis/causes.h"

#define LOST (0.1 / 86400.0)

static const struct stillness nothing;
static const struct stillness_known no_levels = {&nothing, &nothing, &nothing, (double)NAN};

/* a single load of ten minutes on a quiet afternoon, breaker cold */
static inline struct fall_facts plain(void)
{
    return (struct fall_facts){.poll_seconds = 1,
                               .gap_seconds = 1,
                               .amps = 2.0,
                               .loads = 1,
                               .ages = {600},
                               .sizes = {2.0},
                               .switch_on_seconds = 600,
                               .switch_on_amps = 2.0,
                               .reset_seconds = (double)INFINITY,
                               .again_seconds = 30,
                               .local_seconds = 20000LL * 86400 + 15 * 3600 + 1234,
                               .heat = {.must_hold_amps = 15}};
}

/* the same load has ended there thirty times, and come back after 25 minutes */
static inline void ended_often(struct falls *h)
{
    for (int k = 0; k < 30; k++)
        falls_over(h, &(struct falls_past){.amps = 2.0F,
                                           .age_seconds = 600.0F,
                                           .nothing_seconds = 1500.0F,
                                           .weight = 1.0F});
}

#endif
