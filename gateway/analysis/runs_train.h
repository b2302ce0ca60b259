/*
 * runs_train - what keeps a circuit restless: trains of pulses, and what is told apart from
 * them.
 *
 * A run too short to be one of its own joins the train of its size, or begins one; a train is
 * announced as one load when it has enough pulses. Beside a train, or on a circuit that steps
 * up and down all the time, a run has to last longer before it is believed
 * (runs_announce_due_ms).
 *
 * Ownership, threads  as runs.h, whose insides it works on
 */
#ifndef FORETRIP_RUNS_TRAIN_H
#define FORETRIP_RUNS_TRAIN_H

#include "runs.h"

#define RUNS_UNREST 4.0F /* steps within the last minutes make a circuit restless */

/* The train that a pulse of that size belongs to; NULL when none is about. */
struct run *runs_train_for(struct runs *r, int64_t mono_ms, float amps);

/* A train that only goes on with what a longer run of its size, told a moment ago, began: an
 * iron heats up, and then keeps its heat. */
bool runs_train_goes_on(const struct runs *r, const struct run *train);

/* A run that is told now began with the few pulses just before it, as a microwave oven at less
 * than full power does: it takes them in. */
void runs_train_lead_in(struct runs *r, struct run *x);

/* One pulse more. The train's largest usual size follows the pulses up quickly and down slowly.
 */
void runs_train_add(struct runs *r, struct run *train, const struct run *pulse);

/* A run that is over: when it was too short for one of its own it joins a train, or begins one.
 */
void runs_train_gather(struct runs *r, struct run *x);

#endif
