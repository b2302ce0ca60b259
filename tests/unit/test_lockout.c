/* one-time codes, how long whoever tries in vain has to wait, and what a manager is told */
#include "check.h"
#include "config_case.h"

#include "web/code.h"
#include "web/discreet.h"
#include "web/lockout.h"

#include <stdlib.h>

/* ---- codes ---- */

static void codes_are_typed_as_people_type(void **state)
{
    char code[CODE_SIZE], other[CODE_SIZE], small[64];
    uint8_t a[CODE_HASH_BYTES], b[CODE_HASH_BYTES];
    (void)state;
    code_make(code);
    code_make(other);
    assert_string_not_equal(code, other);
    assert_int_equal(strlen(code), CODE_SIZE - 1);
    assert_true(code_hash(code, a));
    snprintf(small, sizeof small, " %.4s%.4s - %.4s ", code, code + 5, code + 10);
    for (char *c = small; *c; c++) {
        *c = (char)(*c >= 'A' && *c <= 'Z' ? *c - 'A' + 'a' : *c);
        *c = (char)(*c == '0' ? 'o' : *c == '1' ? 'l' : *c);
    }
    assert_true(code_hash(small, b));
    assert_true(code_same(a, b));
    assert_true(code_hash(other, b));
    assert_false(code_same(a, b));
    assert_false(code_hash("", b));
    assert_false(code_hash("7K3M-X9QT-04R", b));
    assert_false(code_hash("7K3M-X9QT-04RVA", b));
    assert_false(code_hash("7K3M-X9QT-04R!", b));
}

/* ---- waits ---- */

static void each_try_in_vain_doubles_the_wait(void **state)
{
    struct lockout *l = calloc(1, sizeof *l);
    int64_t now = 5, wait = 0;
    (void)state;
    for (int i = 1; i < LOCKOUT_FREE; i++)
        assert_int_equal(lockout_failed(l, "person kim", now), 0);
    assert_int_equal(lockout_failed(l, "person kim", now), LOCKOUT_FIRST_MS);
    assert_int_equal(lockout_wait_ms(l, "person kim", now), LOCKOUT_FIRST_MS);
    assert_int_equal(lockout_wait_ms(l, "person ada", now), 0);
    now += LOCKOUT_FIRST_MS;
    assert_int_equal(lockout_wait_ms(l, "person kim", now), 0);
    assert_int_equal(lockout_failed(l, "person kim", now), 2 * LOCKOUT_FIRST_MS);
    for (int i = 0; i < 60; i++)
        wait = lockout_failed(l, "person kim", now);
    assert_int_equal(wait, LOCKOUT_MOST_MS);
    lockout_good(l, "person kim");
    assert_int_equal(lockout_wait_ms(l, "person kim", now), 0);
    assert_int_equal(lockout_failed(l, "person kim", now), 0);
    free(l);
}

static void names_that_are_made_up_push_out_the_oldest(void **state)
{
    struct lockout *l = calloc(1, sizeof *l);
    char key[LOCKOUT_KEY_SIZE];
    (void)state;
    for (int i = 0; i < 2 * LOCKOUT_KEYS; i++) {
        snprintf(key, sizeof key, "person %d", i);
        for (int n = 0; n < LOCKOUT_FREE; n++)
            lockout_failed(l, key, 1000 + i);
    }
    assert_int_equal(lockout_wait_ms(l, "person 0", 2000), 0);
    assert_true(lockout_wait_ms(l, key, 2000) > 0);
    free(l);
}

static void an_address_is_what_one_subscriber_has(void **state)
{
    static const struct {
        const char *address, *key;
    } cases[] = {{"192.0.2.7", "192.0.2.7"},
                 {"2001:db8:1:2:3:4:5:6", "2001:db8:1:2::"},
                 {"2001:db8:1:2::9", "2001:db8:1:2::"},
                 {"?", "?"}};
    char key[LOCKOUT_KEY_SIZE];
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        lockout_address_key(cases[i].address, key);
        assert_string_equal(key, cases[i].key);
    }
}

/* ---- what a manager is told ---- */

static void check_told(const struct site *s, const char *json, const char *told)
{
    json_t *o = discreet_event(s, json_loads(json, 0, NULL));
    char *text = o ? json_dumps(o, JSON_COMPACT | JSON_SORT_KEYS) : NULL;
    assert_string_equal(text ? text : "nothing", told);
    free(text);
    json_decref(o);
}

static void events_are_told_without_loads(void **state)
{
    const struct config_text site = {"site.cfg", config_case_site, strlen(config_case_site)};
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct config c;
    (void)state;
    assert_true(config_load_memory(&c, &site, 1, &faults));
    faults_free(&faults);
    check_told(&c.site, "{\"type\":\"load_on\",\"circuit\":\"main-07\",\"amps\":8}", "nothing");
    check_told(&c.site, "{\"type\":\"load_off\"}", "nothing");
    check_told(&c.site, "{\"kind\":\"something without a type\"}", "nothing");
    check_told(&c.site,
               "{\"type\":\"trip\",\"trip\":\"t\",\"loads\":[{\"appliance\":\"kettle\"}],"
               "\"added_later\":1}",
               "{\"loads\":[],\"trip\":\"t\",\"type\":\"trip\"}");
    check_told(
        &c.site,
        "{\"type\":\"alarm\",\"kind\":\"near_overload\",\"circuit\":\"main-07\","
        "\"text\":\"Switch off the kettle\",\"advice\":\"the kettle\",\"amps\":15,"
        "\"switch_off\":[{\"appliance\":\"kettle\"}],\"detail\":\"kettle\"}",
        "{\"circuit\":\"main-07\",\"kind\":\"near_overload\",\"text\":\"Upstairs bath may "
        "open before long.\",\"type\":\"alarm\"}");
    check_told(&c.site, "{\"type\":\"alarm\",\"kind\":\"new_kind\",\"text\":\"the kettle\"}",
               "{\"kind\":\"new_kind\",\"text\":\"12 Maple Street needs somebody to look.\","
               "\"type\":\"alarm\"}");
    check_told(&c.site, "{\"type\":\"restored\",\"trip\":\"t\",\"seconds_open\":3}",
               "{\"seconds_open\":3,\"trip\":\"t\",\"type\":\"restored\"}");
    config_free(&c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(codes_are_typed_as_people_type),
        cmocka_unit_test(each_try_in_vain_doubles_the_wait),
        cmocka_unit_test(names_that_are_made_up_push_out_the_oldest),
        cmocka_unit_test(an_address_is_what_one_subscriber_has),
        cmocka_unit_test(events_are_told_without_loads),
    };
    return cmocka_run_group_tests_name("lockout", tests, NULL, NULL);
}
