#include "ratings.h"

static const double nec[] = {10,   15,   20,   25,   30,   35,   40,   45,  50,  60,
                             70,   80,   90,   100,  110,  125,  150,  175, 200, 225,
                             250,  300,  350,  400,  450,  500,  600,  700, 800, 1000,
                             1200, 1600, 2000, 2500, 3000, 4000, 5000, 6000};
static const double iec[] = {6, 8, 10, 13, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125};

#define LENGTH(a) (sizeof(a) / sizeof(a)[0])

static const double *list(enum site_standard standard, size_t *count)
{
    *count = standard == SITE_UL489 ? LENGTH(nec) : LENGTH(iec);
    return standard == SITE_UL489 ? nec : iec;
}

bool rating_is_standard(enum site_standard standard, double amps)
{
    double below, above;
    rating_neighbours(standard, amps, &below, &above);
    return below == amps || above == amps;
}

void rating_neighbours(enum site_standard standard, double amps, double *below, double *above)
{
    size_t count;
    const double *ratings = list(standard, &count);
    *below = ratings[0];
    *above = ratings[count - 1];
    for (size_t i = 0; i < count; i++)
        if (ratings[i] <= amps)
            *below = ratings[i];
    for (size_t i = count; i-- > 0;)
        if (ratings[i] >= amps)
            *above = ratings[i];
}

const char *rating_source(enum site_standard standard)
{
    return standard == SITE_UL489 ? "NEC 240.6(A)" : "IEC 60898-1";
}
