/*
 * runs_level - makes the runs and the base add up to the settled level.
 *
 * Edges do not quite fit the runs they are given to, and levels drift. What a run had to give
 * or to take because of that it remembers as lent, and it comes back when the next edge leaves
 * something over. Drift goes to a young run; else each run's part of it is smaller the longer
 * it has been on, because what has been on for long has settled. Without the two, a
 * refrigerator that fades while it runs would carry a freezer beside it into the base, a little
 * each time.
 *
 * Ownership, threads  as runs.h, whose insides it works on
 */
#ifndef FORETRIP_RUNS_LEVEL_H
#define FORETRIP_RUNS_LEVEL_H

#include "runs.h"

/* After a step has been given to its runs. */
void runs_settle(struct runs *r, const struct step *s);

#endif
