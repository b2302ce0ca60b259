/*
 * advice_replay - a circuit's readings as they would have been, through its breaker and through
 * the engine. For advice*.c only.
 */
#ifndef FORETRIP_ADVICE_REPLAY_H
#define FORETRIP_ADVICE_REPLAY_H

#include "advice.h"
#include "hypotheses.h"

/* Some of a circuit's runs: those of that size, or of that name. */
struct advice_load {
    int circuit;
    double least_amps, most_amps;
    char appliance[EVENT_APPLIANCE_SIZE]; /* "": by the size */
    double along_least, along_most; /* of runs that cannot be told from it by their size: they
                                       stay in the one circuit, and come to the other too */
};

struct advice_move {
    struct advice_load load;
    int to; /* -1: to a circuit of its own */
};

#define REPLAY_MOST_MOVES 16

struct replay {
    const struct advice_record *record;
    struct advice_move moves[REPLAY_MOST_MOVES];
    size_t move_count;
    float *amps; /* of the span asked last */
    size_t room;
};

bool advice_load_has(const struct advice_load *l, const struct advice_run *r);
/* ... or is so like it that it may be of it, and comes to the other circuit too. */
bool advice_load_brings(const struct advice_load *l, const struct advice_run *r);

/* When a run of that load would have ended had the breaker held: as late as the longest of its
 * kind that was seen to its end, and where it had outlasted all of these, as long again; so
 * that the circuit it goes to is not taken for cooler than it will be. */
int64_t replay_run_end(const struct advice_record *r, const struct advice_load *l,
                       const struct advice_run *x);

/* The readings with all moves made, one a second, in r->amps; NULL when they cannot be had.
 * After a trip by heat that a move has touched, what was left runs on for an hour or until the
 * reset. */
const float *replay_read(struct replay *r, int circuit, int64_t from_wall_ms, size_t seconds);

/* Chance that a breaker, cold at the beginning, opens on these readings; with the expected
 * number where it may do so again and again. */
double replay_chance(const struct hypotheses_view *v, double q_per_amps2, const float *amps,
                     size_t seconds);
double replay_expected(const struct hypotheses_view *v, double q_per_amps2, const float *amps,
                       size_t seconds);

struct span {
    int64_t from, to;
};

/* near_overload alarms raised within these spans, the engine with what it has learned; -1: it
 * could not be done. */
int replay_warnings(struct replay *r, int circuit, const struct span *spans, size_t count);

#endif
