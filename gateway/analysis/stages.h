/*
 * stages - what belongs to the programme of another run: the element of a dishwasher to its
 * pump, the magnetron of an oven to its fan.
 *
 *     host     |-------------------|      |--------------|
 *     stage        |------|  |--|            |------|
 *
 * A load whose runs nearly all have had inside them a larger one of the same size is a
 * programme, and that size its stage. What comes on at that size while a programme runs gets no
 * events of its own, unless it turns out to be longer than the stage ever was. A programme
 * may pause for as long as a train.
 *
 * Ownership, threads  as runs.h and learned.h, whose insides it works on
 */
#ifndef FORETRIP_STAGES_H
#define FORETRIP_STAGES_H

#include "learned.h"

/* When a run that is due to be announced must be held back as a stage: until when; else 0. The
 * run remembers its host. */
int64_t stages_hold(const struct runs *r, const struct learned *l, struct run *x);

/* Runs that are over, before anything else is made of them: those that had them inside take
 * note of it. */
void stages_note(struct runs *r, struct run *over, int n);

/* The load learns from its run whether it had a stage. */
void stages_learn(struct learned_load *load, const struct run *x);

/* Whether a load has stages. */
bool stages_programme(const struct learned_load *load);

#endif
