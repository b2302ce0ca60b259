/*
 * collector - out of the intake into the ledger.
 *
 * Gathers what comes until there is a good transaction's worth or the oldest has waited for
 * COLLECTOR_WAIT_MS, gives it to the filer, and when it is in the store tells the broker. While
 * the filer works the next is gathered; when that is full too, nothing more is taken in, so the
 * rest waits at the broker. While the store is away what is held stays held, the broker is left
 * (so others, or its own queue, take what comes), and the store is tried again. Gaps in the
 * sites' streams are asked for. Any number of collectors may work on one store, and any may die
 * at any moment.
 *
 * Ownership  collector_create .. collector_destroy; the options are borrowed until then
 * Threads    one thread, and the filer's
 */
#ifndef FORETRIP_FLEET_COLLECTOR_H
#define FORETRIP_FLEET_COLLECTOR_H

#include "filer.h"
#include "intake.h"

#define COLLECTOR_WAIT_MS 100
#define COLLECTOR_RECORDS 2000 /* a good transaction's worth */

struct collector;

struct collector_counts {
    uint64_t parcels, refused; /* those that could not be read */
    uint64_t asked;            /* gaps */
    size_t held;               /* items now, the filer's not counted */
    bool broker_up;
    struct filer_counts filed;
};

/* NULL with a sentence in why. Broker or store away is no error. */
struct collector *collector_create(const struct fleet_settings *settings,
                                   char why[INTAKE_WHY_SIZE]);
void collector_destroy(struct collector *c); /* accepts NULL; what is held is filed first */

/* Does what there is to do, at most about timeout_ms long. */
void collector_turn(struct collector *c, int timeout_ms);

/* Of the thread that files (base/pulse.h). */
const struct pulse *collector_pulse(const struct collector *c);

void collector_get_counts(const struct collector *c, struct collector_counts *out);

#endif
