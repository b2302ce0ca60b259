/*
 * permissible - the largest single load of a circuit that serves several outlets.
 *
 * NEC 210.23 (multiple-outlet branch circuits; (A) up to 2020, (B) from 2023 for 15 and 20 A):
 * one cord-and-plug appliance may take up to 80 % of the circuit's rating; what is fastened in
 * place up to 50 % where lighting or plugged-in loads hang there too. Example in the trade
 * press: a central vacuum of 13 A on a shared 20 A circuit is not allowed. On 30 A circuits the
 * 80 % hold too (from memory); larger ones feed ranges and are not judged, nor is a house to
 * IEC 60898, whose rules know no such limits.
 *
 * Judged where site.cfg says feeds = "several_outlets". A running load within 15 % of the
 * circuit's fastened_amps is taken for what is fastened there. Products are listed up to the
 * circuit's whole rating, so the rule binds the installation and not who plugs in: a low
 * alarm, one a day at most.
 *
 * Units      amps RMS, seconds
 * Ownership  create .. destroy; borrows all it is given
 * Threads    none inside
 */
#ifndef FORETRIP_PERMISSIBLE_H
#define FORETRIP_PERMISSIBLE_H

#include "alarms.h"
#include "loads.h"
#include "model/rules.h"

struct permissible;

struct permissible *permissible_create(const struct site *s, const struct rules_set *rules,
                                       const struct loads *l, struct alarms *a);
void permissible_destroy(struct permissible *p);

/* Takes a frame that loads_step has already taken. */
void permissible_step(struct permissible *p, const struct frame *f);

#endif
