/*
 * suppression - which alarms are silent by design: what lies behind an open breaker.
 *
 * While the trip alarm of a feeder stands (or that of the whole site, when the supply is away),
 * it speaks for everything behind it: the branches' own alarms of load, trip, voltage and lost
 * meters are suppressed (ANSI/ISA-18.2, "suppressed by design") and released when it is over.
 * What says that a breaker or a neutral is dangerous is never suppressed, and what is silent
 * because of another alarm of the same circuit stays so.
 *
 * Ownership  create .. destroy; borrows site and alarms
 * Cost       a step looks at each panel's feeders, and at the alarms only when one has changed
 */
#ifndef FORETRIP_SUPPRESSION_H
#define FORETRIP_SUPPRESSION_H

#include "alarms.h"

struct suppression;

struct suppression *suppression_create(const struct site *s, struct alarms *a);
void suppression_destroy(struct suppression *u); /* accepts NULL */

/* After the trip alarms have been judged, before all others. */
void suppression_step(struct suppression *u, int64_t wall_ms);

#endif
