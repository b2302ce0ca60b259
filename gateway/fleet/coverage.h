/*
 * coverage - which numbers of one site's stream are here: all up to `have`, less the gaps.
 *
 * Plain data, no I/O. A gap is the numbers above after up to and including to.
 */
#ifndef FORETRIP_FLEET_COVERAGE_H
#define FORETRIP_FLEET_COVERAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define COVERAGE_MOST_GAPS 256

struct coverage_gap {
    int64_t after, to;
    int64_t seen_ms, asked_ms, asked; /* when it was seen, and asked for how often */
};

struct coverage {
    int64_t have;
    struct coverage_gap *gaps; /* by after, none touching another; malloc'ed */
    size_t count;
};

bool coverage_has(const struct coverage *c, int64_t number);

/* The numbers above after up to to are here now; what lies between have and after, if
 * anything, is a gap seen at wall_ms. False, and nothing changed, when memory is short or there
 * would be more gaps than COVERAGE_MOST_GAPS. */
bool coverage_add(struct coverage *c, int64_t after, int64_t to, int64_t wall_ms);

void coverage_free(struct coverage *c);

#endif
