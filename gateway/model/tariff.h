/*
 * tariff - what a kilowatt hour costs, when.
 *
 * One price holds at all times; others hold at times of day, on kinds of days, in seasons. Of
 * those that hold at a moment the first in the file is the one. All of it goes by the site's
 * own clock: on the day on which clocks are set back an hour passes twice, at the same price.
 *
 * A day is one from 00:00 to 24:00 of that clock. A price that reaches over midnight (from
 * 22:00 to 06:00) holds on each side by the day of that side.
 *
 * Pure: dates and minutes come in, numbers go out; no zone is asked for, no clock read.
 *
 * Units      prices a kWh and a day in the currency's unit; days since 1970-01-01, minutes
 *            since midnight, both of the local clock
 */
#ifndef FORETRIP_TARIFF_H
#define FORETRIP_TARIFF_H

#include "site.h"

#define TARIFF_SEASONS 12
#define TARIFF_PRICES 48
#define TARIFF_HOLIDAYS 64
#define TARIFF_CURRENCY_SIZE 9
#define TARIFF_DAY_MINUTES 1440
#define TARIFF_STEP_MINUTES 15 /* prices change at quarters of an hour only */

/* On a holiday what holds on Sundays holds. */
enum tariff_days {
    TARIFF_EVERY_DAY,
    TARIFF_WORKDAYS,
    TARIFF_SATURDAYS,
    TARIFF_SUNDAYS,
    TARIFF_WEEKENDS
};

/* Dates of a year are month * 100 + day: 229 is 29 February. */
struct tariff_season {
    char id[SITE_ID_SIZE];
    int from, to; /* both included; from > to: over the new year */
};

struct tariff_price {
    char id[SITE_ID_SIZE];
    double per_kwh;
    int season; /* index, -1: all year */
    enum tariff_days days;
    int from_minute, to_minute; /* to not included; from > to: over midnight */
};

struct tariff_holiday {
    int year; /* 0: every year */
    int date;
};

struct tariff {
    char currency[TARIFF_CURRENCY_SIZE]; /* "": there is no tariff, only energy */
    double per_kwh;                      /* when no price of the list holds */
    double fixed_per_day;
    struct tariff_season seasons[TARIFF_SEASONS];
    size_t season_count;
    struct tariff_price prices[TARIFF_PRICES];
    size_t price_count;
    struct tariff_holiday holidays[TARIFF_HOLIDAYS];
    size_t holiday_count;
};

/* Slot 0 is per_kwh, slot i + 1 the i-th price. */
#define TARIFF_SLOTS (TARIFF_PRICES + 1)
size_t tariff_slot(const struct tariff *t, int64_t day, int minute);
double tariff_slot_price(const struct tariff *t, size_t slot);
/* "otherwise" for slot 0. */
const char *tariff_slot_name(const struct tariff *t, size_t slot);

bool tariff_in_season(const struct tariff_season *s, int date);
bool tariff_is_holiday(const struct tariff *t, int64_t day);
/* 0 Monday .. 6 Sunday. */
int tariff_weekday(int64_t day);

/* The first price that those before it never let hold, on no day of four years; -1 for none. */
int tariff_useless_price(const struct tariff *t);

#endif
