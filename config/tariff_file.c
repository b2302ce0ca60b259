#include "tariff_file.h"

#include <stdio.h>
#include <string.h>

#define TIME_SIZE 16

/* as written; the dates and times are made of it afterwards */
struct raw_season {
    struct tariff_season season;
    char from[TIME_SIZE], to[TIME_SIZE];
};

struct raw_price {
    struct tariff_price price;
    char season[SITE_ID_SIZE];
    int days;
    char from[TIME_SIZE], to[TIME_SIZE];
};

struct raw_holiday {
    char date[TIME_SIZE];
};

static const char *const days_words[] = {"every",   "workdays", "saturdays",
                                         "sundays", "weekends", NULL}; /* enum tariff_days */

#define AT(type, member) .offset = offsetof(struct type, member)
#define TEXT_AT(type, member) AT(type, member), .size = sizeof((struct type *)0)->member
#define PRICE_RANGE .least = -100000, .most = 100000

const struct field tariff_fields[TARIFF_KEYS] = {
    [TARIFF_CURRENCY] = {"currency", FIELD_ID, .required = true, TEXT_AT(tariff, currency),
                         .help = "what prices are in, such as \"USD\""},
    [TARIFF_PER_KWH] = {"per_kwh", FIELD_NUMBER, .required = true, AT(tariff, per_kwh),
                        PRICE_RANGE, .help = "price of a kWh when none of `prices` holds"},
    [TARIFF_FIXED] = {"fixed_per_day", FIELD_NUMBER, AT(tariff, fixed_per_day), .least = 0,
                      .most = 100000, .fallback = "0",
                      .help = "what is paid a day without any energy"},
};

const struct field season_fields[SEASON_KEYS] = {
    [SEASON_ID] = {"id", FIELD_ID, .required = true, TEXT_AT(raw_season, season.id),
                   .help = "short name of the season"},
    [SEASON_FROM] = {"from", FIELD_TEXT, .required = true, TEXT_AT(raw_season, from),
                     .help = "its first day, month and day: \"06-01\""},
    [SEASON_TO] = {"to", FIELD_TEXT, .required = true, TEXT_AT(raw_season, to),
                   .help = "its last day; before `from`, it reaches over the new year"},
};

const struct field price_fields[PRICE_KEYS] = {
    [PRICE_ID] = {"id", FIELD_ID, .required = true, TEXT_AT(raw_price, price.id),
                  .help = "short name of the price"},
    [PRICE_PER_KWH] = {"per_kwh", FIELD_NUMBER, .required = true, AT(raw_price, price.per_kwh),
                       PRICE_RANGE, .help = "price of a kWh while it holds"},
    [PRICE_SEASON] = {"season", FIELD_ID, TEXT_AT(raw_price, season), .fallback = "all year",
                      .help = "id of the season in which it holds"},
    [PRICE_DAYS] = {"days", FIELD_WORD, AT(raw_price, days), .words = days_words,
                    .fallback = "\"every\"",
                    .help = "workdays are Monday to Friday without holidays, which count as "
                            "Sundays"},
    [PRICE_FROM] = {"from", FIELD_TEXT, TEXT_AT(raw_price, from), .fallback = "\"00:00\"",
                    .help = "when it begins, at a quarter hour of the site's clock"},
    [PRICE_TO] = {"to", FIELD_TEXT, TEXT_AT(raw_price, to), .fallback = "\"24:00\"",
                  .help = "when it ends; before `from`, it reaches over midnight"},
};

const struct field holiday_fields[HOLIDAY_KEYS] = {
    [HOLIDAY_DATE] = {"date", FIELD_TEXT, .required = true, TEXT_AT(raw_holiday, date),
                      .help = "\"12-25\" for every year, \"2026-11-26\" for one"},
};

enum { TOP_TARIFF, TOP_SEASONS, TOP_PRICES, TOP_HOLIDAYS, TOP_KEYS };
static const struct field top_fields[TOP_KEYS] = {
    [TOP_TARIFF] = {.name = "tariff", .kind = FIELD_GROUP},
    [TOP_SEASONS] = {.name = "seasons", .kind = FIELD_LIST},
    [TOP_PRICES] = {.name = "prices", .kind = FIELD_LIST},
    [TOP_HOLIDAYS] = {.name = "holidays", .kind = FIELD_LIST},
};

/* ---- dates and times ---- */

/* exactly of this shape, 0 for a digit: so that "6-1" or "14.30" are not guessed at */
static bool has_shape(const char *s, const char *shape)
{
    for (; *shape; s++, shape++)
        if (*shape == '0' ? *s < '0' || *s > '9' : *s != *shape)
            return false;
    return *s == '\0';
}

static int two(const char *s)
{
    return (s[0] - '0') * 10 + s[1] - '0';
}

/* "02-29" as 229; 0 when no year has that day */
static int date_of(const char *s)
{
    static const int days[] = {31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    if (!has_shape(s, "00-00"))
        return 0;
    int month = two(s), day = two(s + 3);
    return month >= 1 && month <= 12 && day >= 1 && day <= days[month - 1] ? month * 100 + day
                                                                           : 0;
}

static int read_date(const struct config_file *file, const config_setting_t *group,
                     const char *key, const char *s)
{
    int date = date_of(s);
    if (date == 0)
        field_error(file, field_line(group, key),
                    "%s = \"%s\" is no day of the year; write month and day, as \"06-01\"", key,
                    s);
    return date;
}

/* minutes since midnight, -1 when it is none at a quarter hour */
static int read_minute(const struct config_file *file, const config_setting_t *group,
                       const char *key, const char *s)
{
    int minute = has_shape(s, "00:00") && two(s + 3) < 60 ? two(s) * 60 + two(s + 3) : -1;
    if (minute >= 0 && minute <= TARIFF_DAY_MINUTES && minute % TARIFF_STEP_MINUTES == 0)
        return minute;
    field_error(file, field_line(group, key),
                "%s = \"%s\" is no quarter hour of a day; write it as \"14:00\" or \"14:15\", "
                "\"00:00\" to \"24:00\"",
                key, s);
    return -1;
}

/* ---- the lists ---- */

#define GIVEN(keys, row) (((keys).given & FIELD_BIT(row)) != 0)

static void read_season(struct tariff *t, const struct config_file *file,
                        const config_setting_t *group)
{
    struct raw_season raw = {0};
    struct fields_result keys =
        fields_read(file, group, "a season", season_fields, SEASON_KEYS, &raw);
    if (GIVEN(keys, SEASON_FROM))
        raw.season.from = read_date(file, group, "from", raw.from);
    if (GIVEN(keys, SEASON_TO))
        raw.season.to = read_date(file, group, "to", raw.to);
    for (size_t i = 0; GIVEN(keys, SEASON_ID) && i < t->season_count; i++)
        if (strcmp(t->seasons[i].id, raw.season.id) == 0)
            field_error(file, field_line(group, "id"), "there is a season \"%s\" already",
                        raw.season.id);
    if (raw.season.to == 228)
        field_warning(file, field_line(group, "to"),
                      "to = \"02-28\" leaves out 29 February; \"02-29\" is the end of February "
                      "in every year");
    t->seasons[t->season_count++] = raw.season;
}

static int find_season(const struct tariff *t, const struct config_file *file,
                       const config_setting_t *group, const char *id)
{
    struct nearest n = {.word = id};
    char did_you_mean[NEAREST_SIZE];
    for (size_t i = 0; i < t->season_count; i++) {
        if (strcmp(t->seasons[i].id, id) == 0)
            return (int)i;
        nearest_offer(&n, t->seasons[i].id);
    }
    nearest_say(&n, did_you_mean, sizeof did_you_mean);
    field_error(file, field_line(group, "season"),
                "season = \"%s\": there is no season of that id%s", id, did_you_mean);
    return -1;
}

static void read_price(struct tariff *t, const struct config_file *file,
                       const config_setting_t *group)
{
    struct raw_price raw = {.price = {.season = -1, .to_minute = TARIFF_DAY_MINUTES}};
    struct tariff_price *p = &raw.price;
    struct fields_result keys =
        fields_read(file, group, "a price", price_fields, PRICE_KEYS, &raw);
    if (GIVEN(keys, PRICE_FROM))
        p->from_minute = read_minute(file, group, "from", raw.from);
    if (GIVEN(keys, PRICE_TO))
        p->to_minute = read_minute(file, group, "to", raw.to);
    if (p->from_minute == p->to_minute && p->from_minute >= 0)
        field_error(file, field_line(group, "to"),
                    "price \"%s\" ends when it begins; leave out from and to for the whole day",
                    p->id);
    if (GIVEN(keys, PRICE_SEASON))
        p->season = find_season(t, file, group, raw.season);
    p->days = (enum tariff_days)raw.days;
    for (size_t i = 0; GIVEN(keys, PRICE_ID) && i < t->price_count; i++)
        if (strcmp(t->prices[i].id, p->id) == 0)
            field_error(file, field_line(group, "id"), "there is a price \"%s\" already",
                        p->id);
    t->prices[t->price_count++] = *p;
}

static void read_holiday(struct tariff *t, const struct config_file *file,
                         const config_setting_t *group)
{
    struct raw_holiday raw = {0};
    struct tariff_holiday h = {0};
    struct fields_result keys =
        fields_read(file, group, "a holiday", holiday_fields, HOLIDAY_KEYS, &raw);
    if (!GIVEN(keys, HOLIDAY_DATE))
        return;
    bool one_year = has_shape(raw.date, "0000-00-00");
    if (one_year)
        h.year = two(raw.date) * 100 + two(raw.date + 2);
    h.date = date_of(one_year ? raw.date + 5 : raw.date);
    if (h.date == 0)
        field_error(file, field_line(group, "date"),
                    "date = \"%s\" is no day; write \"12-25\" for every year or \"2026-11-26\" "
                    "for one",
                    raw.date);
    t->holidays[t->holiday_count++] = h;
}

typedef void read_group_fn(struct tariff *t, const struct config_file *file,
                           const config_setting_t *group);

static void read_list(struct tariff *t, const struct config_file *file, const char *name,
                      int most, read_group_fn *read)
{
    const config_setting_t *list = config_setting_get_member(file->root, name);
    int count = list && config_setting_is_list(list) ? config_setting_length(list) : 0;
    if (count > most)
        field_error(file, (int)config_setting_source_line(list), "%s has %d groups; %d fit",
                    name, count, most);
    for (int i = 0; i < count && i < most; i++)
        read(t, file, config_setting_get_elem(list, (unsigned)i));
}

/* ---- what has no effect ---- */

static void warn(const struct tariff *t, const struct config_file *file)
{
    const config_setting_t *list = config_setting_get_member(file->root, "seasons");
    for (size_t s = 0; s < t->season_count; s++) {
        size_t i = 0;
        while (i < t->price_count && t->prices[i].season != (int)s)
            i++;
        if (i == t->price_count)
            field_warning(file, field_line(config_setting_get_elem(list, (unsigned)s), "id"),
                          "no price is of the season \"%s\"", t->seasons[s].id);
    }
    int useless = tariff_useless_price(t);
    if (useless >= 0) {
        list = config_setting_get_member(file->root, "prices");
        field_warning(file, field_line(config_setting_get_elem(list, (unsigned)useless), "id"),
                      "price \"%s\" never holds: those before it take all of its times; the "
                      "first that fits is the one",
                      t->prices[useless].id);
    }
}

void tariff_file_read(struct tariff *t, const struct config_file *file)
{
    size_t before = file->faults->errors;
    struct fields_result top =
        fields_read(file, file->root, "tariff.cfg", top_fields, TOP_KEYS, NULL);
    if (top.given && !((top.given | top.faulty) & FIELD_BIT(TOP_TARIFF)))
        field_error(file, 0,
                    "has no group tariff; add tariff = { currency = ...; per_kwh = ...; }");
    const config_setting_t *group = config_setting_get_member(file->root, "tariff");
    if (group && config_setting_is_group(group))
        fields_read(file, group, "the group tariff", tariff_fields, TARIFF_KEYS, t);
    read_list(t, file, "seasons", TARIFF_SEASONS, read_season);
    read_list(t, file, "prices", TARIFF_PRICES, read_price);
    read_list(t, file, "holidays", TARIFF_HOLIDAYS, read_holiday);
    if (file->faults->errors == before)
        warn(t, file);
}
