/*
 * house_load - one appliance of the simulated house: what it draws and when.
 *
 * An appliance is in use always, or when somebody starts it (by the hour of the day, or by the
 * script). While in use a thermostat may cycle it, and work may load it in bursts (a saw idles,
 * a cut takes it to full power). Each switching-on has its inrush, decaying exponentially; each
 * run its own size within `spread`. Ranges of watts, power factor, inrush and cycles in our own
 * files are those that docs/method names for the usual appliances.
 *
 * Pure: house time in seconds comes in. Units: watts at nominal volts, seconds of house time.
 */
#ifndef FORETRIP_SIMULATED_HOUSE_LOAD_H
#define FORETRIP_SIMULATED_HOUSE_LOAD_H

#include "chance.h"
#include "model/site.h"
#include "trace.h"

struct house_range {
    double least, most; /* seconds; most 0: there is none */
};

#define HOUSE_ALL_POLES (-1)

struct house_load_spec {
    char id[SITE_ID_SIZE];
    char name[SITE_NAME_SIZE]; /* "portable heater" */
    int circuit;
    int pole; /* of a circuit with several: line to neutral on that pole, 0-based, or
                 HOUSE_ALL_POLES: across them */
    double watts;
    double power_factor;    /* 0.05..1 */
    double volts_exponent;  /* watts go with (volts / nominal) to this power: 2 a heater, 0 a
                               switched supply, about 1 a motor */
    double inrush;          /* times the running current at the first moment, 1: none */
    double inrush_seconds;  /* decay */
    double spread;          /* standard deviation from run to run, share of watts */
    double noise;           /* the same from moment to moment */
    bool always;            /* in use day and night */
    bool attended;          /* its user notices a dead circuit and switches it off */
    double starts_per_day;  /* by hand */
    uint32_t hours;         /* bit n: started in the hour from n:00 */
    struct house_range run; /* how long a start lasts */
    struct house_range cycle_on, cycle_off; /* thermostat */
    struct house_range work_low, work_high; /* bursts */
    double work_share;                      /* of watts between the bursts */
    double fault_chance;                    /* that switching it on is a short circuit */
    int with;                               /* index of the load it starts and stops with, -1 */
    double runs_on_seconds;                 /* after that one has stopped */
    const struct trace *trace; /* recorded watts instead of all of this, NULL: none. Borrowed */
    double trace_second;       /* of its day, at house time 0 */
};

struct house_load {
    const struct house_load_spec *spec; /* borrowed */
    struct chance chance;
    bool in_use;
    double until; /* when its use ends */
    bool calling; /* the thermostat asks for it */
    double call_until;
    bool working; /* inside a burst */
    double work_until;
    double run_watts; /* size of this run */
    bool drawing;     /* energised at the last step */
    double since;     /* it draws */
    bool shorted;
    bool unplugged;
    bool broken; /* shorted whenever it is on */
};

void house_load_init(struct house_load *l, const struct house_load_spec *spec, uint64_t seed);

/* seconds <= 0: drawn from the spec. Starting what is in use prolongs it. */
void house_load_start(struct house_load *l, double now, double seconds);
void house_load_stop(struct house_load *l);

/* One step from now on: people's starts, the thermostat, the work. hour 0..23, local. */
void house_load_live(struct house_load *l, double now, double seconds, int hour);

/* Whether it closes the circuit, were there volts. */
bool house_load_wanted(const struct house_load *l);

/* Watts at nominal volts in the middle of the step, with inrush and noise. l->drawing must be
 * true. */
double house_load_watts(struct house_load *l, double now, double seconds);

#endif
