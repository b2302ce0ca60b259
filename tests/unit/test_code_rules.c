/* code_rules: continuous load, feeders against branches, legs, supply voltage, neutral,
 * outstaying */
#include "check.h"

#include "analysis/code_rules.h"

struct bench {
    struct site site;
    struct rules_set rules;
    struct frame *frame;
    struct breakers *breakers;
    struct alarms *alarms;
    struct code_rules *c;
    int raised[ALARM_KINDS];
    int64_t raised_ms[ALARM_KINDS];
    char text[512]; /* of the newest */
};

static void sink(void *context, const struct event *e)
{
    struct bench *t = context;
    if (e->type != EVENT_ALARM || e->alarm.state != ALARM_UNACKNOWLEDGED)
        return;
    t->raised[e->alarm.kind]++;
    t->raised_ms[e->alarm.kind] = e->wall_ms;
    snprintf(t->text, sizeof t->text, "%s", e->alarm.text);
    assert_true(strlen(e->alarm.text) > 20 && e->alarm.figures->count > 0);
}

static void add(struct bench *t, int panel, const char *id, const char *leg, double amps)
{
    struct site_circuit *c = site_add_circuit(&t->site);
    strcpy(c->id, id);
    strcpy(c->leg, leg);
    c->panel = panel;
    c->poles = (int)strlen(leg);
    c->breaker_amps = amps;
}

/* a 20 A branch, a 60 A feeder on two poles, and one branch on each leg behind it */
static void set_up_as(struct bench *t, enum site_standard standard, double nominal_volts)
{
    memset(t, 0, sizeof *t);
    site_init(&t->site);
    t->site.standard = standard;
    t->site.nominal_volts = nominal_volts;
    struct site_panel *p = site_add_panel(&t->site);
    strcpy(p->id, "main");
    p->legs = 2;
    p->rating_amps = 100;
    p = site_add_panel(&t->site);
    strcpy(p->id, "shop");
    strcpy(p->fed_by_id, "main-02");
    p->legs = 2;
    p->rating_amps = 60;
    add(t, 0, "main-01", "A", 20);
    add(t, 0, "main-02", "AB", 60);
    add(t, 1, "shop-01", "A", 30);
    add(t, 1, "shop-02", "B", 30);
    site_finish(&t->site);
    assert_true(rules_set_init(&t->rules, &t->site));
    t->frame = frame_create(&t->site);
    t->frame->has = 1U << FRAME_AMPS | 1U << FRAME_PANEL_VOLTS;
    t->breakers = breakers_create(&t->site, &t->rules);
    t->alarms = alarms_create(&t->site, sink, t);
    t->c = code_rules_create(&t->site, &t->rules, t->breakers, t->alarms);
    assert_non_null(t->c);
}

static void set_up(struct bench *t)
{
    set_up_as(t, SITE_UL489, 120.0);
}

static void tear_down(struct bench *t)
{
    code_rules_destroy(t->c);
    alarms_destroy(t->alarms);
    breakers_destroy(t->breakers);
    frame_destroy(t->frame);
    rules_set_free(&t->rules);
    site_free(&t->site);
}

/* amps of main-01, main-02 A and B, shop-01, shop-02; volts of both legs of main */
static void feed(struct bench *t, const float a[5], float va, float vb, int seconds)
{
    for (int s = 0; s < seconds; s++) {
        t->frame->mono_ms += 1000;
        t->frame->wall_ms += 1000;
        memcpy(t->frame->values, a, 5 * sizeof a[0]);
        t->frame->values[frame_panel_index(t->frame, 0, 0)] = va;
        t->frame->values[frame_panel_index(t->frame, 0, 1)] = vb;
        breakers_step(t->breakers, t->frame);
        code_rules_step(t->c, t->frame);
    }
}

/* NEC 210.20(A) with Article 100: 80 % of 20 A is 16 A, and continuous is 3 hours or more */
static void sixteen_amps_of_twenty_are_allowed_for_ever_and_more_for_three_hours(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    feed(&t, (float[5]){16.0F, 0, 0, 0, 0}, 120, 120, 4 * 3600);
    assert_int_equal(t.raised[ALARM_CONTINUOUS_LOAD], 0);
    feed(&t, (float[5]){16.5F, 0, 0, 0, 0}, 120, 120, 3 * 3600 - 5);
    assert_int_equal(t.raised[ALARM_CONTINUOUS_LOAD], 0);
    feed(&t, (float[5]){16.5F, 0, 0, 0, 0}, 120, 120, 10);
    assert_int_equal(t.raised[ALARM_CONTINUOUS_LOAD], 1);
    tear_down(&t);
}

static void a_full_rated_breaker_may_carry_its_rating(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    t.site.circuits[0].full_rated = true;
    feed(&t, (float[5]){20.0F, 0, 0, 0, 0}, 120, 120, 4 * 3600);
    assert_int_equal(t.raised[ALARM_CONTINUOUS_LOAD], 0);
    tear_down(&t);
}

static void a_feeder_is_judged_like_a_branch_and_against_its_branches(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    feed(&t, (float[5]){0, 25.0F, 24.0F, 25.0F, 24.0F}, 120, 120, 4000);
    assert_int_equal(t.raised[ALARM_SENSOR_MISMATCH], 0);
    feed(&t, (float[5]){0, 25.0F, 24.0F, 25.0F, 18.0F}, 120, 120, 290);
    assert_int_equal(t.raised[ALARM_SENSOR_MISMATCH], 0);
    feed(&t, (float[5]){0, 25.0F, 24.0F, 25.0F, 18.0F}, 120, 120, 20);
    assert_int_equal(t.raised[ALARM_SENSOR_MISMATCH], 1);
    /* a branch that is not read makes no mismatch of it */
    feed(&t, (float[5]){0, 49.0F, 49.0F, 49.0F, (float)NAN}, 120, 120, 3 * 3600 + 100);
    assert_int_equal(t.raised[ALARM_SENSOR_MISMATCH], 1);
    assert_int_equal(t.raised[ALARM_FEEDER_OVERLOAD], 1); /* 49 A of 60 A is 82 % */
    tear_down(&t);
}

/* A load that comes and goes every few seconds, and a feeder whose meter is read before: as
 * they stand they never agree for long; aligned they do, and a wrong transformer is still told.
 */
static void readings_of_unlike_moments_are_held_to_one(void **state)
{
    struct bench t;
    static const struct frame_taken taken[5] = {
        {0, 2000}, {0, 2000}, {0, 2000}, {400000, 20000}, {400000, 20000}};
    (void)state;
    for (int wrong = 0; wrong < 2; wrong++) {
        set_up(&t);
        t.frame->taken = taken;
        for (int second = 0; second < 1000; second++) {
            float seen_late = second % 2 ? 22.0F : 4.0F, before = second % 2 ? 4.0F : 22.0F;
            float branch = wrong ? seen_late / 2.0F : seen_late;
            feed(&t, (float[5]){0, before, 5.0F, branch, 5.0F}, 120, 120, 1);
        }
        assert_int_equal(t.raised[ALARM_SENSOR_MISMATCH], 0); /* wrong: it may be right */
        t.frame->taken = taken;
        for (int second = 0; second < 1000; second++) {
            float amps = second / 100 % 2 ? 22.0F : 14.0F;
            feed(&t, (float[5]){0, amps, 5.0F, wrong ? amps / 2.0F : amps, 5.0F}, 120, 120, 1);
        }
        assert_int_equal(t.raised[ALARM_SENSOR_MISMATCH], wrong);
        tear_down(&t);
    }
}

static void one_leg_alone_for_half_an_hour_is_told(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    feed(&t, (float[5]){0, 40.0F, 5.0F, 28.0F, 5.0F}, 120, 120, 1700);
    assert_int_equal(t.raised[ALARM_LEG_IMBALANCE], 0);
    feed(&t, (float[5]){0, 40.0F, 5.0F, 28.0F, 5.0F}, 120, 120, 200);
    assert_true(t.raised[ALARM_LEG_IMBALANCE] >= 1);
    tear_down(&t);
}

/* ANSI C84.1 range A, service: 114 to 126 V of 120 V, sustained */
static void the_supply_voltage_has_a_band_and_a_minute(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    feed(&t, (float[5]){0}, 114.5F, 125.5F, 10);
    feed(&t, (float[5]){0}, 114.2F, 116.0F, 600);
    assert_int_equal(t.raised[ALARM_SUPPLY_VOLTAGE], 0);
    feed(&t, (float[5]){0}, 113.0F, 113.5F, 58);
    feed(&t, (float[5]){0}, 118.0F, 118.0F, 58); /* a dip that passes */
    assert_int_equal(t.raised[ALARM_SUPPLY_VOLTAGE], 0);
    feed(&t, (float[5]){0}, 113.0F, 113.5F, 70);
    assert_int_equal(t.raised[ALARM_SUPPLY_VOLTAGE], 1);
    feed(&t, (float[5]){0}, 0.0F, 0.0F, 600); /* dark: an outage, no voltage that is too low */
    assert_int_equal(t.raised[ALARM_SUPPLY_VOLTAGE], 1);
    tear_down(&t);
}

/* it returns only half a percent inside, so a voltage on the edge is one alarm */
static void a_voltage_on_the_edge_of_its_band_is_one_alarm(void **state)
{
    struct bench t;
    const float idle[5] = {0};
    const struct alarm_subject panel = {0, -1, -1};
    (void)state;
    set_up(&t);
    feed(&t, idle, 113.8F, 120, 70); /* below 114 V, 95 % */
    assert_int_equal(t.raised[ALARM_SUPPLY_VOLTAGE], 1);
    for (int n = 0; n < 10; n++) {
        feed(&t, idle, 114.3F, 120, 120);
        feed(&t, idle, 113.8F, 120, 120);
    }
    assert_int_equal(t.raised[ALARM_SUPPLY_VOLTAGE], 1);
    assert_true(alarms_standing(t.alarms, ALARM_SUPPLY_VOLTAGE, panel));
    feed(&t, idle, 114.8F, 120, 70);
    assert_false(alarms_standing(t.alarms, ALARM_SUPPLY_VOLTAGE, panel));
    tear_down(&t);
}

/* the legs of 1200 W and 400 W in series across 240 V: 60 V and 180 V */
static void legs_that_drift_apart_are_an_open_neutral(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    feed(&t, (float[5]){0}, 118.0F, 122.0F, 600); /* ordinary drop of a loaded leg */
    feed(&t, (float[5]){0}, 60.0F, 180.0F, 3);    /* not from a few readings */
    feed(&t, (float[5]){0}, 118.0F, 122.0F, 3);
    assert_int_equal(t.raised[ALARM_OPEN_NEUTRAL], 0);
    feed(&t, (float[5]){0}, 60.0F, 180.0F, 10);
    assert_int_equal(t.raised[ALARM_OPEN_NEUTRAL], 1);
    tear_down(&t);
}

/* 5 A on one leg: the legs never lie 6 V apart, but the other one rises with each step */
static void a_leg_that_rises_when_the_other_is_loaded_is_a_loose_neutral(void **state)
{
    static const float neutral_ohms[2] = {0.04F, 0.50F};
    (void)state;
    for (int loose = 0; loose < 2; loose++) {
        struct bench t;
        set_up(&t);
        for (int n = 0; n < 12; n++) {
            float amps = n % 2 ? 5.0F : 0.0F, across = neutral_ohms[loose] * amps;
            feed(&t, (float[5]){amps, 2.0F, 2.0F, 2.0F, 2.0F}, 120.0F - 0.04F * amps - across,
                 120.0F + across, 30);
        }
        assert_int_equal(t.raised[ALARM_OPEN_NEUTRAL], loose);
        tear_down(&t);
    }
}

/* UL 489: 135 % must open a breaker up to 50 A within one hour */
static void a_breaker_that_outstays_its_standard_is_urgent(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t);
    feed(&t, (float[5]){29.5F, 0, 0, 0, 0}, 120, 120, 3500);
    feed(&t, (float[5]){(float)NAN, 0, 0, 0, 0}, 120, 120, 200); /* a gap is no load */
    feed(&t, (float[5]){29.5F, 0, 0, 0, 0}, 120, 120, 3500);
    assert_int_equal(t.raised[ALARM_BREAKER_DID_NOT_OPEN], 0);
    feed(&t, (float[5]){2.0F, 0, 0, 0, 0}, 120, 120, 1); /* one bad reading */
    feed(&t, (float[5]){29.5F, 0, 0, 0, 0}, 120, 120, 150);
    assert_int_equal(t.raised[ALARM_BREAKER_DID_NOT_OPEN], 1);
    tear_down(&t);
}

/* ---- the edges of the rules, as docs/configuration.md has their defaults ---- */

struct edge {
    const char *what;
    float amps[5], volts_a, volts_b;
    int seconds;
    bool stands; /* at the end of it */
};

/* one after the other, on one bench */
static void walk(struct bench *t, enum alarm_kind kind, struct alarm_subject subject,
                 const struct edge *edges, size_t count)
{
    for (size_t k = 0; k < count; k++) {
        feed(t, edges[k].amps, edges[k].volts_a, edges[k].volts_b, edges[k].seconds);
        if (alarms_standing(t->alarms, kind, subject) != edges[k].stands)
            fail_msg("%s", edges[k].what);
    }
}

#define WALK(t, kind, panel, circuit, edges)                                                   \
    walk(t, kind, (struct alarm_subject){panel, circuit, -1}, edges,                           \
         sizeof(edges) / sizeof(edges)[0])

/* continuous_percent 80, continuous_deadband_percent 5, gone_seconds 60 */
static void continuous_load_returns_at_three_quarters_of_the_rating(void **state)
{
    static const struct edge edges[] = {
        {"over 16 A of 20 for three hours", {16.2F}, 120, 120, 10805, true},
        {"between 15 and 16 A", {15.2F}, 120, 120, 600, true},
        {"not read for an hour", {(float)NAN}, 120, 120, 3600, true},
        {"below 15 A, not yet for a minute", {14.8F}, 120, 120, 55, true},
        {"below 15 A", {14.8F}, 120, 120, 10, false},
        {"16 A once more", {16.0F}, 120, 120, 11000, false},
    };
    struct bench t;
    (void)state;
    set_up(&t);
    WALK(&t, ALARM_CONTINUOUS_LOAD, 0, 0, edges);
    tear_down(&t);
}

/* feeder_percent 80 (NEC 215.3): 48 A of 60 on the fuller pole */
static void a_feeder_may_carry_eighty_percent(void **state)
{
    static const struct edge edges[] = {
        {"47.9 A for four hours", {0, 10, 47.9F, 10, 47.9F}, 120, 120, 14400, false},
        {"48.2 A, nearly three", {0, 10, 48.2F, 10, 48.2F}, 120, 120, 10790, false},
        {"and three hours", {0, 10, 48.2F, 10, 48.2F}, 120, 120, 20, true},
    };
    struct bench t;
    (void)state;
    set_up(&t);
    WALK(&t, ALARM_FEEDER_OVERLOAD, 0, 1, edges);
    assert_true(strncmp(t.text, "Breaker", 7) == 0);
    assert_int_equal(t.raised[ALARM_FEEDER_OVERLOAD], 1);
    tear_down(&t);
}

/* mismatch_percent 10, mismatch_amps 2, mismatch_seconds 300, mismatch_deadband_percent 2 */
static void a_feeder_may_differ_by_ten_percent_and_two_amps(void **state)
{
    static const struct edge edges[] = {
        {"9.6 % of 25 A", {0, 25, 25, 25, 22.6F}, 120, 120, 900, false},
        {"19 %, but 1.9 A", {0, 10, 10, 10, 8.1F}, 120, 120, 900, false},
        {"10.8 % of 25 A, shortly", {0, 25, 25, 25, 22.3F}, 120, 120, 295, false},
        {"10.8 % of 25 A", {0, 25, 25, 25, 22.3F}, 120, 120, 10, true},
        {"8.4 %: not two percent below", {0, 25, 25, 25, 22.9F}, 120, 120, 300, true},
        {"7.6 %", {0, 25, 25, 25, 23.1F}, 120, 120, 65, false},
        {"the branches carry more than the feeder",
         {0, 22.3F, 25, 25, 25},
         120,
         120,
         305,
         true},
        {"and no more", {0, 25, 25, 25, 25}, 120, 120, 65, false},
        {"21 % and 2.1 A", {0, 10, 10, 10, 7.9F}, 120, 120, 305, true},
    };
    struct bench t;
    (void)state;
    set_up(&t);
    WALK(&t, ALARM_SENSOR_MISMATCH, 0, 1, edges);
    tear_down(&t);
}

/* imbalance_percent 50 of the mean, imbalance_min_percent 25 of 100 A, imbalance_seconds 1800,
 * imbalance_deadband_percent 5 */
static void a_leg_may_lie_half_of_the_mean_off(void **state)
{
    static const struct edge edges[] = {
        {"30 A and 10.2 A: 49 %", {20, 10, 10.2F, 10, 10.2F}, 120, 120, 2500, false},
        {"24.8 A and nothing: too little", {24.8F}, 120, 120, 2500, false},
        {"30 A and 9.8 A: 51 %", {20, 10, 9.8F, 10, 9.8F}, 120, 120, 1790, false},
        {"for half an hour", {20, 10, 9.8F, 10, 9.8F}, 120, 120, 20, true},
        {"47 %: not five below", {20, 10, 10.8F, 10, 10.8F}, 120, 120, 2500, true},
        {"a branch that is not read", {20, 10, 10, 10, (float)NAN}, 120, 120, 300, true},
        {"44 %", {20, 10, 11.6F, 10, 11.6F}, 120, 120, 1805, false},
        {"25.4 A and nothing", {25.4F}, 120, 120, 1805, true},
        {"20.4 A and nothing: not five below", {20.4F}, 120, 120, 2500, true},
        {"19.6 A and nothing", {19.6F}, 120, 120, 1805, false},
        {"the other leg", {0, 0, 25.4F, 0, 25.4F}, 120, 120, 1805, true},
    };
    struct bench t;
    (void)state;
    set_up(&t);
    WALK(&t, ALARM_LEG_IMBALANCE, 0, -1, edges);
    tear_down(&t);
}

/* ANSI C84.1 range A: 114 to 126 V; EN 50160: 207 to 253 V of 230 (10 %). volts_seconds 60,
 * volts_deadband_percent 0.5 */
static void the_edges_of_the_voltage_band_are_allowed(void **state)
{
    static const struct edge american[] = {
        {"114 V and 126 V", {0}, 114, 126, 300, false},
        {"126.3 V, shortly", {0}, 120, 126.3F, 55, false},
        {"126.3 V", {0}, 120, 126.3F, 10, true},
        {"125.6 V: not half a percent inside", {0}, 120, 125.6F, 300, true},
        {"125.2 V", {0}, 120, 125.2F, 65, false},
        {"113.7 V on the one leg", {0}, 113.7F, 120, 65, true},
        {"114.4 V: not half a percent inside", {0}, 114.4F, 120, 300, true},
        {"114.8 V", {0}, 114.8F, 120, 65, false},
    };
    static const struct edge european[] = {
        {"207 V and 253 V", {0}, 207, 253, 300, false},
        {"253.5 V", {0}, 230, 253.5F, 65, true},
        {"251 V", {0}, 230, 251, 65, false},
        {"206.5 V", {0}, 206.5F, 230, 65, true},
    };
    struct bench t;
    (void)state;
    set_up(&t);
    WALK(&t, ALARM_SUPPLY_VOLTAGE, 0, -1, american);
    assert_non_null(strstr(t.text, "too low"));
    assert_int_equal(t.raised[ALARM_SUPPLY_VOLTAGE], 2);
    tear_down(&t);
    set_up_as(&t, SITE_IEC60898, 230.0);
    WALK(&t, ALARM_SUPPLY_VOLTAGE, 0, -1, european);
    tear_down(&t);
    set_up_as(&t, SITE_IEC60898, 230.0);
    WALK(&t, ALARM_SUPPLY_VOLTAGE, 0, -1, ((const struct edge[]){european[1]}));
    assert_non_null(strstr(t.text, "too high"));
    tear_down(&t);
}

/* open_neutral_seconds 5: "the legs of a split-phase panel drift apart, their sum does not". A
 * supply that is high or low as a whole is another matter, and three legs have another sum. */
static void legs_apart_with_their_sum_in_order_are_an_open_neutral(void **state)
{
    static const struct edge edges[] = {
        {"5.8 V apart", {0}, 117.1F, 122.9F, 60, false},
        {"7 V apart, the sum 6 % too high", {0}, 123.7F, 130.7F, 60, false},
        {"7 V apart, the sum 6 % too low", {0}, 109.3F, 116.3F, 60, false},
        {"7 V apart, shortly", {0}, 116.5F, 123.5F, 4, false},
        {"7 V apart", {0}, 116.5F, 123.5F, 4, true},
        {"none measured", {0}, (float)NAN, (float)NAN, 30, true},
        {"again in order, shortly", {0}, 119, 121, 55, true},
        {"again in order", {0}, 119, 121, 10, false},
        {"the other leg", {0}, 123.5F, 116.5F, 8, true},
    };
    struct bench t;
    (void)state;
    set_up(&t);
    WALK(&t, ALARM_OPEN_NEUTRAL, 0, -1, edges);
    tear_down(&t);
    set_up(&t);
    t.site.panels[0].legs = 3;
    feed(&t, (float[5]){0}, 100.0F, 140.0F, 60);
    assert_int_equal(t.raised[ALARM_OPEN_NEUTRAL], 0);
    tear_down(&t);
}

/* 40 A on one leg of a panel of 100 A and 5 on the other: a supply that drops 5 % of 120 V at
 * 100 A (6 V there and back) puts 1.5 x 6 x 35 / 100 = 3.15 V between its legs, the loaded one
 * lower. */
static void what_a_sound_supply_drops_is_no_open_neutral(void **state)
{
    static const struct edge edges[] = {
        {"9 V apart, 3.15 of them the drop", {0, 40, 5, 40, 5}, 115.5F, 124.5F, 60, false},
        {"9.4 V apart", {0, 40, 5, 40, 5}, 115.3F, 124.7F, 8, true},
        {"in order", {0, 40, 5, 40, 5}, 118.0F, 122.0F, 65, false},
        {"7 V apart, the loaded leg higher", {0, 40, 5, 40, 5}, 123.5F, 116.5F, 8, true},
        {"in order again", {0, 40, 5, 40, 5}, 118.0F, 122.0F, 65, false},
        {"the other leg loaded", {0, 5, 40, 5, 40}, 124.5F, 115.5F, 60, false},
        {"9 V apart without a load", {0}, 115.5F, 124.5F, 8, true},
    };
    struct bench t;
    (void)state;
    set_up(&t);
    WALK(&t, ALARM_OPEN_NEUTRAL, 0, -1, edges);
    tear_down(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sixteen_amps_of_twenty_are_allowed_for_ever_and_more_for_three_hours),
        cmocka_unit_test(a_full_rated_breaker_may_carry_its_rating),
        cmocka_unit_test(a_feeder_is_judged_like_a_branch_and_against_its_branches),
        cmocka_unit_test(readings_of_unlike_moments_are_held_to_one),
        cmocka_unit_test(one_leg_alone_for_half_an_hour_is_told),
        cmocka_unit_test(the_supply_voltage_has_a_band_and_a_minute),
        cmocka_unit_test(a_voltage_on_the_edge_of_its_band_is_one_alarm),
        cmocka_unit_test(legs_that_drift_apart_are_an_open_neutral),
        cmocka_unit_test(a_leg_that_rises_when_the_other_is_loaded_is_a_loose_neutral),
        cmocka_unit_test(a_breaker_that_outstays_its_standard_is_urgent),
        cmocka_unit_test(continuous_load_returns_at_three_quarters_of_the_rating),
        cmocka_unit_test(a_feeder_may_carry_eighty_percent),
        cmocka_unit_test(a_feeder_may_differ_by_ten_percent_and_two_amps),
        cmocka_unit_test(a_leg_may_lie_half_of_the_mean_off),
        cmocka_unit_test(the_edges_of_the_voltage_band_are_allowed),
        cmocka_unit_test(legs_apart_with_their_sum_in_order_are_an_open_neutral),
        cmocka_unit_test(what_a_sound_supply_drops_is_no_open_neutral),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
