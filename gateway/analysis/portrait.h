/*
 * portrait - what a circuit looks like over its days, taken whole.
 *
 * A single run of a washing machine may be anything; a day of it is not. While the circuit is
 * watched, the time at each level of power and the runs that are over are summed up: how large,
 * how long, how often, how regular, at night, with what inrush and ripple. From a day on
 * (PORTRAIT_LEAST_SECONDS) the sums fade, so that they speak of the last few.
 *
 * The judge asks the trees of the signatures (signature_forest) what such a day is: one
 * appliance, or several. Of a group the sum counts, as with runs. See
 * docs/method/appliances.md for the figures.
 *
 * Units      watts of a 230 V appliance (appliances_volts), seconds, wall ms
 * Ownership  plain data, no pointers; zeroed is the right beginning
 * Cost       an addition a run or a level; judging, some forty descents
 */
#ifndef FORETRIP_PORTRAIT_H
#define FORETRIP_PORTRAIT_H

#include "appliances.h"

#define PORTRAIT_LEVELS 48  /* thirds of an octave, from 1 W */
#define PORTRAIT_SHAPES 7   /* inrush, rise, fade, spread, changes, pulses, ripple */
#define PORTRAIT_QUARTERS 4 /* of the day */
#define PORTRAIT_LEAST_SECONDS 72000.0F /* before it is judged */

struct portrait_sum {
    float weight, x, xx;
};

struct portrait {
    float seconds;                    /* watched; this and all the sums fade together */
    float level[PORTRAIT_LEVELS];     /* seconds */
    float energy, wander;             /* watt-seconds; watts */
    float quarter[PORTRAIT_QUARTERS]; /* watt-seconds from midnight, six, noon, eighteen on */
    float up_seconds, quiet_seconds;  /* something was on; and the readings rested */
    struct portrait_sum flutter, unrest;
    float rises, from_low; /* watts of steps to twice as much, and of those from what was on */
    float falls, to_low;   /* of steps to half and less, and of those that left something on */
    float rest_watts;      /* in the last quiet spell, 0: it is over */
    float runs, on_seconds, night, evening;
    struct portrait_sum watts_by_charge, watts_by_run, seconds_by_run, seconds_by_time, gap;
    struct portrait_sum shape[PORTRAIT_SHAPES];
    float unfaded;        /* seconds since they faded last */
    int64_t last_wall_ms; /* beginning of the last run, 0: none */
};

/* The circuit drew that for so many seconds, at that local hour. */
void portrait_level(struct portrait *p, float watts, float seconds, int hour);

/* Its readings rested for so many seconds, at that mean and mean absolute deviation. */
void portrait_rest(struct portrait *p, float watts, float deviation, float seconds);

/* They rest no more. */
void portrait_stir(struct portrait *p);

/* Its level stepped from so many watts to so many; peak: it came back to them from there. */
void portrait_step(struct portrait *p, float before, float after, float peak);

/* A run is over; x: its features (appliances_features). */
void portrait_run(struct portrait *p, const float x[SIGNATURE_FEATURES], int64_t began_wall_ms,
                  int32_t utc_offset_seconds);

/* NaN where nothing is known. */
void portrait_day(const struct portrait *p, float day[SIGNATURE_DAY]);

enum portrait_kind {
    PORTRAIT_EARLY, /* not watched for long enough, or the signatures hold no trees */
    PORTRAIT_ONE,   /* one appliance: signature */
    PORTRAIT_SEVERAL,
    PORTRAIT_UNKNOWN, /* like none of them, or like several alike */
};

struct portrait_guess {
    enum portrait_kind kind;
    const struct signature
        *signature;    /* the likeliest single one, also when it is not sure enough */
    float probability; /* of that; for several: of several */
};

struct portrait_guess portrait_judge(const struct signature_set *set,
                                     const float day[SIGNATURE_DAY]);

#endif
