/* record_alarm: what becomes of the record, told once and taken back when it is over */
#include "check.h"
#include "record.h"

#include "notify/record_alarm.h"

struct told {
    struct record r;
    struct alarms *alarms;
    struct record_alarm alarm;
    struct store_status status;
    int count;
    enum alarm_state state;
    enum alarm_priority priority;
    char id[64], text[EVENT_TEXT_SIZE], advice[EVENT_TEXT_SIZE], detail[EVENT_TEXT_SIZE];
};

static void hear(void *context, const struct event *e)
{
    struct told *t = context;
    assert_int_equal(e->type, EVENT_ALARM);
    assert_int_equal(e->circuit, -1);
    t->count++;
    t->state = e->alarm.state;
    t->priority = e->alarm.priority;
    snprintf(t->id, sizeof t->id, "%s", e->alarm.id);
    snprintf(t->text, sizeof t->text, "%s", e->alarm.text);
    snprintf(t->advice, sizeof t->advice, "%s", e->alarm.advice);
    record_detail(&e->alarm, t->detail, sizeof t->detail);
}

static int set_up(void **state)
{
    static struct told t;
    t = (struct told){.status = {.why = ""}};
    record_init(&t.r);
    t.alarms = alarms_create(&t.r.site, hear, &t);
    assert_non_null(t.alarms);
    *state = &t;
    return 0;
}

static int tear_down(void **state)
{
    struct told *t = *state;
    alarms_destroy(t->alarms);
    record_finish(&t->r);
    return 0;
}

static void seconds(struct told *t, int n)
{
    for (int i = 0; i < n; i++) {
        record_alarm_judge(&t->alarm, t->alarms, &t->status, t->r.mono_ms, t->r.wall_ms);
        t->r.mono_ms += 1000;
        t->r.wall_ms += 1000;
    }
}

static void a_record_that_cannot_be_written_is_told_after_a_while(void **state)
{
    struct told *t = *state;
    seconds(t, 2000);
    assert_int_equal(t->count, 0);
    t->status.err = STORE_ERR_BUSY; /* a hiccup is no reason */
    seconds(t, 3);
    t->status.err = STORE_OK;
    seconds(t, 10);
    assert_int_equal(t->count, 0);
    t->status.err = STORE_ERR_READ_ONLY;
    t->status.why = "/record.db: writing the record: the disk cannot be written";
    t->status.waiting_records = 17;
    seconds(t, 30);
    assert_int_equal(t->count, 1);
    assert_int_equal(t->state, ALARM_UNACKNOWLEDGED);
    assert_int_equal(t->priority, PRIORITY_HIGH);
    assert_string_equal(t->id, "mill-lane-3.record_at_risk");
    assert_non_null(strstr(t->text, "cannot write its record. Warnings go on"));
    assert_non_null(strstr(
        t->detail, "the disk cannot be written, records waiting in memory 17, records lost 0"));
    assert_non_null(strstr(t->advice, "No breaker and no appliance has to be touched"));
    t->status = (struct store_status){.why = ""};
    seconds(t, 300);
    assert_int_equal(t->count, 1); /* it may begin again */
    seconds(t, 400);
    assert_int_equal(t->count, 2);
    assert_int_equal(t->state, ALARM_RETURNED_UNACKNOWLEDGED);
}

static void a_full_disk_is_told_at_once_and_stands_while_it_lasts(void **state)
{
    struct told *t = *state;
    t->status.short_of_room = true;
    seconds(t, 1);
    assert_int_equal(t->count, 1);
    assert_int_equal(t->priority, PRIORITY_LOW);
    assert_non_null(strstr(t->text, "the oldest readings are given up to make room"));
    for (int i = 0; i < 50; i++) { /* room comes and goes as days of readings go */
        t->status.short_of_room = i % 2;
        seconds(t, 20);
    }
    assert_int_equal(t->count, 1);
    assert_int_equal(alarms_acknowledge(t->alarms, t->id, t->r.wall_ms, "P. Ndiaye"),
                     ALARMS_OK);
    /* worse: what is told makes way */
    t->status.err = STORE_ERR_IO;
    seconds(t, 10);
    assert_int_equal(t->state, ALARM_UNACKNOWLEDGED);
    assert_int_equal(t->priority, PRIORITY_HIGH);
    assert_non_null(strstr(t->text, "cannot write its record"));
    t->status = (struct store_status){.why = ""};
    seconds(t, 700);
    assert_int_equal(t->state, ALARM_RETURNED_UNACKNOWLEDGED);
}

static void a_record_set_aside_waits_for_a_person(void **state)
{
    struct told *t = *state;
    seconds(t, 5);
    t->status.set_aside = 1;
    seconds(t, 1);
    assert_int_equal(t->count, 2); /* raised, and over */
    assert_int_equal(t->state, ALARM_RETURNED_UNACKNOWLEDGED);
    assert_non_null(strstr(t->text, "set aside; a new one was begun. Warnings go on"));
    seconds(t, 2000);
    assert_int_equal(t->count, 2);
    t->status.set_aside = 2; /* another time */
    seconds(t, 1);
    assert_int_equal(t->count, 4);
    assert_int_equal(alarms_acknowledge(t->alarms, t->id, t->r.wall_ms, "P. Ndiaye"),
                     ALARMS_OK);
    assert_int_equal(t->state, ALARM_NORMAL);
}

static void what_stood_before_a_restart_is_taken_back(void **state)
{
    struct told *t = *state;
    struct codec_out out = {0};
    t->status.short_of_room = true;
    seconds(t, 3);
    alarms_save(t->alarms, &out);
    alarms_destroy(t->alarms);
    t->alarms = alarms_create(&t->r.site, hear, t);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(alarms_load(t->alarms, &in));
    codec_out_free(&out);
    t->alarm = (struct record_alarm){0};
    t->status.short_of_room = false;
    seconds(t, 700);
    assert_int_equal(t->state, ALARM_RETURNED_UNACKNOWLEDGED);
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_record_that_cannot_be_written_is_told_after_a_while),
        TEST(a_full_disk_is_told_at_once_and_stands_while_it_lasts),
        TEST(a_record_set_aside_waits_for_a_person),
        TEST(what_stood_before_a_restart_is_taken_back),
    };
    return cmocka_run_group_tests_name("record alarm", tests, NULL, NULL);
}
