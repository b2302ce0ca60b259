/* who may ask for what over MQTT: every role and every verb */
#include "check.h"

#include "notify/rights.h"

static struct delivery three_people(void)
{
    static const enum delivery_role roles[] = {ROLE_RESIDENT, ROLE_ELECTRICIAN, ROLE_MANAGER};
    struct delivery d = {.person_count = 3};
    for (int i = 0; i < 3; i++) {
        strcpy(d.people[i].id, delivery_role_name(roles[i]));
        snprintf(d.people[i].name, sizeof d.people[i].name, "The %s", d.people[i].id);
        d.people[i].role = (int)roles[i];
    }
    return d;
}

static void roles_may_do_what_the_manual_says(void **state)
{
    static const struct {
        enum command_verb verb;
        double seconds;
        bool resident, electrician, manager;
    } rows[] = {
        {COMMAND_ACKNOWLEDGE, 0, true, true, true},
        {COMMAND_SHELVE, 86400, true, true, true},
        {COMMAND_SHELVE, 86401, false, true, true},
        {COMMAND_UNSHELVE, 0, true, true, true},
        {COMMAND_OUT_OF_SERVICE, 0, false, true, false},
        {COMMAND_IN_SERVICE, 0, false, true, false},
        {COMMAND_CIRCUITS, 0, true, true, false},
        {COMMAND_HISTORY, 0, true, true, false},
        {COMMAND_NAME, 0, true, true, false},
        {COMMAND_CORRECT, 0, false, true, false},
        {COMMAND_NOTE, 0, true, true, true},
        {COMMAND_STATUS, 0, true, true, true},
        {COMMAND_SEND_AGAIN, 0, true, true, true},
        {COMMAND_SHEET, 0, true, true, true},
    };
    struct delivery d = three_people();
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const bool may[] = {rows[i].resident, rows[i].electrician, rows[i].manager};
        for (int p = 0; p < 3; p++) {
            struct command c = {.verb = rows[i].verb, .seconds = rows[i].seconds};
            char why[RIGHTS_WHY_SIZE];
            const char *by;
            strcpy(c.person, d.people[p].id);
            strcpy(c.by, "somebody else");
            if (rights_allow(&d, &c, &by, why) != may[p])
                fail_msg("row %zu: %s", i, d.people[p].id);
            assert_string_equal(by, d.people[p].name);
            assert_int_equal(why[0] == '\0', may[p]);
        }
    }
}

static void a_call_is_answered_by_role(void **state)
{
    static const struct {
        enum call_answer answer;
        enum call_as as;
        bool resident, electrician, manager;
    } rows[] = {
        {CALL_SAID_BEGIN, CALL_AS_OCCUPANT, true, true, false},
        {CALL_SAID_BEGIN, CALL_AS_ELECTRICIAN, false, true, false},
        {CALL_SAID_CLEAR, CALL_AS_OCCUPANT, true, true, false},
        {CALL_SAID_TAKE_OVER, CALL_AS_ELECTRICIAN, false, true, false},
        {CALL_SAID_DANGER, CALL_AS_OCCUPANT, true, true, true},
        {CALL_SAID_NOTE, CALL_AS_OCCUPANT, true, true, true},
        {CALL_SAID_END, CALL_AS_OCCUPANT, true, true, false},
    };
    static const enum delivery_role roles[] = {ROLE_RESIDENT, ROLE_ELECTRICIAN, ROLE_MANAGER};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const bool may[] = {rows[i].resident, rows[i].electrician, rows[i].manager};
        for (int p = 0; p < 3; p++) {
            const struct command c = {.verb = i == 0 ? COMMAND_CALL_BEGIN : COMMAND_CALL_ANSWER,
                                      .call = {.answer = rows[i].answer, .as = rows[i].as}};
            char why[RIGHTS_WHY_SIZE];
            if (rights_allow_role(roles[p], "Kim", &c, why) != may[p])
                fail_msg("row %zu: %s", i, delivery_role_name(roles[p]));
        }
    }
}

static void a_topic_that_names_nobody_is_open_until_told_otherwise(void **state)
{
    struct delivery d = three_people();
    struct command c = {.verb = COMMAND_OUT_OF_SERVICE, .by = "Jo"};
    char why[RIGHTS_WHY_SIZE];
    const char *by;
    (void)state;
    assert_true(rights_allow(&d, &c, &by, why));
    assert_string_equal(by, "Jo");
    d.broker.named = true;
    assert_false(rights_allow(&d, &c, &by, why));
    assert_string_equal(why, "commands here go to command/out-of-service/<person>, the id of "
                             "one of people in delivery.cfg");
    struct command again = {.verb = COMMAND_SEND_AGAIN};
    assert_true(rights_allow(&d, &again, &by, why)); /* a centre is no person */
    strcpy(c.person, "nobody");
    assert_false(rights_allow(&d, &c, &by, why));
    assert_string_equal(why, "delivery.cfg has no person 'nobody'");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(roles_may_do_what_the_manual_says),
        cmocka_unit_test(a_call_is_answered_by_role),
        cmocka_unit_test(a_topic_that_names_nobody_is_open_until_told_otherwise),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
