/* portrait: what a circuit is, taken whole, by its days */
#include "loads_rig.h"

#include "analysis/loads_inner.h"
#include "config/appliances_file.h"

#include <stdlib.h>

#define HOUR 3600.0

static void a_level_is_told_by_the_time_at_it(void **state)
{
    struct portrait p = {0};
    float day[SIGNATURE_DAY];
    (void)state;
    portrait_level(&p, 4, 60000);
    portrait_level(&p, 2000, 20000);
    portrait_day(&p, day);
    assert_near(exp((double)day[DAY_LEVEL_50]) - 3, 4, 1);
    assert_near(exp((double)day[DAY_LEVEL_90]), 2000, 300);
    assert_near(exp((double)day[DAY_OVER_500]), 0.25, 0.01);
    assert_near(exp((double)day[DAY_OVER_20]), 0.25, 0.01);
    assert_near(exp((double)day[DAY_MEAN]), 0.25 * 2000 + 0.75 * 4 + 1, 1);
    assert_true(isnan(day[DAY_SECONDS_BY_RUN]) && isnan(day[DAY_NIGHT]));
}

static void runs_are_told_by_size_length_and_gap(void **state)
{
    struct portrait p = {0};
    float day[SIGNATURE_DAY], x[SIGNATURE_FEATURES];
    (void)state;
    for (int f = 0; f < SIGNATURE_FEATURES; f++)
        x[f] = NAN;
    x[SIGNATURE_WATTS] = signature_scale(SIGNATURE_WATTS, 2000);
    x[SIGNATURE_SECONDS] = signature_scale(SIGNATURE_SECONDS, 180);
    portrait_level(&p, 1, 80000);
    for (int i = 0; i < 4; i++) /* 01:00, 05:00, 09:00 and 13:00, in a place an hour ahead */
        portrait_run(&p, x, LOADS_RIG_BEGIN_WALL_MS + (int64_t)i * 4 * 3600000, 3600);
    portrait_day(&p, day);
    assert_near((double)day[DAY_RUNS], log(4.62), 0.05);
    assert_near(exp((double)day[DAY_WATTS_BY_CHARGE]), 2000, 1);
    assert_near(exp((double)day[DAY_SECONDS_BY_RUN]), 185, 1);
    assert_near(exp((double)day[DAY_GAP]), 14410, 5);
    assert_near((double)day[DAY_NIGHT], 0.5, 1e-3);
    assert_near((double)day[DAY_EVENING], 0, 1e-3);
    assert_true(isnan(day[DAY_RIPPLE]));
}

static void what_is_long_ago_fades(void **state)
{
    struct portrait p = {0};
    float day[SIGNATURE_DAY];
    (void)state;
    for (int h = 0; h < 10 * 24; h++)
        portrait_level(&p, 100, 3600);
    assert_true(p.seconds < 5 * 86400.0F);
    for (int h = 0; h < 10 * 24; h++)
        portrait_level(&p, 10, 3600);
    portrait_day(&p, day);
    assert_true(exp((double)day[DAY_OVER_20]) < 0.05);
}

/* Three appliances of two figures; the rest of a day says nothing. */
static void signatures_of_three(struct signature_set *set)
{
    static const char *const keys[] = {"cold", "hot", "wet"};
    static const float at[][2] = {{2, 5}, {6, 1}, {6, 6}};
    *set = (struct signature_set){.signatures = calloc(3, sizeof *set->signatures), .count = 3};
    for (int f = 0; f < SIGNATURE_DAY; f++)
        set->day_centre[f] = NAN, set->day_width[f] = 1;
    set->day_centre[0] = set->day_centre[1] = 4;
    for (int i = 0; i < 3; i++) {
        struct signature *s = &set->signatures[i];
        strcpy(s->key, keys[i]);
        s->share = 1;
        s->days = calloc(1, sizeof *s->days);
        s->day_count = 1;
        for (int f = 0; f < SIGNATURE_DAY; f++)
            s->days[0][f] = f < 2 ? at[i][f] : NAN;
    }
}

static void runs_and_days_together_tell_which(void **state)
{
    struct signature_set set;
    struct portrait_odds runs = {.known = true, .one = {0, 6, 6}, .several = 6};
    float day[SIGNATURE_DAY];
    (void)state;
    signatures_of_three(&set);
    for (int f = 0; f < SIGNATURE_DAY; f++)
        day[f] = f == 0 ? 6 : f == 1 ? 1 : NAN;
    struct portrait_guess g = portrait_judge(&set, day, &runs); /* the runs know two */
    assert_int_equal(g.kind, PORTRAIT_ONE);
    assert_string_equal(g.signature->key, "hot");
    day[1] = 6;
    g = portrait_judge(&set, day, &runs);
    assert_string_equal(g.signature->key, "wet");
    day[1] = 3.5F; /* between them */
    g = portrait_judge(&set, day, &runs);
    assert_int_equal(g.kind, PORTRAIT_UNKNOWN);
    signature_set_free(&set);
}

static void loads_that_are_no_one_thing_are_several(void **state)
{
    struct signature_set set;
    struct portrait_odds runs = {.known = true, .one = {-20, -15, -30}, .several = 12};
    float day[SIGNATURE_DAY];
    (void)state;
    signatures_of_three(&set);
    set.several = calloc(1, sizeof *set.several);
    set.several_count = 1;
    for (int f = 0; f < SIGNATURE_DAY; f++)
        day[f] = set.several[0][f] = f < 2 ? 4 : NAN;
    struct portrait_guess g = portrait_judge(&set, day, &runs);
    assert_int_equal(g.kind, PORTRAIT_SEVERAL);
    assert_true(g.probability > 0.9F);
    signature_set_free(&set);
}

static void without_days_nothing_is_judged(void **state)
{
    struct signature_set set;
    struct portrait_odds runs = {0};
    float day[SIGNATURE_DAY] = {0};
    (void)state;
    signatures_of_three(&set);
    for (size_t i = 0; i < set.count; i++)
        set.signatures[i].day_count = 0;
    assert_int_equal(portrait_judge(&set, day, &runs).kind, PORTRAIT_EARLY);
    signature_set_free(&set);
}

/* Of what is shipped: its device's own day comes out as that appliance. */
static void a_shipped_day_is_recognised(void **state)
{
    static const char *const keys[] = {"refrigerator", "kettle", "washing_machine",
                                       "clothes_dryer"};
    struct signature_set set = {0};
    struct config_faults faults = CONFIG_FAULTS_INIT;
    const struct config_source none = {0};
    struct portrait_odds runs = {0};
    (void)state;
    appliances_file_read(&set, &none, &faults);
    assert_int_equal(faults.count, 0);
    assert_true(set.several_count >= 20);
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        const struct signature *s = signature_find(&set, keys[i]);
        assert_true(s->day_count >= 2);
        struct portrait_guess g = portrait_judge(&set, s->days[0], &runs);
        assert_string_equal(g.signature->key, keys[i]);
    }
    signature_set_free(&set);
}

static void compressor_day(struct loads_rig *b)
{
    for (int i = 0; i < 32; i++) {
        rig_hold(b, 1.6, 2);
        for (int k = 0; k < 15; k++)
            rig_hold(b, 0.42 - 0.004 * k, 60);
        rig_hold(b, 0, 1798);
    }
}

static void a_circuit_is_judged_after_most_of_a_day(void **state)
{
    struct loads_rig *b = *state;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    const struct config_source none = {0};
    struct loads_whole w;
    appliances_file_read(&b->signatures, &none, &faults);
    b->site.nominal_volts = 230;
    rig_begin(b, 0);
    rig_hold(b, 0, 600);
    loads_whole(b->loads, 0, &w);
    assert_false(w.judged);
    compressor_day(b);
    loads_whole(b->loads, 0, &w);
    assert_true(w.judged && !w.several);
    assert_string_equal(w.appliance[0] && strcmp(w.appliance, LOADS_UNKNOWN) != 0 ? w.appliance
                                                                                  : w.likely,
                        "refrigerator");
    assert_near(w.days, 1, 0.1);
    signature_set_free(&b->signatures);
}

static void what_a_circuit_is_survives_a_restart(void **state)
{
    struct loads_rig *b = *state;
    struct codec_out out = {0};
    struct portrait before;
    compressor_day(b);
    strcpy(b->loads->circuits[0].alone, "freezer");
    before = b->loads->circuits[0].portrait;
    loads_save(b->loads, &out);
    rig_begin(b, 0);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(loads_load(b->loads, &in));
    assert_memory_equal(&b->loads->circuits[0].portrait, &before, sizeof before);
    assert_string_equal(b->loads->circuits[0].alone, "freezer");
    codec_out_free(&out);
}

static void an_unknown_run_has_the_name_of_its_circuit_and_a_named_load_its_own(void **state)
{
    struct loads_rig *b = *state;
    struct loads_known known[LOADS_MAX_KNOWN];
    rig_hold(b, 0, 300);
    strcpy(b->loads->circuits[0].alone, "washing_machine");
    b->loads->circuits[0].alone_probability = 0.95F;
    rig_hold(b, 9.1, 400);
    rig_hold(b, 0, 300);
    assert_string_equal(b->events[b->count - 1].load.appliance, "washing_machine");
    assert_near(b->events[b->count - 1].load.appliance_probability, 0.95, 1e-3);
    assert_int_equal(loads_known(b->loads, 0, known), 1);
    assert_true(loads_name(b->loads, 0, known[0].id, "Laminator"));
    rig_hold(b, 9.1, 400);
    rig_hold(b, 0, 300);
    assert_string_equal(b->events[b->count - 1].load.appliance, "Laminator");
}

int main(void)
{
#define CASE(f) cmocka_unit_test_setup_teardown(f, loads_rig_set_up, loads_rig_tear_down)
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_level_is_told_by_the_time_at_it),
        cmocka_unit_test(runs_are_told_by_size_length_and_gap),
        cmocka_unit_test(what_is_long_ago_fades),
        cmocka_unit_test(runs_and_days_together_tell_which),
        cmocka_unit_test(loads_that_are_no_one_thing_are_several),
        cmocka_unit_test(without_days_nothing_is_judged),
        cmocka_unit_test(a_shipped_day_is_recognised),
        CASE(a_circuit_is_judged_after_most_of_a_day),
        CASE(what_a_circuit_is_survives_a_restart),
        CASE(an_unknown_run_has_the_name_of_its_circuit_and_a_named_load_its_own),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
