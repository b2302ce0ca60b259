/*
 * engine_json - what is known of a circuit now, as the JSON of the retained state topic, the
 * page and the tool.
 *
 *     time, circuit, panel, position, name, state ("closed", "open", "unknown"), amps, watts,
 * volts, pf (null: no reading), reading_at, reading_age_seconds, rating_amps, load_percent,
 * heat, headroom_amps, headroom_3h_amps, trip_chance {1m, 5m, 15m, 60m}, trip_seconds {p05,
 * p50, p95}, standing_amps, loads [...],
 * rest_amps (what the loads leave unexplained of amps; negative while one is just going)
 *
 * "unknown" is honest: a circuit that carries nothing may be closed or open.
 */
#ifndef FORETRIP_ENGINE_JSON_H
#define FORETRIP_ENGINE_JSON_H

#include "engine.h"

#include <jansson.h>

/* A new reference; NULL when memory is short. */
json_t *engine_circuit_json(const struct site *s, int circuit, int64_t wall_ms,
                            const struct engine_circuit *c);

/* What hangs on a circuit, as far as it was seen, as an array: load, appliance, name (given by
 * a person, may be ""), probability, amps, watts, seconds, runs, per_day, share, hours [24],
 * first_seen, last_seen, running. A new reference; NULL when memory is short. */
json_t *engine_known_json(const struct loads_known *known, size_t count);

/* What the circuit is, taken whole: appliance (the one it carries, "several", "unknown" or
 * "not_judged"), likely (what an unknown one is most like, may be ""), probability, days. A new
 * reference; NULL when memory is short. */
json_t *engine_whole_json(const struct loads_whole *w);

#endif
