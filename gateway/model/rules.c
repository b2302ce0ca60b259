#include "rules.h"

#include <stdlib.h>
#include <string.h>

#define ROW(member, fallback, least, most, unit, help)                                         \
    {                                                                                          \
#member, offsetof(struct rules, member), fallback, least, most, unit, help             \
    }

const struct rules_row rules_table[] = {
    ROW(near_overload_chance, 0.15, 0.01, 0.99, "",
        "chance of opening within the horizon that raises the warning"),
    ROW(near_overload_clear_chance, 0.03, 0.0, 0.99, "",
        "the warning returns below this chance"),
    ROW(near_overload_horizon_seconds, 900, 30, 7200, "s", "how far the warning looks ahead"),
    ROW(near_overload_on_seconds, 5, 0, 600, "s",
        "the chance must stand this long before the warning; less where it may open within a "
        "minute"),
    ROW(near_overload_off_seconds, 1200, 0, 3600, "s",
        "and be gone this long before it returns; an alert, two and a half times as long"),
    ROW(continuous_percent, 80, 10, 100, "%", "continuous load allowed on the breaker"),
    ROW(continuous_hours, 3, 0.1, 24, "h", "a load is continuous from this time on"),
    ROW(continuous_deadband_percent, 5, 0, 50, "%",
        "the alarm returns this far below the limit"),
    ROW(gone_seconds, 60, 1, 86400, "s",
        "how long a condition must be gone where nothing else is said"),
    ROW(feeder_percent, 80, 10, 125, "%", "continuous load allowed on a feeder or main"),
    ROW(imbalance_percent, 50, 5, 300, "%", "how far a leg may lie off the mean of the legs"),
    ROW(imbalance_min_percent, 25, 1, 100, "%",
        "only when a leg carries more than this of the rating"),
    ROW(imbalance_seconds, 1800, 10, 86400, "s", "and for this long"),
    ROW(imbalance_deadband_percent, 5, 0, 100, "%", "and returns this far below"),
    ROW(neutral_percent, 100, 10, 200, "%",
        "current in a neutral that circuits share, of the smallest of their breakers"),
    ROW(neutral_seconds, 60, 1, 3600, "s", "and for this long"),
    ROW(neutral_deadband_percent, 5, 0, 50, "%", "and returns this far below"),
    ROW(cord_percent, 80, 10, 100, "%",
        "largest plugged-in load of a circuit with several outlets"),
    ROW(fastened_percent, 50, 10, 100, "%", "largest load fastened in place there"),
    ROW(permissible_seconds, 60, 5, 3600, "s", "how long such a load must run"),
    ROW(permissible_gone_hours, 24, 0, 720, "h",
        "how long it must be gone: the same kettle every morning is one alarm"),
    ROW(volts_low_percent, 95, 50, 100, "%", "lowest supply voltage, of nominal"),
    ROW(volts_high_percent, 105, 100, 150, "%", "highest supply voltage, of nominal"),
    ROW(volts_seconds, 60, 1, 86400, "s", "how long the voltage must be outside"),
    ROW(volts_deadband_percent, 0.5, 0, 10, "%", "and returns this far inside"),
    ROW(neutral_ohms, 0.25, 0.05, 5, "ohm",
        "resistance of the neutral, found from load steps, that is a hazard"),
    ROW(open_neutral_seconds, 5, 0, 600, "s", "how long its signs must stand"),
    ROW(did_not_open_seconds, 10, 0, 600, "s", "how long a breaker must be overdue"),
    ROW(mismatch_percent, 10, 1, 100, "%",
        "feeder against the sum of its branches, of the feeder"),
    ROW(mismatch_amps, 2, 0.1, 100, "A", "and at least this much"),
    ROW(mismatch_seconds, 300, 5, 86400, "s", "and for this long"),
    ROW(mismatch_deadband_percent, 2, 0, 50, "%", "and returns this far below"),
    ROW(meter_lost_seconds, 30, 2, 86400, "s", "no reading of a meter for this long"),
    ROW(zero_amps, 0.05, 0.001, 1.0, "A", "below this a circuit carries nothing"),
    ROW(trip_probability, 0.5, 0.05, 0.99, "", "a trip is announced from this probability on"),
    ROW(trip_sure_probability, 0.95, 0.05, 0.99, "",
        "from this probability on its alarm comes at once; by heat from 0.8 on"),
    ROW(trip_on_seconds, 300, 0, 3600, "s",
        "and below when it has stood this long, from 0.9 on and by heat at most 60 s; on an "
        "essential circuit at once"),
    ROW(worn_share, 0.08, 0.0, 0.5, "",
        "prior share of breakers outside their standard's band"),
    ROW(again_seconds, 30, 1, 600, "s", "opening within this time of a reset is opening again"),
    ROW(call_wait_seconds, 300, 5, 86400, "s",
        "a service call that nobody has answered for this long is said to wait"),
    ROW(call_pause_seconds, 1800, 10, 86400, "s",
        "and after this long its cautions are asked anew"),
    ROW(call_occupant_resets, 1, 0, 1, "",
        "1: an adult who lives there may reset; 0: only unplug, and call (rentals)"),
    ROW(ambient_celsius, 0, -40, 80, "C",
        "air around the breakers, 0 for the breaker's own reference"),
};
const size_t rules_table_count = sizeof rules_table / sizeof rules_table[0];

double *rules_at(struct rules *r, const struct rules_row *row)
{
    return (double *)(void *)((char *)r + row->offset);
}

const struct rules_row *rules_find(const char *name)
{
    for (size_t i = 0; i < rules_table_count; i++)
        if (strcmp(rules_table[i].name, name) == 0)
            return &rules_table[i];
    return NULL;
}

struct rules rules_defaults(enum site_standard standard)
{
    struct rules r;
    for (size_t i = 0; i < rules_table_count; i++)
        *rules_at(&r, &rules_table[i]) = rules_table[i].fallback;
    if (standard == SITE_IEC60898) { /* EN 50160: +-10 % of nominal */
        r.volts_low_percent = 90.0;
        r.volts_high_percent = 110.0;
    }
    return r;
}

bool rules_set_init(struct rules_set *set, const struct site *s)
{
    set->site = rules_defaults(s->standard);
    set->panels = malloc((s->panel_count ? s->panel_count : 1) * sizeof *set->panels);
    set->circuits = malloc((s->circuit_count ? s->circuit_count : 1) * sizeof *set->circuits);
    if (!set->panels || !set->circuits) {
        rules_set_free(set);
        return false;
    }
    for (size_t i = 0; i < s->panel_count; i++)
        set->panels[i] = set->site;
    for (size_t i = 0; i < s->circuit_count; i++)
        set->circuits[i] = set->site;
    return true;
}

void rules_set_free(struct rules_set *set)
{
    free(set->panels);
    free(set->circuits);
    *set = (struct rules_set){0};
}
