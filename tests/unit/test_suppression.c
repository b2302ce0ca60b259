/* suppression: an open feeder speaks for what is behind it (ANSI/ISA-18.2, suppressed by
 * design)
 */
#include "check.h"

#include "analysis/suppression.h"

#include <stdlib.h>

#define BRANCHES 10

#define BATH (BRANCHES + 1)
#define LAMPS (BRANCHES + 2)
enum { MAIN, GARAGE, LOFT };
enum { GARAGE_METER, MAIN_METER, LOFT_METER };

/* utility - main panel - main-14 feeds the garage with ten branches - garage-01 feeds the loft;
 * a meter in each */
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

static void add_panel(struct house *h, const char *id, const char *name, const char *fed_by)
{
    struct site_panel *p = site_add_panel(&h->site);
    strcpy(p->id, id);
    strcpy(p->name, name);
    strcpy(p->fed_by_id, fed_by);
}

static void add_meter(struct house *h, const char *id, int panel)
{
    struct site_meter *m = site_add_meter(&h->site);
    strcpy(m->id, id);
    m->panel = panel;
}

static void add_circuit(struct house *h, const char *id, int panel)
{
    struct site_circuit *c = site_add_circuit(&h->site);
    strcpy(c->id, id);
    strcpy(c->name, "Feeder");
    strcpy(c->position, "14");
    c->panel = panel;
    c->breaker_amps = 20;
}

static void set_up(struct house *h)
{
    char id[SITE_ID_SIZE];
    *h = (struct house){0};
    site_init(&h->site);
    strcpy(h->site.id, "alder-31");
    add_panel(h, "main", "Main panel", "");
    add_panel(h, "garage", "Garage", "main-14");
    add_panel(h, "loft", "Loft", "garage-01");
    strcpy(site_add_bus(&h->site)->id, "lan");
    add_meter(h, "m2", GARAGE);
    add_meter(h, "m1", MAIN);
    add_meter(h, "m3", LOFT);
    for (int i = 0; i <= BRANCHES; i++) {
        snprintf(id, sizeof id, i ? "garage-%02d" : "main-14", i);
        add_circuit(h, id, i ? GARAGE : MAIN);
    }
    add_circuit(h, "main-02", MAIN);
    add_circuit(h, "loft-01", LOFT);
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

static struct alarm_subject panel(int p)
{
    return (struct alarm_subject){p, -1, -1};
}

static struct alarm_subject meter(int m)
{
    return (struct alarm_subject){-1, -1, m};
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
    judge(&h, ALARM_SUPPLY_VOLTAGE, panel(GARAGE), true);
    judge(&h, ALARM_METER_LOST, meter(GARAGE_METER), true);
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

/* Load, trip, voltage and lost meters are silent behind an open feeder, and told when it is
 * closed and they still stand; what says that a breaker or a neutral is dangerous is told at
 * any time. */
static void what_is_dangerous_is_told_and_all_else_waits(void **state)
{
    const struct {
        enum alarm_kind kind;
        struct alarm_subject subject;
        bool waits;
    } cases[] = {
        {ALARM_NEAR_OVERLOAD, {GARAGE, 2, -1}, true},
        {ALARM_CONTINUOUS_LOAD, {GARAGE, 2, -1}, true},
        {ALARM_TRIP, {GARAGE, 2, -1}, true},
        {ALARM_FEEDER_OVERLOAD, {GARAGE, 2, -1}, true},
        {ALARM_ESSENTIAL_LOAD_SILENT, {GARAGE, 2, -1}, true},
        {ALARM_SENSOR_MISMATCH, {GARAGE, 2, -1}, true},
        {ALARM_PERMISSIBLE_LOAD, {GARAGE, 2, -1}, true},
        {ALARM_FEEDER_OVERLOAD, {GARAGE, -1, -1}, true},
        {ALARM_SUPPLY_VOLTAGE, {GARAGE, -1, -1}, true},
        {ALARM_LEG_IMBALANCE, {GARAGE, -1, -1}, true},
        {ALARM_SENSOR_MISMATCH, {GARAGE, -1, -1}, true},
        {ALARM_METER_LOST, {-1, -1, GARAGE_METER}, true},
        {ALARM_OPENED_AGAIN, {GARAGE, 2, -1}, false},
        {ALARM_WORN_BREAKER, {GARAGE, 2, -1}, false},
        {ALARM_BREAKER_DID_NOT_OPEN, {GARAGE, 2, -1}, false},
        {ALARM_OPEN_NEUTRAL, {GARAGE, -1, -1}, false},
    };
    (void)state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct house h;
        set_up(&h);
        judge(&h, ALARM_TRIP, circuit(&h, 0), true);
        step(&h);
        judge(&h, cases[k].kind, cases[k].subject, true);
        if (alarms_standing(h.alarms, cases[k].kind, cases[k].subject) == cases[k].waits)
            fail_msg("case %zu is %s behind an open feeder", k,
                     cases[k].waits ? "told" : "silent");
        judge(&h, ALARM_TRIP, circuit(&h, 0), false);
        step(&h);
        if (!alarms_standing(h.alarms, cases[k].kind, cases[k].subject))
            fail_msg("case %zu is silent though the feeder is closed", k);
        tear_down(&h);
    }
}

static void what_the_open_feeder_does_not_feed_is_told(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    judge(&h, ALARM_TRIP, circuit(&h, 0), true);
    step(&h);
    judge(&h, ALARM_TRIP, circuit(&h, BATH), true);
    judge(&h, ALARM_SUPPLY_VOLTAGE, panel(MAIN), true);
    judge(&h, ALARM_METER_LOST, meter(MAIN_METER), true);
    assert_int_equal(h.count[ALARM_UNACKNOWLEDGED], 4);
    assert_int_equal(h.count[ALARM_SUPPRESSED], 0);
    tear_down(&h);
}

/* A sub-panel of a sub-panel is as dark as the one that feeds it. */
static void the_nearest_open_feeder_speaks_for_all_that_is_behind_it(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    judge(&h, ALARM_TRIP, circuit(&h, 0), true);
    step(&h);
    judge(&h, ALARM_TRIP, circuit(&h, LAMPS), true);
    judge(&h, ALARM_SUPPLY_VOLTAGE, panel(LOFT), true);
    judge(&h, ALARM_METER_LOST, meter(LOFT_METER), true);
    assert_int_equal(h.count[ALARM_UNACKNOWLEDGED], 1);
    assert_int_equal(h.count[ALARM_SUPPRESSED], 3);
    assert_string_equal(h.last_note, "breaker 14 (Feeder) in Main panel is open");
    /* the loft's own feeder is open too: the garage has supply again, the loft has not */
    judge(&h, ALARM_TRIP, circuit(&h, 1), true);
    step(&h);
    judge(&h, ALARM_CONTINUOUS_LOAD, circuit(&h, LAMPS), true);
    assert_string_equal(h.last_note, "breaker 14 (Feeder) in Garage is open");
    judge(&h, ALARM_TRIP, circuit(&h, 0), false);
    step(&h);
    assert_true(alarms_standing(h.alarms, ALARM_TRIP, circuit(&h, 1)));
    assert_false(alarms_standing(h.alarms, ALARM_TRIP, circuit(&h, LAMPS)));
    assert_false(alarms_standing(h.alarms, ALARM_METER_LOST, meter(LOFT_METER)));
    judge(&h, ALARM_TRIP, circuit(&h, 1), false);
    step(&h);
    assert_true(alarms_standing(h.alarms, ALARM_TRIP, circuit(&h, LAMPS)));
    assert_true(alarms_standing(h.alarms, ALARM_SUPPLY_VOLTAGE, panel(LOFT)));
    assert_true(alarms_standing(h.alarms, ALARM_METER_LOST, meter(LOFT_METER)));
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

/* People were told that it opened again and to leave it off: neither the feeder's closing nor a
 * restart of the gateway tells them beside it how to reset. */
static void what_opened_again_is_not_told_anew(void **state)
{
    (void)state;
    struct house h;
    set_up(&h);
    judge(&h, ALARM_TRIP, circuit(&h, 1), true);
    alarms_suppress(h.alarms, ALARM_TRIP, circuit(&h, 1), h.second * 1000, 1);
    step(&h);
    assert_int_equal(h.count[ALARM_SUPPRESSED], 1);
    judge(&h, ALARM_TRIP, circuit(&h, 0), true);
    step(&h);
    judge(&h, ALARM_TRIP, circuit(&h, 0), false);
    step(&h);
    assert_false(alarms_standing(h.alarms, ALARM_TRIP, circuit(&h, 1)));
    suppression_destroy(h.suppression);
    h.suppression = suppression_create(&h.site, h.alarms);
    step(&h);
    assert_false(alarms_standing(h.alarms, ALARM_TRIP, circuit(&h, 1)));
    alarms_suppress(h.alarms, ALARM_TRIP, circuit(&h, 1), h.second * 1000, EVENT_BY_NONE);
    assert_true(alarms_standing(h.alarms, ALARM_TRIP, circuit(&h, 1)));
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
        cmocka_unit_test(what_is_dangerous_is_told_and_all_else_waits),
        cmocka_unit_test(what_the_open_feeder_does_not_feed_is_told),
        cmocka_unit_test(the_nearest_open_feeder_speaks_for_all_that_is_behind_it),
        cmocka_unit_test(an_outage_silences_every_panel),
        cmocka_unit_test(what_opened_again_is_not_told_anew),
        cmocka_unit_test(whoever_shelves_the_feeders_alarm_does_not_wake_the_branches),
        cmocka_unit_test(after_a_restart_what_is_no_longer_hidden_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
