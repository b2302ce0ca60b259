/*
 * falls - how one circuit usually falls to nothing, and how long it stays there: learned.
 *
 * A fall by itself is a rate, judged from what is usual elsewhere for loads of that age
 * (evidence.h) and from this circuit's past:
 *     - one load: at what ages loads of that size ended before
 *     - several at once: falls that came, over falls that were expected while it carried such
 *       loads, per size (four steps an octave)
 *     - switch-ons, and how many of them ended at once
 * Beside that: how long the circuit then carries nothing; what it reads when its loads are off
 * (a small standing load, a meter's offset); whether it is switched off at night by habit.
 * Every observation carries a weight: the probability that it was no lost supply.
 * What is old fades: half of it in sixty days.
 *
 * Units      amps RMS, seconds, rates per second
 * Ownership  plain data, no pointers; falls_init is the right beginning
 */
#ifndef FORETRIP_FALLS_H
#define FORETRIP_FALLS_H

#include "step_sizes.h"
#include "stillness.h"

#include "base/codec.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define FALLS_SIZES 40 /* quarter octaves from 0.1 A to 100 A */
#define FALLS_PAST 64  /* newest falls */
#define FALLS_LOWS 16
#define FALLS_EVENINGS 24 /* newest falls that only a habit would explain */

struct falls_past {
    float amps, age_seconds; /* what fell, and how long its oldest load had run */
    float nothing_seconds;   /* how long nothing flowed then */
    float weight;            /* 0: free place */
    bool several;            /* loads at once */
    bool habit;              /* switched off for the night: says nothing of the loads */
};

struct falls_evening {
    int32_t day;    /* local days since 1970 */
    int32_t minute; /* of the day */
};

struct falls {
    float expected[FALLS_SIZES]; /* falls of several loads, by what is usual elsewhere */
    float pending[FALLS_SIZES];  /* and of the present spell, which is not over */
    float count[FALLS_SIZES];    /* falls of several loads that came */
    float watched_days;
    float switch_ons[FALLS_SIZES];
    float ended_at_once[FALLS_SIZES];
    float lows[FALLS_LOWS]; /* mean current while its loads were off */
    uint32_t low_count;
    struct falls_past past[FALLS_PAST];
    uint32_t past_count;
    struct falls_evening evenings[FALLS_EVENINGS];
    uint32_t evening_count;
    struct step_sizes steps;
    struct stillness off_level; /* what it reads while its loads are off */
    float habit_log_odds;       /* that it is switched off at night */
    int32_t habit_day;          /* the last night that was judged */
    int32_t faded_day;
};

void falls_init(struct falls *f);

/* Several loads carried `amps` for so long that so many falls were to be expected. */
void falls_carried(struct falls *f, double amps, double expected);

/* The spell of carrying is over, or has lasted a day. */
void falls_spell_over(struct falls *f);

/* A fall is over, and was one by itself with the probability `weight`. */
void falls_over(struct falls *f, const struct falls_past *past);

/* What the newest fall like this was is known better: its weight is set. */
void falls_correct(struct falls *f, float amps, float age_seconds, double weight);

/* One load of that size and age: falls per second. usual and longer: what is usual elsewhere,
 * the rate and the share that lasts longer. */
double falls_rate_of_one(const struct falls *f, double amps, double age_seconds, double usual,
                         double longer);

/* Several loads: how many times as often as elsewhere they fall so at that age. */
double falls_factor_of_several(const struct falls *f, double amps, double age_seconds);

/* The circuit was watched for so long. */
void falls_watched(struct falls *f, double seconds);

/* A load of that size was switched on. */
void falls_switched_on(struct falls *f, double amps);

/* And was gone with the next readings, by itself, with that probability. */
void falls_ended_at_once(struct falls *f, double amps, double weight);

/* Share of switch-ons of that size that end at once, by themselves. */
double falls_ends_at_once(const struct falls *f, double amps);

/* Switch-ons a day of loads of at least that size; usual where little is known. */
double falls_switch_ons_per_day(const struct falls *f, double least_amps, double usual);

/* A fall is over. */
void falls_over(struct falls *f, const struct falls_past *past);

/* Natural log of how many times as likely a load of that size ends at that age as it would
 * without a usual length. */
double falls_log_age(const struct falls *f, double amps, double age_seconds);

/* Natural log of P(stays at nothing longer than that) for a fall by itself. */
double falls_log_silence(const struct falls *f, double amps, double seconds);

/* Natural log of P(comes back about then, within a factor of the square root of 2). */
double falls_log_return(const struct falls *f, double amps, double seconds);

/* What it read while its loads were off. */
void falls_low(struct falls *f, double amps);

/* Natural log of the density of such a mean reading when its loads are off by themselves;
 * spread is the uncertainty of the mean. */
double falls_log_low(const struct falls *f, double amps, double spread);

/* A fall that nothing but a habit would explain. */
void falls_evening(struct falls *f, int64_t local_seconds);

/* How often a day a habit switches the circuit off at this time of the day. */
double falls_habit_per_day(const struct falls *f, int64_t local_seconds);

/* Called now and then, with whether the circuit carries anything: at three in the morning it
 * shows whether the circuit was switched off for the night. */
void falls_night(struct falls *f, int64_t local_seconds, bool carries);

/* Called about once a day. */
void falls_fade(struct falls *f, int64_t local_seconds);

void falls_save(const struct falls *f, struct codec_out *out);
/* False leaves *f as falls_init does. */
bool falls_load(struct falls *f, struct codec_in *in);

#endif
