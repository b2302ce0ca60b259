/*
 * overload_rules - when a breaker's outlook is worth a warning.
 *
 * A warning that nothing comes of costs trust, one that comes too late is none. A breaker that
 * is not half way (H = 0.5) has time: it is warned of when it gets there. One that is, or may
 * be, while a load that is usual here would open it before anybody could act, is warned of
 * before that: the less sure it is to be half way, the quicker and likelier that load must be.
 * What was tried and what it costs: docs/method/breaker.md.
 */
#ifndef FORETRIP_OVERLOAD_RULES_H
#define FORETRIP_OVERLOAD_RULES_H

#include "outlook.h"

#include "model/rules.h"

/* It is likely to open within the horizon, and surely gets half way: an alarm. */
bool overload_rules_near(const struct rules *r, const struct outlook *o);

/* It is near, or not far from it: worth an alert. */
bool overload_rules_nearly(const struct rules *r, const struct outlook *o);

/* It has no room, or may have none, for a load that comes now and then. in_vain alerts were
 * said before for which nothing came; from the third on each makes it need a load twice as
 * likely. */
bool overload_rules_maybe(const struct outlook *o, int in_vain);

/* While this is so, a warning that stands is not over. */
bool overload_rules_keep(const struct rules *r, const struct outlook *o);

#endif
