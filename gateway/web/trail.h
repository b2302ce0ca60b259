/*
 * trail - how warm every breaker was, as it was told at the time: over a day, a month, a year.
 *
 * The engine's heat is an expectation over what the breaker may be, and what it may be is
 * learned: worked out again from readings it would be another number than the one that was
 * shown. So the hottest of each step is kept, in thousandths, in three grains:
 *
 *     30 s       over the last day
 *     15 min     over the last 30 days
 *     4 h        over the last 480 days
 *
 * It is kept over a restart (trail_save, at the stop and every TRAIL_KEEP_MS meanwhile); what a
 * power cut takes are the last hours of the line, not the readings.
 *
 * Ownership  trail_create .. trail_destroy
 * Threads    safe
 * Cost       17 KB a circuit; on disk a few of them, packed (docs/method/history.md)
 */
#ifndef FORETRIP_WEB_TRAIL_H
#define FORETRIP_WEB_TRAIL_H

#include "base/codec.h"
#include "model/site.h"

#define TRAIL_STEP_MS INT64_C(30000) /* the finest grain */
#define TRAIL_STEPS 2880             /* of each grain */
#define TRAIL_QUARTER_MS INT64_C(900000)
#define TRAIL_KEEP_MS INT64_C(21600000)

struct trail;

struct trail *trail_create(size_t circuits);
void trail_destroy(struct trail *t); /* accepts NULL */

/* NaN: not known, and nothing is kept. */
void trail_put(struct trail *t, size_t circuit, int64_t wall_ms, double heat);

/* The hottest of each of `count` even pieces of from..to, NaN where nothing was told, each of
 * the finest grain that reaches back so far; of the coarser ones only where four steps fit into
 * the span. Returns the coarsest step that was needed, 0 when nothing was in
 * any of them. */
int64_t trail_get(struct trail *t, size_t circuit, int64_t from_wall_ms, int64_t to_wall_ms,
                  size_t count, double *out);

/* By circuit id; loading passes over circuits that the site no longer has. False: damaged, and
 * nothing is known. */
void trail_save(struct trail *t, const struct site *s, struct codec_out *out);
bool trail_load(struct trail *t, const struct site *s, struct codec_in *in);

#endif
