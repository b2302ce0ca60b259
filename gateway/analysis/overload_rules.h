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

/* It opens within half a minute or so should the current stay, which it does not often do
 * here: an alert as well, since how long things run is known the worst. */
bool overload_rules_soon(const struct outlook *o);

/* For how many seconds at the most such an outlook has to stand before it is said: the rule's,
 * and less the sooner it opens. comes_on: the current has just risen by a load of a size that
 * is known here, so that it is no bad reading: then at once. */
double overload_rules_on_seconds(const struct rules *r, const struct outlook *o, bool comes_on);

/* It has no room, or may have none, for a load that comes now and then. in_vain alerts were
 * said before for which nothing came; from the third on each makes it need a load twice as
 * likely, up to four times where that load opens it for certain. */
bool overload_rules_maybe(const struct outlook *o, int in_vain);

/* While this is so, a warning that stands is not over. Not either while a warm breaker carries
 * more than its rating, however long it has held: what lasts for an hour here may open it yet,
 * in warmer air or beside warmer neighbours. */
bool overload_rules_keep(const struct rules *r, double rating_amps, const struct outlook *o);

#endif
