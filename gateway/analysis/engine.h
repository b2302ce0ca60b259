/*
 * engine - frames in, events out. The whole of what foretrip knows, behind one call.
 *
 * Live, replayed and simulated readings take the same way through engine_feed. The engine reads
 * no clock, no file, no socket and no random number: the same frames give the same events, to
 * the last bit. Order of work per frame: meters and gaps, breaker heat, trips (which look at
 * the loads that ran before), loads, forecasts and rules of the code, alarms.
 *
 * Ownership  create .. destroy; borrows site, rules and signatures, which must outlive it.
 * Events given to the sink are borrowed for the call. The sink must not call the engine.
 * Threads    one thread owns an engine
 * Cost       see docs/method/; a quiet second costs tens of nanoseconds a reading at the most
 */
#ifndef FORETRIP_ENGINE_H
#define FORETRIP_ENGINE_H

#include "alarms.h"
#include "breaker.h"
#include "calls.h"
#include "loads.h"

struct engine;

/* What is known of one circuit right now: for the retained state topic, the page and the tool.
 */
struct engine_circuit {
    double amps, watts, volts, power_factor; /* hotter pole; NaN: no reading */
    int64_t reading_wall_ms;    /* of the last reading, 0 when there was none yet */
    double reading_age_seconds; /* at the last frame */
    enum { CIRCUIT_UNKNOWN, CIRCUIT_CLOSED, CIRCUIT_OPEN } state;
    struct breaker_forecast forecast; /* at the present current; as of forecast_wall_ms */
    struct event_load loads[LOADS_MAX_RUNNING];
    size_t load_count;
    double rest_amps; /* of the reading, explained by no load of the list */
    double standing_amps;
};

struct engine *engine_create(const struct site *s, const struct rules_set *rules,
                             const struct signature_set *signatures, event_sink *sink,
                             void *context);
void engine_destroy(struct engine *e);

/* mono_ms must be later than the last frame's, else the frame is ignored and counted. */
void engine_feed(struct engine *e, const struct frame *f);

/* The readings, the state and the loads; no forecast, so it is cheap enough for every frame. */
void engine_glance(const struct engine *e, int circuit, struct engine_circuit *out);

/* With the forecast: some tens of microseconds. */
void engine_circuit(const struct engine *e, int circuit, struct engine_circuit *out);

/* A person says what a trip that is over was (trips.h); false: no such trip is remembered, or
 * it was corrected before. */
bool engine_correct_trip(struct engine *e, const char *trip, enum trip_cause cause,
                         int64_t wall_ms, const char *by);

/* A person's note beside a trip that is in the record, said as trip_note; false: the id is none
 * of a circuit here. */
bool engine_note_trip(struct engine *e, const char *trip, const char *note, int64_t wall_ms,
                      const char *by);

/* A person has put in another breaker: what was learned of the old one is forgotten, and the
 * alarms that judge the old one are over. Said as breaker_replaced; false: no such circuit. */
bool engine_breaker_replaced(struct engine *e, const char *circuit, const char *note,
                             int64_t wall_ms, const char *by);

/* The chance that the breaker opens within `seconds`, loads ending and joining as usual; 0
 * without a reading. */
double engine_chance(const struct engine *e, int circuit, double seconds);

/* A service call is begun (say's answer is CALL_SAID_BEGIN; its id, or that of the one that is
 * open, goes into `id`) or answered; the events that follow go to the sink. */
enum call_err engine_call(struct engine *e, const struct call_say *say, int64_t wall_ms,
                          char id[EVENT_ID_SIZE]);
const struct calls *engine_calls(const struct engine *e);

/* The people's part; the events that follow go to the sink. */
struct alarms *engine_alarms(struct engine *e);
struct loads *engine_loads(struct engine *e);
const struct breakers *engine_breakers(const struct engine *e);

/* State by ids, so that it survives a restart and a changed site, in two parts: what runs
 * (alarms, open trips: small, kept at every change) and what was learned (heat, loads: kept now
 * and then). Loading goes into a fresh engine before its first frame, each part by itself;
 * false: damaged, and the engine must be thrown away for a new one. A restart is a gap: mono
 * goes on from where it was saved by as much as the wall clock says has passed, so a mono clock
 * that began anew does not matter. */
enum engine_part { ENGINE_RUNNING, ENGINE_LEARNED };
void engine_save(const struct engine *e, enum engine_part part, struct codec_out *out);
bool engine_load(struct engine *e, const uint8_t *bytes, size_t length);

#endif
