/*
 * advice - what would have kept breakers from opening, by the record played again.
 *
 * Three kinds, each with what it would have changed:
 *
 *   move       a load of one circuit plugged in on another: its runs are taken out of the one
 *              circuit's readings and added to the other's
 *   dedicated  a load that no other circuit here can take: its runs are taken out
 *   test       a breaker that opened at what a sound one carries: a sound one of its standard
 *              is put in its place
 *
 * Trips: the heat of the breaker is followed through the readings as they would have been, with
 * what has been learned of this very breaker (hypotheses.h). A trip counts as avoided when the
 * chance that the breaker opens then is below ADVICE_AVOIDED_CHANCE; where the readings stop
 * because the breaker opened, what was left is taken to have run on for an hour. What the
 * receiving circuit risks is told as the number of trips to be expected there.
 * Warnings: the engine itself, with what it has learned, is fed both ways of the readings.
 *
 * Moves are found one after the other, each on top of those before, so all of them hold
 * together.
 *
 * Units      amps RMS, Unix ms
 * Cost       docs/method/advice.md
 * Ownership  plain data in, plain data out
 */
#ifndef FORETRIP_ADVICE_H
#define FORETRIP_ADVICE_H

#include "engine.h"

#define ADVICE_MOST 32
#define ADVICE_MOST_TRIPS 64       /* listed by id */
#define ADVICE_AVOIDED_CHANCE 0.05 /* of opening all the same */
#define ADVICE_MOST_ADDED 0.2      /* trips to be expected on the other circuit */
#define ADVICE_LEAST_AMPS 1.0      /* of a load worth moving */

struct advice_run {
    int circuit;
    int64_t on_wall_ms, off_wall_ms;
    double amps;
    char appliance[EVENT_APPLIANCE_SIZE];
};

struct advice_trip {
    char id[EVENT_ID_SIZE];
    int circuit;
    int64_t opened_wall_ms, restored_wall_ms; /* 0: not restored */
    bool worn;                                /* called that, else an overload */
};

struct advice_warning { /* near_overload was raised */
    int circuit;
    int64_t wall_ms;
};

/* Fills amps[i], the circuit's hotter pole in second i from from_wall_ms on, NaN for no
 * reading. False: it cannot be read; the advice is given up. */
typedef bool advice_read_fn(void *context, int circuit, int64_t from_wall_ms, size_t seconds,
                            float *amps);
typedef int32_t advice_offset_fn(void *context, int64_t wall_ms);

struct advice_record {
    const struct site *site;
    const struct rules_set *rules;
    const struct signature_set *signatures;
    const uint8_t *learned; /* of engine_save; NULL: nothing was learned */
    size_t learned_length;
    int64_t from_wall_ms, to_wall_ms;
    const struct advice_run *runs; /* by their beginnings; none above one another's readings */
    size_t run_count;
    const struct advice_trip *trips; /* by heat, by their times */
    size_t trip_count;
    const struct advice_warning *warnings;
    size_t warning_count;
    const bool *measured; /* per circuit */
    advice_read_fn *read;
    advice_offset_fn *offset;
    void *context;
};

enum advice_kind { ADVICE_MOVE, ADVICE_DEDICATED, ADVICE_TEST };

struct advice {
    enum advice_kind kind;
    int circuit, to;                          /* to: move only, else -1 */
    double least_amps, most_amps, usual_amps; /* of the load */
    char appliance[EVENT_APPLIANCE_SIZE];     /* "unknown", or what it was called most */
    bool by_name; /* every run that was taken for that appliance; else every one of that size */
    int runs;
    int trips, trips_avoided;    /* of the circuit, those by heat */
    double trips_less;           /* the same expected: of each trip one minus its chance */
    double trips_added;          /* to be expected on the other circuit */
    int warnings, warnings_left; /* of the circuit as the engine gives them, before and after */
    int to_warnings, to_warnings_left; /* and of the other */
    bool too_large;     /* dedicated: more than a shared circuit of that rating may carry */
    double worn_chance; /* test: that it is worn */
    int avoided_count;
    const struct advice_trip *avoided[ADVICE_MOST_TRIPS];
};

/* How many into out (ADVICE_MOST); -1 when memory is short or the record cannot be read. */
int advice_find(const struct advice_record *r, struct advice *out);

const char *advice_kind_name(enum advice_kind k);

#endif
