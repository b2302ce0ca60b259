/*
 * call - a service call: one open breaker, from the cautions to the sheet that is left behind.
 *
 * Plain data. What is asked next is the stage; what a person says to it is an answer; what the
 * meter saw in between is a sight. Every answer and every sight that moves the call, or that
 * belongs to its record, is a step. analysis/calls.h moves it, call_json.h publishes it.
 *
 *     cautions -> find -> loads_off -> off -> on -> next <-> watch -> ended
 *         |         |                   \___ wrong_breaker ___/   \-> too_much, fell
 *         |         +-> by_hand
 *         +--- asked anew after a pause, and of whoever takes the call over
 *
 * A call that has ended stays ended: what it found is its finding. Most findings mean that the
 * breaker stays off until a licensed electrician has seen to it (call_finding_stops).
 *
 * Units      amps RMS of the hotter pole, NaN: no reading; wall_ms Unix milliseconds UTC
 */
#ifndef FORETRIP_CALL_H
#define FORETRIP_CALL_H

#include "event.h"

#define CALL_BY_SIZE 96
#define CALL_DEVICE_SIZE 48
#define CALL_NOTE_SIZE 512
#define CALL_MOST_LOADS 24 /* connected one after another */
#define CALL_MOST_BEFORE 8 /* that ran before the trip */

enum call_stage {
    CALL_CAUTIONS,      /* the cautions and stop rules are read: does any apply, who is there */
    CALL_FIND,          /* the breaker on its panel: how does its handle stand */
    CALL_BY_HAND,       /* somebody switched it off: does anybody work on the circuit */
    CALL_LOADS_OFF,     /* everything on it is unplugged or switched off */
    CALL_OFF,           /* the handle goes fully to OFF */
    CALL_ON,            /* and fully to ON, once */
    CALL_WRONG_BREAKER, /* another circuit went dead meanwhile */
    CALL_NEXT,          /* it holds: one load is connected */
    CALL_WATCH,         /* and watched */
    CALL_TOO_MUCH,      /* more than the breaker is rated for: the last load is switched off */
    CALL_FELL,          /* the current has gone: was it the breaker */
    CALL_ENDED,
};
#define CALL_STAGES 12

enum call_answer {
    CALL_SAID_NOTHING, /* the step is the meter's */
    CALL_SAID_BEGIN,
    CALL_SAID_CLEAR,        /* cautions: read, none applies, I may operate this breaker */
    CALL_SAID_MAY_NOT,      /* cautions: I may not */
    CALL_SAID_TRIPPED,      /* find: the handle stands between, or loose */
    CALL_SAID_AT_OFF,       /* find: at OFF */
    CALL_SAID_AT_ON,        /* find: at ON */
    CALL_SAID_NOT_FOUND,    /* find */
    CALL_SAID_NOBODY,       /* by_hand: asked around, nobody works on it */
    CALL_SAID_SOMEBODY,     /* by_hand */
    CALL_SAID_LOADS_OFF,    /* loads_off */
    CALL_SAID_IS_OFF,       /* off */
    CALL_SAID_HOLDS,        /* on: it stayed */
    CALL_SAID_OPENED,       /* on, next, watch, too_much, fell: it opened */
    CALL_SAID_CONNECTED,    /* next: a load, with its name */
    CALL_SAID_RUNS,         /* watch: it runs as it should */
    CALL_SAID_SWITCHED_OFF, /* watch, too_much, fell: I switched the last load off */
    CALL_SAID_ALL_BACK,     /* next: nothing is left to connect */
    CALL_SAID_PUT_BACK,     /* wrong_breaker: it is on again */
    CALL_SAID_NOT_ME,       /* wrong_breaker: I did not touch it */
    CALL_SAID_DANGER,       /* at any stage: a stop rule applies */
    CALL_SAID_END,          /* at any stage: leave it as it is */
    CALL_SAID_TAKE_OVER,    /* at any stage: from another device, or somebody else */
    CALL_SAID_NOTE,         /* at any stage */
};
#define CALL_ANSWERS 24

/* What makes stop: ESFI's and CPSC 518's signs of trouble (docs/service-call.md). */
enum call_danger {
    CALL_DANGER_NONE,
    CALL_DANGER_HEAT,
    CALL_DANGER_SMELL, /* smoke too: leave, emergency number */
    CALL_DANGER_BUZZING,
    CALL_DANGER_SPARKS,
    CALL_DANGER_WATER,
    CALL_DANGER_DAMAGE,
    CALL_DANGER_SHOCK,
};
#define CALL_DANGERS 8

enum call_sight {
    CALL_SAW_NOTHING, /* the step is a person's */
    CALL_SAW_DEAD,    /* no current, as it should be */
    CALL_SAW_CURRENT, /* the circuit carries current: its breaker is closed */
    CALL_SAW_LOAD,    /* a load began */
    CALL_SAW_TOO_MUCH,
    CALL_SAW_FALL,   /* the current went, why is not sure */
    CALL_SAW_OPENED, /* the breaker opened */
    CALL_SAW_OTHER_DEAD,
    CALL_SAW_OTHER_BACK,
    CALL_SAW_UPSTREAM, /* it was a breaker before it that opened */
    CALL_SAW_NOBODY,   /* nobody has answered for a while */
    CALL_SAW_PAUSE,    /* for so long that the cautions are asked anew */
    CALL_SAW_BLIND,    /* no reading: the meter is silent */
};
#define CALL_SIGHTS 13

enum call_finding {
    CALL_FOUND_NOTHING,  /* not ended */
    CALL_FOUND_RESTORED, /* everything is back and holds, and why it opened is not known */
    CALL_FOUND_OVERLOAD, /* too much at once; what was too much is left off, and it holds */
    CALL_FOUND_OPENED_OVERLOAD, /* the loads opened it again by overload */
    CALL_FOUND_APPLIANCE,       /* one load opened it at once */
    CALL_FOUND_WIRING,          /* it opens with nothing connected: wiring or breaker */
    CALL_FOUND_WORN,            /* it opens at a current that it must carry */
    CALL_FOUND_FAULT,           /* a short circuit or ground fault is likely: no reset */
    CALL_FOUND_FEEDER,          /* the breaker before it is open */
    CALL_FOUND_SUPPLY,          /* the utility's supply is out */
    CALL_FOUND_BY_HAND,         /* somebody works on it */
    CALL_FOUND_DEAD_THOUGH_ON,  /* the handle stands at ON */
    CALL_FOUND_NOT_FOUND,       /* the breaker was not found */
    CALL_FOUND_NEUTRAL,         /* an open neutral is suspected */
    CALL_FOUND_DANGER,          /* a stop rule applied */
    CALL_FOUND_MAY_NOT,         /* nobody was there who may reset it */
    CALL_FOUND_STOPPED_BEFORE,  /* an earlier call ended with a stop */
    CALL_FOUND_LEFT,            /* ended by a person */
};
#define CALL_FINDINGS 18

enum call_outcome {
    CALL_LOAD_WATCHED, /* connected just now */
    CALL_LOAD_HELD,
    CALL_LOAD_SILENT,   /* connected, and no current was seen */
    CALL_LOAD_LEFT_OFF, /* switched off again */
    CALL_LOAD_TOO_MUCH, /* and because the breaker carried more than it is rated for */
    CALL_LOAD_OPENED,   /* it opened the breaker */
};
#define CALL_OUTCOMES 6

enum call_as { CALL_AS_OCCUPANT, CALL_AS_ELECTRICIAN };
#define CALL_ASES 2

/* One of those connected during the call. */
struct call_load {
    char name[EVENT_APPLIANCE_SIZE];      /* as the person calls it, may be "" */
    char appliance[EVENT_APPLIANCE_SIZE]; /* as it was recognised, "" while it was not */
    double appliance_probability;
    double amps;        /* its own, running; NaN: not seen */
    double inrush_amps; /* highest reading while it began; NaN: not seen */
    int64_t connected_wall_ms;
    double seconds; /* it drew while it was watched */
    enum call_outcome outcome;
};

/* One that ran before the trip. */
struct call_before {
    char appliance[EVENT_APPLIANCE_SIZE];
    double amps;
};

struct call {
    char id[EVENT_ID_SIZE]; /* "<circuit>-<UTC, compact>", of the breaker it began with */
    int circuit;            /* whose breaker is to be reset */
    int dark;               /* what went dark, when a breaker before it opened; else circuit */
    char trip[EVENT_ID_SIZE]; /* "" when none was seen */
    enum trip_cause cause;    /* of the trip, the likeliest */
    double cause_probability, fault_probability, worn_probability;
    int64_t opened_wall_ms;
    double amps_before; /* NaN: not known */
    struct call_before before[CALL_MOST_BEFORE];
    size_t before_count;

    enum call_stage stage, resume; /* resume: what follows cautions or wrong_breaker */
    enum call_finding finding;
    enum call_danger danger;
    int other;         /* wrong_breaker: which, else -1 */
    uint32_t question; /* goes up with every stage: what an answer refers to */
    uint32_t steps;
    int64_t begun_wall_ms, ended_wall_ms; /* 0: open */
    int64_t said_wall_ms;                 /* when a person answered last */
    bool waiting;                         /* nobody has answered for a while */
    bool loads_off;                       /* confirmed */
    bool may_not;                         /* whoever is there may not reset it */

    char by[CALL_BY_SIZE]; /* who holds it */
    char device[CALL_DEVICE_SIZE];
    enum call_as as;
    enum call_answer last_answer;

    int resets;       /* ON, so far */
    double peak_amps; /* highest since it was put on, of two readings in a row the lower */
    struct call_load loads[CALL_MOST_LOADS];
    size_t load_count;
};

struct call_step {
    uint32_t number; /* from 1 */
    int64_t wall_ms;
    enum call_stage stage; /* at which it came */
    enum call_answer answer;
    enum call_sight sight;
    enum call_danger danger;
    const char *by; /* "" for the meter */
    enum call_as as;
    const char *note; /* what was said in words; the load's name; may be "" */
    double amps;      /* what the meter read at that moment */
    int other;        /* other_dead, other_back, upstream: which circuit, else -1 */
};

/* The words published, static. */
const char *call_stage_name(enum call_stage s);
const char *call_answer_name(enum call_answer a);
const char *call_danger_name(enum call_danger d);
const char *call_sight_name(enum call_sight s);
const char *call_finding_name(enum call_finding f);
const char *call_outcome_name(enum call_outcome o);
const char *call_as_name(enum call_as a);
/* False when the word is none that a person may say. */
bool call_answer_find(const char *word, enum call_answer *out);
bool call_danger_find(const char *word, enum call_danger *out);
bool call_as_find(const char *word, enum call_as *out);

/* The breaker stays off until a licensed electrician has seen to it. */
bool call_finding_stops(enum call_finding f);

/* And a later call of whoever lives there stops at the same place. */
bool call_finding_bars(enum call_finding f);

/* The answers of a stage, in the order in which they are offered; those that can be said at any
 * stage are not among them. Returns how many. */
#define CALL_MOST_CHOICES 4
size_t call_choices(enum call_stage s, enum call_answer out[CALL_MOST_CHOICES]);

/* NULL when there is none: the load that is watched. */
struct call_load *call_last_load(struct call *c);

#endif
