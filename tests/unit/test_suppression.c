/* suppression: an open feeder speaks for what is behind it (ANSI/ISA-18.2, suppressed by
 * design)
 */
#include "check.h"

#include "analysis/suppression.h"

#include <stdlib.h>

#define BRANCHES 10

/* utility - main panel - main-14 feeds the garage with ten branches and a meter */
struct house {
    struct site site;
    struct alarms *alarms;
    struct suppression *suppression;
    int count[7]; /* events by state */
    char last_note[SITE_NAME_SIZE];
    int64_t second;
};

static void note(void *context, const struct event *e)
{
    struct house *h = context;
    h->count[e->alarm.state]++;
    strcpy(h->last_note, e->alarm.note);
}

static void set_up(struct house *h)
{
    *h = (struct house){0};
    site_init(&h->site);
    strcpy(h->site.id, "alder-31");
    struct site_panel *p = site_add_panel(&h->site);
    strcpy(p->id, "main");
    strcpy(p->name, "Main panel");
    p = site_add_panel(&h->site);
    strcpy(p->id, "garage");
    strcpy(p->name, "Garage");
    strcpy(p->fed_by_id, "main-14");
    strcpy(site_add_bus(&h->site)->id, "lan");
    struct site_meter *m = site_add_meter(&h->site);
    strcpy(m->id, "m2");
    m->panel = 1;
    for (int i = 0; i <= BRANCHES; i++) {
        struct site_circuit *c = site_add_circuit(&h->site);
        snprintf(c->id, sizeof c->id, i ? "garage-%02d" : "main-14", i);
        strcpy(c->name, "Feeder");
        strcpy(c->position, "14");
        c->panel = i ? 1 : 0;
        c->breaker_amps = 20;
    }
    site_finish(&h->site);
    h->alarms = alarms_create(&h->site, note, h);
    h->suppression = suppression_create(&h->site, h->alarms);
}

static void tear_down(struct house *h)
{
    suppression_destroy(h->suppression);
    alarms_destroy(h->alarms);
    site_free(&h->site);
}

static struct alarm_subject circuit(const struct house *h, int c)
{
    return (struct alarm_subject){h->site.circuits[c].panel, c, -1};
}

static void judge(struct house *h, enum alarm_kind kind, struct alarm_subject subject,
                  bool stands)
{
    struct alarm_judgement j = {.kind = kind, .subject = subject, .stands = stands};
    h->second++;
    alarms_judge(h->alarms, h->second * 1000, h->second * 1000, &j);
}

static void step(struct house *h)
{
    suppression_step(h->suppression, h->second * 1000);
}

static void an_open_feeder_silences_its_branches_and_gives_them_back(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    judge(&h, ALARM_NEAR_OVERLOAD, circuit(&h, 1), true); /* stood before */
    judge(&h, ALARM_WORN_BREAKER, circuit(&h, 2), true);  /* a danger in itself */
    step(&h);
    assert_int_equal(h.count[ALARM_UNACKNOWLEDGED], 2);
    judge(&h, ALARM_TRIP, circuit(&h, 0), true);
    step(&h);
    assert_int_equal(h.count[ALARM_SUPPRESSED], 1);
    assert_string_equal(h.last_note, "breaker 14 (Feeder) in Main panel is open");
    for (int c = 1; c <= BRANCHES; c++)
        judge(&h, ALARM_TRIP, circuit(&h, c), true);
    judge(&h, ALARM_SUPPLY_VOLTAGE, (struct alarm_subject){1, -1, -1}, true);
    judge(&h, ALARM_METER_LOST, (struct alarm_subject){-1, -1, 0}, true);
    assert_int_equal(h.count[ALARM_UNACKNOWLEDGED], 3); /* the two before, and the feeder */
    assert_int_equal(h.count[ALARM_SUPPRESSED], 1 + BRANCHES + 2);
    assert_true(alarms_standing(h.alarms, ALARM_WORN_BREAKER, circuit(&h, 2)));
    /* the feeder is back, one branch is open for a reason of its own */
    for (int c = 2; c <= BRANCHES; c++)
        judge(&h, ALARM_TRIP, circuit(&h, c), false);
    judge(&h, ALARM_TRIP, circuit(&h, 0), false);
    step(&h);
    assert_true(alarms_standing(h.alarms, ALARM_TRIP, circuit(&h, 1)));
    assert_true(alarms_standing(h.alarms, ALARM_NEAR_OVERLOAD, circuit(&h, 1)));
    assert_false(alarms_standing(h.alarms, ALARM_TRIP, circuit(&h, 2)));
    assert_int_equal(h.count[ALARM_NORMAL], BRANCHES - 1);
    tear_down(&h);
}

static void an_outage_silences_every_panel(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    judge(&h, ALARM_TRIP, ALARM_SUBJECT_SITE, true);
    step(&h);
    judge(&h, ALARM_TRIP, circuit(&h, 0), true);
    judge(&h, ALARM_NEAR_OVERLOAD, circuit(&h, 3), true);
    assert_int_equal(h.count[ALARM_UNACKNOWLEDGED], 1);
    assert_int_equal(h.count[ALARM_SUPPRESSED], 2);
    assert_string_equal(h.last_note, "the supply is away");
    tear_down(&h);
}

static void whoever_shelves_the_feeders_alarm_does_not_wake_the_branches(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    judge(&h, ALARM_TRIP, circuit(&h, 4), true);
    assert_int_equal(alarms_shelve(h.alarms, "garage-04.trip", 5000, 10, "Ana", ""), ALARMS_OK);
    judge(&h, ALARM_TRIP, circuit(&h, 0), true);
    step(&h);
    assert_int_equal(alarms_shelve(h.alarms, "main-14.trip", 5000, 60, "Ana", ""), ALARMS_OK);
    step(&h);
    judge(&h, ALARM_TRIP, circuit(&h, 5), true);
    assert_int_equal(h.count[ALARM_UNACKNOWLEDGED], 2); /* one at a time, before the feeder */
    assert_int_equal(h.count[ALARM_SUPPRESSED], 1);
    /* shelving of a branch's alarm that ends meanwhile ends in silence */
    alarms_tick(h.alarms, 20000, 20000);
    assert_int_equal(h.count[ALARM_UNACKNOWLEDGED], 2);
    assert_int_equal(h.count[ALARM_SUPPRESSED], 2);
    tear_down(&h);
}

static void after_a_restart_what_is_no_longer_hidden_is_told(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    judge(&h, ALARM_TRIP, circuit(&h, 0), true);
    step(&h);
    judge(&h, ALARM_TRIP, circuit(&h, 1), true);
    judge(&h, ALARM_TRIP, circuit(&h, 0), false);
    struct codec_out out = {0};
    alarms_save(h.alarms, &out); /* killed before the step that would have released it */
    suppression_destroy(h.suppression);
    alarms_destroy(h.alarms);
    h.alarms = alarms_create(&h.site, note, &h);
    h.suppression = suppression_create(&h.site, h.alarms);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(alarms_load(h.alarms, &in));
    step(&h);
    assert_true(alarms_standing(h.alarms, ALARM_TRIP, circuit(&h, 1)));
    codec_out_free(&out);
    tear_down(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_open_feeder_silences_its_branches_and_gives_them_back),
        cmocka_unit_test(an_outage_silences_every_panel),
        cmocka_unit_test(whoever_shelves_the_feeders_alarm_does_not_wake_the_branches),
        cmocka_unit_test(after_a_restart_what_is_no_longer_hidden_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
