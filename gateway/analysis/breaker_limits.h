/*
 * breaker_limits - what the published standards demand of a new breaker, as data.
 *
 * Sources    UL 489: 100 % calibration (holds, 40 C), 135 % (opens within 1 h up to 50 A, 2 h
 *            above, 25 C), 200 % (opens within the time of its rating band, 25 C). IEC 60898-1
 *            Table 7: 1.13 In (holds for the conventional time), 1.45 In (opens within it),
 *            2.55 In (opens between 1 s and 60 s up to 32 A, 120 s above), all at 30 C;
 *            instantaneous B 3..5, C 5..10, D 10..20 In. docs/method/breaker.md says which
 * cells were confirmed by published pages and which are from memory. Units      currents as
 * multiples of the rating, seconds, degrees Celsius
 */
#ifndef FORETRIP_BREAKER_LIMITS_H
#define FORETRIP_BREAKER_LIMITS_H

#include "model/site.h"

struct breaker_limits {
    double hold;                        /* carried for ever */
    double hold_celsius;                /* in this ambient: the breaker's reference */
    double open;                        /* opens at this ... */
    double open_seconds;                /* ... within this time ... */
    double open_celsius;                /* ... in this ambient */
    double quick;                       /* and at this from cold ... */
    double quick_least_seconds;         /* ... not before; 0: the standard names none */
    double quick_most_seconds;          /* ... and not later */
    double instant_least, instant_most; /* magnetic range; 0: the standard names none */
    double per_celsius; /* share by which the rating changes per degree above hold_celsius */
};

/* type: 'B', 'C', 'D' for IEC 60898-1; anything else there is taken as 'C'. rating_amps > 0. */
struct breaker_limits breaker_limits_of(enum site_standard standard, double rating_amps,
                                        char type);

/* Factor on the rating in an ambient, 1 at the reference; NaN (unknown) gives 1. */
double breaker_limits_ambient(const struct breaker_limits *l, double celsius);

/* The longest time a breaker within the standard carries this multiple of its rating, from
 * cold: INFINITY below `open`. Between the standard's rows the row below counts. */
double breaker_limits_longest_seconds(const struct breaker_limits *l, double multiple);

#endif
