/*
 * steps - edges in one current: from one settled level to the next.
 *
 * The current is taken to rest at a level, in a band of noise about it. A reading outside the
 * band begins a movement, which makes a step when the readings rest again. What starts gets
 * STEPS_FIRST_MS to show its inrush and its first stages; what never rests is cut after
 * STEPS_PATIENCE_MS. A movement that comes back into the band it left was a pulse, and no step.
 *
 *            o o               peak
 *          .'   o o o o        after; first is the median of the first seconds
 *    o o o o                   before; at_mono_ms is the first reading outside the band
 *
 * A quiet reading need not be given to steps_feed at all: whoever owns many of these compares
 * readings with level and band itself (loads.c does, many circuits at once) and calls
 * steps_rested now and then with what it saw.
 *
 * Units      amps RMS
 * Ownership  plain data, no pointers; zeroed is the right beginning
 */
#ifndef FORETRIP_STEPS_H
#define FORETRIP_STEPS_H

#include <stdbool.h>
#include <stdint.h>

#define STEPS_KEEP 32 /* readings of a movement; the oldest go first */
#define STEPS_EARLY 3
#define STEPS_FIRST_MS 7000 /* a step up is not settled earlier */
#define STEPS_PATIENCE_MS 20000

struct steps {
    float level; /* where the current rests */
    float noise; /* mean absolute deviation about it */
    float band;  /* readings within level +- band are quiet; negative while moving */
    bool known;  /* level has been set at all */
    int kept;    /* readings of the present movement, 0 when there is none */
    int64_t began_mono_ms, began_wall_ms;
    float amps[STEPS_KEEP];
    int32_t after_ms[STEPS_KEEP]; /* since began_mono_ms */
};

struct step {
    int64_t at_mono_ms, at_wall_ms;
    int64_t settled_mono_ms;  /* when it had become certain */
    bool restless;            /* it never came to rest: after is a median */
    bool staged;              /* a rise that rested on its way, as a heating element does not */
    float before, after;      /* levels */
    float peak;               /* highest reading of the movement */
    float way;                /* of a rise: where it rested before it went on, else after */
    int32_t way_ms;           /* and when it went on, since at */
    float early[STEPS_EARLY]; /* its first readings, 0 beyond its end */
    int32_t early_ms[STEPS_EARLY]; /* and when they ended, since at */
    float power_factor; /* of what changed, 0: not known; whoever owns the steps fills it */
    float first;        /* where it stayed in the first seven seconds, else after */
};

enum steps_said {
    STEPS_NOTHING,
    STEPS_STEP,  /* out is the step */
    STEPS_PULSE, /* out: at is when it began, peak how high it went; before and after are equal
                  */
};

/* Takes a reading (not NaN). */
enum steps_said steps_feed(struct steps *s, int64_t mono_ms, int64_t wall_ms, float amps,
                           struct step *out);

/* n quiet readings lay, on average, offset from the level and deviation (absolute) away from
 * it. */
void steps_rested(struct steps *s, float offset, float deviation);

/* True between the first reading outside the band and the end of the movement. */
static inline bool steps_moving(const struct steps *s)
{
    return s->kept > 0;
}

#endif
