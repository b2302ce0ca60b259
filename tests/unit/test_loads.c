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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_load_that_comes_and_goes_is_one_run, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(overlapping_loads_are_told_apart_by_size, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_load_one_poll_old_is_already_listed, set_up,
                                        tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
