/*
 * calls - the service calls that are open, watched by the meter.
 *
 * A person begins one for a breaker and answers what is asked (call_rules.h); frames and the
 * engine's own events are the other side of the conversation. Whatever happens is said as an
 * event of type call, with the call as it then stands and the step; the record keeps all of
 * them, this keeps the open ones.
 *
 * What the meter adds by itself: the circuit carries current, so the breaker is closed; a load
 * has begun, how much it draws, what it is; it is more than the rating; the current has gone,
 * and whether the engine holds it for an opening; another circuit went dead instead; nobody has
 * answered for a while, and after half an hour the cautions are asked anew.
 *
 * A circuit whose call ended with a stop remembers it, so that a new call by whoever lives
 * there ends at the same gate, until the circuit has carried current for CALLS_MENDED_SECONDS.
 *
 * Ownership  create .. destroy; borrows site, rules and alarms
 * Threads    none inside
 * Cost       nothing while no call is open and no circuit remembers a stop; else some compares
 * a frame and circuit
 */
#ifndef FORETRIP_CALLS_H
#define FORETRIP_CALLS_H

#include "alarms.h"
#include "call_rules.h"

#include "base/codec.h"
#include "model/frame.h"
#include "model/rules.h"

#define CALLS_MOST 16 /* open at a time */
#define CALLS_MENDED_SECONDS 900.0

struct calls;

struct calls *calls_create(const struct site *s, const struct rules_set *rules,
                           const struct alarms *a, event_sink *sink, void *context);
void calls_destroy(struct calls *c); /* accepts NULL */

/* Begins one for a circuit that is dark; newest: the newest reading of everything. say's call
 * is the circuit's id, or a trip's. Its id goes into `id`, also with CALL_ERR_BUSY: that of the
 * one that is open. When the newest trip of the circuit was put down to a breaker before it,
 * the call is about that one; when to the utility, it ends at once. */
enum call_err calls_begin(struct calls *c, const struct frame *newest,
                          const struct call_say *say, int64_t wall_ms, char id[EVENT_ID_SIZE]);

enum call_err calls_answer(struct calls *c, const struct call_say *say, int64_t wall_ms);

/* Trips, restored, opened_again, load_on; any other type is passed over. */
void calls_event(struct calls *c, const struct event *e);

void calls_step(struct calls *c, const struct frame *f);

/* The open ones; NULL from the count on. Valid until the next call. */
const struct call *calls_open(const struct calls *c, size_t at);

/* The open calls, what is remembered of trips that are open, and the stops; by circuit ids, and
 * of circuits that the site no longer has nothing is taken over. False: damaged. */
void calls_save(const struct calls *c, struct codec_out *out);
bool calls_load(struct calls *c, struct codec_in *in);

#endif
