/*
 * runs_rest - what ran when the circuit rested lately.
 *
 * While a heavy load comes and goes many times, falls are given to the wrong runs now and then.
 * When the circuit then rests at a level it had rested at a moment before, it carries what it
 * carried then: what has begun since is over, and what was taken for ended was not.
 *
 * Ownership, threads  as runs.h, whose insides it works on
 */
#ifndef FORETRIP_RUNS_REST_H
#define FORETRIP_RUNS_REST_H

#include "runs.h"

/* Before a step is taken: had it been calm, what ran is remembered. */
void runs_rest_note(struct runs *r, const struct step *s);

/* A large fall, to a level of a moment ago: the runs are made what they were then, those that
 * end with it pausing. False when there was no such level, or a run of it is gone. */
bool runs_rest_again(struct runs *r, const struct step *s);

/* After a step has been taken: where the level is that of a moment ago and the runs are far
 * from what they were then, they are made that again, each with its amps. */
void runs_rest_right(struct runs *r, const struct step *s);

#endif
