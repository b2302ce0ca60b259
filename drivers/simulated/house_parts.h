/*
 * house_parts - the inside of a simulated house, shared by house.c (its life) and
 * house_current.c (its electricity). Nobody else includes it.
 */
#ifndef FORETRIP_SIMULATED_HOUSE_PARTS_H
#define FORETRIP_SIMULATED_HOUSE_PARTS_H

#include "house.h"
#include "house_supply.h"

#define HOUSE_STEP_SECONDS (HOUSE_STEP_MS / 1000.0)

struct pole {
    double watts, vars; /* of the running step */
    double neutral_amps, across_amps;
    double fault_amps; /* into a short circuit at or behind it */
    double amps[2];    /* of the last two steps: the meter's window */
    double line_volts; /* to neutral, before the breaker: where a panel's meter taps them */
    double volts;      /* the same behind it */
    struct trip_heat heat;
};

struct breaker {
    struct trip_unit unit;
    bool closed;
    bool tripped; /* and not yet at OFF */
    bool live;    /* closed, and volts before it */
    bool unfed;   /* closed, and no volts before it */
    bool shorted; /* by an appliance, in this step */
    double opened_at;
    double reset_at;     /* INFINITY: nobody comes */
    double faulty_until; /* a script's short circuit */
    double dead_since;
};

struct panel {
    struct house_leg legs[SITE_MAX_LEGS];
    struct house_supply supply; /* of a panel fed by the utility */
};

struct house {
    const struct site *site;
    const struct house_spec *spec;
    house_sink *sink;
    void *context;
    struct chance chance;
    double start_second;
    int64_t now_ms;
    bool quiet; /* warming up */
    struct house_load *loads;
    struct breaker *breakers;
    struct pole *poles;
    struct panel *panels;
    int *order;                                 /* panels, those deepest in first */
    struct house_script hands[HOUSE_MAX_HANDS]; /* to be done in the next step */
    size_t hand_count;
    size_t script_next;
    double script_offset;
    double emf_wander; /* slow swing of the utility's volts, share of nominal */
    double air_wander; /* celsius */
    double outage_until, neutral_until;
    bool outage, neutral_lost;
};

/* house.c */
double house_seconds(const struct house *h);
int house_hour(const struct house *h); /* local */
void house_tell(struct house *h, enum house_note_kind kind, int circuit, int load, double amps,
                double seconds);
void house_open_breaker(struct house *h, size_t circuit, enum house_note_kind why);

/* house_current.c: the parts of one step, in their order */
void house_feed_volts(struct house *h);   /* from the utility outwards */
void house_run_loads(struct house *h);    /* what they draw at those volts */
void house_sum_currents(struct house *h); /* inwards, through the feeders */
void house_heat_breakers(struct house *h, double celsius);

double house_hotter_pole(const struct house *h, size_t circuit);
struct pole *house_pole_of(const struct house *h, const struct site_circuit *c, int pole);

#endif
