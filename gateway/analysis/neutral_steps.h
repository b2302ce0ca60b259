/*
 * neutral_steps - the resistance of a split-phase panel's neutral, from how the legs' voltages
 * answer to load steps.
 *
 *        line A --Rh--+-- V1 --+        a step dI on leg A alone:
 *                              |           dV1 = -dI (Rh + Rn)
 *        neutral --Rn---------+            dV2 = +dI Rn
 *                              |        sound: Rn about Rh; loose or corroded: Rn >> Rh, the
 *        line B --Rh--+-- V2 --+        other leg rises almost as much as the loaded one falls
 *
 * A step counts when one leg changes by NEUTRAL_STEP_AMPS or more within two seconds, the other
 * stays, and both are steady before and after. Rn and Rh are least squares over the steps, the
 * newest thirty or so weighing most; with them an error from what the steps leave unexplained.
 * Loads that no transformer measures make noise and no bias.
 *
 * Source     Kirchhoff, worked out here; no threshold was found published. NEUTRAL_STEPS_LEAST
 *            and the ratio are our own, on the side of silence: the alarm is urgent
 * Units      amps and volts RMS, ohms
 * Ownership  plain data, zeroed is the right beginning
 */
#ifndef FORETRIP_NEUTRAL_STEPS_H
#define FORETRIP_NEUTRAL_STEPS_H

#include <stdbool.h>
#include <stdint.h>

#define NEUTRAL_STEP_AMPS 4.0
#define NEUTRAL_STEPS_LEAST 6 /* steps, before anything is said */
#define NEUTRAL_RATIO 3.0     /* times the line's resistance, at least */

#define NEUTRAL_KEPT 5 /* readings a second apart */

struct neutral_steps {
    struct {
        int64_t ms;
        double amps[2], volts[2];
    } at[NEUTRAL_KEPT]; /* oldest first */
    int kept;
    double steps, squares; /* how many, sum of dI^2; fading */
    double own, other;     /* sums of dI dV of the leg that stepped and of the other */
    double other_squares;  /* sum of dV^2 of the other */
};

struct neutral_ohms {
    double steps;
    double neutral, line; /* Rn, Rh */
    double error;         /* standard error of Rn */
};

/* Readings of one moment, about a second after the last; NaN where one is not known. */
void neutral_steps_take(struct neutral_steps *s, int64_t mono_ms, const double amps[2],
                        const double volts[2]);

struct neutral_ohms neutral_steps_ohms(const struct neutral_steps *s);

/* A neutral of limit_ohms or more, surely, and many times its line. */
bool neutral_steps_loose(const struct neutral_ohms *o, double limit_ohms);

#endif
