/* unit_places: a table of what units are called and where they lie, taken whole or not at all
 */
#include "check.h"
#include "fleet_store.h"

#include "fleet/csv.h"
#include "fleet/unit_places.h"

#include <stdlib.h>

struct rig {
    struct fleet_store store;
    struct sql *sql;
};

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    fleet_store_make(&r->store);
    r->sql = fleet_store_open(
        &r->store,
        "INSERT INTO sites (id, name, building, unit) VALUES"
        " ('maple-12', '12 Maple', 'Maple House', '12'), ('oak-3', '=3 Oak', '', '')");
    *state = r;
    return 0;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    sql_close(r->sql);
    fleet_store_remove(&r->store);
    free(r);
    return 0;
}

static void rows_are_read_as_rfc_4180_has_them(void **state)
{
    char why[100];
    struct csv_reader r = {.at = "a,\"b, \"\"c\"\"\",\r\n\r\n\"two\nlines\",'=1,'x\r\nlast"};
    (void)state;
    assert_true(csv_read_row(&r, why, sizeof why));
    assert_int_equal(r.count, 3);
    assert_string_equal(csv_cell(&r, 0), "a");
    assert_string_equal(csv_cell(&r, 1), "b, \"c\"");
    assert_string_equal(csv_cell(&r, 2), "");
    assert_string_equal(csv_cell(&r, 3), "");
    assert_true(csv_read_row(&r, why, sizeof why));
    assert_int_equal(r.line, 3);
    assert_string_equal(csv_cell(&r, 0), "two\nlines");
    assert_string_equal(csv_cell(&r, 1), "=1"); /* as csv_words wrote it */
    assert_string_equal(csv_cell(&r, 2), "'x");
    assert_true(csv_read_row(&r, why, sizeof why));
    assert_int_equal(r.line, 5);
    assert_string_equal(csv_cell(&r, 0), "last");
    assert_false(csv_read_row(&r, why, sizeof why));
    assert_string_equal(why, "");
    r.at = "x\n\"open";
    assert_true(csv_read_row(&r, why, sizeof why));
    assert_false(csv_read_row(&r, why, sizeof why));
    assert_non_null(strstr(why, "a quote that is not closed"));
    csv_reader_free(&r);
}

static void what_is_written_is_read_back(void **state)
{
    static const char *const words[] = {"plain", "a,b", "\"q\"", "=1+1", " -x", "l\nl", ""};
    struct text t = TEXT_INIT;
    struct csv c = {.out = &t};
    char why[100];
    (void)state;
    for (size_t i = 0; i < 7; i++)
        csv_words(&c, words[i]);
    csv_end_line(&c);
    struct csv_reader r = {.at = text_get(&t)};
    assert_true(csv_read_row(&r, why, sizeof why));
    for (size_t i = 0; i < 7; i++)
        assert_string_equal(csv_cell(&r, i), words[i]);
    csv_reader_free(&r);
    text_free(&t);
}

static size_t take(struct rig *r, const char *table, char why[UNIT_PLACES_WHY_SIZE])
{
    size_t units = 99;
    why[0] = '\0';
    bool good = unit_places_take(r->sql, table, &units, why);
    assert_int_equal(good, why[0] == '\0');
    assert_true(good || units == 0);
    return units;
}

static void columns_that_are_there_are_taken(void **state)
{
    struct rig *r = *state;
    char why[UNIT_PLACES_WHY_SIZE];
    assert_int_equal(take(r, "unit,more,building\r\noak-3,x,Oak House\r\nmaple-12,,\r\n", why),
                     2);
    assert_int_equal(fleet_store_number(r->sql, "SELECT count(*) FROM sites WHERE id = 'oak-3'"
                                                " AND building = 'Oak House'"
                                                " AND name = '=3 Oak'"),
                     1);
    assert_int_equal(fleet_store_number(r->sql,
                                        "SELECT count(*) FROM sites WHERE id = 'maple-12'"
                                        " AND building = '' AND unit = '12'"),
                     1);
}

static void a_table_with_a_fault_changes_nothing_and_says_the_line(void **state)
{
    static const struct {
        const char *table, *says;
    } cases[] = {
        {"", "the table is empty"},
        {"name,building\nx,y\n", "line 1 names no column \"unit\""},
        {"unit,building\nmaple-12,X\nelm-9,X\n", "line 3: there is no unit \"elm-9\" here"},
        {"unit,building\nmaple-12,X\noak-3,\"X\n", "a quote that is not closed"},
        {"unit,building\nmaple-12,X\noak-3,"
         "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx"
         "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx\n",
         "longer than"},
        {"unit,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,,\n", "line 1 has too many cells"},
    };
    struct rig *r = *state;
    char why[UNIT_PLACES_WHY_SIZE];
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        take(r, cases[i].table, why);
        if (!strstr(why, cases[i].says))
            fail_msg("\"%s\" instead of \"%s\"", why, cases[i].says);
    }
    assert_int_equal(
        fleet_store_number(r->sql, "SELECT count(*) FROM sites WHERE building = 'X'"), 0);
}

static void the_table_that_stands_can_be_given_back(void **state)
{
    struct rig *r = *state;
    struct text t = TEXT_INIT, again = TEXT_INIT;
    char why[UNIT_PLACES_WHY_SIZE];
    assert_int_equal(unit_places_write(r->sql, &t), SQL_FINE);
    assert_string_equal(text_get(&t), "unit,name,building,place\r\noak-3,\"'=3 Oak\",,\r\n"
                                      "maple-12,12 Maple,Maple House,12\r\n");
    assert_int_equal(take(r, text_get(&t), why), 2);
    assert_int_equal(unit_places_write(r->sql, &again), SQL_FINE);
    assert_string_equal(text_get(&again), text_get(&t));
    text_free(&t);
    text_free(&again);
}

#define IN_STORE(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rows_are_read_as_rfc_4180_has_them),
        cmocka_unit_test(what_is_written_is_read_back),
        IN_STORE(columns_that_are_there_are_taken),
        IN_STORE(a_table_with_a_fault_changes_nothing_and_says_the_line),
        IN_STORE(the_table_that_stands_can_be_given_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
