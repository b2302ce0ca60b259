/* fleet: what comes of the sites, filed once. In the embedded database; with
 * FORETRIP_FLEET_TEST_DATABASE (postgresql://.., emptied by each test) in that one. */
#include "check.h"

#include "fleet_store.h"
#include "good_parcel.h"

#include "base/clock.h"
#include "base/text.h"
#include "fleet/copies.h"
#include "fleet/intake.h"
#include "fleet/ledger.h"
#include "fleet/notices.h"
#include "fleet/portfolio.h"

#include <stdlib.h>
#include <unistd.h>

#define NOW INT64_C(1795603200000) /* 2026-11-25T10:40:00Z */
#define DAY INT64_C(86400000)

/* ---- the ledger ---- */

struct rig {
    struct fleet_store store;
    const char *where;
    struct ledger *ledger;
    struct sql *sql; /* beside it, as the page has it */
    struct ledger_taken taken;
};

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    char why[SQL_WHY_SIZE];
    fleet_store_make(&r->store);
    r->where = r->store.where;
    r->ledger = ledger_open(&(struct ledger_options){.where = r->where}, why);
    r->sql = sql_open(r->where, why);
    *state = r;
    return r->ledger && r->sql ? 0 : -1;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    ledger_close(r->ledger);
    sql_close(r->sql);
    fleet_store_remove(&r->store);
    free(r);
    return 0;
}

/* one parcel of one site, its records as text */
static void send(struct rig *r, const char *site, int64_t after, int64_t to,
                 const char *records, int64_t wall_ms)
{
    struct text t = TEXT_INIT;
    struct parcel p;
    char why[PARCEL_WHY_SIZE];
    text_printf(&t, "{\"site\":\"%s\",\"after\":%lld,\"to\":%lld,\"records\":[%s]}", site,
                (long long)after, (long long)to, records);
    if (!parcel_read(&p, site, text_get(&t), t.length, why))
        fail_msg("%s", why);
    const struct ledger_item item = {.site = site, .parcel = &p};
    if (ledger_take(r->ledger, &item, 1, wall_ms, &r->taken) != SQL_FINE)
        fail_msg("%s", ledger_why(r->ledger));
    parcel_free(&p);
    text_free(&t);
}

static char *other(char out[160], int64_t seq)
{
    snprintf(out, 160, "{\"seq\":%lld,\"time\":\"2026-11-25T10:39:02.000Z\",\"type\":\"note\"}",
             (long long)seq);
    return out;
}

static int64_t number(struct rig *r, const char *text)
{
    return fleet_store_number(r->sql, text);
}

static void a_record_that_comes_twice_is_filed_once(void **state)
{
    struct rig *r = *state;
    char record[160];
    send(r, "maple-12", 0, 5, other(record, 5), NOW);
    send(r, "maple-12", 0, 5, other(record, 5), NOW + 1000);
    send(r, "oak-3", 0, 5, other(record, 5), NOW); /* another site's number */
    assert_int_equal(r->taken.records, 2);
    assert_int_equal(r->taken.repeated, 1);
    assert_int_equal(number(r, "SELECT count(*) FROM records"), 2);
    assert_int_equal(number(r, "SELECT have FROM sites WHERE id = 'maple-12'"), 5);
    assert_int_equal(number(r, "SELECT heard_ms FROM sites WHERE id = 'maple-12'"), NOW + 1000);
}

/* Its record was put back from an old copy, and went on from there. */
static void a_number_with_other_words_is_noticed_until_a_day_after(void **state)
{
    static const char open[] = "SELECT count(*) FROM notices WHERE kind = '" NOTICE_COPIED
                               "' AND ended_ms IS NULL AND text LIKE '%maple-12: record 5 %'";
    static const char changed[] =
        "{\"seq\":5,\"time\":\"2026-11-25T10:39:02.000Z\",\"type\":\"another\"}";
    struct rig *r = *state;
    char record[160];
    send(r, "maple-12", 0, 5, other(record, 5), NOW);
    send(r, "maple-12", 0, 5, other(record, 5), NOW);
    assert_int_equal(number(r, open), 0);
    send(r, "maple-12", 0, 5, changed, NOW + 1000);
    send(r, "maple-12", 0, 5, changed, NOW + 2000);
    assert_int_equal(number(r, open), 1);
    assert_int_equal(number(r, "SELECT count(*) FROM records WHERE type = 'note'"), 1);
    assert_int_equal(copies_tend(r->sql, NOW + DAY), SQL_FINE);
    assert_int_equal(number(r, open), 1);
    assert_int_equal(copies_tend(r->sql, NOW + DAY + 3000), SQL_FINE);
    assert_int_equal(number(r, open), 0);
}

/* The row of the site is of an older copy of the store than the records. */
static void a_record_that_no_site_knows_of_stays_as_it_is(void **state)
{
    struct rig *r = *state;
    struct parcel p;
    char record[160], payload[400], why[PARCEL_WHY_SIZE];
    send(r, "maple-12", 0, 5, other(record, 5), NOW);
    assert_int_equal(sql_run(r->sql, "UPDATE sites SET have = 0"), SQL_FINE);
    int n = snprintf(payload, sizeof payload,
                     "{\"site\":\"maple-12\",\"after\":0,\"to\":6,\"records\":[%s",
                     other(record, 5));
    n += snprintf(payload + n, sizeof payload - (size_t)n, ",%s]}", other(record, 6));
    assert_true(parcel_read(&p, "maple-12", payload, (size_t)n, why));
    const struct ledger_item item = {.site = "maple-12", .parcel = &p};
    enum sql_err err = SQL_ERR_AGAIN;
    for (int tries = 0; err == SQL_ERR_AGAIN && tries < 3; tries++)
        err = ledger_take(r->ledger, &item, 1, NOW, &r->taken);
    assert_int_equal(err, SQL_FINE);
    parcel_free(&p);
    assert_int_equal(number(r, "SELECT count(*) FROM records"), 2);
    assert_int_equal(number(r, "SELECT have FROM sites"), 6);
    send(r, "maple-12", 6, 7, other(record, 7), NOW);
    assert_int_equal(number(r, "SELECT count(*) FROM records"), 3);
}

struct asked {
    int count;
    char text[200];
};

static void note_gap(void *context, const char *site, int64_t after, int64_t to)
{
    struct asked *a = context;
    a->count++;
    snprintf(a->text, sizeof a->text, "%s %lld-%lld", site, (long long)after, (long long)to);
}

static void a_gap_is_asked_for_until_it_is_filled(void **state)
{
    struct rig *r = *state;
    struct asked a = {0};
    char record[160];
    send(r, "maple-12", 0, 5, other(record, 5), NOW);
    send(r, "maple-12", 7, 9, other(record, 9), NOW);
    assert_int_equal(r->taken.gaps, 1);
    assert_int_equal(ledger_take_gaps(r->ledger, NOW, 10, note_gap, &a), SQL_FINE);
    assert_int_equal(a.count, 0); /* it may be on its way to another collector */
    assert_int_equal(ledger_take_gaps(r->ledger, NOW + LEDGER_GAP_MS, 10, note_gap, &a),
                     SQL_FINE);
    assert_int_equal(a.count, 1);
    assert_string_equal(a.text, "maple-12 5-7");
    ledger_take_gaps(r->ledger, NOW + LEDGER_GAP_MS + 29000, 10, note_gap, &a);
    assert_int_equal(a.count, 1);
    ledger_take_gaps(r->ledger, NOW + LEDGER_GAP_MS + 30000, 10, note_gap, &a);
    assert_int_equal(a.count, 2);
    ledger_take_gaps(r->ledger, NOW + LEDGER_GAP_MS + 61000, 10, note_gap, &a);
    assert_int_equal(a.count, 2); /* ever later */
    send(r, "maple-12", 5, 9, other(record, 6), NOW + 70000);
    ledger_take_gaps(r->ledger, NOW + INT64_C(86400000), 10, note_gap, &a);
    assert_int_equal(a.count, 2);
    assert_int_equal(number(r, "SELECT count(*) FROM records"), 3);
    assert_int_equal(number(r, "SELECT gaps FROM sites"), 0);
}

#define ALARM(seq, state)                                                                      \
    "{\"seq\":" #seq ",\"time\":\"2026-11-25T10:39:02.000Z\",\"type\":\"alarm\","              \
    "\"circuit\":\"main-07\",\"alarm\":\"main-07.trip\",\"kind\":\"trip\","                    \
    "\"priority\":\"high\",\"state\":\"" state                                                 \
    "\",\"raised_at\":\"2026-11-25T10:39:01.000Z\"}"

static void an_older_record_does_not_undo_a_newer_one(void **state)
{
    struct rig *r = *state;
    send(r, "maple-12", 5, 9, ALARM(9, "normal"), NOW);
    send(r, "maple-12", 0, 5, ALARM(5, "unacknowledged"), NOW); /* came late */
    assert_int_equal(number(r, "SELECT count(*) FROM alarms WHERE state = 'normal'"), 1);
    assert_int_equal(number(r, "SELECT count(*) FROM alarms"), 1);
    assert_int_equal(number(r, "SELECT count(*) FROM records"), 2);
    send(r, "maple-12", 9, 12, ALARM(10, "unacknowledged") "," ALARM(12, "acknowledged"), NOW);
    assert_int_equal(number(r, "SELECT count(*) FROM alarms WHERE state = 'acknowledged'"), 1);
}

static void what_became_of_a_trip_finds_it_whichever_comes_first(void **state)
{
    struct rig *r = *state;
    send(r, "maple-12", 12, 15,
         "{\"seq\":15,\"time\":\"2026-11-25T10:41:59.000Z\",\"type\":\"restored\","
         "\"circuit\":\"main-07\",\"trip\":\"main-07-1\",\"seconds_open\":180}",
         NOW);
    assert_int_equal(number(r, "SELECT count(*) FROM trips WHERE stage <> ''"), 0);
    struct parcel p;
    char why[PARCEL_WHY_SIZE];
    assert_true(parcel_read(&p, "maple-12", good_parcel, strlen(good_parcel), why));
    p.to = p.records[0].seq; /* the first of them is what was missing */
    p.count = 1;
    const struct ledger_item item = {.site = "maple-12", .parcel = &p};
    assert_int_equal(ledger_take(r->ledger, &item, 1, NOW, &r->taken), SQL_FINE);
    parcel_free(&p);
    assert_int_equal(number(r, "SELECT count(*) FROM trips WHERE stage = 'confirmed'"
                               " AND cause = 'overload' AND seconds_open = 180"),
                     1);
}

static void a_mad_clock_files_under_today(void **state)
{
    struct rig *r = *state;
    send(r, "maple-12", 0, 2,
         "{\"seq\":1,\"time\":\"1970-01-01T00:00:10Z\",\"type\":\"note\"},"
         "{\"seq\":2,\"time\":\"2199-01-01T00:00:10Z\",\"type\":\"note\"}",
         NOW);
    assert_int_equal(number(r, "SELECT count(*) FROM records WHERE filed_ms = 1795603200000"),
                     2);
}

static void strangers_are_passed_over_when_only_known_sites_may(void **state)
{
    struct rig *r = *state;
    char why[SQL_WHY_SIZE], record[160];
    ledger_close(r->ledger);
    r->ledger =
        ledger_open(&(struct ledger_options){.where = r->where, .known_only = true}, why);
    assert_non_null(r->ledger);
    send(r, "maple-12", 0, 5, other(record, 5), NOW);
    assert_int_equal(r->taken.unknown, 1);
    assert_int_equal(number(r, "SELECT count(*) FROM records"), 0);
    assert_int_equal(sql_run(r->sql, "INSERT INTO sites (id) VALUES ('maple-12')"), SQL_FINE);
    send(r, "maple-12", 0, 5, other(record, 5), NOW);
    assert_int_equal(r->taken.records, 1);
}

static void a_store_of_a_later_foretrip_is_left_alone(void **state)
{
    struct rig *r = *state;
    char why[SQL_WHY_SIZE];
    ledger_close(r->ledger);
    assert_int_equal(sql_run(r->sql, "INSERT INTO fleet_version VALUES (999)"), SQL_FINE);
    r->ledger = ledger_open(&(struct ledger_options){.where = r->where}, why);
    assert_null(r->ledger);
    assert_non_null(strstr(why, "a later foretrip (version 999"));
}

/* ---- the portfolio ---- */

struct seen {
    int count;
    char text[8][160];
};

static bool see_need(void *context, const struct portfolio_need *n)
{
    struct seen *s = context;
    if (s->count < 8)
        snprintf(s->text[s->count], 160, "%s %s %s %zu", n->site.id,
                 portfolio_reason_name(n->reason), n->circuit, n->others);
    s->count++;
    return true;
}

static void raise_alarm(struct rig *r, const char *site, int64_t seq, const char *kind,
                        const char *priority, const char *more)
{
    char record[400];
    snprintf(record, sizeof record,
             "{\"seq\":%lld,\"time\":\"2026-11-25T10:39:%02lld.000Z\",\"type\":\"alarm\","
             "\"circuit\":\"c-%lld\",\"alarm\":\"c-%lld.%s\",\"kind\":\"%s\","
             "\"priority\":\"%s\",\"state\":\"unacknowledged\"%s}",
             (long long)seq, (long long)seq, (long long)seq, (long long)seq, kind, kind,
             priority, more);
    send(r, site, seq - 1, seq, record, NOW);
}

static void who_needs_somebody_comes_by_how_pressing_it_is(void **state)
{
    struct rig *r = *state;
    struct seen s = {0};
    char record[160];
    raise_alarm(r, "a-warned", 1, "near_overload", "low", "");
    raise_alarm(r, "b-told", 1, "near_overload", "low", ",\"alert\":true");
    raise_alarm(r, "c-open", 1, "near_overload", "low", "");
    raise_alarm(r, "c-open", 2, "trip", "high", "");
    raise_alarm(r, "c-open", 3, "leg_imbalance", "low", "");
    raise_alarm(r, "d-worn", 1, "worn_breaker", "high", "");
    raise_alarm(r, "e-hazard", 1, "open_neutral", "urgent", "");
    send(r, "f-quiet", 0, 1, other(record, 1), NOW - PORTFOLIO_QUIET_MS - 1);
    assert_int_equal(portfolio_needs(r->sql, NOW, NULL, see_need, &s), SQL_FINE);
    assert_int_equal(s.count, 5);
    assert_string_equal(s.text[0], "e-hazard urgent c-1 0");
    assert_string_equal(s.text[1], "c-open open c-2 2");
    assert_string_equal(s.text[2], "d-worn worn_breaker c-1 0");
    assert_string_equal(s.text[3], "f-quiet quiet  0");
    assert_string_equal(s.text[4], "a-warned warning c-1 0");
    s = (struct seen){0};
    assert_int_equal(portfolio_needs(r->sql, NOW, "elsewhere", see_need, &s), SQL_FINE);
    assert_int_equal(s.count, 0);

    struct portfolio_sums sums;
    assert_int_equal(portfolio_sums(r->sql, NOW, &sums), SQL_FINE);
    assert_int_equal(sums.sites, 6);
    assert_int_equal(sums.quiet, 1);
    assert_int_equal(sums.urgent, 1);
    assert_int_equal(sums.high, 2);
}

static bool see_unit(void *context, const struct portfolio_unit *u)
{
    struct seen *s = context;
    if (s->count < 8)
        snprintf(s->text[s->count], 160, "%s %lld/%lld/%lld trips %lld online %d", u->site.id,
                 (long long)u->urgent, (long long)u->high, (long long)u->low,
                 (long long)u->trips, u->site.online);
    s->count++;
    return true;
}

static bool see_trip(void *context, const struct portfolio_trip *t)
{
    struct seen *s = context;
    if (s->count < 8)
        snprintf(s->text[s->count], 160, "%s %s %s %.2f", t->site.id, t->circuit, t->cause,
                 t->probability);
    s->count++;
    return true;
}

static bool see_count(void *context, int64_t from_ms, const char *cause, int64_t count)
{
    struct seen *s = context;
    if (s->count < 8)
        snprintf(s->text[s->count], 160, "%lld %s %lld", (long long)from_ms, cause,
                 (long long)count);
    s->count++;
    return true;
}

static void units_and_trips_are_listed(void **state)
{
    struct rig *r = *state;
    struct seen s = {0};
    struct parcel p;
    char why[PARCEL_WHY_SIZE], record[160];
    assert_true(parcel_read(&p, "maple-12", good_parcel, strlen(good_parcel), why));
    const struct ledger_item items[] = {{.site = "maple-12", .parcel = &p},
                                        {.site = "oak-3", .online = true},
                                        {.site = "oak-3", .online = false}};
    assert_int_equal(ledger_take(r->ledger, items, 3, NOW, &r->taken), SQL_FINE);
    parcel_free(&p);
    assert_int_equal(portfolio_units(r->sql, NOW - 86400000, NULL, 100, see_unit, &s),
                     SQL_FINE);
    assert_int_equal(s.count, 2);
    assert_string_equal(s.text[0], "maple-12 0/1/0 trips 1 online 1");
    assert_string_equal(s.text[1], "oak-3 0/0/0 trips 0 online 0");
    s = (struct seen){0};
    assert_int_equal(portfolio_trips(r->sql, NOW - 86400000, NOW, NULL, 10, see_trip, &s),
                     SQL_FINE);
    assert_int_equal(s.count, 1);
    assert_string_equal(s.text[0], "maple-12 main-07 overload 0.95");
    s = (struct seen){0};
    assert_int_equal(portfolio_trips(r->sql, NOW - 86400000, NOW,
                                     &(struct portfolio_scope){.site_id = "oak-3"}, 10,
                                     see_trip, &s),
                     SQL_FINE);
    assert_int_equal(s.count, 0);
    assert_int_equal(
        portfolio_trip_counts(r->sql, NOW - 86400000, NOW, 86400000, NULL, see_count, &s),
        SQL_FINE);
    assert_int_equal(s.count, 1);
    snprintf(record, sizeof record, "%lld overload 1", (long long)NOW - 86400000);
    assert_string_equal(s.text[0], record);
}

static bool see_notice(void *context, const struct notice *n)
{
    struct seen *s = context;
    if (s->count < 8)
        snprintf(s->text[s->count], 160, "%s %s %s %lld %s", n->kind, n->site, n->alarm,
                 (long long)n->units, n->ended_ms ? "over" : "stands");
    s->count++;
    return true;
}

static void tended(struct rig *r, int64_t wall_ms, int count)
{
    struct seen s = {0};
    assert_int_equal(notices_tend(r->sql, wall_ms), SQL_FINE);
    assert_int_equal(notices_tend(r->sql, wall_ms), SQL_FINE); /* twice is the same */
    assert_int_equal(notices_read(r->sql, 0, 100, see_notice, &s), SQL_FINE);
    assert_int_equal(s.count, count);
}

static void dark(struct rig *r, int first, int end, int64_t seq, const char *state, int64_t now)
{
    for (int i = first; i < end; i++) {
        char site[16], record[400];
        snprintf(site, sizeof site, "unit-%d", i);
        snprintf(record, sizeof record,
                 "{\"seq\":%lld,\"time\":\"2026-11-25T10:39:02.000Z\",\"type\":\"alarm\","
                 "\"alarm\":\"%s.trip\",\"kind\":\"trip\",\"priority\":\"high\","
                 "\"state\":\"%s\",\"raised_at\":\"2026-11-25T10:39:02.000Z\"}",
                 (long long)seq, site, state);
        send(r, site, seq - 1, seq, record, now);
    }
}

static void a_dark_quarter_is_one_notice(void **state)
{
    struct rig *r = *state;
    struct seen s = {0};
    dark(r, 0, 20, 1, "unacknowledged", NOW);
    tended(r, NOW, 1);
    dark(r, 20, 50, 1, "unacknowledged", NOW);
    tended(r, NOW + 1000, 1);
    dark(r, 0, 49, 2, "returned_unacknowledged", NOW + 2000);
    tended(r, NOW + 2000, 1);
    raise_alarm(r, "oak-3", 1, "trip", "high", ""); /* somebody else's breaker is told apart */
    tended(r, NOW + 3000, 2);
    dark(r, 49, 50, 2, "normal", NOW + 4000);
    tended(r, NOW + 4000, 2);
    assert_int_equal(notices_read(r->sql, 0, 100, see_notice, &s), SQL_FINE);
    assert_string_equal(s.text[0], "supply_outage   50 over");
    assert_string_equal(s.text[1], "trip oak-3 c-1.trip 1 stands");
    dark(r, 0, 5, 3, "unacknowledged", NOW + 90000); /* the next one is another story */
    tended(r, NOW + 90000, 3);
}

static void a_notice_ends_with_its_alarm_and_is_told_once(void **state)
{
    struct rig *r = *state;
    struct seen s = {0};
    send(r, "maple-12", 0, 5, ALARM(5, "unacknowledged"), NOW);
    tended(r, NOW, 1);
    send(r, "maple-12", 5, 6, ALARM(6, "acknowledged"), NOW);
    tended(r, NOW, 1);
    send(r, "maple-12", 6, 7, ALARM(7, "normal"), NOW);
    tended(r, NOW + 5, 1);
    assert_int_equal(notices_read(r->sql, 0, 100, see_notice, &s), SQL_FINE);
    assert_string_equal(s.text[0], "trip maple-12 main-07.trip 1 over");
    s = (struct seen){0};
    assert_int_equal(notices_read(r->sql, NOW + 5, 100, see_notice, &s), SQL_FINE);
    assert_int_equal(s.count, 0);
}

static void gateways_that_went_quiet_are_one_notice(void **state)
{
    struct rig *r = *state;
    char record[160];
    for (int i = 0; i < 9; i++) {
        char site[16];
        snprintf(site, sizeof site, "unit-%d", i);
        send(r, site, 0, 1, other(record, 1), NOW);
    }
    tended(r, NOW + PORTFOLIO_QUIET_MS, 0);
    tended(r, NOW + PORTFOLIO_QUIET_MS + 1, 1);
    assert_int_equal(number(r, "SELECT units FROM notices"), 9);
}

#define TEST(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_record_that_comes_twice_is_filed_once),
        TEST(a_number_with_other_words_is_noticed_until_a_day_after),
        TEST(a_record_that_no_site_knows_of_stays_as_it_is),
        TEST(a_gap_is_asked_for_until_it_is_filled),
        TEST(an_older_record_does_not_undo_a_newer_one),
        TEST(what_became_of_a_trip_finds_it_whichever_comes_first),
        TEST(a_mad_clock_files_under_today),
        TEST(strangers_are_passed_over_when_only_known_sites_may),
        TEST(a_store_of_a_later_foretrip_is_left_alone),
        TEST(who_needs_somebody_comes_by_how_pressing_it_is),
        TEST(units_and_trips_are_listed),
        TEST(a_dark_quarter_is_one_notice),
        TEST(a_notice_ends_with_its_alarm_and_is_told_once),
        TEST(gateways_that_went_quiet_are_one_notice),
    };
    return cmocka_run_group_tests_name("fleet", tests, NULL, NULL);
}
