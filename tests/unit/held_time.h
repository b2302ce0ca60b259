/*
 * held_time - a clock that the test holds in its hand, and a far end that answers in it.
 *
 * From held_time_begin on, mono time stands still while code runs (one microsecond passes a
 * look at the clock) and jumps while something is waited for: to what the far end does next, or
 * to the end of the wait. So a timeout of a minute takes no time, and what comes within a
 * deadline does not depend on how busy the machine is. Connections are one end of a socket
 * pair, in which bytes arrive in the very call that sends them.
 *
 * How: the linker hands the drivers' calls of clock_*, wait_*, connect_* and
 * modbus_receive_confirmation to held_time.c (--wrap, see the Makefile), which hands them on as
 * they are until held_time_begin.
 *
 * Threads    one: the test's, which also runs the far end
 */
#ifndef FORETRIP_TEST_HELD_TIME_H
#define FORETRIP_TEST_HELD_TIME_H

#include <stdint.h>

struct held_far_end {
    void *context;
    /* Does what is to be done by now, and returns when it has something to do next (INT64_MAX:
     * only when it is sent something). */
    int64_t (*turn)(void *context);
    /* A descriptor connected to it, -1 when nobody listens. */
    int (*connect)(void *context);
};

/* far_end is borrowed until held_time_end; NULL when there is nobody. */
void held_time_begin(const struct held_far_end *far_end);
void held_time_far_end(const struct held_far_end *far_end);
void held_time_end(void);

#endif
