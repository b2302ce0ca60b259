/* calls: a service call from the cautions to what it found, branch by branch */
#include "call_rig.h"

#include "analysis/call_sheet.h"
#include "model/call_json.h"
#include "model/event_json.h"

#include <stdlib.h>

static const struct call_load *load(const struct call_rig *r, size_t i)
{
    assert_true(i < r->last.load_count);
    return &r->last.loads[i];
}

static void a_simple_overload_ends_with_the_load_that_is_too_much_left_off(void **state)
{
    struct call_rig *r = *state;
    call_rig_trip(r, BATH, CAUSE_OVERLOAD, 0.98, TRIP_CONFIRMED);
    call_rig_put_on(r, BATH);
    assert_int_equal(r->last.resets, 1);
    assert_string_equal(r->last.before[0].appliance, "space_heater");
    r->amps[BATH] = 10.4F; /* it is switched on before anybody says so */
    call_rig_feed(r, 8);
    assert_int_equal(r->last.stage, CALL_WATCH);
    assert_int_equal(call_rig_say_with(r, CALL_SAID_RUNS, "the heater"), CALL_OK);
    assert_near(load(r, 0)->amps, 10.4, 0.01);
    assert_string_equal(load(r, 0)->name, "the heater");
    assert_int_equal(call_rig_say_with(r, CALL_SAID_CONNECTED, "the dryer"), CALL_OK);
    r->amps[BATH] = 22.5F;
    call_rig_feed(r, 6);
    assert_int_equal(r->last.stage, CALL_TOO_MUCH);
    assert_true(call_rig_saw(r, CALL_SAW_TOO_MUCH));
    assert_int_equal(call_rig_say(r, CALL_SAID_SWITCHED_OFF), CALL_ERR_TOO_MUCH);
    r->amps[BATH] = 10.4F;
    call_rig_feed(r, 2);
    assert_int_equal(call_rig_say(r, CALL_SAID_SWITCHED_OFF), CALL_OK);
    assert_int_equal(load(r, 1)->outcome, CALL_LOAD_TOO_MUCH);
    assert_near(load(r, 1)->amps, 12.1, 0.01);
    assert_int_equal(call_rig_say(r, CALL_SAID_ALL_BACK), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_OVERLOAD);
    assert_false(call_finding_stops(r->last.finding));
    assert_near(r->last.peak_amps, 22.5, 0.01);
}

static void a_shorted_appliance_is_caught_with_its_step(void **state)
{
    struct call_rig *r = *state;
    call_rig_trip(r, BATH, CAUSE_OVERLOAD, 0.98, TRIP_CONFIRMED);
    call_rig_put_on(r, BATH);
    r->amps[BATH] = 4.0F;
    call_rig_feed(r, 6);
    assert_int_equal(call_rig_say(r, CALL_SAID_RUNS), CALL_OK);
    assert_int_equal(call_rig_say_with(r, CALL_SAID_CONNECTED, "the iron"), CALL_OK);
    r->amps[BATH] = 90.0F; /* one reading caught the fault */
    call_rig_feed(r, 1);
    r->amps[BATH] = 0.0F;
    call_rig_feed(r, 20);
    assert_int_equal(r->last.stage, CALL_FELL);
    assert_int_equal(call_rig_say(r, CALL_SAID_OPENED), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_APPLIANCE);
    assert_int_equal(load(r, 1)->outcome, CALL_LOAD_OPENED);
    assert_string_equal(load(r, 1)->name, "the iron");
    assert_true(isnan(load(r, 1)->amps));
    assert_near(load(r, 1)->inrush_amps, 86.0, 0.01);
    assert_int_equal(load(r, 0)->outcome, CALL_LOAD_HELD);
    assert_true(call_finding_stops(r->last.finding));
}

static void a_fault_between_two_readings_is_caught_by_the_persons_word(void **state)
{
    struct call_rig *r = *state;
    call_rig_put_on(r, BATH);
    assert_int_equal(call_rig_say_with(r, CALL_SAID_CONNECTED, "the iron"), CALL_OK);
    call_rig_feed(r, 30); /* it is plugged in half a minute later */
    assert_int_equal(call_rig_say(r, CALL_SAID_OPENED), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_APPLIANCE);
}

static void what_opens_with_nothing_connected_is_wiring_or_breaker(void **state)
{
    struct call_rig *r = *state;
    assert_int_equal(call_rig_begin(r, BATH), CALL_OK);
    call_rig_say(r, CALL_SAID_CLEAR);
    call_rig_say(r, CALL_SAID_TRIPPED);
    call_rig_say(r, CALL_SAID_LOADS_OFF);
    call_rig_say(r, CALL_SAID_IS_OFF);
    assert_int_equal(r->last.stage, CALL_ON);
    assert_int_equal(call_rig_say(r, CALL_SAID_OPENED), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_WIRING);
    assert_int_equal(r->last.resets, 1);
}

static void a_worn_breaker_opens_within_its_rating(void **state)
{
    struct call_rig *r = *state;
    call_rig_trip(r, BATH, CAUSE_OVERLOAD, 0.98, TRIP_CONFIRMED);
    call_rig_put_on(r, BATH);
    r->amps[BATH] = 9.0F;
    call_rig_feed(r, 200);
    assert_int_equal(call_rig_say(r, CALL_SAID_RUNS), CALL_OK);
    r->amps[BATH] = 0.0F;
    call_rig_trip(r, BATH, CAUSE_WORN_BREAKER, 0.97, TRIP_CONFIRMED);
    assert_int_equal(r->last.finding, CALL_FOUND_WORN);
    assert_near(r->last.peak_amps, 9.0, 0.01);
}

static void what_opens_above_its_rating_opened_by_overload(void **state)
{
    struct call_rig *r = *state;
    call_rig_put_on(r, BATH);
    r->amps[BATH] = 14.0F;
    call_rig_feed(r, 6);
    assert_int_equal(call_rig_say(r, CALL_SAID_RUNS), CALL_OK);
    r->amps[BATH] = 24.0F;
    call_rig_feed(r, 30);
    assert_int_equal(r->last.stage, CALL_TOO_MUCH); /* and nobody switches it off */
    r->amps[BATH] = 0.0F;
    call_rig_trip(r, BATH, CAUSE_OVERLOAD, 0.97, TRIP_PROVISIONAL);
    assert_int_equal(r->last.finding, CALL_FOUND_OPENED_OVERLOAD);
    assert_true(call_finding_stops(r->last.finding));
}

static void an_open_feeder_makes_the_call_about_the_feeder(void **state)
{
    struct call_rig *r = *state;
    r->amps[FEEDER] = r->amps[SHED] = 0.0F;
    call_rig_feed(r, 2);
    call_rig_trip(r, SHED, CAUSE_UPSTREAM_OPEN, 0.97, TRIP_CONFIRMED);
    assert_int_equal(call_rig_begin(r, SHED), CALL_OK);
    assert_int_equal(r->last.circuit, FEEDER);
    assert_int_equal(r->last.dark, SHED);
    call_rig_say(r, CALL_SAID_CLEAR);
    call_rig_say(r, CALL_SAID_TRIPPED);
    assert_int_equal(call_rig_say(r, CALL_SAID_LOADS_OFF), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_FEEDER);
}

static void an_electrician_resets_a_feeder(void **state)
{
    struct call_rig *r = *state;
    r->amps[FEEDER] = r->amps[SHED] = 0.0F;
    call_rig_feed(r, 2);
    call_rig_trip(r, SHED, CAUSE_UPSTREAM_OPEN, 0.97, TRIP_CONFIRMED);
    r->as = CALL_AS_ELECTRICIAN;
    call_rig_put_on(r, SHED);
    assert_int_equal(r->last.circuit, FEEDER);
}

static void a_feeder_that_is_known_later_moves_the_call_to_it(void **state)
{
    struct call_rig *r = *state;
    r->amps[FEEDER] = r->amps[SHED] = 0.0F;
    call_rig_feed(r, 2);
    assert_int_equal(call_rig_begin(r, SHED), CALL_OK);
    assert_int_equal(r->last.circuit, SHED);
    call_rig_trip(r, SHED, CAUSE_UPSTREAM_OPEN, 0.97, TRIP_CONFIRMED);
    assert_int_equal(r->last.circuit, FEEDER);
    assert_true(call_rig_saw(r, CALL_SAW_UPSTREAM));
}

static void an_outage_ends_it_before_anybody_goes_to_the_panel(void **state)
{
    struct call_rig *r = *state;
    call_rig_trip(r, BATH, CAUSE_SUPPLY_OUTAGE, 0.99, TRIP_CONFIRMED);
    assert_int_equal(call_rig_begin(r, BATH), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_SUPPLY);
}

static void the_wrong_breaker_is_noticed_and_put_back(void **state)
{
    struct call_rig *r = *state;
    call_rig_to_off(r, BATH);
    assert_int_equal(r->last.stage, CALL_OFF);
    r->amps[HALL] = 0.0F;
    call_rig_feed(r, 1);
    call_rig_trip(r, HALL, CAUSE_OPENED_BY_HAND, 0.9, TRIP_PROVISIONAL);
    assert_int_equal(r->last.stage, CALL_WRONG_BREAKER);
    assert_int_equal(r->last.other, HALL);
    call_rig_feed(r, 1);
    r->amps[HALL] = 1.0F;
    call_rig_feed(r, 6);
    assert_int_equal(r->last.stage, CALL_OFF); /* the meter sees it back */
    assert_true(call_rig_saw(r, CALL_SAW_OTHER_BACK));
    assert_int_equal(call_rig_say(r, CALL_SAID_IS_OFF), CALL_OK);
}

static void the_wrong_one_at_on_begins_again_at_off(void **state)
{
    struct call_rig *r = *state;
    call_rig_to_off(r, BATH);
    call_rig_say(r, CALL_SAID_IS_OFF);
    call_rig_trip(r, HALL, CAUSE_OPENED_BY_HAND, 0.9, TRIP_PROVISIONAL);
    assert_int_equal(r->last.stage, CALL_WRONG_BREAKER);
    assert_int_equal(call_rig_say(r, CALL_SAID_PUT_BACK), CALL_OK);
    assert_int_equal(r->last.stage, CALL_OFF);
}

static void a_load_that_ends_elsewhere_is_asked_for_and_let_pass(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    call_rig_say(r, CALL_SAID_CLEAR);
    call_rig_say(r, CALL_SAID_TRIPPED);
    r->amps[SHED] = 0.0F; /* in another panel, and nobody is at the handles yet */
    call_rig_say(r, CALL_SAID_LOADS_OFF);
    call_rig_feed(r, 5);
    assert_int_equal(r->last.stage, CALL_OFF);
    r->amps[HALL] = 0.0F;
    call_rig_feed(r, 5);
    assert_int_equal(r->last.stage, CALL_WRONG_BREAKER);
    assert_int_equal(r->last.other, HALL);
    assert_int_equal(call_rig_say(r, CALL_SAID_NOT_ME), CALL_OK);
    call_rig_feed(r, 10);
    assert_int_equal(r->last.stage, CALL_OFF); /* and it is asked once */
}

static void nobody_answers_and_the_cautions_come_back(void **state)
{
    struct call_rig *r = *state;
    call_rig_to_off(r, BATH);
    call_rig_say(r, CALL_SAID_IS_OFF);
    call_rig_feed(r, 290);
    assert_false(r->last.waiting);
    call_rig_feed(r, 20);
    assert_true(r->last.waiting && call_rig_saw(r, CALL_SAW_NOBODY));
    assert_int_equal(r->last.stage, CALL_ON);
    call_rig_feed(r, 1500);
    assert_int_equal(r->last.stage, CALL_CAUTIONS);
    assert_true(call_rig_saw(r, CALL_SAW_PAUSE));
    assert_int_equal(call_rig_say(r, CALL_SAID_CLEAR), CALL_OK);
    assert_int_equal(r->last.stage, CALL_FIND); /* somebody may have been there */
    assert_false(r->last.waiting);
}

static void left_open_overnight_it_goes_on_after_the_loads_came_back(void **state)
{
    struct call_rig *r = *state;
    call_rig_put_on(r, BATH);
    r->amps[BATH] = 3.0F;
    call_rig_feed(r, 10);
    assert_int_equal(call_rig_say(r, CALL_SAID_RUNS), CALL_OK);
    call_rig_restart(r);
    call_rig_feed(r, 9 * 3600);
    assert_int_equal(r->last.stage, CALL_CAUTIONS);
    assert_int_equal(call_rig_say(r, CALL_SAID_CLEAR), CALL_OK);
    assert_int_equal(r->last.stage, CALL_NEXT); /* the breaker is on all the while */
    assert_int_equal(load(r, 0)->outcome, CALL_LOAD_HELD);
    assert_int_equal(r->last.load_count, 1);
    assert_int_equal(call_rig_say(r, CALL_SAID_ALL_BACK), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_RESTORED);
}

/* what runs when the gateway comes back is no load that has just been put on, and the night in
 * which it was away is a night */
static void a_restart_between_two_loads_is_no_load(void **state)
{
    struct call_rig *r = *state;
    call_rig_put_on(r, BATH);
    r->amps[BATH] = 3.0F;
    call_rig_feed(r, 10);
    assert_int_equal(call_rig_say(r, CALL_SAID_RUNS), CALL_OK);
    assert_int_equal(r->last.stage, CALL_NEXT);
    call_rig_restart(r);
    call_rig_feed(r, 60);
    assert_int_equal(r->last.stage, CALL_NEXT);
    assert_int_equal(r->last.load_count, 1);
    r->amps[BATH] = 5.0F; /* and the next one is seen as itself */
    call_rig_feed(r, 10);
    assert_int_equal(r->last.stage, CALL_WATCH);
    call_rig_restart(r);
    call_rig_feed(r, 10);
    assert_near(load(r, 1)->amps, 2.0, 0.01);
    call_rig_restart(r);
    r->second += 9 * 3600; /* it was away all the while */
    call_rig_feed(r, 1);
    assert_int_equal(r->last.stage, CALL_CAUTIONS);
    assert_true(call_rig_saw(r, CALL_SAW_PAUSE));
}

static void a_silent_meter_does_not_hide_a_night(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    call_rig_say(r, CALL_SAID_CLEAR);
    call_rig_say(r, CALL_SAID_TRIPPED);
    r->second += 9 * 3600; /* no frames at all */
    assert_int_equal(call_rig_say(r, CALL_SAID_LOADS_OFF), CALL_ERR_MOVED);
    assert_int_equal(r->last.stage, CALL_CAUTIONS);
}

static void another_phone_takes_it_over_and_reads_the_cautions(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    call_rig_say(r, CALL_SAID_CLEAR);
    call_rig_say(r, CALL_SAID_TRIPPED);
    r->device = "phone-2";
    r->by = "Eli";
    assert_int_equal(call_rig_say(r, CALL_SAID_LOADS_OFF), CALL_ERR_HOLDER);
    assert_int_equal(call_rig_say(r, CALL_SAID_TAKE_OVER), CALL_OK);
    assert_string_equal(r->last.by, "Eli");
    assert_int_equal(r->last.stage, CALL_CAUTIONS);
    assert_int_equal(call_rig_say(r, CALL_SAID_CLEAR), CALL_OK);
    assert_int_equal(r->last.stage, CALL_FIND);
    r->device = "phone-1";
    r->by = "Ada";
    assert_int_equal(call_rig_say(r, CALL_SAID_TRIPPED), CALL_ERR_HOLDER);
}

static void a_lost_reply_is_answered_twice_and_counts_once(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    struct call_say say = {.call = r->id,
                           .question = r->last.question,
                           .answer = CALL_SAID_CLEAR,
                           .by = r->by,
                           .device = r->device,
                           .note = ""};
    assert_int_equal(calls_answer(r->calls, &say, call_rig_now(r)), CALL_OK);
    size_t steps = r->count;
    assert_int_equal(calls_answer(r->calls, &say, call_rig_now(r)), CALL_OK);
    assert_int_equal(r->count, steps);
    assert_int_equal(r->last.stage, CALL_FIND);
    say.question = 77;
    assert_int_equal(calls_answer(r->calls, &say, call_rig_now(r)), CALL_ERR_MOVED);
    say.question = r->last.question;
    say.answer = CALL_SAID_IS_OFF;
    assert_int_equal(calls_answer(r->calls, &say, call_rig_now(r)), CALL_ERR_NOT_ASKED);
}

static void connected_may_be_said_after_the_meter_saw_it(void **state)
{
    struct call_rig *r = *state;
    call_rig_put_on(r, BATH);
    uint32_t question = r->last.question;
    r->amps[BATH] = 5.0F;
    call_rig_feed(r, 5);
    assert_int_equal(r->last.stage, CALL_WATCH);
    struct call_say say = {.call = r->id,
                           .question = question,
                           .answer = CALL_SAID_CONNECTED,
                           .by = r->by,
                           .device = r->device,
                           .note = "the freezer"};
    assert_int_equal(calls_answer(r->calls, &say, call_rig_now(r)), CALL_OK);
    assert_int_equal(r->last.load_count, 1);
    assert_string_equal(load(r, 0)->name, "the freezer");
}

static void a_load_is_measured_beside_its_inrush_and_recognised(void **state)
{
    struct call_rig *r = *state;
    call_rig_put_on(r, BATH);
    assert_int_equal(call_rig_say_with(r, CALL_SAID_CONNECTED, ""), CALL_OK);
    r->amps[BATH] = 11.0F;
    call_rig_feed(r, 1);
    r->amps[BATH] = 1.5F;
    call_rig_feed(r, 10);
    const struct event e = {.type = EVENT_LOAD_ON,
                            .wall_ms = call_rig_now(r),
                            .panel = -1,
                            .circuit = BATH,
                            .load = {.amps = 1.5,
                                     .inrush_amps = 12.0,
                                     .since_wall_ms = call_rig_now(r) - 10000,
                                     .appliance = "refrigerator",
                                     .appliance_probability = 0.8}};
    calls_event(r->calls, &e);
    assert_int_equal(call_rig_say(r, CALL_SAID_RUNS), CALL_OK);
    assert_near(load(r, 0)->amps, 1.5, 0.01);
    assert_near(load(r, 0)->inrush_amps, 12.0, 0.01);
    assert_string_equal(load(r, 0)->appliance, "refrigerator");
}

static void what_is_recognised_afterwards_moves_no_call(void **state)
{
    struct call_rig *r = *state;
    call_rig_put_on(r, BATH);
    assert_int_equal(call_rig_say_with(r, CALL_SAID_CONNECTED, "lamp"), CALL_OK);
    enum call_stage stage = r->last.stage;
    struct event e = {
        .type = EVENT_TRIP, .wall_ms = call_rig_now(r), .panel = -1, .circuit = BATH};
    e.trip = (struct event_trip){.id = "bath-20251231T000000Z",
                                 .stage = TRIP_CONFIRMED,
                                 .probability = 0.97,
                                 .cause = CAUSE_FAULT,
                                 .upstream = TRIP_UPSTREAM_NONE,
                                 .afterwards = true};
    e.trip.causes[CAUSE_FAULT] = 0.9;
    calls_event(r->calls, &e);
    call_rig_feed(r, 1);
    assert_int_equal(r->last.stage, stage);
    assert_false(call_rig_saw(r, CALL_SAW_OPENED));
    e.trip.afterwards = false; /* as one that opens now does */
    calls_event(r->calls, &e);
    call_rig_feed(r, 1);
    assert_true(call_rig_saw(r, CALL_SAW_OPENED));
}

static void a_load_that_draws_nothing_is_said_to(void **state)
{
    struct call_rig *r = *state;
    call_rig_put_on(r, BATH);
    assert_int_equal(call_rig_say_with(r, CALL_SAID_CONNECTED, "the lamp"), CALL_OK);
    call_rig_feed(r, 20);
    assert_int_equal(call_rig_say(r, CALL_SAID_RUNS), CALL_OK);
    assert_int_equal(load(r, 0)->outcome, CALL_LOAD_SILENT);
}

static void current_before_it_was_put_on_means_that_somebody_did(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    r->amps[BATH] = 2.0F;
    call_rig_feed(r, 6);
    assert_true(call_rig_saw(r, CALL_SAW_CURRENT));
    assert_int_equal(r->last.stage, CALL_CAUTIONS); /* which come first all the same */
    assert_int_equal(call_rig_say(r, CALL_SAID_CLEAR), CALL_OK);
    assert_int_equal(r->last.stage, CALL_NEXT);
    assert_int_equal(r->last.resets, 0);
}

static void a_closed_breaker_needs_no_call_and_an_open_one_only_one(void **state)
{
    struct call_rig *r = *state;
    assert_int_equal(call_rig_begin(r, HALL), CALL_ERR_CLOSED);
    assert_int_equal(call_rig_begin(r, BATH), CALL_OK);
    assert_int_equal(call_rig_begin(r, BATH), CALL_ERR_BUSY);
    struct call_say say = {
        .call = "nothing", .answer = CALL_SAID_BEGIN, .by = "Ada", .device = ""};
    char id[EVENT_ID_SIZE];
    assert_int_equal(calls_begin(r->calls, r->frame, &say, call_rig_now(r), id),
                     CALL_ERR_NO_CIRCUIT);
}

static void what_is_published_comes_back_the_same(void **state)
{
    struct call_rig *r = *state;
    call_rig_trip(r, BATH, CAUSE_OVERLOAD, 0.98, TRIP_CONFIRMED);
    call_rig_put_on(r, BATH);
    r->amps[BATH] = 7.25F;
    call_rig_feed(r, 8);
    call_rig_say_with(r, CALL_SAID_RUNS, "the heater");
    json_t *o = call_to_json(&r->site, &r->last);
    struct call back;
    assert_true(call_from_json(&r->site, o, &back));
    json_t *again = call_to_json(&r->site, &back);
    assert_true(json_equal(o, again));
    for (int l = 0; l < CALL_LANGUAGES; l++) {
        json_t *steps = json_array();
        json_t *sheet = call_sheet(&r->site, NULL, (enum call_language)l, o, steps, NULL);
        assert_non_null(sheet);
        assert_true(json_is_object(json_object_get(sheet, "asked")));
        assert_near(json_number_value(json_object_get(sheet, "running_amps")), 7.25, 0.001);
        json_decref(sheet);
        json_decref(steps);
    }
    json_decref(o);
    json_decref(again);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, call_rig_set_up, call_rig_tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_simple_overload_ends_with_the_load_that_is_too_much_left_off),
        TEST(a_shorted_appliance_is_caught_with_its_step),
        TEST(a_fault_between_two_readings_is_caught_by_the_persons_word),
        TEST(what_opens_with_nothing_connected_is_wiring_or_breaker),
        TEST(a_worn_breaker_opens_within_its_rating),
        TEST(what_opens_above_its_rating_opened_by_overload),
        TEST(an_open_feeder_makes_the_call_about_the_feeder),
        TEST(an_electrician_resets_a_feeder),
        TEST(a_feeder_that_is_known_later_moves_the_call_to_it),
        TEST(an_outage_ends_it_before_anybody_goes_to_the_panel),
        TEST(the_wrong_breaker_is_noticed_and_put_back),
        TEST(the_wrong_one_at_on_begins_again_at_off),
        TEST(a_load_that_ends_elsewhere_is_asked_for_and_let_pass),
        TEST(nobody_answers_and_the_cautions_come_back),
        TEST(left_open_overnight_it_goes_on_after_the_loads_came_back),
        TEST(a_restart_between_two_loads_is_no_load),
        TEST(a_silent_meter_does_not_hide_a_night),
        TEST(another_phone_takes_it_over_and_reads_the_cautions),
        TEST(a_lost_reply_is_answered_twice_and_counts_once),
        TEST(connected_may_be_said_after_the_meter_saw_it),
        TEST(a_load_is_measured_beside_its_inrush_and_recognised),
        TEST(what_is_recognised_afterwards_moves_no_call),
        TEST(a_load_that_draws_nothing_is_said_to),
        TEST(current_before_it_was_put_on_means_that_somebody_did),
        TEST(a_closed_breaker_needs_no_call_and_an_open_one_only_one),
        TEST(what_is_published_comes_back_the_same),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
