/* A meter with bad manners among two good ones: what the gateway does, as the table in
 * docs/method/manners.md.
 *
 * The table is written by this test: `test_manners --write FILE` writes it, without an argument
 * it is compared with the file. Whatever the manner, no reading may ever be anything but what
 * the meter holds. */
#include "check.h"

#include <stdlib.h>

#include "base/clock.h"
#include "base/text.h"
#include "bus_rig.h"
#include "drivers/bus_tick.h"
#include "fake_meter.h"

#define PAGE "docs/method/manners.md"
#define BEGIN "<!-- made by tests/unit/test_manners -->\n"
#define END "<!-- end -->\n"
#define TIMEOUT_MS 100
#define BAD_UNIT 2
#define MOST_ACTS 60
#define ALWAYS_TICKS 6

struct manner {
    const char *name;
    int acts[3]; /* of the first requests, 0-ended unless it is one */
    int count;
    int late_ms;
    bool babble, tcp, serial;
};

static const struct manner manners[] = {
    {"late, within the timeout", {FAKE_LATE}, 1, 60, false, true, true},
    {"late, after the timeout", {FAKE_LATE}, 1, 150, false, true, true},
    {"late, just before the next answer", {FAKE_WITH_NEXT}, 1, 0, false, true, true},
    {"partial: half, and no more", {FAKE_SHORT}, 1, 0, false, true, true},
    {"partial: half, the rest before the next answer", {FAKE_SPLIT}, 1, 0, false, true, true},
    {"wrong unit", {FAKE_WRONG_UNIT}, 1, 0, false, true, true},
    {"wrong function", {FAKE_WRONG_FUNCTION}, 1, 0, false, true, true},
    {"wrong transaction id", {FAKE_WRONG_TRANSACTION}, 1, 0, false, true, false},
    {"wrong protocol id", {FAKE_WRONG_PROTOCOL}, 1, 0, false, true, false},
    {"one register too few", {FAKE_WRONG_COUNT}, 1, 0, false, true, true},
    {"header's length disagrees", {FAKE_WRONG_LENGTH}, 1, 0, false, true, false},
    {"bad check sum", {FAKE_BAD_CRC}, 1, 0, false, false, true},
    {"extra bytes behind the answer", {FAKE_EXTRA}, 1, 0, false, true, true},
    {"exception 1", {FAKE_EXCEPTION + 1}, 1, 0, false, true, true},
    {"exception 2", {FAKE_EXCEPTION + 2}, 1, 0, false, true, true},
    {"exception 3", {FAKE_EXCEPTION + 3}, 1, 0, false, true, true},
    {"exception 4", {FAKE_EXCEPTION + 4}, 1, 0, false, true, true},
    {"exception 5, acknowledge", {FAKE_EXCEPTION + 5}, 1, 0, false, true, true},
    {"exception 6, busy", {FAKE_EXCEPTION + 6}, 1, 0, false, true, true},
    {"exception 8, memory parity error", {FAKE_EXCEPTION + 8}, 1, 0, false, true, true},
    {"exception 10, from a gateway", {FAKE_EXCEPTION + 10}, 1, 0, false, true, true},
    {"exception 11, from a gateway", {FAKE_EXCEPTION + 11}, 1, 0, false, true, true},
    {"exception 99, undefined", {FAKE_EXCEPTION + 99}, 1, 0, false, true, true},
    {"silence", {FAKE_SILENT}, 1, 0, false, true, true},
    {"closes instead of an answer", {FAKE_CLOSE}, 1, 0, false, true, false},
    {"closes after every second answer", {FAKE_GOOD, FAKE_CLOSE}, 2, 0, false, true, false},
    {"babbles", {FAKE_GOOD}, 1, 0, true, true, true},
};

static struct bus_report *tick(struct bus_rig *b)
{
    struct bus_report *r = bus_rig_tick(b);
    for (int unit = 1; unit <= BUS_UNITS; unit++)
        for (int channel = 1; channel <= BUS_CHANNELS; channel++) {
            double amps = bus_rig_amps(r, unit, channel);
            if (!isnan(amps)) /* the promise: right, or not there */
                assert_near(amps, fake_register(unit, channel - 1) * 0.01, 1e-4);
        }
    return r;
}

static bool good(const struct bus_report *r, int unit)
{
    return r->meters[unit - 1].state == BUS_METER_OK;
}

/* what has been counted since */
static void say_counted(struct text *out, const struct bus_counters *now,
                        const struct bus_counters *before)
{
    const char *comma = "";
    for (int f = 1; f < FAULT_COUNT; f++)
        if (now->faults[f] != before->faults[f]) {
            text_printf(out, "%s%s", comma, fault_name((enum fault)f));
            comma = ", ";
        }
    if (!comma[0])
        text_printf(out, "nothing");
}

static const char *state_word(const struct bus_meter_status *m)
{
    switch (m->state) {
    case BUS_METER_OK: return "read";
    case BUS_METER_PARTLY: return "read in part";
    case BUS_METER_LOST: return "not read, asked each time";
    case BUS_METER_BACKOFF: return "left alone, tried now and then";
    case BUS_METER_NO_TIME: return "no time for it";
    }
    return "?";
}

static void misbehave(struct bus_rig *b, const struct manner *m, int times)
{
    int acts[MOST_ACTS], count = 0;
    while (count < times * m->count && count < MOST_ACTS) {
        acts[count] = m->acts[count % m->count];
        count++;
    }
    fake_meter_late_ms(b->fake, m->late_ms);
    fake_meter_script(b->fake, BAD_UNIT, acts, (size_t)count);
    fake_meter_babble(b->fake, m->babble);
}

static void behave(struct bus_rig *b)
{
    fake_meter_script(b->fake, BAD_UNIT, NULL, 0);
    fake_meter_babble(b->fake, false);
    b->bus.period_us = 10000000; /* time for a line to fall silent */
    for (int i = 0; i < BUS_UNITS; i++)
        b->bus.meters[i].health.next_try_us = clock_mono_us();
}

static void once(struct bus_rig *b, const struct manner *m, struct text *row)
{
    struct bus_counters before = b->bus.tally;
    misbehave(b, m, 1);
    struct bus_report *r = tick(b);
    bool others = good(r, 1) && good(r, 3), all = good(r, BAD_UNIT);
    bool again =
        b->bus.tally.retries > before.retries || b->bus.tally.connects > before.connects;
    bus_report_free(r);
    struct text counted = TEXT_INIT;
    if (!m->babble)
        bus_report_free(tick(b)); /* what comes late is counted when it is met */
    say_counted(&counted, &b->bus.tally, &before);
    text_printf(row, "%s | %s%s | %s", text_get(&counted),
                !all     ? "missing"
                : !again ? "right"
                         : "right, at the second try",
                others ? "" : "; the others' too",
                b->bus.tally.connects > before.connects ? "made anew" : "kept");
    text_free(&counted);
}

static void always(struct bus_rig *b, const struct manner *m, struct text *row)
{
    struct bus_report *r = NULL;
    bool others = true;
    for (int i = 0; i < ALWAYS_TICKS; i++) {
        misbehave(b, m, MOST_ACTS);
        bus_report_free(r);
        r = tick(b);
        others = others && good(r, 1) && good(r, 3);
    }
    text_printf(row, " | %s | %s", state_word(&r->meters[BAD_UNIT - 1]),
                others ? "read" : "not all read");
    bus_report_free(r);
}

static void one_row(const struct manner *m, bool tcp, struct text *out)
{
    struct text row = TEXT_INIT;
    struct bus_rig *b = bus_rig_up(tcp, TIMEOUT_MS);
    bus_report_free(tick(b));
    once(b, m, &row);
    behave(b);
    bus_report_free(tick(b));
    b->bus.period_us = 1000 * BUS_PERIOD_MS;
    always(b, m, &row);
    behave(b);
    for (int i = 0; i < 4; i++) {
        behave(b);
        bus_report_free(tick(b));
    }
    struct bus_report *r = tick(b);
    assert_all_good(r); /* whatever it was, it is over when it is over */
    bus_report_free(r);
    text_printf(out, "| %s | %s | %s |\n", m->name, tcp ? "TCP" : "serial", text_get(&row));
    text_free(&row);
    bus_rig_down(b);
}

static void make_table(struct text *out)
{
    text_printf(
        out,
        "| manner | line | counted as | values of that poll | connection | when it goes on: "
        "the meter | its neighbours |\n|---|---|---|---|---|---|---|\n");
    for (size_t i = 0; i < sizeof manners / sizeof manners[0]; i++)
        for (int tcp = 1; tcp >= 0; tcp--)
            if (tcp ? manners[i].tcp : manners[i].serial)
                one_row(&manners[i], tcp, out);
}

static char *read_page(void)
{
    FILE *f = fopen(PAGE, "r");
    char *page = calloc(1, 65536);
    assert_non_null(f);
    assert_non_null(page);
    assert_true(fread(page, 1, 65535, f) > 0);
    fclose(f);
    return page;
}

/* the table's place in the page: what stands between the marks */
static char *table_in(char *page, char **after)
{
    char *begin = strstr(page, BEGIN);
    assert_non_null(begin);
    begin += strlen(BEGIN);
    *after = strstr(begin, END);
    assert_non_null(*after);
    return begin;
}

static const char *write_to; /* set by main */

static void each_manner_has_the_end_that_the_page_tells(void **state)
{
    struct text table = TEXT_INIT;
    char *page = read_page(), *after, *begin = table_in(page, &after);
    (void)state;
    make_table(&table);
    if (write_to) {
        FILE *f = fopen(write_to, "w");
        assert_non_null(f);
        fprintf(f, "%.*s%s%s", (int)(begin - page), page, text_get(&table), after);
        fclose(f);
    } else {
        size_t length = (size_t)(after - begin);
        if (length != table.length || memcmp(begin, text_get(&table), length) != 0)
            fail_msg("%s is not what happens (make docs writes it); now:\n%s", PAGE,
                     text_get(&table));
    }
    text_free(&table);
    free(page);
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_manner_has_the_end_that_the_page_tells),
    };
    if (argc == 3 && strcmp(argv[1], "--write") == 0)
        write_to = argv[2];
    return cmocka_run_group_tests(tests, NULL, NULL);
}
