/*
 * rules.cfg, delivery.cfg and register maps: what is said of a faulty one, word for word, and
 * what comes out of a good one.
 */
#include "config_case.h"

#include "config/shipped.h"

#include <stdlib.h>

static void say(const char *name, const char *text, const char *said)
{
    const struct config_text other = {name, text, strlen(text)};
    const struct config_case unchanged = {NULL, NULL, said};
    config_case_run(&unchanged, &other, 1);
}

struct said {
    const char *text, *said;
};

static void a_page_that_cannot_be(void **state)
{
    static const struct said cases[] = {
        {"page = { listen = \"::1\"; port = 0; };", ""},
        {"page = { off = true; };", ""},
        {"page = { listen = \"localhost\"; };",
         "page.cfg:1: listen = \"localhost\" is no address; it is one of this machine's, in "
         "numbers, as in \"127.0.0.1\" or \"192.0.2.7\"\n"},
        {"page = {\n listen = \"192.0.2.7\"; };",
         "page.cfg:2: listen = \"192.0.2.7\" can be reached from elsewhere and there is no "
         "tls; "
         "what is asked and shown would go in the clear: add tls = { cert = ..; key = ..; }, "
         "or "
         "listen on 127.0.0.1\n"},
        {"page = { listen = \"0.0.0.0\"; tls = { cert = \"a\"; }; };",
         "page.cfg:1: the group tls has no key; add key = a text in quotes: PEM file of its "
         "key\n"},
        {"page = { prot = 80; };",
         "page.cfg:1: unknown key \"prot\" in the group page; did you mean \"port\"?\n"},
        {"page = { port = 65536; };",
         "page.cfg:1: port = 65536 is out of range; it is 0 to 65535 "
         "(its TCP port; 0 takes any free one)\n"},
        {"page = { login = true; };",
         "page.cfg:1: people log in to the page, and nobody is there who could let them in: "
         "give "
         "one of people in delivery.cfg role = \"administrator\"\n"},
        {"page = { listen = \"192.0.2.7\"; tls = { cert = \"a\"; key = \"b\"; }; };",
         "page.cfg:1: people log in to the page, and nobody is there who could let them in: "
         "give "
         "one of people in delivery.cfg role = \"administrator\"\n"},
        {"page = { login = true; off = true; };", ""},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        say("page.cfg", cases[i].text, cases[i].said);
}

static void whoever_lets_people_in_need_not_be_told_anything(void **state)
{
    static const char page[] = "page = { listen = \"192.0.2.7\"; tls = { cert = \"a\"; key = "
                               "\"b\"; }; };",
                      people[] = "people = ( { id = \"ada\"; name = \"Ada\"; role = "
                                 "\"administrator\"; } );";
    const struct config_text both[] = {{"page.cfg", page, sizeof page - 1},
                                       {"delivery.cfg", people, sizeof people - 1}};
    (void)state;
    config_case_run(&(const struct config_case){NULL, NULL, ""}, both, 2);
    config_case_run(&(const struct config_case){NULL, NULL,
                                                "delivery.cfg:1: warning: \"ada\" has neither "
                                                "mail nor webhook and is told nothing\n"},
                    both + 1, 1);
}

static void rules_that_cannot_be(void **state)
{
    static const struct said cases[] = {
        {"", ""},
        {"site = { continuous_percent = 75; };", ""},
        {"rules = { continuous_percent = 75; };",
         "rules.cfg:1: unknown key \"rules\" in rules.cfg; the keys here are site, panels, "
         "circuits\n"},
        {"site = { continous_percent = 75; };",
         "rules.cfg:1: unknown key \"continous_percent\" in the group site; did you mean "
         "\"continuous_percent\"?\n"},
        {"site = { continuous_percent = \"75\"; };",
         "rules.cfg:1: continuous_percent is a text; it should be a number\n"},
        {"site = {\n continuous_percent = 175; };",
         "rules.cfg:2: continuous_percent = 175 is out of range; it is 10 to 100 (continuous "
         "load allowed on "
         "the breaker)\n"},
        {"panels = ( { id = \"garaeg\"; zero_amps = 0.1; } );",
         "rules.cfg:1: id = \"garaeg\": site.cfg has no panel of that id; did you mean "
         "\"garage\"?\n"},
        {"circuits = ( { zero_amps = 0.1; } );",
         "rules.cfg:1: a group of rules has no id; add id = a text in quotes: of the panel or "
         "circuit, as in "
         "site.cfg\n"},
        {"circuits = (\n { id = \"main-07\"; zero_amps = 0.1; },\n { id = \"main-07\"; "
         "again_seconds = 20; } );",
         "rules.cfg:3: circuit \"main-07\" already has rules in line 2; put them together\n"},
        {"site = { near_overload_chance = 0.02; };",
         "rules.cfg:1: near_overload_clear_chance (0.03) is not below near_overload_chance "
         "(0.02); the "
         "warning would never return\n"},
        {"site = { near_overload_chance = 0.5; };\n"
         "panels = ( { id = \"main\"; near_overload_clear_chance = 0.4; } );\n"
         "circuits = ( { id = \"main-07\"; near_overload_chance = 0.3; } );",
         "rules.cfg:3: near_overload_clear_chance (0.4) is not below near_overload_chance "
         "(0.3); the warning "
         "would never return\n"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        say("rules.cfg", cases[i].text, cases[i].said);
}

static void deliveries_that_cannot_be(void **state)
{
    static const struct said cases[] = {
        {"", ""},
        {"broker = { host = \"127.0.0.1\"; username = \"a\"; password_file = \"p\"; };", ""},
        {"broker = { host = \"b\"; sparkplug = { }; homie = { }; };\n", ""},
        {"broker = { host = \"b\"; sparkplug = { group = \"a/b\"; }; };\n",
         "delivery.cfg:1: group = \"a/b\": one level of a topic, without / + # and no $ in "
         "front\n"},
        {"broker = { host = \"b\";\n sparkplug = { primary_host = \"+\"; }; };\n",
         "delivery.cfg:2: primary_host = \"+\": one level of a topic, without / + # and no $ "
         "in front\n"},
        {"broker = { host = \"b\"; homie = { domain = \"$x\"; }; };\n",
         "delivery.cfg:1: domain = \"$x\": one level of a topic, without / + # and no $ in "
         "front\n"},
        {"broker = { host = \"b\"; homie = true; };\n",
         "delivery.cfg:1: homie is true or false; it should be a group { }\n"},
        {"broker = { };", "delivery.cfg:1: the group broker has no host; add host = a text in "
                          "quotes: name or address of the "
                          "MQTT broker\n"},
        {"broker = { host = \"b\";\n password = \"secret\"; };",
         "delivery.cfg:2: unknown key \"password\" in the group broker; did you mean "
         "\"password_file\"?\n"},
        {"broker = { host = \"b\";\n username = \"a\"; password_file = \"p\"; };",
         "delivery.cfg:1: warning: the password goes to \"b\" in the clear; add tls = { }\n"},
        {"broker = { host = \"b\"; username = \"a\"; password_file = \"p\"; tls = { }; };", ""},
        {"broker = { host = \"127.0.0.1\"; password_file = \"p\"; };",
         "delivery.cfg:1: password_file without username; MQTT takes a password only with a "
         "user name\n"},
        {"broker = { host = \"b\";\n up_only = true; };",
         "delivery.cfg:2: up_only without up = true would publish nothing\n"},
        {"broker = { host = \"b\"; up = true;\n up_only = true; homie = { }; };",
         "delivery.cfg:2: up_only keeps all else at home; sparkplug and homie publish it\n"},
        {"broker = { host = \"b\"; up = true; up_only = true; };", ""},
        {"broker = { host = \"b\"; tls = { ca = \"ca.pem\";\n cert = \"c.pem\"; }; };",
         "delivery.cfg:2: tls has a cert and no key; a client certificate needs both\n"},
        {"broker = { host = \"b\"; tls = true; };",
         "delivery.cfg:1: tls is true or false; it should be a group { }\n"},
        {"post = { };\nbroker = { host = \"b\"; port = 0; };",
         "delivery.cfg:1: unknown key \"post\" in delivery.cfg; the keys here are broker, "
         "mail, people\n"
         "delivery.cfg:2: port = 0 is out of range; it is 1 to 65535 (its TCP port)\n"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        say("delivery.cfg", cases[i].text, cases[i].said);
}

#define MAP "maps/branch-meter-42.cfg" /* the site's own comes before the shipped one */
#define POINT(rest)                                                                            \
    "name = \"A\"; points = (\n { quantity = \"amps\"; function = 4; address = 0; channels = " \
    "42;\n   " rest "});"

static void maps_that_cannot_be(void **state)
{
    static const struct said cases[] = {
        {POINT("type = \"u16\"; "), ""},
        {POINT("type = \"s32\"; absent = 0x80000000L; "), ""},
        {POINT("type = \"u32\"; absent = 0xFFFFFFFF; "), ""},
        {POINT("type = \"u16\"; absent = -1; "), ""},
        {"name = \"A\"; points = ( { quantity = \"amps\"; function = 3; address = 65494;\n"
         "  channels = 42; type = \"u16\"; } );",
         ""},
        {"name = \"A\"; points = ( { quantity = \"amps\"; function = 3; address = 65495;\n"
         "  channels = 42; type = \"u16\"; } );",
         MAP ":1: the last channel ends at register 65536; the last there is is 65535\n"},
        {POINT("type = \"u16\"; },\n { quantity = \"amps\"; function = 3; address = 0; "
               "first_channel = "
               "43; type = \"u16\"; "),
         ""},
        {POINT("type = \"u24\"; "), MAP ":3: type = \"u24\" is not known; it is \"u16\", "
                                        "\"s16\", \"u32\", \"s32\", \"u64\", \"s64\" or "
                                        "\"f32\"\n"},
        {POINT("type = \"u32\"; stride = 1; "), MAP
         ":3: stride = 1, but a value of type u32 takes 2 registers; channels would overlap\n"},
        {POINT("type = \"u16\"; order = \"CDAB\"; "),
         MAP ":3: order = \"CDAB\", but u16 is one register; ABCD, or BADC when its bytes are "
             "swapped\n"},
        {POINT("type = \"u16\"; scale = 0; "),
         MAP ":3: scale = 0 makes every value 0; leave it out for 1\n"},
        {POINT("type = \"u16\"; absent = 65536; "),
         MAP ":3: absent = 65536 does not fit into the type u16\n"},
        {POINT("type = \"f32\"; absent = 0; "),
         MAP ":3: absent goes with integers; a float says \"not measured\" by NaN, which is "
             "understood\n"},
        {POINT("type = \"u16\"; stride = 1000; scale_register = 70000; "),
         MAP ":3: scale_register = 70000 is out of range; it is 0 to 65535 (register that "
             "holds a power of "
             "ten (s16) to multiply with)\n"},
        {"name = \"A\"; points = ( { quantity = \"amps\"; function = 3; address = 65500;\n"
         "  channels = 42; type = \"u16\"; } );",
         MAP ":1: the last channel ends at register 65541; the last there is is 65535\n"},
        {"name = \"A\"; points = ( { quantity = \"amps\"; function = 3; address = 0;\n"
         "  first_channel = 250; channels = 42; type = \"u16\"; } );",
         MAP ":2: channels 250 to 291; the last there is is 256\n"},
        {"name = \"A\"; max_registers = 3; points = (\n"
         "  { quantity = \"amps\"; function = 3; address = 0; channels = 42; type = \"u64\"; } "
         ");",
         MAP ":2: type u64 takes 4 registers, more than max_registers = 3 of one read\n"},
        {POINT("type = \"u16\"; }, { quantity = \"panel_volts\"; function = 4; address = 90;\n"
               "channels = 4; type = \"u16\"; "),
         MAP ":4: panel_volts has channels 1 to 4; 1, 2 and 3 are the legs A, B and C\n"},
        {POINT("type = \"u16\"; },\n { quantity = \"amps\"; function = 3; address = 0; "
               "first_channel = 42; type = "
               "\"u16\"; "),
         MAP ":4: amps of channel 42 is in two points; each channel has one place\n"},
        {"name = \"A\"; points = (\n"
         "  { quantity = \"watts\"; function = 3; address = 0; channels = 42; type = \"u16\"; "
         "} );",
         MAP ":1: points has no quantity = \"amps\"; a meter without it measures no circuit\n"},
        {"name = \"A\"; points = (\n"
         "  { quantity = \"ampere\"; function = 6; address = 0; type = \"u16\"; } );",
         MAP ":2: quantity = \"ampere\" is not known; it is \"amps\", \"watts\", \"volts\", "
             "\"pf\" or "
             "\"panel_volts\"\n" MAP
             ":2: function = 6 is out of range; it is 3 to 4 (3 holding registers, 4 "
             "input registers)\n"},
        {"points = ();",
         MAP ":1: a register map has no name; add name = a text in quotes: what kind of meter "
             "it is\n" MAP
             ":1: points has no quantity = \"amps\"; a meter without it measures no circuit\n"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        say(MAP, cases[i].text, cases[i].said);
}

/* The narrower wins: circuit, its panel, the site, the default. */
static void the_narrower_rule_wins(void **state)
{
    static const char rules[] = "site = { zero_amps = 0.2; again_seconds = 10; };\n"
                                "panels = ( { id = \"garage\"; zero_amps = 0.3; } );\n"
                                "circuits = ( { id = \"garage-1\"; zero_amps = 0.4; }, { id = "
                                "\"main-07\"; trip_probability = 0.9; } );\n";
    char *site = config_case_edit(config_case_site, "rating_amps = 60;",
                                  "rating_amps = 60; ambient_celsius = 41;");
    const struct config_text texts[] = {{"site.cfg", site, strlen(site)},
                                        {"rules.cfg", rules, sizeof rules - 1}};
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(config_load_memory(&c, texts, 2, &faults));
    const struct rules *bath = &c.rules.circuits[0], *feeder = &c.rules.circuits[1],
                       *bench = &c.rules.circuits[2];
    assert_near(c.rules.site.zero_amps, 0.2, 0);
    assert_near(c.rules.panels[0].zero_amps, 0.2, 0);
    assert_near(c.rules.panels[1].zero_amps, 0.3, 0);
    assert_near(bath->zero_amps, 0.2, 0);
    assert_near(feeder->zero_amps, 0.2, 0);
    assert_near(bench->zero_amps, 0.4, 0);
    assert_near(bath->trip_probability, 0.9, 0);
    assert_near(bench->again_seconds, 10, 0);
    assert_near(bench->ambient_celsius, 41, 0); /* of its panel in site.cfg */
    assert_near(bath->ambient_celsius, 0, 0);
    assert_near(bench->continuous_percent, 80, 0);
    config_free(&c);
    faults_free(&faults);
    free(site);
}

static void a_broker_comes_out_as_written_with_its_defaults(void **state)
{
    static const char delivery[] =
        "broker = { host = \"broker.example\"; username = \"u\"; tls = { ca = \"a.pem\"; }; };";
    const struct config_text texts[] = {
        {"site.cfg", config_case_site, strlen(config_case_site)},
        {"delivery.cfg", delivery, sizeof delivery - 1}};
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(config_load_memory(&c, texts, 1, &faults));
    assert_string_equal(c.delivery.broker.host, "");
    assert_string_equal(c.delivery.broker.client_id, "foretrip-maple-12");
    assert_int_equal(c.delivery.broker.port, 1883);
    config_free(&c);
    assert_true(config_load_memory(&c, texts, 2, &faults));
    assert_string_equal(c.delivery.broker.host, "broker.example");
    assert_int_equal(c.delivery.broker.port, 8883);
    assert_true(c.delivery.broker.tls.enabled);
    assert_string_equal(c.delivery.broker.tls.ca, "a.pem");
    config_free(&c);
    faults_free(&faults);
}

static void a_map_comes_out_as_written(void **state)
{
    struct meter_map m;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    (void)state;
    assert_true(config_load_map(&m, NULL, "branch-meter-12", &faults));
    assert_int_equal(faults.count, 0);
    assert_int_equal(m.point_count, 5);
    assert_int_equal(m.max_registers, 120);
    const struct meter_point *p = &m.points[1];
    assert_int_equal(p->quantity, FRAME_WATTS);
    assert_int_equal(p->function, 3);
    assert_int_equal(p->address, 258);
    assert_int_equal(p->stride, 8);
    assert_int_equal(p->channels, 12);
    assert_int_equal(p->type, METER_F32);
    assert_int_equal(p->order, METER_CDAB);
    assert_int_equal(p->scale_register, -1);
    assert_false(p->has_absent);
    assert_near(p->scale, 1.0, 0);
    assert_true(config_load_map(&m, NULL, "scaled-meter-6", &faults));
    assert_int_equal(m.points[0].scale_register, 106);
    assert_true(m.points[0].has_absent && m.points[0].absent == 0xFFFF);
    assert_int_equal(m.points[0].stride, 1);
    assert_false(config_load_map(&m, NULL, "../secret", &faults));
    assert_false(config_load_map(&m, NULL, "no-such", &faults));
    assert_int_equal(faults.count, 2);
    faults_free(&faults);
}

/* a page beyond its ends would be somebody else's constant, or data that is then lost */
static void a_shipped_file_that_was_put_away_reads_as_before(void **state)
{
    (void)state;
    for (const struct shipped_file *f = shipped_files; f->name; f++) {
        char *before = strdup(f->text);
        assert_non_null(before);
        shipped_put_away(f);
        assert_int_equal(strlen(f->text), f->length);
        assert_string_equal(f->text, before);
        free(before);
    }
    assert_null(shipped_find("no such file"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_shipped_file_that_was_put_away_reads_as_before),
        cmocka_unit_test(a_page_that_cannot_be),
        cmocka_unit_test(whoever_lets_people_in_need_not_be_told_anything),
        cmocka_unit_test(rules_that_cannot_be),
        cmocka_unit_test(deliveries_that_cannot_be),
        cmocka_unit_test(maps_that_cannot_be),
        cmocka_unit_test(the_narrower_rule_wins),
        cmocka_unit_test(a_broker_comes_out_as_written_with_its_defaults),
        cmocka_unit_test(a_map_comes_out_as_written),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
