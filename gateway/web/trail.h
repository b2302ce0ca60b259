/*
 * trail - how warm every breaker was over the last day, as it was told at the time.
 *
 * The engine's heat is an expectation over what the breaker may be, and what it may be is
 * learned: worked out again from readings it would be another number than the one that was
 * shown. So the latest of every half minute is kept, the hottest of each, in thousandths.
 *
 * It is kept over a restart and a reload that are orderly (trail_save, at the stop alone: half
 * a megabyte at 84 circuits); what a power cut takes is the line, not the readings.
 *
 * Ownership  trail_create .. trail_destroy
 * Threads    safe
 * Cost       5.8 KB a circuit
 */
#ifndef FORETRIP_WEB_TRAIL_H
#define FORETRIP_WEB_TRAIL_H

#include "base/codec.h"
#include "model/site.h"

#define TRAIL_STEP_MS INT64_C(30000)
#define TRAIL_STEPS 2880 /* a day */

struct trail;

struct trail *trail_create(size_t circuits);
void trail_destroy(struct trail *t); /* accepts NULL */

/* NaN: not known, and nothing is kept. */
void trail_put(struct trail *t, size_t circuit, int64_t wall_ms, double heat);

/* The hottest of each of `count` even pieces of from..to, NaN where nothing was told. False
 * when nothing was in any of them. */
bool trail_get(struct trail *t, size_t circuit, int64_t from_wall_ms, int64_t to_wall_ms,
               size_t count, double *out);

/* By circuit id; loading passes over circuits that the site no longer has. False: damaged, and
 * nothing is known. */
void trail_save(struct trail *t, const struct site *s, struct codec_out *out);
bool trail_load(struct trail *t, const struct site *s, struct codec_in *in);

#endif
