/* shared_neutral: what the common neutral of several circuits carries, and circuits on one leg
 */
#include "check.h"

#include "analysis/shared_neutral.h"

struct bench {
    struct site site;
    struct rules_set rules;
    struct frame *frame;
    struct alarms *alarms;
    struct shared_neutral *n;
    int raised, returned;
    char subject[64], text[512];
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
    /* whoever is told to do something with a panel is told who may, and what foretrip is not */
    assert_non_null(strstr(e->alarm.advice, "licensed electrician"));
    assert_non_null(strstr(e->alarm.advice, "no protective device"));
}

/* circuits of 20, 15 and 20 A on the legs of `legs`; those with a word share a neutral */
static void set_up(struct bench *t, int legs, const char *const leg[3],
                   const char *const words[3])
{
    static const double ratings[3] = {20, 15, 20};
    memset(t, 0, sizeof *t);
    site_init(&t->site);
    struct site_panel *p = site_add_panel(&t->site);
    strcpy(p->id, "main");
    strcpy(p->name, "Main panel");
    p->legs = legs;
    p->rating_amps = 100;
    for (int i = 0; i < 3; i++) {
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_neutral_carries_the_sum_of_the_phasors),
        cmocka_unit_test(circuits_on_different_legs_relieve_their_neutral),
        cmocka_unit_test(a_neutral_over_its_smallest_breaker_is_urgent_after_a_minute),
        cmocka_unit_test(circuits_on_one_leg_are_told_with_nothing_on_and_add_up),
        cmocka_unit_test(three_legs_and_two_poles),
        cmocka_unit_test(a_word_that_one_circuit_carries_alone_says_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
