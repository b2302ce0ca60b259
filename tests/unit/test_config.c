/*
 * A configuration as a whole: what is needed, what may be absent, and that there is all of it
 * or nothing. What is said of single mistakes is in test_config_site.c and test_config_files.c.
 */
#include "config_case.h"

#include "config/shipped.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static bool load(struct config *c, const char *site, struct config_faults *faults)
{
    const struct config_text text = {"site.cfg", site, strlen(site)};
    return config_load_memory(c, &text, 1, faults);
}

static void a_site_by_itself_is_a_whole_configuration(void **state)
{
    static const char iec[] =
        "site = { id = \"t-0\"; name = \"Row 3\"; timezone = \"UTC\"; standard = \"IEC60898\"; "
        "nominal_volts = 230.0; };\n"
        "panels = ( { id = \"main\"; name = \"Main\"; legs = 1; rating_amps = 63; },\n"
        "           { id = \"sub\"; name = \"Sub\"; legs = 1; rating_amps = 63; fed_by = "
        "\"main-20\"; } );\n"
        "circuits = (\n"
        "  { id = \"sub-06\"; panel = \"sub\"; position = \"6\"; name = \"oven\"; poles = 1; "
        "leg = \"A\"; breaker_amps = 16; type = \"C\"; },\n"
        "  { id = \"main-20\"; panel = \"main\"; position = \"20\"; name = \"Feeder\"; poles = "
        "1; leg = \"A\"; breaker_amps = 63; type = \"B\"; }\n"
        ");\n";
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(load(&c, iec, &faults));
    assert_int_equal(faults.count, 0);
    assert_int_equal(c.site.standard, SITE_IEC60898);
    assert_int_equal(c.site.panels[1].fed_by, 1);
    assert_int_equal(c.site.circuits[1].feeds_panel, 1);
    assert_int_equal(c.site.circuits[0].type, 'C');
    assert_int_equal(c.site.poles_total, 2);
    assert_near(c.rules.circuits[0].volts_low_percent, 90.0, 0.0); /* EN 50160 */
    assert_int_equal(c.maps.count, 0);
    assert_string_equal(c.delivery.broker.host, "");
    config_free(&c);
    faults_free(&faults);
}

static void every_key_of_a_site_arrives(void **state)
{
    char *site =
        config_case_edit(config_case_site, "type = \"\"; meter = \"m1\"; channels = [ 7 ];",
                         "meter = \"m1\"; channels = [ 7 ]; ct_ratio = 2; ct_reversed = true;\n"
                         "    essential = true; full_rated = true; neutral_group = \"bath\";");
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(load(&c, site, &faults));
    const struct site *s = &c.site;
    assert_string_equal(s->id, "maple-12");
    assert_string_equal(s->timezone, "America/Chicago");
    assert_near(s->nominal_volts, 120.0, 0);
    assert_int_equal(s->panels[0].legs, 2);
    assert_true(isnan(s->panels[0].ambient_celsius));
    assert_string_equal(s->buses[0].device, "/dev/ttyUSB0");
    assert_int_equal(s->buses[0].baud, 19200);
    assert_int_equal(s->buses[0].parity, 'E');
    assert_int_equal(s->buses[1].port, 1502);
    assert_int_equal(s->meters[0].bus, 1);
    assert_int_equal(s->meters[0].panel, 0);
    assert_int_equal(s->meters[1].panel, -1);
    assert_int_equal(s->meters[1].unit, 2);
    assert_int_equal(c.maps.count, 2);
    assert_non_null(meter_map_find(&c.maps, "branch-meter-42"));
    const struct site_circuit *bath = &s->circuits[0], *feeder = &s->circuits[1];
    assert_string_equal(bath->position, "7");
    assert_near(bath->ct_ratio, 2.0, 0);
    assert_true(bath->ct_reversed && bath->essential && bath->full_rated);
    assert_string_equal(bath->neutral_group, "bath");
    assert_string_equal(feeder->leg, "AB");
    assert_int_equal(feeder->channels[0], 14);
    assert_int_equal(feeder->channels[1], 16);
    assert_int_equal(feeder->feeds_panel, 1);
    assert_int_equal(s->circuits[2].first_pole, 3);
    config_free(&c);
    faults_free(&faults);
    free(site);
}

static void without_parity_a_serial_line_has_two_stop_bits(void **state)
{
    char *site = config_case_edit(config_case_site, "parity = \"even\"", "parity = \"none\"");
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(load(&c, site, &faults));
    assert_int_equal(c.site.buses[0].stop_bits, 2); /* Modbus over Serial Line V1.02, 2.5.1 */
    config_free(&c);
    faults_free(&faults);
    free(site);
}

static void a_leg_that_needs_no_saying_is_filled_in(void **state)
{
    char *site = config_case_edit(config_case_site, "leg = \"AB\"; ", "");
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(load(&c, site, &faults));
    assert_string_equal(c.site.circuits[1].leg, "AB");
    config_free(&c);
    faults_free(&faults);
    free(site);
}

static void all_faults_of_all_files_come_in_one_run_sorted(void **state)
{
    char *site = config_case_edit(config_case_site, "breaker_amps = 15", "breaker_amps = 17");
    char *both =
        config_case_edit(site, "legs = 2; rating_amps = 200", "legs = 2; rateing_amps = 200");
    const char rules[] = "site = { zero_amps = 7; };", delivery[] = "broker = { };",
               map[] = "name = 3; points = ( );";
    const struct config_text texts[] = {{"site.cfg", both, strlen(both)},
                                        {"rules.cfg", rules, strlen(rules)},
                                        {"maps/branch-meter-12.cfg", map, strlen(map)},
                                        {"delivery.cfg", delivery, strlen(delivery)}};
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text out = TEXT_INIT;
    (void)state;
    assert_false(config_load_memory(&c, texts, 4, &faults));
    faults_print(&faults, "here/", &out);
    assert_string_equal(
        text_get(&out),
        "here/delivery.cfg:1: the group broker has no host; add host = a text in quotes: name "
        "or address of the MQTT broker\n"
        "here/maps/branch-meter-12.cfg:1: name is an integer; it should be a text in quotes\n"
        "here/maps/branch-meter-12.cfg:1: points has no quantity = \"amps\"; a meter without "
        "it measures no circuit\n"
        "here/rules.cfg:1: zero_amps = 7 is out of range; it is 0.001 to 1 (below this a "
        "circuit carries nothing)\n"
        "here/site.cfg:4: unknown key \"rateing_amps\" in panel \"main\"; did you mean "
        "\"rating_amps\"?\n"
        "here/site.cfg:17: breaker_amps = 17 is no standard rating of NEC 240.6(A); the "
        "nearest are 15 and 20\n");
    text_free(&out);
    faults_free(&faults);
    free(site);
    free(both);
}

static void a_long_circle_of_feeders_is_named_once(void **state)
{
    static const char site[] =
        "site = { id = \"s\"; name = \"S\"; timezone = \"UTC\"; standard = \"UL489\"; "
        "nominal_volts = 120.0; };\n"
        "panels = (\n"
        "  { id = \"x\"; name = \"X\"; legs = 1; rating_amps = 100; fed_by = \"b1\"; },\n"
        "  { id = \"a\"; name = \"A\"; legs = 1; rating_amps = 100; fed_by = \"c1\"; },\n"
        "  { id = \"b\"; name = \"B\"; legs = 1; rating_amps = 100; fed_by = \"a1\"; },\n"
        "  { id = \"c\"; name = \"C\"; legs = 1; rating_amps = 100; fed_by = \"b2\"; } );\n"
        "circuits = (\n"
        "  { id = \"a1\"; panel = \"a\"; position = \"1\"; name = \"f\"; breaker_amps = 60; "
        "},\n"
        "  { id = \"b1\"; panel = \"b\"; position = \"1\"; name = \"f\"; breaker_amps = 60; "
        "},\n"
        "  { id = \"b2\"; panel = \"b\"; position = \"2\"; name = \"f\"; breaker_amps = 60; "
        "},\n"
        "  { id = \"c1\"; panel = \"c\"; position = \"1\"; name = \"f\"; breaker_amps = 60; } "
        ");\n";
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_false(load(&c, site, &faults));
    assert_int_equal(faults.count, 1);
    assert_int_equal(faults.list[0].line, 4);
    assert_string_equal(faults.list[0].text,
                        "the feeders go round in a circle (a, c, b, a); one of these "
                        "panels is fed from outside");
    faults_free(&faults);
}

/* What SIGHUP relies on: a faulty second configuration leaves the first object as it was. */
static void a_faulty_configuration_leaves_the_object_untouched(void **state)
{
    struct config c, before;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(load(&c, config_case_site, &faults));
    memcpy(&before, &c, sizeof c);
    static const char *const edits[][2] = {
        {"legs = 2; rating_amps = 60", "legs = 2 rating_amps = = 60"}, /* at the first token */
        {"breaker_amps = 20; meter = \"m2\"",
         "breaker_amps = 20; meter = \"m9\""}, /* at the last */
        {"branch-meter-12", "branch-meter-99"},
    };
    for (size_t i = 0; i < sizeof edits / sizeof edits[0]; i++) {
        char *site = config_case_edit(config_case_site, edits[i][0], edits[i][1]);
        assert_false(load(&c, site, &faults));
        assert_memory_equal(&before, &c, sizeof c);
        assert_string_equal(c.site.circuits[2].id, "garage-1");
        free(site);
    }
    const char bad_rules[] = "site = { zero_amps = 7; };";
    const struct config_text texts[] = {
        {"site.cfg", config_case_site, strlen(config_case_site)},
        {"rules.cfg", bad_rules, sizeof bad_rules - 1}};
    assert_false(config_load_memory(&c, texts, 2, &faults));
    assert_memory_equal(&before, &c, sizeof c);
    config_free(&c);
    faults_free(&faults);
}

static void what_cannot_be_a_text_is_refused_whole(void **state)
{
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    size_t length = strlen(config_case_site);
    char *huge = malloc(CONFIG_MAX_BYTES + 1);
    assert_non_null(huge);
    memset(huge, '\n', CONFIG_MAX_BYTES + 1);
    memcpy(huge, config_case_site, length);
    struct config_text text = {"site.cfg", huge, CONFIG_MAX_BYTES + 1};
    assert_false(config_load_memory(&c, &text, 1, &faults));
    assert_string_equal(faults.list[0].text,
                        "longer than 1048576 bytes; a site needs far less");
    text.length = CONFIG_MAX_BYTES;
    assert_true(config_load_memory(&c, &text, 1, &faults));
    config_free(&c);
    huge[length + 7] = '\0'; /* libconfig alone would take the text for ended here */
    assert_false(config_load_memory(&c, &text, 1, &faults));
    assert_int_equal(faults.list[1].line, 30);
    assert_string_equal(faults.list[1].text, "a NUL byte; a configuration file is plain text");
    text.length = 0;
    assert_false(config_load_memory(&c, &text, 1, &faults));
    faults_free(&faults);
    assert_false(config_load_memory(&c, NULL, 0, &faults));
    assert_string_equal(faults.list[0].text,
                        "is missing; it tells the panels, breakers and meters, and foretrip "
                        "commission writes a first one");
    faults_free(&faults);
    free(huge);
}

static void line_ends_and_a_byte_order_mark_do_not_matter(void **state)
{
    struct text site = TEXT_INIT;
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    text_append(&site, "\xEF\xBB\xBF");
    for (const char *s = config_case_site; *s; s++)
        text_append_bytes(&site, *s == '\n' ? "\r\n" : s, *s == '\n' ? 2 : 1);
    assert_true(load(&c, text_get(&site), &faults));
    assert_int_equal(faults.count, 0);
    assert_string_equal(c.site.circuits[2].name, "Bench");
    config_free(&c);
    text_free(&site);
    faults_free(&faults);
}

static void more_faults_than_the_list_holds_are_counted(void **state)
{
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text site = TEXT_INIT, out = TEXT_INIT;
    (void)state;
    for (int i = 0; i < 600; i++)
        text_printf(&site, "k%d = %d;\n", i, i);
    assert_false(load(&c, text_get(&site), &faults));
    assert_int_equal(faults.count, CONFIG_MAX_FAULTS);
    assert_int_equal(faults.errors, 603); /* and site, panels, circuits are missing */
    faults_print(&faults, "", &out);
    assert_non_null(strstr(text_get(&out), "and 103 more that are not listed\n"));
    text_free(&site);
    text_free(&out);
    faults_free(&faults);
}

static void what_is_shipped_is_without_fault(void **state)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct config c;
    int maps = 0;
    (void)state;
    for (const struct shipped_file *f = shipped_files; f->name; f++) {
        char id[SITE_ID_SIZE];
        struct meter_map m;
        if (sscanf(f->name, "maps/%47[^.].cfg", id) != 1)
            continue;
        assert_true(config_load_map(&m, NULL, id, &faults));
        maps++;
    }
    assert_true(maps >= 14);
    assert_true(config_load(&c, "config/example", &faults));
    assert_int_equal(faults.count, 0);
    assert_int_equal(c.site.circuits[15].panel, 2);
    config_free(&c);
    faults_free(&faults);
}

/* ---- a directory
 * ----------------------------------------------------------------------------- */

static void put(const char *directory, const char *name, const char *content)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s", directory, name);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    fputs(content, f);
    fclose(f);
}

static void take(const char *directory, const char *name)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s", directory, name);
    remove(path);
}

static bool same_judge(const struct signature_set *a, const struct signature_set *b)
{
    const struct signature_forest *f = &a->forest, *g = &b->forest;
    return a->count == b->count && f->number_count == g->number_count &&
           f->tree_count == g->tree_count && f->class_count == g->class_count &&
           memcmp(a->signatures, b->signatures, a->count * sizeof *a->signatures) == 0 &&
           memcmp(f->numbers, g->numbers, f->number_count * sizeof *f->numbers) == 0 &&
           memcmp(f->trees, g->trees, f->tree_count * sizeof *f->trees) == 0 &&
           memcmp(f->classes, g->classes, sizeof f->classes) == 0;
}

static void what_is_shipped_is_copied_when_a_configuration_is_read_again(void **state)
{
    char directory[] = "/tmp/foretrip-config-XXXXXX", path[512];
    struct config first, second, third, fourth;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_non_null(mkdtemp(directory));
    put(directory, "site.cfg", config_case_site);
    assert_true(config_load(&first, directory, &faults));
    assert_true(first.signatures.shipped && first.signatures.forest.number_count > 1000);
    assert_true(config_load_again(&second, directory, &first, &faults));
    assert_true(second.signatures.shipped);
    assert_true(same_judge(&first.signatures, &second.signatures));
    assert_ptr_not_equal(first.signatures.signatures, second.signatures.signatures);
    config_free(&first);

    /* one of the site's own takes its place, and goes again */
    put(directory, "appliances.cfg",
        "appliances = ( { key = \"lamp\"; name = \"Lamp\"; sure = 0.5; modes = ( { watts = [ "
        "40, "
        "60, 90 ]; } ); } );");
    assert_true(config_load_again(&third, directory, &second, &faults));
    assert_int_equal(third.signatures.count, 1);
    assert_false(third.signatures.shipped);
    snprintf(path, sizeof path, "%s/appliances.cfg", directory);
    assert_int_equal(unlink(path), 0);
    assert_true(config_load_again(&fourth, directory, &third, &faults));
    assert_true(same_judge(&second.signatures, &fourth.signatures));

    /* a fault elsewhere is found as ever, and nothing is touched */
    put(directory, "rules.cfg", "site = {");
    assert_false(config_load_again(&first, directory, &fourth, &faults));
    assert_true(same_judge(&second.signatures, &fourth.signatures));
    config_free(&second);
    config_free(&third);
    config_free(&fourth);
    faults_free(&faults);
    snprintf(path, sizeof path, "%s/rules.cfg", directory);
    assert_int_equal(unlink(path), 0);
    snprintf(path, sizeof path, "%s/site.cfg", directory);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(rmdir(directory), 0);
}

static void a_directory_gives_its_own_map_before_the_shipped_one(void **state)
{
    char directory[] = "/tmp/foretrip-config-XXXXXX", path[512];
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text out = TEXT_INIT;
    (void)state;
    assert_non_null(mkdtemp(directory));
    assert_false(config_load(&c, directory, &faults)); /* no site.cfg */
    put(directory, "site.cfg", config_case_site);
    put(directory, "delivery.cfg",
        "broker = { host = \"b\"; username = \"u\"; password_file = \"pw\"; tls = { }; };");
    put(directory, "pw", "secret\n");
    snprintf(path, sizeof path, "%s/pw", directory);
    chmod(path, 0604);
    snprintf(path, sizeof path, "%s/maps", directory);
    assert_int_equal(mkdir(path, 0700), 0);
    put(directory, "maps/branch-meter-12.cfg",
        "name = \"Ours\"; points = ( { quantity = \"amps\"; function = 3; address = 9; "
        "channels = 12; type = \"u16\"; } );");
    assert_true(config_load(&c, directory, &faults));
    assert_string_equal(meter_map_find(&c.maps, "branch-meter-12")->name, "Ours");
    snprintf(path, sizeof path, "%s/pw", directory);
    assert_string_equal(c.delivery.broker.password_file, path);
    faults_print(&faults, "", &out);
    assert_non_null(strstr(text_get(&out), "site.cfg:1: is missing"));
    assert_non_null(
        strstr(text_get(&out), "delivery.cfg:1: warning: password_file: the file "));
    assert_non_null(strstr(text_get(&out), "is open to everybody"));
    assert_null(strstr(text_get(&out), "secret"));
    config_free(&c);
    text_free(&out);
    faults_free(&faults);
    take(directory, "maps/branch-meter-12.cfg");
    take(directory, "maps");
    take(directory, "pw");
    take(directory, "delivery.cfg");
    take(directory, "site.cfg");
    assert_int_equal(rmdir(directory), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_site_by_itself_is_a_whole_configuration),
        cmocka_unit_test(every_key_of_a_site_arrives),
        cmocka_unit_test(without_parity_a_serial_line_has_two_stop_bits),
        cmocka_unit_test(a_leg_that_needs_no_saying_is_filled_in),
        cmocka_unit_test(all_faults_of_all_files_come_in_one_run_sorted),
        cmocka_unit_test(a_long_circle_of_feeders_is_named_once),
        cmocka_unit_test(a_faulty_configuration_leaves_the_object_untouched),
        cmocka_unit_test(what_cannot_be_a_text_is_refused_whole),
        cmocka_unit_test(line_ends_and_a_byte_order_mark_do_not_matter),
        cmocka_unit_test(more_faults_than_the_list_holds_are_counted),
        cmocka_unit_test(what_is_shipped_is_without_fault),
        cmocka_unit_test(what_is_shipped_is_copied_when_a_configuration_is_read_again),
        cmocka_unit_test(a_directory_gives_its_own_map_before_the_shipped_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
