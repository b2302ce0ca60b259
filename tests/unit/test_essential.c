/* essential: silence is told from the load's own rhythm */
#include "check.h"

#include "analysis/essential.h"
#include "model/rules.h"

#define WALL0 1772370000000LL /* 2026-03-01T13:00:00Z */

struct cellar {
    struct site site;
    struct rules_set rules;
    struct breakers *breakers;
    struct alarms *alarms;
    struct trip_alarms *trip_alarms;
    struct essential *essential;
    int64_t second;
    enum alarm_state state;
    int raised, returned;
    char text[EVENT_TEXT_SIZE], advice[EVENT_TEXT_SIZE];
};

static void take(void *context, const struct event *e)
{
    struct cellar *c = context;
    if (e->type != EVENT_ALARM || e->alarm.kind != ALARM_ESSENTIAL_LOAD_SILENT)
        return;
    c->state = e->alarm.state;
    c->raised += e->alarm.state == ALARM_UNACKNOWLEDGED;
    c->returned += e->alarm.state == ALARM_RETURNED_UNACKNOWLEDGED;
    snprintf(c->text, sizeof c->text, "%s", e->alarm.text);
    snprintf(c->advice, sizeof c->advice, "%s", e->alarm.advice);
}

static void set_up(struct cellar *c, bool essential)
{
    memset(c, 0, sizeof *c);
    site_init(&c->site);
    struct site_panel *p = site_add_panel(&c->site);
    strcpy(p->id, "main");
    p->legs = 1;
    struct site_circuit *k = site_add_circuit(&c->site);
    k->panel = 0;
    strcpy(k->id, "freezer");
    strcpy(k->name, "Cellar");
    k->poles = 1;
    strcpy(k->leg, "A");
    k->breaker_amps = 15;
    k->meter = -1;
    k->essential = essential;
    site_finish(&c->site);
    assert_true(rules_set_init(&c->rules, &c->site));
    c->breakers = breakers_create(&c->site, &c->rules);
    c->alarms = alarms_create(&c->site, take, c);
    c->trip_alarms = trip_alarms_create(&c->site, &c->rules, c->breakers, c->alarms);
    c->essential = essential_create(&c->site, c->alarms, c->trip_alarms);
}

static void tear_down(struct cellar *c)
{
    essential_destroy(c->essential);
    trip_alarms_destroy(c->trip_alarms);
    alarms_destroy(c->alarms);
    breakers_destroy(c->breakers);
    rules_set_free(&c->rules);
    site_free(&c->site);
}

static void load(struct cellar *c, enum event_type type, int64_t run, double amps)
{
    struct event e = {.type = type, .wall_ms = WALL0 + c->second * 1000, .panel = 0};
    e.load = (struct event_load){.run = run, .amps = amps, .appliance = "freezer"};
    essential_event(c->essential, &e);
}

static void pass(struct cellar *c, int minutes)
{
    for (int i = 0; i < minutes; i++, c->second += 60)
        essential_step(c->essential, 1000 + c->second * 1000, WALL0 + c->second * 1000);
}

static void cycle(struct cellar *c, int times, double amps)
{
    for (int i = 0; i < times; i++) {
        int64_t run = c->second + 1;
        load(c, EVENT_LOAD_ON, run, amps);
        pass(c, 15);
        load(c, EVENT_LOAD_OFF, run, amps);
        pass(c, 25);
    }
}

static void a_freezer_that_falls_silent_is_told_once_and_its_return_too(void **state)
{
    struct cellar c;
    (void)state;
    set_up(&c, true);
    cycle(&c, 20, 1.3);
    assert_int_equal(c.raised, 0);
    pass(&c, 30); /* 55 minutes: not yet twice the longest pause and a quarter of an hour */
    assert_int_equal(c.raised, 0);
    pass(&c, 20);
    assert_int_equal(c.raised, 1);
    assert_non_null(strstr(c.text, "Cellar"));
    assert_non_null(strstr(c.advice, "licensed electrician"));
    pass(&c, 600);
    assert_int_equal(c.raised, 1);
    load(&c, EVENT_LOAD_ON, 99999, 1.3);
    pass(&c, 5);
    assert_int_equal(c.returned, 1);
    tear_down(&c);
}

static void nothing_is_told_of_what_is_not_essential_or_hardly_known_or_runs(void **state)
{
    const struct {
        const char *name;
        bool essential, runs_on;
        int cycles;
    } cases[] = {{"not essential", false, false, 30},
                 {"seen a few times", true, false, 6},
                 {"runs on", true, true, 30}};
    (void)state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct cellar c;
        set_up(&c, cases[k].essential);
        cycle(&c, cases[k].cycles, 1.3);
        if (cases[k].runs_on)
            load(&c, EVENT_LOAD_ON, 99999, 1.3);
        pass(&c, 600);
        if (c.raised)
            fail_msg("%s, and yet it is told", cases[k].name);
        tear_down(&c);
    }
}

static void a_small_load_beside_it_does_not_stand_for_it(void **state)
{
    struct cellar c;
    (void)state;
    set_up(&c, true);
    cycle(&c, 20, 1.3);
    for (int i = 0; i < 4; i++) { /* a lamp, while the freezer is dead */
        load(&c, EVENT_LOAD_ON, 50000 + i, 0.2);
        pass(&c, 15);
        load(&c, EVENT_LOAD_OFF, 50000 + i, 0.2);
        pass(&c, 5);
    }
    assert_int_equal(c.raised, 1);
    tear_down(&c);
}

static void what_is_known_survives_a_restart(void **state)
{
    struct cellar c, after;
    struct codec_out out = {0};
    (void)state;
    set_up(&c, true);
    cycle(&c, 20, 1.3);
    essential_save(c.essential, &out);
    set_up(&after, true);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(essential_load(after.essential, &in));
    after.second = c.second;
    pass(&after, 60);
    assert_int_equal(after.raised, 1);
    for (size_t cut = 0; cut < out.length; cut += 3) {
        in = (struct codec_in){.at = out.bytes, .end = out.bytes + cut};
        assert_false(essential_load(after.essential, &in));
    }
    codec_out_free(&out);
    tear_down(&c);
    tear_down(&after);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_freezer_that_falls_silent_is_told_once_and_its_return_too),
        cmocka_unit_test(nothing_is_told_of_what_is_not_essential_or_hardly_known_or_runs),
        cmocka_unit_test(a_small_load_beside_it_does_not_stand_for_it),
        cmocka_unit_test(what_is_known_survives_a_restart),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
