#include "beat.h"

#include <stdio.h>

bool beat_give(const struct trace_plan *p, beat_wait *wait, void *context)
{
    for (int i = 0; i < TRACE_BEATS; i++) {
        const char *what = i % 2 == 0 ? "ON" : "OFF";
        for (int64_t s = 3; s > 0; s--) {
            if (!wait(context, p->at_wall_ms[i] - 1000 * s))
                return false;
            printf("\r  %s in %lld ...   ", what, (long long)s);
            fflush(stdout);
        }
        if (!wait(context, p->at_wall_ms[i]))
            return false;
        printf("\r\a  %s now          %s", what, i + 1 < TRACE_BEATS ? "" : "\n");
        fflush(stdout);
    }
    return true;
}
