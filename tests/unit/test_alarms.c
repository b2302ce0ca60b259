/* alarms: ANSI/ISA-18.2 states (transitions of the standard's state diagram), delays, shelving,
 * restart */
#include "check.h"

#include "analysis/alarms.h"

#include <stdlib.h>

struct log {
    int count;
    enum alarm_state last;
    int64_t until;
    bool chattering, alert;
    enum alarm_change changed;
    enum alarm_priority priority;
    char id[EVENT_ID_SIZE], text[EVENT_TEXT_SIZE], by[96], taken_by[EVENT_ID_SIZE];
};

static void note(void *context, const struct event *e)
{
    struct log *l = context;
    l->count++;
    l->last = e->alarm.state;
    l->until = e->alarm.until_wall_ms;
    l->chattering = e->alarm.chattering;
    strcpy(l->id, e->alarm.id);
    strcpy(l->text, e->alarm.text);
    strcpy(l->by, e->alarm.by);
    l->alert = e->alarm.alert;
    l->changed = e->alarm.changed;
    l->priority = e->alarm.priority;
    strcpy(l->taken_by, e->alarm.taken_by ? e->alarm.taken_by : "");
}

struct fixture {
    struct site site;
    struct log log;
    struct alarms *alarms;
};

static struct fixture set_up(void)
{
    struct fixture f;
    memset(&f, 0, sizeof f);
    site_init(&f.site);
    strcpy(f.site.id, "maple-12");
    strcpy(site_add_panel(&f.site)->id, "main");
    for (int i = 0; i < 2; i++) {
        struct site_circuit *c = site_add_circuit(&f.site);
        snprintf(c->id, sizeof c->id, "main-%02d", i + 1);
        c->panel = 0;
    }
    site_finish(&f.site);
    return f;
}

static void tear_down(struct fixture *f)
{
    alarms_destroy(f->alarms);
    site_free(&f->site);
}

static void judge(struct fixture *f, int64_t second, bool stands)
{
    struct alarm_judgement j = {
        .kind = ALARM_NEAR_OVERLOAD,
        .subject = {0, 0, -1},
        .stands = stands,
        .on_seconds = 5,
        .off_seconds = 10,
        .priority = PRIORITY_HIGH,
        .text = "too much",
    };
    alarms_judge(f->alarms, second * 1000, 1000000 + second * 1000, &j);
}

/* the same as an alert (ANSI/ISA-18.2: it asks for no response) */
static void hint(struct fixture *f, int64_t second, bool stands)
{
    struct alarm_judgement j = {
        .kind = ALARM_NEAR_OVERLOAD,
        .subject = {0, 0, -1},
        .stands = stands,
        .on_seconds = 5,
        .off_seconds = 10,
        .priority = PRIORITY_LOW,
        .alert = true,
        .text = "no room",
    };
    alarms_judge(f->alarms, second * 1000, 1000000 + second * 1000, &j);
}

static void an_alert_goes_by_itself_and_becomes_an_alarm_once(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    hint(&f, 0, true);
    hint(&f, 5, true);
    assert_true(f.log.alert);
    assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
    hint(&f, 6, false);
    hint(&f, 16, false);
    assert_int_equal(f.log.last, ALARM_NORMAL); /* nobody has to acknowledge it */
    hint(&f, 20, true);
    hint(&f, 25, true);
    assert_int_equal(f.log.count, 3);
    judge(&f, 26, true);
    hint(&f, 27, true); /* not for long enough */
    judge(&f, 28, true);
    judge(&f, 32, true);
    assert_int_equal(f.log.count, 3);
    judge(&f, 33, true);
    assert_int_equal(f.log.count, 4);
    assert_false(f.log.alert);
    assert_string_equal(f.log.text, "too much");
    hint(&f, 34, true); /* it stays an alarm until it is over */
    hint(&f, 60, true);
    assert_int_equal(f.log.count, 4);
    hint(&f, 61, false);
    hint(&f, 71, false);
    assert_int_equal(f.log.last, ALARM_RETURNED_UNACKNOWLEDGED);
    /* an alert in between does not make it forgotten */
    hint(&f, 80, true);
    hint(&f, 85, true);
    hint(&f, 86, false);
    hint(&f, 986, false); /* the third time: it chatters */
    assert_int_equal(f.log.last, ALARM_RETURNED_UNACKNOWLEDGED);
    tear_down(&f);
}

static void whoever_shelves_an_alert_still_gets_the_alarm(void **state)
{
    (void)state;
    struct fixture f = set_up();
    struct codec_out out = {0};
    f.alarms = alarms_create(&f.site, note, &f.log);
    hint(&f, 0, true);
    hint(&f, 5, true);
    assert_int_equal(
        alarms_shelve(f.alarms, "main-01.near_overload", 1006000, 86400, "Ana", "it is known"),
        ALARMS_OK);
    alarms_save(f.alarms, &out);
    alarms_destroy(f.alarms);
    f.alarms = alarms_create(&f.site, note, &f.log);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(alarms_load(f.alarms, &in));
    codec_out_free(&out);
    hint(&f, 10, true);
    assert_int_equal(f.log.last, ALARM_SHELVED);
    judge(&f, 11, true);
    judge(&f, 16, true);
    assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
    assert_false(f.log.alert);
    /* the alarm itself, shelved, stays silent */
    assert_int_equal(
        alarms_shelve(f.alarms, "main-01.near_overload", 1017000, 86400, "Ana", ""), ALARMS_OK);
    judge(&f, 18, false);
    judge(&f, 28, false);
    judge(&f, 30, true);
    judge(&f, 35, true);
    assert_int_equal(f.log.last, ALARM_SHELVED);
    tear_down(&f);
}

static void one_alarm_takes_the_place_of_another(void **state)
{
    (void)state;
    struct fixture f = set_up();
    const struct alarm_subject subject = {0, 0, -1};
    f.alarms = alarms_create(&f.site, note, &f.log);
    alarms_take_over(f.alarms, ALARM_NEAR_OVERLOAD, subject, 0, ALARM_TRIP, subject);
    assert_int_equal(f.log.count, 0);
    judge(&f, 0, true);
    judge(&f, 5, true);
    alarms_take_over(f.alarms, ALARM_NEAR_OVERLOAD, subject, 6000, ALARM_TRIP, subject);
    assert_int_equal(f.log.last, ALARM_NORMAL); /* although nobody has acknowledged it */
    assert_string_equal(f.log.taken_by, "main-01.trip");
    assert_false(alarms_condition(f.alarms, ALARM_NEAR_OVERLOAD, subject));
    judge(&f, 7, true);
    judge(&f, 12, true); /* and it can come again */
    assert_int_equal(f.log.count, 3);
    assert_string_equal(f.log.taken_by, "");
    alarms_shelve(f.alarms, "main-01.near_overload", 1013000, 60, "Ana", "");
    alarms_take_over(f.alarms, ALARM_NEAR_OVERLOAD, subject, 1014000, ALARM_TRIP, subject);
    assert_int_equal(f.log.last, ALARM_SHELVED);
    alarms_tick(f.alarms, 2000000, 2000000);
    assert_int_equal(f.log.last, ALARM_NORMAL);
    tear_down(&f);
}

static void an_alarm_waits_for_its_delays(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    for (int64_t t = 0; t < 5; t++)
        judge(&f, t, true);
    assert_int_equal(f.log.count, 0);
    judge(&f, 4, false); /* a dip starts the on-delay again */
    for (int64_t t = 5; t < 10; t++)
        judge(&f, t, true);
    assert_int_equal(f.log.count, 0);
    judge(&f, 10, true);
    assert_int_equal(f.log.count, 1);
    assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
    assert_string_equal(f.log.id, "main-01.near_overload");
    assert_string_equal(f.log.text, "too much");
    for (int64_t t = 11; t < 21; t++)
        judge(&f, t, false);
    assert_int_equal(f.log.count, 1);
    judge(&f, 21, false);
    assert_int_equal(f.log.last, ALARM_RETURNED_UNACKNOWLEDGED);
    tear_down(&f);
}

static void acknowledging_follows_the_state_diagram(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    assert_int_equal(alarms_acknowledge(f.alarms, "main-01.near_overload", 0, "Ana"),
                     ALARMS_ERR_UNKNOWN);
    judge(&f, 0, true);
    judge(&f, 5, true);
    assert_int_equal(alarms_acknowledge(f.alarms, "main-01.near_overload", 1, "Ana"),
                     ALARMS_OK); /* B -> C */
    assert_int_equal(f.log.last, ALARM_ACKNOWLEDGED);
    assert_string_equal(f.log.by, "Ana");
    assert_int_equal(alarms_acknowledge(f.alarms, "main-01.near_overload", 1, "Ana"),
                     ALARMS_ERR_STATE);
    judge(&f, 6, false);
    judge(&f, 16, false); /* C -> A */
    assert_int_equal(f.log.last, ALARM_NORMAL);
    judge(&f, 20, true);
    judge(&f, 25, true); /* A -> B */
    judge(&f, 26, false);
    judge(&f, 36, false); /* B -> D */
    assert_int_equal(f.log.last, ALARM_RETURNED_UNACKNOWLEDGED);
    judge(&f, 4040, true);
    judge(&f, 4045, true); /* D -> B */
    assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
    judge(&f, 4046, false);
    judge(&f, 4056, false);
    assert_int_equal(alarms_acknowledge(f.alarms, "main-01.near_overload", 1, "Ana"),
                     ALARMS_OK); /* D -> A */
    assert_int_equal(f.log.last, ALARM_NORMAL);
    tear_down(&f);
}

static void shelving_ends_by_itself_with_what_then_holds(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    judge(&f, 0, true);
    judge(&f, 5, true);
    assert_int_equal(alarms_shelve(f.alarms, f.log.id, 1005000, 0.0, "Ana", "painting"),
                     ALARMS_ERR_TIME);
    assert_int_equal(alarms_shelve(f.alarms, f.log.id, 1005000, 60.0, "Ana", "painting"),
                     ALARMS_OK);
    assert_int_equal(f.log.last, ALARM_SHELVED);
    int before = f.log.count;
    alarms_tick(f.alarms, 64000, 1064999);
    judge(&f, 64, true);
    assert_int_equal(f.log.count, before); /* silent */
    alarms_tick(f.alarms, 65000, 1065000);
    assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
    assert_int_equal(alarms_shelve(f.alarms, f.log.id, 1065000, 60.0, "Ana", ""), ALARMS_OK);
    judge(&f, 66, false);
    judge(&f, 80, false);
    alarms_tick(f.alarms, 200000, 1200000);
    assert_int_equal(f.log.last, ALARM_NORMAL);
    tear_down(&f);
}

static void suppressed_and_out_of_service_are_silent(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    struct alarm_subject subject = {0, 0, -1};
    judge(&f, 0, true);
    judge(&f, 5, true);
    alarms_suppress(f.alarms, ALARM_NEAR_OVERLOAD, subject, 1, EVENT_BY_UTILITY);
    assert_int_equal(f.log.last, ALARM_SUPPRESSED);
    assert_false(alarms_standing(f.alarms, ALARM_NEAR_OVERLOAD, subject));
    alarms_suppress(f.alarms, ALARM_NEAR_OVERLOAD, subject, 2, EVENT_BY_NONE);
    assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
    assert_int_equal(alarms_out_of_service(f.alarms, f.log.id, 3, true, "Ben", "rewiring"),
                     ALARMS_OK);
    assert_int_equal(f.log.last, ALARM_OUT_OF_SERVICE);
    assert_int_equal(alarms_shelve(f.alarms, f.log.id, 3, 60.0, "Ben", ""), ALARMS_ERR_STATE);
    assert_int_equal(alarms_out_of_service(f.alarms, f.log.id, 4, false, "Ben", ""), ALARMS_OK);
    assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
    tear_down(&f);
}

/* IEC 62682: shelved alarms may be taken back by hand before their time */
static void shelving_is_ended_by_hand_and_says_until_when(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    judge(&f, 0, true);
    judge(&f, 5, true);
    assert_int_equal(alarms_unshelve(f.alarms, f.log.id, 1005000, "Ana"), ALARMS_ERR_STATE);
    assert_int_equal(alarms_shelve(f.alarms, f.log.id, 1005000, 60.0, "Ana", ""), ALARMS_OK);
    assert_int_equal(f.log.until, 1065000);
    assert_int_equal(alarms_unshelve(f.alarms, f.log.id, 1006000, "Ben"), ALARMS_OK);
    assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
    assert_int_equal(f.log.until, 0);
    assert_string_equal(f.log.by, "Ben");
    assert_int_equal(alarms_unshelve(f.alarms, "main-02.trip", 1, "Ben"), ALARMS_ERR_UNKNOWN);
    tear_down(&f);
}

/* raised, acknowledged, gone, raised ..: 3 raisings within half an hour chatter */
static void a_chattering_alarm_returns_later_and_is_never_hidden(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    int64_t t = 0;
    for (int i = 0; i < 3; i++) {
        judge(&f, t, true);
        judge(&f, t + 5, true);
        assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
        assert_int_equal(f.log.chattering, i == 2);
        judge(&f, t + 6, false);
        judge(&f, t + 16, false); /* off_seconds */
        assert_int_equal(f.log.last,
                         i < 2 ? ALARM_RETURNED_UNACKNOWLEDGED : ALARM_UNACKNOWLEDGED);
        t += 100;
    }
    judge(&f, 206 + 899, false);
    assert_int_equal(f.log.last, ALARM_UNACKNOWLEDGED);
    judge(&f, 206 + 900, false);
    assert_int_equal(f.log.last, ALARM_RETURNED_UNACKNOWLEDGED);
    assert_false(f.log.chattering);
    /* an hour later it is an alarm like any other */
    judge(&f, 5000, true);
    judge(&f, 5005, true);
    assert_false(f.log.chattering);
    tear_down(&f);
}

static void states_survive_a_restart_and_damage_is_refused(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    judge(&f, 0, true);
    judge(&f, 5, true);
    assert_int_equal(alarms_acknowledge(f.alarms, f.log.id, 1, "Ana"), ALARMS_OK);
    struct codec_out out = {0};
    alarms_save(f.alarms, &out);
    alarms_destroy(f.alarms);

    for (size_t cut = 0; cut < out.length; cut++) {
        struct codec_in part = {out.bytes, out.bytes + cut, false};
        f.alarms = alarms_create(&f.site, note, &f.log);
        if (cut > 4)
            assert_false(alarms_load(f.alarms, &part));
        alarms_destroy(f.alarms);
    }
    f.alarms = alarms_create(&f.site, note, &f.log);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(alarms_load(f.alarms, &in));
    assert_true(
        alarms_standing(f.alarms, ALARM_NEAR_OVERLOAD, (struct alarm_subject){0, 0, -1}));
    int before = f.log.count;
    judge(&f, 100, true); /* it still stands: nothing new */
    assert_int_equal(f.log.count, before);
    judge(&f, 101, false);
    judge(&f, 111, false);
    assert_int_equal(f.log.last, ALARM_NORMAL);
    codec_out_free(&out);
    tear_down(&f);
}

static void says(struct fixture *f, enum alarm_priority priority, const char *text,
                 const char *advice, double percent)
{
    struct figures figures;
    figures_clear(&figures);
    figures_add(&figures, FIGURE_HEAT, percent);
    struct alarm_judgement j = {.kind = ALARM_NEAR_OVERLOAD,
                                .subject = {0, 0, -1},
                                .priority = priority,
                                .text = text,
                                .advice = advice,
                                .figures = &figures};
    alarms_reword(f->alarms, 2000000, &j);
}

static void expect(const struct fixture *f, int count, enum alarm_state state,
                   enum alarm_change changed)
{
    assert_int_equal(f->log.count, count);
    assert_int_equal(f->log.last, state);
    assert_int_equal(f->log.changed, changed);
}

static void words_that_change_are_silent_and_advice_that_changes_is_told_once(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    says(&f, PRIORITY_HIGH, "too much", "", 50.0); /* nothing stands */
    assert_int_equal(f.log.count, 0);
    judge(&f, 0, true);
    judge(&f, 5, true);
    says(&f, PRIORITY_HIGH, "too much", "", 50.0);
    says(&f, PRIORITY_HIGH, "too much", "", 60.0); /* a percentage is no news */
    assert_int_equal(f.log.count, 1);
    alarms_acknowledge(f.alarms, "main-01.near_overload", 1006000, "Kim");
    says(&f, PRIORITY_HIGH, "far too much", "", 60.0);
    expect(&f, 3, ALARM_ACKNOWLEDGED, ALARM_WORDS_CHANGED);
    assert_string_equal(f.log.text, "far too much");
    assert_string_equal(f.log.by, "Kim"); /* who acknowledged it still has */
    says(&f, PRIORITY_HIGH, "far too much", "do not reset it", 60.0);
    expect(&f, 4, ALARM_UNACKNOWLEDGED, ALARM_ADVICE_CHANGED);
    says(&f, PRIORITY_HIGH, "far too much", "do not reset it", 70.0);
    assert_int_equal(f.log.count, 4);
    says(&f, PRIORITY_URGENT, "far too much", "do not reset it", 70.0);
    expect(&f, 5, ALARM_UNACKNOWLEDGED, ALARM_ADVICE_CHANGED);
    says(&f, PRIORITY_HIGH, "far too much", "do not reset it", 70.0); /* less so: no news */
    expect(&f, 6, ALARM_UNACKNOWLEDGED, ALARM_WORDS_CHANGED);
    assert_int_equal(f.log.priority, PRIORITY_HIGH);
    /* and when it is over nothing is said of it any more */
    judge(&f, 20, false);
    judge(&f, 30, false);
    says(&f, PRIORITY_HIGH, "nothing", "", 0.0);
    expect(&f, 7, ALARM_RETURNED_UNACKNOWLEDGED, ALARM_CHANGED_STATE);
    tear_down(&f);
}

static void a_silenced_alarm_keeps_silent_and_says_the_newest_when_released(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    judge(&f, 0, true);
    judge(&f, 5, true);
    assert_int_equal(
        alarms_shelve(f.alarms, "main-01.near_overload", 1006000, 60, "Kim", "known"),
        ALARMS_OK);
    int64_t until = f.log.until;
    says(&f, PRIORITY_HIGH, "too much", "do not reset it", 60.0);
    expect(&f, 3, ALARM_SHELVED, ALARM_WORDS_CHANGED);
    assert_int_equal(f.log.until, until);
    assert_string_equal(f.log.by, "Kim");
    says(&f, PRIORITY_HIGH, "another", "do not reset it", 60.0);
    alarms_unshelve(f.alarms, "main-01.near_overload", 1007000, "Kim");
    expect(&f, 5, ALARM_UNACKNOWLEDGED, ALARM_CHANGED_STATE);
    assert_string_equal(f.log.text, "another");
    tear_down(&f);
}

/* what stands in the record and is not known (its state was lost) can be acknowledged and
 * returns */
static void an_alarm_of_the_record_is_taken_over(void **state)
{
    (void)state;
    struct fixture f = set_up();
    f.alarms = alarms_create(&f.site, note, &f.log);
    struct event_alarm kept = {.id = "main-01.near_overload",
                               .priority = PRIORITY_HIGH,
                               .state = ALARM_UNACKNOWLEDGED,
                               .raised_wall_ms = 900000,
                               .text = "too much",
                               .advice = "switch off"};
    assert_true(alarms_adopt(f.alarms, &kept));
    assert_int_equal(f.log.count, 0);
    judge(&f, 0, true); /* it still is so: nothing new */
    judge(&f, 9, true);
    assert_int_equal(f.log.count, 0);
    assert_int_equal(alarms_acknowledge(f.alarms, kept.id, 1000000, "Kim"), ALARMS_OK);
    assert_string_equal(f.log.text, "too much");
    kept.state = ALARM_UNACKNOWLEDGED; /* what is known stays */
    assert_true(alarms_adopt(f.alarms, &kept));
    judge(&f, 10, false);
    judge(&f, 20, false);
    assert_int_equal(f.log.last, ALARM_NORMAL);
    kept.id = "main-02.trip";
    kept.state = ALARM_RETURNED_UNACKNOWLEDGED;
    assert_true(alarms_adopt(f.alarms, &kept));
    assert_int_equal(alarms_acknowledge(f.alarms, kept.id, 1000000, "Kim"), ALARMS_OK);
    assert_int_equal(f.log.last, ALARM_NORMAL);
    kept.id = "main-02.continuous_load";
    kept.state = ALARM_SHELVED; /* until when is not known: it ends */
    assert_true(alarms_adopt(f.alarms, &kept));
    alarms_tick(f.alarms, 0, 1000000);
    assert_int_equal(f.log.last, ALARM_NORMAL);
    kept.id = "shed-01.trip"; /* not of this site */
    assert_false(alarms_adopt(f.alarms, &kept));
    kept.id = "main-01.ghost";
    assert_false(alarms_adopt(f.alarms, &kept));
    tear_down(&f);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_alarm_waits_for_its_delays),
        cmocka_unit_test(an_alert_goes_by_itself_and_becomes_an_alarm_once),
        cmocka_unit_test(whoever_shelves_an_alert_still_gets_the_alarm),
        cmocka_unit_test(one_alarm_takes_the_place_of_another),
        cmocka_unit_test(acknowledging_follows_the_state_diagram),
        cmocka_unit_test(shelving_ends_by_itself_with_what_then_holds),
        cmocka_unit_test(suppressed_and_out_of_service_are_silent),
        cmocka_unit_test(shelving_is_ended_by_hand_and_says_until_when),
        cmocka_unit_test(a_chattering_alarm_returns_later_and_is_never_hidden),
        cmocka_unit_test(words_that_change_are_silent_and_advice_that_changes_is_told_once),
        cmocka_unit_test(a_silenced_alarm_keeps_silent_and_says_the_newest_when_released),
        cmocka_unit_test(an_alarm_of_the_record_is_taken_over),
        cmocka_unit_test(states_survive_a_restart_and_damage_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
