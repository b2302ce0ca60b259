/*
 * calls_state - the inside of calls, for the files that make it up.
 *
 *     calls.c        begin, answer, what the engine says
 *     calls_watch.c  what the meter sees
 *     calls_save.c   over a restart
 */
#ifndef FORETRIP_CALLS_STATE_H
#define FORETRIP_CALLS_STATE_H

#include "calls.h"

/* A call and what watching it needs beside; the watch begins anew with every question. */
struct call_watched {
    struct call call;
    bool open; /* false: the place is free */
    uint32_t question;
    int64_t asked_mono_ms, asked_wall_ms; /* when this question came up */
    int64_t said_mono_ms;                 /* when a person answered last */
    uint32_t said_steps;                  /* steps at that time */
    int64_t read_mono_ms;                 /* when there was a reading last */
    bool blind;                           /* said so */
    double amps, last_amps;               /* newest reading and the one before, NaN: none */
    double base_amps;                     /* the circuit without the load that is watched */
    int64_t carried_mono_ms, dead_mono_ms, over_mono_ms,
        rise_mono_ms; /* since when, 0: not so */
    double sum_amps;  /* of the watched load's readings */
    double load_readings;
    int64_t load_since_mono_ms; /* it draws, 0: not yet */
};

/* What is remembered of one circuit. */
struct call_circuit {
    char trip[EVENT_ID_SIZE]; /* the newest that is open, "" none */
    enum trip_cause cause;
    double probability, cause_probability, fault_probability, worn_probability;
    int64_t opened_wall_ms;
    double amps_before;
    int upstream;
    struct call_before before[CALL_MOST_BEFORE];
    size_t before_count;
    enum call_finding stopped; /* by an earlier call */
    int64_t held_mono_ms;      /* carries current since, 0: does not */
    bool carried;              /* at its last reading */
    int64_t fell_mono_ms;      /* to nothing, 0: it carries */
};

struct calls {
    const struct site *site;
    const struct rules_set *rules;
    const struct alarms *alarms;
    event_sink *sink;
    void *context;
    struct call_watched *calls;    /* CALLS_MOST */
    struct call_circuit *circuits; /* one a circuit */
    double *amps;                  /* one a circuit: reading of its hotter pole, or NaN */
    int64_t mono_ms, wall_ms;      /* of the last frame */
    size_t open, stops;            /* calls; circuits that remember a stop */
};

struct call_facts calls_facts(const struct calls *c, const struct call_watched *w);

/* Takes the amps of all circuits. */
void calls_read(struct calls *c, const struct frame *f);

/* While somebody is at the panel, another circuit went dead: perhaps by their hand. */
void calls_ask_other(struct calls *c, struct call_watched *w, int circuit);

/* Says a step of the meter's. other: -1 for none. */
void calls_saw(struct calls *c, struct call_watched *w, enum call_sight sight,
               enum call_stage stage, int other);

/* What follows from a call that has just moved: whether it ended with a stop. */
void calls_moved(struct calls *c, struct call_watched *w);

#endif
