/* a day of a site in a few numbers, by its own clock; and what the days of many say together */
#include "check.h"
#include "record.h"

#include "base/text.h"
#include "fleet/days.h"
#include "fleet/ledger.h"
#include "model/event_json.h"
#include "store/site_day.h"

#include <math.h>
#include <stdlib.h>
#include <unistd.h>

#define MINUTE INT64_C(60000)
#define HOUR (60 * MINUTE)
#define DAY (24 * HOUR)

/* Chicago, 2026-01-01 and what of 2025-12-31 lies before it in UTC */
#define BEGIN (RECORD_WALL_MS + 6 * HOUR) /* 00:00 there */

static void in_chicago(struct record *r)
{
    strcpy(r->site.timezone, "America/Chicago");
    r->site.nominal_volts = 120.0;
    for (size_t i = 0; i < r->site.circuit_count; i++)
        r->site.circuits[i].meter = 0;
    assert_int_equal(record_open(r, (struct store_options){0}), STORE_OK);
}

/* a row every 5 s: amps of cellar-01, and of both poles of cellar-02 */
static void reads(struct record *r, int64_t from, int64_t to, float one, float two)
{
    struct frame *f = frame_create(&r->site);
    for (int64_t t = from; t < to; t += 5000) {
        f->wall_ms = r->wall_ms = t;
        f->mono_ms = r->mono_ms += 5000;
        f->has = 1U << FRAME_AMPS;
        f->values[frame_index(f, FRAME_AMPS, 0)] = one;
        f->values[frame_index(f, FRAME_AMPS, 1)] = two;
        f->values[frame_index(f, FRAME_AMPS, 2)] = two;
        store_add_readings(r->store, f);
        if (t % (10 * MINUTE) == 0)
            assert_int_equal(store_commit(r->store, r->mono_ms, t), STORE_OK);
    }
    assert_int_equal(store_commit(r->store, INT64_MAX / 2, to), STORE_OK);
    frame_destroy(f);
}

static void raise_alarm(struct record *r, const char *id, enum alarm_kind kind, int64_t wall_ms,
                        bool alert, int64_t raised_ms)
{
    r->wall_ms = wall_ms;
    struct event e = record_alarm(r, id, kind, ALARM_UNACKNOWLEDGED);
    e.alarm.alert = alert;
    e.alarm.raised_wall_ms = raised_ms;
    record_add(r, &e);
}

static void a_day_is_summed_up_by_the_sites_clock(void **state)
{
    struct record *r = *state;
    struct event_site_day d;
    in_chicago(r);
    reads(r, BEGIN - HOUR, BEGIN, 40, 0); /* the day before */
    reads(r, BEGIN, BEGIN + 3 * HOUR, 10, 5);
    reads(r, BEGIN + 5 * HOUR, BEGIN + 18 * HOUR, 10, 5); /* two hours without */
    reads(r, BEGIN + 18 * HOUR, BEGIN + 19 * HOUR, 20, 5);
    reads(r, BEGIN + 19 * HOUR, BEGIN + DAY, 10, 5);
    reads(r, BEGIN + DAY, BEGIN + DAY + HOUR, 40, 0); /* the day after */

    r->wall_ms = BEGIN + HOUR;
    struct event trip = record_trip(r, "cellar-01.1", 0, TRIP_CONFIRMED);
    record_add(r, &trip);
    trip = record_trip(r, "cellar-01.2", 0, TRIP_WITHDRAWN);
    record_add(r, &trip);
    int64_t at = BEGIN + 2 * HOUR;
    raise_alarm(r, "cellar-01.near_overload", ALARM_NEAR_OVERLOAD, at, false, at);
    raise_alarm(r, "cellar-01.near_overload", ALARM_NEAR_OVERLOAD, at + MINUTE, false, at);
    raise_alarm(r, "cellar-02.near_overload", ALARM_NEAR_OVERLOAD, at, true, at);
    raise_alarm(r, "cellar-01.trip", ALARM_TRIP, at, false, at);
    raise_alarm(r, "cellar-01.trip", ALARM_TRIP, BEGIN + DAY, false, BEGIN + DAY);
    assert_int_equal(store_commit(r->store, INT64_MAX / 2, BEGIN + DAY + HOUR), STORE_OK);

    assert_int_equal(site_day_before(&r->site, r->reader, BEGIN + DAY + HOUR, &d), STORE_OK);
    assert_string_equal(d.day, "2026-01-01");
    assert_int_equal(d.from_wall_ms, BEGIN);
    assert_int_equal(d.to_wall_ms, BEGIN + DAY);
    /* 120 V x 20 A for 22 hours, and 10 A more for one */
    assert_near(d.kwh, 2.4 * 22 + 1.2, 0.05);
    assert_near(d.peak_watts, 3600, 10);
    assert_near(d.seconds_without, 7200, 30);
    assert_int_equal(d.trips, 1);
    assert_int_equal(d.warnings, 1);
    assert_int_equal(d.alarms, 1);

    struct event e = {
        .type = EVENT_SITE_DAY, .wall_ms = BEGIN + DAY, .panel = -1, .circuit = -1};
    e.site_day = d;
    char *json = event_to_json_text(&r->site, &e);
    assert_true(strlen(json) < 400); /* so a year of it is some 100 KB */
    assert_non_null(strstr(json, "\"type\":\"site_day\""));
    assert_non_null(strstr(json, "\"day\":\"2026-01-01\""));
    free(json);
}

static void a_day_has_23_24_or_25_hours_and_may_have_no_readings(void **state)
{
    static const struct {
        const char *day;
        int64_t after; /* a moment of the day after, UTC */
        int hours;
    } rows[] = {
        {"2026-03-07", 1772960400000, 24}, /* 2026-03-08T09:00Z, the clocks are set forward */
        {"2026-03-08", 1773046800000, 23},
        {"2026-11-01", 1793653200000, 25}, /* 2026-11-02T21:00Z; set back on the 1st */
        {"2026-11-02", 1793739600000, 24},
    };
    struct record *r = *state;
    struct event_site_day d;
    in_chicago(r);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_int_equal(site_day_before(&r->site, r->reader, rows[i].after, &d), STORE_OK);
        assert_string_equal(d.day, rows[i].day);
        assert_int_equal((d.to_wall_ms - d.from_wall_ms) / HOUR, rows[i].hours);
        assert_true(isnan(d.kwh) && isnan(d.peak_watts));
        assert_near(d.seconds_without, rows[i].hours * 3600.0, 0);
    }
}

/* ---- at the centre ---- */

static void send(struct ledger *l, const char *site, int64_t seq, const char *members)
{
    struct text t = TEXT_INIT;
    struct parcel p;
    char why[PARCEL_WHY_SIZE];
    struct ledger_taken taken = {0};
    text_printf(&t,
                "{\"site\":\"%s\",\"after\":%lld,\"to\":%lld,\"records\":[{\"seq\":%lld,"
                "\"time\":\"2026-01-02T06:05:00.000Z\",\"type\":\"site_day\",%s}]}",
                site, (long long)seq - 1, (long long)seq, (long long)seq, members);
    if (!parcel_read(&p, site, text_get(&t), t.length, why))
        fail_msg("%s", why);
    const struct ledger_item item = {.site = site, .parcel = &p};
    if (ledger_take(l, &item, 1, BEGIN + DAY + HOUR, &taken) != SQL_FINE)
        fail_msg("%s", ledger_why(l));
    parcel_free(&p);
    text_free(&t);
}

static void the_days_of_many_are_added_up_and_each_counts_once(void **state)
{
    char path[64] = "/tmp/foretrip-days-XXXXXX", name[80], why[SQL_WHY_SIZE];
    struct days_sums d;
    (void)state;
    close(mkstemp(path));
    struct ledger *l = ledger_open(&(struct ledger_options){.where = path}, why);
    struct sql *s = sql_open(path, why);
    send(l, "maple-12", 5, "\"day\":\"2025-12-31\",\"kwh\":99,\"trips\":9");
    send(l, "maple-12", 6,
         "\"day\":\"2026-01-01\",\"kwh\":12.5,\"peak_watts\":4100,\"trips\":1,"
         "\"warnings\":2,\"alarms\":1");
    send(l, "maple-13", 7,
         "\"day\":\"2026-01-01\",\"kwh\":7.5,\"peak_watts\":9800,\"trips\":0,"
         "\"warnings\":1,\"alarms\":0");
    send(l, "maple-14", 8, "\"day\":\"2026-01-01\",\"kwh\":null,\"peak_watts\":null");
    assert_int_equal(days_sum(s, BEGIN, &d), SQL_FINE);
    assert_int_equal(d.units, 3);
    assert_near(d.kwh, 20.0, 1e-9);
    assert_near(d.peak_watts, 9800, 0);
    assert_string_equal(d.peak_site, "maple-13");
    assert_int_equal(d.trips, 1);
    assert_int_equal(d.warnings, 3);
    assert_int_equal(d.alarms, 1);
    assert_int_equal(days_sum(s, BEGIN + 2 * DAY, &d), SQL_FINE); /* none so new */
    assert_int_equal(d.units, 0);
    sql_close(s);
    ledger_close(l);
    unlink(path);
    snprintf(name, sizeof name, "%s-wal", path);
    unlink(name);
    snprintf(name, sizeof name, "%s-shm", path);
    unlink(name);
}

#define TEST(f) cmocka_unit_test_setup_teardown(f, record_set_up, record_tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_day_is_summed_up_by_the_sites_clock),
        TEST(a_day_has_23_24_or_25_hours_and_may_have_no_readings),
        cmocka_unit_test(the_days_of_many_are_added_up_and_each_counts_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
