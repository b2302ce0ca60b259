/*
 * orphans - alarms that stand in the record and that nobody knows of any more.
 *
 * A circuit or a meter is taken out of site.cfg while an alarm of it stands, or the kept state
 * was damaged: without this such an alarm would stand for ever, on the page, retained on the
 * broker, and nobody could acknowledge it.
 */
#ifndef FORETRIP_ORPHANS_H
#define FORETRIP_ORPHANS_H

#include "analysis/alarms.h"
#include "store/reader.h"

/* After the engine has its state, before its first frame. What the site still has is taken over
 * as it stood (alarms_adopt), so that it can be acknowledged and returns when it is over. What
 * is gone from the site becomes normal by an event to the sink, with a note that says why. */
void orphans_settle(struct store_reader *r, struct alarms *a, int64_t wall_ms, event_sink *sink,
                    void *context);

#endif
