/*
 * recorded_time - the time column of a recording, and what a clock that jumps does to it.
 *
 * Rows of one recording have times that look alike, so what changes from row to row is read
 * directly and the rest only compared; any other text goes through clock_parse.
 *
 * The wall clock of a recording may have been set. mono_ms, which heat and durations are taken
 * from, never goes back: when the wall time repeats or goes back, mono goes on by the usual
 * period (the median of the last intervals) and the row is counted; when it jumps forward, that
 * is a gap in the readings and mono jumps with it.
 */
#ifndef FORETRIP_RECORDED_TIME_H
#define FORETRIP_RECORDED_TIME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define RECORDED_FIRST_MONO_MS                                                                 \
    1000000                    /* any moment would do; not 0, and not like a wall time */
#define RECORDED_USUAL_MS 1000 /* before any interval was seen */
#define RECORDED_INTERVALS 32  /* a power of two */

struct recorded_time {
    int64_t wall_ms; /* of the row taken last */
    int64_t mono_ms;
    int32_t utc_offset_seconds;
    uint64_t rows;
    uint64_t set_back; /* rows whose wall time was not later than that of the row before */

    /* private */
    char zone[64];
    int64_t offset_from_ms, offset_until_ms; /* where utc_offset_seconds is known to hold */
    char high_text[8]; /* the first digits of the last Unix seconds, and their value */
    int64_t high_seconds;
    char text[40];       /* the last RFC 3339 text that was read in full */
    size_t length, tail; /* its length; where its zone begins */
    int64_t hour_ms;     /* its value without minutes, seconds, ms */
    int64_t intervals[RECORDED_INTERVALS];
};

/* Asks for the zone once, which sets TZ: before any thread is started. */
void recorded_time_init(struct recorded_time *t, const char *zone);

/* Takes the next row's time. False when the text is neither RFC 3339 nor Unix seconds; then
 * nothing has changed. `text` has 8 readable bytes beyond its end. */
bool recorded_time_take(struct recorded_time *t, const char *text, size_t length);

#endif
