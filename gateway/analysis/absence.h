/*
 * absence - why the gateway was away, judged when it is back.
 *
 * When the supply of the house goes, the gateway mostly goes with it, and sees neither the
 * beginning nor the end. What it finds afterwards tells: whether it had been ended orderly, and
 * whether the machine that it runs on was started anew meanwhile. So an outage is said as what
 * it most likely was, and no trips are invented for the time in which nobody looked.
 *
 * Units      Unix milliseconds, seconds
 * Threads    none inside; no state
 */
#ifndef FORETRIP_ABSENCE_H
#define FORETRIP_ABSENCE_H

#include "model/event.h"

#include <stdbool.h>
#include <stdint.h>

#define ABSENCE_LEAST_SECONDS 60.0 /* a shorter one is a restart, and not worth a word */

struct absence_facts {
    int64_t seen_wall_ms;    /* when the gateway last wrote that it runs, 0: never */
    int64_t ended_wall_ms;   /* when it was last ended orderly, 0: never */
    int64_t host_wall_ms;    /* when the machine was started */
    int64_t started_wall_ms; /* now */
};

/* False: it was not away for long enough, or never ran before, or the clock was set back. */
bool absence_judge(const struct absence_facts *f, struct event_absence *out);

#endif
