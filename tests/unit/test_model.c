/* model: sites, frames, columns, rules, words */
#include "check.h"

#include "model/event.h"
#include "model/frame.h"
#include "model/rules.h"

static void house(struct site *s)
{
    site_init(s);
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "main");
    strcpy(p->name, "Main panel, cellar");
    p = site_add_panel(s);
    strcpy(p->id, "shop");
    strcpy(p->fed_by_id, "main-02");
    for (int i = 0; i < 3; i++) {
        struct site_circuit *c = site_add_circuit(s);
        snprintf(c->id, sizeof c->id, "main-%02d", i + 1);
        snprintf(c->position, sizeof c->position, "%d", i + 1);
        strcpy(c->name, "Upstairs bath");
        c->panel = 0;
        c->poles = i == 1 ? 2 : 1;
        c->breaker_amps = 15;
    }
    site_finish(s);
}

static void poles_are_numbered_and_feeders_known(void **state)
{
    struct site s;
    (void)state;
    house(&s);
    assert_int_equal(s.poles_total, 4);
    assert_int_equal(s.circuits[2].first_pole, 3);
    assert_int_equal(s.circuits[1].feeds_panel, 1);
    assert_int_equal(s.panels[1].fed_by, 1);
    assert_int_equal(s.panels[0].fed_by, -1);
    char text[200];
    assert_string_equal(site_describe_circuit(&s, 0, text, sizeof text),
                        "breaker 1 (Upstairs bath) in Main panel, cellar");
    site_free(&s);
}

static void every_column_name_finds_its_own_index(void **state)
{
    struct site s;
    (void)state;
    house(&s);
    for (size_t i = 0; i < frame_count(&s); i++) {
        char name[96];
        frame_column_name(&s, i, name, sizeof name);
        assert_int_equal(frame_find_column(&s, name, strlen(name), NULL), (int)i);
    }
    static const char *const wrong[] = {"main-01",        "main-01.amp",    "main-09.amps",
                                        "main-01.amps_2", "main-02.amps_3", "main.volts_d",
                                        ".amps",          "main-01.",       "main.amps"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        const char *why = NULL;
        assert_int_equal(frame_find_column(&s, wrong[i], strlen(wrong[i]), &why), -1);
        assert_non_null(why);
    }
    site_free(&s);
}

static void readings_out_of_bounds_are_no_readings(void **state)
{
    (void)state;
    assert_true(frame_checked(FRAME_AMPS, 15.5) == 15.5F);
    assert_true(frame_checked(FRAME_AMPS, -0.05) == 0.0F);
    assert_true(isnan(frame_checked(FRAME_AMPS, -1.0)));
    assert_true(isnan(frame_checked(FRAME_AMPS, (double)NAN)));
    assert_true(isnan(frame_checked(FRAME_AMPS, 1e30)));
    assert_true(frame_checked(FRAME_WATTS, -500.0) == -500.0F);
    assert_true(isnan(frame_checked(FRAME_POWER_FACTOR, 1.5)));
}

static void every_rule_has_a_default_within_its_range(void **state)
{
    (void)state;
    for (size_t i = 0; i < rules_table_count; i++) {
        const struct rules_row *row = &rules_table[i];
        assert_true(row->least <= row->fallback && row->fallback <= row->most);
        assert_ptr_equal(rules_find(row->name), row);
        assert_true(strlen(row->help) > 5);
    }
    assert_int_equal(rules_table_count * sizeof(double), sizeof(struct rules));
    assert_null(rules_find("no_such_rule"));
}

static void words_of_enums_lead_back(void **state)
{
    (void)state;
    for (int i = 0; i < CAUSE_COUNT; i++) {
        enum trip_cause c;
        assert_true(trip_cause_find(trip_cause_name((enum trip_cause)i), &c));
        assert_int_equal((int)c, i);
    }
    for (int i = 0; i < ALARM_KINDS; i++) {
        enum alarm_kind k;
        assert_true(alarm_kind_find(alarm_kind_name((enum alarm_kind)i), &k));
        assert_int_equal((int)k, i);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(poles_are_numbered_and_feeders_known),
        cmocka_unit_test(every_column_name_finds_its_own_index),
        cmocka_unit_test(readings_out_of_bounds_are_no_readings),
        cmocka_unit_test(every_rule_has_a_default_within_its_range),
        cmocka_unit_test(words_of_enums_lead_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
