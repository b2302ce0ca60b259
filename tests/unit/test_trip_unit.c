/* the simulated breakers: every sound one keeps its standard, judged by an integration of its
 * own */
#include "check.h"

#include "drivers/simulated/trip_unit.h"

#define BREAKERS 1000

/* Seconds until the bimetal reaches 1, by Euler steps of 20 ms on the two bodies as trip_unit.h
 * states them; `limit` when not before. *b and *s go on from where they are. */
static double seconds_to_open(const struct trip_unit *u, double *b, double *s, double times,
                              double celsius, double limit)
{
    const double dt = 0.02;
    double a = (celsius - u->reference_celsius) / u->rise_celsius;
    double source = (1.0 - u->share) * (times / u->hold) * (times / u->hold);
    for (double t = dt; t < limit; t += dt) {
        double flow = *b - *s;
        *b += dt / u->bimetal_seconds * (source - flow);
        *s += dt / u->around_seconds * (u->share / (1.0 - u->share) * flow - (*s - a));
        if (*b >= 1.0)
            return t;
    }
    return limit;
}

static double cold_to_open(const struct trip_unit *u, double times, double celsius,
                           double limit)
{
    double a = (celsius - u->reference_celsius) / u->rise_celsius, s = a;
    return seconds_to_open(u, &a, &s, times, celsius, limit);
}

/* UL 489 calibration: 135 % and 200 % at 25 C, 100 % at 40 C; references 01, 1.3 */
static void sound_ul_breakers_keep_ul489(void **state)
{
    static const struct {
        double rating, hour, at_200_percent;
    } rows[] = {{15, 3600, 120}, {20, 3600, 120}, {30, 3600, 120},
                {50, 3600, 240}, {60, 7200, 360}, {100, 7200, 360}};
    struct chance c = chance_seed(7, "ul");
    (void)state;
    for (int i = 0; i < BREAKERS; i++) {
        double rating = rows[i % 6].rating;
        struct trip_unit u = trip_unit_draw(SITE_UL489, rating, '\0', TRIP_UNIT_SOUND, &c);
        assert_true(cold_to_open(&u, 1.35, 25, rows[i % 6].hour) < rows[i % 6].hour);
        assert_true(cold_to_open(&u, 2.0, 25, rows[i % 6].at_200_percent) <
                    rows[i % 6].at_200_percent);
        /* holds for ever: the steady state, 1/m^2 of the rise above a panel at 40 C */
        assert_true(1.0 / (u.hold * u.hold) + 15.0 / u.rise_celsius < 1.0);
        assert_true(u.magnetic >= 5.0 && u.magnetic <= 20.0);
    }
}

/* IEC 60898-1 Table 7 rows a, b, c at 30 C; references 01, 1.1 */
static void sound_iec_breakers_keep_iec60898(void **state)
{
    static const struct {
        double rating;
        char type;
        double hour, longest, least_magnetic, most_magnetic;
    } rows[] = {{6, 'B', 3600, 60, 3, 5},    {16, 'B', 3600, 60, 3, 5},
                {20, 'C', 3600, 60, 5, 10},  {32, 'D', 3600, 60, 10, 20},
                {63, 'C', 3600, 120, 5, 10}, {80, 'C', 7200, 120, 5, 10}};
    struct chance c = chance_seed(8, "iec");
    (void)state;
    for (int i = 0; i < BREAKERS; i++) {
        double b = 0.0, s = 0.0, hour = rows[i % 6].hour;
        struct trip_unit u = trip_unit_draw(SITE_IEC60898, rows[i % 6].rating, rows[i % 6].type,
                                            TRIP_UNIT_SOUND, &c);
        double t = cold_to_open(&u, 2.55, 30, rows[i % 6].longest);
        assert_true(t > 1.0 && t < rows[i % 6].longest);
        assert_true(seconds_to_open(&u, &b, &s, 1.13, 30, hour) == hour);
        assert_true(seconds_to_open(&u, &b, &s, 1.45, 30, hour) < hour);
        assert_true(u.magnetic > rows[i % 6].least_magnetic &&
                    u.magnetic < rows[i % 6].most_magnetic);
    }
}

static void breakers_of_one_rating_differ(void **state)
{
    struct chance c = chance_seed(9, "spread");
    double least = 1e9, most = 0.0;
    (void)state;
    for (int i = 0; i < 200; i++) {
        struct trip_unit u = trip_unit_draw(SITE_UL489, 15, '\0', TRIP_UNIT_SOUND, &c);
        double t = cold_to_open(&u, 1.8, 25, 7200);
        least = fmin(least, t);
        most = fmax(most, t);
    }
    assert_true(most > 4.0 * least);
}

static void worn_breakers_open_at_a_current_they_must_carry(void **state)
{
    struct chance c = chance_seed(10, "worn");
    (void)state;
    for (int i = 0; i < 100; i++) {
        struct trip_unit u = trip_unit_draw(SITE_UL489, 20, '\0', TRIP_UNIT_WORN, &c);
        assert_true(cold_to_open(&u, 1.0, 25, 36000) < 36000);
        assert_true(!trip_unit_keeps_standard(&u, SITE_UL489));
    }
}

static void stuck_breakers_open_by_the_magnet_only(void **state)
{
    struct chance c = chance_seed(11, "stuck");
    struct trip_unit u = trip_unit_draw(SITE_UL489, 20, '\0', TRIP_UNIT_STUCK, &c);
    struct trip_heat h = {0};
    (void)state;
    assert_true(trip_unit_seconds(&u, h, 40.0, 25, 7200) == 7200);
    assert_int_equal(trip_unit_step(&u, &h, 20.0 * (u.magnetic + 0.1), 25, 0.1),
                     TRIP_UNIT_MAGNET);
}

/* what one time constant cannot do: the bimetal has long cooled, its surroundings have not */
static void surroundings_remember_after_the_bimetal_forgot(void **state)
{
    struct trip_unit u = {20, 1.15, 0.35, 20, 1200, 80, 25, 8, false};
    struct trip_heat h = {0};
    (void)state;
    for (int i = 0; i < 36000; i++)
        assert_int_equal(trip_unit_step(&u, &h, 20.0, 25, 0.1), TRIP_UNIT_HOLDS);
    for (int i = 0; i < 1500; i++)
        trip_unit_step(&u, &h, 0.0, 25, 0.1);
    assert_true(h.bimetal - h.around < 0.01);
    assert_true(h.around > 0.15);
    double warm = trip_unit_seconds(&u, h, 32.0, 25, 3600);
    double cold = trip_unit_seconds(&u, (struct trip_heat){0}, 32.0, 25, 3600);
    assert_true(warm < 0.8 * cold);
}

static void a_warm_panel_opens_sooner(void **state)
{
    struct trip_unit u = {20, 1.2, 0.3, 30, 900, 80, 25, 8, false};
    (void)state;
    assert_true(cold_to_open(&u, 1.35, 40, 7200) < 0.8 * cold_to_open(&u, 1.35, 25, 7200));
    /* -0.6 % per degree about 40 C, references 01, 1.4: the current it carries for ever */
    double at_25 = 1.2, at_40 = 1.2 * sqrt(1.0 - 15.0 / 80.0);
    assert_near((at_40 / at_25 - 1.0) / 15.0, -0.006, 0.0015);
    struct trip_heat h = {15.0 / 80.0, 15.0 / 80.0};
    assert_true(trip_unit_seconds(&u, h, 20.0 * (at_40 - 0.01), 40, 36000) == 36000);
    assert_true(trip_unit_seconds(&u, h, 20.0 * (at_40 + 0.02), 40, 36000) < 36000);
}

static void the_step_does_not_matter(void **state)
{
    struct trip_unit u = {15, 1.15, 0.3, 25, 600, 80, 25, 8, false};
    (void)state;
    for (double times = 1.25; times < 3.0; times += 0.25) {
        struct trip_heat fine = {0}, coarse = {0};
        double seconds = 0.8 * cold_to_open(&u, times, 25, 3600);
        for (int i = 0; i < (int)seconds * 100; i++)
            trip_unit_step(&u, &fine, 15 * times, 25, 0.01);
        for (int i = 0; i < (int)seconds * 2; i++)
            trip_unit_step(&u, &coarse, 15 * times, 25, 0.5);
        assert_near(coarse.bimetal, fine.bimetal, 1e-3);
        assert_near(coarse.around, fine.around, 1e-3);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sound_ul_breakers_keep_ul489),
        cmocka_unit_test(sound_iec_breakers_keep_iec60898),
        cmocka_unit_test(breakers_of_one_rating_differ),
        cmocka_unit_test(worn_breakers_open_at_a_current_they_must_carry),
        cmocka_unit_test(stuck_breakers_open_by_the_magnet_only),
        cmocka_unit_test(surroundings_remember_after_the_bimetal_forgot),
        cmocka_unit_test(a_warm_panel_opens_sooner),
        cmocka_unit_test(the_step_does_not_matter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
