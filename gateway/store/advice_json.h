/*
 * advice_json - advice and plans for the legs as JSON, and as sentences, for the tool and the
 * page.
 *
 *     {"site":"maple-12","from":...,"to":...,"caution":"...",
 *      "advice":[{"kind":"move","circuit":"main-07","to":"main-11",
 *                 "load":{"appliance":"unknown","by_name":false,"least_amps":7.6,"most_amps":9.3,"usual_amps":8.4,
 *                         "runs":12},
 *                 "trips":{"before":5,"avoided":4,"added":0.01},
 *                 "warnings":{"before":7,"after":1},"to_warnings":{"before":0,"after":0},
 *                 "avoided":["main-07-20260101T061502Z"],"too_large":false,"worn_chance":null,
 *                 "text":"..."}],
 *      "balance":[{"panel":"main","proven":true,"quarters":2976,"movable":12,
 *                  "neutral_before_amps":14.2,"neutral_after_amps":6.1,"worse_before_amps":..,
 *                  "worse_after_amps":..,"uneven_before":210,"uneven_after":12,
 *                  "moves":[{"circuit":"main-07","from":"A","to":"B"}],"text":"..."}]}
 */
#ifndef FORETRIP_STORE_ADVICE_JSON_H
#define FORETRIP_STORE_ADVICE_JSON_H

#include "site_balance.h"

#include "analysis/advice.h"
#include "base/text.h"

#include <jansson.h>

/* A new reference; NULL when memory is short. */
json_t *advice_json(const struct site *s, const struct advice *advice, size_t count,
                    const struct panel_balance *balance, size_t balance_count,
                    int64_t from_wall_ms, int64_t to_wall_ms);

/* One advice, one plan, as a paragraph. */
void advice_say(const struct site *s, const struct advice *a, struct text *out);
void advice_say_balance(const struct site *s, const struct panel_balance *b, struct text *out);

extern const char advice_caution[];

#endif
