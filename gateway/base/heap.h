/*
 * heap - the process's memory over months, on a box that has little of it.
 *
 * glibc gives each thread a heap of its own and lets the bound above which a piece gets pages
 * to itself grow with what was freed: good for speed, and after some hours each heap is as
 * large as its worst moment and scattered with what stayed (measured: docs/method/results.md,
 * long runs). Here one heap serves all threads, a large piece goes back to the system when it
 * is freed, and what lies free in between goes back now and then.
 *
 * Threads    heap_begin before there are any; heap_give_back from one at a time. It holds the
 *            heap for some milliseconds at the most, and a thread that allocates waits so long.
 */
#ifndef FORETRIP_HEAP_H
#define FORETRIP_HEAP_H

#include <stdint.h>

#define HEAP_EVERY_MS INT64_C(60000)

/* First of all in a main that runs for long. */
void heap_begin(void);

/* Once a minute; *last_mono_ms is the caller's, 0 at first. */
void heap_give_back(int64_t mono_ms, int64_t *last_mono_ms);

#endif
