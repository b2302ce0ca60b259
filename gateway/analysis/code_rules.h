/*
 * code_rules - the rules of the code and of the supply, and breakers that outstay their
 * standard.
 *
 * Judged once a second, from means over a second or more, never from one reading:
 *     continuous_load       more than the rule's share of the rating for its hours (NEC
 * 210.20(A), Article 100: continuous is 3 h or more), 100 % for a full-rated breaker
 *     feeder_overload       the same for a breaker that feeds a panel (NEC 215.3), by its own
 *                           transformer or, where it has none, by the sum of its branches
 *     sensor_mismatch       a feeder's own transformer against the sum of its branches
 *     leg_imbalance         a leg of a panel too far from the mean of its legs
 *     supply_voltage        a leg outside the rule's band (ANSI C84.1, EN 50160)
 *     open_neutral          the legs of a split-phase panel drift apart, their sum does not; or
 *                           one rises when the other is loaded (neutral_steps.h)
 *     shared_neutral        see shared_neutral.h
 *     breaker_did_not_open  see breakers_overdue_seconds
 * Thresholds come from rules.cfg.
 *
 * Units      amps and volts RMS, seconds
 * Ownership  create .. destroy; borrows all it is given
 * Threads    none inside
 */
#ifndef FORETRIP_CODE_RULES_H
#define FORETRIP_CODE_RULES_H

#include "alarms.h"
#include "breaker.h"

struct code_rules;

struct code_rules *code_rules_create(const struct site *s, const struct rules_set *rules,
                                     const struct breakers *b, struct alarms *a);
void code_rules_destroy(struct code_rules *c);

/* Takes a frame that breakers_step has already taken. */
void code_rules_step(struct code_rules *c, const struct frame *f);

#endif
