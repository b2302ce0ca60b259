/* store: service calls on disk, with every step, who said it and what the meter saw */
#include "check.h"
#include "record.h"

#include "model/call.h"
#include "model/event_json.h"
#include "store/call_parts.h"

#include <stdlib.h>

static const struct store_options plain = {0};

static void add(struct record *r, struct call *c, struct call_step step)
{
    step.number = ++c->steps;
    const struct event e = {.type = EVENT_CALL,
                            .wall_ms = step.wall_ms,
                            .panel = -1,
                            .circuit = c->circuit,
                            .call = {c, &step}};
    char *json = event_to_json_text(&r->site, &e);
    store_add_event(r->store, &r->site, &e, json);
    free(json);
}

static struct call call_of(const char *id, int circuit, int64_t begun_wall_ms)
{
    struct call c = {.circuit = circuit,
                     .dark = circuit,
                     .other = -1,
                     .amps_before = 22.5,
                     .peak_amps = (double)NAN,
                     .begun_wall_ms = begun_wall_ms,
                     .said_wall_ms = begun_wall_ms,
                     .question = 1};
    strcpy(c.id, id);
    strcpy(c.by, "Ada");
    return c;
}

static bool count(void *context, const struct store_call_row *row)
{
    int *n = context;
    (void)row;
    ++*n;
    return true;
}

static int calls(struct record *r, const char *circuit, bool open_only)
{
    int n = 0;
    assert_int_equal(store_read_calls(r->reader, circuit, open_only, 10, count, &n), STORE_OK);
    return n;
}

static const char *word(const json_t *o, const char *member)
{
    const char *s = json_string_value(json_object_get(o, member));
    return s ? s : "";
}

static void every_step_is_on_disk_with_who_and_what_was_seen(void **state)
{
    struct record *r = *state;
    struct call_parts parts;
    record_open(r, plain);
    struct call c = call_of("cellar-01-20260101T000000Z", 0, RECORD_WALL_MS);
    add(r, &c,
        (struct call_step){.wall_ms = RECORD_WALL_MS,
                           .answer = CALL_SAID_BEGIN,
                           .by = "Ada",
                           .note = "",
                           .amps = 0.0,
                           .other = -1});
    c.stage = CALL_ENDED;
    c.finding = CALL_FOUND_DANGER;
    c.ended_wall_ms = RECORD_WALL_MS + 5000;
    add(r, &c,
        (struct call_step){.wall_ms = RECORD_WALL_MS + 5000,
                           .stage = CALL_ON,
                           .sight = CALL_SAW_OPENED,
                           .by = "",
                           .note = "",
                           .amps = (double)NAN,
                           .other = 1});
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(call_parts_read(r->reader, c.id, &parts), STORE_OK);
    assert_string_equal(word(parts.call, "finding"), "danger");
    assert_int_equal(json_array_size(parts.steps), 2);
    assert_string_equal(word(json_array_get(parts.steps, 0), "by"), "Ada");
    assert_string_equal(word(json_array_get(parts.steps, 0), "answer"), "begin");
    assert_string_equal(word(json_array_get(parts.steps, 1), "saw"), "opened");
    assert_string_equal(word(json_array_get(parts.steps, 1), "stage"), "on");
    assert_true(json_is_null(json_object_get(json_array_get(parts.steps, 1), "amps")));
    call_parts_free(&parts);
    assert_int_equal(call_parts_read(r->reader, "nothing", &parts), STORE_OK);
    assert_null(parts.call);
    call_parts_free(&parts);
    assert_int_equal(record_number(r, "SELECT count(*) FROM events WHERE type = 'call'"), 2);
}

static void a_call_that_was_lost_is_left_when_another_begins(void **state)
{
    struct record *r = *state;
    record_open(r, plain);
    const struct call_step begin = {.wall_ms = RECORD_WALL_MS,
                                    .answer = CALL_SAID_BEGIN,
                                    .by = "Ada",
                                    .note = "",
                                    .other = -1};
    struct call first = call_of("cellar-01-20260101T000000Z", 0, RECORD_WALL_MS);
    struct call other = call_of("cellar-02-20260101T000000Z", 1, RECORD_WALL_MS);
    struct call second = call_of("cellar-01-20260101T010000Z", 0, RECORD_WALL_MS + 3600000);
    add(r, &first, begin);
    add(r, &other, begin);
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(calls(r, NULL, true), 2);
    add(r, &second, begin);
    assert_int_equal(record_turn(r), STORE_OK);
    assert_int_equal(calls(r, "cellar-01", true), 1);
    assert_int_equal(calls(r, "cellar-01", false), 2);
    assert_int_equal(calls(r, NULL, true), 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(every_step_is_on_disk_with_who_and_what_was_seen,
                                        record_set_up, record_tear_down),
        cmocka_unit_test_setup_teardown(a_call_that_was_lost_is_left_when_another_begins,
                                        record_set_up, record_tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
