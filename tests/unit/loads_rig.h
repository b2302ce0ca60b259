/*
 * loads_rig - a house of two circuits whose currents a test writes down, and what was said of
 * them.
 *
 * A case gets it as its state: loads_rig_set_up and loads_rig_tear_down.
 */
#ifndef FORETRIP_LOADS_RIG_H
#define FORETRIP_LOADS_RIG_H

#include "check.h"

#include "analysis/loads.h"

#define LOADS_RIG_EVENTS 256
#define LOADS_RIG_CIRCUITS 2
#define LOADS_RIG_BEGIN_WALL_MS 1767225600000

struct loads_rig {
    struct site site;
    struct rules_set rules;
    struct signature_set signatures; /* none */
    struct frame *frame;
    struct loads *loads;
    struct event events[LOADS_RIG_EVENTS];
    size_t count;
    int period_ms;
    double step_amps; /* of the meter */
};

int loads_rig_set_up(void **state);
int loads_rig_tear_down(void **state);

/* Anew, with a meter that gives these channels beside the amps. */
void rig_begin(struct loads_rig *b, uint32_t has);

/* Both circuits' currents for so many seconds. */
void rig_both(struct loads_rig *b, double first, double second, double seconds);

/* That of the first. */
void rig_hold(struct loads_rig *b, double amps, double seconds);

/* How many load_on there have been. */
size_t rig_ons(const struct loads_rig *b);

/* The first load_on of so many seconds after the beginning; NULL: none. */
const struct event *rig_on_at(const struct loads_rig *b, double seconds, double within);

#endif
