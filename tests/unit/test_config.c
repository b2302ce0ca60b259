#include "check.h"

#include "config/reader.h"

#include <stdlib.h>

static const char ul_site[] =
    "site = { id = \"maple-12\"; name = \"12 Maple Street\"; timezone = \"America/Chicago\";\n"
    "         standard = \"UL489\"; nominal_volts = 120.0; };\n"
    "panels = ( { id = \"main\"; name = \"Main panel\"; legs = 2; rating_amps = 200; },\n"
    "           { id = \"garage\"; name = \"Garage\"; legs = 2; rating_amps = 60; fed_by = \"main-14\"; } );\n"
    "circuits = (\n"
    "  { id = \"main-07\"; panel = \"main\"; position = \"7\"; name = \"Upstairs bath\"; poles = 1;\n"
    "    leg = \"A\"; breaker_amps = 15; type = \"\"; essential = false; },\n"
    "  { id = \"main-14\"; panel = \"main\"; position = \"14,16\"; name = \"Garage\"; poles = 2;\n"
    "    leg = \"AB\"; breaker_amps = 60; type = \"\"; }\n"
    ");\n";

static void a_site_by_itself_is_a_whole_configuration(void **state)
{
    (void)state;
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    const struct config_text texts[] = {{"site.cfg", ul_site, sizeof ul_site - 1}};
    assert_true(config_load_memory(&c, texts, 1, &faults));
    assert_int_equal(faults.count, 0);
    assert_int_equal(c.site.panel_count, 2);
    assert_int_equal(c.site.panels[1].fed_by, 1);
    assert_int_equal(c.site.circuits[1].feeds_panel, 1);
    assert_int_equal(c.site.poles_total, 3);
    assert_near(c.rules.circuits[0].continuous_percent, 80.0, 0.0);
    config_free(&c);
    faults_free(&faults);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_site_by_itself_is_a_whole_configuration),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
