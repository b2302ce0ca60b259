/*
 * trips - a circuit fell to zero: did it lose its supply, why, and what became of it.
 *
 * Fed before loads_step, so that the loads it asks for are those that ran before the fall.
 * Emits trip (provisional, confirmed, withdrawn), restored and opened_again.
 *
 * Every fall from twice the rule's zero_amps or more is a case. What speaks for and against is
 * weighed (evidence.h) at the fall, at 5, 15 and 60 seconds, 5 and 15 minutes, 1, 3, 12 hours,
 * 1 and 3 days, and when current flows again; what is likely enough is said, and every change
 * of stage is said. Circuits that a feeder or the utility took without a current to fall get
 * their trip too. What the fall turns out to have been is learned (falls.h).
 *
 * Ownership  create .. destroy; borrows all it is given
 * Threads    none inside
 * Cost       a quiet reading costs a few compares; a fall some microseconds
 */
#ifndef FORETRIP_TRIPS_H
#define FORETRIP_TRIPS_H

#include "breaker.h"
#include "evidence.h"
#include "loads.h"

struct trips;

struct trips *trips_create(const struct site *s, const struct rules_set *rules,
                           struct breakers *b, struct loads *l, event_sink *sink,
                           void *context);
void trips_destroy(struct trips *t);

/* Takes a frame; afterwards trips_cut tells which circuits are judged to be without supply. */
void trips_step(struct trips *t, const struct frame *f);

/* One bool per circuit; valid until the next step. */
const bool *trips_cut(const struct trips *t);

/* A judgement as it was made, said or not: for learning the weights and for tests. `carried` is
 * none: once a minute, what a circuit carries without falling (facts alone, causes and evidence
 * NULL), which is what falls are counted against. */
struct trips_judgement {
    int circuit;
    int64_t opened_wall_ms;
    const char *moment; /* "fall", "later", "back", "carried" */
    double probability;
    const double *causes;
    const struct fall_facts *facts;
    const struct evidence_list *evidence;
    bool said;
};
typedef void trips_observer(void *context, const struct trips_judgement *j);
void trips_observe(struct trips *t, trips_observer *observer, void *context);

/* A person says what a trip, which is over, really was (CAUSE_LOAD_ENDED: none). Learned from,
 * and said as trip_corrected at wall_ms; what was computed stays. False when no such trip is
 * remembered (the newest 64 are) or it was corrected before. */
bool trips_correct(struct trips *t, const char *id, enum trip_cause cause, int64_t wall_ms,
                   const char *by);

/* Another breaker is in that place: what is still to be learned of an opening that is open is
 * not learned of it. */
void trips_replaced(struct trips *t, int circuit);

/* What is open and what every circuit did last: small, for every change. A circuit that carried
 * current before a restart and carries none after it is judged as a fall in lost readings. */
void trips_save(const struct trips *t, struct codec_out *out);
bool trips_load(struct trips *t, struct codec_in *in);

/* What the circuits have taught: some KiB each, for now and then. False: damaged, and part of
 * it may have been taken. */
void trips_save_learned(const struct trips *t, struct codec_out *out);
bool trips_load_learned(struct trips *t, struct codec_in *in);

#endif
