/* essential: silence is told from the load's own rhythm */
#include "check.h"

#include "analysis/essential.h"
#include "model/rules.h"

#include "record.h"

#define WALL0 1772370000000LL /* 2026-03-01T13:00:00Z */

struct cellar {
    struct site site;
    struct rules_set rules;
    struct breakers *breakers;
    struct alarms *alarms;
    struct trip_alarms *trip_alarms;
    struct essential *essential;
    int64_t second;
    int64_t clock_set_ms; /* the wall clock, against what it was in the beginning */
    int raised, returned;
    char text[EVENT_TEXT_SIZE], advice[EVENT_TEXT_SIZE];
    char figures[EVENT_TEXT_SIZE];
};

static void take(void *context, const struct event *e)
{
    struct cellar *c = context;
    if (e->type != EVENT_ALARM || e->alarm.kind != ALARM_ESSENTIAL_LOAD_SILENT)
        return;
    c->raised += e->alarm.state == ALARM_UNACKNOWLEDGED;
    c->returned += e->alarm.state == ALARM_RETURNED_UNACKNOWLEDGED;
    snprintf(c->text, sizeof c->text, "%s", e->alarm.text);
    snprintf(c->advice, sizeof c->advice, "%s", e->alarm.advice);
    record_detail(&e->alarm, c->figures, sizeof c->figures);
}

enum { LIGHT, FREEZER };

static void add_circuit(struct cellar *c, const char *id, const char *name, bool essential)
{
    struct site_circuit *k = site_add_circuit(&c->site);
    k->panel = 0;
    strcpy(k->id, id);
    strcpy(k->name, name);
    k->poles = 1;
    strcpy(k->leg, "A");
    k->breaker_amps = 15;
    k->meter = 0;
    k->essential = essential;
}

static void set_up(struct cellar *c, bool essential)
{
    memset(c, 0, sizeof *c);
    site_init(&c->site);
    struct site_panel *p = site_add_panel(&c->site);
    strcpy(p->id, "main");
    p->legs = 1;
    strcpy(site_add_bus(&c->site)->id, "lan");
    strcpy(site_add_meter(&c->site)->id, "m1");
    add_circuit(c, "light", "Stairs", false);
    add_circuit(c, "freezer", "Cellar", essential);
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

static int64_t wall(const struct cellar *c)
{
    return WALL0 + c->second * 1000 + c->clock_set_ms;
}

static void load_of(struct cellar *c, enum event_type type, struct event_load load)
{
    struct event e = {
        .type = type, .wall_ms = wall(c), .panel = 0, .circuit = FREEZER, .load = load};
    essential_event(c->essential, &e);
}

static void load(struct cellar *c, enum event_type type, int64_t run, double amps)
{
    load_of(c, type, (struct event_load){.run = run, .amps = amps, .appliance = "freezer"});
}

static void pass(struct cellar *c, int minutes)
{
    for (int i = 0; i < minutes; i++, c->second += 60)
        essential_step(c->essential, 1000 + c->second * 1000, wall(c));
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
    pass(&c, 8); /* 63 */
    assert_int_equal(c.raised, 0);
    pass(&c, 4); /* 67 */
    assert_int_equal(c.raised, 1);
    int silent = 0, longest = 0;
    assert_non_null(strstr(c.text, "Cellar"));
    assert_int_equal(sscanf(strstr(c.text, "has not"),
                            "has not run for %d minutes: it never paused longer than %d",
                            &silent, &longest),
                     2);
    assert_in_range(silent, 64, 67);
    assert_int_equal(longest, 25);
    assert_non_null(strstr(c.figures, "silent for 65 min, longest pause before 25 min"));
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

static void a_dozen_runs_are_enough_and_fewer_are_not(void **state)
{
    (void)state;
    for (int runs = 11; runs <= 12; runs++) {
        struct cellar c;
        set_up(&c, true);
        cycle(&c, runs, 1.3);
        pass(&c, 90);
        assert_int_equal(c.raised, runs == 12);
        tear_down(&c);
    }
}

/* Nobody marked the circuit; the pump was recognised. */
static void an_essential_appliance_makes_its_circuit_essential(void **state)
{
    struct cellar c;
    struct event_load pump = {.amps = 4.0, .appliance = "sump_pump", .essential = true};
    (void)state;
    set_up(&c, false);
    for (int i = 0; i < 20; i++) {
        pump.run = i + 1;
        load_of(&c, EVENT_LOAD_ON, pump);
        pass(&c, 2);
        load_of(&c, EVENT_LOAD_OFF, pump);
        pass(&c, 38);
    }
    assert_int_equal(c.raised, 0);
    pass(&c, 90);
    assert_int_equal(c.raised, 1);
    assert_non_null(strstr(c.figures, "sump pump"));
    tear_down(&c);
}

static void say_trip(struct cellar *c, enum event_type type)
{
    struct event e = {.type = type, .wall_ms = wall(c), .circuit = FREEZER};
    if (type == EVENT_TRIP)
        e.trip = (struct event_trip){.id = "t1",
                                     .stage = TRIP_CONFIRMED,
                                     .probability = 0.99,
                                     .cause = CAUSE_OVERLOAD,
                                     .upstream = TRIP_UPSTREAM_NONE};
    else
        e.outcome = (struct event_outcome){.trip = "t1", .seconds = 36000};
    trip_alarms_event(c->trip_alarms, &e);
}

static void lose_meter(struct cellar *c, bool lost)
{
    alarms_judge(c->alarms, 1000 + c->second * 1000, wall(c),
                 &(struct alarm_judgement){
                     .kind = ALARM_METER_LOST, .subject = {-1, -1, 0}, .stands = lost});
}

static void restart(struct cellar *c)
{
    struct codec_out out = {0};
    essential_save(c->essential, &out);
    essential_destroy(c->essential);
    c->essential = essential_create(&c->site, c->alarms, c->trip_alarms);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(essential_load(c->essential, &in));
    codec_out_free(&out);
}

enum hiding { TRIPPED, DARK, METER_LOST, NO_FRAMES, GATEWAY_OFF, CLOCK_FORWARD, CLOCK_BACK };
static const struct {
    enum hiding how;
    const char *name;
} hidings[] = {
    {TRIPPED, "a trip of the circuit"},     {DARK, "the utility was away"},
    {METER_LOST, "the meter was lost"},     {NO_FRAMES, "no readings came"},
    {GATEWAY_OFF, "the gateway was off"},   {CLOCK_FORWARD, "the clock was set forward"},
    {CLOCK_BACK, "the clock was set back"},
};

/* ten hours of it, or a clock that is ten hours wrong */
static void hide(struct cellar *c, enum hiding how)
{
    const struct alarm_subject freezer = {-1, FREEZER, -1};
    switch (how) {
    case TRIPPED:
        say_trip(c, EVENT_TRIP);
        pass(c, 600);
        say_trip(c, EVENT_RESTORED);
        return;
    case DARK:
        alarms_suppress(c->alarms, ALARM_ESSENTIAL_LOAD_SILENT, freezer, wall(c),
                        EVENT_BY_UTILITY);
        pass(c, 600);
        alarms_suppress(c->alarms, ALARM_ESSENTIAL_LOAD_SILENT, freezer, wall(c),
                        EVENT_BY_NONE);
        return;
    case METER_LOST:
        lose_meter(c, true);
        pass(c, 600);
        lose_meter(c, false);
        return;
    case GATEWAY_OFF:
        restart(c);
        c->second += 36000;
        return;
    case NO_FRAMES: c->second += 36000; return;
    case CLOCK_FORWARD: c->clock_set_ms += 36000000; return;
    case CLOCK_BACK: c->clock_set_ms -= 36000000; return;
    }
}

/* Then it is not told when it runs as ever, and what nobody saw is not taken for a long pause:
 * the next silence is told when it would have been. */
static void what_nobody_watched_is_neither_a_silence_nor_a_pause(void **state)
{
    (void)state;
    for (size_t k = 0; k < sizeof hidings / sizeof hidings[0]; k++) {
        struct cellar c;
        set_up(&c, true);
        cycle(&c, 20, 1.3);
        hide(&c, hidings[k].how);
        pass(&c, 2);
        if (c.raised)
            fail_msg("%s, and that is told as silence", hidings[k].name);
        cycle(&c, 1, 1.3);
        pass(&c, 30);
        if (c.raised)
            fail_msg("%s, and then a pause is told too early", hidings[k].name);
        pass(&c, 20);
        if (c.raised != 1)
            fail_msg("%s, and then a silence is not told", hidings[k].name);
        tear_down(&c);
    }
}

/* It does not come on again after that: told as soon as the rest of the time is watched. */
static void a_silence_goes_on_where_it_was_seen_last(void **state)
{
    (void)state;
    for (size_t k = 0; k < sizeof hidings / sizeof hidings[0]; k++) {
        struct cellar c;
        set_up(&c, true);
        cycle(&c, 20, 1.3); /* silent for 25 minutes */
        hide(&c, hidings[k].how);
        pass(&c, 35);
        if (c.raised)
            fail_msg("%s, and what is left is told too early", hidings[k].name);
        pass(&c, 10);
        if (c.raised != 1)
            fail_msg("%s, and nothing is told", hidings[k].name);
        tear_down(&c);
    }
}

/* It ran when the gateway went, and was off when the gateway came back. */
static void a_run_may_end_while_nobody_watches(void **state)
{
    struct cellar c;
    (void)state;
    set_up(&c, true);
    cycle(&c, 20, 1.3);
    load(&c, EVENT_LOAD_ON, 77777, 1.3);
    pass(&c, 5);
    restart(&c);
    c.second += 36000;
    load(&c, EVENT_LOAD_OFF, 77777, 1.3);
    pass(&c, 60);
    assert_int_equal(c.raised, 0);
    pass(&c, 10);
    assert_int_equal(c.raised, 1);
    assert_non_null(strstr(c.figures, "freezer"));
    tear_down(&c);
}

/* A door left open, a long defrost: three hours once. A hundredth a day is forgotten, so
 * seventy days later half of it is left. */
static void a_long_pause_fades(void **state)
{
    struct cellar c;
    (void)state;
    set_up(&c, true);
    cycle(&c, 20, 1.3);
    pass(&c, 155); /* three hours together; it is told, and it comes back */
    int told = c.raised;
    cycle(&c, 36 * 70, 1.3);
    assert_int_equal(c.raised, told);
    pass(&c, 165); /* 190 minutes, and 3 h * 0.99^70 * 2 + 15 min are 193 */
    assert_int_equal(c.raised, told);
    pass(&c, 12);
    assert_int_equal(c.raised, told + 1);
    tear_down(&c);
}

static void the_larger_load_is_meant_until_one_is_known(void **state)
{
    struct cellar c;
    (void)state;
    set_up(&c, true);
    cycle(&c, 5, 0.3); /* its lamp, when it was filled */
    cycle(&c, 12, 1.3);
    for (int i = 0; i < 9; i++) { /* the lamp goes on and off, the freezer is dead */
        load(&c, EVENT_LOAD_ON, 60000 + i, 0.3);
        pass(&c, 5);
        load(&c, EVENT_LOAD_OFF, 60000 + i, 0.3);
        pass(&c, 5);
    }
    assert_int_equal(c.raised, 1);
    tear_down(&c);

    set_up(&c, true);
    cycle(&c, 20, 1.3);
    for (int i = 0; i < 9; i++) { /* a larger one beside a freezer that is known */
        load(&c, EVENT_LOAD_ON, 60000 + i, 2.1);
        pass(&c, 5);
        load(&c, EVENT_LOAD_OFF, 60000 + i, 2.1);
        pass(&c, 5);
    }
    assert_int_equal(c.raised, 1);
    tear_down(&c);
}

static void a_compressor_may_come_to_draw_more(void **state)
{
    struct cellar c;
    (void)state;
    set_up(&c, true);
    for (int i = 0; i < 120; i++) /* to twice as much */
        cycle(&c, 1, 1.3 * exp2(i / 120.0));
    assert_int_equal(c.raised, 0);
    pass(&c, 90);
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
    for (size_t cut = 1; cut < out.length; cut += 3) { /* 12: whole, of no circuit */
        in = (struct codec_in){.at = out.bytes, .end = out.bytes + cut};
        assert_false(essential_load(after.essential, &in));
    }
    codec_out_free(&out);
    tear_down(&c);
    tear_down(&after);
}

/* One freezer's rhythm, of twenty runs, that ended when the test begins. */
static bool load_written(struct cellar *c, uint32_t version, float amps, float pause_seconds)
{
    struct codec_out out = {0};
    codec_put_u32(&out, version);
    if (version >= 2)
        codec_put_i64(&out, WALL0);
    size_t begun = codec_begin(&out, 1);
    codec_put_string(&out, "freezer");
    codec_put_u32(&out, 20);
    codec_put_f32(&out, amps);
    codec_put_f32(&out, pause_seconds);
    codec_put_i64(&out, 0);
    codec_put_i64(&out, WALL0);
    codec_put_string(&out, "freezer");
    codec_end(&out, begun);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    bool loaded = essential_load(c->essential, &in);
    codec_out_free(&out);
    return loaded;
}

static void what_an_earlier_version_knew_is_kept_and_damage_refused(void **state)
{
    struct cellar c;
    (void)state;
    for (uint32_t version = 1; version <= 2; version++) {
        set_up(&c, true);
        assert_false(load_written(&c, version, 0.0F, 1500.0F));
        assert_false(load_written(&c, version, -1.3F, 1500.0F));
        assert_false(load_written(&c, version, 1.3F, -1.0F));
        assert_false(load_written(&c, version, (float)NAN, 1500.0F));
        assert_true(load_written(&c, version, 1.3F, 1500.0F));
        pass(&c, 60);
        assert_int_equal(c.raised, 0);
        pass(&c, 10);
        assert_int_equal(c.raised, 1);
        tear_down(&c);
    }
    set_up(&c, true);
    assert_false(load_written(&c, 0, 1.3F, 1500.0F));
    assert_false(load_written(&c, 3, 1.3F, 1500.0F));
    tear_down(&c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_freezer_that_falls_silent_is_told_once_and_its_return_too),
        cmocka_unit_test(nothing_is_told_of_what_is_not_essential_or_hardly_known_or_runs),
        cmocka_unit_test(a_small_load_beside_it_does_not_stand_for_it),
        cmocka_unit_test(a_dozen_runs_are_enough_and_fewer_are_not),
        cmocka_unit_test(an_essential_appliance_makes_its_circuit_essential),
        cmocka_unit_test(what_nobody_watched_is_neither_a_silence_nor_a_pause),
        cmocka_unit_test(a_silence_goes_on_where_it_was_seen_last),
        cmocka_unit_test(a_run_may_end_while_nobody_watches),
        cmocka_unit_test(a_long_pause_fades),
        cmocka_unit_test(the_larger_load_is_meant_until_one_is_known),
        cmocka_unit_test(a_compressor_may_come_to_draw_more),
        cmocka_unit_test(what_is_known_survives_a_restart),
        cmocka_unit_test(what_an_earlier_version_knew_is_kept_and_damage_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
