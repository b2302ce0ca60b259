#include "absence.h"

/* Common practice, from memory: a machine that goes down without a word has mostly lost its
 * supply; it may also have been unplugged, or have hung and been reset. */
#define SUPPLY_LOST 0.8
#define CERTAIN 0.99

bool absence_judge(const struct absence_facts *f, struct event_absence *out)
{
    bool orderly = f->ended_wall_ms >= f->seen_wall_ms;
    int64_t from = orderly ? f->ended_wall_ms : f->seen_wall_ms;
    bool machine = f->host_wall_ms > from;
    double seconds = (double)(f->started_wall_ms - from) / 1000.0;
    if (from == 0 || seconds < ABSENCE_LEAST_SECONDS)
        return false;
    *out = (struct event_absence){
        .seen_wall_ms = from,
        .seconds = seconds,
        .cause = orderly   ? (machine ? ABSENCE_MACHINE_STOPPED : ABSENCE_STOPPED)
                 : machine ? ABSENCE_SUPPLY_OUTAGE
                           : ABSENCE_FAILED,
        .probability = !orderly && machine ? SUPPLY_LOST : CERTAIN,
    };
    return true;
}
