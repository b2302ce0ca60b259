/*
 * collector - out of the intake into the ledger.
 *
 * Gathers what comes until there is a good transaction's worth or the oldest has waited for
 * COLLECTOR_WAIT_MS, files it, and only then tells the broker. While the store is away what is
 * held stays held, the broker is left (so others, or its own queue, take what comes), and the
 * store is tried again. Gaps in the sites' streams are asked for. Any number of collectors may
 * work on one store, and any may die at any moment.
 *
 * Ownership  collector_create .. collector_destroy; the options are borrowed until then
 * Threads    one thread
 */
#ifndef FORETRIP_FLEET_COLLECTOR_H
#define FORETRIP_FLEET_COLLECTOR_H

#include "ages.h"
#include "intake.h"
#include "ledger.h"

#define COLLECTOR_WAIT_MS 100
#define COLLECTOR_RECORDS 2000     /* a good transaction's worth */
#define COLLECTOR_ITEMS 4000       /* of one transaction at the most */
#define COLLECTOR_GAPS_AT_ONCE 100 /* asked for, a second */

struct collector;

struct collector_counts {
    struct ledger_taken taken;
    uint64_t parcels, refused; /* those that could not be read, or that the store refuses */
    uint64_t transactions;
    uint64_t asked; /* gaps */
    size_t held;    /* items now */
    bool broker_up, store_up;
    struct ages ages; /* from what happened to its being in the store, since the start */
};

/* NULL with a sentence in why. Broker or store away is no error. */
struct collector *collector_create(const struct fleet_settings *settings,
                                   char why[INTAKE_WHY_SIZE]);
void collector_destroy(struct collector *c); /* accepts NULL; what is held is filed first */

/* Does what there is to do, at most about timeout_ms long. */
void collector_turn(struct collector *c, int timeout_ms);

void collector_get_counts(const struct collector *c, struct collector_counts *out);

#endif
