#include "check.h"

#include <stdlib.h>
#include <unistd.h>

#include "base/clock.h"
#include "base/log.h"
#include "base/queue.h"
#include "base/text.h"
#include "drivers/bus_tick.h"
#include "fake_meter.h"

#define UNITS 3
#define CHANNELS 4
#define PERIOD_MS 1000

/* Three meters (units 1 to 3) of four channels on one bus: amps from register 0 in hundredths,
 * watts from register 40; each circuit has one pole. */
struct bench {
    struct site site;
    struct meter_map_set maps;
    struct fake_meter *fake;
    struct bus_state bus;
    struct text said; /* what was logged */
    uint64_t tick;
};

static void listen_to_log(void *context, enum log_level level, const char *subsystem,
                          const char *line)
{
    (void)level;
    (void)subsystem;
    text_printf(context, "%s\n", line);
}

static void describe_map(struct meter_map *map)
{
    *map = (struct meter_map){.id = "four", .max_registers = 125, .point_count = 2};
    map->points[0] = (struct meter_point){.quantity = FRAME_AMPS,
                                          .type = METER_U16,
                                          .function = 3,
                                          .stride = 1,
                                          .first_channel = 1,
                                          .channels = CHANNELS,
                                          .scale = 0.01,
                                          .scale_register = -1};
    map->points[1] = map->points[0];
    map->points[1].quantity = FRAME_WATTS;
    map->points[1].address = 40;
    map->points[1].scale = 1.0;
}

static void describe_site(struct bench *b, bool tcp, int timeout_ms)
{
    struct site *s = &b->site;
    site_init(s);
    snprintf(site_add_panel(s)->id, SITE_ID_SIZE, "main");
    struct site_bus *bus = site_add_bus(s);
    snprintf(bus->id, SITE_ID_SIZE, "line");
    bus->timeout_ms = timeout_ms;
    bus->poll_ms = PERIOD_MS;
    bus->baud = 115200;
    bus->port = fake_meter_port(b->fake);
    if (tcp)
        snprintf(bus->host, sizeof bus->host, "127.0.0.1");
    else
        snprintf(bus->device, sizeof bus->device, "%s", fake_meter_device(b->fake));
    for (int unit = 1; unit <= UNITS; unit++) {
        struct site_meter *m = site_add_meter(s);
        snprintf(m->id, sizeof m->id, "m%d", unit);
        m->bus = 0;
        m->unit = unit;
        snprintf(m->map, sizeof m->map, "four");
        for (int channel = 1; channel <= CHANNELS; channel++) {
            struct site_circuit *c = site_add_circuit(s);
            snprintf(c->id, sizeof c->id, "c%d-%d", unit, channel);
            c->panel = 0;
            c->meter = unit - 1;
            c->channels[0] = channel;
        }
    }
    site_finish(s);
}

static struct bench *set_up(bool tcp, int timeout_ms)
{
    struct bench *b = calloc(1, sizeof *b);
    char why[256] = "";
    assert_non_null(b);
    log_to(listen_to_log, &b->said);
    b->fake = tcp ? fake_meter_tcp() : fake_meter_serial();
    b->maps.maps = calloc(1, sizeof *b->maps.maps);
    b->maps.count = 1;
    describe_map(b->maps.maps);
    describe_site(b, tcp, timeout_ms);
    b->bus = (struct bus_state){
        .site = &b->site, .maps = &b->maps, .bus = 0, .only_meter = -1, .stop_fd = -1};
    if (!bus_state_prepare(&b->bus, why, sizeof why))
        fail_msg("%s", why);
    return b;
}

static void tear_down(struct bench *b)
{
    bus_state_free(&b->bus);
    fake_meter_stop(b->fake);
    meter_map_set_free(&b->maps);
    site_free(&b->site);
    log_to(NULL, NULL);
    text_free(&b->said);
    free(b);
}

static struct bus_report *tick(struct bench *b)
{
    struct bus_report *r = bus_state_tick(&b->bus, b->tick++, clock_mono_us());
    assert_non_null(r);
    assert_int_equal(r->meter_count, UNITS);
    return r;
}

/* the amps of the unit's channel in the report, NaN when it is not there */
static double amps(const struct bus_report *r, int unit, int channel)
{
    uint32_t index = (uint32_t)((unit - 1) * CHANNELS + channel - 1);
    for (size_t i = 0; i < r->reading_count; i++)
        if (r->readings[i].index == index)
            return (double)r->readings[i].value;
    return (double)NAN;
}

static void assert_all_good(const struct bus_report *r)
{
    assert_int_equal(r->reading_count, 2 * UNITS * CHANNELS);
    for (int unit = 1; unit <= UNITS; unit++) {
        assert_int_equal(r->meters[unit - 1].state, BUS_METER_OK);
        for (int channel = 1; channel <= CHANNELS; channel++)
            assert_near(amps(r, unit, channel), fake_register(unit, channel - 1) * 0.01, 1e-4);
    }
}

static void every_meter_is_read_in_a_tick(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct bench *b = set_up(tcp, 400);
        for (int i = 0; i < 3; i++) {
            struct bus_report *r = tick(b);
            assert_all_good(r);
            bus_report_free(r);
        }
        /* the hole of 36 registers is bridged on TCP; at 115200 it costs more than a read */
        assert_int_equal(b->bus.tally.reads, 3 * UNITS * (tcp ? 1 : 2));
        assert_int_equal(b->bus.tally.answers, b->bus.tally.reads);
        tear_down(b);
    }
}

static const char *count_lines(const struct text *t, const char *line, int *n)
{
    *n = 0;
    for (const char *at = text_get(t); (at = strstr(at, line)) != NULL; at += strlen(line))
        (*n)++;
    return text_get(t);
}

static void assert_said(const struct bench *b, const char *line, int times)
{
    int n;
    const char *all = count_lines(&b->said, line, &n);
    if (n != times)
        fail_msg("\"%s\" was logged %d times, wanted %d, in:\n%s", line, n, times, all);
}

static void a_fault_is_counted_and_made_good_within_the_tick(void **state)
{
    (void)state;
    static const struct {
        int act;
        enum fault fault;
        bool tcp, serial;
    } rows[] = {
        {FAKE_SILENT, FAULT_TIMEOUT, true, true},
        {FAKE_WRONG_UNIT, FAULT_UNIT, true, true},
        {FAKE_WRONG_FUNCTION, FAULT_FUNCTION, true, true},
        {FAKE_WRONG_TRANSACTION, FAULT_TRANSACTION, true, false},
        {FAKE_SHORT, FAULT_SHORT, true, true},
        {FAKE_WRONG_COUNT, FAULT_LENGTH, true, true},
        {FAKE_BAD_CRC, FAULT_CRC, false, true},
        {FAKE_CLOSE, FAULT_CONNECTION, true, false},
        {FAKE_EXCEPTION + 6, FAULT_EXCEPTION, true, true},
    };
    for (int tcp = 0; tcp < 2; tcp++) {
        struct bench *b = set_up(tcp, 100);
        for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
            if (!(tcp ? rows[i].tcp : rows[i].serial))
                continue;
            uint64_t before = b->bus.tally.faults[rows[i].fault];
            fake_meter_script(b->fake, 2, &rows[i].act, 1);
            struct bus_report *r = tick(b);
            assert_all_good(r);
            assert_int_equal(b->bus.tally.faults[rows[i].fault], before + 1);
            bus_report_free(r);
        }
        assert_int_equal(b->bus.tally.exceptions[6], 1);
        assert_said(b, "does not answer", 0); /* made good: no news */
        tear_down(b);
    }
}

static void make_due(struct bench *b, int unit)
{
    b->bus.meters[unit - 1].health.next_try_us = clock_mono_us();
}

static void a_dead_meter_is_left_alone_and_its_neighbours_are_not_slowed(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct bench *b = set_up(tcp, 300); /* the others answer in time on a loaded machine too */
        fake_meter_silence(b->fake, 2, true);
        for (int i = 0; i < 4; i++) {
            struct bus_report *r = tick(b);
            for (int unit = 1; unit <= UNITS; unit += 2) {
                assert_int_equal(r->meters[unit - 1].state, BUS_METER_OK);
                assert_near(amps(r, unit, 1), fake_register(unit, 0) * 0.01, 1e-4);
            }
            assert_true(isnan(amps(r, 2, 1))); /* neither zero nor the last one */
            assert_int_equal(r->meters[1].state, i == 0 ? BUS_METER_LOST : BUS_METER_BACKOFF);
            assert_int_equal(r->meters[1].fault, FAULT_TIMEOUT);
            /* tried twice in its first tick, not at all while it is in backoff */
            assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 2);
            bus_report_free(r);
        }
        make_due(b, 2);
        struct bus_report *r = tick(b);
        assert_int_equal(r->meters[1].state, BUS_METER_LOST);
        assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 3);
        bus_report_free(r);
        assert_said(b, "meter m2 does not answer (timeout), 3 tries; next try in 2 s\n", 1);
        fake_meter_silence(b->fake, 2, false);
        make_due(b, 2);
        r = tick(b);
        assert_all_good(r);
        bus_report_free(r);
        r = tick(b);
        assert_all_good(r);
        bus_report_free(r);
        assert_said(b, "meter m2 answers again after ", 1);
        assert_said(b, "meter m2", 2);
        tear_down(b);
    }
}

static void of_several_dead_meters_one_is_tried_in_a_tick(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 100);
    for (int unit = 2; unit <= 3; unit++)
        fake_meter_silence(b->fake, unit, true);
    bus_report_free(tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 4);
    make_due(b, 2);
    make_due(b, 3);
    bus_report_free(tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 5);
    bus_report_free(tick(b)); /* the other one's turn: it is due the longest */
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 6);
    assert_int_equal(b->bus.meters[1].health.tries, 3);
    assert_int_equal(b->bus.meters[2].health.tries, 3);
    tear_down(b);
}

static void a_dead_meter_gets_its_turn_also_on_a_full_line(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 60000); /* no tick has as much time left as a try may take */
    b->bus.period_us = 50000;
    fake_meter_silence(b->fake, 2, true);
    bus_report_free(tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 1);
    make_due(b, 2);
    bus_report_free(tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 1);
    b->bus.meters[1].health.next_try_us = clock_mono_us() - 9 * b->bus.period_us;
    bus_report_free(tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 2);
    tear_down(b);
}

static void a_refusal_is_said_once_and_asked_again_each_tick(void **state)
{
    (void)state;
    struct bench *b = set_up(false, 100);
    fake_meter_hole(b->fake, 41); /* in the second read of every meter */
    for (int i = 0; i < 3; i++) {
        struct bus_report *r = tick(b);
        for (int unit = 1; unit <= UNITS; unit++) {
            assert_int_equal(r->meters[unit - 1].state, BUS_METER_PARTLY);
            assert_int_equal(r->meters[unit - 1].fault, FAULT_EXCEPTION);
            assert_int_equal(r->meters[unit - 1].exception, 2);
            assert_near(amps(r, unit, 2), fake_register(unit, 1) * 0.01, 1e-4);
        }
        assert_int_equal(r->reading_count, UNITS * CHANNELS);
        bus_report_free(r);
    }
    assert_int_equal(b->bus.tally.exceptions[2], 3 * UNITS);
    assert_said(b,
                "meter m1 refuses registers 40 to 43 of function 3 (exception 2, illegal data "
                "address)\n",
                1);
    fake_meter_hole(b->fake, -1);
    struct bus_report *r = tick(b);
    assert_all_good(r);
    bus_report_free(r);
    assert_said(b, "meter m1 gives all its registers again\n", 1);
    tear_down(b);
}

static void a_meter_that_refuses_holes_is_read_without_them(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 100);
    fake_meter_hole(b->fake, 20); /* between amps and watts, bridged on TCP */
    struct bus_report *r = tick(b);
    assert_int_equal(r->reading_count, 0);
    bus_report_free(r);
    for (int i = 0; i < 2; i++) {
        r = tick(b);
        assert_all_good(r);
        bus_report_free(r);
    }
    assert_said(b, "meter m2 refuses to be read over unused registers: now 2 reads a poll\n",
                1);
    tear_down(b);
}

static void without_a_connection_reports_come_and_it_is_found_again(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 400);
    char line[160];
    int port = fake_meter_port(b->fake);
    fake_meter_stop(b->fake);
    for (int i = 0; i < 3; i++) {
        struct bus_report *r = tick(b);
        assert_int_equal(r->reading_count, 0);
        assert_int_equal(r->tick, i);
        for (int m = 0; m < UNITS; m++) {
            assert_int_equal(r->meters[m].state, BUS_METER_LOST);
            assert_int_equal(r->meters[m].fault, FAULT_CONNECTION);
        }
        bus_report_free(r);
        b->bus.link_health.next_try_us = 0;
    }
    assert_int_equal(b->bus.tally.faults[FAULT_CONNECTION], 3); /* one try a tick */
    snprintf(line, sizeof line,
             "bus line: no connection to 127.0.0.1:%d (Connection refused); next try in 1 s\n",
             port);
    assert_said(b, line, 1);
    b->fake = fake_meter_tcp_at(port);
    struct bus_report *r = tick(b);
    assert_all_good(r); /* no meter was put into backoff by it */
    bus_report_free(r);
    snprintf(line, sizeof line, "bus line: connected to 127.0.0.1:%d again after 0 s\n", port);
    assert_said(b, line, 1);
    tear_down(b);
}

static void a_connection_that_is_always_closed_is_no_secret(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 400);
    int closes[40];
    for (int i = 0; i < 40; i++)
        closes[i] = FAKE_CLOSE;
    fake_meter_script(b->fake, 2, closes, 40);
    for (int i = 0; i < 3; i++) {
        struct bus_report *r = tick(b);
        assert_int_equal(r->meters[0].state, BUS_METER_OK);
        assert_int_equal(r->meters[1].fault, FAULT_CONNECTION);
        assert_int_equal(r->meters[2].state, BUS_METER_OK); /* on the connection made anew */
        bus_report_free(r);
        make_due(b, 2);
    }
    assert_said(b, "meter m2 does not answer (connection lost), 3 tries; next try in 4 s\n", 1);
    tear_down(b);
}

static void a_connection_on_which_nobody_answers_is_made_anew(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 20);
    bus_report_free(tick(b));
    for (int unit = 1; unit <= UNITS; unit++)
        fake_meter_silence(b->fake, unit, true);
    for (int i = 0; i < 4; i++) {
        bus_report_free(tick(b));
        for (int unit = 1; unit <= UNITS; unit++)
            make_due(b, unit);
    }
    assert_int_equal(b->bus.tally.connects, 2);
    tear_down(b);
}

static void a_serial_line_that_was_unplugged_is_opened_again(void **state)
{
    (void)state;
    struct bench *b = set_up(false, 100);
    char directory[] = "/tmp/test_bus.XXXXXX", link[64];
    assert_non_null(mkdtemp(directory));
    snprintf(link, sizeof link, "%s/line", directory);
    assert_int_equal(symlink(fake_meter_device(b->fake), link), 0);
    snprintf(b->site.buses[0].device, SITE_PATH_SIZE, "%s", link);
    struct bus_report *r = tick(b);
    assert_all_good(r);
    bus_report_free(r);
    fake_meter_stop(b->fake);
    unlink(link);
    r = tick(b);
    assert_int_equal(r->reading_count, 0);
    bus_report_free(r);
    assert_said(b, "no connection to", 1);
    b->fake = fake_meter_serial();
    assert_int_equal(symlink(fake_meter_device(b->fake), link), 0);
    b->bus.link_health.next_try_us = 0;
    r = tick(b);
    assert_all_good(r);
    bus_report_free(r);
    unlink(link);
    rmdir(directory);
    tear_down(b);
}

static void a_line_that_babbles_is_survived(void **state)
{
    (void)state;
    struct bench *b = set_up(false, 50);
    b->bus.period_us = 300000;
    bus_report_free(tick(b));
    fake_meter_babble(b->fake, true);
    for (int i = 0; i < 3; i++) { /* each ends with its period, or the test's limit would */
        struct bus_report *r = tick(b);
        for (int unit = 1; unit <= UNITS; unit++) /* what gets through between is right */
            assert_true(isnan(amps(r, unit, 1)) ||
                        fabs(amps(r, unit, 1) - fake_register(unit, 0) * 0.01) < 1e-4);
        bus_report_free(r);
        for (int unit = 1; unit <= UNITS; unit++)
            make_due(b, unit);
    }
    assert_true(b->bus.tally.answers < b->bus.tally.reads);
    fake_meter_babble(b->fake, false);
    b->bus.period_us =
        5000000; /* time enough for the line to fall silent and for all of them */
    for (int i = 0; i < 3; i++) { /* at the worst one of them a tick */
        for (int unit = 1; unit <= UNITS; unit++)
            make_due(b, unit);
        bus_report_free(tick(b));
    }
    struct bus_report *r = tick(b);
    assert_all_good(r);
    bus_report_free(r);
    tear_down(b);
}

static void a_tick_ends_with_its_period_and_the_next_begins_where_it_stopped(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 60000); /* a timeout far beyond the period */
    b->bus.period_us = 100000;
    bus_report_free(tick(b));
    fake_meter_silence(b->fake, 1, true);
    struct bus_report *r = tick(b);
    assert_int_equal(r->meters[0].state, BUS_METER_LOST);
    assert_int_equal(r->meters[1].state, BUS_METER_NO_TIME);
    assert_int_equal(r->meters[2].state, BUS_METER_NO_TIME);
    bus_report_free(r);
    assert_int_equal(b->bus.first, 1);
    r = tick(b);
    assert_int_equal(r->meters[1].state, BUS_METER_OK);
    assert_int_equal(r->meters[2].state, BUS_METER_OK);
    bus_report_free(r);
    tear_down(b);
}

/* ---- with its thread ----------------------------------------------------------------------
 */

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

static struct bus *start(struct bench *b, struct queue *q, int64_t origin_us)
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
    struct bench *b = set_up(true, 400);
    struct queue *q = queue_create(64);
    b->site.buses[0].poll_ms = 100; /* a loaded machine reads 8 times in that too */
    int64_t origin_us = bus_origin_us();
    /* an origin lies on a whole second of the wall clock (which an adjustment may have moved)
     */
    int64_t wall_ms = clock_wall_ms() + (origin_us - clock_mono_us()) / 1000;
    int64_t off_ms = wall_ms % 1000;
    assert_true(off_ms <= 5 || off_ms >= 995);
    struct bus *bus = start(b, q, origin_us);
    uint64_t last = 0;
    for (int i = 0; i < 10; i++) {
        struct bus_report *r = pop(q);
        assert_true(i == 0 || r->tick > last); /* a loaded machine may miss some */
        last = r->tick;
        assert_int_equal(r->mono_ms, (origin_us + (int64_t)r->tick * 100000) / 1000);
        assert_all_good(r);
        bus_report_free(r);
    }
    struct bus_counters c;
    bus_counters(bus, &c);
    assert_true(c.ticks >= 10 && c.reads == c.ticks * UNITS && c.answers == c.reads);
    assert_int_equal(c.connects, 1);
    assert_int_equal(bus_has(bus), 1U << FRAME_AMPS | 1U << FRAME_WATTS);
    stop(bus, q);
    tear_down(b);
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
    struct bench *b = set_up(true, 400);
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
    tear_down(b);
}

static void without_a_period_it_polls_flat_out(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 400);
    struct queue *q = queue_create(4);
    b->site.buses[0].poll_ms = 0;
    struct bus *bus = start(b, q, 0);
    struct bus_counters c = {0};
    while (c.ticks <
           500) { /* more than the queue holds: what is over is dropped, not waited for */
        bus_report_free(queue_pop(q, 1));
        bus_counters(bus, &c);
    }
    assert_int_equal(c.answers, c.ticks * UNITS);
    stop(bus, q);
    tear_down(b);
}

static void it_stops_while_a_meter_is_waited_for(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct bench *b =
            set_up(tcp, 60000); /* waiting it out would run into the test's limit */
        struct queue *q = queue_create(4);
        b->site.buses[0].poll_ms = 0;
        fake_meter_silence(b->fake, 1, true);
        struct bus *bus = start(b, q, 0);
        while (fake_meter_requests(b->fake) == 0)
            clock_sleep_until_us(clock_mono_us() + 1000);
        stop(bus, q);
        tear_down(b);
    }
}

static void it_stops_while_it_waits_for_its_next_tick(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 400);
    struct queue *q = queue_create(4);
    struct bus *bus = start(b, q, clock_mono_us() + INT64_C(3600000000));
    stop(bus, q);
    bus_stop(NULL);
    tear_down(b);
}

static void what_cannot_be_planned_is_refused_with_a_sentence(void **state)
{
    (void)state;
    struct bench *b = set_up(true, 400);
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
    tear_down(b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_meter_is_read_in_a_tick),
        cmocka_unit_test(a_fault_is_counted_and_made_good_within_the_tick),
        cmocka_unit_test(a_dead_meter_is_left_alone_and_its_neighbours_are_not_slowed),
        cmocka_unit_test(of_several_dead_meters_one_is_tried_in_a_tick),
        cmocka_unit_test(a_dead_meter_gets_its_turn_also_on_a_full_line),
        cmocka_unit_test(a_refusal_is_said_once_and_asked_again_each_tick),
        cmocka_unit_test(a_meter_that_refuses_holes_is_read_without_them),
        cmocka_unit_test(without_a_connection_reports_come_and_it_is_found_again),
        cmocka_unit_test(a_connection_that_is_always_closed_is_no_secret),
        cmocka_unit_test(a_connection_on_which_nobody_answers_is_made_anew),
        cmocka_unit_test(a_serial_line_that_was_unplugged_is_opened_again),
        cmocka_unit_test(a_line_that_babbles_is_survived),
        cmocka_unit_test(a_tick_ends_with_its_period_and_the_next_begins_where_it_stopped),
        cmocka_unit_test(ticks_lie_on_the_grid_of_their_origin),
        cmocka_unit_test(ticks_that_passed_are_missed_and_not_made_up_for),
        cmocka_unit_test(without_a_period_it_polls_flat_out),
        cmocka_unit_test(it_stops_while_a_meter_is_waited_for),
        cmocka_unit_test(it_stops_while_it_waits_for_its_next_tick),
        cmocka_unit_test(what_cannot_be_planned_is_refused_with_a_sentence),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
