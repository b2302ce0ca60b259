/*
 * clock - the two clocks, and time as text.
 *
 * mono is for intervals, timers and heat, and counts suspended time (CLOCK_BOOTTIME); wall is
 * for rows, logs and messages (Unix milliseconds, UTC). One is never subtracted from the other.
 * Only the two mains and the drivers call clock_*; analysis gets its time in the frames.
 */
#ifndef FORETRIP_CLOCK_H
#define FORETRIP_CLOCK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

int64_t clock_mono_ms(void);
int64_t clock_mono_us(void);
int64_t clock_wall_ms(void);

/* Sleeps until mono reaches the deadline, through signals that do not ask to stop. */
void clock_sleep_until_us(int64_t mono_us);

/* "2026-01-01T00:00:00.000Z", 24 characters. Years 1970 to 9999; outside them the nearest end.
 */
#define CLOCK_RFC3339_SIZE 25
void clock_format_rfc3339(int64_t wall_ms, char out[CLOCK_RFC3339_SIZE]);

/* "20260101T000000Z" for identifiers and file names. */
#define CLOCK_COMPACT_SIZE 17
void clock_format_compact(int64_t wall_ms, char out[CLOCK_COMPACT_SIZE]);

/* Reads RFC 3339 ("2026-01-01T01:00:00.5+01:00", "Z", t and z and a blank for T allowed) or
 * Unix seconds with an optional fraction, exactly length bytes. False leaves *wall_ms
 * untouched. A fraction finer than a millisecond is rounded down. */
bool clock_parse(const char *s, size_t length, int64_t *wall_ms);

/* Days since 1970-01-01 of a date of the proleptic Gregorian calendar, and back. */
int64_t clock_days_from_date(int year, int month, int day);
void clock_date_from_days(int64_t days, int *year, int *month, int *day);

/* Seconds that the zone's clock is ahead of UTC at that moment; 0 for an unknown zone.
 * Reads the system's zone files: for mains and drivers only, never analysis. Not thread-safe
 * against another zone being asked for at the same time (it goes through TZ). */
int32_t clock_utc_offset_seconds(const char *zone, int64_t wall_ms);

/* True when the system knows the zone. */
bool clock_zone_known(const char *zone);

#endif
