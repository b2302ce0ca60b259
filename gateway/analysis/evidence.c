#include "evidence.h"

#include <math.h>
#include <string.h>

#define END_SOON_SECONDS 60.0
#define END_NEVER_SECONDS 10000.0
#define LARGE_AMPS 1.0 /* what heats, turns or cooks; below it is electronics */
#define SECOND_LARGE_AMPS 3.0
#define SHARE_SMALL                                                                            \
    0.3 /* of usual_end of the oldest, when several loads run: by the second                   \
         */
#define SHARE_STAGES 0.7
#define SHARE_LARGE 0.03
#define FLICKERS 30.0 /* times as likely when several loads end as at any other time */
#define SWITCH_ONS_A_DAY 20.0
#define FAULTS_LARGE_A_DAY 0.5
#define FAULTS_SMALL_A_DAY 0.02
#define COLD_TRUST 1.8
#define HEAT_TRUST 1.7
#define SURGE_TIMES 4.0 /* of what the breaker must hold */
#define SURGE_OPENS 0.3 /* in the next reading */
#define AFTER_RESET_LOG_RATIO 4.0
#define ON_THE_CLOCK 0.1 /* of falls that are no lost supply, those by a timer's full hour */
#define STAGED_LEAST 0.15
#define STAGED_LOG_RATIO (-5.5)
#define NIGHT_SHORTEST_SECONDS 10800.0
#define KNOWN_AFTER_DAYS 7.0 /* what this circuit steps by */
#define STEPS_UNSURE 0.3     /* steps' worth of doubt */
#define AWAKE_USUAL_SECONDS 600.0
#define RESET_QUICKEST_SECONDS 60.0   /* somebody walks to the panel */
#define RESET_UNNOTICED_SECONDS 240.0 /* a compressor, a router: nobody stands beside it */
#define STILL_AT_FIRST                                                                         \
    4.5 /* times as likely, at most: an empty circuit is still at first too */
#define RESET_QUICK (-3.0)
#define RESET_IMPOSSIBLE_SECONDS 10.0
#define RESET_IMPOSSIBLE (-6.0)
#define CAME_BACK (-0.25) /* what is back by itself had mostly gone by itself; fitted */
#define MUCH_LESS 0.4     /* of what was carried before */
#define MORE 1.15
#define REST_SPREAD_AMPS 0.012 /* of one reading of nothing, where nothing is known */
#define REST_LEAST_AMPS 0.004
#define REST_LEAST (-6.0)
#define REST_MOST 3.0
#define OPEN_SHORTEST_SECONDS 60.0 /* times to a reset: log-uniform between these */
#define OPEN_LONGEST_SECONDS 86400.0

void evidence_add(struct evidence_list *l, const char *what, double log_ratio, double value)
{
    l->sum += log_ratio;
    if (fabs(log_ratio) >= 0.05 && l->count < EVIDENCE_MAX)
        l->items[l->count++] =
            (struct event_evidence){.what = what, .log_ratio = log_ratio, .value = value};
}

void evidence_drop(struct evidence_list *l, const char *what)
{
    size_t n = 0;
    for (size_t k = 0; k < l->count; k++)
        if (strcmp(l->items[k].what, what) == 0)
            l->sum -= l->items[k].log_ratio;
        else
            l->items[n++] = l->items[k];
    l->count = n;
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

/* A fault opens at once: a load that was read twice has run. */
static bool at_fault_time(const struct fall_facts *f)
{
    return f->switch_on_seconds <= 1.5 * poll(f);
}

/* A current far beyond what the breaker is for: it opens without heat. */
static bool surged(const struct fall_facts *f)
{
    return f->heat.must_hold_amps > 0.0 && f->amps >= SURGE_TIMES * f->heat.must_hold_amps;
}

bool evidence_surge_read_once(const struct fall_facts *f)
{
    return surged(f) && at_fault_time(f);
}

/* Faults that come with a switch-on: so many a day and circuit, whoever switches how often. */
static double fault_at_switch_on(const struct fall_facts *f, const struct falls *history)
{
    if (!at_fault_time(f))
        return 0.0;
    bool large = f->switch_on_amps >= LARGE_AMPS;
    double a_day =
        falls_switch_ons_per_day(history, large ? LARGE_AMPS : 0.0, SWITCH_ONS_A_DAY);
    return (large ? FAULTS_LARGE_A_DAY : FAULTS_SMALL_A_DAY) / fmax(a_day, 1.0) /
           (2.0 * poll(f));
}

double evidence_fault_per_second(const struct fall_facts *f, const struct falls *history)
{
    return fault_at_switch_on(f, history) + (surged(f) ? SURGE_OPENS / poll(f) : 0.0);
}

/* the share of loads that last longer than that */
static double usual_longer(double age_seconds)
{
    return END_SOON_SECONDS / (END_SOON_SECONDS + age_seconds);
}

/* Several loads that end together are mostly the stages of one appliance; how often that is,
 * the second largest tells: two of three amps or more are two appliances. */
static double share_of_several(const struct fall_facts *f)
{
    double first = 0.0, second = 0.0;
    for (int k = 0; k < f->loads; k++) {
        second = fmax(second, fmin(first, f->sizes[k]));
        first = fmax(first, f->sizes[k]);
    }
    return second >= SECOND_LARGE_AMPS ? SHARE_LARGE
           : second >= LARGE_AMPS      ? SHARE_STAGES
                                       : SHARE_SMALL;
}

double evidence_usual_falls_per_second(const struct fall_facts *f)
{
    double rate = evidence_usual_end(f->ages[0]);
    return f->loads >= 2 ? share_of_several(f) * rate : rate;
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

static double at_once_per_second(const struct fall_facts *f, double share)
{
    return evidence_at_switch_on(f) ? share / (2.0 * poll(f)) : 0.0;
}

static double natural(const struct fall_facts *f, double rate, double at_once)
{
    if (f->loads < 2)
        return evidence_at_switch_on(f) ? at_once : rate;
    /* a small step up may be the last flicker of something that goes off */
    bool flicker = evidence_at_switch_on(f) && f->switch_on_amps < LARGE_AMPS;
    return rate * (flicker ? FLICKERS : 1.0) + coincidence(f, at_once);
}

double evidence_natural_usual(const struct fall_facts *f)
{
    struct falls nothing;
    falls_init(&nothing);
    return evidence_natural_here(f, &nothing);
}

double evidence_natural_here(const struct fall_facts *f, const struct falls *history)
{
    double rate = evidence_usual_falls_per_second(f);
    double at_once = at_once_per_second(f, falls_ends_at_once(history, f->switch_on_amps));
    if (f->loads >= 2)
        rate *= falls_factor_of_several(history, f->amps, f->ages[0]);
    else
        rate = falls_rate_of_one(history, f->amps, f->ages[0], rate, usual_longer(f->ages[0]));
    return natural(f, rate, at_once);
}

double evidence_loads(const struct fall_facts *f)
{
    return log(EVIDENCE_TYPICAL_END / evidence_natural_usual(f));
}

double evidence_usual_falls(const struct fall_facts *f, const struct falls *history)
{
    return log(evidence_natural_usual(f) / evidence_natural_here(f, history));
}

double evidence_cold_per_second(double lost_per_second)
{
    return COLD_TRUST * lost_per_second;
}

double evidence_heat_per_second(const struct fall_facts *f)
{
    /* the chances are those of the whole gap; in a short one it carried what it did before */
    bool unseen = f->gap_seconds > BREAKER_UNSEEN_SECONDS;
    double seconds = unseen ? f->gap_seconds : poll(f);
    return HEAT_TRUST * (f->heat.chance_overload + f->heat.chance_worn) / seconds;
}

double evidence_heat(const struct fall_facts *f, double lost_per_second)
{
    return log1p(evidence_heat_per_second(f) / evidence_cold_per_second(lost_per_second));
}

double evidence_switch_on(const struct fall_facts *f, const struct falls *history,
                          double lost_per_second)
{
    return log1p(fault_at_switch_on(f, history) /
                 (evidence_cold_per_second(lost_per_second) + evidence_heat_per_second(f)));
}

double evidence_surge(const struct fall_facts *f, const struct falls *history,
                      double lost_per_second)
{
    double known = evidence_cold_per_second(lost_per_second) + evidence_heat_per_second(f);
    return log((known + evidence_fault_per_second(f, history)) /
               (known + fault_at_switch_on(f, history)));
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
    if (f->back && f->silent_seconds < NIGHT_SHORTEST_SECONDS)
        return 0.0; /* that was no night */
    double habit = falls_habit_per_day(history, f->local_seconds) / 86400.0;
    double known = evidence_cold_per_second(lost_per_second) + evidence_heat_per_second(f) +
                   evidence_fault_per_second(f, history);
    return -log1p(habit / known);
}

double evidence_staged(const struct fall_facts *f)
{
    return f->staged >= STAGED_LEAST ? STAGED_LOG_RATIO : 0.0;
}

double evidence_awake(const struct fall_facts *f)
{
    return -log((f->awake_seconds + END_SOON_SECONDS) /
                (AWAKE_USUAL_SECONDS + END_SOON_SECONDS));
}

/* Neither has this circuit stepped down by such a size before nor up, not even in this spell:
 * no load of its own ended. The longer the circuit is known the more this says. */
double evidence_no_such_step(const struct fall_facts *f)
{
    double unseen = STEPS_UNSURE / (STEPS_UNSURE + f->ends_like + f->begins_like);
    return unseen * fmin(1.0, f->watched_days / KNOWN_AFTER_DAYS);
}

/* Not only the load that was just switched on went. */
double evidence_rest_went(const struct fall_facts *f)
{
    return evidence_at_switch_on(f) ? fmax(0.0, 1.0 - f->switch_on_amps / f->amps) : 0.0;
}

double evidence_rest(const struct fall_facts *f, const struct falls *history)
{
    if (f->after_polls == 0)
        return 0.0;
    double spread = fmax(REST_LEAST_AMPS, REST_SPREAD_AMPS / sqrt((double)f->after_polls));
    double width = hypot(REST_LEAST_AMPS, spread), z = f->after_amps / width;
    double lost = log(2.0 / (width * sqrt(2.0 * M_PI))) - 0.5 * z * z;
    return fmin(fmax(lost - falls_log_low(history, f->after_amps, spread), REST_LEAST),
                REST_MOST);
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
        return CAME_BACK + log(open) - falls_log_return(history, f->amps, f->silent_seconds);
    }
    return log(open_longer(f->silent_seconds)) -
           falls_log_silence(history, f->amps, f->silent_seconds);
}

double evidence_stillness(const struct fall_facts *f, const struct stillness_known *levels)
{
    double still_open = 1.0, ratio = 1.0, likelihood = 0.0;
    for (int k = 0; k < f->seen.marks; k++) { /* it was reset between this mark and the last */
        int polls = STILLNESS_LEAST_POLLS << k;
        double open = open_longer(polls * poll(f));
        likelihood += (still_open - open) * fmin(ratio, STILL_AT_FIRST);
        ratio = exp(stillness_log_ratio(levels, &f->seen, k));
        still_open = open;
    }
    return log(likelihood + still_open * ratio);
}

/* Nobody resets a breaker so soon; and where little was on nobody even notices so soon. */
double evidence_back_soon(const struct fall_facts *f)
{
    double quickest = f->amps < LARGE_AMPS ? RESET_UNNOTICED_SECONDS : RESET_QUICKEST_SECONDS;
    if (!f->back || f->silent_seconds >= quickest)
        return 0.0;
    if (f->silent_seconds < RESET_IMPOSSIBLE_SECONDS)
        return RESET_IMPOSSIBLE;
    /* no cliff: 59 seconds are hardly less than a minute */
    return RESET_QUICK * (quickest - f->silent_seconds) / (quickest - RESET_IMPOSSIBLE_SECONDS);
}

/* share of the resets within a minute that come before; somebody must hear of it, and walk */
static double reset_before(double seconds)
{
    double share = log(seconds / RESET_IMPOSSIBLE_SECONDS) /
                   log(OPEN_SHORTEST_SECONDS / RESET_IMPOSSIBLE_SECONDS);
    share = fmin(fmax(share, 0.0), 1.0);
    return share * share;
}

double evidence_reset_at_once(const struct fall_facts *f, const struct falls *history)
{
    if (f->silent_seconds < RESET_IMPOSSIBLE_SECONDS || f->amps < LARGE_AMPS)
        return -(double)INFINITY;
    if (!f->back || f->silent_seconds >= OPEN_SHORTEST_SECONDS)
        return 0.0;
    double half = sqrt(2.0);
    return log(reset_before(f->silent_seconds * half) -
               reset_before(f->silent_seconds / half)) -
           falls_log_return(history, f->amps, f->silent_seconds);
}

/* After a reset what somebody used stays off, and nothing new comes in the same moment. */
double evidence_back_less(const struct fall_facts *f)
{
    double share = f->back_amps / f->amps;
    return !f->back ? 0.0 : share < MUCH_LESS ? 1.0 : share > MORE ? -1.0 : 0.0;
}
