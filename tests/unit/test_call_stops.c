/* calls: what makes a service call stop, and that nothing leads from a stop to "switch on" */
#include "call_rig.h"

#include "analysis/call_texts.h"

#include <stdio.h>
#include <stdlib.h>

/* ---- the stop rules ---- */

static void every_danger_stops_at_every_stage(void **state)
{
    static const enum call_answer way[] = {CALL_SAID_CLEAR,     CALL_SAID_TRIPPED,
                                           CALL_SAID_LOADS_OFF, CALL_SAID_IS_OFF,
                                           CALL_SAID_HOLDS,     CALL_SAID_CONNECTED};
    (void)state;
    for (int d = CALL_DANGER_HEAT; d < CALL_DANGERS; d++)
        for (size_t so_far = 0; so_far <= sizeof way / sizeof way[0]; so_far++) {
            void *mine;
            call_rig_set_up(&mine);
            struct call_rig *r = mine;
            call_rig_begin(r, BATH);
            for (size_t i = 0; i < so_far; i++)
                assert_int_equal(call_rig_say(r, way[i]), CALL_OK);
            assert_int_equal(call_rig_stop(r, (enum call_danger)d), CALL_OK);
            assert_int_equal(r->last.stage, CALL_ENDED);
            assert_int_equal(r->last.finding, CALL_FOUND_DANGER);
            assert_int_equal(r->last.danger, d);
            assert_int_equal(call_rig_say(r, CALL_SAID_CLEAR), CALL_ERR_NO_CALL);
            call_rig_tear_down(&mine);
        }
}

static void a_danger_must_be_named(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    assert_int_equal(call_rig_stop(r, CALL_DANGER_NONE), CALL_ERR_NO_DANGER);
}

static void stop_is_heard_from_any_phone(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    r->device = "phone-2";
    assert_int_equal(call_rig_stop(r, CALL_DANGER_SMELL), CALL_OK);
}

/* ---- the gate ---- */

static void go_to_loads_off(struct call_rig *r, int circuit)
{
    assert_int_equal(call_rig_begin(r, circuit), CALL_OK);
    assert_int_equal(call_rig_say(r, CALL_SAID_CLEAR), CALL_OK);
    assert_int_equal(call_rig_say(r, CALL_SAID_TRIPPED), CALL_OK);
    assert_int_equal(call_rig_say(r, CALL_SAID_LOADS_OFF), CALL_OK);
}

static void a_likely_fault_is_not_reset_by_an_occupant(void **state)
{
    struct call_rig *r = *state;
    call_rig_trip(r, BATH, CAUSE_FAULT, 0.98, TRIP_CONFIRMED);
    go_to_loads_off(r, BATH);
    assert_int_equal(r->last.finding, CALL_FOUND_FAULT);
}

static void an_electrician_who_has_tested_goes_on(void **state)
{
    struct call_rig *r = *state;
    call_rig_trip(r, BATH, CAUSE_FAULT, 0.98, TRIP_CONFIRMED);
    r->as = CALL_AS_ELECTRICIAN;
    go_to_loads_off(r, BATH);
    assert_int_equal(r->last.stage, CALL_OFF);
}

static void a_worn_breaker_stays_off(void **state)
{
    struct call_rig *r = *state;
    call_rig_trip(r, BATH, CAUSE_WORN_BREAKER, 0.98, TRIP_CONFIRMED);
    go_to_loads_off(r, BATH);
    assert_int_equal(r->last.finding, CALL_FOUND_WORN);
}

static void an_open_neutral_stays_off(void **state)
{
    struct call_rig *r = *state;
    alarms_judge(r->alarms, 6000, call_rig_now(r),
                 &(struct alarm_judgement){.kind = ALARM_OPEN_NEUTRAL,
                                           .subject = {0, -1, -1},
                                           .stands = true,
                                           .priority = PRIORITY_URGENT,
                                           .text = "x"});
    go_to_loads_off(r, BATH);
    assert_int_equal(r->last.finding, CALL_FOUND_NEUTRAL);
}

static void a_tenant_only_unplugs(void **state)
{
    struct call_rig *r = *state;
    r->rules.circuits[BATH].call_occupant_resets = 0.0;
    go_to_loads_off(r, BATH);
    assert_int_equal(r->last.finding, CALL_FOUND_MAY_NOT);
}

static void whoever_may_not_is_not_sent_to_the_panel(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    assert_int_equal(call_rig_say(r, CALL_SAID_MAY_NOT), CALL_OK);
    assert_int_equal(r->last.stage, CALL_LOADS_OFF);
    assert_int_equal(call_rig_say(r, CALL_SAID_LOADS_OFF), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_MAY_NOT);
}

static void somebody_who_works_on_it_is_left_in_peace(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    call_rig_say(r, CALL_SAID_CLEAR);
    assert_int_equal(call_rig_say(r, CALL_SAID_AT_OFF), CALL_OK);
    assert_int_equal(r->last.stage, CALL_BY_HAND);
    assert_int_equal(call_rig_say(r, CALL_SAID_SOMEBODY), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_BY_HAND);
}

static void a_handle_at_on_without_current_is_no_reset(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    call_rig_say(r, CALL_SAID_CLEAR);
    assert_int_equal(call_rig_say(r, CALL_SAID_AT_ON), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_DEAD_THOUGH_ON);
}

static void a_stop_is_remembered_over_a_restart_until_the_circuit_holds(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    call_rig_stop(r, CALL_DANGER_HEAT);
    call_rig_restart(r);
    go_to_loads_off(r, BATH);
    assert_int_equal(r->last.finding, CALL_FOUND_STOPPED_BEFORE);
    r->amps[BATH] = 5.0F;
    call_rig_feed(r, (int)CALLS_MENDED_SECONDS + 5);
    r->amps[BATH] = 0.0F;
    call_rig_feed(r, 5);
    go_to_loads_off(r, BATH);
    assert_int_equal(r->last.stage, CALL_OFF);
}

static void an_electrician_lifts_the_stop(void **state)
{
    struct call_rig *r = *state;
    call_rig_begin(r, BATH);
    call_rig_stop(r, CALL_DANGER_HEAT);
    r->as = CALL_AS_ELECTRICIAN;
    call_rig_put_on(r, BATH);
    assert_int_equal(call_rig_say(r, CALL_SAID_ALL_BACK), CALL_OK);
    r->as = CALL_AS_OCCUPANT;
    go_to_loads_off(r, BATH);
    assert_int_equal(r->last.stage, CALL_OFF);
}

static void an_occupant_who_takes_over_from_an_electrician_meets_the_gate(void **state)
{
    struct call_rig *r = *state;
    call_rig_trip(r, BATH, CAUSE_FAULT, 0.98, TRIP_CONFIRMED);
    r->as = CALL_AS_ELECTRICIAN;
    go_to_loads_off(r, BATH);
    assert_int_equal(r->last.stage, CALL_OFF);
    r->as = CALL_AS_OCCUPANT;
    r->device = "phone-2";
    assert_int_equal(call_rig_say(r, CALL_SAID_TAKE_OVER), CALL_OK);
    assert_int_equal(call_rig_say(r, CALL_SAID_CLEAR), CALL_OK);
    assert_int_equal(call_rig_say(r, CALL_SAID_AT_ON), CALL_OK);
    assert_int_equal(r->last.finding, CALL_FOUND_FAULT);
}

static void nobody_answers_as_the_electrician_but_the_electrician(void **state)
{
    struct call_rig *r = *state;
    r->as = CALL_AS_ELECTRICIAN;
    call_rig_begin(r, BATH);
    r->as = CALL_AS_OCCUPANT; /* with the device's name copied */
    assert_int_equal(call_rig_say(r, CALL_SAID_CLEAR), CALL_ERR_HOLDER);
}

/* ---- no sequence of answers ---- */

static uint64_t next_random(uint64_t *x)
{
    *x ^= *x << 13; /* xorshift64 (Marsaglia, 2003) */
    *x ^= *x >> 7;
    *x ^= *x << 17;
    return *x;
}

static bool is_switching_on(enum call_stage s)
{
    return s == CALL_OFF || s == CALL_ON;
}

/* what the occupants have said since the cautions were asked last, and whether a stop stands */
struct witness {
    bool clear, loads_off;
    bool barred[CALL_RIG_CIRCUITS];
    int on, stopped; /* how often either was seen: the dice must reach both */
};

static void look(const struct call_rig *r, struct witness *w, enum call_answer said)
{
    if (said == CALL_SAID_CLEAR)
        w->clear = true;
    if (said == CALL_SAID_LOADS_OFF)
        w->loads_off = true;
    if (is_switching_on(r->last.stage)) {
        assert_true(w->clear);
        assert_true(w->loads_off);
        assert_false(w->barred[r->last.circuit]);
        w->on++;
    }
    if (r->last.stage == CALL_CAUTIONS)
        w->clear = false;
    w->barred[r->last.circuit] |=
        r->last.stage == CALL_ENDED && call_finding_bars(r->last.finding);
    w->stopped += w->barred[r->last.circuit];
}

/* anything a person can say, and anything the meter can see but a quarter of an hour of current
 */
static void one_house(uint64_t seed, int *on, int *stopped)
{
    void *state;
    uint64_t x = seed;
    call_rig_set_up(&state);
    struct call_rig *r = state;
    struct witness w = {0};
    for (int i = 0; i < 60 && r->count + 60 < CALL_RIG_STEPS; i++) {
        uint64_t dice = next_random(&x);
        enum call_answer choices[CALL_MOST_CHOICES], said = CALL_SAID_NOTHING;
        const struct call *open = calls_open(r->calls, 0);
        r->device = dice >> 40 & 7 ? "phone-1" : "phone-2";
        r->amps[BATH] = (dice >> 20 & 15) == 0 ? (float)(dice >> 50 & 31) : 0.0F;
        call_rig_feed(r, 1 + (int)(dice >> 16 & 7));
        look(r, &w, said);
        if (!open) {
            call_rig_begin(r, BATH);
            w.clear = w.loads_off = false;
        } else if (dice & 15) {
            size_t n = call_choices(open->stage, choices);
            said = n ? choices[(dice >> 4) % n] : CALL_SAID_END;
            if ((dice >> 60) == 0)
                said = (enum call_answer)(CALL_SAID_CLEAR +
                                          (dice >> 8) % (CALL_ANSWERS - CALL_SAID_CLEAR));
            if (call_rig_say(r, said) != CALL_OK)
                said = CALL_SAID_NOTHING;
        } else if (dice >> 8 & 1) {
            call_rig_stop(r, (enum call_danger)(1 + (dice >> 9) % (CALL_DANGERS - 1)));
        } else {
            call_rig_trip(r, BATH, (enum trip_cause)((dice >> 9) % CAUSE_COUNT),
                          (double)(dice >> 56) / 256.0, (enum trip_stage)((dice >> 13) % 3));
        }
        look(r, &w, said);
    }
    *on += w.on;
    *stopped += w.stopped;
    call_rig_tear_down(&state);
}

static void no_answers_lead_from_a_stop_to_switching_on(void **state)
{
    int on = 0, stopped = 0;
    (void)state;
    for (uint64_t seed = 1; seed <= 20000; seed++)
        one_house(seed * UINT64_C(0x9E3779B97F4A7C15), &on, &stopped);
    assert_true(on > 10000 && stopped > 10000);
}

/* ---- the words ---- */

static bool says(const char *text, const char *what)
{
    return strstr(text, what) != NULL;
}

static void whatever_stops_says_leave_it_off_and_whom_to_call(void **state)
{
    static const char *const electrician[] = {"licensed electrician",
                                              "electricista con licencia"};
    static const char *const cover[] = {"never its cover", "nunca su tapa"};
    static const char *const device[] = {"no protective device",
                                         "no es un dispositivo de protección"};
    static const char *const codes[] = {"Local codes", "códigos locales"};
    struct call_rig *r = *state;
    struct call c = {.circuit = BATH, .other = HALL, .stage = CALL_ENDED, .peak_amps = 3.0};
    for (int l = 0; l < CALL_LANGUAGES; l++) {
        struct text all = TEXT_INIT;
        const char *const *cautions = call_texts_cautions((enum call_language)l);
        for (size_t i = 0; i < CALL_MOST_CAUTIONS && cautions[i]; i++)
            text_append(&all, cautions[i]);
        assert_true(says(text_get(&all), electrician[l]) && says(text_get(&all), cover[l]));
        assert_true(says(text_get(&all), device[l]) && says(text_get(&all), codes[l]));
        text_free(&all);
        for (int f = CALL_FOUND_RESTORED; f < CALL_FINDINGS; f++) {
            struct text found = TEXT_INIT, act = TEXT_INIT;
            c.finding = (enum call_finding)f;
            call_texts_found(&r->site, NULL, &c, (enum call_language)l, &found, &act);
            assert_true(found.length > 20 && act.length > 20);
            assert_true(!says(text_get(&found), "{") && !says(text_get(&act), "{"));
            if (call_finding_stops(c.finding))
                assert_true(says(text_get(&act), electrician[l]));
            text_free(&found);
            text_free(&act);
        }
    }
}

/* An appliance is called as in the letters and on the page, in the reader's language. */
static void appliances_are_called_in_the_readers_language(void **state)
{
    struct call_rig *r = *state;
    struct phrases p = {.count = 1, .languages = {{.code = "es"}}};
    struct call c = {.circuit = BATH,
                     .other = -1,
                     .stage = CALL_ENDED,
                     .load_count = 1,
                     .finding = CALL_FOUND_APPLIANCE};
    snprintf(c.loads[0].appliance, sizeof c.loads[0].appliance, "hair_dryer");
    assert_true(phrases_name_appliance(&p.languages[0], "hair_dryer", "secador de pelo"));
    static const char *const want[CALL_LANGUAGES] = {"hair dryer", "secador de pelo"};
    for (int l = 0; l < CALL_LANGUAGES; l++) {
        struct text found = TEXT_INIT, act = TEXT_INIT;
        call_texts_found(&r->site, &p, &c, (enum call_language)l, &found, &act);
        assert_true(says(text_get(&found), want[l]) || says(text_get(&act), want[l]));
        text_free(&found);
        text_free(&act);
    }
    phrases_free(&p);
}

static void every_question_has_its_words_and_says_who_may(void **state)
{
    struct call_rig *r = *state;
    for (int l = 0; l < CALL_LANGUAGES; l++)
        for (int st = 0; st < CALL_ENDED; st++) {
            struct call c = {.circuit = BATH, .other = HALL, .stage = (enum call_stage)st};
            struct text title = TEXT_INIT, text = TEXT_INIT;
            enum call_answer choices[CALL_MOST_CHOICES];
            call_texts_asked(&r->site, NULL, &c, (enum call_language)l, &title, &text);
            assert_true(title.length > 3 && text.length > 20 && !says(text_get(&text), "{"));
            size_t n = call_choices(c.stage, choices);
            assert_true(n > 0);
            for (size_t i = 0; i < n; i++)
                assert_true(*call_texts_answer(c.stage, choices[i], (enum call_language)l));
            text_free(&title);
            text_free(&text);
        }
    struct call c = {.circuit = BATH, .stage = CALL_ON};
    assert_int_equal(call_texts_who(&r->site, &c), CALL_ADULT);
    c.circuit = FEEDER;
    assert_int_equal(call_texts_who(&r->site, &c), CALL_ELECTRICIAN);
}

static void a_damaged_state_is_refused_and_never_half_taken(void **state)
{
    struct call_rig *r = *state;
    call_rig_put_on(r, BATH);
    call_rig_say_with(r, CALL_SAID_CONNECTED, "the lamp");
    struct codec_out out = {0};
    calls_save(r->calls, &out);
    for (size_t cut = 1; cut < out.length; cut++) {
        struct calls *c = calls_create(&r->site, &r->rules, r->alarms, NULL, NULL);
        struct codec_in in = {.at = out.bytes, .end = out.bytes + cut};
        calls_load(c, &in);
        calls_destroy(c);
    }
    codec_out_free(&out);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, call_rig_set_up, call_rig_tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_danger_stops_at_every_stage),
        TEST(a_danger_must_be_named),
        TEST(stop_is_heard_from_any_phone),
        TEST(a_likely_fault_is_not_reset_by_an_occupant),
        TEST(an_electrician_who_has_tested_goes_on),
        TEST(a_worn_breaker_stays_off),
        TEST(an_open_neutral_stays_off),
        TEST(a_tenant_only_unplugs),
        TEST(whoever_may_not_is_not_sent_to_the_panel),
        TEST(somebody_who_works_on_it_is_left_in_peace),
        TEST(a_handle_at_on_without_current_is_no_reset),
        TEST(a_stop_is_remembered_over_a_restart_until_the_circuit_holds),
        TEST(an_electrician_lifts_the_stop),
        TEST(an_occupant_who_takes_over_from_an_electrician_meets_the_gate),
        TEST(nobody_answers_as_the_electrician_but_the_electrician),
        cmocka_unit_test(no_answers_lead_from_a_stop_to_switching_on),
        TEST(whatever_stops_says_leave_it_off_and_whom_to_call),
        TEST(appliances_are_called_in_the_readers_language),
        TEST(every_question_has_its_words_and_says_who_may),
        TEST(a_damaged_state_is_refused_and_never_half_taken),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
