/* The bus tick by tick, without its thread. */
#include "check.h"

#include <stdlib.h>
#include <unistd.h>

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"
#include "bus_rig.h"
#include "drivers/bus_tick.h"
#include "fake_meter.h"
#include "held_time.h"

static void an_origin_lies_on_a_whole_second_of_the_wall_clock(void **state)
{
    (void)state;
    held_time_begin(NULL);
    for (int i = 0; i < 200; i++) {
        int64_t origin_us = bus_origin_us(), now_us = clock_mono_us();
        int64_t wall_ms = clock_wall_ms() + (origin_us - now_us) / 1000;
        assert_true(wall_ms % 1000 <= 1 || wall_ms % 1000 == 999); /* both are rounded down */
        assert_true(origin_us - now_us >= 49000 && origin_us - now_us <= 1050000);
        clock_sleep_until_us(now_us + 17000);
    }
    held_time_end();
}

static void every_meter_is_read_in_a_tick(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct bus_rig *b = bus_rig_up(tcp, 400);
        for (int i = 0; i < 3; i++) {
            struct bus_report *r = bus_rig_tick(b);
            assert_all_good(r);
            bus_report_free(r);
        }
        /* the hole of 36 registers is bridged on TCP; at 115200 it costs more than a read */
        assert_int_equal(b->bus.tally.reads, 3 * BUS_UNITS * (tcp ? 1 : 2));
        assert_int_equal(b->bus.tally.answers, b->bus.tally.reads);
        bus_rig_down(b);
    }
}

static void each_reading_says_when_it_was_taken(void **state)
{
    static const int late[] = {FAKE_LATE};
    struct bus_rig *b = bus_rig_up(true, 400);
    (void)state;
    bus_report_free(bus_rig_tick(b));
    fake_meter_late_ms(b->fake, 60); /* the second of the three meters thinks for 60 ms */
    fake_meter_script(b->fake, 2, late, 1);
    struct bus_report *r = bus_rig_tick(b);
    for (size_t i = 0; i < r->reading_count; i++) {
        int unit = (int)(r->readings[i].index % (BUS_UNITS * BUS_CHANNELS)) / BUS_CHANNELS + 1;
        double at_ms = r->readings[i].taken.at_us / 1000.0,
               within_ms = r->readings[i].taken.within_us / 1000.0;
        assert_near(at_ms, unit == 1 ? 0.0 : unit == 2 ? 30.0 : 60.0, 0.5);
        assert_near(within_ms, unit == 2 ? 30.0 : 0.0, 0.5);
    }
    assert_int_equal(r->reading_count, 2 * BUS_UNITS * BUS_CHANNELS);
    bus_report_free(r);
    bus_rig_down(b);
}

static const char *count_lines(const struct text *t, const char *line, int *n)
{
    *n = 0;
    for (const char *at = text_get(t); (at = strstr(at, line)) != NULL; at += strlen(line))
        (*n)++;
    return text_get(t);
}

static void assert_said(const struct bus_rig *b, const char *line, int times)
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
        struct bus_rig *b = bus_rig_up(tcp, 100);
        for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
            if (!(tcp ? rows[i].tcp : rows[i].serial))
                continue;
            uint64_t before = b->bus.tally.faults[rows[i].fault];
            fake_meter_script(b->fake, 2, &rows[i].act, 1);
            struct bus_report *r = bus_rig_tick(b);
            assert_all_good(r);
            assert_int_equal(b->bus.tally.faults[rows[i].fault], before + 1);
            bus_report_free(r);
        }
        assert_int_equal(b->bus.tally.exceptions[6], 1);
        assert_said(b, "does not answer", 0); /* made good: no news */
        bus_rig_down(b);
    }
}

static void make_due(struct bus_rig *b, int unit)
{
    b->bus.meters[unit - 1].health.next_try_us = clock_mono_us();
}

static void a_dead_meter_is_left_alone_and_its_neighbours_are_not_slowed(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        struct bus_rig *b = bus_rig_up(tcp, 300);
        fake_meter_silence(b->fake, 2, true);
        for (int i = 0; i < 4; i++) {
            struct bus_report *r = bus_rig_tick(b);
            for (int unit = 1; unit <= BUS_UNITS; unit += 2) {
                assert_int_equal(r->meters[unit - 1].state, BUS_METER_OK);
                assert_near(bus_rig_amps(r, unit, 1), fake_register(unit, 0) * 0.01, 1e-4);
            }
            assert_true(isnan(bus_rig_amps(r, 2, 1))); /* neither zero nor the last one */
            assert_int_equal(r->meters[1].state, i == 0 ? BUS_METER_LOST : BUS_METER_BACKOFF);
            assert_int_equal(r->meters[1].fault, FAULT_TIMEOUT);
            /* tried twice in its first tick, not at all while it is in backoff */
            assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 2);
            bus_report_free(r);
        }
        make_due(b, 2);
        struct bus_report *r = bus_rig_tick(b);
        assert_int_equal(r->meters[1].state, BUS_METER_LOST);
        assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 3);
        bus_report_free(r);
        assert_said(b, "meter m2 does not answer (timeout), 3 tries; next try in 2 s\n", 1);
        fake_meter_silence(b->fake, 2, false);
        make_due(b, 2);
        r = bus_rig_tick(b);
        assert_all_good(r);
        bus_report_free(r);
        r = bus_rig_tick(b);
        assert_all_good(r);
        bus_report_free(r);
        assert_said(b, "meter m2 answers again after ", 1);
        assert_said(b, "meter m2", 2);
        bus_rig_down(b);
    }
}

static void of_several_dead_meters_one_is_tried_in_a_tick(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up(true, 100);
    for (int unit = 2; unit <= 3; unit++)
        fake_meter_silence(b->fake, unit, true);
    bus_report_free(bus_rig_tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 4);
    make_due(b, 2);
    make_due(b, 3);
    bus_report_free(bus_rig_tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 5);
    bus_report_free(bus_rig_tick(b)); /* the other one's turn: it is due the longest */
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 6);
    assert_int_equal(b->bus.meters[1].health.tries, 3);
    assert_int_equal(b->bus.meters[2].health.tries, 3);
    bus_rig_down(b);
}

static void a_dead_meter_gets_its_turn_also_on_a_full_line(void **state)
{
    (void)state;
    struct bus_rig *b =
        bus_rig_up(true, 60000); /* no tick has as much time left as a try may take */
    b->bus.period_us = 50000;
    fake_meter_silence(b->fake, 2, true);
    bus_report_free(bus_rig_tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 1);
    make_due(b, 2);
    bus_report_free(bus_rig_tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 1);
    b->bus.meters[1].health.next_try_us = clock_mono_us() - 9 * b->bus.period_us;
    bus_report_free(bus_rig_tick(b));
    assert_int_equal(b->bus.tally.faults[FAULT_TIMEOUT], 2);
    bus_rig_down(b);
}

static void a_refusal_is_said_once_and_asked_again_each_tick(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up(false, 100);
    fake_meter_hole(b->fake, 41); /* in the second read of every meter */
    for (int i = 0; i < 3; i++) {
        struct bus_report *r = bus_rig_tick(b);
        for (int unit = 1; unit <= BUS_UNITS; unit++) {
            assert_int_equal(r->meters[unit - 1].state, BUS_METER_PARTLY);
            assert_int_equal(r->meters[unit - 1].fault, FAULT_EXCEPTION);
            assert_int_equal(r->meters[unit - 1].exception, 2);
            assert_near(bus_rig_amps(r, unit, 2), fake_register(unit, 1) * 0.01, 1e-4);
        }
        assert_int_equal(r->reading_count, BUS_UNITS * BUS_CHANNELS);
        bus_report_free(r);
    }
    assert_int_equal(b->bus.tally.exceptions[2], 3 * BUS_UNITS);
    assert_said(b,
                "meter m1 refuses registers 40 to 43 of function 3 (exception 2, illegal data "
                "address)\n",
                1);
    fake_meter_hole(b->fake, -1);
    struct bus_report *r = bus_rig_tick(b);
    assert_all_good(r);
    bus_report_free(r);
    assert_said(b, "meter m1 gives all its registers again\n", 1);
    bus_rig_down(b);
}

static void a_meter_that_refuses_holes_is_read_without_them(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up(true, 100);
    fake_meter_hole(b->fake, 20); /* between amps and watts, bridged on TCP */
    struct bus_report *r = bus_rig_tick(b);
    assert_int_equal(r->reading_count, 0);
    bus_report_free(r);
    for (int i = 0; i < 2; i++) {
        r = bus_rig_tick(b);
        assert_all_good(r);
        bus_report_free(r);
    }
    assert_said(b, "meter m2 refuses to be read over unused registers: now 2 reads a poll\n",
                1);
    bus_rig_down(b);
}

static void without_a_connection_reports_come_and_it_is_found_again(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up(true, 400);
    char line[160];
    int port = fake_meter_port(b->fake);
    fake_meter_stop(b->fake);
    for (int i = 0; i < 3; i++) {
        struct bus_report *r = bus_rig_tick(b);
        assert_int_equal(r->reading_count, 0);
        assert_int_equal(r->tick, i);
        for (int m = 0; m < BUS_UNITS; m++) {
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
    b->fake = fake_meter_by_hand(true);
    struct bus_report *r = bus_rig_tick(b);
    assert_all_good(r); /* no meter was put into backoff by it */
    bus_report_free(r);
    snprintf(line, sizeof line, "bus line: connected to 127.0.0.1:%d again after 0 s\n", port);
    assert_said(b, line, 1);
    bus_rig_down(b);
}

static void a_connection_that_is_always_closed_is_no_secret(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up(true, 400);
    int closes[40];
    for (int i = 0; i < 40; i++)
        closes[i] = FAKE_CLOSE;
    fake_meter_script(b->fake, 2, closes, 40);
    for (int i = 0; i < 3; i++) {
        struct bus_report *r = bus_rig_tick(b);
        assert_int_equal(r->meters[0].state, BUS_METER_OK);
        assert_int_equal(r->meters[1].fault, FAULT_CONNECTION);
        assert_int_equal(r->meters[2].state, BUS_METER_OK); /* on the connection made anew */
        bus_report_free(r);
        make_due(b, 2);
    }
    assert_said(b, "meter m2 does not answer (connection lost), 3 tries; next try in 4 s\n", 1);
    bus_rig_down(b);
}

static void a_connection_on_which_nobody_answers_is_made_anew(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up(true, 20);
    bus_report_free(bus_rig_tick(b));
    for (int unit = 1; unit <= BUS_UNITS; unit++)
        fake_meter_silence(b->fake, unit, true);
    for (int i = 0; i < 4; i++) {
        bus_report_free(bus_rig_tick(b));
        for (int unit = 1; unit <= BUS_UNITS; unit++)
            make_due(b, unit);
    }
    assert_int_equal(b->bus.tally.connects, 2);
    bus_rig_down(b);
}

static void a_serial_line_that_was_unplugged_is_opened_again(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up_live(false, 20000);
    b->bus.period_us = 60000000;
    char directory[] = "/tmp/test_bus.XXXXXX", link[64];
    assert_non_null(mkdtemp(directory));
    snprintf(link, sizeof link, "%s/line", directory);
    assert_int_equal(symlink(fake_meter_device(b->fake), link), 0);
    snprintf(b->site.buses[0].device, SITE_PATH_SIZE, "%s", link);
    struct bus_report *r = bus_rig_tick(b);
    assert_all_good(r);
    bus_report_free(r);
    fake_meter_stop(b->fake);
    unlink(link);
    r = bus_rig_tick(b);
    assert_int_equal(r->reading_count, 0);
    bus_report_free(r);
    assert_said(b, "no connection to", 1);
    b->fake = fake_meter_serial();
    assert_int_equal(symlink(fake_meter_device(b->fake), link), 0);
    b->bus.link_health.next_try_us = 0;
    r = bus_rig_tick(b);
    assert_all_good(r);
    bus_report_free(r);
    unlink(link);
    rmdir(directory);
    bus_rig_down(b);
}

static void a_line_that_babbles_is_survived(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up(false, 50);
    b->bus.period_us = 300000;
    bus_report_free(bus_rig_tick(b));
    fake_meter_babble(b->fake, true);
    for (int i = 0; i < 3; i++) { /* each ends with its period, or the test's limit would */
        struct bus_report *r = bus_rig_tick(b);
        assert_int_equal(r->reading_count, 0);
        bus_report_free(r);
        for (int unit = 1; unit <= BUS_UNITS; unit++)
            make_due(b, unit);
    }
    assert_true(b->bus.tally.answers < b->bus.tally.reads);
    fake_meter_babble(b->fake, false);
    b->bus.period_us =
        5000000; /* time enough for the line to fall silent and for all of them */
    for (int i = 0; i < 3; i++) { /* at the worst one of them a tick */
        for (int unit = 1; unit <= BUS_UNITS; unit++)
            make_due(b, unit);
        bus_report_free(bus_rig_tick(b));
    }
    struct bus_report *r = bus_rig_tick(b);
    assert_all_good(r);
    bus_report_free(r);
    bus_rig_down(b);
}

static void a_tick_ends_with_its_period_and_the_next_begins_where_it_stopped(void **state)
{
    (void)state;
    struct bus_rig *b = bus_rig_up(true, 60000); /* a timeout far beyond the period */
    b->bus.period_us = 100000;
    bus_report_free(bus_rig_tick(b));
    fake_meter_silence(b->fake, 1, true);
    struct bus_report *r = bus_rig_tick(b);
    assert_int_equal(r->meters[0].state, BUS_METER_LOST);
    assert_int_equal(r->meters[1].state, BUS_METER_NO_TIME);
    assert_int_equal(r->meters[2].state, BUS_METER_NO_TIME);
    bus_report_free(r);
    assert_int_equal(b->bus.first, 1);
    r = bus_rig_tick(b);
    assert_int_equal(r->meters[1].state, BUS_METER_OK);
    assert_int_equal(r->meters[2].state, BUS_METER_OK);
    bus_report_free(r);
    bus_rig_down(b);
}

/* the second meter of the rig is one that says itself where its values are */
static struct bus_rig *rig_with_sunspec(bool tcp)
{
    char why[256];
    struct bus_rig *b = bus_rig_up(tcp, 400);
    bus_state_free(&b->bus);
    b->maps.maps = realloc(b->maps.maps, 2 * sizeof *b->maps.maps);
    assert_non_null(b->maps.maps);
    b->maps.maps[1] =
        (struct meter_map){.id = "sunspec", .max_registers = 125, .sunspec = true};
    b->maps.count = 2;
    strcpy(b->site.meters[1].map, "sunspec");
    if (!bus_state_prepare(&b->bus, why, sizeof why))
        fail_msg("%s", why);
    return b;
}

/* a wye meter with the currents of phases A and C, and a short common model */
static void lay_sunspec(uint16_t words[180], uint16_t amps)
{
    static const uint16_t head[] = {0x5375, 0x6E53, 1, 2, 0, 0, 203, 105};
    for (int i = 0; i < 180; i++)
        words[i] = 0x8000;
    memcpy(words, head, sizeof head);
    words[9] = words[11] = amps;
    words[12] = (uint16_t)-1;
    words[113] = 0xFFFF;
    words[114] = 0;
}

static void a_sunspec_meter_is_asked_where_its_values_are_and_then_read(void **state)
{
    (void)state;
    for (int tcp = 0; tcp < 2; tcp++) {
        uint16_t here[180], there[180];
        struct bus_rig *b = rig_with_sunspec(tcp);
        lay_sunspec(here, 123);
        lay_sunspec(there, 456);
        fake_meter_hold(b->fake, 2, 40000, here, 180);
        for (int i = 0; i < 2; i++) {
            struct bus_report *r = bus_rig_tick(b);
            assert_int_equal(r->meters[1].state, BUS_METER_OK);
            assert_near(bus_rig_amps(r, 2, 1), 12.3, 1e-5);
            assert_true(isnan(bus_rig_amps(r, 2, 2)));
            assert_near(bus_rig_amps(r, 2, 3), 12.3, 1e-5);
            assert_near(bus_rig_amps(r, 3, 1), fake_register(3, 0) * 0.01, 1e-4);
            bus_report_free(r);
        }
        assert_said(b, "meter m2: SunSpec model 203 at register 40006, ", 1);
        /* unplugged, and another one in its place that has its values elsewhere */
        fake_meter_silence(b->fake, 2, true);
        bus_report_free(bus_rig_tick(b));
        fake_meter_silence(b->fake, 2, false);
        fake_meter_hold(b->fake, 2, 50000, there, 180);
        make_due(b, 2);
        struct bus_report *r = bus_rig_tick(b);
        assert_near(bus_rig_amps(r, 2, 1), 45.6, 1e-5);
        bus_report_free(r);
        assert_said(b, "meter m2: SunSpec model 203 at register 50006, ", 1);
        bus_rig_down(b);
    }
}

static void a_meter_that_is_no_sunspec_meter_is_said_to_be_none(void **state)
{
    (void)state;
    struct bus_rig *b = rig_with_sunspec(true);
    for (int i = 0; i < 4; i++) {
        struct bus_report *r = bus_rig_tick(b);
        assert_int_equal(r->meters[0].state, BUS_METER_OK);
        assert_int_equal(r->meters[1].state, BUS_METER_LOST);
        assert_int_equal(r->meters[1].fault, FAULT_FOREIGN);
        bus_report_free(r);
        make_due(b, 2);
    }
    assert_said(b, "meter m2 cannot be read (no SunSpec meter there), ", 1);
    bus_rig_down(b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_origin_lies_on_a_whole_second_of_the_wall_clock),
        cmocka_unit_test(every_meter_is_read_in_a_tick),
        cmocka_unit_test(each_reading_says_when_it_was_taken),
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
        cmocka_unit_test(a_sunspec_meter_is_asked_where_its_values_are_and_then_read),
        cmocka_unit_test(a_meter_that_is_no_sunspec_meter_is_said_to_be_none),
        cmocka_unit_test(a_tick_ends_with_its_period_and_the_next_begins_where_it_stopped),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
