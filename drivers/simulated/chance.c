#include "chance.h"

#include <math.h>

static uint64_t next(struct chance *c)
{
    uint64_t z = c->state += 0x9E3779B97F4A7C15U;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9U;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBU;
    return z ^ (z >> 31);
}

/* [0, 1) */
static double unit(struct chance *c)
{
    return (double)(next(c) >> 11) * 0x1p-53;
}

struct chance chance_seed(uint64_t seed, const char *name)
{
    uint64_t h = 0xCBF29CE484222325U; /* FNV-1a over the name */
    for (; *name; name++)
        h = (h ^ (uint8_t)*name) * 0x100000001B3U;
    struct chance c = {seed};
    c.state = next(&c) ^ h;
    return c;
}

double chance_between(struct chance *c, double least, double most)
{
    return least + (most - least) * unit(c);
}

double chance_normal(struct chance *c, double mean, double deviation)
{
    double u = 1.0 - unit(c), v = unit(c); /* Box and Muller 1958; u is never 0 */
    double z = sqrt(-2.0 * log(u)) * cos(2.0 * 3.14159265358979323846 * v);
    return mean + deviation * fmax(-4.0, fmin(4.0, z));
}

bool chance_happens(struct chance *c, double probability)
{
    return unit(c) < probability;
}
