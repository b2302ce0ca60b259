/* command: what strangers ask over MQTT, understood or refused with a sentence */
#include "check.h"

#include "notify/command.h"

#include <stdlib.h>

#define OWN "foretrip/mill-lane-3/"

static bool parse(const char *verb, const char *payload, struct command *c, char *why)
{
    return command_parse(OWN, verb, payload, strlen(payload), NULL, NULL, 0, c, why);
}

static void commands_are_understood(void **state)
{
    struct command c;
    char why[COMMAND_WHY_SIZE];
    (void)state;
    assert_true(parse("acknowledge",
                      "{\"id\":\"r1\",\"reply_to\":\"desk/"
                      "answers\",\"alarm\":\"main-07.trip\",\"by\":\"M. Reyes\","
                      "\"later\":[1,2]}",
                      &c, why));
    assert_int_equal(c.verb, COMMAND_ACKNOWLEDGE);
    assert_string_equal(c.alarm, "main-07.trip");
    assert_string_equal(c.by, "M. Reyes");
    assert_string_equal(c.reply.id, "r1");
    assert_string_equal(c.reply.topic, "desk/answers");

    assert_true(parse(
        "shelve",
        "{\"id\":12,\"alarm\":\"main-07.continuous_load\",\"seconds\":7200.5,\"by\":\"Jo\","
        "\"note\":\"d\\u00e9jeuner\"}",
        &c, why));
    assert_int_equal(c.verb, COMMAND_SHELVE);
    assert_near(c.seconds, 7200.5, 0);
    assert_string_equal(c.note, "d\xc3\xa9jeuner");
    assert_string_equal(c.reply.id, "12");
    assert_string_equal(c.reply.topic, "");

    assert_true(parse("correct",
                      "{\"trip\":\"main-07-20260101T000000Z\",\"cause\":\"opened_by_hand\","
                      "\"by\":\"Jo\"}",
                      &c, why));
    assert_int_equal(c.verb, COMMAND_CORRECT);
    assert_string_equal(c.trip, "main-07-20260101T000000Z");
    assert_int_equal(c.cause, CAUSE_OPENED_BY_HAND);
    assert_string_equal(c.person, "");
    /* whom the topic names need not say who they are */
    assert_true(parse("out-of-service/kim", "{\"alarm\":\"m1.meter_lost\",\"note\":\"moved\"}",
                      &c, why));
    assert_int_equal(c.verb, COMMAND_OUT_OF_SERVICE);
    assert_string_equal(c.person, "kim");
    assert_string_equal(c.note, "moved");

    assert_true(parse("correct-cause/kim",
                      "{\"trip\":\"main-07-20260101T000000Z\",\"cause\":\"fault\"}", &c, why));
    assert_int_equal(c.verb, COMMAND_CORRECT);
    assert_true(
        parse("breaker-replaced/kim", "{\"circuit\":\"main-07\",\"note\":\"20 A\"}", &c, why));
    assert_int_equal(c.verb, COMMAND_REPLACED);
    assert_string_equal(c.circuit, "main-07");
    assert_string_equal(c.note, "20 A");
    assert_true(parse("name-load", "{\"load\":\"main-07/3\",\"name\":\"kettle\"}", &c, why));
    assert_int_equal(c.verb, COMMAND_NAME);
    assert_true(parse("name", "{\"load\":\"main-07/3\"}", &c, why));
    assert_int_equal(c.verb, COMMAND_NAME);

    assert_true(parse("history", "{\"circuit\":\"main-07\"}", &c, why));
    assert_int_equal(c.verb, COMMAND_HISTORY);
    assert_int_equal(c.span.quantity, FRAME_AMPS);
    assert_int_equal(c.span.points, COMMAND_POINTS);
    assert_int_equal(c.span.pole + c.span.from_wall_ms + c.span.to_wall_ms, 0);
    assert_true(parse("history",
                      "{\"circuit\":\"main-07\",\"quantity\":\"watts\",\"pole\":2,"
                      "\"from\":\"2026-01-01T00:00:00Z\",\"to\":1767229200.5,\"points\":24}",
                      &c, why));
    assert_int_equal(c.span.quantity, FRAME_WATTS);
    assert_int_equal(c.span.pole, 2);
    assert_true(c.span.from_wall_ms == INT64_C(1767225600000));
    assert_true(c.span.to_wall_ms == INT64_C(1767229200500));
    assert_int_equal(c.span.points, 24);

    assert_true(parse("circuits", "{}", &c, why));
    assert_int_equal(c.verb, COMMAND_CIRCUITS);
    assert_true(parse("status", "", &c, why));
    assert_int_equal(c.verb, COMMAND_STATUS);
    assert_true(parse("send-again", "{\"after\":1795603137009,\"to\":1795603137015}", &c, why));
    assert_int_equal(c.verb, COMMAND_SEND_AGAIN);
    assert_true(c.after == INT64_C(1795603137009) && c.to == INT64_C(1795603137015));
    assert_true(parse("sheet/kim", "{\"trip\":\"main-07.3\",\"role\":\"manager\"}", &c, why));
    assert_string_equal(c.trip, "main-07.3");
    assert_int_equal(c.least, ROLE_MANAGER);
    assert_true(parse("sheet", "", &c, why));
    assert_int_equal(c.least, ROLE_ADMINISTRATOR);
    for (int v = 0; v < COMMAND_VERBS; v++)
        assert_true(strlen(command_verb_name((enum command_verb)v)) > 0);
}

static void mistakes_get_a_sentence_that_names_the_place(void **state)
{
    static const struct {
        const char *verb, *payload, *says;
    } cases[] = {
        {"acknowlege", "{}", "there is no command 'acknowlege'; did you mean 'acknowledge'?"},
        {"reset", "{}",
         "there is no command 'reset'; there are acknowledge, shelve, unshelve, "
         "out-of-service, "
         "in-service, circuits, status, history, name-load, correct-cause, note"},
        {"history", "{}", "'circuit' is missing"},
        {"breaker-replaced", "{\"by\":\"Jo\"}", "'circuit' is missing"},
        {"breaker-replaced", "{\"circuit\":\"main-07\"}", "'by' is missing"},
        {"history", "{\"circuit\":\"main-07\",\"quantity\":\"ohms\"}",
         "there is no quantity 'ohms'; there are amps, watts, volts, pf"},
        {"history", "{\"circuit\":\"main-07\",\"from\":\"yesterday\"}",
         "'from' must be a time"},
        {"history", "{\"circuit\":\"main-07\",\"to\":-5}", "'to' must be a time"},
        {"history", "{\"circuit\":\"main-07\",\"to\":1e300}", "'to' must be a time"},
        {"history", "{\"circuit\":\"main-07\",\"points\":1001}",
         "'points' must be a whole number from 1 to 1000"},
        {"history", "{\"circuit\":\"main-07\",\"points\":2.5}", "'points' must be a whole"},
        {"history", "{\"circuit\":\"main-07\",\"pole\":0}", "'pole' must be a whole"},
        {"name-lod", "{}", "did you mean 'name-load'?"},
        {"acknowledge/k+m", "{}", "'k+m' is no id of a person"},
        {"acknowledge/kim/", "{}", "'kim/' is no id of a person"},
        {"acknowledge/", "{}", "'' is no id of a person"},
        {"bell\x07", "{}", "there is no command 'bell?'"},
        {"acknowledge", "{\"by\":\"Jo\"}", "'alarm' is missing"},
        {"acknowledge", "{\"alarm\":\"a\"}", "'by' is missing"},
        {"acknowledge", "{\"alarm\":\"\",\"by\":\"Jo\"}", "'alarm' is empty"},
        {"acknowledge", "{\"alarm\":7,\"by\":\"Jo\"}", "'alarm' must be a text"},
        {"acknowledge", "{\"alarm\":\"a\",\"by\":null}", "'by' must be a text"},
        {"shelve", "{\"alarm\":\"a\",\"by\":\"Jo\"}",
         "'seconds' is missing: shelving must end"},
        {"shelve", "{\"alarm\":\"a\",\"by\":\"Jo\",\"seconds\":\"9\"}",
         "'seconds' must be a number"},
        {"shelve", "{\"alarm\":\"a\",\"by\":\"Jo\",\"seconds\":0}",
         "'seconds' is 0; it must lie between 1 and 2592000"},
        {"shelve", "{\"alarm\":\"a\",\"by\":\"Jo\",\"seconds\":2592001}",
         "'seconds' is 2592001; it must lie"},
        {"shelve", "{\"alarm\":\"a\",\"by\":\"Jo\",\"seconds\":-1e300}",
         "'seconds' is -1e+300"},
        {"shelve", "{\"alarm\":\"a\",\"by\":\"Jo\",\"seconds\":60,\"note\":[]}",
         "'note' must be a text"},
        {"correct", "{\"trip\":\"a\",\"by\":\"Jo\"}", "'cause' is missing"},
        {"note", "{\"trip\":\"a\",\"by\":\"Jo\"}", "'note' is missing"},
        {"call-begin", "{\"by\":\"Jo\"}", "'circuit' is missing"},
        {"call-begin", "{\"circuit\":\"a\",\"as\":\"plumber\",\"by\":\"Jo\"}",
         "there is no 'as'"},
        {"call-answer", "{\"call\":\"a\",\"answer\":\"perhaps\",\"by\":\"Jo\"}",
         "there is no answer 'perhaps'"},
        {"call-answer", "{\"call\":\"a\",\"answer\":\"begin\",\"by\":\"Jo\"}",
         "there is no answer 'begin'"},
        {"call-answer",
         "{\"call\":\"a\",\"answer\":\"danger\",\"danger\":\"cold\",\"by\":\"Jo\"}",
         "there is no danger 'cold'"},
        {"call-answer", "{\"call\":\"a\",\"answer\":\"clear\",\"question\":-1,\"by\":\"Jo\"}",
         "'question' must be"},
        {"send-again", "{\"to\":5}", "'after' must be a number of the stream"},
        {"send-again", "{\"after\":5,\"to\":1.5}", "'to' must be a number of the stream"},
        {"sheet", "{\"role\":\"mayor\"}",
         "there is no role 'mayor'; there are resident, electrician, manager, administrator"},
        {"sheet", "{\"trip\":7}", "'trip' must be a text"},
        {"send-again", "{\"after\":5,\"to\":5}", "'to' must be above 'after'"},
        {"note", "{\"trip\":\"a\",\"note\":\"\",\"by\":\"Jo\"}", "'note' is empty"},
        {"correct", "{\"trip\":\"a\",\"cause\":\"ghosts\",\"by\":\"Jo\"}",
         "there is no cause 'ghosts'"},
        {"status", "{\"id\":[]}", "'id' must be a text"},
        {"status", "{\"reply_to\":5}", "'reply_to' must be a text"},
        {"status", "{\"reply_to\":\"a/+\"}", "reply_to 'a/+' is no topic for an answer"},
        {"status", "{\"reply_to\":\"#\"}", "reply_to '#' is no topic"},
        {"status", "{\"reply_to\":\"$SYS/x\"}", "is no topic for an answer"},
        {"status", "{\"reply_to\":\"\"}", "is no topic for an answer"},
        {"status", "{\"reply_to\":\"" OWN "status\"}", "is no topic for an answer"},
        {"status", "{\"reply_to\":\"" OWN "command/status\"}", "is no topic for an answer"},
        {"status", "[]", "a command is a JSON object"},
        {"status", "{\"id\":1,\"id\":2}", "line 1, column"},
        {"status", "{\n\"id\":\n]", "line 3, column"},
        {"status", "{} {}", "line 1, column"},
        {"status", "{\"id\":\"\xff\"}", "line 1, column"},
        {"status", "nonsense", "line 1, column"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct command c;
        char why[COMMAND_WHY_SIZE];
        assert_false(parse(cases[i].verb, cases[i].payload, &c, why));
        if (!strstr(why, cases[i].says))
            fail_msg("%s %s: says \"%s\", wanted \"%s\"", cases[i].verb, cases[i].payload, why,
                     cases[i].says);
    }
}

static void what_is_too_long_is_refused_whole(void **state)
{
    static const struct {
        const char *verb, *member;
        size_t most;
    } cases[] = {
        {"acknowledge", "alarm", EVENT_ID_SIZE - 1},
        {"acknowledge", "by", COMMAND_BY_SIZE - 1},
        {"shelve", "note", COMMAND_NOTE_SIZE - 1},
        {"acknowledge", "id", COMMAND_ID_SIZE - 1},
        {"acknowledge", "reply_to", COMMAND_TOPIC_SIZE - 1},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        for (int over = 0; over <= 1; over++) {
            char payload[2048], text[1024], why[COMMAND_WHY_SIZE], wanted[64];
            struct command c;
            memset(text, 'x', cases[i].most + (size_t)over);
            text[cases[i].most + (size_t)over] = '\0';
            snprintf(payload, sizeof payload, "{\"%s\":\"%s\"%s%s,\"seconds\":5}",
                     cases[i].member, text,
                     strcmp(cases[i].member, "alarm") ? ",\"alarm\":\"a\"" : "",
                     strcmp(cases[i].member, "by") ? ",\"by\":\"b\"" : "");
            assert_int_equal(parse(cases[i].verb, payload, &c, why), !over);
            snprintf(wanted, sizeof wanted, "longer than %zu bytes", cases[i].most);
            if (over && !strstr(why, wanted))
                fail_msg("%s: says \"%s\"", cases[i].member, why);
        }
    char *big = malloc(COMMAND_MAX_BYTES + 1), why[COMMAND_WHY_SIZE];
    struct command c;
    memset(big, ' ', COMMAND_MAX_BYTES + 1);
    big[0] = '{';
    big[COMMAND_MAX_BYTES - 1] = '}';
    assert_true(command_parse(OWN, "status", big, COMMAND_MAX_BYTES, NULL, NULL, 0, &c, why));
    assert_false(
        command_parse(OWN, "status", big, COMMAND_MAX_BYTES + 1, NULL, NULL, 0, &c, why));
    assert_true(strstr(why, "longer than 8192 bytes") != NULL);
    free(big);
}

static void the_answer_finds_its_way_also_when_the_command_is_wrong(void **state)
{
    struct command c;
    char why[COMMAND_WHY_SIZE];
    (void)state;
    assert_false(parse("shelf", "{\"id\":\"q\",\"reply_to\":\"" OWN "reply/desk\"}", &c, why));
    assert_string_equal(c.reply.id, "q");
    assert_string_equal(c.reply.topic, OWN "reply/desk");
    /* MQTT 5's response topic goes before reply_to, and holds where the payload is no JSON at
     * all */
    assert_false(command_parse(OWN, "status", "?", 1, "desk/5", "\0\1\2", 3, &c, why));
    assert_string_equal(c.reply.topic, "desk/5");
    assert_int_equal(c.reply.correlation_length, 3);
    assert_memory_equal(c.reply.correlation, "\0\1\2", 3);
    assert_true(command_parse(OWN, "status", "{\"reply_to\":\"other\"}", 20, "desk/5", NULL, 0,
                              &c, why));
    assert_string_equal(c.reply.topic, "desk/5");
    assert_false(command_parse(OWN, "status", "{}", 2, "desk/#", NULL, 0, &c, why));
    assert_string_equal(c.reply.topic, "");
    char long_data[COMMAND_CORRELATION_SIZE + 1] = {0};
    assert_false(
        command_parse(OWN, "status", "{}", 2, "desk/5", long_data, sizeof long_data, &c, why));
    assert_true(strstr(why, "correlation data is longer than 256 bytes") != NULL);
    assert_string_equal(c.reply.topic, "desk/5");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(commands_are_understood),
        cmocka_unit_test(mistakes_get_a_sentence_that_names_the_place),
        cmocka_unit_test(what_is_too_long_is_refused_whole),
        cmocka_unit_test(the_answer_finds_its_way_also_when_the_command_is_wrong),
    };
    return cmocka_run_group_tests_name("command", tests, NULL, NULL);
}
