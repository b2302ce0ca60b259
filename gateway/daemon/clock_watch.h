/*
 * clock_watch - says when somebody has set the machine's clock.
 */
#ifndef FORETRIP_DAEMON_CLOCK_WATCH_H
#define FORETRIP_DAEMON_CLOCK_WATCH_H

#include "drivers/assemble.h"

/* One line in the log for each step that was not said yet; *said is how many were. */
void clock_watch(const struct assemble_counters *c, uint64_t *said);

#endif
