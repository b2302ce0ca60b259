/*
 * assemble - from the reports of all buses to one frame a tick.
 *
 * The frame's period is that of the quickest buses (least poll_ms). Their reports of one tick
 * make one frame, given out when the last of them is in, or when the period is over (a bus
 * keeps its own ticks within the period, so only a bus that hangs is not waited for), or when a
 * later tick begins. A report for a tick that was given out already is dropped and counted. A
 * slower bus is never waited for and never late: what it brings goes into the next frame that
 * is given out. What nobody brought is NaN. The frame says when each pole was read.
 *
 * The wall clock against the mono clock from frame to frame tells when somebody set it; that is
 * counted, and changes nothing of the frames: intervals are mono's.
 *
 * Pure but for the zone files behind utc_offset_seconds; time comes in.
 *
 * Ownership  the site is borrowed; reports stay the caller's; a frame is the sink's for the
 * call Threads    none inside
 */
#ifndef FORETRIP_ASSEMBLE_H
#define FORETRIP_ASSEMBLE_H

#include "bus.h"
#include "model/frame.h"

struct assemble;

typedef void assemble_sink(void *context, const struct frame *f);

struct assemble_counters {
    uint64_t frames;
    uint64_t incomplete;  /* given out without one of the quickest buses */
    uint64_t late;        /* reports dropped */
    uint64_t clock_steps; /* times that the wall clock was set, by more than 0.25 s */
    int64_t last_step_ms; /* the last of them, forward positive */
};

/* has: bits of the quantities that any bus can deliver (bus_has). NULL when memory is short. */
struct assemble *assemble_create(const struct site *s, uint32_t has, assemble_sink *sink,
                                 void *context);
/* Accepts NULL. */
void assemble_destroy(struct assemble *a);

/* Takes in a report; may call the sink, at most twice. */
void assemble_report(struct assemble *a, const struct bus_report *r);

/* Gives out the open frame when its deadline has passed. */
void assemble_time(struct assemble *a, int64_t now_mono_ms);

/* When assemble_time has something to do, INT64_MAX when no frame is open. */
int64_t assemble_deadline_mono_ms(const struct assemble *a);

const struct assemble_counters *assemble_counters(const struct assemble *a);

#endif
