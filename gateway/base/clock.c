#include "clock.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static int64_t read_us(clockid_t id)
{
    struct timespec t;
    clock_gettime(id, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

int64_t clock_mono_us(void)
{
    return read_us(CLOCK_BOOTTIME);
}

int64_t clock_mono_ms(void)
{
    return read_us(CLOCK_BOOTTIME) / 1000;
}

int64_t clock_wall_ms(void)
{
    return read_us(CLOCK_REALTIME) / 1000;
}

void clock_sleep_until_us(int64_t mono_us)
{
    struct timespec t = {.tv_sec = mono_us / 1000000, .tv_nsec = mono_us % 1000000 * 1000};
    while (clock_nanosleep(CLOCK_BOOTTIME, TIMER_ABSTIME, &t, NULL) == EINTR)
        ;
}

/* Howard Hinnant's public-domain civil calendar algorithms (date algorithms, 2013), restated */
int64_t clock_days_from_date(int year, int month, int day)
{
    int64_t y = month <= 2 ? year - 1 : year;
    int64_t era = (y >= 0 ? y : y - 399) / 400;
    int64_t yoe = y - era * 400;
    int64_t doy = (153 * (month + (month > 2 ? -3 : 9)) + 2) / 5 + day - 1;
    return era * 146097 + yoe * 365 + yoe / 4 - yoe / 100 + doy - 719468;
}

void clock_date_from_days(int64_t days, int *year, int *month, int *day)
{
    int64_t z = days + 719468;
    int64_t era = (z >= 0 ? z : z - 146096) / 146097;
    int64_t doe = z - era * 146097;
    int64_t yoe = (doe - doe / 1460 + doe / 36524 - doe / 146096) / 365;
    int64_t doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    int64_t mp = (5 * doy + 2) / 153;
    *day = (int)(doy - (153 * mp + 2) / 5 + 1);
    *month = (int)(mp < 10 ? mp + 3 : mp - 9);
    *year = (int)(yoe + era * 400 + (*month <= 2));
}

#define LAST_WALL_MS 253402300799999 /* 9999-12-31T23:59:59.999Z */

struct civil {
    int year, month, day, hour, minute, second, ms;
};

static struct civil civil_from_ms(int64_t wall_ms)
{
    if (wall_ms < 0)
        wall_ms = 0;
    if (wall_ms > LAST_WALL_MS)
        wall_ms = LAST_WALL_MS;
    struct civil c;
    clock_date_from_days(wall_ms / 86400000, &c.year, &c.month, &c.day);
    int64_t rest = wall_ms % 86400000;
    c.hour = (int)(rest / 3600000);
    c.minute = (int)(rest / 60000 % 60);
    c.second = (int)(rest / 1000 % 60);
    c.ms = (int)(rest % 1000);
    return c;
}

static char *put(char *p, int value, int digits)
{
    for (int i = digits - 1; i >= 0; i--) {
        p[i] = (char)('0' + value % 10);
        value /= 10;
    }
    return p + digits;
}

/* date and time of day, with these between their parts; "" for nothing */
static char *put_civil(char *p, const struct civil *c, const char *dash, const char *colon)
{
    p = stpcpy(put(p, c->year, 4), dash);
    p = stpcpy(put(p, c->month, 2), dash);
    p = stpcpy(put(p, c->day, 2), "T");
    p = stpcpy(put(p, c->hour, 2), colon);
    p = stpcpy(put(p, c->minute, 2), colon);
    return put(p, c->second, 2);
}

void clock_format_rfc3339(int64_t wall_ms, char out[CLOCK_RFC3339_SIZE])
{
    struct civil c = civil_from_ms(wall_ms);
    char *p = put_civil(out, &c, "-", ":");
    *p++ = '.';
    strcpy(put(p, c.ms, 3), "Z");
}

void clock_format_compact(int64_t wall_ms, char out[CLOCK_COMPACT_SIZE])
{
    struct civil c = civil_from_ms(wall_ms);
    strcpy(put_civil(out, &c, "", ""), "Z");
}

struct cursor {
    const char *at, *end;
};

static bool take_digits(struct cursor *c, int digits, int *value)
{
    if (c->end - c->at < digits)
        return false;
    int v = 0;
    for (int i = 0; i < digits; i++) {
        if (c->at[i] < '0' || c->at[i] > '9')
            return false;
        v = v * 10 + (c->at[i] - '0');
    }
    c->at += digits;
    *value = v;
    return true;
}

static bool take_any(struct cursor *c, const char *set)
{
    if (c->at == c->end || !strchr(set, *c->at) || *c->at == '\0')
        return false;
    c->at++;
    return true;
}

/* the fraction after a point, as milliseconds; at least one digit */
static bool take_fraction_ms(struct cursor *c, int *ms)
{
    int scale = 100, v = 0, n = 0;
    for (; c->at < c->end && *c->at >= '0' && *c->at <= '9'; c->at++, n++) {
        v += (*c->at - '0') * scale;
        scale /= 10;
    }
    *ms = v;
    return n > 0 && n <= 12;
}

static bool parse_unix(struct cursor c, int64_t *wall_ms)
{
    int64_t seconds = 0;
    int ms = 0, n = 0;
    for (; c.at < c.end && *c.at >= '0' && *c.at <= '9'; c.at++, n++)
        seconds = seconds * 10 + (*c.at - '0');
    if (n == 0 || n > 12)
        return false;
    if (c.at < c.end && (!take_any(&c, ".") || !take_fraction_ms(&c, &ms)))
        return false;
    if (c.at != c.end || seconds > LAST_WALL_MS / 1000)
        return false;
    *wall_ms = seconds * 1000 + ms;
    return true;
}

static int days_in_month(int year, int month)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
    return days[month - 1] + (month == 2 && leap);
}

static bool parse_rfc3339(struct cursor c, int64_t *wall_ms)
{
    struct civil t = {0};
    if (!take_digits(&c, 4, &t.year) || !take_any(&c, "-") || !take_digits(&c, 2, &t.month) ||
        !take_any(&c, "-") || !take_digits(&c, 2, &t.day) || !take_any(&c, "Tt ") ||
        !take_digits(&c, 2, &t.hour) || !take_any(&c, ":") || !take_digits(&c, 2, &t.minute) ||
        !take_any(&c, ":") || !take_digits(&c, 2, &t.second))
        return false;
    if (take_any(&c, ".") && !take_fraction_ms(&c, &t.ms))
        return false;
    int offset_minutes = 0;
    if (!take_any(&c, "Zz")) {
        int hours, minutes;
        bool west = c.at < c.end && *c.at == '-';
        if (!take_any(&c, "+-") || !take_digits(&c, 2, &hours) || !take_any(&c, ":") ||
            !take_digits(&c, 2, &minutes) || hours > 23 || minutes > 59)
            return false;
        offset_minutes = (hours * 60 + minutes) * (west ? -1 : 1);
    }
    /* second 60 is a leap second: the first moment of the next minute */
    if (c.at != c.end || t.year < 1970 || t.month < 1 || t.month > 12 || t.day < 1 ||
        t.day > days_in_month(t.year, t.month) || t.hour > 23 || t.minute > 59 || t.second > 60)
        return false;
    int64_t v = clock_days_from_date(t.year, t.month, t.day) * 86400;
    v += t.hour * 3600 + (t.minute - offset_minutes) * 60 + t.second;
    v = v * 1000 + t.ms;
    if (v < 0 || v > LAST_WALL_MS)
        return false;
    *wall_ms = v;
    return true;
}

bool clock_parse(const char *s, size_t length, int64_t *wall_ms)
{
    struct cursor c = {s, s + length};
    if (length > 4 && s[4] == '-')
        return parse_rfc3339(c, wall_ms);
    return parse_unix(c, wall_ms);
}

bool clock_zone_known(const char *zone)
{
    static const char folder[] = "/usr/share/zoneinfo/";
    char path[256], magic[4];
    size_t length = strlen(zone);
    if (length == 0 || zone[0] == '/' || strstr(zone, "..") ||
        sizeof folder + length > sizeof path)
        return false;
    if (strcmp(zone, "UTC") == 0)
        return true;
    memcpy(path, folder, sizeof folder - 1);
    memcpy(path + sizeof folder - 1, zone, length + 1);
    FILE *f = fopen(path, "rb");
    if (!f)
        return false;
    /* RFC 9636: the folder also holds directories and tables that are no zones */
    bool known =
        fread(magic, 1, sizeof magic, f) == sizeof magic && memcmp(magic, "TZif", 4) == 0;
    fclose(f);
    return known;
}

int32_t clock_utc_offset_seconds(const char *zone, int64_t wall_ms)
{
    const char *old = getenv("TZ");
    if (!old || strcmp(old, zone) != 0) { /* known and set already: asked once a frame */
        if (strcmp(zone, "UTC") == 0 || !clock_zone_known(zone))
            return 0;
        setenv("TZ", zone, 1);
        tzset();
    }
    time_t seconds = (time_t)(wall_ms / 1000);
    struct tm local;
    if (!localtime_r(&seconds, &local))
        return 0;
    return (int32_t)local.tm_gmtoff;
}
