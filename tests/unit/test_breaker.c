/* breaker: the standards' limits, forecasts, learning, gaps, verdicts, state */
#include "breaker_rig.h"

#include <stdlib.h>

/* every rating band of UL 489 and of IEC 60898-1 */
static const double ul_ratings[] = {15,  20,  30,  40,  50,  60,   100,
                                    150, 200, 400, 600, 800, 1000, 1200};
static const double iec_ratings[] = {6, 10, 16, 20, 32, 40, 63, 80, 125};

static void holds_and_opens_as_the_standard_says(enum site_standard standard, double rating,
                                                 char type)
{
    struct bench t;
    struct breaker_limits l = breaker_limits_of(standard, rating, type);
    struct breaker_forecast f;
    set_up(&t, standard, rating, type);
    feed(&t, 0.0, 10);
    /* 8 % of the weight is worn on purpose, and theta has a spread of 4 % */
    breakers_forecast(t.b, 0, 0.95 * l.hold * rating, &f);
    assert_true(f.chance[3] < 0.08);
    assert_true(breakers_chance(t.b, 0, 1.05 * l.open * rating, l.open_seconds) > 0.85);
    assert_true(breakers_chance(t.b, 0, l.quick * rating, 1.1 * l.quick_most_seconds) > 0.85);
    if (l.quick_least_seconds > 0.0)
        assert_true(breakers_chance(t.b, 0, l.quick * rating, 0.5 * l.quick_least_seconds) <
                    0.05);
    /* between must hold and must open nobody knows: the band contains both limits */
    double between = breakers_chance(t.b, 0, 0.5 * (l.hold + l.open) * rating, l.open_seconds);
    assert_true(between > 0.2 && between < 0.8);
    tear_down(&t);
}

static void every_rating_and_type_is_within_its_standard(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof ul_ratings / sizeof ul_ratings[0]; i++)
        holds_and_opens_as_the_standard_says(SITE_UL489, ul_ratings[i], 0);
    for (size_t i = 0; i < sizeof iec_ratings / sizeof iec_ratings[0]; i++)
        for (int k = 0; k < 3; k++)
            holds_and_opens_as_the_standard_says(SITE_IEC60898, iec_ratings[i], "BCD"[k]);
}

/* What the standards print, apart from what the code holds. IEC 60898-1, Table 7, rows a, b, c
 * and the instantaneous ranges; UL 489, 100, 135 and 200 % calibration, of which the 2 h above
 * 50 A and the 200 % times above 30 A are from memory. */
static void the_limits_are_the_published_ones(void **state)
{
    static const struct {
        double from_amps, to_amps; /* band */
        double open_seconds, quick_most_seconds;
    } ul[] = {{0, 30, 3600, 120},      {31, 50, 3600, 240},   {51, 100, 7200, 360},
              {101, 150, 7200, 480},   {151, 225, 7200, 600}, {226, 400, 7200, 720},
              {401, 600, 7200, 840},   {601, 800, 7200, 960}, {801, 1000, 7200, 1080},
              {1001, 1200, 7200, 1200}},
      iec[] = {{6, 32, 3600, 60}, {33, 63, 3600, 120}, {64, 125, 7200, 120}};
    static const double instant[3][2] = {{3, 5}, {5, 10}, {10, 20}};
    (void)state;
    for (size_t i = 0; i < sizeof ul / sizeof ul[0]; i++)
        for (int end = 0; end < 2; end++) {
            double amps = end ? ul[i].to_amps : fmax(1.0, ul[i].from_amps);
            struct breaker_limits l = breaker_limits_of(SITE_UL489, amps, 0);
            assert_near(l.hold, 1.00, 0.0);
            assert_near(l.open, 1.35, 0.0);
            assert_near(l.quick, 2.00, 0.0);
            assert_near(l.hold_celsius, 40.0, 0.0);
            assert_near(l.open_celsius, 25.0, 0.0);
            assert_near(l.open_seconds, ul[i].open_seconds, 0.0);
            assert_near(l.quick_most_seconds, ul[i].quick_most_seconds, 0.0);
        }
    for (size_t i = 0; i < sizeof iec / sizeof iec[0]; i++)
        for (int k = 0; k < 6; k++) {
            double amps = k < 3 ? iec[i].from_amps : iec[i].to_amps;
            struct breaker_limits l = breaker_limits_of(SITE_IEC60898, amps, "BCD"[k % 3]);
            assert_near(l.hold, 1.13, 0.0);
            assert_near(l.open, 1.45, 0.0);
            assert_near(l.quick, 2.55, 0.0);
            assert_near(l.open_seconds, iec[i].open_seconds, 0.0);
            assert_near(l.quick_least_seconds, 1.0, 0.0);
            assert_near(l.quick_most_seconds, iec[i].quick_most_seconds, 0.0);
            assert_near(l.instant_least, instant[k % 3][0], 0.0);
            assert_near(l.instant_most, instant[k % 3][1], 0.0);
        }
}

/* The line through the published re-rating tables, against them: a maker's trip-time correction
 * for 15, 20 and 30 A frames of UL 489, and one IEC data sheet's 0.5 % a degree above 30 C. */
static void the_air_rerates_as_published(void **state)
{
    static const double celsius[] = {10, 20, 25, 30, 40, 45, 50, 55, 60, 70};
    static const double factor[3][10] = {
        {1.21, 1.15, 1.11, 1.05, 1, 0.96, 0.92, 0.87, 0.83, 0.72},
        {1.16, 1.11, 1.08, 1.06, 1, 0.97, 0.94, 0.91, 0.88, 0.81},
        {1.16, 1.11, 1.08, 1.06, 1, 0.97, 0.94, 0.91, 0.87, 0.80}};
    static const double amps[3] = {15, 20, 30};
    (void)state;
    for (int k = 0; k < 3; k++) {
        struct breaker_limits l = breaker_limits_of(SITE_UL489, amps[k], 0);
        for (int i = 0; i < 10; i++)
            assert_near(breaker_limits_ambient(&l, celsius[i]), factor[k][i],
                        celsius[i] > 60.0 ? 0.11 : 0.06);
    }
    struct breaker_limits l = breaker_limits_of(SITE_IEC60898, 16, 'B');
    assert_near(breaker_limits_ambient(&l, 50.0), 0.90, 1e-12);
    assert_near(breaker_limits_ambient(&l, 30.0), 1.0, 0.0);
}

static void more_current_never_opens_it_later(void **state)
{
    struct bench t;
    double last = 0.0;
    (void)state;
    set_up(&t, SITE_UL489, 20, 0);
    feed(&t, 12.0, 400);
    for (double amps = 0.0; amps < 80.0; amps += 1.0) {
        double chance = breakers_chance(t.b, 0, amps, 300.0);
        assert_true(chance >= last - 1e-9);
        last = chance;
    }
    tear_down(&t);
}

static void the_polling_rate_does_not_matter(void **state)
{
    static const int64_t steps[3] = {100, 1000, 60000};
    double heat[3];
    (void)state;
    for (int k = 0; k < 3; k++) {
        struct bench t;
        set_up(&t, SITE_UL489, 15, 0);
        feed_every(&t, 0.0, 1800, steps[k]);
        feed_every(&t, 17.0, 600, steps[k]);
        heat[k] = breakers_heat(t.b, 0);
        tear_down(&t);
    }
    assert_near(heat[1], heat[0], 1e-6);
    assert_near(heat[2], heat[0], 1e-6);
}

/* a quiet circuit is stepped in batches: its heat is that of exact steps */
static void noise_on_a_quiet_circuit_leaves_its_heat_as_it_is(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, SITE_UL489, 15, 0);
    double base = 0.0, q = 0.0;
    for (int s = 0; s < 7200; s++) {
        double amps = 5.0 + 0.01 * (s * 7919 % 5 - 2);
        feed(&t, amps, 1);
        q += amps * amps / 225.0 / 7200.0;
    }
    base = breakers_heat(t.b, 0);
    tear_down(&t);
    set_up(&t, SITE_UL489, 15, 0);
    feed(&t, 15.0 * sqrt(q), 7200);
    assert_near(breakers_heat(t.b, 0), base, 2e-4);
    tear_down(&t);
}

static void what_it_holds_makes_the_quick_ones_less_likely(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, SITE_UL489, 15, 0);
    feed(&t, 0.0, 10);
    double before = breakers_chance(t.b, 0, 17.0, 900.0);
    for (int n = 0; n < 5; n++) {
        feed(&t, 17.0, 1500);
        feed(&t, 0.5, 5000);
    }
    assert_true(breakers_chance(t.b, 0, 17.0, 900.0) < 0.5 * before);
    assert_true(breakers_worn(t.b, 0) < 0.01);
    tear_down(&t);
}

static void an_opening_below_what_it_must_hold_is_a_worn_breaker(void **state)
{
    struct bench t;
    struct breaker_opening o;
    (void)state;
    set_up(&t, SITE_UL489, 15, 0);
    feed(&t, 0.3, 100);
    assert_true(breakers_worn(t.b, 0) < 0.06);
    feed(&t, 12.0, 300);
    feed(&t, 0.0, 1);
    breakers_opening(t.b, 0, &o);
    assert_near(o.amps, 12.0, 1e-5);
    assert_near(o.must_hold_amps, 15.0, 1e-9);
    assert_true(o.chance_worn > 100.0 * o.chance_overload);
    breakers_learn_opened(t.b, 0, 0.95);
    assert_true(breakers_worn(t.b, 0) > 0.9);
    assert_true(breakers_chance(t.b, 0, 12.5, 900.0) > 0.5);
    breakers_replaced(t.b, 0);
    assert_true(breakers_worn(t.b, 0) < 0.06);
    tear_down(&t);
}

/* What is told only once current flows again is about the fall, and little is learned from what
 * is hardly believed. */
static void a_late_lesson_is_about_the_fall(void **state)
{
    struct bench t;
    double worn[3];
    (void)state;
    for (int k = 0; k < 3; k++) {
        set_up(&t, SITE_UL489, 15, 0);
        feed(&t, 0.3, 100);
        feed(&t, 12.0, 300);
        feed(&t, 0.0, 1);
        if (k == 0)
            breakers_learn_opened(t.b, 0, 0.5);
        feed(&t, 0.0, 1200);
        feed(&t, 12.0, 3);
        if (k > 0)
            breakers_learn_opened(t.b, 0, k == 1 ? 0.5 : 0.05);
        worn[k] = breakers_worn(t.b, 0);
        tear_down(&t);
    }
    assert_near(worn[1], worn[0], 0.1);
    assert_true(worn[1] > 0.4);
    assert_true(worn[2] < 0.2);
}

static void an_opening_at_an_overload_teaches_without_a_verdict(void **state)
{
    struct bench t;
    struct breaker_opening o;
    (void)state;
    set_up(&t, SITE_UL489, 15, 0);
    feed(&t, 0.3, 100);
    double before = breakers_chance(t.b, 0, 18.0, 900.0);
    feed(&t, 18.0, 120);
    feed(&t, 0.0, 1);
    breakers_opening(t.b, 0, &o);
    assert_true(o.chance_overload > o.chance_worn);
    breakers_learn_opened(t.b, 0, 0.95);
    assert_true(breakers_worn(t.b, 0) < 0.3);
    feed(&t, 0.0, 3600);
    assert_true(breakers_chance(t.b, 0, 18.0, 900.0) > before);
    tear_down(&t);
}

static void neither_a_gap_nor_one_reading_makes_a_verdict(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, SITE_UL489, 15, 0);
    feed(&t, 2.0, 100);
    feed(&t, 300.0, 1); /* a bad one */
    feed(&t, 2.0, 100);
    assert_near(breakers_overdue_seconds(t.b, 0), 0.0, 0.0);
    assert_true(breakers_worn(t.b, 0) < 0.1);
    feed(&t, 24.0, 60);
    t.frame->mono_ms += 2 * 3600 * 1000; /* nothing is read for two hours */
    t.frame->wall_ms += 2 * 3600 * 1000;
    feed(&t, 24.0, 60);
    assert_near(breakers_overdue_seconds(t.b, 0), 0.0, 0.0);
    feed(&t, 24.0, 3700);
    assert_true(breakers_overdue_seconds(t.b, 0) > 0.0);
    tear_down(&t);
}

static void a_gap_widens_what_is_known(void **state)
{
    struct bench t;
    struct breaker_forecast held, rested, gap;
    (void)state;
    for (int k = 0; k < 3; k++) {
        set_up(&t, SITE_UL489, 15, 0);
        feed(&t, 0.0, 3600);
        feed(&t, 16.0, 60);
        if (k == 2) {
            t.frame->mono_ms += 300000;
            t.frame->wall_ms += 300000;
        } else {
            feed(&t, k ? 0.0 : 16.0, 300);
        }
        feed(&t, 16.0, 1);
        breakers_forecast(t.b, 0, 16.0, k == 0 ? &held : k == 1 ? &rested : &gap);
        tear_down(&t);
    }
    assert_true(gap.heat > rested.heat && gap.heat < held.heat);
}

static void state_survives_a_restart_and_damage_is_refused(void **state)
{
    struct bench t, u;
    struct codec_out out = {0};
    (void)state;
    set_up(&t, SITE_UL489, 15, 0);
    feed(&t, 0.3, 100);
    feed(&t, 12.0, 300);
    feed(&t, 0.0, 1);
    breakers_learn_opened(t.b, 0, 0.95);
    feed(&t, 14.0, 120);
    breakers_save(t.b, &out);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    set_up(&u, SITE_UL489, 15, 0);
    assert_true(breakers_load(u.b, &in));
    assert_near(breakers_worn(u.b, 0), breakers_worn(t.b, 0), 1e-6);
    u.frame->mono_ms = 5;
    u.frame->wall_ms = t.frame->wall_ms;
    feed(&u, 14.0, 1);
    assert_near(breakers_heat(u.b, 0), breakers_heat(t.b, 0), 0.05);
    tear_down(&u);
    for (size_t cut = 0; cut < out.length; cut += 37) { /* damaged: refused or of no circuit */
        in = (struct codec_in){.at = out.bytes, .end = out.bytes + cut};
        set_up(&u, SITE_UL489, 15, 0);
        if (breakers_load(u.b, &in))
            assert_true(cut <= 12);
        tear_down(&u);
    }
    codec_out_free(&out);
    tear_down(&t);
}

/* the current at which it opens within 15 minutes as likely as not */
static double even_amps(const struct breakers *b)
{
    double low = 1.0, high = 60.0;
    while (high - low > 1e-3) {
        double mid = 0.5 * (low + high);
        if (breakers_chance(b, 0, mid, 900.0) < 0.5)
            low = mid;
        else
            high = mid;
    }
    return high;
}

/* One that opened at some amps, then said to be of another rating, opens at the same amps. The
 * factors are moved by 2 ln(other / rating) / 0.08 levels, 7.2 from 15 A to 20 A, and read off
 * between two of them; the prior under them is that of the other rating. Both together may
 * shift the current by a level, which is 4 % of it, and a fifth for reading off between. */
static void a_breaker_rated_otherwise_still_opens_at_the_same_amps(void **state)
{
    static const struct {
        double rating, opened, other;
        int seconds;
    } cases[] = {
        {15, 14, 20, 600}, {15, 14, 20, 120}, {20, 16, 15, 600}, {20, 14, 15, 600},
        {20, 18, 15, 600}, {20, 18, 25, 600}, {15, 12, 20, 300},
    };
    (void)state;
    for (size_t n = 0; n < sizeof cases / sizeof cases[0]; n++) {
        struct bench t, u;
        struct codec_out out = {0};
        set_up(&t, SITE_UL489, cases[n].rating, 0);
        feed(&t, 0.3, 100);
        double fresh = even_amps(t.b);
        feed(&t, cases[n].opened, cases[n].seconds);
        feed(&t, 0.0, 1);
        breakers_learn_opened(t.b, 0, 0.95);
        feed(&t, 0.0, 7200);
        breakers_save(t.b, &out);
        struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
        set_up(&u, SITE_UL489, cases[n].other, 0);
        assert_true(breakers_load(u.b, &in)); /* and asked before anything was read */
        assert_true(even_amps(t.b) < 0.93 * fresh);
        assert_near(even_amps(u.b) / even_amps(t.b), 1.0, 0.048);
        codec_out_free(&out);
        tear_down(&u);
        tear_down(&t);
    }
}

/* 20 A of UL 489 at its reference of 40 C; at 25 C it is as good as one of 21.8 A */
static void the_narrower_word_on_the_air_wins(void **state)
{
    struct bench t;
    struct breaker_opening o;
    (void)state;
    for (int said = 0; said < 4; said++) { /* 1: by the panel, 2: by the circuit's own rule */
        set_up(&t, SITE_UL489, 20, 0);
        breakers_destroy(t.b);
        t.site.panels[0].ambient_celsius = said & 1 ? 50.0 : (double)NAN;
        t.rules.circuits[0].ambient_celsius = said & 2 ? 25.0 : 0.0;
        t.b = breakers_create(&t.site, &t.rules);
        feed(&t, 5.0, 5);
        breakers_opening(t.b, 0, &o);
        assert_near(o.must_hold_amps,
                    said & 2   ? 20.0 * (1.0 + 0.006 * 15.0)
                    : said & 1 ? 20.0 * (1.0 - 0.006 * 10.0)
                               : 20.0,
                    1e-9);
        tear_down(&t);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_rating_and_type_is_within_its_standard),
        cmocka_unit_test(the_limits_are_the_published_ones),
        cmocka_unit_test(the_air_rerates_as_published),
        cmocka_unit_test(more_current_never_opens_it_later),
        cmocka_unit_test(the_polling_rate_does_not_matter),
        cmocka_unit_test(noise_on_a_quiet_circuit_leaves_its_heat_as_it_is),
        cmocka_unit_test(what_it_holds_makes_the_quick_ones_less_likely),
        cmocka_unit_test(an_opening_below_what_it_must_hold_is_a_worn_breaker),
        cmocka_unit_test(a_late_lesson_is_about_the_fall),
        cmocka_unit_test(an_opening_at_an_overload_teaches_without_a_verdict),
        cmocka_unit_test(neither_a_gap_nor_one_reading_makes_a_verdict),
        cmocka_unit_test(a_gap_widens_what_is_known),
        cmocka_unit_test(state_survives_a_restart_and_damage_is_refused),
        cmocka_unit_test(a_breaker_rated_otherwise_still_opens_at_the_same_amps),
        cmocka_unit_test(the_narrower_word_on_the_air_wins),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
