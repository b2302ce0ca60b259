/*
 * wait - sleeping that can be interrupted by the order to stop.
 *
 * stop_fd is readable once the thread is to end (an eventfd), -1 when nothing stops it.
 * Deadlines are on the mono clock, in microseconds.
 */
#ifndef FORETRIP_WAIT_H
#define FORETRIP_WAIT_H

#include <stdbool.h>
#include <stdint.h>

enum wait_end { WAIT_TIME, WAIT_READY, WAIT_STOP };

/* Until the deadline or the stop. */
enum wait_end wait_until(int stop_fd, int64_t mono_us);

/* Until fd is ready for events (POLLIN, POLLOUT; errors and hang-ups count as ready). */
enum wait_end wait_for(int fd, short events, int stop_fd, int64_t mono_us);

#endif
