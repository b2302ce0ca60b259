#include "house_supply.h"

#include <complex.h>
#include <math.h>

void house_supply_solve(const struct house_supply *s, double emf, struct house_leg *legs)
{
    double turn = 2.0 * 3.14159265358979323846 / s->legs;
    double complex sum = 0.0, ends[SITE_MAX_LEGS];
    double conductance[SITE_MAX_LEGS]; /* of a leg's loads with its conductor in series */
    double total = 1.0 / s->neutral_ohms;

    for (int k = 0; k < s->legs; k++) {
        double g = legs[k].volts > 1.0 ? legs[k].neutral_amps / legs[k].volts : 0.0;
        double e = fmax(0.0, emf - s->source_ohms * legs[k].across_amps);
        conductance[k] = g / (1.0 + s->source_ohms * g);
        ends[k] = e * (cos(turn * k) + sin(turn * k) * I);
        sum += conductance[k] * ends[k];
        total += conductance[k];
    }
    double complex star = sum / total;
    for (int k = 0; k < s->legs; k++) /* the part of it that is not lost on the conductor */
        legs[k].volts = cabs(ends[k] - star) * (1.0 - conductance[k] * s->source_ohms);
}
