/*
 * site_demand - the 15-minute demand of every panel and circuit of a site, out of the record.
 *
 * From the summaries of minutes. A panel's demand is that of the breaker that feeds it where
 * that is measured, else the sum of its circuits, leg by leg: amps are added as they are, which
 * is never less than what flows. A panel with a circuit that nothing measures is not whole.
 *
 * Cost       a year of 42 poles: docs/method/load_study.md
 * Ownership  create .. destroy
 */
#ifndef FORETRIP_STORE_SITE_DEMAND_H
#define FORETRIP_STORE_SITE_DEMAND_H

#include "history.h"

#include "analysis/study.h"

struct site_demand {
    struct study_record *circuits; /* by the site's order; legs: the breaker's poles */
    struct study_record *panels;
    int64_t from_wall_ms, to_wall_ms; /* what was looked at */
};

/* NULL when memory is short or, with *err set, when the record cannot be read. */
struct site_demand *site_demand_create(const struct site *s, struct store_reader *r,
                                       int64_t from_wall_ms, int64_t to_wall_ms,
                                       enum store_err *err);
void site_demand_destroy(struct site_demand *d);

#endif
