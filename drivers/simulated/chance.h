/*
 * chance - the simulated house's dice: seeded, so that the same seed gives the same house.
 *
 * Each part of the house (a breaker, a load, the supply) owns one, seeded from the house's seed
 * and its own name; so one load more in the file does not change what the others do. Generator:
 * SplitMix64 (Steele, Lea, Flood, OOPSLA 2014), which is enough for a simulation.
 */
#ifndef FORETRIP_SIMULATED_CHANCE_H
#define FORETRIP_SIMULATED_CHANCE_H

#include <stdbool.h>
#include <stdint.h>

struct chance {
    uint64_t state;
};

struct chance chance_seed(uint64_t seed, const char *name);
double chance_between(struct chance *c, double least, double most);
/* Normal, clamped to four standard deviations. */
double chance_normal(struct chance *c, double mean, double deviation);
bool chance_happens(struct chance *c, double probability);

#endif
