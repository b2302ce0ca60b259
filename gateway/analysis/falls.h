/*
 * falls - how one circuit usually falls to nothing, and how long it stays there: learned.
 *
 * A fall by itself is a rate: how often it came, over how long the circuit carried what fell.
 * Kept per size (four steps an octave) and apart for one load and for several at once, so that
 * a kettle's end says nothing about a kettle and a freezer that go in one poll. Beside that:
 *     - switch-ons, and how many of them ended at once
 *     - how long the circuit then carried nothing
 *     - what it reads when its loads are off (a small standing load, a meter's offset)
 *     - on which days, at what time, several loads went at once (a switched strip by habit)
 * Every observation carries a weight: the probability that it was no lost supply.
 * What is old fades: half of it in sixty days.
 *
 * Units      amps RMS, seconds, rates per second
 * Ownership  plain data, no pointers; falls_init is the right beginning
 */
#ifndef FORETRIP_FALLS_H
#define FORETRIP_FALLS_H

#include "base/codec.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define FALLS_SIZES 40  /* quarter octaves from 0.1 A to 100 A */
#define FALLS_LASTED 32 /* newest times at nothing */
#define FALLS_LOWS 16
#define FALLS_EVENINGS 24 /* newest falls of several loads */

struct falls_lasted {
    float seconds, amps, weight; /* weight 0: free place */
};

struct falls_evening {
    int32_t day;    /* local days since 1970 */
    int32_t minute; /* of the day */
};

struct falls {
    float seconds[2][FALLS_SIZES]; /* [one load, several] carried */
    float count[2][FALLS_SIZES];   /* and fell by itself */
    float switch_ons;
    float ended_at_once;
    float lows[FALLS_LOWS]; /* mean current while its loads were off */
    uint32_t low_count;
    struct falls_lasted lasted[FALLS_LASTED];
    uint32_t lasted_count;
    struct falls_evening evenings[FALLS_EVENINGS];
    uint32_t evening_count;
    int32_t faded_day;
};

/* What fell: `loads` independent ones, together `amps`. */
struct falls_kind {
    double amps;
    int loads;
};

void falls_init(struct falls *f);

/* The circuit carried that for so long. */
void falls_carried(struct falls *f, struct falls_kind kind, double seconds);

/* It fell by itself, with that probability. */
void falls_fell(struct falls *f, struct falls_kind kind, double weight);

/* Falls of this kind per second of carrying it, starting from what is usual elsewhere. */
double falls_rate(const struct falls *f, struct falls_kind kind, double usual_per_second);

/* A load was switched on. */
void falls_switched_on(struct falls *f);

/* And was gone with the next readings, by itself, with that probability. */
void falls_ended_at_once(struct falls *f, double weight);

/* Share of switch-ons that end at once, by themselves. */
double falls_ends_at_once(const struct falls *f, double usual);

/* It carried nothing for so long after a fall of that size. */
void falls_lasted(struct falls *f, double amps, double seconds, double weight);

/* Natural log of P(stays at nothing longer than that) for a fall by itself. */
double falls_log_silence(const struct falls *f, double amps, double seconds);

/* Natural log of P(comes back about then, within a factor of the square root of 2). */
double falls_log_return(const struct falls *f, double amps, double seconds);

/* What it read while its loads were off. */
void falls_low(struct falls *f, double amps);

/* Natural log of the density of such a mean reading when its loads are off by themselves;
 * spread is the uncertainty of the mean. */
double falls_log_low(const struct falls *f, double amps, double spread);

/* Several loads went at once, for no reason of the breaker's. */
void falls_evening(struct falls *f, int64_t local_seconds);

/* On how many of the last 21 days that happened within an hour and a half of this time. */
int falls_evenings_like(const struct falls *f, int64_t local_seconds);

/* Called about once a day. */
void falls_fade(struct falls *f, int64_t local_seconds);

void falls_save(const struct falls *f, struct codec_out *out);
/* False leaves *f as falls_init does. */
bool falls_load(struct falls *f, struct codec_in *in);

#endif
