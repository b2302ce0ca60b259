/* The bus with its thread. */
#include "check.h"

#include <sched.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <unistd.h>

#include "base/clock.h"
#include "base/log.h"
#include "base/queue.h"
#include "base/text.h"
#include "bus_rig.h"
#include "drivers/bus_tick.h"
#include "fake_meter.h"

static void into_queue(void *context, struct bus_report *report)
{
    if (!queue_push(context, report))
        bus_report_free(report);
}

static struct bus_report *pop(struct queue *q)
{
    struct bus_report *r = queue_pop(q, 20000);
    assert_non_null(r);
    return r;
}

static struct bus *start(struct bus_rig *b, struct queue *q, int64_t origin_us)
{
    char why[256] = "";
    struct bus_options o = {.site = &b->site,
                            .maps = &b->maps,
                            .bus = 0,
                            .only_meter = -1,
                            .origin_mono_us = origin_us,
                            .deliver = into_queue,
                            .context = q};
    struct bus *bus = bus_start(&o, why, sizeof why);
    if (!bus)
        fail_msg("%s", why);
    return bus;
}

static void stop(struct bus *bus, struct queue *q)
{
    bus_stop(bus);
    for (struct bus_report *r; (r = queue_pop(q, 0)) != NULL;)
        bus_report_free(r);
    queue_destroy(q);
}

static void ticks_lie_on_the_grid_of_their_origin(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up_live(true, 400);
    struct queue *q = queue_create(64);
    b->site.buses[0].poll_ms = 100;
    int64_t origin_us = bus_origin_us();
    struct bus *bus = start(b, q, origin_us);
    uint64_t last = 0;
    for (int i = 0; i < 10; i++) {
        struct bus_report *r = pop(q);
        assert_true(i == 0 || r->tick > last); /* a loaded machine may miss some */
        last = r->tick;
        assert_int_equal(r->mono_ms, (origin_us + (int64_t)r->tick * 100000) / 1000);
        bus_report_free(r);
    }
    struct bus_counters c;
    bus_counters(bus, &c);
    assert_true(c.ticks >= 10 && c.reads <= c.ticks * BUS_UNITS && c.answers <= c.reads);
    assert_true(c.connects >= 1);
    assert_int_equal(bus_has(bus), 1U << FRAME_AMPS | 1U << FRAME_WATTS);
    stop(bus, q);
    bus_rig_down(b);
}

static void oversleep(void *context, struct bus_report *report)
{
    struct queue *q = context;
    if (report->tick < 504) /* what came of the first tick kept the thread for four periods */
        clock_sleep_until_us(clock_mono_us() + 200000);
    into_queue(q, report);
}

static void ticks_that_passed_are_missed_and_not_made_up_for(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up_live(true, 400);
    struct queue *q = queue_create(64);
    char why[256];
    b->site.buses[0].poll_ms = 50;
    /* the origin lies 500 periods back: the count is taken up where it should be */
    struct bus_options o = {.site = &b->site,
                            .maps = &b->maps,
                            .only_meter = -1,
                            .origin_mono_us = clock_mono_us() - 500 * 50000 + 20000,
                            .deliver = oversleep,
                            .context = q};
    struct bus *bus = bus_start(&o, why, sizeof why);
    assert_non_null(bus);
    uint64_t first = 0, last = 0;
    for (int i = 0; i < 3; i++) {
        struct bus_report *r = pop(q);
        assert_true(i > 0 ? r->tick > last : r->tick >= 500);
        if (i == 0)
            first = r->tick; /* 500, on a loaded machine a little later */
        if (i == 1 && first < 504)
            assert_true(r->tick >= first + 3);
        last = r->tick;
        bus_report_free(r);
    }
    struct bus_counters c;
    bus_counters(bus, &c);
    assert_true(c.ticks + c.missed + first >= last);
    stop(bus, q);
    bus_rig_down(b);
}

static void take_policy(void *context, struct bus_report *report)
{
    struct queue *q = context;
    report->tick = (uint64_t)sched_getscheduler(0);
    into_queue(q, report);
}

static void its_thread_goes_before_others_only_where_that_was_granted(void **state)
{
    struct rlimit before;
    (void)state;
    assert_int_equal(getrlimit(RLIMIT_RTPRIO, &before), 0);
    for (rlim_t most = 0; most < 2; most++) {
        struct bus_rig *b = bus_rig_up_live(true, 400);
        struct queue *q = queue_create(64);
        char why[256];
        if (setrlimit(
                RLIMIT_RTPRIO,
                &(struct rlimit){most, before.rlim_max > most ? before.rlim_max : most}) != 0) {
            queue_destroy(q);
            bus_rig_down(b);
            print_message("this user may not grant real-time priority: only that it is not "
                          "taken was looked at\n");
            break;
        }
        struct bus_options o = {.site = &b->site,
                                .maps = &b->maps,
                                .only_meter = -1,
                                .origin_mono_us = bus_origin_us(),
                                .deliver = take_policy,
                                .context = q};
        struct bus *bus = bus_start(&o, why, sizeof why);
        assert_non_null(bus);
        struct bus_report *r = pop(q);
        assert_int_equal(r->tick, most ? SCHED_RR : SCHED_OTHER);
        bus_report_free(r);
        stop(bus, q);
        bus_rig_down(b);
    }
    setrlimit(RLIMIT_RTPRIO, &before);
}

static void without_a_period_it_polls_flat_out(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up_live(true, 400);
    struct queue *q = queue_create(4);
    b->site.buses[0].poll_ms = 0;
    struct bus *bus = start(b, q, 0);
    struct bus_counters c = {0};
    while (c.ticks <
           500) { /* more than the queue holds: what is over is dropped, not waited for */
        bus_report_free(queue_pop(q, 1));
        bus_counters(bus, &c);
    }
    assert_int_equal(c.answers, c.ticks * BUS_UNITS);
    stop(bus, q);
    bus_rig_down(b);
}

static void it_stops_while_a_meter_is_waited_for(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct bus_rig *b =
            bus_rig_up_live(tcp, 60000); /* waiting it out would run into the test's limit */
        struct queue *q = queue_create(4);
        b->site.buses[0].poll_ms = 0;
        fake_meter_silence(b->fake, 1, true);
        struct bus *bus = start(b, q, 0);
        while (fake_meter_requests(b->fake) == 0)
            clock_sleep_until_us(clock_mono_us() + 1000);
        stop(bus, q);
        bus_rig_down(b);
    }
}

static void it_stops_while_it_waits_for_its_next_tick(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up_live(true, 400);
    struct queue *q = queue_create(4);
    struct bus *bus = start(b, q, clock_mono_us() + INT64_C(3600000000));
    stop(bus, q);
    bus_stop(NULL);
    bus_rig_down(b);
}

static void what_cannot_be_planned_is_refused_with_a_sentence(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up_live(true, 400);
    char why[256] = "";
    struct bus_options o = {.site = &b->site, .maps = &b->maps, .only_meter = -1};
    snprintf(b->site.meters[1].map, SITE_ID_SIZE, "five");
    assert_null(bus_start(&o, why, sizeof why));
    assert_string_equal(why, "meter m2: there is no register map \"five\"");
    snprintf(b->site.meters[1].map, SITE_ID_SIZE, "four");
    b->maps.maps[0].points[1].address = 65535;
    assert_null(bus_start(&o, why, sizeof why));
    assert_string_equal(why,
                        "meter m1, register map \"four\": a point of the register map lies "
                        "outside 0..65535 or does not fit into one read");
    snprintf(b->site.buses[0].device, SITE_PATH_SIZE, "/dev/null");
    b->site.buses[0].baud = 12345;
    assert_null(bus_start(&o, why, sizeof why));
    assert_string_equal(why, "bus line: a serial line has no speed of 12345 bit/s");
    bus_rig_down(b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ticks_lie_on_the_grid_of_their_origin),
        cmocka_unit_test(ticks_that_passed_are_missed_and_not_made_up_for),
        cmocka_unit_test(its_thread_goes_before_others_only_where_that_was_granted),
        cmocka_unit_test(without_a_period_it_polls_flat_out),
        cmocka_unit_test(it_stops_while_a_meter_is_waited_for),
        cmocka_unit_test(it_stops_while_it_waits_for_its_next_tick),
        cmocka_unit_test(what_cannot_be_planned_is_refused_with_a_sentence),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
