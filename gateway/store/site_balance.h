/*
 * site_balance - the plan of analysis/balance.h for each panel, from the quarters of the
 * record, and what it would have changed in them.
 *
 * Ownership  create .. free
 */
#ifndef FORETRIP_STORE_SITE_BALANCE_H
#define FORETRIP_STORE_SITE_BALANCE_H

#include "history.h"

#include "analysis/balance.h"
#include "model/rules.h"

struct panel_balance {
    int panel;
    size_t quarters, movable;
    struct balance_plan plan;
    double worse_before_amps, worse_after_amps; /* highest quarter of the worse leg */
    int uneven_before, uneven_after;            /* quarters past the rule of leg_imbalance */
};

/* One for each panel of two legs and more of which something is measured; *count of them. NULL
 * with *err set, or *err STORE_OK where there is none. */
struct panel_balance *site_balance_create(const struct site *s, const struct rules_set *rules,
                                          struct store_reader *r, int64_t from_wall_ms,
                                          int64_t to_wall_ms, size_t *count,
                                          enum store_err *err);

#endif
