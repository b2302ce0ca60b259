/* orders: what can be done with a work order when, and who sees a unit because of one; consents
 * that count and that do not; tables for a spreadsheet */
#include "check.h"
#include "fleet_store.h"

#include "fleet/consents.h"
#include "fleet/csv.h"
#include "fleet/orders.h"

#include <stdlib.h>

#define NOW INT64_C(1795603200000) /* 2026-11-25T10:40:00Z */
#define HOUR INT64_C(3600000)

struct rig {
    struct fleet_store store;
    struct sql *sql;
    char why[ORDER_WHY_SIZE];
};

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    fleet_store_make(&r->store);
    r->sql = fleet_store_open(&r->store,
                              "INSERT INTO sites (id, name) VALUES ('maple-12', '12 Maple');"
                              "INSERT INTO sites (id, name) VALUES ('oak-3', '3 Oak')");
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

/* ---- the states, pure ---- */

static void an_act_leads_where_the_table_says_and_nowhere_else(void **state)
{
    enum { O = ORDER_OPEN, A = ORDER_ASSIGNED, D = ORDER_DONE, C = ORDER_CANCELLED, NO = -1 };
    static const int table[ORDER_ACTS][ORDER_STATES] = {
        /*               from open, assigned, done, cancelled */
        [ORDER_MAKE] = {NO, NO, NO, NO}, [ORDER_ASSIGN] = {A, A, NO, NO},
        [ORDER_FINISH] = {D, D, NO, NO}, [ORDER_CANCEL] = {C, C, NO, NO},
        [ORDER_REOPEN] = {NO, NO, O, O}, [ORDER_NOTE] = {O, A, D, C},
        [ORDER_ATTACH] = {O, A, NO, NO},
    };
    (void)state;
    for (int act = 0; act < ORDER_ACTS; act++)
        for (int at = 0; at < ORDER_STATES; at++) {
            enum order_state to;
            bool may = order_next((enum order_state)at, (enum order_act)act, &to);
            if (may != (table[act][at] != NO) || (may && (int)to != table[act][at]))
                fail_msg("%s from %s", order_act_name((enum order_act)act),
                         order_state_name((enum order_state)at));
        }
}

static void words_of_states_are_read_back(void **state)
{
    enum order_state s;
    (void)state;
    for (int i = 0; i < ORDER_STATES; i++) {
        assert_true(order_state_read(order_state_name((enum order_state)i), &s));
        assert_int_equal(s, i);
    }
    assert_false(order_state_read("lost", &s));
}

/* ---- in the store ---- */

static int64_t make(struct rig *r, const char *unit)
{
    const struct order_new n = {.unit = unit,
                                .title = "Replace breaker 7",
                                .circuit = "main-07",
                                .trip = "",
                                .alarm = "main-07.worn_breaker",
                                .note = "the key is with the neighbour",
                                .due_ms = NOW + 48 * HOUR};
    int64_t number = 0;
    assert_int_equal(orders_make(r->sql, &n, "Mo Diaz", "manager", NOW, &number, r->why),
                     ORDERS_FINE);
    assert_true(number > 0);
    return number;
}

static struct order_step step_of(enum order_act act, int64_t number)
{
    return (struct order_step){.act = act,
                               .number = number,
                               .who = "Mo Diaz",
                               .role = "manager",
                               .person = "",
                               .note = "",
                               .contractor = "",
                               .contractor_name = "",
                               .sheet = ""};
}

static enum orders_err assign(struct rig *r, int64_t number, const char *whom, int64_t until_ms,
                              int64_t now)
{
    struct order_step k = step_of(ORDER_ASSIGN, number);
    k.contractor = whom;
    k.contractor_name = "Rosa Vega";
    k.until_ms = until_ms;
    return orders_step(r->sql, &k, now, r->why);
}

static bool sees(struct rig *r, const char *whom, const char *unit, int64_t now)
{
    bool may;
    assert_int_equal(orders_may_see(r->sql, whom, unit, now, &may), SQL_FINE);
    return may;
}

static void a_contractor_sees_a_unit_for_the_time_of_the_job(void **state)
{
    struct rig *r = *state;
    int64_t number = make(r, "maple-12");
    assert_false(sees(r, "rosa", "maple-12", NOW));
    assert_int_equal(assign(r, number, "rosa", NOW + 8 * HOUR, NOW), ORDERS_FINE);
    assert_true(sees(r, "rosa", "maple-12", NOW + HOUR));
    assert_false(sees(r, "rosa", "oak-3", NOW + HOUR));
    assert_false(sees(r, "sam", "maple-12", NOW + HOUR));
    assert_true(sees(r, "rosa", "maple-12", NOW + 8 * HOUR - 1));
    assert_false(sees(r, "rosa", "maple-12", NOW + 8 * HOUR)); /* its time is over */
    assert_int_equal(assign(r, number, "sam", NOW + 9 * HOUR, NOW + HOUR), ORDERS_FINE);
    assert_false(sees(r, "rosa", "maple-12", NOW + HOUR)); /* another's now */
    assert_true(sees(r, "sam", "maple-12", NOW + HOUR));
    struct order_step done = step_of(ORDER_FINISH, number);
    done.person = "sam";
    done.note = "replaced";
    assert_int_equal(orders_step(r->sql, &done, NOW + 2 * HOUR, r->why), ORDERS_FINE);
    assert_false(sees(r, "sam", "maple-12", NOW + 2 * HOUR));
}

static void a_contractor_finishes_their_own_job_alone(void **state)
{
    struct rig *r = *state;
    int64_t number = make(r, "maple-12");
    struct order_step done = step_of(ORDER_FINISH, number);
    done.person = "sam";
    assert_int_equal(orders_step(r->sql, &done, NOW, r->why),
                     ORDERS_UNKNOWN); /* not assigned */
    assert_int_equal(assign(r, number, "rosa", NOW + 8 * HOUR, NOW), ORDERS_FINE);
    assert_int_equal(orders_step(r->sql, &done, NOW, r->why), ORDERS_UNKNOWN);
    done.person = "rosa";
    assert_int_equal(orders_step(r->sql, &done, NOW + 8 * HOUR, r->why), ORDERS_UNKNOWN);
    assert_int_equal(orders_step(r->sql, &done, NOW + HOUR, r->why), ORDERS_FINE);
    assert_int_equal(orders_step(r->sql, &done, NOW + HOUR, r->why), ORDERS_UNKNOWN);
}

static void what_does_not_fit_is_refused_with_a_sentence_and_changes_nothing(void **state)
{
    struct rig *r = *state;
    int64_t number = make(r, "maple-12"), none;
    static const struct order_new untitled = {
        .unit = "maple-12", .title = "", .circuit = "", .trip = "", .alarm = "", .note = ""};
    struct order_new nowhere = untitled;
    nowhere.unit = "elm-9";
    nowhere.title = "x";
    assert_int_equal(orders_make(r->sql, &untitled, "", "", NOW, &none, r->why),
                     ORDERS_REFUSED);
    assert_int_equal(orders_make(r->sql, &nowhere, "", "", NOW, &none, r->why), ORDERS_UNKNOWN);
    assert_int_equal(assign(r, number + 1, "rosa", NOW + HOUR, NOW), ORDERS_UNKNOWN);
    assert_int_equal(assign(r, number, "rosa", NOW, NOW), ORDERS_REFUSED); /* over already */
    assert_non_null(strstr(r->why, "a time to come"));
    assert_int_equal(assign(r, number, "rosa", NOW + ORDER_MOST_MS + 1, NOW), ORDERS_REFUSED);
    assert_int_equal(assign(r, number, "", NOW + HOUR, NOW), ORDERS_REFUSED);
    struct order_step k = step_of(ORDER_REOPEN, number);
    assert_int_equal(orders_step(r->sql, &k, NOW, r->why), ORDERS_REFUSED);
    assert_non_null(strstr(r->why, "the order is open"));
    k = step_of(ORDER_NOTE, number);
    assert_int_equal(orders_step(r->sql, &k, NOW, r->why), ORDERS_REFUSED); /* without words */
    assert_int_equal(fleet_store_number(r->sql, "SELECT count(*) FROM orders"), 1);
    assert_int_equal(
        fleet_store_number(r->sql, "SELECT count(*) FROM orders WHERE state = 'open'"), 1);
    assert_int_equal(fleet_store_number(r->sql, "SELECT count(*) FROM order_steps"), 1);
}

struct seen {
    size_t count;
    char text[12][200];
};

static bool see_told(void *context, const struct order_told *t)
{
    struct seen *s = context;
    if (s->count < 12)
        snprintf(s->text[s->count], 200, "%s %s %s %s %s", t->act, t->who, t->role, t->note,
                 t->contractor);
    s->count++;
    return true;
}

static void every_step_is_kept_with_who_took_it(void **state)
{
    struct rig *r = *state;
    struct seen s = {0};
    int64_t number = make(r, "maple-12");
    assert_int_equal(assign(r, number, "rosa", NOW + 8 * HOUR, NOW), ORDERS_FINE);
    struct order_step k = step_of(ORDER_FINISH, number);
    k.person = "rosa";
    k.who = "Rosa Vega";
    k.role = "contractor";
    k.note = "breaker replaced";
    assert_int_equal(orders_step(r->sql, &k, NOW + HOUR, r->why), ORDERS_FINE);
    k = step_of(ORDER_REOPEN, number);
    assert_int_equal(orders_step(r->sql, &k, NOW + 2 * HOUR, r->why), ORDERS_FINE);
    k = step_of(ORDER_CANCEL, number);
    k.note = "tenant away";
    assert_int_equal(orders_step(r->sql, &k, NOW + 3 * HOUR, r->why), ORDERS_FINE);
    assert_int_equal(orders_history(r->sql, number, see_told, &s), SQL_FINE);
    assert_int_equal(s.count, 5);
    assert_string_equal(s.text[0], "make Mo Diaz manager the key is with the neighbour ");
    assert_string_equal(s.text[1], "assign Mo Diaz manager  Rosa Vega");
    assert_string_equal(s.text[2], "done Rosa Vega contractor breaker replaced ");
    assert_string_equal(s.text[3], "reopen Mo Diaz manager  ");
    assert_string_equal(s.text[4], "cancel Mo Diaz manager tenant away ");
}

static bool see_order(void *context, const struct order *o)
{
    struct seen *s = context;
    if (s->count < 12)
        snprintf(s->text[s->count], 200, "%s %s %s %s", o->unit, order_state_name(o->state),
                 o->contractor, o->sheet[0] ? "sheet" : "");
    s->count++;
    return true;
}

static void lists_have_what_is_asked_for(void **state)
{
    struct rig *r = *state;
    int64_t first = make(r, "maple-12"), second = make(r, "oak-3"), third = make(r, "oak-3");
    assert_int_equal(assign(r, second, "rosa", NOW + 8 * HOUR, NOW + 1), ORDERS_FINE);
    struct order_step cancel = step_of(ORDER_CANCEL, third);
    assert_int_equal(orders_step(r->sql, &cancel, NOW + 2, r->why), ORDERS_FINE);
    struct seen s = {0};
    struct orders_wanted w = {.standing = true, .now_ms = NOW, .most = 10};
    assert_int_equal(orders_read(r->sql, &w, see_order, &s), SQL_FINE);
    assert_int_equal(s.count, 2);
    assert_string_equal(s.text[0], "oak-3 assigned rosa ");
    assert_string_equal(s.text[1], "maple-12 open  ");
    s = (struct seen){0};
    w.standing = false;
    assert_int_equal(orders_read(r->sql, &w, see_order, &s), SQL_FINE);
    assert_int_equal(s.count, 3);
    s = (struct seen){0};
    w.unit = "oak-3";
    w.contractor = "rosa";
    assert_int_equal(orders_read(r->sql, &w, see_order, &s), SQL_FINE);
    assert_int_equal(s.count, 1);
    s = (struct seen){0};
    w.now_ms = NOW + 8 * HOUR; /* the job is over, and gone from their list */
    assert_int_equal(orders_read(r->sql, &w, see_order, &s), SQL_FINE);
    assert_int_equal(s.count, 0);
    assert_int_equal(orders_one(r->sql, first, see_order, &s), SQL_FINE);
    assert_int_equal(s.count, 1);
}

static void a_sheet_goes_along_and_is_bounded(void **state)
{
    struct rig *r = *state;
    struct seen s = {0};
    int64_t number = make(r, "maple-12");
    char *large = malloc(ORDER_SHEET_MOST + 2);
    memset(large, 'x', ORDER_SHEET_MOST + 1);
    large[ORDER_SHEET_MOST + 1] = '\0';
    struct order_step k = step_of(ORDER_ATTACH, number);
    k.sheet = large;
    assert_int_equal(orders_step(r->sql, &k, NOW, r->why), ORDERS_REFUSED);
    assert_non_null(strstr(r->why, "256 KiB"));
    k.sheet = "{\"time\":\"2026-11-25T10:40:00.000Z\"}";
    assert_int_equal(orders_step(r->sql, &k, NOW, r->why), ORDERS_FINE);
    assert_int_equal(orders_one(r->sql, number, see_order, &s), SQL_FINE);
    assert_string_equal(s.text[0], "maple-12 open  sheet");
    free(large);
}

/* ---- consents ---- */

static bool consents(struct rig *r, const char *unit, int64_t now)
{
    bool given;
    assert_int_equal(consents_now(r->sql, unit, now, &given), SQL_FINE);
    return given;
}

static bool see_consent(void *context, const struct consent *c)
{
    struct seen *s = context;
    if (s->count < 12)
        snprintf(s->text[s->count], 200, "%s %s %s %s %s", c->what, c->tenant, c->how, c->by,
                 c->revoked_ms ? c->revoked_by : "stands");
    s->count++;
    return true;
}

static void a_consent_counts_until_its_end_or_until_it_is_taken_back(void **state)
{
    struct rig *r = *state;
    struct consent_new n = {.unit = "maple-12",
                            .tenant = "Kim Ito",
                            .how = "letter of 3 May",
                            .by = "Mo Diaz",
                            .until_ms = NOW + 8 * HOUR};
    int64_t number;
    bool revoked;
    assert_false(consents(r, "maple-12", NOW));
    assert_int_equal(consents_give(r->sql, &n, NOW, &number), SQL_FINE);
    assert_true(number > 0);
    assert_true(consents(r, "maple-12", NOW));
    assert_false(consents(r, "oak-3", NOW));
    assert_false(consents(r, "maple-12", NOW + 8 * HOUR));
    n.how = "form, signed";
    assert_int_equal(consents_give(r->sql, &n, NOW + HOUR, &number), SQL_FINE);
    assert_true(consents(r, "maple-12", NOW + 2 * HOUR));
    assert_int_equal(consents_revoke(r->sql, "maple-12", "Ada", NOW + 3 * HOUR, &revoked),
                     SQL_FINE);
    assert_true(revoked);
    assert_false(consents(r, "maple-12", NOW + 3 * HOUR));
    assert_int_equal(consents_revoke(r->sql, "maple-12", "Ada", NOW + 4 * HOUR, &revoked),
                     SQL_FINE);
    assert_false(revoked);
    struct seen s = {0};
    assert_int_equal(consents_read(r->sql, "maple-12", see_consent, &s), SQL_FINE);
    assert_int_equal(s.count, 2); /* both stay as evidence */
    assert_string_equal(s.text[0], "loads Kim Ito form, signed Mo Diaz Ada");
    assert_string_equal(s.text[1], "loads Kim Ito letter of 3 May Mo Diaz Mo Diaz");
    n.unit = "elm-9";
    assert_int_equal(consents_give(r->sql, &n, NOW, &number), SQL_FINE);
    assert_int_equal(number, 0);
}

static void taking_it_back_forgets_the_sheets_that_were_kept_on_its_account(void **state)
{
    struct rig *r = *state;
    const struct consent_new n = {.unit = "maple-12",
                                  .tenant = "Kim Ito",
                                  .how = "form",
                                  .by = "Mo",
                                  .until_ms = NOW + 8 * HOUR};
    int64_t number, with = make(r, "maple-12"), without = make(r, "maple-12");
    bool revoked;
    assert_int_equal(consents_give(r->sql, &n, NOW, &number), SQL_FINE);
    struct order_step k = step_of(ORDER_ATTACH, with);
    k.sheet = "{\"loads\":[\"kettle\"]}";
    k.sheet_loads = true;
    assert_int_equal(orders_step(r->sql, &k, NOW, r->why), ORDERS_FINE);
    k.number = without;
    k.sheet = "{}";
    k.sheet_loads = false;
    assert_int_equal(orders_step(r->sql, &k, NOW, r->why), ORDERS_FINE);
    assert_int_equal(consents_revoke(r->sql, "maple-12", "Mo", NOW + HOUR, &revoked), SQL_FINE);
    assert_int_equal(
        fleet_store_number(r->sql, "SELECT count(*) FROM orders WHERE sheet LIKE '%kettle%'"),
        0);
    assert_int_equal(
        fleet_store_number(r->sql, "SELECT count(*) FROM orders WHERE sheet <> ''"), 1);
}

/* ---- tables ---- */

static void a_table_is_rfc_4180_and_no_cell_is_a_formula(void **state)
{
    static const struct {
        const char *words, *cell;
    } cases[] = {
        {"plain", "plain"},
        {"", ""},
        {"a,b", "\"a,b\""},
        {"say \"no\"", "\"say \"\"no\"\"\""},
        {"two\nlines", "\"two\nlines\""},
        {"=HYPERLINK(\"http://x\")", "\"'=HYPERLINK(\"\"http://x\"\")\""},
        {"+1", "\"'+1\""},
        {"-1", "\"'-1\""},
        {"@SUM(1)", "\"'@SUM(1)\""},
        {"  =1+1", "\"'  =1+1\""},
        {"\t=1", "\"'\t=1\""},
        {"a=b", "a=b"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct text t = TEXT_INIT;
        struct csv c = {.out = &t};
        csv_words(&c, cases[i].words);
        assert_string_equal(text_get(&t), cases[i].cell);
        text_free(&t);
    }
}

static void cells_are_parted_and_numbers_stay_numbers(void **state)
{
    static const char *const names[] = {"unit", "amps"};
    struct text t = TEXT_INIT;
    struct csv c = {.out = &t};
    (void)state;
    csv_head(&c, names, 2);
    csv_words(&c, "maple-12");
    csv_real(&c, -1.25, 2);
    csv_number(&c, -3);
    csv_real(&c, (double)NAN, 2);
    csv_time(&c, 0);
    csv_time(&c, NOW);
    csv_end_line(&c);
    assert_string_equal(text_get(&t),
                        "unit,amps\r\nmaple-12,-1.25,-3,,,2026-11-25T10:40:00.000Z\r\n");
    text_free(&t);
}

#define IN_STORE(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_act_leads_where_the_table_says_and_nowhere_else),
        cmocka_unit_test(words_of_states_are_read_back),
        IN_STORE(a_contractor_sees_a_unit_for_the_time_of_the_job),
        IN_STORE(a_contractor_finishes_their_own_job_alone),
        IN_STORE(what_does_not_fit_is_refused_with_a_sentence_and_changes_nothing),
        IN_STORE(every_step_is_kept_with_who_took_it),
        IN_STORE(lists_have_what_is_asked_for),
        IN_STORE(a_sheet_goes_along_and_is_bounded),
        IN_STORE(a_consent_counts_until_its_end_or_until_it_is_taken_back),
        IN_STORE(taking_it_back_forgets_the_sheets_that_were_kept_on_its_account),
        cmocka_unit_test(a_table_is_rfc_4180_and_no_cell_is_a_formula),
        cmocka_unit_test(cells_are_parted_and_numbers_stay_numbers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
