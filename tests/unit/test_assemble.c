#include "check.h"

#include <stdlib.h>

#include "base/clock.h"
#include "drivers/assemble.h"
#include "drivers/health.h"

#define MOST 16

/* Circuits 0, 1, 2 hang on buses 0, 1, 2, one each; a fourth bus has no meter. */
struct bench {
    struct site site;
    struct assemble *a;
    size_t frames;
    int64_t mono_ms[MOST], wall_ms[MOST];
    float amps[MOST][3];
    struct frame_taken taken[MOST][3];
    uint32_t has;
    int32_t utc_offset_seconds;
};

static void take(void *context, const struct frame *f)
{
    struct bench *b = context;
    assert_true(b->frames < MOST);
    b->mono_ms[b->frames] = f->mono_ms;
    b->wall_ms[b->frames] = f->wall_ms;
    memcpy(b->amps[b->frames], frame_amps(f), sizeof b->amps[0]);
    memcpy(b->taken[b->frames], f->taken, sizeof b->taken[0]);
    b->has = f->has;
    b->utc_offset_seconds = f->utc_offset_seconds;
    b->frames++;
}

static void set_up(struct bench *b, const int poll_ms[3])
{
    *b = (struct bench){0};
    site_init(&b->site);
    site_add_panel(&b->site);
    for (int i = 0; i < 4; i++) {
        struct site_bus *bus = site_add_bus(&b->site);
        bus->poll_ms = i < 3 ? poll_ms[i] : 10;
        if (i == 3)
            break;
        site_add_meter(&b->site)->bus = i;
        struct site_circuit *c = site_add_circuit(&b->site);
        c->panel = 0;
        c->meter = i;
        c->channels[0] = 1;
    }
    site_finish(&b->site);
    b->a = assemble_create(&b->site, 1U << FRAME_AMPS, take, b);
    assert_non_null(b->a);
}

static void tear_down(struct bench *b)
{
    assemble_destroy(b->a);
    site_free(&b->site);
}

static void report(struct bench *b, int bus, int64_t mono_ms, float amps)
{
    struct bus_reading reading = {
        .index = (uint32_t)bus, .value = amps, .taken = {1000 * (bus + 1), 50}};
    struct bus_report r = {.bus = bus,
                           .mono_ms = mono_ms,
                           .wall_ms = mono_ms + 1700000000000,
                           .readings = &reading,
                           .reading_count = amps == amps};
    assemble_report(b->a, &r);
}

static void assert_frame(const struct bench *b, size_t n, int64_t mono_ms, float x, float y,
                         float z)
{
    const float wanted[] = {x, y, z};
    assert_true(n < b->frames);
    assert_int_equal(b->mono_ms[n], mono_ms);
    assert_true(b->wall_ms[n] == mono_ms + 1700000000000);
    for (int i = 0; i < 3; i++)
        if (!(isnan(wanted[i]) ? isnan(b->amps[n][i]) : b->amps[n][i] == wanted[i]))
            fail_msg("frame %zu, circuit %d: %g, wanted %g", n, i, (double)b->amps[n][i],
                     (double)wanted[i]);
}

#define NONE ((float)NAN)

static void each_reading_keeps_when_it_was_taken(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, (const int[]){1000, 1000, 4000});
    report(&b, 2, 4000,
           3.0F); /* slower: goes with the next frame, and was read a second before */
    report(&b, 0, 5000, 1.0F);
    report(&b, 1, 5000, 2.0F);
    assert_int_equal(b.frames, 1);
    assert_int_equal(b.taken[0][0].at_us, 1000);
    assert_int_equal(b.taken[0][1].at_us, 2000);
    assert_int_equal(b.taken[0][2].at_us, 3000 - 1000000);
    assert_int_equal(b.taken[0][2].within_us, 50);
    tear_down(&b);
}

static void a_frame_goes_out_when_every_bus_has_reported(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, (const int[]){1000, 1000, 1000});
    assert_true(assemble_deadline_mono_ms(b.a) == INT64_MAX);
    report(&b, 1, 5000, 2.0F);
    report(&b, 0, 5000, 1.0F);
    assert_int_equal(b.frames, 0);
    report(&b, 2, 5000, 3.0F);
    assert_int_equal(b.frames, 1);
    assert_frame(&b, 0, 5000, 1.0F, 2.0F, 3.0F);
    assert_int_equal(b.has, 1U << FRAME_AMPS);
    assert_true(assemble_deadline_mono_ms(b.a) == INT64_MAX);
    tear_down(&b);
}

static void a_dead_bus_reports_nothing_and_holds_up_nobody(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, (const int[]){1000, 1000, 1000});
    for (int64_t t = 0; t < 3000; t += 1000) {
        report(&b, 0, t, 1.0F);
        report(&b, 1, t, NONE);
        report(&b, 2, t, 3.0F);
    }
    assert_int_equal(b.frames, 3);
    assert_frame(&b, 2, 2000, 1.0F, NONE, 3.0F);
    assert_int_equal(assemble_counters(b.a)->incomplete, 0);
    tear_down(&b);
}

static void a_bus_that_hangs_is_waited_for_a_period_at_most(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, (const int[]){1000, 1000, 1000});
    report(&b, 0, 5000, 1.0F);
    report(&b, 2, 5000, 3.0F);
    assert_int_equal(assemble_deadline_mono_ms(b.a), 6000);
    assemble_time(b.a, 5999);
    assert_int_equal(b.frames, 0);
    assemble_time(b.a, 6000);
    assert_int_equal(b.frames, 1);
    assert_frame(&b, 0, 5000, 1.0F, NONE, 3.0F);
    /* its report comes after all: too late, and no part of the next frame */
    report(&b, 1, 5001, 9.0F); /* nor when its clock was read a moment later */
    report(&b, 0, 6000, 1.5F);
    report(&b, 1, 6000, 2.5F);
    report(&b, 2, 6000, 3.5F);
    assert_int_equal(b.frames, 2);
    assert_frame(&b, 1, 6000, 1.5F, 2.5F, 3.5F);
    assert_int_equal(assemble_counters(b.a)->late, 1);
    assert_int_equal(assemble_counters(b.a)->incomplete, 1);
    tear_down(&b);
}

static void a_later_tick_closes_the_one_before(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, (const int[]){1000, 1000, 1000});
    report(&b, 0, 5000, 1.0F);
    report(&b, 0, 6000, 1.5F);
    assert_int_equal(b.frames, 1);
    assert_frame(&b, 0, 5000, 1.0F, NONE, NONE);
    report(&b, 1, 5000, 9.0F); /* late while a frame is open */
    report(&b, 0, 6000, 8.0F); /* a second report of one bus for one tick */
    report(&b, 1, 6000, 2.5F);
    report(&b, 2, 6000, 3.5F);
    assert_frame(&b, 1, 6000, 1.5F, 2.5F, 3.5F);
    assert_int_equal(assemble_counters(b.a)->late, 2);
    assert_int_equal(assemble_counters(b.a)->frames, 2);
    tear_down(&b);
}

static void a_slower_bus_is_not_waited_for_and_never_late(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, (const int[]){1000, 1000, 5000});
    report(&b, 0, 0, 1.0F);
    report(&b, 1, 0, 2.0F);
    assert_frame(&b, 0, 0, 1.0F, 2.0F, NONE);
    report(&b, 0, 1000, 1.0F);
    report(&b, 2, 0, 3.0F); /* its round took more than a second */
    report(&b, 1, 1000, 2.0F);
    assert_frame(&b, 1, 1000, 1.0F, 2.0F, 3.0F);
    report(&b, 0, 2000, 1.0F);
    report(&b, 1, 2000, 2.0F);
    assert_frame(&b, 2, 2000, 1.0F, 2.0F, NONE); /* delivered once, not repeated */
    report(&b, 2, 5000, 4.0F);                   /* between two frames */
    report(&b, 0, 3000, 1.0F);
    report(&b, 1, 3000, 2.0F);
    assert_frame(&b, 3, 3000, 1.0F, 2.0F, 4.0F);
    assert_int_equal(assemble_counters(b.a)->late, 0);
    tear_down(&b);
}

static void a_reading_outside_the_frame_is_not_written(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, (const int[]){1000, 2000, 2000});
    struct bus_reading reading = {.index = UINT32_MAX, .value = 1.0F};
    struct bus_report r = {.bus = 0, .readings = &reading, .reading_count = 1};
    assemble_report(b.a, &r);
    assert_int_equal(b.frames, 1);
    assert_true(isnan(b.amps[0][0]));
    tear_down(&b);
}

static void the_local_offset_follows_the_zone(void **state)
{
    (void)state;
    struct bench b;
    set_up(&b, (const int[]){1000, 2000, 2000});
    snprintf(b.site.timezone, sizeof b.site.timezone, "America/Chicago");
    assert_true(clock_zone_known("America/Chicago")); /* tzdata is in deploy/packages.txt */
    /* daylight saving time began on 8 March 2026, 08:00 UTC */
    static const struct {
        int64_t wall_ms;
        int32_t offset;
    } rows[] = {
        {1772956799999, -6 * 3600}, {1772956800000, -5 * 3600}, {1772956801000, -5 * 3600}};
    for (int i = 0; i < 3; i++) {
        struct bus_report r = {.bus = 0, .mono_ms = i * 1000, .wall_ms = rows[i].wall_ms};
        assemble_report(b.a, &r);
        assert_int_equal(b.utc_offset_seconds, rows[i].offset);
    }
    tear_down(&b);
}

/* ---- health ---------------------------------------------------------------------------------
 */

static void pauses_double_up_to_four_seconds_or_four_periods(void **state)
{
    (void)state;
    static const struct {
        int64_t period_ms;
        int pauses_ms[6];
    } rows[] = {
        {1000, {1000, 2000, 4000, 4000, 4000, 4000}},
        {100, {250, 500, 1000, 2000, 4000, 4000}},
        {10000, {10000, 20000, 40000, 40000, 40000, 40000}},
        {0, {250, 500, 1000, 2000, 4000, 4000}},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct health h = {0};
        int64_t now = 7000000;
        assert_true(health_due(&h, now));
        for (int k = 0; k < 6; k++) {
            health_fail(&h, 1, now, rows[i].period_ms * 1000);
            assert_int_equal(h.next_try_us - now, (int64_t)rows[i].pauses_ms[k] * 1000);
            assert_true(!health_due(&h, h.next_try_us - 1));
            now = h.next_try_us;
            assert_true(health_due(&h, now));
        }
        assert_int_equal(h.tries, 6);
    }
}

static void a_recovery_tells_how_long_it_took_when_the_failure_was_said(void **state)
{
    (void)state;
    struct health h = {0};
    assert_int_equal(health_recover(&h, 1000000), -1);
    health_fail(&h, 2, 1000000, 1000000);
    assert_int_equal(health_recover(&h, 3000000), -1); /* never said */
    health_fail(&h, 2, 1000000, 1000000);
    health_fail(&h, 1, 2000000, 1000000);
    h.said = true;
    assert_int_equal(health_recover(&h, 36400000), 35);
    assert_true(!h.failing && !h.said && h.tries == 0);
}

static void a_clock_that_is_set_is_noticed_and_changes_no_interval(void **state)
{
    static const struct {
        int64_t step_ms;
        uint64_t steps;
    } rows[] = {{0, 0}, {200, 0}, {-200, 0}, {3600000, 1}, {0, 1}, {-3600500, 2}};
    int64_t ahead_ms = 1700000000000;
    struct bench b;
    (void)state;
    set_up(&b, (const int[]){1000, 5000, 5000});
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        ahead_ms += rows[i].step_ms;
        struct bus_report r = {.bus = 0, .mono_ms = 1000 * (int64_t)i};
        r.wall_ms = r.mono_ms + ahead_ms;
        assemble_report(b.a, &r);
        assert_int_equal(b.frames, i + 1);
        assert_int_equal(b.mono_ms[i], 1000 * i);
        assert_int_equal(assemble_counters(b.a)->clock_steps, rows[i].steps);
    }
    assert_true(assemble_counters(b.a)->last_step_ms == -3600500);
    tear_down(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_clock_that_is_set_is_noticed_and_changes_no_interval),
        cmocka_unit_test(each_reading_keeps_when_it_was_taken),
        cmocka_unit_test(a_frame_goes_out_when_every_bus_has_reported),
        cmocka_unit_test(a_dead_bus_reports_nothing_and_holds_up_nobody),
        cmocka_unit_test(a_bus_that_hangs_is_waited_for_a_period_at_most),
        cmocka_unit_test(a_later_tick_closes_the_one_before),
        cmocka_unit_test(a_slower_bus_is_not_waited_for_and_never_late),
        cmocka_unit_test(a_reading_outside_the_frame_is_not_written),
        cmocka_unit_test(the_local_offset_follows_the_zone),
        cmocka_unit_test(pauses_double_up_to_four_seconds_or_four_periods),
        cmocka_unit_test(a_recovery_tells_how_long_it_took_when_the_failure_was_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
