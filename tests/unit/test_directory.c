/* directory: lines, remarks, tables in and out, and its changes on disk */
#include "check.h"
#include "record.h"

#include "analysis/directory_csv.h"
#include "analysis/directory_json.h"
#include "store/store_directory.h"

#include <stdlib.h>

enum { KITCHEN, BATH, RANGE, SPARE_BREAKER, FEEDER, BENCH };

static void add_circuit(struct site *s, const char *id, int panel, const char *position,
                        int poles, double amps, const char *name)
{
    struct site_circuit *c = site_add_circuit(s);
    strcpy(c->id, id);
    strcpy(c->position, position);
    strcpy(c->name, name);
    c->panel = panel;
    c->poles = poles;
    c->breaker_amps = amps;
}

static void make_site(struct site *s)
{
    site_init(s);
    for (int p = 0; p < 2; p++) {
        struct site_panel *panel = site_add_panel(s);
        strcpy(panel->id, p ? "shop" : "main");
        strcpy(panel->name, p ? "Workshop" : "Main panel");
        strcpy(panel->fed_by_id, p ? "feeder" : "");
        panel->legs = 2;
        panel->rating_amps = 100;
    }
    add_circuit(s, "kitchen", 0, "1", 1, 20, "Kitchen counter");
    add_circuit(s, "bath", 0, "4", 1, 15, "Lights 2");
    add_circuit(s, "range", 0, "3,5", 2, 40, "Range");
    add_circuit(s, "extra", 0, "7", 1, 15, "Spare");
    add_circuit(s, "feeder", 0, "8,10", 2, 60, "Workshop panel");
    add_circuit(s, "bench", 1, "1", 1, 20, "");
    site_finish(s);
}

static void put(struct directory_record *r, const char *name, const char *part,
                const char *circuit, bool traced)
{
    struct directory_place *p = directory_add_place(r);
    strcpy(p->name, name);
    strcpy(p->part, part);
    strcpy(p->kind, "receptacle");
    strcpy(p->circuit, circuit);
    p->traced = traced;
}

static void enter(struct directory_record *r, const char *panel, const char *position,
                  const char *words)
{
    struct directory_purpose *p = directory_add_purpose(r);
    strcpy(p->panel, panel);
    strcpy(p->position, position);
    strcpy(p->words, words);
}

static const struct directory_line *line_of(const struct directory *d, int panel,
                                            const char *position)
{
    for (size_t i = 0; i < d->line_count; i++)
        if (d->lines[i].panel == panel && strcmp(d->lines[i].position, position) == 0)
            return &d->lines[i];
    return NULL;
}

static const struct directory_remark *remark_of(const struct directory *d,
                                                enum directory_remark_kind k, int circuit)
{
    for (size_t i = 0; i < d->remark_count; i++)
        if (d->remarks[i].kind == k && d->remarks[i].circuits[0] == circuit)
            return &d->remarks[i];
    return NULL;
}

static void every_position_has_its_line(void **state)
{
    struct site s;
    struct directory_record r = {0};
    struct directory d;
    (void)state;
    make_site(&s);
    enter(&r, "main", "4", "Upstairs bath");
    assert_true(directory_build(&s, &r, NULL, 0, &d));
    static const char *const order[] = {"1", "2", "3,5", "4", "6", "7", "8,10", "9", "1", "2"};
    assert_int_equal(d.line_count, 10);
    for (size_t i = 0; i < 10; i++)
        assert_string_equal(d.lines[i].position, order[i]);
    assert_int_equal(line_of(&d, 0, "2")->state, DIRECTORY_SPACE);
    assert_int_equal(line_of(&d, 0, "7")->state, DIRECTORY_SPARE);
    assert_string_equal(line_of(&d, 0, "4")->purpose, "Upstairs bath");
    assert_true(line_of(&d, 0, "4")->entered);
    assert_false(line_of(&d, 0, "1")->entered);
    directory_free(&d);
    directory_record_free(&r);
    site_free(&s);
}

static void what_does_not_agree_is_listed(void **state)
{
    struct site s;
    struct directory_record r = {0};
    struct directory d;
    const struct directory_load loads[] = {{RANGE, "dishwasher", false, 0.9}};
    (void)state;
    make_site(&s);
    put(&r, "Hall", "upper", "kitchen", true); /* a split receptacle on two circuits */
    put(&r, "Hall", "lower", "bath", true);
    put(&r, "Porch", "", "bath", true); /* a person says another one */
    put(&r, "Porch", "", "range", false);
    put(&r, "Attic", "", "", true); /* not metered */
    put(&r, "Shed", "", "gone-01", false);
    enter(&r, "main", "1", "Porch and dishwasher");
    assert_true(directory_build(&s, &r, loads, 1, &d));
    const struct directory_remark *m = remark_of(&d, REMARK_PLACE_ON_TWO, KITCHEN);
    assert_non_null(m);
    assert_int_equal(m->circuits[1], BATH);
    m = remark_of(&d, REMARK_ENTERED_AGAINST, BATH);
    assert_non_null(m);
    assert_int_equal(m->circuits[1], RANGE);
    assert_non_null(remark_of(&d, REMARK_PURPOSE_AGAINST, KITCHEN));
    m = remark_of(&d, REMARK_LOAD_AGAINST, KITCHEN);
    assert_non_null(m);
    assert_string_equal(m->subject, "dishwasher");
    assert_non_null(remark_of(&d, REMARK_UNMETERED, -1));
    assert_non_null(remark_of(&d, REMARK_CIRCUIT_GONE, -1));
    assert_non_null(remark_of(&d, REMARK_UNIDENTIFIED, BENCH));
    for (size_t i = 1; i < d.remark_count; i++) /* what contradicts first */
        assert_true(directory_is_conflict(d.remarks[i - 1].kind) ||
                    !directory_is_conflict(d.remarks[i].kind));
    directory_free(&d);
    directory_record_free(&r);
    site_free(&s);
}

static void vague_and_equal_purposes_are_told(void **state)
{
    struct site s;
    struct directory_record r = {0};
    struct directory d;
    (void)state;
    make_site(&s);
    enter(&r, "main", "1", "range");
    assert_true(directory_build(&s, &r, NULL, 0, &d));
    assert_non_null(remark_of(&d, REMARK_NOT_SPECIFIC, BATH)); /* "Lights 2" */
    const struct directory_remark *m = remark_of(&d, REMARK_ALIKE, KITCHEN);
    assert_non_null(m);
    assert_int_equal(m->circuits[1], RANGE);
    assert_null(remark_of(&d, REMARK_NOT_SPECIFIC, RANGE));
    assert_null(remark_of(&d, REMARK_UNIDENTIFIED, SPARE_BREAKER));
    assert_null(remark_of(&d, REMARK_PLACE_ON_TWO, KITCHEN));
    directory_free(&d);
    directory_record_free(&r);
    site_free(&s);
}

static void a_table_comes_back_as_it_went(void **state)
{
    struct site s;
    struct directory_record r = {0};
    struct directory d;
    struct text out = TEXT_INIT, why = TEXT_INIT;
    struct directory_changes c;
    (void)state;
    make_site(&s);
    put(&r, "Counter, \"left\"", "upper", "kitchen", true);
    put(&r, "Stove", "", "range", false);
    enter(&r, "main", "1", "Kitchen, counter");
    assert_true(directory_build(&s, &r, NULL, 0, &d));
    directory_write_csv(&d, &out);
    assert_non_null(
        strstr(text_get(&out), "panel,position,circuit,amps,poles,name,places\r\n"));
    assert_non_null(strstr(text_get(&out),
                           "main,1,kitchen,20,1,\"Kitchen, counter\",\"Counter, "
                           "\"\"left\"\" (upper half)\"\r\n"));
    assert_non_null(strstr(text_get(&out), "main,2,,,,,\r\n"));
    if (!directory_read_csv(&s, &r, text_get(&out), out.length, &c, &why))
        fail_msg("%s", text_get(&why));
    assert_int_equal(c.count, 0);
    directory_changes_free(&c);
    text_free(&out);
    text_free(&why);
    directory_free(&d);
    directory_record_free(&r);
    site_free(&s);
}

static void a_table_says_what_is_new(void **state)
{
    struct site s;
    struct directory_record r = {0};
    struct text why = TEXT_INIT;
    struct directory_changes c;
    static const char table[] = "\xEF\xBB\xBFname,places,position,panel\n"
                                "Bath,Basin; Mirror,4,main\n"
                                "\n"
                                "\"Stove\n\",,\"3,5\",main\n";
    static const char good[] =
        "places,name,position,panel\r\nBasin; Mirror (lower half),Bath,4,main";
    (void)state;
    make_site(&s);
    put(&r, "Basin", "", "bath", true);
    put(&r, "Old", "", "bath", false);
    assert_false(directory_read_csv(&s, &r, table, sizeof table - 1, &c, &why));
    assert_string_equal(text_get(&why),
                        "line 4, column name: \"Stove\n\": it is not plain text of one line");
    assert_int_equal(c.count, 0); /* line 2 was good, and is not taken either */
    text_clear(&why);
    assert_true(directory_read_csv(&s, &r, good, sizeof good - 1, &c, &why));
    assert_int_equal(c.count, 3);
    assert_int_equal(c.list[0].kind, CHANGE_PURPOSE);
    assert_string_equal(c.list[0].words, "Bath");
    assert_int_equal(c.list[1].kind, CHANGE_PLACE_ADDED);
    assert_string_equal(c.list[1].words, "Mirror");
    assert_string_equal(c.list[1].part, "lower");
    assert_int_equal(c.list[2].kind, CHANGE_PLACE_GONE);
    assert_string_equal(c.list[2].words, "Old");
    directory_changes_free(&c);
    text_free(&why);
    directory_record_free(&r);
    site_free(&s);
}

static void a_fault_names_its_line_and_column(void **state)
{
    static const struct {
        const char *table, *why;
    } cases[] = {
        {"", "line 1, column header: there is no column \"\""},
        {"panel,position\n", "line 1, column name: it is missing"},
        {"panel,position,name,name\n", "line 1, column name: it is there twice"},
        {"panel,position,name,watts\n", "line 1, column header: there is no column \"watts\""},
        {"panel,position,name\nattic,1,x\n", "line 2, column panel: site.cfg has no panel"},
        {"panel,position,name\nmain,99,x\n",
         "line 2, column position: the panel has no breaker"},
        {"panel,position,name\nmain,1,x\nmain,1,y\n", "line 3, column position: \"1\" was in"},
        {"panel,position,name\nmain,1\n", "line 2, column name: it is missing in this line"},
        {"panel,position,name\nmain,1,x,y\n",
         "line 2, column after the last: the line has more"},
        {"panel,position,name\nmain,1,\"x\n", "line 2, column name: its quotes are wrong"},
        {"panel,position,name\nmain,1,\"x\"y\n", "line 2, column name: its quotes are wrong"},
        {"panel,position,name\nmain,1,a;b\n",
         "line 2, column name: \"a;b\": it has a semicolon"},
        {"panel,position,name,amps\nmain,1,x,15\n",
         "line 2, column amps: the breaker is of 20 A"},
        {"panel,position,name,poles\nmain,1,x,2\n", "line 2, column poles: the breaker has"},
        {"panel,position,name,circuit\nmain,1,x,bath\n",
         "line 2, column circuit: that position"},
    };
    struct site s;
    const struct directory_record r = {0};
    (void)state;
    make_site(&s);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct text why = TEXT_INIT;
        struct directory_changes c;
        bool good =
            directory_read_csv(&s, &r, cases[i].table, strlen(cases[i].table), &c, &why);
        if (good || strncmp(text_get(&why), cases[i].why, strlen(cases[i].why)) != 0)
            fail_msg("case %zu: %s, not: %s", i, text_get(&why), cases[i].why);
        assert_int_equal(c.count, 0);
        text_free(&why);
    }
    site_free(&s);
}

static void the_json_has_what_the_card_shows(void **state)
{
    struct site s;
    struct directory_record r = {0};
    struct directory d;
    struct directory_load *loads = NULL;
    size_t count = 0;
    (void)state;
    make_site(&s);
    put(&r, "Counter", "", "kitchen", true);
    json_t *known = json_pack("[{s:s, s:s, s:f}, {s:s, s:s, s:f}, {s:s, s:s, s:f}]",
                              "appliance", "food_slicer", "name", "", "probability", 0.95,
                              "appliance", "iron", "name", "", "probability", 0.4, "appliance",
                              "unknown", "name", "Blue lamp", "probability", 0.0);
    assert_true(directory_add_loads(known, KITCHEN, &loads, &count));
    assert_int_equal(count, 2); /* what is not sure enough is not told */
    assert_true(directory_build(&s, &r, loads, count, &d));
    json_t *o = directory_json(&d, loads, count, 0, false), *line;
    line = json_array_get(
        json_object_get(json_array_get(json_object_get(o, "panels"), 0), "lines"), 0);
    assert_string_equal(json_string_value(json_object_get(line, "purpose")), "Kitchen counter");
    assert_int_equal(json_array_size(json_object_get(line, "places")), 1);
    assert_string_equal(json_string_value(json_object_get(
                            json_array_get(json_object_get(line, "loads"), 0), "load")),
                        "food slicer");
    assert_int_equal(json_array_size(json_object_get(o, "panels")), 1);
    json_decref(o);
    o = directory_json(&d, loads, count, -1, true); /* for a manager: no appliances */
    line = json_array_get(
        json_object_get(json_array_get(json_object_get(o, "panels"), 0), "lines"), 0);
    assert_int_equal(json_array_size(json_object_get(line, "loads")), 0);
    json_decref(o);
    json_decref(known);
    free(loads);
    directory_free(&d);
    directory_record_free(&r);
    site_free(&s);
}

static bool see_change(void *context, const struct store_directory_change *c)
{
    char *seen = context;
    snprintf(seen + strlen(seen), 256 - strlen(seen), "[%s %s %s>%s]", c->who, c->subject,
             c->before, c->after);
    return true;
}

static void it_is_kept_on_disk_with_its_history(void **state)
{
    struct record *r = *state;
    struct directory_record d;
    char seen[256] = "";
    assert_int_equal(record_open(r, (struct store_options){0}), STORE_OK);
    struct directory_place p = {.name = "Hall",
                                .kind = "receptacle",
                                .circuit = "cellar-01",
                                .traced = true,
                                .probability = 0.99,
                                .amps = 1.25,
                                .wall_ms = 7,
                                .by = "Ada"};
    store_add_place(r->store, &p);
    strcpy(p.circuit, "cellar-02");
    p.traced = false;
    p.probability = p.amps = NAN;
    store_add_place(r->store, &p);
    struct directory_purpose purpose = {.panel = "cellar", .position = "1", .words = "Hall"};
    store_put_purpose(r->store, &purpose);
    store_add_directory_change(
        r->store,
        &(struct store_directory_change){
            .wall_ms = 7, .who = "Ada", .what = "place", .subject = "Hall", .after = "1"});
    store_add_directory_change(
        r->store,
        &(struct store_directory_change){
            .wall_ms = 8, .who = "Kim", .what = "purpose", .before = "x", .after = "Hall"});
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(store_read_directory(r->reader, &d), STORE_OK);
    assert_int_equal(d.place_count, 2);
    assert_true(d.places[0].traced);
    assert_near(d.places[0].amps, 1.25, 1e-9);
    assert_true(isnan(d.places[1].probability));
    assert_string_equal(d.purposes[0].words, "Hall");
    directory_record_free(&d);
    assert_int_equal(store_read_directory_changes(r->reader, 0, 9, see_change, seen), STORE_OK);
    assert_string_equal(seen, "[Kim  x>Hall][Ada Hall >1]");
    store_drop_places(r->store, "Hall", "", true, NULL);
    purpose.words[0] = '\0';
    store_put_purpose(r->store, &purpose);
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(store_read_directory(r->reader, &d), STORE_OK);
    assert_int_equal(d.place_count, 1);
    assert_string_equal(d.places[0].circuit, "cellar-02");
    assert_int_equal(d.purpose_count, 0);
    directory_record_free(&d);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_position_has_its_line),
        cmocka_unit_test(what_does_not_agree_is_listed),
        cmocka_unit_test(vague_and_equal_purposes_are_told),
        cmocka_unit_test(a_table_comes_back_as_it_went),
        cmocka_unit_test(a_table_says_what_is_new),
        cmocka_unit_test(a_fault_names_its_line_and_column),
        cmocka_unit_test(the_json_has_what_the_card_shows),
        cmocka_unit_test_setup_teardown(it_is_kept_on_disk_with_its_history, record_set_up,
                                        record_tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
