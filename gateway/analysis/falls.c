#include "falls.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#define SMALLEST_AMPS 0.1
#define SIZES_AN_OCTAVE 4.0
#define PRIOR_CIRCUIT 0.5    /* what is usual elsewhere weighs as much as so many falls here */
#define PRIOR_SIZE 0.5       /* and what is usual here against falls of that size */
#define PRIOR_SWITCH_ONS 1.0 /* most sizes never end at once, some do so often */
#define USUAL_ENDS_AT_ONCE 0.05
#define ENDS_AT_ONCE_LEAST 0.002 /* a hand at the wrong switch */
#define PRIOR_LASTED 0.5
#define ALIKE_LOG 0.35
#define PRIOR_AGE 1.0
#define AGE_LOG_RANGE 9.2   /* from 10 s to 100,000 s */
#define AGE_OFFSET 2.0      /* s, so that the first seconds are not far apart */
#define AGE_NARROW_LOG 0.02 /* a program's length, a thermostat's cycle */
#define AGE_NARROW_SHARE 0.4
#define AGE_WIDE_LOG 0.3 /* a person's habit */
#define AGE_WIDE_SHARE 0.4
#define AGE_BROAD_LOG 1.5 /* anything else */
#define AGE_BROAD_SHARE 0.2
#define HABIT_START (-2.4F) /* log odds that a circuit is switched off at night */
#define HABIT_LEAST (-7.0F)
#define HABIT_MOST 7.0F
#define HABIT_LOG_RATIO 3.5F /* an evening's fall, and nothing in the night */
#define HABIT_KEPT 0.85      /* of the nights */
#define EVENING_SHARE 0.95   /* of such switching comes in the evening: */
#define EVENING_FROM 20.0
#define EVENING_TO 24.5
#define NIGHT_HOUR 3.0
#define EVENING_MINUTES 90
#define EVENING_DAYS 21
#define LASTED_MEDIAN_SECONDS 1200.0 /* a load that is off, where nothing is known of it */
#define LASTED_SHAPE 0.6
#define FADE_A_DAY 0.98851F /* half in 60 days */
#define LOW_WIDTH_AMPS 0.006
#define LOW_BROAD_AMPS 0.02
#define LOW_BROAD_WEIGHT 1.0 /* against one reading seen here */
#define STATE_VERSION 4U     /* 2: without off_level; 3: without its odds */

void falls_init(struct falls *f)
{
    memset(f, 0, sizeof *f);
    f->habit_log_odds = HABIT_START;
}

static int size_of(double amps)
{
    int k = (int)floor(SIZES_AN_OCTAVE * log2(fmax(amps, SMALLEST_AMPS) / SMALLEST_AMPS));
    return k < FALLS_SIZES ? k : FALLS_SIZES - 1;
}

void falls_carried(struct falls *f, double amps, double expected)
{
    f->pending[size_of(amps)] += (float)expected;
}

void falls_spell_over(struct falls *f)
{
    for (int k = 0; k < FALLS_SIZES; k++) {
        f->expected[k] += f->pending[k];
        f->pending[k] = 0.0F;
    }
}

static bool alike(const struct falls_past *p, double amps)
{
    return p->weight > 0.0F && fabs(log((double)p->amps / fmax(amps, 1e-3))) < ALIKE_LOG;
}

static double normal(double x, double mean, double spread)
{
    double z = (x - mean) / spread;
    return exp(-0.5 * z * z) / (spread * sqrt(2.0 * M_PI));
}

/* Ages of past falls as a density over ln age: a program's length is sharp, a person's is not.
 */
static double age_density(double age, double past)
{
    double x = log(age + AGE_OFFSET), mean = log(past + AGE_OFFSET);
    return AGE_NARROW_SHARE * normal(x, mean, AGE_NARROW_LOG) +
           AGE_WIDE_SHARE * normal(x, mean, AGE_WIDE_LOG) +
           AGE_BROAD_SHARE * normal(x, mean, AGE_BROAD_LOG);
}

static double upper_tail(double x, double mean, double spread)
{
    return 0.5 * erfc((x - mean) / spread / sqrt(2.0));
}

static double age_longer(double age, double past)
{
    double x = log(age + AGE_OFFSET), mean = log(past + AGE_OFFSET);
    return AGE_NARROW_SHARE * upper_tail(x, mean, AGE_NARROW_LOG) +
           AGE_WIDE_SHARE * upper_tail(x, mean, AGE_WIDE_LOG) +
           AGE_BROAD_SHARE * upper_tail(x, mean, AGE_BROAD_LOG);
}

double falls_rate_of_one(const struct falls *f, double amps, double age_seconds, double usual,
                         double longer)
{
    double ended = PRIOR_AGE * usual * longer, lasted = PRIOR_AGE * longer;
    for (int k = 0; k < FALLS_PAST; k++) {
        const struct falls_past *p = &f->past[k];
        if (p->several || p->habit || !alike(p, amps))
            continue;
        ended += (double)p->weight * age_density(age_seconds, (double)p->age_seconds) /
                 (age_seconds + AGE_OFFSET);
        lasted += (double)p->weight * age_longer(age_seconds, (double)p->age_seconds);
    }
    return ended / lasted;
}

/* Gamma-Poisson: what came over what was expected, `prior` falls' worth of doubt. */
static double updated(double factor, double prior, double count, double expected)
{
    return (count + prior) / (expected + prior / factor);
}

static double factor_by_size(const struct falls *f, double amps)
{
    int size = size_of(amps);
    double count = 0, expected = 0, near_count = 0, near_expected = 0;
    for (int k = 0; k < FALLS_SIZES; k++) {
        double share = k == size ? 1.0 : k == size - 1 || k == size + 1 ? 0.5 : 0.0;
        count += (double)f->count[k];
        expected += (double)f->expected[k];
        near_count += share * (double)f->count[k];
        near_expected += share * (double)f->expected[k];
    }
    return updated(updated(1.0, PRIOR_CIRCUIT, count, expected), PRIOR_SIZE, near_count,
                   near_expected);
}

/* How many times as likely at this age as anywhere in the range of ages; at least 1. */
static double factor_by_age(const struct falls *f, double amps, double age_seconds)
{
    double flat = 1.0 / AGE_LOG_RANGE, density = PRIOR_AGE * flat, all = PRIOR_AGE;
    for (int k = 0; k < FALLS_PAST; k++) {
        const struct falls_past *p = &f->past[k];
        if (!p->several || p->habit || !alike(p, amps))
            continue;
        density += (double)p->weight * age_density(age_seconds, (double)p->age_seconds);
        all += (double)p->weight;
    }
    return fmax(1.0, density / all / flat);
}

double falls_factor_of_several(const struct falls *f, double amps, double age_seconds)
{
    return factor_by_size(f, amps) * factor_by_age(f, amps, age_seconds);
}

void falls_watched(struct falls *f, double seconds)
{
    f->watched_days += (float)(seconds / 86400.0);
}

void falls_switched_on(struct falls *f, double amps)
{
    f->switch_ons[size_of(amps)] += 1.0F;
}

void falls_ended_at_once(struct falls *f, double amps, double weight)
{
    f->ended_at_once[size_of(amps)] += (float)weight;
}

double falls_ends_at_once(const struct falls *f, double amps)
{
    int size = size_of(amps);
    double on = PRIOR_SWITCH_ONS, ended = PRIOR_SWITCH_ONS * USUAL_ENDS_AT_ONCE;
    for (int k = size > 0 ? size - 1 : 0; k <= size + 1 && k < FALLS_SIZES; k++) {
        on += (double)f->switch_ons[k];
        ended += (double)f->ended_at_once[k];
    }
    return fmax(ended / on, ENDS_AT_ONCE_LEAST);
}

double falls_switch_ons_per_day(const struct falls *f, double least_amps, double usual)
{
    double sum = usual;
    for (int k = size_of(least_amps); k < FALLS_SIZES; k++)
        sum += (double)f->switch_ons[k];
    return sum / ((double)f->watched_days + 1.0);
}

void falls_over(struct falls *f, const struct falls_past *past)
{
    struct falls_past *p = &f->past[f->past_count++ % FALLS_PAST];
    *p = *past;
    p->weight = fmaxf(p->weight, 1e-6F);
    if (p->several && !p->habit)
        f->count[size_of((double)p->amps)] += p->weight;
}

void falls_correct(struct falls *f, float amps, float age_seconds, double weight)
{
    for (uint32_t back = 1; back <= FALLS_PAST && back <= f->past_count; back++) {
        struct falls_past *p = &f->past[(f->past_count - back) % FALLS_PAST];
        if (fabsf(p->amps - amps) > 1e-4F || fabsf(p->age_seconds - age_seconds) > 0.5F)
            continue;
        float *count = &f->count[size_of((double)p->amps)];
        if (p->several && !p->habit)
            *count = fmaxf(0.0F, *count + (float)weight - p->weight);
        p->weight = fmaxf((float)weight, 1e-6F);
        return;
    }
}

/* log-logistic */
static double prior_longer(double seconds)
{
    return 1.0 / (1.0 + pow(seconds / LASTED_MEDIAN_SECONDS, LASTED_SHAPE));
}

/* Share of the times at nothing that lie between the two, falls of that size counting most. */
static double share_between(const struct falls *f, double amps, double from, double to)
{
    double in = PRIOR_LASTED * (prior_longer(from) - (isinf(to) ? 0.0 : prior_longer(to)));
    double all = PRIOR_LASTED;
    for (int k = 0; k < FALLS_PAST; k++) {
        const struct falls_past *p = &f->past[k];
        double w = (double)p->weight * (alike(p, amps) ? 1.0 : 0.1);
        all += w;
        if ((double)p->nothing_seconds > from && (double)p->nothing_seconds <= to)
            in += w;
    }
    return in / all;
}

double falls_log_silence(const struct falls *f, double amps, double seconds)
{
    return log(share_between(f, amps, seconds, (double)INFINITY));
}

double falls_log_return(const struct falls *f, double amps, double seconds)
{
    return log(share_between(f, amps, seconds / sqrt(2.0), seconds * sqrt(2.0)));
}

void falls_low(struct falls *f, double amps)
{
    f->lows[f->low_count++ % FALLS_LOWS] = (float)amps;
}

/* a reading is never below nothing */
static double folded(double x, double mean, double spread)
{
    return normal(x, mean, spread) + normal(x, -mean, spread);
}

double falls_log_low(const struct falls *f, double amps, double spread)
{
    uint32_t n = f->low_count < FALLS_LOWS ? f->low_count : FALLS_LOWS;
    double density = LOW_BROAD_WEIGHT * 2.0 * normal(amps, 0.0, LOW_BROAD_AMPS);
    for (uint32_t k = 0; k < n; k++)
        density += folded(amps, (double)f->lows[k], hypot(LOW_WIDTH_AMPS, spread));
    return log(density / (LOW_BROAD_WEIGHT + (double)n) + 1e-9);
}

static int64_t floor_div(int64_t a, int64_t b)
{
    return a / b - (a % b < 0);
}

void falls_evening(struct falls *f, int64_t local_seconds)
{
    int64_t day = floor_div(local_seconds, 86400);
    f->evenings[f->evening_count++ % FALLS_EVENINGS] = (struct falls_evening){
        .day = (int32_t)day, .minute = (int32_t)((local_seconds - day * 86400) / 60)};
}

/* Evenings of the last weeks on which it happened at about this time. */
static int evenings_like(const struct falls *f, int64_t local_seconds)
{
    int64_t minute = floor_div(local_seconds, 60);
    uint32_t n = f->evening_count < FALLS_EVENINGS ? f->evening_count : FALLS_EVENINGS;
    bool days[EVENING_DAYS + 1] = {false};
    int count = 0;
    for (uint32_t k = 0; k < n; k++) {
        int64_t ago = minute - ((int64_t)f->evenings[k].day * 1440 + f->evenings[k].minute);
        int64_t days_ago = floor_div(ago + 720, 1440);
        int64_t apart = ago - days_ago * 1440;
        if (days_ago >= 1 && days_ago <= EVENING_DAYS && apart <= EVENING_MINUTES &&
            apart >= -EVENING_MINUTES)
            days[days_ago] = true;
    }
    for (int k = 1; k <= EVENING_DAYS; k++)
        count += days[k];
    return count;
}

static double hour_of(int64_t local_seconds)
{
    return (double)(local_seconds - floor_div(local_seconds, 86400) * 86400) / 3600.0;
}

double falls_habit_per_day(const struct falls *f, int64_t local_seconds)
{
    double share = 1.0 / (1.0 + exp(-(double)f->habit_log_odds)), hour = hour_of(local_seconds);
    if (evenings_like(f, local_seconds) > 0)
        return share * HABIT_KEPT * 24.0 * 60.0 / (2.0 * EVENING_MINUTES);
    bool evening = hour >= EVENING_FROM || hour < EVENING_TO - 24.0;
    return share * HABIT_KEPT *
           (evening ? EVENING_SHARE * 24.0 / (EVENING_TO - EVENING_FROM)
                    : (1.0 - EVENING_SHARE) * 24.0 / (24.0 - EVENING_TO + EVENING_FROM));
}

/* Did an evening's fall come since noon of the day before? */
static bool evening_before(const struct falls *f, int32_t day)
{
    uint32_t n = f->evening_count < FALLS_EVENINGS ? f->evening_count : FALLS_EVENINGS;
    for (uint32_t k = 0; k < n; k++)
        if (f->evenings[k].day == day ||
            (f->evenings[k].day == day - 1 && f->evenings[k].minute >= 720))
            return true;
    return false;
}

void falls_night(struct falls *f, int64_t local_seconds, bool carries)
{
    int32_t day = (int32_t)floor_div(local_seconds, 86400);
    double hour = hour_of(local_seconds);
    if (day == f->habit_day || hour < NIGHT_HOUR || hour > NIGHT_HOUR + 1.0)
        return;
    f->habit_day = day;
    if (carries)
        f->habit_log_odds += (float)log(1.0 - HABIT_KEPT);
    else if (evening_before(f, day))
        f->habit_log_odds += HABIT_LOG_RATIO;
    f->habit_log_odds = fminf(fmaxf(f->habit_log_odds, HABIT_LEAST), HABIT_MOST);
}

void falls_fade(struct falls *f, int64_t local_seconds)
{
    int32_t day = (int32_t)floor_div(local_seconds, 86400);
    if (f->faded_day == day)
        return;
    bool first = f->faded_day == 0;
    f->faded_day = day;
    if (first)
        return;
    for (int k = 0; k < FALLS_SIZES; k++) {
        f->expected[k] *= FADE_A_DAY;
        f->count[k] *= FADE_A_DAY;
    }
    step_sizes_fade(&f->steps, FADE_A_DAY);
    f->watched_days *= FADE_A_DAY;
    for (int k = 0; k < FALLS_SIZES; k++) {
        f->switch_ons[k] *= FADE_A_DAY;
        f->ended_at_once[k] *= FADE_A_DAY;
    }
}

void falls_save(const struct falls *f, struct codec_out *out)
{
    codec_put_u32(out, STATE_VERSION);
    for (int k = 0; k < FALLS_SIZES; k++) {
        codec_put_f32(out, f->expected[k]);
        codec_put_f32(out, f->pending[k]);
        codec_put_f32(out, f->count[k]);
    }
    codec_put_f32(out, f->watched_days);
    for (int k = 0; k < FALLS_SIZES; k++) {
        codec_put_f32(out, f->switch_ons[k]);
        codec_put_f32(out, f->ended_at_once[k]);
    }
    codec_put_u32(out, f->low_count);
    for (int k = 0; k < FALLS_LOWS; k++)
        codec_put_f32(out, f->lows[k]);
    codec_put_u32(out, f->past_count);
    for (int k = 0; k < FALLS_PAST; k++) {
        codec_put_f32(out, f->past[k].amps);
        codec_put_f32(out, f->past[k].age_seconds);
        codec_put_f32(out, f->past[k].nothing_seconds);
        codec_put_f32(out, f->past[k].weight);
        codec_put_u8(out, f->past[k].several);
        codec_put_u8(out, f->past[k].habit);
    }
    codec_put_u32(out, f->evening_count);
    for (int k = 0; k < FALLS_EVENINGS; k++) {
        codec_put_u32(out, (uint32_t)f->evenings[k].day);
        codec_put_u32(out, (uint32_t)f->evenings[k].minute);
    }
    step_sizes_save(&f->steps, out);
    codec_put_f32(out, f->habit_log_odds);
    codec_put_u32(out, (uint32_t)f->habit_day);
    codec_put_u32(out, (uint32_t)f->faded_day);
    stillness_save(&f->off_level, out);
}

/* Counts, seconds and weights are never negative; what is, is damage. */
static float get_amount(struct codec_in *in)
{
    float v = codec_get_f32(in);
    if (v < 0.0F)
        in->failed = true;
    return v;
}

bool falls_load(struct falls *f, struct codec_in *in)
{
    falls_init(f);
    uint32_t version = codec_get_u32(in);
    if (version < 2 || version > STATE_VERSION)
        return false;
    for (int k = 0; k < FALLS_SIZES; k++) {
        f->expected[k] = get_amount(in);
        f->pending[k] = get_amount(in);
        f->count[k] = get_amount(in);
    }
    f->watched_days = get_amount(in);
    for (int k = 0; k < FALLS_SIZES; k++) {
        f->switch_ons[k] = get_amount(in);
        f->ended_at_once[k] = get_amount(in);
    }
    f->low_count = codec_get_u32(in);
    for (int k = 0; k < FALLS_LOWS; k++)
        f->lows[k] = get_amount(in);
    f->past_count = codec_get_u32(in);
    for (int k = 0; k < FALLS_PAST; k++) {
        f->past[k].amps = get_amount(in);
        f->past[k].age_seconds = get_amount(in);
        f->past[k].nothing_seconds = get_amount(in);
        f->past[k].weight = get_amount(in);
        f->past[k].several = codec_get_u8(in) != 0;
        f->past[k].habit = codec_get_u8(in) != 0;
    }
    f->evening_count = codec_get_u32(in);
    for (int k = 0; k < FALLS_EVENINGS; k++) {
        f->evenings[k].day = (int32_t)codec_get_u32(in);
        f->evenings[k].minute = (int32_t)codec_get_u32(in);
    }
    if (!step_sizes_load(&f->steps, in))
        in->failed = true;
    f->habit_log_odds = codec_get_f32(in);
    f->habit_day = (int32_t)codec_get_u32(in);
    f->faded_day = (int32_t)codec_get_u32(in);
    if (version >= 3 && !stillness_load(&f->off_level, in, version >= 4, STILLNESS_OFF_ODDS))
        in->failed = true;
    if (in->failed)
        falls_init(f);
    return !in->failed;
}
