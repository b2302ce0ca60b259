/*
 * Every way in which a site.cfg can be wrong, and what is said of it, word for word.
 */
#include "config_case.h"

static void run_all(const struct config_case *cases, size_t count)
{
    for (size_t i = 0; i < count; i++)
        config_case_run(&cases[i], NULL, 0);
}
#define RUN_ALL(cases) run_all(cases, sizeof cases / sizeof cases[0])

static void what_is_not_libconfig_is_named_by_its_line(void **state)
{
    static const struct config_case cases[] = {
        {"legs = 2; rating_amps = 60;", "legs = 2; rating_amps = = 60;",
         "site.cfg:5: syntax error; look here and just above for a missing \";\", \",\", quote "
         "or bracket\n"},
        {"legs = 2; rating_amps = 60;", "legs = 2; legs = 2; rating_amps = 60;",
         "site.cfg:5: duplicate setting name; a key stands once in a group\n"},
        {"  { id = \"lan\"",
         "@include \"more.cfg\"\n"
         "  { id = \"lan\"",
         "site.cfg:9: @include is not allowed; put everything into the file itself\n"},
        {"Upstairs bath\"", "Upstairs bath",
         "site.cfg:16: a text begins in this line and does not end in it; look for a missing "
         "quote\n"},
        {"Upstairs bath", "Upstairs \xFF bath",
         "site.cfg:16: bytes that are not UTF-8; save the file as UTF-8\n"},
        {"Upstairs bath", "Upstairs @include bath", ""},
        {"circuits = (",
         "/* @include */ # @include\n"
         "circuits = (",
         ""},
        {"poles = 1;", "poles = ((((((((((((((((1))))))))))))))));",
         "site.cfg:16: groups and lists nested too deeply; nothing here needs more than 4 "
         "levels\n"},
        {");\n", "",
         "site.cfg:6: syntax error; look here and just above for a missing \";\", \",\", quote "
         "or bracket\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void a_key_that_is_unknown_missing_or_of_the_wrong_type(void **state)
{
    static const struct config_case cases[] = {
        {"breaker_amps = 15;", "brekaer_amps = 15;",
         "site.cfg:17: unknown key \"brekaer_amps\" in circuit \"main-07\"; did you mean "
         "\"breaker_amps\"?\n"},
        {"breaker_amps = 15;", "amps = 15;",
         "site.cfg:17: unknown key \"amps\" in circuit \"main-07\"; did you mean "
         "\"breaker_amps\"?\n"},
        {"breaker_amps = 15;", "breaker_amps = 15; colour = 3;",
         "site.cfg:17: unknown key \"colour\" in circuit \"main-07\"; the keys here are id, "
         "panel, position, name, poles, leg, breaker_amps, type, meter, channels, ct_ratio, "
         "ct_reversed, essential, full_rated, neutral_group, feeds, fastened_amps\n"},
        {"meters = (", "meter = (",
         "site.cfg:11: unknown key \"meter\" in site.cfg; did you mean \"meters\"?\n"},
        {"legs = 2; rating_amps = 60;", "legs = 2.0; rating_amps = \"60\";",
         "site.cfg:5: legs is a number; it should be an integer\n"
         "site.cfg:5: rating_amps is a text; it should be a number\n"},
        {"legs = 2; rating_amps = 60;", "legs = 2; rating_amps = 60.0;", ""},
        {"position = \"7\";", "position = 7;",
         "site.cfg:16: position is an integer; it should be a text in quotes\n"},
        {"channels = [ 7 ];", "channels = 7;",
         "site.cfg:17: channels is an integer; it should be a list of integers [ 1, 2 ]\n"},
        {"channels = [ 7 ];", "channels = [ \"7\" ];",
         "site.cfg:17: channels holds up to 3 integers from 1 to 256, 0 for a pole that is not "
         "measured\n"},
        {"channels = [ 7 ];", "channels = ( 7 );", ""},
        {"type = \"\";", "type = \"\"; essential = 1;",
         "site.cfg:17: essential is an integer; it should be true or false\n"},
        {"site = { id", "site = ( { id",
         "site.cfg:2: syntax error; look here and just above for a missing \";\", \",\", quote "
         "or bracket\n"},
        {"  { id = \"lan\"; host = \"127.0.0.1\"; port = 1502; }",
         "  { id = \"lan\"; host = \"127.0.0.1\"; port = 1502; }, 7",
         "site.cfg:9: a bus is an integer; it should be a group { }\n"},
        {"buses = (",
         "buses = 3;\n"
         "busses = (",
         "site.cfg:7: buses is an integer; it should be a list of groups ( { }, { } )\n"
         "site.cfg:8: unknown key \"busses\" in site.cfg; did you mean \"buses\"?\n"},
        {"position = \"7\"; ", "",
         "site.cfg:16: circuit \"main-07\" has no position; add position = a text in quotes: "
         "as the panel door says: \"7\", for two poles \"7,9\"\n"},
        {"timezone = \"America/Chicago\";", "",
         "site.cfg:1: the group site has no timezone; add timezone = a text in quotes: the "
         "zone of its clocks, such as \"America/Chicago\"\n"},
        {"id = \"garage\"; ", "",
         "site.cfg:5: a panel has no id; add id = a text in quotes: short name of the panel\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void a_value_out_of_range_or_out_of_the_known_words(void **state)
{
    static const struct config_case cases[] = {
        {"maple-12", "maple 12",
         "site.cfg:1: id = \"maple 12\" is no id: 1 to 47 of the letters A-Z a-z, digits, _ "
         "and -\n"},
        {"\"Upstairs bath\"", "\"\"",
         "site.cfg:16: name is empty; what the panel directory says it feeds\n"},
        {"Upstairs bath", "Upstairs\\x01bath",
         "site.cfg:16: name has a control character in it; plain text only\n"},
        {"Upstairs bath",
         "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx"
         "xxxxxxxxxxx",
         "site.cfg:16: name is longer than 95 bytes\n"},
        {"\"UL489\"", "\"UL\"",
         "site.cfg:2: standard = \"UL\" is not known; it is \"UL489\" or \"IEC60898\"\n"},
        {"= 120.0", "= 208.0",
         "site.cfg:2: warning: nominal_volts = 208 lies between two legs where breakers are "
         "UL489; between a leg and the neutral it is 120\n"},
        {"= 120.0", "= 400",
         "site.cfg:2: nominal_volts = 400 is out of range; it is 90 to 300 (volts between a "
         "leg and the neutral)\n"},
        {"America/Chicago", "America/Chikago",
         "site.cfg:1: timezone = \"America/Chikago\" is not known to this system; write it as "
         "\"Area/City\", such as \"America/Chicago\" or \"Europe/Berlin\", or \"UTC\"\n"},
        {"America/Chicago", "America",
         "site.cfg:1: timezone = \"America\" is not known to this system; write it as "
         "\"Area/City\", such as \"America/Chicago\" or \"Europe/Berlin\", or \"UTC\"\n"},
        {"legs = 2; rating_amps = 60;", "legs = 4; rating_amps = 60000;",
         "site.cfg:5: legs = 4 is out of range; it is 1 to 3 (1, 2 (split phase) or 3)\n"
         "site.cfg:5: rating_amps = 60000 is out of range; it is 6 to 6000 (rating of its main "
         "or its busbar)\n"},
        {"poles = 2;", "poles = 0;",
         "site.cfg:18: poles = 0 is out of range; it is 1 to 3 (poles of the breaker, the "
         "neutral's not counted)\n"},
        {"type = \"\";", "type = \"E\";",
         "site.cfg:17: type = \"E\" is not known; it is \"\", \"B\", \"C\" or \"D\"\n"},
        {"type = \"\";", "ct_ratio = 0;",
         "site.cfg:17: ct_ratio = 0 is out of range; it is 0.0001 to 10000 (multiplies what "
         "the meter says in amps and watts)\n"},
        {"= 120.0", "= 240.0",
         "site.cfg:2: warning: nominal_volts = 240 lies between two legs where breakers are "
         "UL489; between a leg and the neutral it is 120\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void an_id_that_is_nowhere_comes_with_the_nearest_there_is(void **state)
{
    static const struct config_case cases[] = {
        {"fed_by = \"main-14\"", "fed_by = \"main-41\"",
         "site.cfg:5: fed_by = \"main-41\": there is no circuit of that id; did you mean "
         "\"main-14\"?\n"},
        {"panel = \"garage\";", "panel = \"gargae\";",
         "site.cfg:20: panel = \"gargae\": there is no panel of that id; did you mean "
         "\"garage\"?\n"},
        {"panel = \"garage\";", "panel = \"attic\";",
         "site.cfg:20: panel = \"attic\": there is no panel of that id\n"},
        {"bus = \"rs485\"", "bus = \"rs458\"",
         "site.cfg:13: bus = \"rs458\": there is no bus of that id; did you mean \"rs485\"?\n"},
        {"map = \"branch-meter-42\"", "map = \"branch-meter-41\"",
         "site.cfg:12: map = \"branch-meter-41\": there is no file maps/branch-meter-41.cfg "
         "and no shipped map of that id; did you mean \"branch-meter-42\"?\n"},
        {"map = \"branch-meter-42\"", "map = \"nothing\"",
         "site.cfg:12: map = \"nothing\": there is no file maps/nothing.cfg and no shipped map "
         "of that id; shipped are branch-meter-12, branch-meter-42, ct-12-amps-16, "
         "ct-12-blocks-with-energy, ct-24-amps-16, "
         "ct-24-float-high-word-first, ct-42-float-low-word-first, "
         "ct-42-milliamps-32-high-word-first, "
         "ct-42-milliamps-32-low-word-first, ct-pairs-12, "
         "feeder-meter-3, main-split-phase-float, scaled-meter-6, sunspec\n"},
        {"meter = \"m2\"", "meter = \"m3\"",
         "site.cfg:21: meter = \"m3\": there is no meter of that id; did you mean \"m1\"?\n"},
        {"map = \"branch-meter-42\"; panel = \"main\"",
         "map = \"branch-meter-42\"; panel = \"mein\"",
         "site.cfg:12: panel = \"mein\": there is no panel of that id; did you mean "
         "\"main\"?\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void an_id_that_is_taken(void **state)
{
    static const struct config_case cases[] = {
        {"id = \"garage-1\"", "id = \"main-07\"",
         "site.cfg:20: circuit id \"main-07\" is already taken in line 16; every circuit has "
         "its own\n"},
        {"id = \"m2\"; bus", "id = \"m1\"; bus",
         "site.cfg:13: meter id \"m1\" is already taken in line 12; every meter has its own\n"
         "site.cfg:21: meter = \"m2\": there is no meter of that id; did you mean \"m1\"?\n"},
        {"id = \"lan\"; host", "id = \"rs485\"; host",
         "site.cfg:9: bus id \"rs485\" is already taken in line 8; every bus has its own\n"
         "site.cfg:12: bus = \"lan\": there is no bus of that id\n"},
        {"id = \"garage\"; name", "id = \"main\"; name",
         "site.cfg:5: panel id \"main\" is already taken in line 4; every panel has its own\n"
         "site.cfg:20: panel = \"garage\": there is no panel of that id\n"},
        {"id = \"garage-1\"", "id = \"main\"",
         "site.cfg:20: circuit id \"main\" is the id of a panel too (line 4); alarms could not "
         "tell them apart, give one of them another\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void feeders_that_feed_themselves_or_run_in_a_circle(void **state)
{
    static const struct config_case cases[] = {
        {"fed_by = \"main-14\"", "fed_by = \"garage-1\"",
         "site.cfg:5: panel \"garage\" is fed by \"garage-1\", a breaker of its own; name the "
         "breaker in the panel before it\n"},
        {"legs = 2; rating_amps = 200;", "legs = 2; rating_amps = 200; fed_by = \"garage-1\";",
         "site.cfg:4: warning: panel \"main\" has 2 legs and its feeder \"garage-1\" has 1 "
         "pole; one pole a leg\n"
         "site.cfg:4: the feeders go round in a circle (main, garage, main); one of these "
         "panels is fed from outside\n"},
        {"legs = 2; rating_amps = 200; }",
         "legs = 2; rating_amps = 200; },\n"
         "  { id = \"attic\"; name = \"Attic\"; legs = 2; rating_amps = 60; fed_by = "
         "\"main-14\"; }",
         "site.cfg:6: circuit \"main-14\" already feeds panel \"attic\"; describe panels on "
         "one feeder as one panel\n"},
        {"rating_amps = 60;", "rating_amps = 50;",
         "site.cfg:5: warning: panel \"garage\" is rated 50 A and fed by a breaker of 60 A; it "
         "needs a main of its own or a smaller feeder breaker\n"},
        {"fed_by = \"main-14\"", "fed_by = \"main-07\"",
         "site.cfg:5: warning: panel \"garage\" has 2 legs and its feeder \"main-07\" has 1 "
         "pole; one pole a leg\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void ratings_and_types_that_the_standard_does_not_know(void **state)
{
    static const struct config_case cases[] = {
        {"breaker_amps = 15;", "breaker_amps = 17;",
         "site.cfg:17: breaker_amps = 17 is no standard rating of NEC 240.6(A); the nearest "
         "are 15 and 20\n"},
        {"breaker_amps = 15;", "breaker_amps = 16;",
         "site.cfg:17: warning: breaker_amps = 16 is no standard rating of NEC 240.6(A); the "
         "nearest are 15 and 20\n"},
        {"breaker_amps = 15;", "breaker_amps = 5;",
         "site.cfg:17: breaker_amps = 5 is no standard rating of NEC 240.6(A); the nearest is "
         "10\n"},
        {"breaker_amps = 20;", "breaker_amps = 70;",
         "site.cfg:21: breaker_amps = 70 is more than panel \"garage\" is rated for "
         "(rating_amps = 60)\n"},
        {"type = \"\";", "type = \"B\";",
         "site.cfg:17: type = \"B\" is for breakers to IEC60898; with standard = \"UL489\" "
         "leave it \"\"\n"},
        {"\"UL489\"", "\"IEC60898\"",
         "site.cfg:17: warning: breaker_amps = 15 is no standard rating of IEC 60898-1; the "
         "nearest are 13 and 16\n"
         "site.cfg:17: circuit \"main-07\" has no type; a breaker to IEC60898 is type \"B\", "
         "\"C\" or \"D\" (the letter before the amps on its front)\n"
         "site.cfg:18: circuit \"main-14\" has no type; a breaker to IEC60898 is type \"B\", "
         "\"C\" or \"D\" (the letter before the amps on its front)\n"
         "site.cfg:19: warning: breaker_amps = 60 is no standard rating of IEC 60898-1; the "
         "nearest are 50 and 63\n"
         "site.cfg:20: circuit \"garage-1\" has no type; a breaker to IEC60898 is type \"B\", "
         "\"C\" or \"D\" (the letter before the amps on its front)\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void legs_that_the_panel_or_the_breaker_does_not_have(void **state)
{
    static const struct config_case cases[] = {
        {"leg = \"A\";", "leg = \"C\";",
         "site.cfg:17: leg = \"C\": panel \"main\" has the legs A and B\n"},
        {"leg = \"A\";", "leg = \"a\";",
         "site.cfg:17: leg = \"a\": panel \"main\" has the legs A and B\n"},
        {"leg = \"A\";", "leg = \"AB\";",
         "site.cfg:17: leg = \"AB\" names 2 legs and poles = 1; one letter a pole\n"},
        {"leg = \"AB\";", "leg = \"AA\";",
         "site.cfg:19: leg = \"AA\" names leg A twice; each pole is on a leg of its own\n"},
        {"leg = \"AB\";", "leg = \"B\";",
         "site.cfg:19: leg = \"B\" names 1 leg and poles = 2; one letter a pole\n"},
        {"leg = \"AB\";", "", ""},
        {"leg = \"A\";", "",
         "site.cfg:16: circuit \"main-07\" has no leg; panel \"main\" has 2, say which with "
         "leg = \"A\" or \"B\"\n"},
        {"legs = 2; rating_amps = 60;", "legs = 1; rating_amps = 60;",
         "site.cfg:21: leg = \"B\": panel \"garage\" has leg A only\n"},
        {"poles = 1;", "poles = 3;",
         "site.cfg:16: poles = 3, but panel \"main\" has 2 legs; the pole of the neutral is "
         "not counted\n"
         "site.cfg:17: channels has 1 number and poles = 3; one channel a pole, 0 for a pole "
         "that is not measured\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void two_breakers_on_one_position(void **state)
{
    static const struct config_case cases[] = {
        {"position = \"1\"", "position = \"1A\"", ""},
        {"position = \"7\"", "position = \"16\"",
         "site.cfg:18: position 16 of panel \"main\" is already taken by circuit \"main-07\" "
         "(line 16); two breakers cannot sit on one place\n"},
        {"position = \"7\"", "position = \"14A\"",
         "site.cfg:18: position 14 of panel \"main\" is already taken by circuit \"main-07\" "
         "(line 16); two breakers cannot sit on one place\n"},
        {"position = \"7\"", "position = \"seven\"",
         "site.cfg:16: position = \"seven\" is no position; write \"7\", for two poles "
         "\"7,9\", for half a place \"7A\"\n"},
        {"position = \"7\"", "position = \"7,\"",
         "site.cfg:16: position = \"7,\" is no position; write \"7\", for two poles \"7,9\", "
         "for half a place \"7A\"\n"},
        {"position = \"7\"", "position = \"7,9\"",
         "site.cfg:16: position = \"7,9\" does not go with poles = 1; name one place a pole\n"},
        {"position = \"14,16\"", "position = \"14-18\"", ""},
        {"position = \"14,16\"", "position = \"14,7\"",
         "site.cfg:18: position 7 of panel \"main\" is already taken by circuit \"main-07\" "
         "(line 16); two breakers cannot sit on one place\n"},
        {"position = \"14,16\"", "position = \"14\"", ""},
        {"position = \"14,16\"", "position = \"5-7\"",
         "site.cfg:18: position 7 of panel \"main\" is already taken by circuit \"main-07\" "
         "(line 16); two breakers cannot sit on one place\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void a_shared_neutral_that_cannot_be(void **state)
{
    static const struct config_case cases[] = {
        {"type = \"\";", "neutral_group = \"kitchen\";",
         "site.cfg:17: warning: neutral_group = \"kitchen\" has no second circuit; give the "
         "circuit that shares the neutral the same word\n"},
        {"type = \"\"; meter = \"m1\"; channels = [ 7 ]; }",
         "neutral_group = \"kitchen\"; },\n"
         "  { id = \"main-09\"; panel = \"main\"; position = \"9\"; name = \"Hall\"; leg = "
         "\"B\"; breaker_amps = 15;\n"
         "    neutral_group = \"kitchen\"; }",
         ""},
        {"type = \"\"; meter = \"m1\"; channels = [ 7 ]; }",
         "neutral_group = \"kitchen\"; },\n"
         "  { id = \"main-09\"; panel = \"main\"; position = \"9\"; name = \"Hall\"; leg = "
         "\"A\"; breaker_amps = 15;\n"
         "    neutral_group = \"kitchen\"; }",
         "site.cfg:19: warning: \"main-09\" and \"main-07\" share a neutral on the same leg, "
         "so it carries their sum and no breaker protects it; a multiwire branch circuit has a "
         "voltage between its legs (NEC Article 100, 210.4): one of them belongs on another "
         "leg\n"},
        {"type = \"\"; meter = \"m1\"; channels = [ 7 ]; }",
         "neutral_group = \"kitchen\"; },\n"
         "  { id = \"garage-2\"; panel = \"garage\"; position = \"2\"; name = \"Door\"; leg = "
         "\"B\"; breaker_amps = 15;\n"
         "    neutral_group = \"kitchen\"; }",
         "site.cfg:19: neutral_group = \"kitchen\" is also that of \"main-07\" in another "
         "panel; a neutral is shared within one panel\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

/* NEC 210.23: what is fastened in place may take half of a circuit that others use too; the
 * example of the trade press is a central vacuum of 13 A on a shared 20 A circuit */
static void what_is_fastened_in_place_takes_too_much(void **state)
{
    static const struct config_case cases[] = {
        {"breaker_amps = 15; type = \"\";",
         "breaker_amps = 20; feeds = \"several_outlets\"; fastened_amps = 13;",
         "site.cfg:17: warning: fastened_amps = 13 on a breaker of 20 A that serves other "
         "outlets "
         "too; NEC 210.23 allows 50 %, 10 A: it needs a circuit of its own\n"},
        {"breaker_amps = 15; type = \"\";",
         "breaker_amps = 20; feeds = \"several_outlets\"; fastened_amps = 10;", ""},
        {"breaker_amps = 15; type = \"\";",
         "breaker_amps = 30; feeds = \"several_outlets\"; fastened_amps = 20;", ""},
        {"type = \"\";", "feeds = \"one_appliance\"; fastened_amps = 13;",
         "site.cfg:17: warning: fastened_amps = 13 says nothing without feeds = "
         "\"several_outlets\"; on a circuit of its own an appliance may draw what the breaker "
         "allows\n"},
        {"type = \"\";", "feeds = \"kitchen\";",
         "site.cfg:17: feeds = \"kitchen\" is not known; it is \"\", \"one_appliance\" or "
         "\"several_outlets\"\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void a_bus_that_cannot_be_opened(void **state)
{
    static const struct config_case cases[] = {
        {"baud = 19200;", "baud = 19000;",
         "site.cfg:8: baud = 19000 is no speed of a serial line; the nearest is 19200\n"},
        {"baud = 19200;", "baud = 100;",
         "site.cfg:8: baud = 100 is out of range; it is 300 to 921600 (speed of a serial "
         "line)\n"},
        {"parity = \"even\";", "parity = \"e\";",
         "site.cfg:8: parity = \"e\" is not known; it is \"none\", \"even\" or \"odd\"\n"},
        {"device = \"/dev/ttyUSB0\";", "device = \"/dev/ttyUSB0\"; host = \"gw\";",
         "site.cfg:8: bus \"rs485\" has both device and host; device = \"/dev/...\" for a "
         "serial line, or host = \"...\" for the network\n"},
        {"device = \"/dev/ttyUSB0\"; ", "",
         "site.cfg:8: bus \"rs485\" has neither device nor host; device = \"/dev/...\" for a "
         "serial line, or host = \"...\" for the network\n"},
        {"device = \"/dev/ttyUSB0\"", "device = \"ttyUSB0\"",
         "site.cfg:8: device = \"ttyUSB0\" is no full path; write it as \"/dev/ttyUSB0\"\n"},
        {"host = \"127.0.0.1\"; port = 1502;", "host = \"127.0.0.1:1502\"; baud = 9600;",
         "site.cfg:9: baud goes with device; a network connection has none\n"
         "site.cfg:9: host = \"127.0.0.1:1502\" is no host name or address; the port goes into "
         "port = ...\n"},
        {"host = \"127.0.0.1\"", "host = \"http://meter/\"",
         "site.cfg:9: host = \"http://meter/\" is no host name or address; the port goes into "
         "port = ...\n"},
        {"host = \"127.0.0.1\"; port = 1502;", "host = \"::1\"; port = 70000;",
         "site.cfg:9: port = 70000 is out of range; it is 1 to 65535 (TCP port)\n"},
        {"parity = \"even\";", "port = 502;",
         "site.cfg:8: port goes with host; a serial line has none\n"},
        {"host = \"127.0.0.1\"; port = 1502;", "device = \"/dev/ttyUSB0\";",
         "site.cfg:9: device \"/dev/ttyUSB0\" is already that of bus \"rs485\" (line 8); a "
         "serial line is one bus\n"},
        {"parity = \"even\";", "poll_ms = 100; timeout_ms = 500;",
         "site.cfg:8: warning: timeout_ms = 500 is longer than poll_ms = 100; one silent meter "
         "makes the others late\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void a_meter_that_cannot_be_asked(void **state)
{
    static const struct config_case cases[] = {
        {"unit = 2;", "unit = 0;",
         "site.cfg:13: unit = 0: units on a serial line are 1 to 247\n"},
        {"unit = 2;", "unit = 248;",
         "site.cfg:13: unit = 248: units on a serial line are 1 to 247\n"},
        {"unit = 1;", "unit = 256;",
         "site.cfg:12: unit = 256 is out of range; it is 0 to 255 (its Modbus unit id)\n"},
        {"unit = 1;", "unit = 0;", ""},
        {"bus = \"rs485\"; unit = 2;", "bus = \"lan\"; unit = 1;",
         "site.cfg:13: unit 1 of bus \"lan\" is already meter \"m1\" (line 12); each meter has "
         "its own\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

static void a_channel_used_twice_or_not_there(void **state)
{
    static const struct config_case cases[] = {
        {"channels = [ 14, 16 ]", "channels = [ 14, 7 ]",
         "site.cfg:19: channel 7 of meter \"m1\" is already that of circuit \"main-07\" (line "
         "17); each pole has its own\n"},
        {"channels = [ 14, 16 ]", "channels = [ 14, 14 ]",
         "site.cfg:19: channel 14 of meter \"m1\" is already that of circuit \"main-14\" (line "
         "19); each pole has its own\n"},
        {"channels = [ 14, 16 ]", "channels = [ 14, 0 ]", ""},
        {"channels = [ 14, 16 ]", "channels = [ 14 ]",
         "site.cfg:19: channels has 1 number and poles = 2; one channel a pole, 0 for a pole "
         "that is not measured\n"},
        {"channels = [ 7 ]", "channels = [ 43 ]",
         "site.cfg:17: channel 43: map \"branch-meter-42\" of meter \"m1\" has the channels 1 "
         "to 42\n"},
        {"channels = [ 7 ]", "channels = [ 300 ]",
         "site.cfg:17: channels holds up to 3 integers from 1 to 256, 0 for a pole that is not "
         "measured\n"},
        {"channels = [ 7 ]", "channels = [ 7, 8 ]",
         "site.cfg:17: channels has 2 numbers and poles = 1; one channel a pole, 0 for a pole "
         "that is not measured\n"},
        {"meter = \"m1\"; channels = [ 7 ]", "channels = [ 7 ]",
         "site.cfg:17: circuit \"main-07\" has channels and no meter; name both, or neither "
         "when nothing measures it\n"},
        {"; channels = [ 7 ]", "",
         "site.cfg:17: circuit \"main-07\" has a meter and no channels; name both, or neither "
         "when nothing measures it\n"},
    };
    (void)state;
    RUN_ALL(cases);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_not_libconfig_is_named_by_its_line),
        cmocka_unit_test(a_key_that_is_unknown_missing_or_of_the_wrong_type),
        cmocka_unit_test(a_value_out_of_range_or_out_of_the_known_words),
        cmocka_unit_test(an_id_that_is_nowhere_comes_with_the_nearest_there_is),
        cmocka_unit_test(an_id_that_is_taken),
        cmocka_unit_test(feeders_that_feed_themselves_or_run_in_a_circle),
        cmocka_unit_test(ratings_and_types_that_the_standard_does_not_know),
        cmocka_unit_test(legs_that_the_panel_or_the_breaker_does_not_have),
        cmocka_unit_test(two_breakers_on_one_position),
        cmocka_unit_test(a_shared_neutral_that_cannot_be),
        cmocka_unit_test(what_is_fastened_in_place_takes_too_much),
        cmocka_unit_test(a_bus_that_cannot_be_opened),
        cmocka_unit_test(a_meter_that_cannot_be_asked),
        cmocka_unit_test(a_channel_used_twice_or_not_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
