/*
 * step_sizes - by what sizes the current of one circuit steps from one reading to the next:
 * learned.
 *
 * A load that ends by itself takes away a step that has been seen before, here; a lost supply
 * takes away the sum of what runs, which seldom is such a step. The same holds for what comes
 * back. This knows nothing of loads, so it is right where their list is not.
 * What is old fades: half of it in sixty days.
 *
 * Units      amps RMS
 * Ownership  plain data, no pointers; all zero is the right beginning
 */
#ifndef FORETRIP_STEP_SIZES_H
#define FORETRIP_STEP_SIZES_H

#include "base/codec.h"

#include <stdbool.h>

#define STEP_SIZES_LEAST_AMPS 0.08 /* below it lies the wandering of what runs */
#define STEP_SIZES_BINS 328        /* thirty-two an octave, to 100 A */

struct step_sizes {
    float down[STEP_SIZES_BINS], up[STEP_SIZES_BINS]; /* steps seen */
};

/* A step was seen, and was one by itself with the probability `weight`. */
void step_sizes_down(struct step_sizes *s, double amps, double weight);
void step_sizes_up(struct step_sizes *s, double amps, double weight);

/* How many steps of that size were seen, those next to it counting less. */
double step_sizes_downs_like(const struct step_sizes *s, double amps);
double step_sizes_ups_like(const struct step_sizes *s, double amps);

/* Everything times that. */
void step_sizes_fade(struct step_sizes *s, float share);

void step_sizes_save(const struct step_sizes *s, struct codec_out *out);
/* False leaves *s all zero. */
bool step_sizes_load(struct step_sizes *s, struct codec_in *in);

#endif
