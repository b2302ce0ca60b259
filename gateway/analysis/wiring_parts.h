/*
 * wiring_parts - what wiring_check.c gathers and wiring_judge.c judges. For these two only.
 */
#ifndef FORETRIP_WIRING_PARTS_H
#define FORETRIP_WIRING_PARTS_H

#include "wiring_check.h"

#define WIRING_RATIOS 31

struct wiring_pole {
    int compared;             /* steps that the feeder answered */
    int votes[SITE_MAX_LEGS]; /* on which leg */
    int by_watts, opposite;   /* of them: signed, and of the other sign */
    double ratios[WIRING_RATIOS];
    int ratio_count;
    int rest; /* frames until it is looked at again */
    int frames, carrying, backward;
    double most_amps;
    double pf_sum; /* over the carrying frames */
};

struct wiring_panel { /* behind a feeder, by the feeder's pole */
    int steps[SITE_MAX_POLES], unexplained[SITE_MAX_POLES];
};

struct wiring_check {
    const struct site *site;
    float *amps, *watts; /* WIRING_WINDOW rows of poles_total, the newest first */
    int held;
    int64_t last_mono_ms;
    struct wiring_pole *poles;
    struct wiring_panel *panels;
    struct wiring_walk *walk;
};

#endif
