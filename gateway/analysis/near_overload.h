/*
 * near_overload - the warning before a breaker opens.
 *
 * Raised on chances, never on a percentage of the rating: overload_rules.h says when. On-delay,
 * off-delay and a lower chance for returning keep it from flickering; what may open within half
 * a minute waits for one more reading only, and for none when a load that is known here has
 * just come on. Where nothing has to be done now, because only what may be switched on next
 * would open it, it is an alert and no alarm (alarms.h), until the breaker is near; an alert
 * stays two and a half times as long as an alarm once it is over, so that it is seldom said
 * anew. How long currents stay as high as they have become (dwell.h), and how many of the
 * openings expected of joining loads come (joins.h), is followed here.
 *
 * A quiet circuit costs a comparison a frame. The outlook is taken when the current has changed
 * or some seconds have passed, and only above a part of the rating or while the warning stands.
 *
 * Ownership  create .. destroy; borrows all it is given
 * Threads    none inside
 */
#ifndef FORETRIP_NEAR_OVERLOAD_H
#define FORETRIP_NEAR_OVERLOAD_H

#include "alarms.h"
#include "breaker.h"
#include "loads.h"

struct near_overload;

struct near_overload *near_overload_create(const struct site *s, const struct rules_set *rules,
                                           const struct breakers *b, const struct loads *l,
                                           struct alarms *a);
void near_overload_destroy(struct near_overload *n);

/* Takes load_on and load_off: what usually runs, joins, and for how long is learned from them;
 * and that the breaker is another, or known otherwise. */
void near_overload_event(struct near_overload *n, const struct event *e);

/* Takes a frame that breakers_step and loads_step have already taken. */
void near_overload_step(struct near_overload *n, const struct frame *f);

/* The chance that the breaker opens within `seconds`, at `amps` now: see outlook_chance. */
double near_overload_chance(const struct near_overload *n, int circuit, double amps,
                            double seconds);

/* What was learned of the loads, of who joins and of how long currents stay, and the warnings
 * that nothing came of, by circuit id. False: damaged, unchanged. */
void near_overload_save(const struct near_overload *n, struct codec_out *out);
bool near_overload_load(struct near_overload *n, struct codec_in *in);

#endif
