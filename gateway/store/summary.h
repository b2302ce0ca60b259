/*
 * summary - what a minute, a quarter of an hour, an hour, a day of one channel amounted to.
 *
 * A minute is made of its readings; a quarter of its 15 minutes, an hour of its 4 quarters, a
 * day (UTC) of its 24 hours. Everything is whole numbers of the channel's step (store/block.h),
 * rounded in one way only, so that the same readings always give the same summaries, bit by
 * bit: `verify` makes them anew and compares.
 *
 * Weight of a reading: the time until the next one. When that is more than 2.5 times the hour's
 * usual interval (its median), readings are missing there: the reading counts for one interval
 * and the rest, like the time of a row without a value, is time with no reading. The mean is
 * over the time with readings; energy is the mean of the watts times that time
 * (docs/method/history.md).
 *
 * Pure: no clock, no file.
 */
#ifndef FORETRIP_STORE_SUMMARY_H
#define FORETRIP_STORE_SUMMARY_H

#include "pack.h"

enum summary_level { SUMMARY_MINUTE, SUMMARY_QUARTER, SUMMARY_HOUR, SUMMARY_DAY };
#define SUMMARY_LEVELS 4

#define SUMMARY_HOUR_MS INT64_C(3600000)
#define SUMMARY_DAY_MS INT64_C(86400000)

struct summary {
    int32_t least, most, mean, rms; /* least PACK_NOTHING: no reading at all */
    int32_t missing;                /* tenths of a second with no reading */
};

int64_t summary_span_ms(enum summary_level level);
/* Summaries are kept some hundreds together: how many, and so how long a piece is. */
size_t summary_count(enum summary_level level);
int64_t summary_piece_ms(enum summary_level level);

/* The piece and the place in it of a moment; times before 1970 go into the first. */
int64_t summary_piece(enum summary_level level, int64_t wall_ms);
size_t summary_place(enum summary_level level, int64_t wall_ms);

/* Nothing read in all of the span. */
struct summary summary_none(enum summary_level level);

/* The times of one hour, judged once for all of its channels. */
struct summary_grid {
    size_t n;
    int32_t *weights;       /* ms a row */
    size_t first[61];       /* row at which each minute begins; the last is n */
    int32_t missing_ms[60]; /* no row at all */
    int64_t interval_ms;    /* the usual one */
};

/* times: n of them, in order, within the hour that begins at hour_ms. False when memory is
 * short. */
bool summary_grid_init(struct summary_grid *g, const int64_t *times, size_t n, int64_t hour_ms);
void summary_grid_free(struct summary_grid *g);

/* values: one a row of the grid. */
void summary_minutes(const struct summary_grid *g, const int32_t *values,
                     struct summary minutes[60]);

/* n of the level below make one of this one. */
struct summary summary_join(enum summary_level level, const struct summary *parts, size_t n);

/* summary_count(level) of them, as bytes and back (false: damaged, or not so many). */
void summary_encode(struct packer *p, enum summary_level level, const struct summary *s,
                    struct codec_out *out);
bool summary_decode(struct packer *p, enum summary_level level, const uint8_t *bytes,
                    size_t length, struct summary *s);

#endif
