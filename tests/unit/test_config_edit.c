/* config_edit: one setting changes, and nothing else */
#include "check.h"

#include "config/edit.h"

static const char *const before =
    "# a house; circuits = ( is no setting here\n"
    "site = { id = \"x\"; name = \"circuits = ( { id = \\\"b\\\" } )\"; };\n"
    "meters : ( { id = \"b\"; leg = \"Z\" } );\n"
    "circuits = (\n"
    "  { id = \"a\"; leg = \"A\"; channels = [ 1, 2 ]; }, // the first; id = \"b\"\n"
    "  { leg = \"B\" /* as said */ , channels = [ 3 ]  # no end\n"
    "    id = \"b\" },\n"
    "  { id = \"c\" rules = { leg = \"C\"; }; ct_ratio = 2.0 }\n"
    ");\n";

static void expect(const char *id, const char *key, const char *value, const char *old,
                   const char *new)
{
    struct text t = TEXT_INIT, wanted = TEXT_INIT;
    const char *at = strstr(before, old);
    assert_non_null(at);
    assert_null(strstr(at + 1, old)); /* the test's own: it is there once */
    text_append(&t, before);
    text_append_bytes(&wanted, before, (size_t)(at - before));
    text_append(&wanted, new);
    text_append(&wanted, at + strlen(old));
    assert_true(config_edit(&t, "circuits", id, key, value));
    assert_string_equal(text_get(&t), text_get(&wanted));
    text_free(&t);
    text_free(&wanted);
}

static void a_value_is_exchanged_and_the_old_one_stays_in_a_comment(void **state)
{
    (void)state;
    expect("a", "leg", "\"B\"", "leg = \"A\"", "leg = \"B\" /* was \"A\" */");
    expect("a", "channels", "[ 7, 9 ]", "[ 1, 2 ]", "[ 7, 9 ] /* was [ 1, 2 ] */");
    expect("b", "leg", "\"A\"", "\"B\" /* as", "\"A\" /* was \"B\" */ /* as");
    expect("b", "channels", "[ 4 ]", "[ 3 ]", "[ 4 ] /* was [ 3 ] */");
    expect("c", "ct_ratio", "4.0", "2.0", "4.0 /* was 2.0 */");
}

static void a_key_that_is_not_there_is_added(void **state)
{
    (void)state;
    expect("b", "ct_reversed", "true", "{ leg = \"B\"", "{ ct_reversed = true; leg = \"B\"");
    /* not the one in a group within */
    expect("c", "leg", "\"A\"", "{ id = \"c\"", "{ leg = \"A\"; id = \"c\"");
}

static void what_is_not_there_or_cannot_be_read_is_left_alone(void **state)
{
    static const char *const broken[] = {"",
                                         "circuits",
                                         "circuits = ",
                                         "circuits = ( {",
                                         "circuits = ( { id = \"a",
                                         "circuits = ( { id } );",
                                         "circuits = ( { = 3 } );",
                                         "/* circuits = ( { id = \"a\" } )",
                                         "circuits = { id = \"a\" };",
                                         "circuits = [ 1 ];"};
    struct text t = TEXT_INIT;
    (void)state;
    text_append(&t, before);
    assert_false(config_edit(&t, "circuits", "d", "leg", "\"A\""));
    assert_false(config_edit(&t, "panels", "a", "leg", "\"A\""));
    assert_string_equal(text_get(&t), before);
    for (size_t i = 0; i < sizeof broken / sizeof broken[0]; i++) {
        text_clear(&t);
        text_append(&t, broken[i]);
        assert_false(config_edit(&t, "circuits", "a", "leg", "\"A\""));
        assert_string_equal(text_get(&t), broken[i]);
    }
    text_free(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_value_is_exchanged_and_the_old_one_stays_in_a_comment),
        cmocka_unit_test(a_key_that_is_not_there_is_added),
        cmocka_unit_test(what_is_not_there_or_cannot_be_read_is_left_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
