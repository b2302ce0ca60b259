/*
 * ratings - the standard ampere ratings of breakers.
 *
 * UL489      NEC 240.6(A), with the 10 A that the 2023 edition added
 * IEC60898   the preferred values of IEC 60898-1, 6 to 125 A
 */
#ifndef FORETRIP_CONFIG_RATINGS_H
#define FORETRIP_CONFIG_RATINGS_H

#include "model/site.h"

bool rating_is_standard(enum site_standard standard, double amps);

/* The standard ratings next below and above; equal to each other beyond the ends of the list.
 */
void rating_neighbours(enum site_standard standard, double amps, double *below, double *above);

/* "NEC 240.6(A)" or "IEC 60898-1", static storage. */
const char *rating_source(enum site_standard standard);

#endif
