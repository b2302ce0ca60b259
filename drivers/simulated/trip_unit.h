/*
 * trip_unit - the part of a simulated breaker that decides to open: a bimetal and a magnet.
 *
 * Not the gateway's model called again, so that the gateway is judged by something else. Two
 * bodies: the bimetal b, heated by its own current, gives its heat to its surroundings s (case,
 * terminals, neighbours), which give it to the air of the panel:
 *
 *     Tb db/dt = (1 - share) * (I / (m In))^2 - (b - s)
 *     Ts ds/dt = share / (1 - share) * (b - s) - (s - a)
 *
 * b = 1 opens. m In is the current it carries for ever at the reference ambient, share the part
 * of the rise that is the surroundings', a the ambient's distance from the reference in units
 * of the rise at which it opens. So it has a quick and a slow response, remembers hours, and
 * drifts with the weather, none of which a single time constant can follow exactly. Above
 * `magnetic` times In it opens within the half-wave.
 *
 * A sound breaker is drawn at random among those that keep the standard:
 *   UL 489 (limits as in docs/method: 100 % at 40 C holds; 135 % at 25 C opens within 1 h, 2 h
 * over 50 A; 200 % at 25 C within 2 min to 30 A, 4 to 50, 6 to 100, 8 to 150, 10 to 225) IEC
 * 60898-1, Table 7, at 30 C: 1.13 In holds for 1 h (2 h over 63 A), then 1.45 In opens within
 *     the same time; 2.55 In takes 1 s to 60 s (120 s over 32 A); B 3-5, C 5-10, D 10-20 In
 * magnetic trip_unit_keeps_standard checks it by simulating those tests, hot and cold.
 */
#ifndef FORETRIP_SIMULATED_TRIP_UNIT_H
#define FORETRIP_SIMULATED_TRIP_UNIT_H

#include "chance.h"
#include "model/site.h"

enum trip_unit_condition {
    TRIP_UNIT_SOUND,
    TRIP_UNIT_WORN,  /* opens at a current it must carry */
    TRIP_UNIT_STUCK, /* does not open by heat; the magnet still works */
};

struct trip_unit {
    double rating_amps;
    double hold;            /* m, at the reference ambient */
    double share;           /* of the surroundings, 0..1 */
    double bimetal_seconds; /* Tb */
    double around_seconds;  /* Ts */
    double rise_celsius;    /* of the bimetal above ambient when it opens */
    double reference_celsius;
    double magnetic; /* times In */
    bool stuck;
};

/* What heat it has; one a pole. Zeroed: as cold as the reference ambient. */
struct trip_heat {
    double bimetal, around;
};

enum trip_unit_verdict { TRIP_UNIT_HOLDS, TRIP_UNIT_HEAT, TRIP_UNIT_MAGNET };

/* type 'B', 'C', 'D' for IEC, anything else for UL. */
struct trip_unit trip_unit_draw(enum site_standard standard, double rating_amps, char type,
                                enum trip_unit_condition condition, struct chance *c);

/* seconds at most 1; heats *h and says whether the pole opens. */
enum trip_unit_verdict trip_unit_step(const struct trip_unit *u, struct trip_heat *h,
                                      double amps, double ambient_celsius, double seconds);

/* Seconds until it opens at a constant current from the given heat, `limit` when not before. */
double trip_unit_seconds(const struct trip_unit *u, struct trip_heat h, double amps,
                         double ambient_celsius, double limit);

bool trip_unit_keeps_standard(const struct trip_unit *u, enum site_standard standard);

#endif
