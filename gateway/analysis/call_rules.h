/*
 * call_rules - what an answer does to a service call: the rules of safety, and nothing else.
 *
 * Pure functions on one call. Two things hold whatever is answered: a call that has ended moves
 * no more, and OFF, ON and the loads come only after the cautions, the loads off and the gate
 * (call_gate), which asks who is there and what is suspected.
 *
 * Sources    29 CFR 1910.334(b)(2): not on again by hand until it is known to be safe,
 * switching on again and again is forbidden, an overload that is known as one excepted; ESFI,
 *            CPSC 518: the signs of trouble; once fully OFF, then ON, and left off when it
 * opens again: common practice. docs/service-call.md.
 */
#ifndef FORETRIP_CALL_RULES_H
#define FORETRIP_CALL_RULES_H

#include "model/call.h"

/* A fault or a worn breaker is suspected from this probability on. */
#define CALL_SUSPECTED 0.3
/* A load that opens the breaker within this time of its connection did so at once. */
#define CALL_AT_ONCE_SECONDS 5.0

/* What is known beside the call. */
struct call_facts {
    double amps;      /* now, hotter pole; NaN: no reading */
    double zero_amps; /* below it a circuit carries nothing */
    double rating_amps;
    bool occupant_resets;      /* by the site's rules */
    bool feeder;               /* the breaker feeds a panel */
    bool neutral_suspected;    /* an open neutral stands on its panel */
    enum call_finding stopped; /* an earlier call's, until the circuit has held again */
};

struct call_say {
    const char *call;  /* its id */
    uint32_t question; /* the one that was answered */
    enum call_answer answer;
    enum call_danger danger;
    enum call_as as; /* as whom; the holder's, but for take_over */
    const char *by, *device;
    const char *note; /* the load's name, the note; may be "" */
};

enum call_err {
    CALL_OK = 0,
    CALL_SAID_BEFORE, /* the last answer once more (its reply was lost): all is well */
    CALL_ERR_NO_CALL,
    CALL_ERR_NO_CIRCUIT,
    CALL_ERR_BUSY,      /* the breaker has an open call */
    CALL_ERR_CLOSED,    /* the breaker carries current */
    CALL_ERR_MANY,      /* as many calls, or loads, as there is room for */
    CALL_ERR_HOLDER,    /* somebody else holds it */
    CALL_ERR_MOVED,     /* another question is asked by now */
    CALL_ERR_NOT_ASKED, /* that is no answer to the question */
    CALL_ERR_ENDED,
    CALL_ERR_TOO_MUCH,  /* it still carries more than it is rated for */
    CALL_ERR_NO_DANGER, /* which danger was not said */
    CALL_ERR_EMPTY,     /* a note without words, nobody's name */
};

/* A sentence; static storage, never NULL. */
const char *call_strerror(enum call_err err);

/* Another question. */
void call_go(struct call *c, enum call_stage stage);
void call_end(struct call *c, enum call_finding finding, int64_t wall_ms);

/* Why whoever holds the call must not put the breaker on: CALL_FOUND_NOTHING when they may. */
enum call_finding call_gate(const struct call *c, const struct call_facts *f);

/* The breaker opened again: which load, or what else, did it. fault: the meter saw it, as one.
 */
void call_opened(struct call *c, const struct call_facts *f, bool fault, int64_t wall_ms);

/* After a pause, or in other hands: the cautions first, and then from where it is safe. */
void call_begin_anew(struct call *c);

/* A load more, watched from now on; false: no room. */
bool call_connect(struct call *c, const char *name, int64_t wall_ms);

/* Takes an answer. On an error nothing has changed. */
enum call_err call_take(struct call *c, const struct call_facts *f, const struct call_say *say,
                        int64_t wall_ms);

#endif
