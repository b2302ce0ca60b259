/* loads: what is on, from readings to load_on and load_off */
#include "check.h"

#include "analysis/loads.h"

#include <stdlib.h>

#define MAX_EVENTS 64

struct bench {
    struct site site;
    struct rules_set rules;
    struct signature_set signatures; /* none */
    struct frame *frame;
    struct loads *loads;
    struct event events[MAX_EVENTS];
    size_t count;
};

static void note(void *context, const struct event *e)
{
    struct bench *b = context;
    assert_true(b->count < MAX_EVENTS);
    b->events[b->count++] = *e;
}

static int set_up(void **state)
{
    struct bench *b = calloc(1, sizeof *b);
    site_init(&b->site);
    b->site.nominal_volts = 230;
    strcpy(site_add_panel(&b->site)->id, "main");
    struct site_circuit *c = site_add_circuit(&b->site);
    strcpy(c->id, "main-01");
    c->panel = 0;
    c->poles = 1;
    c->breaker_amps = 16;
    site_finish(&b->site);
    assert_true(rules_set_init(&b->rules, &b->site));
    b->frame = frame_create(&b->site);
    b->frame->mono_ms = 5000;
    b->frame->wall_ms = 1767225600000;
    b->loads = loads_create(&b->site, &b->rules, &b->signatures, note, b);
    *state = b;
    return 0;
}

static int tear_down(void **state)
{
    struct bench *b = *state;
    loads_destroy(b->loads);
    frame_destroy(b->frame);
    rules_set_free(&b->rules);
    site_free(&b->site);
    free(b);
    return 0;
}

/* the same reading for so many seconds */
static void hold(struct bench *b, double amps, int seconds)
{
    for (int i = 0; i < seconds; i++) {
        b->frame->values[0] = (float)amps;
        loads_step(b->loads, b->frame, NULL);
        b->frame->mono_ms += 1000;
        b->frame->wall_ms += 1000;
    }
}

static void a_load_that_comes_and_goes_is_one_run(void **state)
{
    struct bench *b = *state;
    hold(b, 0.3, 60);
    hold(b, 9.0, 120);
    hold(b, 0.3, 90);
    assert_int_equal(b->count, 2);
    assert_int_equal(b->events[0].type, EVENT_LOAD_ON);
    assert_near(b->events[0].load.amps, 8.7, 0.02);
    assert_int_equal(b->events[0].wall_ms, 1767225600000 + 60000);
    assert_int_equal(b->events[1].type, EVENT_LOAD_OFF);
    assert_int_equal(b->events[1].load.run, b->events[0].load.run);
    assert_near(b->events[1].load.seconds, 120, 0.001);
}

static void overlapping_loads_are_told_apart_by_size(void **state)
{
    struct bench *b = *state;
    hold(b, 0, 30);
    hold(b, 2, 30);
    hold(b, 10, 30);
    struct event_load on[LOADS_MAX_RUNNING];
    assert_int_equal(loads_running(b->loads, 0, on), 2);
    assert_near(on[0].amps, 8, 0.02);
    assert_near(on[1].amps, 2, 0.02);
    hold(b, 8, 90);
    assert_int_equal(loads_running(b->loads, 0, on), 1);
    assert_near(on[0].amps, 8, 0.02);
    assert_near(b->events[2].load.amps, 2, 0.02);
}

static void a_load_one_poll_old_is_already_listed(void **state)
{
    struct bench *b = *state;
    hold(b, 1, 60);
    hold(b, 11, 1);
    struct event_load on[LOADS_MAX_RUNNING];
    assert_int_equal(loads_running(b->loads, 0, on), 2);
    assert_near(on[0].amps, 10, 0.02);
    assert_string_equal(on[1].appliance, LOADS_STANDING);
}

/* ---- properties over an invented day: a fridge, a thermostat, a kettle, noise, lost polls
 * ------ */

struct day {
    uint32_t seed;
    double fridge, heater, kettle;
    int left[3];
};

static uint32_t next_random(struct day *d)
{
    d->seed = d->seed * 1664525U + 1013904223U;
    return d->seed >> 8;
}

static double next_amps(struct day *d, int second)
{
    double noise = (next_random(d) % 41) / 1000.0 - 0.02;
    if (d->left[0]-- <= 0) {
        d->fridge = d->fridge > 0 ? 0 : 0.6;
        d->left[0] = 700 + (int)(next_random(d) % 400);
    }
    if (d->left[1]-- <= 0) {
        d->heater = d->heater > 0 ? 0 : 7.5;
        d->left[1] = 300 + (int)(next_random(d) % 900);
    }
    if (d->left[2]-- <= 0) {
        d->kettle = d->kettle > 0 ? 0 : 8.9;
        d->left[2] = d->kettle > 0 ? 150 : 3000 + (int)(next_random(d) % 4000);
    }
    if (second % 977 == 0)
        return NAN;
    return round(100 * fmax(0, 0.12 + d->fridge + d->heater + d->kettle + noise)) / 100;
}

static void step_once(struct bench *b, double amps)
{
    b->frame->values[0] = (float)amps;
    loads_step(b->loads, b->frame, NULL);
    b->frame->mono_ms += 1000;
    b->frame->wall_ms += 1000;
}

static void what_runs_adds_up_to_the_reading(void **state)
{
    struct bench *b = *state;
    struct day d = {.seed = 7};
    size_t far = 0, all = 0;
    for (int t = 0; t < 20000; t++) {
        double amps = next_amps(&d, t), sum = 0;
        struct event_load on[LOADS_MAX_RUNNING];
        b->count = 0;
        step_once(b, amps);
        if (isnan(amps) || t < 60)
            continue;
        size_t n = loads_running(b->loads, 0, on);
        for (size_t k = 0; k < n; k++)
            sum += on[k].amps;
        all++;
        far += fabs(sum + loads_rest_amps(b->loads, 0) - amps) > 1e-3;
        assert_true(sum <=
                    amps + 9.5); /* nothing is listed that could not flow, save in a fall */
    }
    assert_true(all > 19000);
    assert_true(far < all / 50);
}

static void no_run_ends_before_it_begins(void **state)
{
    struct bench *b = *state;
    struct day d = {.seed = 3};
    size_t offs = 0;
    for (int t = 0; t < 40000; t++) {
        b->count = 0;
        step_once(b, next_amps(&d, t));
        for (size_t k = 0; k < b->count; k++) {
            const struct event *e = &b->events[k];
            assert_int_equal(e->load.run / 1000, e->load.since_wall_ms);
            assert_true(e->wall_ms <= b->frame->wall_ms);
            assert_true(e->wall_ms >= e->load.since_wall_ms);
            assert_true(e->load.seconds >= 0 && e->load.amps > 0);
            offs += e->type == EVENT_LOAD_OFF;
        }
    }
    assert_true(offs > 20);
}

/* Plays a day and adds up its events; saved and loaded into a fresh object every so many
 * seconds (0: never), on a clock that is ahead by so much. */
static uint64_t play(struct bench *b, int pieces, int64_t ahead_ms)
{
    struct day d = {.seed = 11};
    uint64_t sum = 14695981039346656037ULL;
    int64_t begun_wall_ms = b->frame->wall_ms, begun_mono_ms = b->frame->mono_ms;
    b->frame->wall_ms += ahead_ms;
    for (int t = 0; t < 30000; t++) {
        b->count = 0;
        step_once(b, next_amps(&d, t));
        for (size_t k = 0; k < b->count; k++) {
            const struct event *e = &b->events[k];
            sum = (sum ^ (uint64_t)(e->wall_ms - ahead_ms)) * 1099511628211ULL;
            sum = (sum ^ (uint64_t)(e->load.run - ahead_ms * 1000)) * 1099511628211ULL;
            sum = (sum ^ (uint64_t)llround(e->load.amps * 1e4)) * 1099511628211ULL;
            sum = (sum ^ (uint64_t)llround(e->load.seconds * 1e3)) * 1099511628211ULL;
        }
        if (pieces && t % pieces == pieces - 1) {
            struct codec_out out = {0};
            loads_save(b->loads, &out);
            loads_destroy(b->loads);
            b->loads = loads_create(&b->site, &b->rules, &b->signatures, note, b);
            struct codec_in in = {out.bytes, out.bytes + out.length, false};
            assert_true(loads_load(b->loads, &in));
            codec_out_free(&out);
        }
    }
    loads_destroy(b->loads);
    b->loads = loads_create(&b->site, &b->rules, &b->signatures, note, b);
    b->frame->wall_ms = begun_wall_ms;
    b->frame->mono_ms = begun_mono_ms;
    return sum;
}

static void pieces_give_what_the_whole_gives(void **state)
{
    uint64_t whole = play(*state, 0, 0);
    assert_true(play(*state, 997, 0) == whole);
    assert_true(play(*state, 61, 0) == whole);
}

static void a_shifted_clock_shifts_the_answer(void **state)
{
    assert_true(play(*state, 0, 86400000) == play(*state, 0, 0));
}

static void a_damaged_state_leaves_nothing_behind(void **state)
{
    struct bench *b = *state;
    hold(b, 1, 60);
    hold(b, 9, 60);
    struct codec_out out = {0};
    loads_save(b->loads, &out);
    for (size_t cut = 0; cut < out.length; cut += 97) {
        struct loads *fresh = loads_create(&b->site, &b->rules, &b->signatures, note, b);
        struct codec_in in = {out.bytes, out.bytes + cut, false};
        struct event_load on[LOADS_MAX_RUNNING];
        if (!loads_load(fresh, &in))
            assert_int_equal(loads_running(fresh, 0, on), 0);
        loads_destroy(fresh);
    }
    codec_out_free(&out);
}

static void a_named_load_lends_its_name_to_the_next_run(void **state)
{
    struct bench *b = *state;
    hold(b, 0.2, 60);
    for (int i = 0; i < 4; i++) {
        hold(b, 7.2, 200);
        hold(b, 0.2, 600);
    }
    struct loads_known known[LOADS_MAX_KNOWN];
    assert_int_equal(loads_known(b->loads, 0, known), 1);
    assert_near(known[0].amps, 7.0, 0.05);
    assert_near(known[0].runs, 4, 0.01);
    assert_false(loads_name(b->loads, 0, known[0].id + 1, "Laminator"));
    assert_false(loads_name(b->loads, 0, known[0].id, "two\nlines"));
    assert_true(loads_name(b->loads, 0, known[0].id, "Laminator"));
    hold(b, 7.2, 200);
    hold(b, 0.2, 100);
    assert_string_equal(b->events[b->count - 1].load.appliance, "Laminator");
}

/* However much is seen of a circuit, what is kept of it stays within 64 KiB. */
static void what_is_kept_of_a_circuit_is_bounded(void **state)
{
    struct bench *b = *state;
    struct loads_known known[LOADS_MAX_KNOWN];
    struct codec_out early = {0}, late = {0};
    loads_save(b->loads, &early);
    for (int i = 0; i < 60;
         i++) { /* loads of sixty sizes, and names for as many as there are */
        hold(b, 0.5 + 0.2 * i, 100);
        hold(b, 0, 100);
        size_t n = loads_known(b->loads, 0, known);
        assert_in_range(n, 0, LOADS_MAX_KNOWN);
        if (n > 0)
            assert_true(loads_name(b->loads, 0, known[0].id, "A name as long as any may be"));
        b->count = 0;
    }
    loads_save(b->loads, &late);
    assert_true(early.length > 0 && late.length <= 64 * 1024);
    codec_out_free(&early);
    codec_out_free(&late);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_load_that_comes_and_goes_is_one_run, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(overlapping_loads_are_told_apart_by_size, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_load_one_poll_old_is_already_listed, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(what_is_kept_of_a_circuit_is_bounded, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(what_runs_adds_up_to_the_reading, set_up, tear_down),
        cmocka_unit_test_setup_teardown(no_run_ends_before_it_begins, set_up, tear_down),
        cmocka_unit_test_setup_teardown(pieces_give_what_the_whole_gives, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_shifted_clock_shifts_the_answer, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_damaged_state_leaves_nothing_behind, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_named_load_lends_its_name_to_the_next_run, set_up,
                                        tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
