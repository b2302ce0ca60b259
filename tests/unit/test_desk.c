/* desk: what takes long to reckon is reckoned once, and anew when there is something new */
#include "check.h"
#include "record.h"

#include "model/frame.h"
#include "model/load_study.h"
#include "model/rules.h"
#include "model/signature.h"
#include "web/desk.h"

#include <stdlib.h>
#include <string.h>

static const struct store_options plain = {0};
static const char advice[] = "{\"span\":{\"from\":0,\"to\":0,\"usual\":86400000}}";

struct office {
    struct record *record;
    struct rules_set rules;
    struct signature_set signatures;
    struct load_study study;
    struct web_context context;
    struct desk *desk;
};

/* `seconds` more of it */
static void live_on(struct record *r, int seconds)
{
    struct frame *f = frame_create(&r->site);
    assert_non_null(f);
    f->has = 1U << FRAME_AMPS;
    for (int s = 0; s < seconds; s++) {
        r->mono_ms += 1000;
        r->wall_ms += 1000;
        f->mono_ms = r->mono_ms;
        f->wall_ms = r->wall_ms;
        for (size_t p = 0; p < r->site.poles_total; p++)
            f->values[p] = 5.0F;
        store_add_readings(r->store, f);
        if (s % 10 == 9)
            assert_int_equal(store_commit(r->store, r->mono_ms, r->wall_ms), STORE_OK);
    }
    frame_destroy(f);
}

static void open_office(struct office *o, struct record *r)
{
    memset(o, 0, sizeof *o);
    o->record = r;
    record_open(r, plain);
    assert_true(rules_set_init(&o->rules, &r->site));
    o->context = (struct web_context){
        .site = &r->site, .rules = &o->rules, .signatures = &o->signatures, .study = &o->study};
    o->desk = desk_create(&o->context);
    assert_non_null(o->desk);
}

static void close_office(struct office *o)
{
    desk_destroy(o->desk);
    rules_set_free(&o->rules);
}

/* the answer, which the caller frees; *kept: it lay on the desk */
static char *ask(struct office *o, const char *verb, const char *question, bool *kept)
{
    struct web_answer a = {0};
    desk_answer(o->desk, o->record->reader, verb, question, &a, kept);
    if (a.status != 200)
        fail_msg("%d %s", a.status, text_get(&a.body));
    char *said = strdup(text_get(&a.body));
    assert_non_null(said);
    web_answer_free(&a);
    return said;
}

static bool was_kept(struct office *o, const char *verb, const char *question)
{
    bool kept;
    free(ask(o, verb, question, &kept));
    return kept;
}

static void the_same_question_is_reckoned_once(void **state)
{
    struct office o;
    bool kept;
    open_office(&o, *state);
    live_on(o.record, 600);
    char *first = ask(&o, DESK_ADVICE, advice, &kept);
    assert_false(kept);
    char *second = ask(&o, DESK_ADVICE, advice, &kept);
    assert_true(kept);
    assert_string_equal(first, second);
    assert_non_null(strstr(first, "\"advice\":[]"));
    free(first);
    free(second);
    close_office(&o);
}

static void another_question_is_not_given_its_answer(void **state)
{
    static const char of_a_day[] = "{\"span\":{\"from\":0,\"to\":0,\"usual\":43200000}}";
    static const char study[] =
        "{\"circuit\":-1,\"panel\":-1,\"amps\":%s,\"continuous\":false,\"fastened\":false,"
        "\"dedicated\":false,\"span\":{\"from\":0,\"to\":0,\"usual\":86400000}}";
    char eight[256], nine[256];
    struct office o;
    open_office(&o, *state);
    live_on(o.record, 600);
    snprintf(eight, sizeof eight, study, "8.0");
    snprintf(nine, sizeof nine, study, "9.0");
    assert_false(was_kept(&o, DESK_ADVICE, advice));
    assert_false(was_kept(&o, DESK_ADVICE, of_a_day));
    assert_false(was_kept(&o, DESK_STUDY, eight));
    assert_false(was_kept(&o, DESK_STUDY, nine));
    assert_true(was_kept(&o, DESK_STUDY, eight));
    assert_true(was_kept(&o, DESK_ADVICE, of_a_day));
    close_office(&o);
}

static void the_oldest_answer_goes_first(void **state)
{
    char question[5][96];
    struct office o;
    open_office(&o, *state);
    live_on(o.record, 600);
    for (int i = 0; i < 5; i++) {
        snprintf(question[i], sizeof question[i],
                 "{\"span\":{\"from\":0,\"to\":0,\"usual\":%d}}", 3600000 * (i + 1));
        assert_false(was_kept(&o, DESK_ADVICE, question[i]));
    }
    assert_true(was_kept(&o, DESK_ADVICE, question[4]));
    assert_true(was_kept(&o, DESK_ADVICE, question[1]));
    assert_false(was_kept(&o, DESK_ADVICE, question[0]));
    close_office(&o);
}

static void a_record_that_has_grown_is_looked_at_anew(void **state)
{
    struct office o;
    bool kept;
    open_office(&o, *state);
    live_on(o.record, 2000);
    char *first = ask(&o, DESK_ADVICE, advice, &kept);
    live_on(o.record, 10); /* less than a hundredth of it */
    assert_true(was_kept(&o, DESK_ADVICE, advice));
    live_on(o.record, 30);
    char *later = ask(&o, DESK_ADVICE, advice, &kept);
    assert_false(kept);
    assert_string_not_equal(first, later); /* it says to when it looks */
    free(first);
    free(later);
    close_office(&o);
}

static void a_trip_asks_for_a_new_answer(void **state)
{
    struct office o;
    open_office(&o, *state);
    live_on(o.record, 2000);
    assert_false(was_kept(&o, DESK_ADVICE, advice));
    const struct event trip =
        record_trip(o.record, "cellar-01-20260101T000000Z", 0, TRIP_CONFIRMED);
    record_add(o.record, &trip);
    assert_int_equal(record_turn(o.record), STORE_OK);
    assert_false(was_kept(&o, DESK_ADVICE, advice));
    assert_true(was_kept(&o, DESK_ADVICE, advice));
    close_office(&o);
}

static void what_failed_is_not_kept(void **state)
{
    struct store_reader *nowhere = store_reader_open("/nonexistent/foretrip.db");
    struct office o;
    struct web_answer a = {0};
    bool kept;
    open_office(&o, *state);
    live_on(o.record, 600);
    desk_answer(o.desk, nowhere, DESK_ADVICE, advice, &a, &kept);
    assert_int_equal(a.status, 503);
    web_answer_free(&a);
    store_reader_close(nowhere);
    assert_false(was_kept(&o, DESK_ADVICE, advice));
    close_office(&o);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(the_same_question_is_reckoned_once, record_set_up,
                                        record_tear_down),
        cmocka_unit_test_setup_teardown(another_question_is_not_given_its_answer, record_set_up,
                                        record_tear_down),
        cmocka_unit_test_setup_teardown(the_oldest_answer_goes_first, record_set_up,
                                        record_tear_down),
        cmocka_unit_test_setup_teardown(a_record_that_has_grown_is_looked_at_anew,
                                        record_set_up, record_tear_down),
        cmocka_unit_test_setup_teardown(a_trip_asks_for_a_new_answer, record_set_up,
                                        record_tear_down),
        cmocka_unit_test_setup_teardown(what_failed_is_not_kept, record_set_up,
                                        record_tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
