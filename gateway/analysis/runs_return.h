/*
 * runs_return - what was cut off at once comes back at once: after a reset, or by the switch of
 * a strip.
 *
 * Ownership, threads  as runs.h, whose insides it works on
 */
#ifndef FORETRIP_RUNS_RETURN_H
#define FORETRIP_RUNS_RETURN_H

#include "runs.h"

/* A rise that is the sum of what was cut off, or of the larger of it: those runs begin. */
bool runs_returned(struct runs *r, const struct step *s, struct run over[RUNS_MAX], int *n);

/* The supply takes these. */
void runs_remember_cut(struct runs *r, struct run *const some[], int n);

/* One fall ended these, two or more: when all of them had been on for long, it was a switch. */
void runs_switched_off(struct runs *r, const struct step *s, struct run *const some[], int n);

/* A fall to nothing: that it was the supply may be known only later. */
void runs_remember_gone(struct runs *r);

/* It was the supply that took what had gone. */
void runs_gone_was_cut(struct runs *r);

#endif
