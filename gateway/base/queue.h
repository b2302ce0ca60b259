/*
 * queue - where two threads meet: a bounded first-in-first-out of pointers.
 *
 * Any number of producers, one consumer. A producer is never blocked: a full queue refuses the
 * item and counts it, so a slow consumer costs readings, said aloud, and not the bus.
 *
 * Ownership  the queue holds what was pushed until it is popped; a refused item stays the
 *            producer's; what is left at the end is popped by the owner before queue_destroy
 * Threads    safe; queue_destroy after all others are done with it
 * Cost       O(1), one lock
 */
#ifndef FORETRIP_QUEUE_H
#define FORETRIP_QUEUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct queue;

/* capacity >= 1. NULL when memory is short. */
struct queue *queue_create(size_t capacity);

/* Accepts NULL. Asserts that it is empty: the queue does not know how to free what it holds. */
void queue_destroy(struct queue *q);

/* item is not NULL. False, and one more in queue_dropped, when the queue is full. */
bool queue_push(struct queue *q, void *item);

/* The oldest item, waiting up to timeout_ms for one (on the monotonic clock; 0 does not wait,
 * more than a day counts as a day). NULL when none came or queue_wake was called. */
void *queue_pop(struct queue *q, int64_t timeout_ms);

/* Makes one queue_pop that finds the queue empty, the present or else the next, return at once:
 * how a consumer is told to look up. */
void queue_wake(struct queue *q);

uint64_t queue_dropped(struct queue *q);
size_t queue_length(struct queue *q);

#endif
