/*
 * series - the parts of a programme that are no stages inside a host: a dishwasher's valve,
 * then its pump, then its element, each a run by itself, none of them longer than the others.
 *
 *     valve  |--|        |----| pump          |------| pump
 *                   |-------| element               |----| element
 *            |----------------- a series ------------------|
 *
 * Runs that follow each other without a long break are a series. A series of several loads, a
 * large one among them, is a rich one. A small load most of whose series are rich is a part
 * of an appliance with a programme: the first of them in a series is told, the others get no
 * events of their own, unless one is longer than the part ever was. What is also switched on by
 * itself is no part, nor is what is large: that is for stages.h.
 *
 * Ownership, threads  as runs.h and learned.h, whose insides it works on; zeroed is the right
 *                     beginning
 */
#ifndef FORETRIP_SERIES_H
#define FORETRIP_SERIES_H

#include "learned.h"

struct series {
    int64_t began_mono_ms, until_mono_ms; /* began 0: there has been none */
    uint32_t loads; /* places in struct learned of those in it, a bit each */
    int runs;
    bool large; /* one of them */
    bool told;  /* a part of it has been */
};

/* A run that is due to be announced: must it be held back as a part of the series, and until
 * when; else 0. Each run counts once, the first time. */
int64_t series_hold(struct series *s, const struct runs *r, struct learned *l, struct run *x);

/* A run is over. */
void series_over(struct series *s, const struct run *x);

#endif
