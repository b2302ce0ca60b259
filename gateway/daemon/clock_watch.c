#include "clock_watch.h"

#include "base/log.h"

#include <math.h>

/* Rows and letters carry the wall clock; who looks for them an hour off should find that said.
 */
void clock_watch(const struct assemble_counters *c, uint64_t *said)
{
    if (c->clock_steps == *said)
        return;
    *said = c->clock_steps;
    log_warning("clock", "the clock of this machine was set %s by %.1f s",
                c->last_step_ms > 0 ? "forward" : "back",
                fabs((double)c->last_step_ms) / 1000.0);
}
