#include "causes.h"

#include <math.h>
#include <string.h>

#define SENSOR_LOST_SHARE 0.001 /* of falls, before the feeder is asked */
#define SENSOR_LOG_RATIO_MOST 12.0
#define HEAT_IN_A_SURGE 0.1 /* what warms takes seconds, the magnet none: common practice */
/* What came on and opened it in a long gap. Of its load and what comes on together, with the
 * least current that the breaker must carry for ever: */
#define UNSEEN_OVERLOAD 1.3 /* so much opens a sound breaker within minutes, */
#define UNSEEN_WORN 0.6     /* and so much may open a worn one; */
#define UNSEEN_OPENS 0.3    /* so many do */
#define UNSEEN_LEAST_AMPS 1.0
#define HAND_AFTER_SWITCH_ON 0.05 /* somebody who opens a breaker just after a switch-on */

/* How often a day a load comes on here with which the breaker carries so much of what it must
 * hold. */
static double brings_it_to(const struct cause_view *v, double share_of_hold)
{
    const struct fall_facts *f = v->facts;
    double amps = share_of_hold * f->heat.must_hold_amps - f->amps;
    return falls_switch_ons_per_day(v->history, fmax(amps, UNSEEN_LEAST_AMPS), 0.0);
}

/* By heat of loads that came on in a long gap, per second: what was carried before it is not
 * what opened it. */
static void add_unseen(const struct cause_view *v, double out[CAUSE_COUNT])
{
    const struct fall_facts *f = v->facts;
    if (f->gap_seconds <= BREAKER_UNSEEN_SECONDS)
        return;
    double worn = f->heat.worn, per_second = UNSEEN_OPENS / 86400.0;
    out[CAUSE_OVERLOAD] += (1.0 - worn) * per_second * brings_it_to(v, UNSEEN_OVERLOAD);
    out[CAUSE_WORN_BREAKER] += worn * per_second * brings_it_to(v, UNSEEN_WORN);
}

/* shares of an opening of its own, of the four causes that it can have */
static void own_causes(const struct cause_view *v, double out[CAUSE_COUNT])
{
    const struct fall_facts *f = v->facts;
    double hot = f->heat.chance_overload + f->heat.chance_worn;
    double heat = hot > 0.0 ? evidence_heat_per_second(f) / hot : 0.0;
    if (evidence_surge_read_once(f))
        heat *= HEAT_IN_A_SURGE;
    double cold = evidence_cold_per_second(v->lost_per_second);
    bool young = evidence_at_switch_on(f);
    out[CAUSE_OVERLOAD] = heat * f->heat.chance_overload;
    out[CAUSE_WORN_BREAKER] = heat * f->heat.chance_worn;
    out[CAUSE_FAULT] = cold * (1.0 - v->hand_share) + evidence_fault_per_second(f, v->history);
    out[CAUSE_OPENED_BY_HAND] = cold * v->hand_share * (young ? HAND_AFTER_SWITCH_ON : 1.0);
    add_unseen(v, out);
    double sum = out[CAUSE_OVERLOAD] + out[CAUSE_WORN_BREAKER] + out[CAUSE_FAULT] +
                 out[CAUSE_OPENED_BY_HAND];
    for (int c = 0; c < CAUSE_COUNT; c++)
        out[c] /= sum;
}

static enum trip_cause cause_of(enum scope_kind kind)
{
    switch (kind) {
    case SCOPE_UTILITY:
    case SCOPE_LEG: return CAUSE_SUPPLY_OUTAGE;
    case SCOPE_METER: return CAUSE_SENSOR_LOST;
    case SCOPE_FEEDER:
    case SCOPE_NONE: break;
    }
    return CAUSE_UPSTREAM_OPEN;
}

double causes_judge(const struct cause_view *v, double causes[CAUSE_COUNT])
{
    double own[CAUSE_COUNT] = {0};
    double alone = (1.0 - v->scope.probability) * (1.0 - v->sensor_lost);
    own_causes(v, own);
    for (int c = 0; c < CAUSE_COUNT; c++)
        causes[c] = alone * v->lost_alone * own[c];
    causes[CAUSE_LOAD_ENDED] += alone * (1.0 - v->lost_alone);
    causes[CAUSE_SENSOR_LOST] += (1.0 - v->scope.probability) * v->sensor_lost;
    causes[cause_of(v->scope.scope.kind)] += v->scope.probability;
    return 1.0 - causes[CAUSE_LOAD_ENDED] - causes[CAUSE_SENSOR_LOST];
}

enum trip_cause causes_likeliest(const double causes[CAUSE_COUNT], double lost)
{
    enum trip_cause best = CAUSE_OVERLOAD;
    for (int c = 0; c < CAUSE_COUNT; c++) {
        bool no_loss = c == CAUSE_LOAD_ENDED || c == CAUSE_SENSOR_LOST;
        if (lost >= 0.5 && no_loss)
            continue;
        if (causes[c] > causes[best])
            best = (enum trip_cause)c;
    }
    return best;
}

double causes_sensor_lost(double amps, double feeder_drop_amps, double feeder_noise_amps)
{
    if (isnan(feeder_drop_amps) || amps <= 0.0)
        return 0.0;
    double spread = 0.1 * amps + feeder_noise_amps;
    double gone = (feeder_drop_amps - amps) / spread; /* the feeder fell as much */
    double stayed = feeder_drop_amps / spread;        /* it did not */
    double log_ratio = 0.5 * (gone * gone - stayed * stayed);
    log_ratio = fmin(fmax(log_ratio, -SENSOR_LOG_RATIO_MOST), SENSOR_LOG_RATIO_MOST);
    return evidence_probability(log(SENSOR_LOST_SHARE) + log_ratio);
}
