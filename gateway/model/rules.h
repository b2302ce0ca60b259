/*
 * rules - the local thresholds, one typed table.
 *
 * Every threshold is a row: name, where it lives, default, range, unit, help. The parser, the
 * check, `foretrip check` and the manual are made from the table; adding a rule is adding a
 * member and a row. rules.cfg gives them site-wide, per panel and per circuit; the narrower
 * wins, and what comes out is one struct per circuit and one per panel.
 *
 * Units are in the names. Percentages are of the breaker's rating unless the name says
 * otherwise.
 */
#ifndef FORETRIP_RULES_H
#define FORETRIP_RULES_H

#include "site.h"

struct rules {
    /* near_overload: raised on the chance that the breaker opens soon */
    double near_overload_chance;       /* raise at this chance within the horizon */
    double near_overload_clear_chance; /* return below this: the deadband */
    double near_overload_horizon_seconds;
    double near_overload_on_seconds;  /* on-delay */
    double near_overload_off_seconds; /* off-delay */
    /* continuous_load: NEC 210.20(A), 215.3 */
    double continuous_percent;
    double continuous_hours;
    double continuous_deadband_percent;
    double gone_seconds;
    /* feeder_overload and leg_imbalance */
    double feeder_percent;
    double imbalance_percent; /* of the mean of the legs, above imbalance_min_percent of the
                                 rating */
    double imbalance_min_percent;
    double imbalance_seconds;
    double imbalance_deadband_percent;
    /* shared_neutral: of the smallest breaker of the group */
    double neutral_percent;
    double neutral_seconds;
    double neutral_deadband_percent;
    /* permissible_load: NEC 210.23, one load of a circuit that serves others too */
    double cord_percent;     /* plugged in */
    double fastened_percent; /* fastened in place */
    double permissible_seconds;
    double permissible_gone_hours;
    /* supply_voltage: ANSI C84.1 or EN 50160, percent of nominal */
    double volts_low_percent;
    double volts_high_percent;
    double volts_seconds;
    double volts_deadband_percent;
    double neutral_ohms; /* open_neutral by load steps */
    double open_neutral_seconds;
    double did_not_open_seconds;
    /* sensors and meters */
    double mismatch_percent; /* feeder against the sum of its branches */
    double mismatch_amps;
    double mismatch_seconds;
    double mismatch_deadband_percent;
    double meter_lost_seconds;
    /* trips */
    double zero_amps;             /* below this a circuit carries nothing */
    double trip_probability;      /* an alarm is raised from this on, ... */
    double trip_sure_probability; /* ... at once from this on, ... */
    double
        trip_on_seconds;  /* ... below when it has stood this long, nearly sure at most 60 s */
    double worn_share;    /* prior share of breakers outside the standard's band */
    double again_seconds; /* opened within this time of a reset: opened_again */
    /* service calls */
    double call_wait_seconds, call_pause_seconds;
    double call_occupant_resets; /* 0 or 1 */
    double ambient_celsius; /* at the breakers, where no sensor tells; 0 means "as rated" */
};

struct rules_row {
    const char *name;
    size_t offset;
    double fallback; /* the default */
    double least, most;
    const char *unit;
    const char *help;
};

extern const struct rules_row rules_table[];
extern const size_t rules_table_count;

struct rules_set {
    struct rules site;
    struct rules *panels;   /* one a panel of the site */
    struct rules *circuits; /* one a circuit */
};

struct rules rules_defaults(enum site_standard standard);
/* Row by name, NULL when there is none. */
const struct rules_row *rules_find(const char *name);
double *rules_at(struct rules *r, const struct rules_row *row);

/* Everything at its default. False when memory is short. */
bool rules_set_init(struct rules_set *set, const struct site *s);
void rules_set_free(struct rules_set *set);

#endif
