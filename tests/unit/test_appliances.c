/* appliances: what is shipped, and what it says of the plainest runs */
#include "check.h"

#include "analysis/appliances.h"
#include "config/appliances_file.h"

#include <stdlib.h>

static int shipped(void **state)
{
    struct signature_set *set = calloc(1, sizeof *set);
    struct config_faults faults = CONFIG_FAULTS_INIT;
    const struct config_source none = {0};
    appliances_file_read(set, &none, &faults);
    assert_int_equal(faults.count, 0);
    *state = set;
    return 0;
}

static int drop(void **state)
{
    signature_set_free(*state);
    free(*state);
    return 0;
}

static void forty_appliances_and_more_are_shipped(void **state)
{
    const struct signature_set *set = *state;
    assert_true(set->count >= 40);
    for (size_t i = 0; i < set->count; i++) {
        const struct signature *s = &set->signatures[i];
        float parts = 0;
        assert_true(s->watts_low > 0 && s->watts_low < s->watts_high);
        for (size_t m = 0; m < s->mode_count; m++)
            parts += s->modes[m].part;
        assert_near((double)parts, 1, 1e-4);
        assert_ptr_equal(signature_find(set, s->key), s);
    }
}

static struct run_shape flat(double watts, float seconds)
{
    float amps = (float)(watts / 230);
    return (struct run_shape){.amps = amps,
                              .first = amps,
                              .last = amps * 0.99F,
                              .most = amps,
                              .inrush = amps,
                              .spread = 0.004F,
                              .ripple = 0.002F,
                              .seconds = seconds,
                              .on_seconds = seconds,
                              .changes = 0.4F,
                              .pulses = 1};
}

static const char *name_of(const struct signature_set *set, const struct run_shape *s)
{
    float x[SIGNATURE_FEATURES];
    appliances_features(s, NULL, 230, NAN, x);
    struct appliance_guess g = appliances_judge(set, x);
    return g.signature ? g.signature->key : "unknown";
}

static void plain_runs_get_their_names(void **state)
{
    static const struct {
        double watts;
        float seconds;
        const char *key;
    } cases[] = {
        {2050, 150, "kettle"},
        {2200, 140, "kettle"},
        {1500, 5400, "portable_heater"},
        {710, 112, "toaster"},
        {18000, 200, "tankless_water_heater"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct run_shape s = flat(cases[i].watts, cases[i].seconds);
        assert_string_equal(name_of(*state, &s), cases[i].key);
    }
}

static void what_is_like_nothing_stays_unknown(void **state)
{
    struct run_shape odd = flat(37, 40000);
    odd.inrush = odd.amps * 60;
    odd.spread = 9;
    odd.changes = 90;
    assert_string_equal(name_of(*state, &odd), "unknown");
}

static void ranges_become_centre_and_width(void **state)
{
    struct signature_mode m;
    (void)state;
    signature_mode_init(&m);
    signature_range(&m, SIGNATURE_WATTS, (const double[]){500, 1000, 2000});
    assert_near((double)signature_unscale(SIGNATURE_WATTS, m.centre[SIGNATURE_WATTS]), 1000,
                0.1);
    assert_near((double)m.width[SIGNATURE_WATTS], log(4) / 2.5632, 1e-3);
}

static void faults_name_their_place(void **state)
{
    static const char text[] =
        "appliances = (\n"
        "  { key = \"a\"; name = \"A\"; modes = ( { watts = [ 3, 2, 1 ]; } ); },\n"
        "  { key = \"a\"; name = \"B\"; modes = ( { wats = [ 1, 2, 3 ]; } ); },\n"
        "  { key = \"unknown\"; name = \"C\"; modes = ( { watts = [ 1, 2, 3 ]; } ); }\n);\n";
    const struct config_text texts[] = {{"appliances.cfg", text, sizeof text - 1}};
    const struct config_source source = {.texts = texts, .count = 1};
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct signature_set set = {0};
    (void)state;
    appliances_file_read(&set, &source, &faults);
    assert_true(faults.errors >= 4);
    for (size_t i = 0; i < faults.count; i++)
        assert_in_range(faults.list[i].line, 2, 4);
    signature_set_free(&set);
    faults_free(&faults);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(forty_appliances_and_more_are_shipped),
        cmocka_unit_test(plain_runs_get_their_names),
        cmocka_unit_test(what_is_like_nothing_stays_unknown),
        cmocka_unit_test(ranges_become_centre_and_width),
        cmocka_unit_test(faults_name_their_place),
    };
    return cmocka_run_group_tests(tests, shipped, drop);
}
