/*
 * causes - why the circuit lost its supply, as probabilities over the contract's list.
 *
 * Every cause is a rate per second at the moment of the fall; their shares are the answer.
 * Overload and a worn breaker have the rate at which the breaker's heat would have opened it
 * just then; a fault comes at any time, and above all with a switch-on; a hand comes when
 * nothing was switched on just before. In a long gap of the readings a load may have come on
 * that opened it by heat: as often as such loads come on here. What takes several circuits at
 * once comes with its own probability (together.h).
 */
#ifndef FORETRIP_CAUSES_H
#define FORETRIP_CAUSES_H

#include "evidence.h"
#include "together.h"

struct cause_view {
    const struct fall_facts *facts;
    const struct falls *history;
    double lost_alone;      /* P(lost its supply | nothing took several at once) */
    double lost_per_second; /* without heat and switch-on: faults and hands */
    double hand_share;      /* of lost_per_second */
    struct scope_guess scope;
    double sensor_lost; /* P(the channel died alone) */
};

/* Fills causes[], which add up to one; returns the probability that the supply was lost. */
double causes_judge(const struct cause_view *v, double causes[CAUSE_COUNT]);

/* The likeliest; a lost supply's likeliest when lost is at least a half. */
enum trip_cause causes_likeliest(const double causes[CAUSE_COUNT], double lost);

/* P(the channel died while the circuit went on), from its feeder's reading: what the circuit
 * carried, and by how much the feeder fell in the same poll (NaN: nobody measures it). */
double causes_sensor_lost(double amps, double feeder_drop_amps, double feeder_noise_amps);

#endif
