/*
 * recorded_ahead - a recording read in a thread of its own, some batches of frames ahead.
 *
 *     reader thread --[ batch | batch | batch ]--> recorded_ahead_next
 *
 * The order is that of the rows, so what comes out of an engine behind it does not depend on
 * how the two threads run. A full ring makes the reader wait, an empty one the caller.
 *
 * Ownership  start .. stop; borrows the recording, which belongs to the thread between the two
 */
#ifndef FORETRIP_RECORDED_AHEAD_H
#define FORETRIP_RECORDED_AHEAD_H

#include "drivers/recorded.h"

struct recorded_ahead;

/* NULL when memory or threads are short. */
struct recorded_ahead *recorded_ahead_start(struct recorded *r, const struct site *s);

/* The next rows; they are the caller's to read until the next call. Returns how many, 0 when
 * there are no more. */
size_t recorded_ahead_next(struct recorded_ahead *a, const struct frame *const **frames);

/* Also before the end. Afterwards the recording is the caller's again. Accepts NULL. */
void recorded_ahead_stop(struct recorded_ahead *a);

#endif
