#include "evidence.h"

#include <math.h>

#define TYPICAL_END_PER_SECOND (1.0 / 600.0) /* against which the loads are weighed */
#define END_SOON_SECONDS 60.0
#define END_NEVER_SECONDS 10000.0
#define SEVERAL_SHARE 0.25 /* of usual_end of the oldest, when several loads run */
#define ENDS_AT_ONCE 0.01  /* of switch-ons, by themselves */
#define FAULT_AT_SWITCH_ON 0.0005
#define SURGE_TIMES 4.0 /* of what the breaker must hold */
#define SURGE_OPENS 0.3 /* in the next reading */
#define AFTER_RESET_LOG_RATIO 4.0
#define ON_THE_CLOCK 0.1 /* of falls that are no lost supply, those by a timer's full hour */
#define STAGED_LEAST 0.15
#define STAGED_LOG_RATIO (-2.5)
#define REST_SPREAD_AMPS 0.012 /* of one reading of nothing, where nothing is known */
#define REST_LEAST_AMPS 0.004
#define OPEN_SHORTEST_SECONDS 60.0 /* times to a reset: log-uniform between these */
#define OPEN_LONGEST_SECONDS 86400.0

void evidence_add(struct evidence_list *l, const char *what, double log_ratio, double value)
{
    l->sum += log_ratio;
    if (fabs(log_ratio) >= 0.05 && l->count < EVIDENCE_MAX)
        l->items[l->count++] =
            (struct event_evidence){.what = what, .log_ratio = log_ratio, .value = value};
}

double evidence_probability(double log_odds)
{
    return 1.0 / (1.0 + exp(-log_odds));
}

static double poll(const struct fall_facts *f)
{
    return fmax(1.0, f->poll_seconds);
}

bool evidence_at_switch_on(const struct fall_facts *f)
{
    return f->switch_on_seconds <= 2.5 * poll(f);
}

double evidence_usual_end(double age_seconds)
{
    return 1.0 / (age_seconds + END_SOON_SECONDS) / (1.0 + age_seconds / END_NEVER_SECONDS);
}

/* A current far beyond what the breaker is for: it opens without heat. */
static bool surged(const struct fall_facts *f)
{
    return f->heat.must_hold_amps > 0.0 && f->amps >= SURGE_TIMES * f->heat.must_hold_amps;
}

double evidence_fault_per_second(const struct fall_facts *f)
{
    double rate = evidence_at_switch_on(f) ? FAULT_AT_SWITCH_ON / (2.0 * poll(f)) : 0.0;
    return rate + (surged(f) ? SURGE_OPENS / poll(f) : 0.0);
}

/* the share of loads that last longer than that */
static double usual_longer(double age_seconds)
{
    return END_SOON_SECONDS / (END_SOON_SECONDS + age_seconds);
}

double evidence_usual_falls_per_second(const struct fall_facts *f)
{
    double rate = evidence_usual_end(f->ages[0]);
    return f->loads >= 2 ? SEVERAL_SHARE * rate : rate;
}

/* each load ended in the same interval on its own */
static double coincidence(const struct fall_facts *f, double young_rate)
{
    double gap = fmax(f->gap_seconds, 1.0), all = 1.0 / gap;
    for (int k = 0; k < f->loads; k++) {
        bool newest = young_rate > 0.0 && k == f->loads - 1;
        all *= fmin(1.0, (newest ? young_rate : evidence_usual_end(f->ages[k])) * gap);
    }
    return all;
}

static double natural(const struct fall_facts *f, double rate, double at_once)
{
    bool young = evidence_at_switch_on(f);
    double young_rate = young ? at_once / (2.0 * poll(f)) : 0.0;
    if (f->loads >= 2)
        return rate + coincidence(f, young_rate);
    return young ? young_rate : rate;
}

double evidence_natural_usual(const struct fall_facts *f)
{
    return natural(f, evidence_usual_falls_per_second(f), ENDS_AT_ONCE);
}

double evidence_natural_here(const struct fall_facts *f, const struct falls *history)
{
    double rate = evidence_usual_falls_per_second(f);
    if (f->loads >= 2)
        rate *= falls_factor_of_several(history, f->amps, f->ages[0]);
    else
        rate = falls_rate_of_one(history, f->amps, f->ages[0], rate, usual_longer(f->ages[0]));
    return natural(f, rate, falls_ends_at_once(history, ENDS_AT_ONCE));
}

double evidence_loads(const struct fall_facts *f)
{
    return log(TYPICAL_END_PER_SECOND / evidence_natural_usual(f));
}

double evidence_usual_falls(const struct fall_facts *f, const struct falls *history)
{
    return log(evidence_natural_usual(f) / evidence_natural_here(f, history));
}

static double heat_per_second(const struct fall_facts *f)
{
    return (f->heat.chance_overload + f->heat.chance_worn) / poll(f);
}

double evidence_heat(const struct fall_facts *f, double lost_per_second)
{
    return log1p(heat_per_second(f) / lost_per_second);
}

double evidence_switch_on(const struct fall_facts *f, double lost_per_second)
{
    double fault = evidence_at_switch_on(f) ? FAULT_AT_SWITCH_ON / (2.0 * poll(f)) : 0.0;
    return log1p(fault / (lost_per_second + heat_per_second(f)));
}

double evidence_surge(const struct fall_facts *f, double lost_per_second)
{
    double known = lost_per_second + heat_per_second(f);
    double switch_on = evidence_at_switch_on(f) ? FAULT_AT_SWITCH_ON / (2.0 * poll(f)) : 0.0;
    return log((known + evidence_fault_per_second(f)) / (known + switch_on));
}

double evidence_after_reset(const struct fall_facts *f)
{
    return f->reset_seconds <= f->again_seconds ? AFTER_RESET_LOG_RATIO : 0.0;
}

bool evidence_at_full_hour(const struct fall_facts *f)
{
    int64_t second = f->local_seconds % 3600;
    double width = fmax(1.0, f->gap_seconds);
    return (double)second <= width || (double)second >= 3600.0 - width;
}

double evidence_on_the_clock(const struct fall_facts *f)
{
    double by_chance = fmin(1.0, (2.0 * fmax(1.0, f->gap_seconds) + 1.0) / 3600.0);
    return evidence_at_full_hour(f) ? log(by_chance / (ON_THE_CLOCK + by_chance))
                                    : -log1p(-ON_THE_CLOCK);
}

/* What went with its breaker hot or with a switch-on has its reason; the rest may be somebody
 * who switches a strip off at night. */
double evidence_habit(const struct fall_facts *f, const struct falls *history,
                      double lost_per_second)
{
    double habit = falls_habit_per_day(history, f->local_seconds) / 86400.0;
    double known = lost_per_second + heat_per_second(f) + evidence_fault_per_second(f);
    return -log1p(habit / known);
}

double evidence_staged(const struct fall_facts *f)
{
    return f->staged >= STAGED_LEAST ? STAGED_LOG_RATIO : 0.0;
}

double evidence_rest(const struct fall_facts *f, const struct falls *history)
{
    if (f->after_polls == 0)
        return 0.0;
    double spread = fmax(REST_LEAST_AMPS, REST_SPREAD_AMPS / sqrt((double)f->after_polls));
    double width = hypot(REST_LEAST_AMPS, spread), z = f->after_amps / width;
    double lost = log(2.0 / (width * sqrt(2.0 * M_PI))) - 0.5 * z * z;
    return fmin(fmax(lost - falls_log_low(history, f->after_amps, spread), -6.0), 4.0);
}

/* of an open breaker: the time to its reset is log-uniform */
static double open_longer(double seconds)
{
    double share = log(seconds / OPEN_SHORTEST_SECONDS) /
                   log(OPEN_LONGEST_SECONDS / OPEN_SHORTEST_SECONDS);
    return fmin(fmax(1.0 - share, 0.02), 1.0);
}

double evidence_silence(const struct fall_facts *f, const struct falls *history)
{
    if (f->silent_seconds < 1.0)
        return 0.0;
    if (f->back) {
        double half = sqrt(2.0);
        double open =
            fmax(open_longer(f->silent_seconds / half) - open_longer(f->silent_seconds * half),
                 f->silent_seconds < OPEN_SHORTEST_SECONDS ? 0.02 : 0.005);
        return log(open) - falls_log_return(history, f->amps, f->silent_seconds);
    }
    return log(open_longer(f->silent_seconds)) -
           falls_log_silence(history, f->amps, f->silent_seconds);
}

double evidence_came_back(const struct fall_facts *f)
{
    (void)f;
    return 0.0;
}

void evidence_judge(const struct fall_facts *f, const struct falls *history,
                    double lost_per_second, struct evidence_list *out)
{
    *out = (struct evidence_list){0};
    evidence_add(out, "openings_are_rare", log(lost_per_second / TYPICAL_END_PER_SECOND),
                 lost_per_second * 86400.0);
    evidence_add(out, "loads_vanished", evidence_loads(f), f->loads);
    evidence_add(out, "usual_falls", evidence_usual_falls(f, history),
                 evidence_natural_here(f, history) * 86400.0);
    evidence_add(out, "breaker_heat", evidence_heat(f, lost_per_second), f->heat.heat);
    evidence_add(out, "switch_on_before", evidence_switch_on(f, lost_per_second),
                 f->switch_on_seconds);
    evidence_add(out, "current_surge", evidence_surge(f, lost_per_second), f->amps);
    evidence_add(out, "after_reset", evidence_after_reset(f), f->reset_seconds);
    evidence_add(out, "on_the_clock", evidence_on_the_clock(f),
                 (double)(f->local_seconds % 3600));
    evidence_add(out, "off_at_night", evidence_habit(f, history, lost_per_second),
                 falls_habit_per_day(history, f->local_seconds));
    evidence_add(out, "fell_in_stages", evidence_staged(f), f->staged);
    evidence_add(out, "current_left", evidence_rest(f, history), f->after_amps);
    evidence_add(out, f->back ? "came_back_after" : "silence", evidence_silence(f, history),
                 f->silent_seconds);
    evidence_add(out, "came_back_as", evidence_came_back(f), f->back_amps);
}
