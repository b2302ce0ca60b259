/*
 * sparkplug - the house as an edge node of Sparkplug 3.0, beside the gateway's own topics.
 *
 *     spBv1.0/<group>/NBIRTH|NDATA|NDEATH|NCMD/<node>          the gateway
 *     spBv1.0/<group>/DBIRTH|DDATA|DDEATH/<node>/<meter>       each meter that answers
 *
 * A device is a meter, because that is what can be lost: its birth has the metrics of its
 * circuits, "<circuit>/Amps" and so on. Data goes by exception. With a primary host configured
 * the gateway waits for it and falls silent without it. After an outage the readings and alarms
 * of that time (at most SPARKPLUG_FILL_MS) follow out of the record, marked historical; those
 * of the last seconds before a connection was seen to be lost may come twice.
 *
 * Where the specification disagrees with itself: NBIRTH has seq 0, bdSeq is an Int64. Data
 * metrics have their datatype too, which they should not need: there are decoders that cannot
 * do without. Source: Eclipse Sparkplug Specification 3.0.0, chapters 4 to 6.
 *
 * Ownership  sparkplug_start .. sparkplug_stop; borrows site and bulletin
 * Threads    sparkplug_tell from any
 */
#ifndef FORETRIP_SPARKPLUG_H
#define FORETRIP_SPARKPLUG_H

#include "convention.h"

#define SPARKPLUG_FILL_MS (INT64_C(7) * 86400000)

struct sparkplug;

/* quiet_since_wall_ms: as sparkplug_quiet_since said it when the gateway ended, 0 when the host
 * had heard all. NULL when memory is short. */
struct sparkplug *sparkplug_start(const struct convention_options *o,
                                  int64_t quiet_since_wall_ms);
void sparkplug_stop(struct sparkplug *s); /* accepts NULL */

/* Something changed; alarms: among what stands. */
void sparkplug_tell(struct sparkplug *s, bool alarms);

/* Since when the host may not have heard us, 0 while it does: to be kept over a restart. Any
 * thread. */
int64_t sparkplug_quiet_since(struct sparkplug *s);

bool sparkplug_connected(struct sparkplug *s);
const struct pulse *sparkplug_pulse(const struct sparkplug *s); /* its thread's */

#endif
