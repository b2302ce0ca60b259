#include "tariff.h"

#include "base/clock.h"

#include <string.h>

int tariff_weekday(int64_t day)
{
    return (int)(((day + 3) % 7 + 7) % 7); /* 1970-01-01 was a Thursday */
}

bool tariff_in_season(const struct tariff_season *s, int date)
{
    return s->from <= s->to ? date >= s->from && date <= s->to
                            : date >= s->from || date <= s->to;
}

static int date_of(int64_t day, int *year)
{
    int month, in_month;
    clock_date_from_days(day, year, &month, &in_month);
    return month * 100 + in_month;
}

static bool is_holiday(const struct tariff *t, int year, int date)
{
    for (size_t i = 0; i < t->holiday_count; i++)
        if (t->holidays[i].date == date &&
            (t->holidays[i].year == 0 || t->holidays[i].year == year))
            return true;
    return false;
}

bool tariff_is_holiday(const struct tariff *t, int64_t day)
{
    int year, date = date_of(day, &year);
    return is_holiday(t, year, date);
}

static bool days_fit(enum tariff_days days, int weekday)
{
    switch (days) {
    case TARIFF_EVERY_DAY: return true;
    case TARIFF_WORKDAYS: return weekday < 5;
    case TARIFF_SATURDAYS: return weekday == 5;
    case TARIFF_SUNDAYS: return weekday == 6;
    case TARIFF_WEEKENDS: return weekday >= 5;
    }
    return false;
}

static bool minutes_fit(const struct tariff_price *p, int minute)
{
    return p->from_minute < p->to_minute ? minute >= p->from_minute && minute < p->to_minute
                                         : minute >= p->from_minute || minute < p->to_minute;
}

size_t tariff_slot(const struct tariff *t, int64_t day, int minute)
{
    int year, date = date_of(day, &year);
    int weekday = is_holiday(t, year, date) ? 6 : tariff_weekday(day);
    for (size_t i = 0; i < t->price_count; i++) {
        const struct tariff_price *p = &t->prices[i];
        if ((p->season < 0 || tariff_in_season(&t->seasons[p->season], date)) &&
            days_fit(p->days, weekday) && minutes_fit(p, minute))
            return i + 1;
    }
    return 0;
}

double tariff_slot_price(const struct tariff *t, size_t slot)
{
    return slot == 0 ? t->per_kwh : t->prices[slot - 1].per_kwh;
}

const char *tariff_slot_name(const struct tariff *t, size_t slot)
{
    return slot == 0 ? "otherwise" : t->prices[slot - 1].id;
}

int tariff_useless_price(const struct tariff *t)
{
    bool holds[TARIFF_SLOTS] = {false};
    int64_t first = clock_days_from_date(2024, 1, 1); /* a leap year, and three others */
    for (int64_t day = first; t->price_count > 0 && day < first + 1461; day++)
        for (int minute = 0; minute < TARIFF_DAY_MINUTES; minute += TARIFF_STEP_MINUTES)
            holds[tariff_slot(t, day, minute)] = true;
    for (size_t i = 0; i < t->price_count; i++)
        if (!holds[i + 1])
            return (int)i;
    return -1;
}
