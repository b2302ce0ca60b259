/* shared_neutral: what the common neutral of several circuits carries, and circuits on one leg
 */
#include "check.h"
#include "record.h"

#include "analysis/shared_neutral.h"

struct bench {
    struct site site;
    struct rules_set rules;
    struct frame *frame;
    struct alarms *alarms;
    struct shared_neutral *n;
    int raised, returned;
    char subject[64], text[512], detail[512];
    enum alarm_priority priority;
};

static void sink(void *context, const struct event *e)
{
    struct bench *t = context;
    assert_int_equal(e->type, EVENT_ALARM);
    assert_int_equal(e->alarm.kind, ALARM_SHARED_NEUTRAL);
    t->returned += e->alarm.state == ALARM_RETURNED_UNACKNOWLEDGED;
    if (e->alarm.state != ALARM_UNACKNOWLEDGED)
        return;
    t->raised++;
    t->priority = e->alarm.priority;
    snprintf(t->subject, sizeof t->subject, "%s", t->site.circuits[e->circuit].id);
    snprintf(t->text, sizeof t->text, "%s", e->alarm.text);
    record_detail(&e->alarm, t->detail, sizeof t->detail);
    /* whoever is told to do something with a panel is told who may, and what foretrip is not */
    assert_non_null(strstr(e->alarm.advice, "licensed electrician"));
    assert_non_null(strstr(e->alarm.advice, "no protective device"));
}

#define MOST 5

/* circuits of 20, 15 and 20 A .. on the legs of `legs`; those with a word share a neutral */
static void set_up_more(struct bench *t, enum site_standard standard, int legs, int count,
                        const char *const *leg, const char *const *words)
{
    static const double ratings[MOST] = {20, 15, 20, 20, 20};
    memset(t, 0, sizeof *t);
    site_init(&t->site);
    t->site.standard = standard;
    struct site_panel *p = site_add_panel(&t->site);
    strcpy(p->id, "main");
    strcpy(p->name, "Main panel");
    p->legs = legs;
    p->rating_amps = 100;
    for (int i = 0; i < count; i++) {
        struct site_circuit *c = site_add_circuit(&t->site);
        snprintf(c->id, sizeof c->id, "c%d", i);
        snprintf(c->name, sizeof c->name, "Kitchen %d", i);
        snprintf(c->position, sizeof c->position, "%d", 2 * i + 1);
        strcpy(c->leg, leg[i]);
        strcpy(c->neutral_group, words[i]);
        c->panel = 0;
        c->poles = (int)strlen(leg[i]);
        c->breaker_amps = ratings[i];
    }
    site_finish(&t->site);
    assert_true(rules_set_init(&t->rules, &t->site));
    t->frame = frame_create(&t->site);
    t->alarms = alarms_create(&t->site, sink, t);
    t->n = shared_neutral_create(&t->site, &t->rules, t->alarms);
    assert_true(t->frame && t->alarms && t->n);
}

static void set_up(struct bench *t, int legs, const char *const leg[3],
                   const char *const words[3])
{
    set_up_more(t, SITE_UL489, legs, 3, leg, words);
}

static void tear_down(struct bench *t)
{
    shared_neutral_destroy(t->n);
    alarms_destroy(t->alarms);
    frame_destroy(t->frame);
    rules_set_free(&t->rules);
    site_free(&t->site);
}

static void feed(struct bench *t, const float *pole_amps, int seconds)
{
    for (int s = 0; s < seconds; s++) {
        t->frame->mono_ms += 1000;
        t->frame->wall_ms += 1000;
        shared_neutral_step(t->n, t->frame, pole_amps);
    }
}

/* the length of the sum of the phasors, worked out here by its parts */
static double phasors(const double leg[3], const double degrees[3])
{
    double x = 0.0, y = 0.0;
    for (int i = 0; i < 3; i++) {
        x += leg[i] * cos(degrees[i] * 3.14159265358979 / 180.0);
        y += leg[i] * sin(degrees[i] * 3.14159265358979 / 180.0);
    }
    return hypot(x, y);
}

static void the_neutral_carries_the_sum_of_the_phasors(void **state)
{
    static const double cases[][3] = {{10, 10, 10}, {20, 0, 0}, {20, 20, 0},
                                      {16, 12, 7},  {0, 0, 0},  {3, 15, 15}};
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const double two[3] = {cases[i][0], cases[i][1], 0.0};
        assert_near(shared_neutral_amps(cases[i], 3),
                    phasors(cases[i], (const double[3]){0, 120, 240}), 1e-6);
        assert_near(shared_neutral_amps(two, 2), phasors(two, (const double[3]){0, 180, 0}),
                    1e-9);
    }
    assert_near(shared_neutral_amps((const double[1]){7.5}, 1), 7.5, 1e-12);
}

static void circuits_on_different_legs_relieve_their_neutral(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, 2, (const char *const[3]){"A", "B", "A"}, (const char *const[3]){"k", "k", ""});
    feed(&t, (const float[3]){20.0F, 15.0F, 20.0F}, 4000);
    feed(&t, (const float[3]){14.9F, 0.0F, 20.0F}, 4000); /* the third has its own */
    assert_int_equal(t.raised, 0);
    tear_down(&t);
}

/* The neutral of a 20 and a 15 A circuit is judged by the 15 A. */
static void a_neutral_over_its_smallest_breaker_is_urgent_after_a_minute(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, 2, (const char *const[3]){"A", "B", "A"}, (const char *const[3]){"k", "k", ""});
    feed(&t, (const float[3]){19.0F, 2.0F, 0.0F}, 55);
    feed(&t, (const float[3]){19.0F, 5.0F, 0.0F}, 5); /* an inrush and a short use pass */
    feed(&t, (const float[3]){19.0F, 2.0F, 0.0F}, 59);
    assert_int_equal(t.raised, 0);
    feed(&t, (const float[3]){19.0F, 2.0F, 0.0F}, 5);
    assert_int_equal(t.raised, 1);
    assert_int_equal(t.priority, PRIORITY_URGENT);
    assert_string_equal(t.subject, "c0");
    assert_non_null(strstr(t.text, "breaker 1 (Kitchen 0) in Main panel and breaker 3"));
    feed(&t, (const float[3]){17.0F, 2.5F, 0.0F}, 600); /* 14.5 A: within the deadband */
    assert_int_equal(t.returned, 0);
    feed(&t, (const float[3]){(float)NAN, 2.5F, 0.0F}, 600); /* unknown is no rest */
    assert_int_equal(t.returned, 0);
    feed(&t, (const float[3]){16.0F, 3.0F, 0.0F}, 70);
    assert_int_equal(t.returned, 1);
    tear_down(&t);
}

static void circuits_on_one_leg_are_told_with_nothing_on_and_add_up(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, 2, (const char *const[3]){"A", "A", "B"}, (const char *const[3]){"k", "k", ""});
    feed(&t, (const float[3]){0.0F, 0.0F, 0.0F}, 70);
    assert_int_equal(t.raised, 1);
    assert_int_equal(t.priority, PRIORITY_HIGH);
    assert_string_equal(t.subject, "c1");
    assert_non_null(strstr(t.text, "same leg"));
    feed(&t, (const float[3]){9.0F, 9.0F, 0.0F}, 70); /* neither breaker minds 9 A */
    assert_int_equal(t.raised, 2);
    assert_int_equal(t.priority, PRIORITY_URGENT);
    assert_string_equal(t.subject, "c0");
    tear_down(&t);
}

static void three_legs_and_two_poles(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, 3, (const char *const[3]){"A", "B", "C"}, (const char *const[3]){"k", "k", "k"});
    feed(&t, (const float[3]){19.0F, 14.0F, 19.0F}, 200); /* 5 A */
    assert_int_equal(t.raised, 0);
    feed(&t, (const float[3]){19.0F, 0.0F, 4.0F}, 200); /* 17.3 A */
    assert_int_equal(t.raised, 1);
    tear_down(&t);
    /* a breaker of two poles and a neutral of its own */
    set_up(&t, 2, (const char *const[3]){"AB", "A", "B"}, (const char *const[3]){"k", "", ""});
    feed(&t, (const float[4]){20.0F, 20.0F, 15.0F, 0.0F}, 200);
    assert_int_equal(t.raised, 0);
    feed(&t, (const float[4]){22.0F, 1.0F, 15.0F, 0.0F}, 200);
    assert_int_equal(t.raised, 1);
    tear_down(&t);
}

static void a_word_that_one_circuit_carries_alone_says_nothing(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, 2, (const char *const[3]){"A", "B", "A"}, (const char *const[3]){"k", "", ""});
    feed(&t, (const float[3]){24.0F, 0.0F, 0.0F}, 600);
    assert_int_equal(t.raised, 0);
    tear_down(&t);
}

/* "passes the rule's percentage of the smallest breaker": 15 A on 15 A does not; "5 % of the
 * limit" of deadband (docs/method/alarms.md): gone below 14.25 A */
static void its_limit_is_a_limit(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, 2, (const char *const[3]){"A", "B", "A"}, (const char *const[3]){"k", "k", ""});
    feed(&t, (const float[3]){15.0F, 0.0F, 0.0F}, 600);
    assert_int_equal(t.raised, 0);
    feed(&t, (const float[3]){15.1F, 0.0F, 0.0F}, 65);
    assert_int_equal(t.raised, 1);
    assert_string_equal(
        t.text, "The neutral shared by breaker 1 (Kitchen 0) in Main panel and breaker "
                "3 (Kitchen 1) in Main panel carries more than it may: switch something "
                "off on these circuits.");
    assert_non_null(strstr(t.detail, "15.1 A"));
    feed(&t, (const float[3]){14.3F, 0.0F, 0.0F}, 600);
    assert_int_equal(t.returned, 0);
    feed(&t, (const float[3]){14.2F, 0.0F, 0.0F}, 70);
    assert_int_equal(t.returned, 1);
    tear_down(&t);
}

/* one leg: everything adds up and nothing relieves it (NEC Article 100, multiwire branch
 * circuit: "a voltage between them") */
static void on_one_leg_a_shared_neutral_carries_all(void **state)
{
    struct bench t;
    (void)state;
    set_up(&t, 1, (const char *const[3]){"A", "A", "A"}, (const char *const[3]){"k", "k", ""});
    feed(&t, (const float[3]){9.0F, 9.0F, 0.0F}, 70);
    assert_int_equal(t.raised, 2); /* the leg, and its current */
    tear_down(&t);
}

static void what_the_code_of_one_country_says_is_quoted_there_only(void **state)
{
    static const enum site_standard standards[] = {SITE_UL489, SITE_IEC60898};
    (void)state;
    for (size_t k = 0; k < 2; k++) {
        struct bench t;
        set_up_more(&t, standards[k], 2, 3, (const char *const[3]){"A", "A", "B"},
                    (const char *const[3]){"k", "k", ""});
        feed(&t, (const float[3]){0.0F, 0.0F, 0.0F}, 70);
        assert_int_equal(t.raised, 1);
        assert_non_null(strstr(t.detail, "35 A")); /* 20 and 15 A: nothing opens before that */
        assert_true((strstr(t.detail, "NEC") != NULL) == (standards[k] == SITE_UL489));
        tear_down(&t);
    }
}

/* each group for itself, wherever its circuits stand in the panel; every circuit of a group
 * counts, and every pole of a circuit */
static void groups_are_judged_apart(void **state)
{
    static const char *const leg[MOST] = {"A", "A", "B", "B", "A"};
    static const char *const words[MOST] = {"", "k", "bath", "k", "bath"};
    struct bench t;
    (void)state;
    set_up_more(&t, SITE_UL489, 2, MOST, leg, words);
    feed(&t, (const float[MOST]){20, 14, 19, 0, 0}, 200);   /* 14 of 15 A, 19 of 20 A */
    feed(&t, (const float[MOST]){20, 14, 20, 19, 19}, 200); /* relieved */
    assert_int_equal(t.raised, 0);
    feed(&t, (const float[MOST]){0, 2, 0, 18, 0}, 70); /* k: 16 A of 15 */
    assert_int_equal(t.raised, 1);
    assert_string_equal(t.subject, "c1");
    feed(&t, (const float[MOST]){0, 2, 1, 18, 22}, 70); /* bath: 21 A of 20 */
    assert_int_equal(t.raised, 2);
    assert_string_equal(t.subject, "c2");
    tear_down(&t);
    /* three circuits under one word are one group, not one for each that is left */
    set_up_more(&t, SITE_UL489, 3, 4, (const char *const[4]){"A", "A", "B", "C"},
                (const char *const[4]){"", "k", "k", "k"});
    feed(&t, (const float[4]){0, 21, 21, 21}, 200); /* nothing in the neutral */
    assert_int_equal(t.raised, 0);
    tear_down(&t);
    /* two poles and one more, behind others: A 10, B 20 and 12 of C leave 9.2 A */
    set_up_more(&t, SITE_UL489, 3, 3, (const char *const[3]){"A", "C", "AB"},
                (const char *const[3]){"", "k", "k"});
    feed(&t, (const float[4]){20, 12, 10, 20}, 200);
    assert_int_equal(t.raised, 0);
    feed(&t, (const float[4]){0, 0, 10, 20}, 70); /* 17.3 A of 15 */
    assert_int_equal(t.raised, 1);
    assert_string_equal(t.subject, "c1");
    tear_down(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_neutral_carries_the_sum_of_the_phasors),
        cmocka_unit_test(circuits_on_different_legs_relieve_their_neutral),
        cmocka_unit_test(a_neutral_over_its_smallest_breaker_is_urgent_after_a_minute),
        cmocka_unit_test(circuits_on_one_leg_are_told_with_nothing_on_and_add_up),
        cmocka_unit_test(three_legs_and_two_poles),
        cmocka_unit_test(a_word_that_one_circuit_carries_alone_says_nothing),
        cmocka_unit_test(its_limit_is_a_limit),
        cmocka_unit_test(on_one_leg_a_shared_neutral_carries_all),
        cmocka_unit_test(what_the_code_of_one_country_says_is_quoted_there_only),
        cmocka_unit_test(groups_are_judged_apart),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
