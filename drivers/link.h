/*
 * link - one read after another over one connection or serial line, each judged.
 *
 * On a serial line the 3.5 characters of silence between frames are kept here, and the thread
 * sleeps to the expected end of the answer instead of waking for every byte: the end of the
 * request, the silence by which the meter knows it, how long this unit took to think so far,
 * and the answer's characters. (MODBUS over Serial Line V1.02, section 2.5.1)
 *
 * Late answers. On TCP the transaction number tells them: they are counted and passed over. A
 * serial line has none: a unit that gave no answer owes one, and until as much time again has
 * passed, or the owed answer has come and been thrown away, nothing is asked of that unit. What
 * lies unread before a request is thrown away and counted.
 *
 * Threads    none inside; belongs to the bus's thread, but for link_interrupt
 */
#ifndef FORETRIP_LINK_H
#define FORETRIP_LINK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "answer.h"
#include "model/site.h"
#include "plan.h"

struct link;

struct link_read {
    int unit;
    int function;
    int address;
    int count;
};

struct link_result {
    enum fault fault; /* FAULT_NONE: count registers were written */
    int exception;
    int late;                      /* answers to requests given up before, met on the way */
    int stray;                     /* times that bytes nobody asked for were met */
    int64_t asked_us, answered_us; /* mono, around all of it; set by bus_state_ask */
};

/* b is borrowed. NULL when memory is short. */
struct link *link_create(const struct site_bus *b, int stop_fd);
void link_destroy(struct link *l); /* accepts NULL */

/* False, with a phrase in why, when it cannot be opened by the deadline. */
bool link_open(struct link *l, int64_t deadline_us, char *why, size_t capacity);
/* Takes a connected descriptor instead; false when memory is short. */
bool link_adopt(struct link *l, int fd);
bool link_is_open(const struct link *l);
void link_close(struct link *l);

/* Ends the wait for an answer on TCP, from any thread, with FAULT_CONNECTION (on a serial line
 * stop_fd does it). */
void link_interrupt(struct link *l);

/* One request and its answer. The meter has the bus's timeout to begin its answer, but nothing
 * lasts beyond give_up_us (mono), which is in the future. The link is closed on
 * FAULT_CONNECTION and, on TCP, when the stream lost its framing. registers has room for count;
 * they are written only with FAULT_NONE. */
struct link_result link_read(struct link *l, const struct link_read *r, int64_t give_up_us,
                             uint16_t *registers);

/* The second half alone: receives and judges the answer to a request that was sent. */
struct link_result link_receive(struct link *l, const struct answer_request *q,
                                int64_t deadline_us, uint16_t *registers);

/* When unit may be asked again: now (0), or after its owed answer's time (mono us). */
int64_t link_owed_until_us(const struct link *l, int unit);

const struct plan_line *link_line(const struct link *l);

#endif
