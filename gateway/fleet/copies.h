/*
 * copies - a gateway that was copied, or played again, is noticed: two that speak as one unit.
 *
 * Each start of a gateway chooses a `run` at random and says it with how it is ("health",
 * docs/mqtt.md). A gateway that is started anew has another one, and the old is never heard
 * again. So a run that speaks after a later one has begun is a second gateway, or somebody who
 * plays an old one's words again:
 *
 *     run A   |----------------|            A, then B: started anew
 *     run B                     |------
 *
 *     run A   |--------------------|        both at once: two gateways
 *     run B          |----------------
 *
 * by the centre's clock, COPIES_MARGIN_MS more than what may overtake on the way, and by what
 * it says the time is, so that words which were late do not count. The second sign is that
 * each takes the other's line at the broker: COPIES_TAKEN_OVER times in one run.
 *
 * Of records with a number that is here already the first stays (ledger.h), whoever sent it;
 * when the second has other words, that is the third sign (repeats.h).
 * What is looked at is the newest health of each unit, every COPIES_EVERY_MS; nothing on the
 * way of the records waits for it.
 */
#ifndef FORETRIP_FLEET_COPIES_H
#define FORETRIP_FLEET_COPIES_H

#include "sql.h"

#define COPIES_EVERY_MS INT64_C(20000)
#define COPIES_MARGIN_MS INT64_C(60000)
#define COPIES_TAKEN_OVER 3
#define COPIES_REMEMBERED_MS                                                                   \
    (INT64_C(7) * 86400000) /* runs; a notice ends a day after the last sign */

/* Looks at what came since the last time, and begins and ends notices of the kind
 * NOTICE_COPIED. */
enum sql_err copies_tend(struct sql *s, int64_t wall_ms);

#endif
