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
    portrait_level(&p, 4, 60000, 0);
    portrait_level(&p, 2000, 20000, 0);
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
    portrait_level(&p, 1, 80000, 0);
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
        portrait_level(&p, 100, 3600, 0);
    assert_true(p.seconds < 5 * 86400.0F);
    for (int h = 0; h < 10 * 24; h++)
        portrait_level(&p, 10, 3600, 0);
    portrait_day(&p, day);
    assert_true(exp((double)day[DAY_OVER_20]) < 0.05);
}

static void what_rests_and_what_flutters_is_told(void **state)
{
    struct portrait p = {0};
    float day[SIGNATURE_DAY];
    (void)state;
    portrait_level(&p, 1, 43200, 3);
    portrait_level(&p, 40, 3200, 20);
    portrait_rest(&p, 40, 2, 1600); /* by half minutes in truth */
    portrait_rest(&p, 44, 2, 800);
    portrait_stir(&p);
    portrait_rest(&p, 90, 2, 0); /* after a movement: no flutter */
    portrait_rest(&p, 1, 9, 900);
    portrait_day(&p, day);
    assert_near(exp((double)day[DAY_FLUTTER]), 4.3, 1e-3);
    assert_near(exp((double)day[DAY_UNREST]), 2.5, 1e-3);
    assert_near(exp((double)day[DAY_MOVING]), 0.253, 1e-3);
    assert_near((double)day[DAY_EARLY], 0.244, 0.01);
    assert_near((double)day[DAY_LATE], 0.73, 0.01);
    assert_near((double)day[DAY_MORNING], 0, 1e-3);
}

static void a_peak_of_seconds_is_told(void **state)
{
    struct portrait p = {0};
    float day[SIGNATURE_DAY];
    (void)state;
    portrait_level(&p, 2, 86380, 0);
    portrait_level(&p, 160, 6, 12);
    portrait_day(&p, day);
    assert_near(exp((double)day[DAY_LEVEL_9995]) - 3, 2, 1);
    assert_near(exp((double)day[DAY_LEVEL_99997]) - 3, 160, 40);
}

/* 2 W, and 20 and 80 W for equal times: the same, however long they are. */
static void what_is_drawn_while_something_is_on_is_told(void **state)
{
    static const float hours[] = {3, 9};
    (void)state;
    for (size_t i = 0; i < sizeof hours / sizeof hours[0]; i++) {
        struct portrait p = {0};
        float day[SIGNATURE_DAY];
        portrait_level(&p, 2, (24 - 2 * hours[i]) * 3600, 0);
        portrait_level(&p, 20, hours[i] * 3600, 12);
        portrait_rest(&p, 20, 2, 1800);
        portrait_level(&p, 80, hours[i] * 3600, 18);
        portrait_rest(&p, 80, 2, 1800);
        portrait_day(&p, day);
        assert_near(exp((double)day[DAY_STANDBY]), 2, 0.3);
        assert_near(exp((double)day[DAY_UP_LOW]), 20, 5);
        assert_near((double)day[DAY_UP_SPREAD], log(4), 0.3);
        assert_near((double)day[DAY_UP_PEAK], 0, 0.2);
        assert_near((double)day[DAY_LEVELS], log(2), 1e-3); /* two, of equal share */
        assert_near((double)day[DAY_ONE_LEVEL], 0.5, 1e-3);
        assert_near(exp((double)(day[DAY_UNREST_SHARE] + day[DAY_UP_MIDDLE])), 2.5, 1e-3);
        assert_near((double)day[DAY_UNREST_VARY], log(0.05), 1e-3);
    }
}

static void what_never_comes_on_has_no_figures_of_it(void **state)
{
    struct portrait p = {0};
    float day[SIGNATURE_DAY];
    (void)state;
    portrait_level(&p, 3, 86400, 0);
    portrait_day(&p, day);
    assert_near(exp((double)day[DAY_STANDBY]), 3, 0.5);
    assert_true(isnan(day[DAY_UP_LOW]) && isnan(day[DAY_LEVELS]) && isnan(day[DAY_WANDER_UP]));
    assert_true(isnan(day[DAY_FROM_LOW]) && isnan(day[DAY_TO_LOW]));
}

/* A projector: its lamp strikes, warms up, and its fan runs on. */
static void steps_on_the_way_up_and_down_are_told(void **state)
{
    struct portrait p = {0};
    float day[SIGNATURE_DAY];
    (void)state;
    portrait_level(&p, 2, 80000, 0);
    portrait_level(&p, 230, 6000, 20);
    portrait_step(&p, 2, 50, 0);
    portrait_step(&p, 50, 230, 0);
    portrait_step(&p, 230, 200, 0); /* neither twice nor half */
    portrait_step(&p, 200, 30, 0);
    portrait_step(&p, 30, 2, 0);
    portrait_step(&p, 2, 2, 42); /* a pulse */
    portrait_day(&p, day);
    assert_near((double)day[DAY_FROM_LOW], 180.0 / 228, 1e-3);
    assert_near((double)day[DAY_TO_LOW], 170.0 / 198, 1e-3);
    assert_near(exp((double)day[DAY_WANDER_UP]) - 0.003, (228 + 30 + 198 + 80) / 6000.0, 1e-4);
}

/* Three appliances, told by one tree of two figures. */
static const char *const three =
    "appliances = ( { key = \"cold\"; name = \"Cold\"; group = \"wet\"; modes = ( { watts = [ "
    "1, 2, "
    "3 ]; } ); },"
    " { key = \"hot\"; name = \"Hot\"; modes = ( { watts = [ 1, 2, 3 ]; } ); },"
    " { key = \"wet\"; name = \"Wet\"; group = \"wet\"; modes = ( { watts = [ 1, 2, 3 ]; } ); "
    "} );\n"
    "day_classes = ( \"hot\", \"wet\", \"cold\", \"several\", \"gone\" );\n";

static void read_three(struct signature_set *set, const char *trees, size_t faults_wanted)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    char text[2048];
    *set = (struct signature_set){0};
    (void)snprintf(text, sizeof text, "%sday_trees = ( %s );\n", three, trees);
    const struct config_text file = {"appliances.cfg", text, strlen(text)};
    const struct config_source source = {.texts = &file, .count = 1};
    appliances_file_read(set, &source, &faults);
    if (faults.count != faults_wanted)
        print_error("%s: %s\n", trees, faults.count ? faults.list[0].text : "no fault");
    assert_int_equal(faults.count, faults_wanted);
    faults_free(&faults);
}

/* below 3: hot; else by the second figure: below or at 2 wet or cold, above several */
#define TREE "\"0 300 -2 0 100 1 200 -3 1 50 2 40 -2 3 90\""

static void trees_tell_which(void **state)
{
    struct signature_set set;
    float day[SIGNATURE_DAY];
    (void)state;
    for (int f = 0; f < SIGNATURE_DAY; f++)
        day[f] = NAN; /* lies below everything */
    read_three(&set, TREE ", " TREE, 0);
    struct portrait_guess g = portrait_judge(&set, day);
    assert_int_equal(g.kind, PORTRAIT_ONE);
    assert_string_equal(g.signature->key, "hot");
    assert_true(g.probability > 0.9F);
    day[0] = 4;
    g = portrait_judge(&set, day); /* of a group: its first, with the sum of both */
    assert_int_equal(g.kind, PORTRAIT_ONE);
    assert_string_equal(g.signature->key, "cold");
    day[1] = 5;
    g = portrait_judge(&set, day);
    assert_int_equal(g.kind, PORTRAIT_SEVERAL);
    signature_set_free(&set);
}

static void trees_that_do_not_agree_leave_it_unknown(void **state)
{
    struct signature_set set;
    float day[SIGNATURE_DAY] = {0};
    (void)state;
    read_three(&set, "\"-2 0 100\", \"-2 1 100\", \"-2 4 100\"", 0);
    struct portrait_guess g = portrait_judge(&set, day);
    assert_int_equal(g.kind, PORTRAIT_UNKNOWN);
    signature_set_free(&set);
}

static void without_trees_nothing_is_judged(void **state)
{
    struct signature_set set;
    float day[SIGNATURE_DAY] = {0};
    (void)state;
    read_three(&set, "", 0);
    assert_int_equal(portrait_judge(&set, day).kind, PORTRAIT_EARLY);
    signature_set_free(&set);
}

static void a_tree_that_is_none_is_a_fault(void **state)
{
    static const char *const trees[] = {
        "\"0 300 -2 0 100\"",    /* ends early */
        "\"-2 0 100 -2 0 100\"", /* goes on */
        "\"99 300 -1 -1\"",      /* no such figure */
        "\"-2 5 100\"",          /* no such class */
        "\"-2 0 101\"",          "\"x\"", "\"\"", "3", TREE ", \"0 300\"",
    };
    struct signature_set set;
    float day[SIGNATURE_DAY] = {0};
    (void)state;
    for (size_t i = 0; i < sizeof trees / sizeof trees[0]; i++) {
        read_three(&set, trees[i], 1);
        assert_int_equal(portrait_judge(&set, day).kind, PORTRAIT_EARLY);
        signature_set_free(&set);
    }
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
        cmocka_unit_test(what_rests_and_what_flutters_is_told),
        cmocka_unit_test(a_peak_of_seconds_is_told),
        cmocka_unit_test(what_is_drawn_while_something_is_on_is_told),
        cmocka_unit_test(what_never_comes_on_has_no_figures_of_it),
        cmocka_unit_test(steps_on_the_way_up_and_down_are_told),
        cmocka_unit_test(trees_tell_which),
        cmocka_unit_test(trees_that_do_not_agree_leave_it_unknown),
        cmocka_unit_test(without_trees_nothing_is_judged),
        cmocka_unit_test(a_tree_that_is_none_is_a_fault),
        CASE(a_circuit_is_judged_after_most_of_a_day),
        CASE(what_a_circuit_is_survives_a_restart),
        CASE(an_unknown_run_has_the_name_of_its_circuit_and_a_named_load_its_own),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
