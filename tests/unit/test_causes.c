/* causes: why a circuit lost its supply */
#include "evidence_rig.h"

static enum trip_cause cause_of(struct fall_facts f, double lost_alone, struct scope_guess g,
                                double sensor, double *lost)
{
    struct falls h;
    double causes[CAUSE_COUNT], sum = 0;
    falls_init(&h);
    struct cause_view v = {.facts = &f,
                           .history = &h,
                           .lost_alone = lost_alone,
                           .lost_per_second = LOST,
                           .hand_share = 0.6,
                           .scope = g,
                           .sensor_lost = sensor};
    *lost = causes_judge(&v, causes);
    for (int c = 0; c < CAUSE_COUNT; c++)
        sum += causes[c];
    assert_near(sum, 1.0, 1e-9);
    return causes_likeliest(causes, *lost);
}

static void every_cause_has_its_picture(void **state)
{
    (void)state;
    double lost;
    struct scope_guess none = {.scope = scope_nothing};
    struct fall_facts hot = plain(), worn = plain(), young = plain(), surge = plain();
    hot.heat.chance_overload = 1e-3;
    worn.heat.chance_worn = 1e-3;
    young.switch_on_seconds = 1;
    young.switch_on_amps = 9;
    surge.amps = 90;
    assert_int_equal(cause_of(hot, 0.99, none, 0, &lost), CAUSE_OVERLOAD);
    assert_int_equal(cause_of(worn, 0.99, none, 0, &lost), CAUSE_WORN_BREAKER);
    assert_int_equal(cause_of(young, 0.99, none, 0, &lost), CAUSE_FAULT);
    assert_int_equal(cause_of(surge, 0.99, none, 0, &lost), CAUSE_FAULT);
    assert_int_equal(cause_of(plain(), 0.99, none, 0, &lost), CAUSE_OPENED_BY_HAND);
    assert_near(lost, 0.99, 1e-9);
    assert_int_equal(cause_of(plain(), 0.02, none, 0, &lost), CAUSE_LOAD_ENDED);
    assert_int_equal(cause_of(plain(), 0.9, none, 0.99, &lost), CAUSE_SENSOR_LOST);
    assert_true(lost < 0.02);
    struct scope_guess feeder = {.scope = {SCOPE_FEEDER, 3}, .probability = 0.98};
    struct scope_guess utility = {.scope = {SCOPE_UTILITY, -1}, .probability = 0.98};
    struct scope_guess meter = {.scope = {SCOPE_METER, 0}, .probability = 0.98};
    assert_int_equal(cause_of(plain(), 0.1, feeder, 0, &lost), CAUSE_UPSTREAM_OPEN);
    assert_true(lost > 0.97);
    assert_int_equal(cause_of(plain(), 0.1, utility, 0, &lost), CAUSE_SUPPLY_OUTAGE);
    assert_int_equal(cause_of(plain(), 0.1, meter, 0, &lost), CAUSE_SENSOR_LOST);
    assert_true(lost < 0.05);
}

/* A breaker known to open at little heat: a current that no load draws, read once, is a fault
 * all the same; heat needs seconds. Read for longer, it was the heat. */
static void a_surge_that_is_over_at_once_is_no_overload(void **state)
{
    (void)state;
    double lost;
    struct scope_guess none = {.scope = scope_nothing};
    struct fall_facts f = plain();
    f.amps = 106;
    f.switch_on_amps = 94;
    f.heat.chance_overload = 0.4;
    f.switch_on_seconds = 1;
    assert_int_equal(cause_of(f, 0.99, none, 0, &lost), CAUSE_FAULT);
    f.switch_on_seconds = 3;
    assert_int_equal(cause_of(f, 0.99, none, 0, &lost), CAUSE_OVERLOAD);
    f.switch_on_seconds = 1;
    f.amps = 40;
    f.switch_on_amps = 28;
    assert_int_equal(cause_of(f, 0.99, none, 0, &lost), CAUSE_OVERLOAD);
}

static void a_channel_that_dies_alone_is_told_by_its_feeder(void **state)
{
    (void)state;
    assert_true(causes_sensor_lost(5.0, 0.02, 0.1) > 0.95); /* the feeder did not fall */
    assert_true(causes_sensor_lost(5.0, 5.1, 0.1) < 0.001); /* it fell as much */
    assert_near(causes_sensor_lost(5.0, (double)NAN, 0.1), 0.0, 1e-12);
}

/* A heater has carried 9 of 16 A, the readings are lost for five minutes, and then there is
 * nothing. Whatever came on meanwhile comes on here as often as the circuit has taught. */
static const double *after_a_gap(double gap_seconds, double worn, double amps_a_load)
{
    static double causes[CAUSE_COUNT];
    struct falls h;
    struct fall_facts f = plain();
    falls_init(&h);
    falls_watched(&h, 10.0 * 86400.0);
    for (int k = 0; k < 50; k++)
        falls_switched_on(&h, amps_a_load);
    f.amps = 9.0;
    f.gap_seconds = gap_seconds;
    f.heat.must_hold_amps = 16.0;
    f.heat.worn = worn;
    struct cause_view v = {.facts = &f,
                           .history = &h,
                           .lost_alone = 0.99,
                           .lost_per_second = LOST,
                           .hand_share = 0.5,
                           .scope = {.scope = scope_nothing}};
    causes_judge(&v, causes);
    return causes;
}

static void what_came_on_unseen_may_have_opened_it(void **state)
{
    (void)state;
    const double *c = after_a_gap(300.0, 0.05, 13.0); /* a kettle, 22 A with the heater */
    assert_true(c[CAUSE_OVERLOAD] > 0.7);
    assert_true(c[CAUSE_WORN_BREAKER] < 0.1);
    double sound = c[CAUSE_OVERLOAD];
    c = after_a_gap(300.0, 0.95, 13.0); /* the breaker is known to open early */
    assert_true(c[CAUSE_WORN_BREAKER] > 0.7);
    assert_true(c[CAUSE_OVERLOAD] < 0.1 * sound);
    c = after_a_gap(300.0, 0.05, 3.0); /* nothing so large comes on here */
    assert_true(c[CAUSE_OVERLOAD] < 0.01);
    c = after_a_gap(300.0, 0.95, 3.0); /* but enough for a worn one: with it 12 A */
    assert_true(c[CAUSE_WORN_BREAKER] > 0.7);
    c = after_a_gap(10.0, 0.05, 13.0); /* it was seen */
    assert_near(c[CAUSE_OVERLOAD], 0.0, 1e-12);
    assert_near(c[CAUSE_FAULT], c[CAUSE_OPENED_BY_HAND], 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_cause_has_its_picture),
        cmocka_unit_test(a_surge_that_is_over_at_once_is_no_overload),
        cmocka_unit_test(a_channel_that_dies_alone_is_told_by_its_feeder),
        cmocka_unit_test(what_came_on_unseen_may_have_opened_it),
    };
    return cmocka_run_group_tests_name("causes", tests, NULL, NULL);
}
