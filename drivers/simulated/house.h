/*
 * house - a house that is lived in, as a meter sees it.
 *
 * Loads hang on the circuits of a site.cfg, their currents add up through the sub-panels to the
 * supply, the supply's volts answer to them, and every breaker has a trip_unit of its own that
 * opens it by heat or by fault. People start things by the hour, reset what opened, put a hand
 * on a breaker; the utility fails now and then; a script does what a demonstration or a test
 * wants at a fixed second. Everything it does is told to the sink as notes: the truth to
 * compare with.
 *
 * Deterministic: the same site, spec, seed and start give the same house however the calls to
 * house_advance are cut. It reads no clock: time is in milliseconds of the house since its
 * beginning. One step is HOUSE_STEP_MS.
 *
 * Ownership  create .. destroy; borrows site and spec, which must outlive it
 * Threads    none inside
 */
#ifndef FORETRIP_SIMULATED_HOUSE_H
#define FORETRIP_SIMULATED_HOUSE_H

#include "house_load.h"
#include "trip_unit.h"

#define HOUSE_STEP_MS 100
#define HOUSE_MAX_LOADS 512
#define HOUSE_MAX_SCRIPT 512
#define HOUSE_MAX_HANDS 64 /* between two steps */

enum house_act {
    HOUSE_ACT_ON,     /* load, for `seconds` (0: as the spec draws) */
    HOUSE_ACT_OFF,    /* load */
    HOUSE_ACT_FAULT,  /* circuit: a short circuit, for one step or until the breaker opens */
    HOUSE_ACT_OPEN,   /* circuit: somebody switches the breaker off */
    HOUSE_ACT_RESET,  /* circuit: and on again */
    HOUSE_ACT_OUTAGE, /* the utility, for `seconds` */
    HOUSE_ACT_LOSE_NEUTRAL, /* of the service, for `seconds` */
    HOUSE_ACT_HANDLE_OFF,   /* circuit: the handle is moved fully to OFF */
    HOUSE_ACT_HANDLE_ON,    /* and to ON; one that has tripped must have been at OFF before */
    HOUSE_ACT_UNPLUG,       /* load: draws nothing until it is plugged in again */
    HOUSE_ACT_PLUG,
    HOUSE_ACT_BREAK,  /* load: a short circuit from now on, whenever it is on */
    HOUSE_ACT_REPAIR, /* load */
    HOUSE_ACT_SHORT,  /* circuit: its wiring is a short circuit from now on */
    HOUSE_ACT_MEND,   /* circuit */
};
#define HOUSE_ACTS 15

enum house_needs { HOUSE_NEEDS_NOTHING, HOUSE_NEEDS_LOAD, HOUSE_NEEDS_CIRCUIT };

/* The words of a script. */
const char *house_act_name(enum house_act a);
enum house_needs house_act_needs(enum house_act a);

struct house_script {
    double at; /* seconds of the house */
    enum house_act act;
    int load;
    int circuit;
    double seconds;
};

struct house_breaker_spec { /* only for those that are not sound */
    int circuit;
    enum trip_unit_condition condition;
};

struct house_spec {
    double seed;            /* whole; what is drawn when nobody asks for another house */
    double ambient_celsius; /* at the panels */
    double ambient_swing;   /* half of what it goes up and down in a day */
    double supply_percent;  /* of nominal, without load */
    double source_ohms;     /* each leg of the service */
    double neutral_ohms;
    double feeder_ohms; /* each conductor to a sub-panel */
    struct house_range
        reset;            /* how long until somebody resets an open breaker; most 0: nobody */
    double unplug_chance; /* that what was started by hand is off before the reset */
    double outages_per_day;
    double hands_per_day;   /* a breaker picked at random is switched off for a while */
    double warm_up_seconds; /* lived through before second 0, without a note */
    double script_again;    /* the script begins anew after so many seconds, 0: never */
    struct house_load_spec *loads;
    size_t load_count;
    struct house_script *script;
    size_t script_count;
    struct house_breaker_spec *breakers;
    size_t breaker_count;
};

enum house_note_kind {
    HOUSE_LOAD_ON,
    HOUSE_LOAD_OFF,
    HOUSE_LOAD_LOST, /* it ran, and its circuit went dead */
    HOUSE_OPENED_BY_HEAT,
    HOUSE_OPENED_BY_FAULT,
    HOUSE_OPENED_BY_HAND,
    HOUSE_RESET,
    HOUSE_DID_NOT_LATCH, /* put to ON, tripped as it was */
    HOUSE_UNPLUGGED,
    HOUSE_PLUGGED,
    HOUSE_CIRCUIT_DEAD, /* its own breaker is closed: a feeder or the utility is not there */
    HOUSE_CIRCUIT_BACK,
    HOUSE_OUTAGE,
    HOUSE_SUPPLY_BACK,
    HOUSE_NEUTRAL_LOST,
    HOUSE_NEUTRAL_BACK,
};

struct house_note {
    int64_t house_ms;
    enum house_note_kind kind;
    int circuit; /* -1: the supply */
    int load;    /* -1: none */
    double amps; /* load: of its hotter pole, running; breaker: its hotter pole as it opened */
    double seconds; /* load_off: it ran; reset: it was open */
};

typedef void house_sink(void *context, const struct house_note *note);

struct house;

/* start_second: local second of the day at house time 0. NULL when memory is short. */
struct house *house_create(const struct site *site, const struct house_spec *spec,
                           uint64_t seed, double start_second, house_sink *sink, void *context);
void house_destroy(struct house *h);

/* What a script does at its time, in the next step; more than HOUSE_MAX_HANDS are passed over.
 */
void house_do(struct house *h, const struct house_script *s);

/* Lives on up to that time; earlier than now does nothing. */
void house_advance(struct house *h, int64_t to_ms);
int64_t house_now_ms(const struct house *h);

/* What a perfect meter would read at a pole (index as in model/frame.h): amps RMS over 200 ms;
 * volts before the breaker. */
struct house_pole {
    double amps, watts, volts, power_factor;
};
struct house_pole house_read_pole(const struct house *h, size_t pole);
/* Line to neutral behind the panel's main or feeder. */
double house_read_volts(const struct house *h, size_t panel, int leg);

bool house_circuit_closed(const struct house *h, size_t circuit);
/* Its breaker has volts in front of it and is closed. */
bool house_circuit_live(const struct house *h, size_t circuit);
const struct trip_unit *house_trip_unit(const struct house *h, size_t circuit);

/* A key for programs ("opened_by_heat") and a sentence for people. */
const char *house_note_name(enum house_note_kind kind);
void house_note_text(const struct site *site, const struct house_spec *spec,
                     const struct house_note *note, char *out, size_t capacity);

void house_spec_free(struct house_spec *spec);

#endif
