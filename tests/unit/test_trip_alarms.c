/* trip_alarms: when an opening is told, and what gives way to what */
#include "check.h"

#include "analysis/trip_alarms.h"
#include "model/rules.h"

#include <stdlib.h>

#define WALL0 1772370000000LL /* 2026-03-01T13:00:00Z */

/* main-01 and main-02, the second essential; main-03 feeds the garage with garage-01 */
struct house {
    struct site site;
    struct rules_set rules;
    struct breakers *breakers;
    struct alarms *alarms;
    struct trip_alarms *trips;
    int64_t second;
    int count;
    enum alarm_state state[ALARM_KINDS]; /* the newest of each kind */
    int said[ALARM_KINDS];               /* how often each was raised */
    enum alarm_change changed;
    char id[EVENT_ID_SIZE], text[EVENT_TEXT_SIZE], advice[EVENT_TEXT_SIZE],
        taken_by[EVENT_ID_SIZE];
};

static void take(void *context, const struct event *e)
{
    struct house *h = context;
    h->count++;
    h->state[e->alarm.kind] = e->alarm.state;
    h->said[e->alarm.kind] += e->alarm.state == ALARM_UNACKNOWLEDGED && !e->alarm.changed;
    h->changed = e->alarm.changed;
    strcpy(h->id, e->alarm.id);
    strcpy(h->text, e->alarm.text);
    strcpy(h->advice, e->alarm.advice);
    strcpy(h->taken_by, e->alarm.taken_by ? e->alarm.taken_by : "");
}

static void create(struct house *h)
{
    h->alarms = alarms_create(&h->site, take, h);
    h->trips = trip_alarms_create(&h->site, &h->rules, h->breakers, h->alarms);
    assert_true(h->alarms && h->trips);
}

static void set_up(struct house *h)
{
    memset(h, 0, sizeof *h);
    site_init(&h->site);
    strcpy(h->site.id, "alder-31");
    struct site_panel *p = site_add_panel(&h->site);
    strcpy(p->id, "main");
    strcpy(p->name, "Main panel");
    struct site_panel *garage = site_add_panel(&h->site);
    strcpy(garage->id, "garage");
    strcpy(garage->name, "Garage");
    strcpy(garage->fed_by_id, "main-03");
    static const char *const names[] = {"Kitchen", "Freezer", "Garage feeder", "Saw", "Light"};
    for (int i = 0; i < 5; i++) {
        struct site_circuit *c = site_add_circuit(&h->site);
        snprintf(c->id, sizeof c->id, "%s-%02d", i < 3 ? "main" : "garage", i % 3 + 1);
        snprintf(c->position, sizeof c->position, "%d", i % 3 + 1);
        strcpy(c->name, names[i]);
        c->panel = i < 3 ? 0 : 1;
        c->poles = 1;
        c->breaker_amps = 15;
        c->essential = i == 1;
    }
    site_finish(&h->site);
    h->site.panels[1].fed_by = 2; /* as the reader of site.cfg resolves it */
    h->site.circuits[2].feeds_panel = 1;
    assert_true(rules_set_init(&h->rules, &h->site));
    h->breakers = breakers_create(&h->site, &h->rules);
    create(h);
}

static void tear_down(struct house *h)
{
    trip_alarms_destroy(h->trips);
    alarms_destroy(h->alarms);
    breakers_destroy(h->breakers);
    rules_set_free(&h->rules);
    site_free(&h->site);
}

static struct alarm_subject circuit(int c)
{
    return (struct alarm_subject){0, c, -1};
}

static bool told(const struct house *h, int c)
{
    return alarms_standing(h->alarms, ALARM_TRIP, circuit(c));
}

static void opens(struct house *h, int c, double probability, enum trip_cause cause)
{
    struct event e = {
        .type = EVENT_TRIP, .wall_ms = WALL0 + h->second * 1000, .panel = 0, .circuit = c};
    e.trip =
        (struct event_trip){.id = "t",
                            .stage = TRIP_PROVISIONAL,
                            .probability = probability,
                            .cause = cause,
                            .amps_before = 21.5,
                            .upstream = cause == CAUSE_UPSTREAM_OPEN ? 2 : TRIP_UPSTREAM_NONE};
    e.trip.causes[cause] = probability;
    trip_alarms_event(h->trips, &e);
}

/* long closed */
static void seen_afterwards(struct house *h, int c, enum trip_cause cause)
{
    struct event e = {.type = EVENT_TRIP, .wall_ms = WALL0 + h->second * 1000, .circuit = c};
    e.trip = (struct event_trip){.id = "t",
                                 .stage = TRIP_CONFIRMED,
                                 .probability = 0.97,
                                 .cause = cause,
                                 .amps_before = 13.0,
                                 .upstream = TRIP_UPSTREAM_NONE,
                                 .afterwards = true};
    e.trip.causes[cause] = 0.9;
    trip_alarms_event(h->trips, &e);
}

static void outcome(struct house *h, int c, enum event_type type)
{
    struct event e = {.type = type, .wall_ms = WALL0 + h->second * 1000, .panel = 0};
    e.circuit = c;
    e.outcome = (struct event_outcome){"t", 8.0};
    trip_alarms_event(h->trips, &e);
}

static void pass(struct house *h, int seconds)
{
    for (int s = 0; s < seconds; s++, h->second++)
        trip_alarms_step(h->trips, h->second * 1000, WALL0 + h->second * 1000);
}

static void judge_warning(struct house *h, int c)
{
    struct alarm_judgement j = {
        .kind = ALARM_NEAR_OVERLOAD, .subject = circuit(c), .stands = true, .text = "near"};
    alarms_judge(h->alarms, h->second * 1000, WALL0 + h->second * 1000, &j);
}

static void what_is_sure_is_told_at_once_and_the_rest_has_to_stand(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens(&h, 0, 0.95, CAUSE_FAULT);
    pass(&h, 1);
    assert_true(told(&h, 0));
    tear_down(&h);
    set_up(&h);
    opens(&h, 0, 0.6, CAUSE_FAULT);
    pass(&h, 300);
    assert_int_equal(h.count, 0);
    assert_true(trip_alarms_open(h.trips, 0)); /* the panel shows it all the same */
    pass(&h, 1);
    assert_true(told(&h, 0));
    assert_non_null(strstr(h.text, "Breaker 1 (Kitchen)"));
    tear_down(&h);
}

static void what_becomes_sure_does_not_wait_on_and_what_was_nothing_is_not_told(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens(&h, 0, 0.93, CAUSE_FAULT);
    pass(&h, 60);
    assert_int_equal(h.count, 0); /* nearly sure: within a minute */
    pass(&h, 1);
    assert_true(told(&h, 0));
    tear_down(&h);
    set_up(&h);
    opens(&h, 0, 0.7, CAUSE_FAULT);
    pass(&h, 61);
    opens(&h, 0, 0.96, CAUSE_FAULT);
    pass(&h, 1);
    assert_true(told(&h, 0));
    tear_down(&h);
    set_up(&h);
    opens(&h, 0, 0.7, CAUSE_FAULT);
    pass(&h, 200);
    opens(&h, 0, 0.2, CAUSE_LOAD_ENDED);
    pass(&h, 400);
    assert_int_equal(h.count, 0);
    opens(&h, 0, 0.7, CAUSE_FAULT); /* the time begins anew */
    pass(&h, 200);
    assert_int_equal(h.count, 0);
    tear_down(&h);
}

static void what_heat_explains_does_not_wait(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens(&h, 0, 0.8, CAUSE_OVERLOAD);
    pass(&h, 1);
    assert_true(told(&h, 0));
    tear_down(&h);
}

/* most of what is none is back within a quarter of a minute (docs/method/alarms.md) */
static void what_heat_explains_by_halves_waits_for_a_minute(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens(&h, 0, 0.6, CAUSE_OVERLOAD);
    pass(&h, 9);
    opens(&h, 0, 0.0, CAUSE_LOAD_ENDED);
    pass(&h, 400);
    assert_int_equal(h.count, 0);
    opens(&h, 0, 0.6, CAUSE_WORN_BREAKER);
    pass(&h, 60);
    assert_int_equal(h.count, 0);
    pass(&h, 1);
    assert_true(told(&h, 0));
    tear_down(&h);
}

static void what_an_alarm_says_follows_the_cause_and_another_advice_is_told_once(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens(&h, 0, 0.97, CAUSE_OVERLOAD);
    pass(&h, 1);
    assert_non_null(strstr(h.text, "too much was on at once"));
    assert_non_null(strstr(h.advice, "then to ON"));
    alarms_acknowledge(h.alarms, "main-01.trip", WALL0, "Kim");
    assert_int_equal(h.count, 2);
    opens(&h, 0, 0.99, CAUSE_OVERLOAD); /* the same, surer */
    pass(&h, 60);
    assert_int_equal(h.count, 2);
    opens(&h, 0, 0.97, CAUSE_FAULT);
    pass(&h, 60);
    assert_int_equal(h.count, 3);
    assert_int_equal(h.changed, ALARM_ADVICE_CHANGED);
    assert_int_equal(h.state[ALARM_TRIP], ALARM_UNACKNOWLEDGED);
    assert_non_null(strstr(h.text, "short circuit"));
    assert_non_null(strstr(h.advice, "Do not reset it"));
    assert_null(strstr(h.advice, "to ON"));
    opens(&h, 0, 0.7, CAUSE_FAULT); /* "probably": words, and nobody is told again */
    pass(&h, 60);
    assert_int_equal(h.count, 4);
    assert_int_equal(h.changed, ALARM_WORDS_CHANGED);
    assert_non_null(strstr(h.text, "probably because of a short circuit"));
    tear_down(&h);
}

static void the_feeders_alarm_names_what_went_with_it_as_it_becomes_known(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens(&h, 3, 0.97, CAUSE_UPSTREAM_OPEN);
    pass(&h, 1);
    assert_string_equal(h.id, "main-03.trip");
    assert_non_null(strstr(h.text, "has opened. It took 1 circuit with it: Saw."));
    opens(&h, 4, 0.97, CAUSE_UPSTREAM_OPEN);
    pass(&h, 1);
    assert_int_equal(h.count, 2);
    assert_int_equal(h.changed, ALARM_WORDS_CHANGED);
    assert_non_null(strstr(h.text, "It took 2 circuits with it: Saw, Light."));
    /* the feeder's own reading comes: why it opened, and still nothing for residents to reset
     */
    opens(&h, 2, 0.97, CAUSE_OVERLOAD);
    pass(&h, 1);
    assert_int_equal(h.count, 3);
    assert_int_equal(h.changed, ALARM_WORDS_CHANGED);
    assert_non_null(strstr(h.text, "too much was on at once. It took 2 circuits with it"));
    assert_non_null(strstr(h.advice, "Do not reset it: a feeder"));
    tear_down(&h);
}

/* what is not on after the feeder is back keeps no alarm up, nor raises it again when its trip
 * is told once more; its own opening does */
static void the_feeders_alarm_is_over_when_the_feeder_carries_again(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens(&h, 2, 0.97, CAUSE_OVERLOAD);
    opens(&h, 3, 0.97, CAUSE_UPSTREAM_OPEN);
    opens(&h, 4, 0.97, CAUSE_UPSTREAM_OPEN);
    pass(&h, 60);
    assert_true(told(&h, 2) && trip_alarms_open(h.trips, 3));
    outcome(&h, 4, EVENT_RESTORED);
    pass(&h, 1);
    assert_true(told(&h, 2));
    outcome(&h, 2, EVENT_RESTORED);
    pass(&h, 1);
    assert_false(told(&h, 2));
    assert_false(trip_alarms_open(h.trips, 3));
    opens(&h, 3, 0.96, CAUSE_UPSTREAM_OPEN); /* of before the return */
    pass(&h, 600);
    assert_false(told(&h, 2));
    opens(&h, 3, 0.96, CAUSE_FAULT);
    pass(&h, 1);
    assert_true(alarms_standing(h.alarms, ALARM_TRIP, (struct alarm_subject){1, 3, -1}));
    tear_down(&h);
}

/* a restart in between: what was said is kept, so nothing is said twice */
static void what_was_said_survives_a_restart(void **state)
{
    struct house h;
    struct codec_out alarms = {0}, trips = {0};
    (void)state;
    set_up(&h);
    opens(&h, 0, 0.97, CAUSE_OVERLOAD);
    pass(&h, 1);
    alarms_save(h.alarms, &alarms);
    trip_alarms_save(h.trips, &trips);
    trip_alarms_destroy(h.trips);
    alarms_destroy(h.alarms);
    create(&h);
    struct codec_in in = {alarms.bytes, alarms.bytes + alarms.length, false};
    assert_true(alarms_load(h.alarms, &in));
    in = (struct codec_in){trips.bytes, trips.bytes + trips.length, false};
    assert_true(trip_alarms_load(h.trips, &in));
    codec_out_free(&alarms);
    codec_out_free(&trips);
    pass(&h, 10);
    assert_int_equal(h.count, 1);
    opens(&h, 0, 0.97, CAUSE_WORN_BREAKER);
    pass(&h, 10);
    assert_int_equal(h.count, 2);
    assert_int_equal(h.changed, ALARM_ADVICE_CHANGED);
    tear_down(&h);
}

static void an_essential_circuit_does_not_wait(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens(&h, 1, 0.55, CAUSE_FAULT);
    pass(&h, 1);
    assert_true(told(&h, 1));
    tear_down(&h);
}

static void a_restart_in_between_keeps_what_is_to_be_said(void **state)
{
    struct house h;
    struct codec_out alarms = {0}, trips = {0};
    (void)state;
    set_up(&h);
    opens(&h, 0, 0.7, CAUSE_OPENED_BY_HAND);
    pass(&h, 10);
    assert_false(told(&h, 0));
    alarms_save(h.alarms, &alarms);
    trip_alarms_save(h.trips, &trips);
    trip_alarms_destroy(h.trips);
    alarms_destroy(h.alarms);
    create(&h);
    struct codec_in in = {alarms.bytes, alarms.bytes + alarms.length, false};
    assert_true(alarms_load(h.alarms, &in));
    in = (struct codec_in){trips.bytes, trips.bytes + trips.length, false};
    assert_true(trip_alarms_load(h.trips, &in));
    codec_out_free(&alarms);
    codec_out_free(&trips);
    pass(&h, 301); /* at the latest */
    assert_true(told(&h, 0));
    assert_non_null(strstr(h.text, "is off, probably switched off by hand"));
    tear_down(&h);
}

static void the_opening_takes_the_place_of_the_warning(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    judge_warning(&h, 0);
    opens(&h, 0, 0.6, CAUSE_FAULT);
    pass(&h, 10);
    assert_int_equal(h.state[ALARM_NEAR_OVERLOAD], ALARM_UNACKNOWLEDGED); /* it may be off */
    opens(&h, 0, 0.99, CAUSE_OVERLOAD);
    pass(&h, 1);
    assert_true(told(&h, 0));
    assert_int_equal(h.state[ALARM_NEAR_OVERLOAD], ALARM_NORMAL);
    assert_string_equal(h.taken_by, "main-01.trip");
    tear_down(&h);
}

/* two alarms of which one says how to reset and the other not to would be worse than none */
static void opened_again_silences_the_advice_to_reset(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens(&h, 0, 0.99, CAUSE_OVERLOAD);
    pass(&h, 60);
    outcome(&h, 0, EVENT_RESTORED);
    pass(&h, 8);
    assert_int_equal(h.state[ALARM_TRIP], ALARM_RETURNED_UNACKNOWLEDGED);
    outcome(&h, 0, EVENT_OPENED_AGAIN);
    opens(&h, 0, 0.7, CAUSE_OVERLOAD);
    pass(&h, 1);
    assert_int_equal(h.state[ALARM_OPENED_AGAIN], ALARM_UNACKNOWLEDGED);
    assert_int_equal(h.state[ALARM_TRIP], ALARM_SUPPRESSED);
    assert_true(alarms_condition(h.alarms, ALARM_TRIP, circuit(0))); /* it is open */
    outcome(&h, 0, EVENT_RESTORED);
    pass(&h, 1);
    assert_int_equal(h.state[ALARM_TRIP], ALARM_NORMAL);
    opens(&h, 0, 0.99, CAUSE_OVERLOAD);
    pass(&h, 1);
    assert_true(told(&h, 0));
    tear_down(&h);
}

/* as it is judged while it goes on: unsure and of another cause at first, then surely worn */
static void opens_worn(struct house *h, int c, enum trip_stage stage)
{
    struct event e = {
        .type = EVENT_TRIP, .wall_ms = WALL0 + h->second * 1000, .panel = 0, .circuit = c};
    e.trip = (struct event_trip){.id = "t",
                                 .stage = stage,
                                 .probability = 0.97,
                                 .cause = stage == TRIP_CONFIRMED ? CAUSE_WORN_BREAKER
                                                                  : CAUSE_OVERLOAD,
                                 .opened_wall_ms = WALL0 + h->second * 1000,
                                 .amps_before = 11.5,
                                 .upstream = TRIP_UPSTREAM_NONE};
    e.trip.causes[e.trip.cause] = 0.8;
    trip_alarms_event(h->trips, &e);
    pass(h, 1);
}

static void says(struct house *h, int c, enum event_type type)
{
    struct event e = {
        .type = type, .wall_ms = WALL0 + h->second * 1000, .panel = 0, .circuit = c};
    if (type == EVENT_BREAKER_REPLACED)
        e.note = (struct event_note){.note = "a new one", .by = "M. Reyes"};
    else
        e.correction = (struct event_correction){.trip = "t",
                                                 .said = CAUSE_OVERLOAD,
                                                 .computed = CAUSE_WORN_BREAKER,
                                                 .by = "M. Reyes"};
    trip_alarms_event(h->trips, &e);
    pass(h, 1);
}

static void a_worn_breaker_is_said_once_however_often_it_opens(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens_worn(&h, 0, TRIP_PROVISIONAL);
    assert_int_equal(h.said[ALARM_WORN_BREAKER], 0);
    opens_worn(&h, 0, TRIP_CONFIRMED);
    assert_int_equal(h.state[ALARM_WORN_BREAKER], ALARM_UNACKNOWLEDGED);
    for (int day = 0; day < 5; day++) { /* somebody resets it all the same */
        outcome(&h, 0, EVENT_RESTORED);
        pass(&h, 60);
        opens_worn(&h, 0, TRIP_PROVISIONAL);
        opens_worn(&h, 0, TRIP_CONFIRMED);
    }
    assert_int_equal(h.said[ALARM_WORN_BREAKER], 1);
    assert_true(alarms_standing(h.alarms, ALARM_WORN_BREAKER, circuit(0)));
    tear_down(&h);
}

static void a_breaker_that_was_replaced_is_worn_no_more(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens_worn(&h, 0, TRIP_CONFIRMED);
    struct event judged_again = {
        .type = EVENT_TRIP, .wall_ms = WALL0 + h.second * 1000, .panel = 0, .circuit = 0};
    judged_again.trip = (struct event_trip){.id = "t",
                                            .stage = TRIP_CONFIRMED,
                                            .probability = 0.98,
                                            .cause = CAUSE_WORN_BREAKER,
                                            .opened_wall_ms = WALL0,
                                            .upstream = TRIP_UPSTREAM_NONE};
    says(&h, 0, EVENT_BREAKER_REPLACED);
    assert_int_equal(h.state[ALARM_WORN_BREAKER], ALARM_NORMAL); /* nobody has to answer it */
    trip_alarms_event(h.trips, &judged_again); /* the old one's, still open, looked at anew */
    pass(&h, 1);
    assert_int_equal(h.state[ALARM_WORN_BREAKER], ALARM_NORMAL);
    outcome(&h, 0, EVENT_RESTORED);
    pass(&h, 60);
    opens_worn(&h, 0, TRIP_CONFIRMED); /* and the new one is no better */
    assert_int_equal(h.state[ALARM_WORN_BREAKER], ALARM_UNACKNOWLEDGED);
    tear_down(&h);
}

static void who_knows_what_it_was_takes_the_verdict_back(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    opens_worn(&h, 0, TRIP_CONFIRMED);
    outcome(&h, 0, EVENT_RESTORED);
    pass(&h, 60);
    says(&h, 0, EVENT_TRIP_CORRECTED);
    assert_int_equal(h.state[ALARM_WORN_BREAKER], ALARM_RETURNED_UNACKNOWLEDGED);
    tear_down(&h);
}

static void what_a_breaker_carries_afterwards_can_take_the_verdict_back(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    struct frame *f = frame_create(&h.site);
    f->has = 1U << FRAME_AMPS;
    opens_worn(&h, 0, TRIP_CONFIRMED);
    outcome(&h, 0, EVENT_RESTORED);
    pass(&h, 60);
    for (int s = 0; s < 7200; s++, h.second++) { /* 16 A of 15 for an hour, then it cools */
        f->mono_ms = h.second * 1000;
        f->wall_ms = WALL0 + f->mono_ms;
        for (size_t p = 0; p < h.site.poles_total; p++)
            f->values[p] = p > 0 ? 0.0F : s < 3600 ? 16.0F : 1.0F;
        breakers_step(h.breakers, f);
    }
    opens(&h, 0, 0.97, CAUSE_OPENED_BY_HAND); /* judged whenever something is */
    pass(&h, 1);
    assert_int_equal(h.state[ALARM_WORN_BREAKER], ALARM_RETURNED_UNACKNOWLEDGED);
    frame_destroy(f);
    tear_down(&h);
}

static void what_is_recognised_afterwards_calls_nobody_but_for_a_worn_breaker(void **state)
{
    struct house h;
    (void)state;
    set_up(&h);
    seen_afterwards(&h, 0, CAUSE_FAULT);
    outcome(&h, 0, EVENT_RESTORED);
    pass(&h, 400);
    assert_int_equal(h.count, 0);
    assert_false(trip_alarms_open(h.trips, 0));
    opens(&h, 0, 0.95, CAUSE_FAULT); /* what stands is not ended by what was */
    pass(&h, 1);
    seen_afterwards(&h, 0, CAUSE_FAULT);
    pass(&h, 1);
    assert_true(told(&h, 0));
    seen_afterwards(&h, 1, CAUSE_WORN_BREAKER);
    pass(&h, 1);
    assert_true(alarms_standing(h.alarms, ALARM_WORN_BREAKER, circuit(1)));
    assert_false(told(&h, 1));
    tear_down(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_sure_is_told_at_once_and_the_rest_has_to_stand),
        cmocka_unit_test(what_becomes_sure_does_not_wait_on_and_what_was_nothing_is_not_told),
        cmocka_unit_test(what_heat_explains_does_not_wait),
        cmocka_unit_test(what_heat_explains_by_halves_waits_for_a_minute),
        cmocka_unit_test(what_an_alarm_says_follows_the_cause_and_another_advice_is_told_once),
        cmocka_unit_test(the_feeders_alarm_names_what_went_with_it_as_it_becomes_known),
        cmocka_unit_test(the_feeders_alarm_is_over_when_the_feeder_carries_again),
        cmocka_unit_test(what_was_said_survives_a_restart),
        cmocka_unit_test(an_essential_circuit_does_not_wait),
        cmocka_unit_test(a_restart_in_between_keeps_what_is_to_be_said),
        cmocka_unit_test(the_opening_takes_the_place_of_the_warning),
        cmocka_unit_test(what_is_recognised_afterwards_calls_nobody_but_for_a_worn_breaker),
        cmocka_unit_test(opened_again_silences_the_advice_to_reset),
        cmocka_unit_test(a_worn_breaker_is_said_once_however_often_it_opens),
        cmocka_unit_test(a_breaker_that_was_replaced_is_worn_no_more),
        cmocka_unit_test(who_knows_what_it_was_takes_the_verdict_back),
        cmocka_unit_test(what_a_breaker_carries_afterwards_can_take_the_verdict_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
