#include "coverage.h"

#include <stdlib.h>
#include <string.h>

bool coverage_has(const struct coverage *c, int64_t number)
{
    for (size_t i = 0; i < c->count; i++)
        if (number > c->gaps[i].after && number <= c->gaps[i].to)
            return false;
    return number <= c->have;
}

/* what is left of the gap on the side below or above what came */
static void keep(struct coverage_gap *out, size_t *n, struct coverage_gap g, int64_t after,
                 int64_t to)
{
    if (after >= to)
        return;
    g.after = after;
    g.to = to;
    out[(*n)++] = g;
}

bool coverage_add(struct coverage *c, int64_t after, int64_t to, int64_t wall_ms)
{
    /* each gap may fall in two, and one may be new */
    struct coverage_gap *left = malloc((2 * c->count + 1) * sizeof *left);
    size_t n = 0;
    if (!left)
        return false;
    for (size_t i = 0; i < c->count; i++) {
        struct coverage_gap g = c->gaps[i];
        keep(left, &n, g, g.after, g.to < after ? g.to : after);
        keep(left, &n, g, g.after > to ? g.after : to, g.to);
    }
    if (after > c->have)
        keep(left, &n, (struct coverage_gap){.seen_ms = wall_ms}, c->have, after);
    if (n > COVERAGE_MOST_GAPS) {
        free(left);
        return false;
    }
    free(c->gaps);
    c->gaps = left;
    c->count = n;
    if (to > c->have)
        c->have = to;
    return true;
}

void coverage_free(struct coverage *c)
{
    free(c->gaps);
    *c = (struct coverage){0};
}
