#include "recorded_time.h"

#include "base/clock.h"
#include "base/text.h"

#include <string.h>

#define OFFSET_STEP_MS 1800000 /* no zone changes its offset but on a half hour of UTC */

void recorded_time_init(struct recorded_time *t, const char *zone)
{
    *t = (struct recorded_time){.mono_ms = RECORDED_FIRST_MONO_MS};
    text_copy(t->zone, sizeof t->zone, zone);
    t->utc_offset_seconds = clock_utc_offset_seconds(t->zone, 0);
}

static bool digits(const char *s, int n, int *value)
{
    int v = 0;
    for (int i = 0; i < n; i++) {
        unsigned d = (unsigned)(unsigned char)s[i] - '0';
        if (d > 9)
            return false;
        v = v * 10 + (int)d;
    }
    *value = v;
    return true;
}

/* "1767225600", "1767225600.25": ten digits and at most three behind the point. The first eight
 * change every hundred seconds. */
static bool parse_unix(struct recorded_time *t, const char *s, size_t length, int64_t *wall_ms)
{
    static const int scale[4] = {1000, 100, 10, 1};
    int high, low, fraction = 0;
    if (length < 10 || length == 11 || length > 14 || !digits(s + 8, 2, &low))
        return false;
    if (length > 10 && (s[10] != '.' || !digits(s + 11, (int)length - 11, &fraction)))
        return false;
    if (memcmp(s, t->high_text, 8) != 0) {
        if (!digits(s, 8, &high))
            return false;
        memcpy(t->high_text, s, 8);
        t->high_seconds = (int64_t)high * 100;
    }
    *wall_ms = (t->high_seconds + low) * 1000;
    if (length > 10)
        *wall_ms += (int64_t)fraction * scale[length - 11];
    return true;
}

/* "2026-01-01T05:" minutes ":" seconds ["." three digits] zone */
static bool clock_part(const char *s, size_t length, int *ms, size_t *tail)
{
    int minutes, seconds, fraction = 0;
    if (length < 20 || length >= 40 || !digits(s + 14, 2, &minutes) || s[16] != ':' ||
        !digits(s + 17, 2, &seconds) || minutes > 59 || seconds > 59)
        return false;
    *tail = 19;
    if (s[19] == '.' && length >= 24 && digits(s + 20, 3, &fraction))
        *tail = 23;
    *ms = (minutes * 60 + seconds) * 1000 + fraction;
    return true;
}

/* every minute of that hour is one that clock_parse takes: 1970 to 9999 */
static bool whole_hour_fits(int64_t hour_ms)
{
    return hour_ms >= 0 && hour_ms <= 253402300799999 - 3600000;
}

static bool parse(struct recorded_time *t, const char *s, size_t length, int64_t *wall_ms)
{
    int ms;
    size_t tail;
    if (parse_unix(t, s, length, wall_ms))
        return true;
    bool regular = clock_part(s, length, &ms, &tail);
    if (regular && length == t->length && tail == t->tail && memcmp(s, t->text, 14) == 0 &&
        memcmp(s + tail, t->text + tail, length - tail) == 0) {
        *wall_ms = t->hour_ms + ms;
        return true;
    }
    if (!clock_parse(s, length, wall_ms))
        return false;
    if (regular && s[4] == '-' && whole_hour_fits(*wall_ms - ms)) {
        memcpy(t->text, s, length);
        t->length = length;
        t->tail = tail;
        t->hour_ms = *wall_ms - ms;
    }
    return true;
}

static int64_t usual_period_ms(const struct recorded_time *t)
{
    int64_t sorted[RECORDED_INTERVALS] = {0};
    size_t n = 0;
    for (size_t i = 0; i < RECORDED_INTERVALS; i++) {
        if (t->intervals[i] == 0)
            continue;
        size_t at = n++;
        for (; at > 0 && sorted[at - 1] > t->intervals[i]; at--)
            sorted[at] = sorted[at - 1];
        sorted[at] = t->intervals[i];
    }
    return n > 0 ? sorted[n / 2] : RECORDED_USUAL_MS;
}

bool recorded_time_take(struct recorded_time *t, const char *text, size_t length)
{
    int64_t wall_ms;
    if (!parse(t, text, length, &wall_ms))
        return false;
    int64_t interval = wall_ms - t->wall_ms;
    if (t->rows == 0) {
        t->mono_ms = RECORDED_FIRST_MONO_MS;
    } else if (interval > 0) {
        t->mono_ms += interval;
        t->intervals[t->rows & (RECORDED_INTERVALS - 1)] = interval;
    } else {
        t->mono_ms += usual_period_ms(t);
        t->set_back++;
    }
    t->rows++;
    t->wall_ms = wall_ms;
    if (wall_ms < t->offset_from_ms || wall_ms >= t->offset_until_ms) {
        t->offset_from_ms = wall_ms - wall_ms % OFFSET_STEP_MS;
        t->offset_until_ms = t->offset_from_ms + OFFSET_STEP_MS;
        t->utc_offset_seconds = clock_utc_offset_seconds(t->zone, wall_ms);
    }
    return true;
}
