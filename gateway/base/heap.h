/*
 * heap - the process's memory over months, on a box that has little of it.
 *
 * glibc gives each thread a heap of its own and lets the bound above which a piece gets pages
 * to itself grow with what was freed: good for speed, and after some hours each heap is as
 * large as its worst moment and scattered with what stayed (measured: docs/method/results.md,
 * long runs). Here one heap serves all threads, a large piece goes back to the system when it
 * is freed, and what lies free in between goes back now and then.
 *
 * A table that has its bound is taken whole where it is made (heap_table): what calloc gives
 * has no page behind it until somebody writes there, and a box that is too small would find out
 * after weeks.
 *
 * Threads    heap_begin before there are any; heap_give_back from one at a time. It holds the
 *            heap for some milliseconds at the most, and a thread that allocates waits so long.
 */
#ifndef FORETRIP_HEAP_H
#define FORETRIP_HEAP_H

#include <stddef.h>
#include <stdint.h>

#define HEAP_EVERY_MS INT64_C(10000)

/* First of all in a main that runs for long. */
void heap_begin(void);

/* Every ten seconds; *last_mono_ms is the caller's, 0 at first. */
void heap_give_back(int64_t mono_ms, int64_t *last_mono_ms);

/* As calloc, and every page of it is there. free() it. NULL when memory is short. */
void *heap_table(size_t count, size_t size);

#endif
