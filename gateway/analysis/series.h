/*
 * series - the parts of a programme that are no stages inside a host: a dishwasher's valve, then
 * its pump, then its element, each a run by itself, none of them longer than the others.
 *
 *     leader  |--|        |----| pump           |------| pump
 *                    |-------| element                |----| element
 *             |----------------- a series -------------------|
 *
 * Runs that follow each other without a long break are a series, led by the load of the first.
 * A load that nearly always comes in series of one and the same leader, which nearly always
 * leads a series of several other loads with a large one among them, is a part of that
 * appliance's programme: its runs get no events of their own, unless one is longer than the part
 * ever was. What a person switches on by itself as well is no part.
 *
 * Ownership, threads  as runs.h and learned.h, whose insides it works on; zeroed is the right
 *                     beginning
 */
#ifndef FORETRIP_SERIES_H
#define FORETRIP_SERIES_H

#include "learned.h"

struct series {
    uint32_t leader;     /* load of its first run, 0: not known yet */
    int64_t leader_run;  /* that run, 0: there has been no series */
    int64_t began_mono_ms, until_mono_ms;
    int followers; /* of other loads */
    bool large;    /* one of them, or the leader */
};

/* A run that is due to be announced: must it be held back as a part of the series, and until
 * when; else 0. Each run counts once, the first time. */
int64_t series_hold(struct series *s, const struct runs *r, struct learned *l, struct run *x);

/* A run is over, and belongs to that load. */
void series_over(struct series *s, const struct run *x, uint32_t load);

#endif
