#include "falls.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#define SMALLEST_AMPS 0.1
#define SIZES_AN_OCTAVE 4.0
#define PRIOR_FALLS 1.0 /* what is usual elsewhere weighs as much as one fall seen here */
#define PRIOR_SWITCH_ONS 100.0
#define PRIOR_LASTED 0.5
#define EVENING_MINUTES 90
#define EVENING_DAYS 21
#define LASTED_MEDIAN_SECONDS 1200.0 /* a load that is off, where nothing is known of it */
#define LASTED_SHAPE 0.6
#define FADE_A_DAY 0.98851F /* half in 60 days */
#define LOW_WIDTH_AMPS 0.006
#define LOW_BROAD_AMPS 0.02
#define STATE_VERSION 1U

void falls_init(struct falls *f)
{
    memset(f, 0, sizeof *f);
}

static int size_of(double amps)
{
    int k = (int)floor(SIZES_AN_OCTAVE * log2(fmax(amps, SMALLEST_AMPS) / SMALLEST_AMPS));
    return k < FALLS_SIZES ? k : FALLS_SIZES - 1;
}

static int class_of(struct falls_kind kind)
{
    return kind.loads >= 2;
}

void falls_carried(struct falls *f, struct falls_kind kind, double seconds)
{
    f->seconds[class_of(kind)][size_of(kind.amps)] += (float)seconds;
}

void falls_fell(struct falls *f, struct falls_kind kind, double weight)
{
    f->count[class_of(kind)][size_of(kind.amps)] += (float)weight;
}

/* A rate known beforehand, updated by what was counted. */
static double updated(double rate, double count, double seconds)
{
    return (count + PRIOR_FALLS) / (seconds + PRIOR_FALLS / rate);
}

double falls_rate(const struct falls *f, struct falls_kind kind, double usual_per_second)
{
    int class = class_of(kind), size = size_of(kind.amps);
    double count = 0, seconds = 0, near_count = 0, near_seconds = 0;
    for (int k = 0; k < FALLS_SIZES; k++) {
        double share = k == size ? 1.0 : k == size - 1 || k == size + 1 ? 0.5 : 0.0;
        count += (double)f->count[class][k];
        seconds += (double)f->seconds[class][k];
        near_count += share * (double)f->count[class][k];
        near_seconds += share * (double)f->seconds[class][k];
    }
    double rate = usual_per_second;
    if (class == 1) /* several at once are rare: the other sizes tell too */
        rate = updated(rate, count, seconds);
    return updated(rate, near_count, near_seconds);
}

void falls_switched_on(struct falls *f)
{
    f->switch_ons += 1.0F;
}

void falls_ended_at_once(struct falls *f, double weight)
{
    f->ended_at_once += (float)weight;
}

double falls_ends_at_once(const struct falls *f, double usual)
{
    return ((double)f->ended_at_once + PRIOR_SWITCH_ONS * usual) /
           ((double)f->switch_ons + PRIOR_SWITCH_ONS);
}

void falls_lasted(struct falls *f, double amps, double seconds, double weight)
{
    f->lasted[f->lasted_count++ % FALLS_LASTED] = (struct falls_lasted){
        .seconds = (float)seconds, .amps = (float)amps, .weight = (float)fmax(weight, 1e-6)};
}

/* log-logistic */
static double prior_longer(double seconds)
{
    return 1.0 / (1.0 + pow(seconds / LASTED_MEDIAN_SECONDS, LASTED_SHAPE));
}

/* Share of the times at nothing that lie between the two, falls of that size counting most. */
static double share_lasted(const struct falls *f, double amps, double from, double to)
{
    double in = PRIOR_LASTED * (prior_longer(from) - (isinf(to) ? 0.0 : prior_longer(to)));
    double all = PRIOR_LASTED;
    for (int k = 0; k < FALLS_LASTED; k++) {
        const struct falls_lasted *l = &f->lasted[k];
        if (l->weight <= 0.0F)
            continue;
        bool alike = fabs(log((double)l->amps / fmax(amps, 1e-3))) < 0.35;
        double w = (double)l->weight * (alike ? 1.0 : 0.1);
        all += w;
        if ((double)l->seconds > from && (double)l->seconds <= to)
            in += w;
    }
    return in / all;
}

double falls_log_silence(const struct falls *f, double amps, double seconds)
{
    return log(share_lasted(f, amps, seconds, (double)INFINITY));
}

double falls_log_return(const struct falls *f, double amps, double seconds)
{
    return log(share_lasted(f, amps, seconds / sqrt(2.0), seconds * sqrt(2.0)));
}

void falls_low(struct falls *f, double amps)
{
    f->lows[f->low_count++ % FALLS_LOWS] = (float)amps;
}

static double normal(double x, double mean, double spread)
{
    double z = (x - mean) / spread;
    return exp(-0.5 * z * z) / (spread * sqrt(2.0 * M_PI));
}

double falls_log_low(const struct falls *f, double amps, double spread)
{
    uint32_t n = f->low_count < FALLS_LOWS ? f->low_count : FALLS_LOWS;
    double density = 2.0 * normal(amps, 0.0, LOW_BROAD_AMPS);
    for (uint32_t k = 0; k < n; k++)
        density += normal(amps, (double)f->lows[k], hypot(LOW_WIDTH_AMPS, spread));
    return log(density / (1.0 + (double)n) + 1e-9);
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

int falls_evenings_like(const struct falls *f, int64_t local_seconds)
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

void falls_fade(struct falls *f, int64_t local_seconds)
{
    int32_t day = (int32_t)floor_div(local_seconds, 86400);
    if (f->faded_day == day)
        return;
    bool first = f->faded_day == 0;
    f->faded_day = day;
    if (first)
        return;
    for (int c = 0; c < 2; c++)
        for (int k = 0; k < FALLS_SIZES; k++) {
            f->seconds[c][k] *= FADE_A_DAY;
            f->count[c][k] *= FADE_A_DAY;
        }
    f->switch_ons *= FADE_A_DAY;
    f->ended_at_once *= FADE_A_DAY;
}

void falls_save(const struct falls *f, struct codec_out *out)
{
    codec_put_u32(out, STATE_VERSION);
    for (int c = 0; c < 2; c++)
        for (int k = 0; k < FALLS_SIZES; k++) {
            codec_put_f32(out, f->seconds[c][k]);
            codec_put_f32(out, f->count[c][k]);
        }
    codec_put_f32(out, f->switch_ons);
    codec_put_f32(out, f->ended_at_once);
    codec_put_u32(out, f->low_count);
    for (int k = 0; k < FALLS_LOWS; k++)
        codec_put_f32(out, f->lows[k]);
    codec_put_u32(out, f->lasted_count);
    for (int k = 0; k < FALLS_LASTED; k++) {
        codec_put_f32(out, f->lasted[k].seconds);
        codec_put_f32(out, f->lasted[k].amps);
        codec_put_f32(out, f->lasted[k].weight);
    }
    codec_put_u32(out, f->evening_count);
    for (int k = 0; k < FALLS_EVENINGS; k++) {
        codec_put_u32(out, (uint32_t)f->evenings[k].day);
        codec_put_u32(out, (uint32_t)f->evenings[k].minute);
    }
    codec_put_u32(out, (uint32_t)f->faded_day);
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
    if (codec_get_u32(in) != STATE_VERSION)
        return false;
    for (int c = 0; c < 2; c++)
        for (int k = 0; k < FALLS_SIZES; k++) {
            f->seconds[c][k] = get_amount(in);
            f->count[c][k] = get_amount(in);
        }
    f->switch_ons = get_amount(in);
    f->ended_at_once = get_amount(in);
    f->low_count = codec_get_u32(in);
    for (int k = 0; k < FALLS_LOWS; k++)
        f->lows[k] = get_amount(in);
    f->lasted_count = codec_get_u32(in);
    for (int k = 0; k < FALLS_LASTED; k++) {
        f->lasted[k].seconds = get_amount(in);
        f->lasted[k].amps = get_amount(in);
        f->lasted[k].weight = get_amount(in);
    }
    f->evening_count = codec_get_u32(in);
    for (int k = 0; k < FALLS_EVENINGS; k++) {
        f->evenings[k].day = (int32_t)codec_get_u32(in);
        f->evenings[k].minute = (int32_t)codec_get_u32(in);
    }
    f->faded_day = (int32_t)codec_get_u32(in);
    if (in->failed)
        falls_init(f);
    return !in->failed;
}
