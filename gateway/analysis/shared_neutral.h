/*
 * shared_neutral - the one neutral of several circuits (a multiwire branch circuit).
 *
 * Its current is nobody's reading: it is computed from the circuits that site.cfg puts into one
 * neutral_group. Loads of equal power factor on legs in opposition (split phase) or 120 degrees
 * apart (three legs) leave
 *     |A - B|        and        sqrt(A^2 + B^2 + C^2 - AB - BC - CA)
 * where A, B, C are the sums on the legs: the length of the sum of the phasors. Circuits on one
 * leg add up. Harmonics add up in a neutral of three legs and are not seen here.
 *
 * Judges shared_neutral:
 *     the computed current passes the rule's percentage of the smallest breaker of the group
 *     (the neutral is as thick as the wires beside it; common practice): urgent, because no
 *     breaker opens for it; subject: the group's first circuit
 *     two of its circuits hang on one leg, loaded or not: that is no multiwire branch circuit
 *     any more (NEC Article 100: its wires have a voltage between them; 210.4); subject: the
 *     second of them
 *
 * Units      amps RMS, seconds
 * Ownership  create .. destroy; borrows all it is given
 * Threads    none inside
 */
#ifndef FORETRIP_SHARED_NEUTRAL_H
#define FORETRIP_SHARED_NEUTRAL_H

#include "alarms.h"
#include "model/rules.h"

struct shared_neutral;

struct shared_neutral *shared_neutral_create(const struct site *s,
                                             const struct rules_set *rules, struct alarms *a);
void shared_neutral_destroy(struct shared_neutral *n);

/* pole_amps: newest of every pole of the site, NaN where it is not known. Once a second. */
void shared_neutral_step(struct shared_neutral *n, const struct frame *f,
                         const float *pole_amps);

/* Current in a neutral under the sums of its legs; legs 1..3. */
double shared_neutral_amps(const double *leg_amps, int legs);

#endif
