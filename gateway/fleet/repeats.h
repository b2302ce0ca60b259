/*
 * repeats - records whose numbers are here already: do they say the same?
 *
 * A gateway sends a record again in the words in which it stands on its disk, which never
 * change. Other words under a number that is here come of a second gateway with the same
 * record, or of one whose record was put back from an old copy and has gone on from there: then
 * numbers are given out twice, and what the first ones said is all that is filed. Somebody has
 * to look: a notice of the kind NOTICE_COPIED, which ends a day after the last such record
 * (copies.h).
 *
 * REPEATS_MOST of a call are looked at, since all of them come again when a collector has died.
 */
#ifndef FORETRIP_FLEET_REPEATS_H
#define FORETRIP_FLEET_REPEATS_H

#include "ledger_rows.h"

#define REPEATS_MOST 8

/* rows: at most REPEATS_MOST that came again, with the time they would be filed at. Within the
 * caller's transaction. */
enum sql_err repeats_look(struct sql *sql, const struct ledger_row *rows, size_t count,
                          int64_t wall_ms);

#endif
