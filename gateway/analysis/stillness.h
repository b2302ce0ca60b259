/*
 * stillness - how still a meter reads while a circuit carries nothing: learned.
 *
 * With the supply lost only the meter's own noise is left. With the loads merely off there may
 * be more: what stands by, the charging current of the wires, a filter in a plug. Whether it
 * shows, and how much, depends on meter and house, so nothing is assumed: the levels read after
 * openings that other evidence made sure of (of the whole site: it is the meter's) are held
 * against those read while the loads of this circuit were off. Where both look alike this says
 * nothing; where only one is known, the other may be like it or not.
 *
 * A level is the root mean square of the readings since the fall. It is compared on a log
 * scale, as well as it is known: that falls with the square root of the readings, and how
 * widely their squares spread shows in them. A meter that resolves 0.01 A reads that or
 * nothing, and its level is known better than that of fine noise.
 *
 * Units      amps RMS; natural logs
 * Ownership  plain data, no pointers; all zero is the right beginning
 */
#ifndef FORETRIP_STILLNESS_H
#define FORETRIP_STILLNESS_H

#include "base/codec.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define STILLNESS_PAST 32
#define STILLNESS_LEAST_POLLS 30 /* fewer say nothing */
#define STILLNESS_LEARN_POLLS                                                                  \
    240 /* fewer teach nothing: the pauses of one programme are one                            \
         */
#define STILLNESS_MARKS                                                                        \
    6 /* a level is taken after 30, 60 .. 960 readings; more are not read                      \
       */
#define STILLNESS_LOST_ODDS 5.0 /* of what was learned before the odds were */
#define STILLNESS_OFF_ODDS (-5.0)
#define STILLNESS_MOST_POLLS (STILLNESS_LEAST_POLLS << (STILLNESS_MARKS - 1))

/* What was read since the fall: mark k is the root mean square of the first 30 << k readings,
 * and the standard deviation of its log. */
struct stillness_seen {
    int marks;
    float rms[STILLNESS_MARKS];
    float unsure[STILLNESS_MARKS];
};

struct stillness {
    float level[STILLNESS_PAST];  /* newest levels, ln amps */
    float unsure[STILLNESS_PAST]; /* standard deviation of each */
    float odds[STILLNESS_PAST];   /* ln of the odds of a lost supply, by the other evidence */
    float lost[STILLNESS_PAST];   /* P(supply lost), as it was settled last */
    uint32_t count;               /* of all that were learned */
};

/* The readings since the fall are so many by now; the sums of their squares (A^2) and of the
 * fourth powers. */
void stillness_see(struct stillness_seen *seen, double square, double fourth, int polls);

/* Fourth power over square of the second, of a meter's normal noise whose lower half reads as
 * nothing. */
#define STILLNESS_USUAL_KURTOSIS 6.0

/* What was seen, to its last mark, and the odds of a lost supply without it. Too few readings
 * are left out. */
void stillness_learn(struct stillness *s, const struct stillness_seen *seen, double odds);

/* What is known without that level, which may have been learned. */
struct stillness stillness_without(const struct stillness *s,
                                   const struct stillness_seen *seen);

/* What a circuit is judged by. */
struct stillness_known {
    const struct stillness *lost; /* read on this site when a supply may have been lost */
    const struct stillness *off;  /* read on this circuit when its loads were off */
    const struct stillness *off_elsewhere; /* and on any circuit of the site */
    double empty; /* where nothing stands by, ln amps; NaN: not known */
};

/* Says anew of every level how likely it was read with the supply lost: those of a site, and of
 * its circuits; off[circuits] are changed. Returns what is read where nothing stands by. */
double stillness_settle(struct stillness *lost, struct stillness *off_elsewhere,
                        struct stillness *const off[], size_t circuits);

/* Both kinds of level were learned. */
bool stillness_knows(const struct stillness_known *k);

/* What is read while loads are off was learned, here or elsewhere. */
bool stillness_guesses(const struct stillness_known *k);

/* Natural log of P(read so | supply lost) / P(read so | loads off), by the mark of that number.
 */
double stillness_log_ratio(const struct stillness_known *k, const struct stillness_seen *seen,
                           int mark);

void stillness_save(const struct stillness *s, struct codec_out *out);
/* Before there were odds they are as given. False leaves *s all zero. */
bool stillness_load(struct stillness *s, struct codec_in *in, bool with_odds, double odds);

#endif
