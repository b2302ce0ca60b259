/* the simulated house's own files: how it lives, and recordings */
#include "check.h"

#include "config/reader.h"
#include "drivers/simulated/house_file.h"

#include <stdlib.h>
#include <unistd.h>

static void one_circuit(struct site *s)
{
    site_init(s);
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "main");
    struct site_circuit *c = site_add_circuit(s);
    strcpy(c->id, "main-01");
    c->panel = 0;
    c->breaker_amps = 20;
    site_finish(s);
}

static void the_demonstration_is_a_site_and_a_house(void **state)
{
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct house_spec spec;
    struct text why = TEXT_INIT;
    (void)state;
    assert_true(config_load(&c, "config/demo", &faults));
    if (!house_file_load(&spec, "config/demo/house.cfg", &c.site, &why))
        fail_msg("%s", text_get(&why));
    assert_true(spec.load_count > 30 && spec.script_count > 5);
    faults_free(&faults);
    house_spec_free(&spec);
    config_free(&c);
}

static void what_is_given_is_read_and_the_rest_stands_at_its_default(void **state)
{
    struct site s;
    struct house_spec spec;
    struct text why = TEXT_INIT;
    (void)state;
    one_circuit(&s);
    assert_true(house_file_parse(
        &spec, "h.cfg",
        "house = { ambient_celsius = 30; warm_up_minutes = 2.0; };\n"
        "loads = ( { id = \"a\"; circuit = \"main-01\"; watts = 100; run_minutes = [ 1.0, 2.5 "
        "]; "
        "hours = [ 0, 23 ]; }, { id = \"b\"; name = \"fan\"; circuit = \"main-01\"; watts = "
        "5.0; "
        "with = \"a\"; runs_on_seconds = 8.0; } );\n"
        "breakers = ( { circuit = \"main-01\"; condition = \"worn\"; } );\n"
        "script = ( { at = 1.0; act = \"outage\"; seconds = 2.0; } );",
        &s, &why));
    assert_near(spec.ambient_celsius, 30, 0);
    assert_near(spec.warm_up_seconds, 120, 0);
    assert_near(spec.source_ohms, house_spec_defaults().source_ohms, 0);
    assert_int_equal(spec.load_count, 2);
    assert_string_equal(spec.loads[0].name, "a");
    assert_near(spec.loads[0].run.most, 150, 1e-9);
    assert_int_equal(spec.loads[0].hours, 0x800001);
    assert_near(spec.loads[0].power_factor, 1.0, 0);
    assert_int_equal(spec.loads[1].with, 0);
    assert_near(spec.loads[1].runs_on_seconds, 8.0, 0);
    assert_int_equal(spec.breakers[0].condition, TRIP_UNIT_WORN);
    assert_int_equal(spec.script[0].act, HOUSE_ACT_OUTAGE);
    house_spec_free(&spec);
    site_free(&s);
}

static void every_fault_names_its_line(void **state)
{
    static const struct {
        const char *text, *says;
    } rows[] = {
        {"house = { ambient_celsius = 200.0; };", "h.cfg:1: ambient_celsius must be a number"},
        {"\nhouse = { ambiant_celsius = 20.0; };",
         "h.cfg:2: unknown key \"ambiant_celsius\"; the "
         "nearest known one is \"ambient_celsius\""},
        {"garden = 1;", "unknown part \"garden\""},
        {"house = { reset_seconds = [ 9.0, 2.0 ]; };", "reset_seconds must be two numbers"},
        {"loads = ( { id = \"a\"; circuit = \"main-09\"; watts = 1.0; } );",
         "no circuit \"main-09\""},
        {"loads = ( { id = \"a\"; circuit = \"main-01\"; } );",
         "needs an id, a circuit and watts"},
        {"loads = ( { id = \"a b\"; circuit = \"main-01\"; watts = 1.0; } );", "id must be"},
        {"loads = ( { id = \"a\"; circuit = \"main-01\"; watts = 1.0; pole = 2; } );",
         "has no pole 2"},
        {"loads = ( { id = \"a\"; circuit = \"main-01\"; watts = 1.0; hours = [ 24 ]; } );",
         "whole hours from 0 to 23"},
        {"loads = ( { id = \"a\"; circuit = \"main-01\"; watts = 1.0; cycle_on_seconds = [ 1, "
         "2 ]; "
         "} );",
         "go together"},
        {"loads = ( { id = \"a\"; circuit = \"main-01\"; watts = 1.0; with = \"b\"; } );",
         "no load \"b\""},
        {"loads = ( { id = \"a\"; circuit = \"main-01\"; watts = 1.0; },\n{ id = \"a\"; "
         "circuit = "
         "\"main-01\"; watts = 1.0; } );",
         "h.cfg:2: load \"a\" is there twice"},
        {"breakers = ( { circuit = \"main-01\"; condition = \"old\"; } );",
         "condition must be one of \"sound\", \"worn\", \"stuck\""},
        {"script = ( { at = 1.0; act = \"jump\"; } );", "act must be one of"},
        {"script = ( { at = 1.0; act = \"on\"; } );", "needs a load"},
        {"script = ( { at = 1.0; act = \"open\"; } );", "needs a circuit"},
        {"script = ( { at = 2.0; act = \"outage\"; },\n { at = 1.0; act = \"outage\"; } );",
         "h.cfg:2: the script must be in order"},
        {"script = 5;", "must be a list"},
        {"loads = ( 5 );", "must be a group"},
        {"house = {", "h.cfg:1: syntax error"},
    };
    struct site s;
    (void)state;
    one_circuit(&s);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct house_spec spec;
        struct text why = TEXT_INIT;
        if (house_file_parse(&spec, "h.cfg", rows[i].text, &s, &why))
            fail_msg("taken: %s", rows[i].text);
        if (!strstr(text_get(&why), rows[i].says))
            fail_msg("said \"%s\", wanted \"%s\"", text_get(&why), rows[i].says);
        text_free(&why);
    }
    site_free(&s);
}

static void a_recording_holds_its_value_until_the_next_row(void **state)
{
    static const char csv[] = "t_s,watts\n10,5\n12,700\n15,\n20,3\n21,9\n";
    static const struct {
        double second, watts;
    } rows[] = {{9.9, 0},     {10, 5}, {11.9, 5}, {12, 700},
                {14.99, 700}, {15, 0}, {20, 3},   {22, 0}};
    struct trace t;
    struct text why = TEXT_INIT;
    (void)state;
    assert_true(trace_parse(&t, "x", csv, sizeof csv - 1, &why));
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        assert_near(trace_watts(&t, rows[i].second), rows[i].watts, 0);
    trace_free(&t);
}

static void a_wrong_recording_names_its_line(void **state)
{
    static const struct {
        const char *csv, *says;
    } rows[] = {
        {"seconds,watts\n", "x:1: the header"}, {"t_s,watts\n", "no rows"},
        {"t_s,watts\n1,2\n1,3\n", "x:3:"},      {"t_s,watts\n1,2\nx,3\n", "x:3:"},
        {"t_s,watts\n1,-2\n", "x:2:"},          {"t_s,watts\n1,2\n\n3,4\n", "x:3:"},
        {"t_s,watts\n1;2\n", "x:2:"},           {"t_s,watts\n1,nan\n", "x:2:"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct trace t = {0};
        struct text why = TEXT_INIT;
        assert_false(trace_parse(&t, "x", rows[i].csv, strlen(rows[i].csv), &why));
        if (!strstr(text_get(&why), rows[i].says))
            fail_msg("said \"%s\", wanted \"%s\"", text_get(&why), rows[i].says);
        assert_null(t.rows);
        text_free(&why);
    }
}

static void a_recording_is_unpacked_from_its_file(void **state)
{
    char path[] = "/tmp/foretrip-trace-XXXXXX", command[128];
    struct trace t;
    struct text why = TEXT_INIT;
    (void)state;
    int fd = mkstemp(path);
    snprintf(command, sizeof command, "printf 't_s,watts\\n1,5\\n9,0\\n' | gzip -c > %s", path);
    assert_int_equal(system(command), 0);
    assert_true(trace_load(&t, path, &why));
    assert_near(trace_watts(&t, 4), 5, 0);
    trace_free(&t);
    assert_int_equal(ftruncate(fd, 12), 0);
    assert_false(trace_load(&t, path, &why));
    assert_non_null(strstr(text_get(&why), "gzip cannot unpack"));
    unlink(path);
    assert_false(trace_load(&t, path, &why));
    close(fd);
    text_free(&why);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_demonstration_is_a_site_and_a_house),
        cmocka_unit_test(what_is_given_is_read_and_the_rest_stands_at_its_default),
        cmocka_unit_test(every_fault_names_its_line),
        cmocka_unit_test(a_recording_holds_its_value_until_the_next_row),
        cmocka_unit_test(a_wrong_recording_names_its_line),
        cmocka_unit_test(a_recording_is_unpacked_from_its_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
