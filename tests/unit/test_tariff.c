/* tariff and energy: what holds when, and sums on days that are not of 24 hours */
#include "check.h"

#include "base/clock.h"
#include "store/energy.h"

#include <stdlib.h>

#define MINUTE(hour, minute) ((hour)*60 + (minute))

/* summer and winter peaks, nights, Saturdays, a holiday; the rest at 0.10 */
static const struct tariff common = {
    .currency = "USD",
    .per_kwh = 0.10,
    .fixed_per_day = 0.5,
    .seasons = {{"summer", 601, 930}, {"winter", 1101, 229}},
    .season_count = 2,
    .prices = {{"summer-peak", 0.40, 0, TARIFF_WORKDAYS, MINUTE(14, 0), MINUTE(19, 0)},
               {"winter-peak", 0.30, 1, TARIFF_WORKDAYS, MINUTE(6, 30), MINUTE(9, 15)},
               {"saturday", 0.08, -1, TARIFF_SATURDAYS, 0, TARIFF_DAY_MINUTES},
               {"night", 0.05, -1, TARIFF_EVERY_DAY, MINUTE(22, 0), MINUTE(6, 0)},
               {"sunday", 0.06, -1, TARIFF_SUNDAYS, MINUTE(10, 0), MINUTE(12, 0)}},
    .price_count = 5,
    .holidays = {{0, 704}, {2026, 1126}},
    .holiday_count = 2,
};

static void the_first_price_that_fits_is_the_one(void **state)
{
    static const struct {
        int year, month, day, minute;
        const char *price;
    } cases[] = {
        {2026, 7, 1, MINUTE(13, 45), "otherwise"}, /* a Wednesday */
        {2026, 7, 1, MINUTE(14, 0), "summer-peak"},
        {2026, 7, 1, MINUTE(18, 45), "summer-peak"},
        {2026, 7, 1, MINUTE(19, 0), "otherwise"},
        /* season borders */
        {2026, 6, 1, MINUTE(15, 0), "summer-peak"},
        {2026, 5, 29, MINUTE(15, 0), "otherwise"},
        {2026, 9, 30, MINUTE(15, 0), "summer-peak"},
        {2026, 10, 1, MINUTE(15, 0), "otherwise"},
        {2026, 11, 2, MINUTE(7, 0), "winter-peak"}, /* over the new year */
        {2026, 12, 31, MINUTE(7, 0), "winter-peak"},
        {2026, 1, 1, MINUTE(7, 0), "winter-peak"},
        {2026, 10, 30, MINUTE(7, 0), "otherwise"},
        /* the end of February, in a leap year and not */
        {2028, 2, 29, MINUTE(7, 0), "winter-peak"},
        {2028, 3, 1, MINUTE(7, 0), "otherwise"},
        {2027, 2, 26, MINUTE(7, 0), "winter-peak"},
        {2027, 3, 1, MINUTE(7, 0), "otherwise"},
        /* kinds of days */
        {2026, 7, 11, MINUTE(15, 0), "saturday"},
        {2026, 7, 11, MINUTE(23, 0), "saturday"}, /* before night in the list */
        {2026, 7, 12, MINUTE(11, 0), "sunday"},
        {2026, 7, 12, MINUTE(15, 0), "otherwise"},
        {2026, 11, 26, MINUTE(7, 0), "otherwise"}, /* a Thursday, but a holiday */
        {2026, 11, 26, MINUTE(11, 0), "sunday"},
        {2025, 11, 26, MINUTE(7, 0), "winter-peak"}, /* of that one year only */
        {2025, 7, 4, MINUTE(15, 0), "otherwise"},    /* of every year */
        {2026, 7, 4, MINUTE(15, 0), "otherwise"},    /* a Saturday that counts as a Sunday */
        /* over midnight */
        {2026, 7, 1, MINUTE(21, 45), "otherwise"},
        {2026, 7, 1, MINUTE(22, 0), "night"},
        {2026, 7, 1, MINUTE(0, 0), "night"},
        {2026, 7, 1, MINUTE(5, 45), "night"},
        {2026, 7, 1, MINUTE(6, 0), "otherwise"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        int64_t day = clock_days_from_date(cases[i].year, cases[i].month, cases[i].day);
        const char *found =
            tariff_slot_name(&common, tariff_slot(&common, day, cases[i].minute));
        if (strcmp(found, cases[i].price) != 0)
            fail_msg("%d-%02d-%02d %02d:%02d: %s, wanted %s", cases[i].year, cases[i].month,
                     cases[i].day, cases[i].minute / 60, cases[i].minute % 60, found,
                     cases[i].price);
    }
    assert_near(tariff_slot_price(&common, 0), 0.10, 0);
    assert_near(tariff_slot_price(&common, 2), 0.30, 0);
}

static void a_price_behind_others_that_cover_it_is_found(void **state)
{
    struct tariff t = common;
    (void)state;
    assert_int_equal(tariff_useless_price(&t), -1);
    t.prices[t.price_count++] =
        (struct tariff_price){"late", 0.2, 0, TARIFF_SATURDAYS, MINUTE(20, 0), MINUTE(21, 0)};
    assert_int_equal(tariff_useless_price(&t), 5);
    t.holidays[0].year = 0; /* 29 February alone is reason enough for a price */
    t.seasons[0] = (struct tariff_season){"leap", 229, 229};
    t.prices[5] =
        (struct tariff_price){"leap", 0.2, 0, TARIFF_EVERY_DAY, MINUTE(12, 0), MINUTE(13, 0)};
    t.prices[0] = t.prices[5];
    t.prices[5].days = TARIFF_SUNDAYS;
    assert_int_equal(tariff_useless_price(&t), 5);
}

static int32_t zone(void *context, int64_t wall_ms)
{
    return clock_utc_offset_seconds(context, wall_ms);
}

static char chicago[] = "America/Chicago", lord_howe[] = "Australia/Lord_Howe",
            kathmandu[] = "Asia/Kathmandu", utc[] = "UTC";

/* midnight of the local date, found by walking: independent of the code under test */
static int64_t midnight(char *name, int year, int month, int day)
{
    int64_t date = clock_days_from_date(year, month, day) * 86400000;
    for (int64_t t = date - 16 * 3600000;; t += 900000)
        if (t + zone(name, t) * 1000LL >= date)
            return t;
}

struct sums {
    struct energy_span *span;
    struct energy_day days[8];
};

/* 1 kW all the time */
static struct sums steady(const struct tariff *t, char *name, int64_t from, int64_t to)
{
    struct sums s = {.span = energy_span_create(t, from, to, zone, name)};
    assert_non_null(s.span);
    assert_true(s.span->day_count <= 8);
    struct history_bucket *q = malloc((s.span->count + 1) * sizeof *q);
    for (size_t i = 0; i < s.span->count; i++)
        q[i] = (struct history_bucket){1000, 1000, 1000, 1000, 900};
    energy_add(s.span, t, q, 1.0, s.days);
    free(q);
    return s;
}

static void days_on_which_clocks_change_have_their_own_length(void **state)
{
    static const struct {
        char *zone;
        int year, month, day;
        double hours, night_hours; /* 22:00 to 06:00 */
    } cases[] = {
        {chicago, 2026, 3, 7, 24, 8},
        {chicago, 2026, 3, 8, 23, 7},
        {chicago, 2026, 11, 1, 25, 9},
        {chicago, 2026, 11, 2, 24, 8},
        {chicago, 2028, 2, 29, 24, 8},      /* a day that most years do not have */
        {lord_howe, 2026, 4, 5, 24.5, 8.5}, /* by half an hour */
        {lord_howe, 2026, 10, 4, 23.5, 7.5},
        {kathmandu, 2026, 3, 8, 24, 8}, /* UTC+5:45 */
        {utc, 2026, 3, 8, 24, 8},
    };
    struct tariff t = {
        .currency = "USD",
        .per_kwh = 0.2,
        .prices = {{"night", 0.1, -1, TARIFF_EVERY_DAY, MINUTE(22, 0), MINUTE(6, 0)}},
        .price_count = 1};
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        int64_t from = midnight(cases[i].zone, cases[i].year, cases[i].month, cases[i].day);
        int64_t next = clock_days_from_date(cases[i].year, cases[i].month, cases[i].day) + 1;
        int y, m, d;
        clock_date_from_days(next, &y, &m, &d);
        struct sums s = steady(&t, cases[i].zone, from, midnight(cases[i].zone, y, m, d));
        double night = cases[i].night_hours, hours = cases[i].hours;
        assert_int_equal(s.span->day_count, 1);
        assert_int_equal(s.span->days[0], next - 1);
        assert_near(s.days[0].kwh, hours, 1e-9);
        assert_near(s.days[0].kwh_at[1], night, 1e-9);
        assert_near(s.days[0].kwh_at[0], hours - night, 1e-9);
        assert_near(s.days[0].cost, 0.1 * night + 0.2 * (hours - night), 1e-9);
        assert_near(s.days[0].seconds_without, 0, 0);
        energy_span_destroy(s.span);
    }
}

static void a_span_is_cut_at_local_midnights(void **state)
{
    int64_t from = midnight(chicago, 2028, 2, 28), to = midnight(chicago, 2028, 3, 2);
    struct sums s = steady(&common, chicago, from + 60000, to - 60000);
    (void)state;
    assert_int_equal(s.span->count, 3 * 96); /* whole quarters, outwards */
    assert_int_equal(s.span->edges[0], from);
    assert_int_equal(s.span->edges[s.span->count], to);
    assert_int_equal(s.span->day_count, 3);
    for (int d = 0; d < 3; d++)
        assert_near(s.days[d].kwh, 24, 1e-9);
    /* Monday and Tuesday 29 February are winter, Wednesday 1 March is not */
    assert_near(s.days[0].kwh_at[2], 2.75, 1e-9);
    assert_near(s.days[1].kwh_at[2], 2.75, 1e-9);
    assert_near(s.days[2].kwh_at[2], 0, 0);
    energy_span_destroy(s.span);
    s = steady(&common, chicago, to, from);
    assert_int_equal(s.span->count, 0);
    energy_span_destroy(s.span);
}

static void only_what_was_read_is_counted(void **state)
{
    int64_t from = midnight(utc, 2026, 7, 1);
    struct energy_span *span = energy_span_create(&common, from, from + 3600000, zone, utc);
    struct history_bucket q[4] = {{0, 0, 2000, 0, 900},
                                  {NAN, NAN, NAN, NAN, 0},
                                  {0, 0, 4000, 0, 450},
                                  {0, 0, -400, 0, 900}};
    struct energy_day day = {0}, all = {0};
    (void)state;
    assert_int_equal(span->count, 4);
    energy_add(span, &common, q, 1.0, &day);
    assert_near(day.kwh, 0.5 + 0.5 - 0.1, 1e-12); /* what is fed in counts back */
    assert_near(day.cost, 0.9 * 0.05, 1e-12);
    assert_near(day.seconds_without, 900 + 450, 1e-9);
    /* a second pole that was read all the time: the gap of the first stays told */
    q[1] = q[2] = q[3] = q[0];
    energy_add(span, &common, q, 0.5, &day);
    assert_near(day.kwh, 0.9 + 1.0, 1e-12);
    assert_near(day.seconds_without, 1350, 1e-9);
    energy_join(&all, &day);
    energy_join(&all, &day);
    assert_near(all.kwh, 3.8, 1e-12);
    assert_near(all.kwh_at[4], 3.8, 1e-12);
    energy_span_destroy(span);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_first_price_that_fits_is_the_one),
        cmocka_unit_test(a_price_behind_others_that_cover_it_is_found),
        cmocka_unit_test(days_on_which_clocks_change_have_their_own_length),
        cmocka_unit_test(a_span_is_cut_at_local_midnights),
        cmocka_unit_test(only_what_was_read_is_counted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
