/* falls: what a circuit teaches of its falls */
#include "check.h"

#include "analysis/falls.h"

#define DAY 86400

static void over(struct falls *f, float amps, float age, float nothing, float weight,
                 bool several)
{
    falls_over(f, &(struct falls_past){.amps = amps,
                                       .age_seconds = age,
                                       .nothing_seconds = nothing,
                                       .weight = weight,
                                       .several = several});
}

static void a_program_that_always_ends_at_its_length_is_expected_there(void **state)
{
    struct falls f;
    (void)state;
    falls_init(&f);
    double unknown = falls_rate_of_one(&f, 0.5, 1200, 1e-3, 0.05);
    assert_near(unknown, 1e-3, 1e-12); /* nothing known: as elsewhere */
    for (int k = 0; k < 10; k++)
        over(&f, 0.5F, 1200.0F, 1500.0F, 1.0F, false);
    assert_true(falls_rate_of_one(&f, 0.5, 1200, 1e-3, 0.05) > 5.0 * unknown);
    assert_true(falls_rate_of_one(&f, 0.5, 300, 3e-3, 0.2) < 3e-3 / 5.0);
    assert_near(falls_rate_of_one(&f, 5.0, 1200, 1e-3, 0.05), unknown, 1e-12); /* other size */
}

static void what_was_probably_a_trip_teaches_nothing(void **state)
{
    struct falls f;
    (void)state;
    falls_init(&f);
    for (int k = 0; k < 10; k++)
        over(&f, 0.5F, 1200.0F, 1500.0F, 0.0F, false);
    assert_near(falls_rate_of_one(&f, 0.5, 1200, 1e-3, 0.05), 1e-3, 1e-5);
}

static void several_that_never_fell_together_are_less_expected_to(void **state)
{
    struct falls f;
    (void)state;
    falls_init(&f);
    assert_near(falls_factor_of_several(&f, 9.0, 600), 1.0, 1e-9);
    falls_carried(&f, 9.0, 20.0);
    assert_near(falls_factor_of_several(&f, 9.0, 600), 1.0, 1e-9); /* the spell is not over */
    falls_spell_over(&f);
    assert_true(falls_factor_of_several(&f, 9.0, 600) < 0.1);
    for (int k = 0; k < 40; k++)
        over(&f, 9.0F, 600.0F, 100.0F, 1.0F, true);
    assert_true(falls_factor_of_several(&f, 9.0, 600) > 1.0);
}

static void a_load_that_flickers_at_its_start_is_known_by_its_size(void **state)
{
    struct falls f;
    (void)state;
    falls_init(&f);
    double usual = falls_ends_at_once(&f, 4.0);
    for (int k = 0; k < 20; k++) {
        falls_switched_on(&f, 4.0);
        falls_switched_on(&f, 0.5);
        falls_ended_at_once(&f, 4.0, 1.0);
    }
    assert_true(falls_ends_at_once(&f, 4.0) > 10.0 * usual);
    assert_true(falls_ends_at_once(&f, 0.5) < usual);
}

static void a_correction_replaces_the_weight_of_that_fall(void **state)
{
    struct falls f;
    (void)state;
    falls_init(&f);
    over(&f, 9.0F, 600.0F, 100.0F, 0.1F, true);
    over(&f, 2.0F, 50.0F, 100.0F, 1.0F, false);
    falls_correct(&f, 9.0F, 600.0F, 1.0);
    assert_near(f.past[0].weight, 1.0, 1e-6);
    assert_near(f.past[1].weight, 1.0, 1e-6);
    double count = 0;
    for (int k = 0; k < FALLS_SIZES; k++)
        count += (double)f.count[k];
    assert_near(count, 1.0, 1e-6);
}

static void silence_speaks_more_the_longer_it_is_unusual(void **state)
{
    struct falls f;
    (void)state;
    falls_init(&f);
    for (int k = 0; k < 30; k++)
        over(&f, 1.2F, 1100.0F, 1800.0F, 1.0F, false);
    double shortly = falls_log_silence(&f, 1.2, 600), hour = falls_log_silence(&f, 1.2, 7200);
    assert_true(shortly > -0.1);
    assert_true(hour < -3.0);
    assert_true(falls_log_silence(&f, 1.2, 86400) <= hour);
}

static void the_usual_rest_current_is_told_from_none(void **state)
{
    struct falls f;
    (void)state;
    falls_init(&f);
    for (int k = 0; k < 8; k++)
        falls_low(&f, 0.04);
    assert_true(falls_log_low(&f, 0.04, 0.004) > falls_log_low(&f, 0.003, 0.004) + 2.0);
}

static void a_strip_that_goes_off_every_night_becomes_a_habit(void **state)
{
    struct falls f;
    (void)state;
    falls_init(&f);
    int64_t evening = 20000LL * DAY + 22 * 3600 + 1800, afternoon = 20000LL * DAY + 15 * 3600;
    double first = falls_habit_per_day(&f, evening);
    assert_true(first > falls_habit_per_day(&f, afternoon));
    for (int night = 0; night < 3; night++) {
        falls_evening(&f, evening + night * DAY + night * 600);
        falls_night(&f, (20001LL + night) * DAY + 3 * 3600 + 60, false);
    }
    assert_true(falls_habit_per_day(&f, evening + 3 * DAY) > 10.0 * first);
    /* at another time of the day the habit explains little */
    assert_true(falls_habit_per_day(&f, afternoon + 3 * DAY) <
                falls_habit_per_day(&f, evening + 3 * DAY) / 20.0);
}

static void nights_with_the_loads_on_speak_against_a_habit(void **state)
{
    struct falls f;
    (void)state;
    falls_init(&f);
    int64_t evening = 20000LL * DAY + 22 * 3600;
    double first = falls_habit_per_day(&f, evening);
    for (int night = 0; night < 3; night++)
        falls_night(&f, (20001LL + night) * DAY + 3 * 3600 + 60, true);
    assert_true(falls_habit_per_day(&f, evening + 3 * DAY) < first / 20.0);
}

static void what_is_saved_comes_back_and_damage_is_refused(void **state)
{
    struct falls f, g;
    struct codec_out out = {0};
    (void)state;
    falls_init(&f);
    over(&f, 0.5F, 1200.0F, 1500.0F, 0.7F, true);
    falls_switched_on(&f, 4.0);
    falls_low(&f, 0.02);
    falls_evening(&f, 20000LL * DAY);
    falls_save(&f, &out);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(falls_load(&g, &in));
    assert_memory_equal(&f, &g, sizeof f);
    for (size_t cut = 0; cut < out.length; cut += 5) {
        in = (struct codec_in){.at = out.bytes, .end = out.bytes + cut};
        assert_false(falls_load(&g, &in));
    }
    codec_out_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_program_that_always_ends_at_its_length_is_expected_there),
        cmocka_unit_test(what_was_probably_a_trip_teaches_nothing),
        cmocka_unit_test(several_that_never_fell_together_are_less_expected_to),
        cmocka_unit_test(a_load_that_flickers_at_its_start_is_known_by_its_size),
        cmocka_unit_test(a_correction_replaces_the_weight_of_that_fall),
        cmocka_unit_test(silence_speaks_more_the_longer_it_is_unusual),
        cmocka_unit_test(the_usual_rest_current_is_told_from_none),
        cmocka_unit_test(a_strip_that_goes_off_every_night_becomes_a_habit),
        cmocka_unit_test(nights_with_the_loads_on_speak_against_a_habit),
        cmocka_unit_test(what_is_saved_comes_back_and_damage_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
