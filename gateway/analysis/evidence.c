#include "evidence.h"

#include <math.h>

#define TYPICAL_END_PER_SECOND (1.0 / 600.0) /* against which the loads are weighed */
#define END_SOON_SECONDS 60.0
#define END_NEVER_SECONDS 10000.0
#define TOGETHER_PER_SECOND (0.03 / 86400.0) /* one switch for several loads, not yet known */
#define ENDS_AT_ONCE 0.01                    /* of switch-ons, by themselves */
#define FAULT_AT_SWITCH_ON 0.0005
#define ON_THE_CLOCK 0.1 /* of falls that are no lost supply, those by a timer's full hour */
#define STAGED_LEAST 0.15
#define STAGED_LOG_RATIO (-2.5)
#define EVENING_LOG_RATIO (-3.5)
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

bool evidence_at_switch_on(const struct fall_facts *f)
{
    return f->switch_on_seconds <= 2.5 * fmax(1.0, f->poll_seconds);
}

double evidence_usual_end(double age_seconds)
{
    return 1.0 / (age_seconds + END_SOON_SECONDS) / (1.0 + age_seconds / END_NEVER_SECONDS);
}

double evidence_fault_at_switch_on(void)
{
    return FAULT_AT_SWITCH_ON;
}

/* `alone` is the rate for the load itself when it is the only one */
static double natural(const struct fall_facts *f, double alone, double together, double at_once)
{
    double gap = fmax(f->gap_seconds, 1.0);
    bool young = evidence_at_switch_on(f);
    double young_rate = at_once / (2.0 * fmax(1.0, f->poll_seconds));
    if (f->loads <= 1)
        return young ? young_rate : alone;
    double all = 1.0 / gap; /* each ended in the same interval, on its own */
    for (int k = 0; k < f->loads; k++) {
        double rate = young && k == f->loads - 1 ? young_rate : evidence_usual_end(f->ages[k]);
        all *= fmin(1.0, rate * gap);
    }
    return all + together;
}

static double together_usual(const struct fall_facts *f)
{
    return f->loads >= 2 ? fmin(TOGETHER_PER_SECOND, evidence_usual_end(f->ages[0])) : 0.0;
}

double evidence_natural_usual(const struct fall_facts *f)
{
    double alone = evidence_usual_end(f->loads > 0 ? f->ages[0] : 0.0);
    return natural(f, alone, together_usual(f), ENDS_AT_ONCE);
}

double evidence_natural_here(const struct fall_facts *f, const struct falls *history)
{
    struct falls_kind kind = {.amps = f->amps, .loads = f->loads};
    double at_once = falls_ends_at_once(history, ENDS_AT_ONCE);
    if (f->loads >= 2)
        return natural(f, 0.0, falls_rate(history, kind, together_usual(f)), at_once);
    double alone = evidence_usual_end(f->loads > 0 ? f->ages[0] : 0.0);
    return natural(f, falls_rate(history, kind, alone), 0.0, at_once);
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
    return (f->heat.chance_overload + f->heat.chance_worn) / fmax(1.0, f->poll_seconds);
}

double evidence_heat(const struct fall_facts *f, double lost_per_second)
{
    return log1p(heat_per_second(f) / lost_per_second);
}

double evidence_switch_on(const struct fall_facts *f, double lost_per_second)
{
    if (!evidence_at_switch_on(f))
        return 0.0;
    double fault = FAULT_AT_SWITCH_ON / (2.0 * fmax(1.0, f->poll_seconds));
    return log1p(fault / (lost_per_second + heat_per_second(f)));
}

double evidence_on_the_clock(const struct fall_facts *f)
{
    int64_t second = f->local_seconds % 3600;
    double width = fmax(1.0, f->gap_seconds);
    double by_chance = fmin(1.0, (2.0 * width + 1.0) / 3600.0);
    if ((double)second <= width || (double)second >= 3600.0 - width)
        return log(by_chance / (ON_THE_CLOCK + by_chance));
    return -log1p(-ON_THE_CLOCK);
}

/* Only what went several at once, cold and without a switch-on, is a strip's habit. */
double evidence_evenings(const struct fall_facts *f, const struct falls *history)
{
    if (f->loads < 2)
        return 0.0;
    return EVENING_LOG_RATIO * falls_evenings_like(history, f->local_seconds);
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
    evidence_add(out, "on_the_clock", evidence_on_the_clock(f),
                 (double)(f->local_seconds % 3600));
    evidence_add(out, "same_hour_before", evidence_evenings(f, history),
                 falls_evenings_like(history, f->local_seconds));
    evidence_add(out, "fell_in_stages", evidence_staged(f), f->staged);
    evidence_add(out, "current_left", evidence_rest(f, history), f->after_amps);
    evidence_add(out, f->back ? "came_back_after" : "silence", evidence_silence(f, history),
                 f->silent_seconds);
    evidence_add(out, "came_back_as", evidence_came_back(f), f->back_amps);
}
