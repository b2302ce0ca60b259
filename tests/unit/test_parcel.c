/* parcels of a site: which numbers came, what a parcel says, whose it is, how late it was */
#include "check.h"

#include "good_parcel.h"

#include "base/clock.h"
#include "base/text.h"
#include "fleet/ages.h"
#include "fleet/coverage.h"
#include "fleet/intake.h"
#include "fleet/parcel.h"

#include <stdlib.h>

#define NOW INT64_C(1795603200000) /* 2026-11-25T10:40:00Z */

/* ---- coverage ---- */

/* "have: after-to after-to" */
static void covers(const struct coverage *c, const char *wanted)
{
    char is[400];
    int n = snprintf(is, sizeof is, "%lld:", (long long)c->have);
    for (size_t i = 0; i < c->count; i++)
        n += snprintf(is + n, sizeof is - (size_t)n, " %lld-%lld", (long long)c->gaps[i].after,
                      (long long)c->gaps[i].to);
    assert_string_equal(is, wanted);
}

static void coverage_knows_what_is_here(void **state)
{
    struct coverage c = {0};
    (void)state;
    assert_true(coverage_add(&c, 0, 100, 1));
    covers(&c, "100:");
    assert_true(coverage_add(&c, 150, 200, 2)); /* something did not come */
    covers(&c, "200: 100-150");
    assert_true(coverage_add(&c, 150, 180, 3)); /* twice */
    covers(&c, "200: 100-150");
    assert_true(coverage_add(&c, 110, 120, 4)); /* out of the middle of a gap */
    covers(&c, "200: 100-110 120-150");
    assert_int_equal(c.gaps[1].seen_ms, 2);
    assert_true(coverage_add(&c, 90, 130, 5)); /* over the edges */
    covers(&c, "200: 130-150");
    assert_true(coverage_has(&c, 130) && !coverage_has(&c, 131) && !coverage_has(&c, 150));
    assert_true(coverage_has(&c, 151) && !coverage_has(&c, 201));
    assert_true(coverage_add(&c, 130, 150, 6));
    covers(&c, "200:");
    assert_true(coverage_add(&c, 0, 50, 7)); /* a new record at the site begins anew: no gap */
    covers(&c, "200:");
    assert_true(coverage_add(&c, 200, 200, 8)); /* health alone */
    covers(&c, "200:");
    assert_true(coverage_add(&c, 300, 300, 9)); /* health, but something did not come */
    covers(&c, "300: 200-300");
    coverage_free(&c);
}

/* The same numbers by a plain set, over seeded parcels in any order, with repeats. */
static void coverage_agrees_with_a_plain_set(void **state)
{
    (void)state;
    unsigned seed = 7;
    for (int round = 0; round < 200; round++) {
        struct coverage c = {0};
        bool here[201] = {false};
        for (int i = 0; i < 40; i++) {
            seed = seed * 1103515245U + 12345U;
            int after = (int)(seed >> 8) % 200, to = after + (int)(seed >> 20) % 30;
            to = to > 200 ? 200 : to;
            if (!coverage_add(&c, after, to, 0))
                fail_msg("round %d: no room", round);
            for (int k = after + 1; k <= to; k++)
                here[k] = true;
        }
        for (int k = 1; k <= 200; k++)
            if (coverage_has(&c, k) != here[k] && (here[k] || k <= c.have))
                fail_msg("round %d: number %d", round, k);
        coverage_free(&c);
    }
}

static void gaps_are_bounded(void **state)
{
    struct coverage c = {0};
    (void)state;
    for (int i = 0; i < COVERAGE_MOST_GAPS; i++)
        assert_true(coverage_add(&c, 10 * i + 5, 10 * i + 10, 0));
    assert_int_equal(c.count, COVERAGE_MOST_GAPS);
    assert_false(coverage_add(&c, 90000, 90001, 0));
    assert_int_equal(c.have, 10 * COVERAGE_MOST_GAPS);
    assert_true(coverage_add(&c, 0, 90000, 0)); /* all filled at once */
    assert_int_equal(c.count, 0);
    coverage_free(&c);
}

static void ages_are_known_to_a_fifth(void **state)
{
    struct ages a = {0};
    (void)state;
    assert_int_equal(ages_within(&a, 0.5), 0);
    for (int64_t ms = 1; ms <= 1000; ms++)
        ages_add(&a, ms);
    ages_add(&a, -5); /* clocks differ */
    assert_in_range(ages_within(&a, 0.5), 500, 600);
    assert_in_range(ages_within(&a, 0.99), 990, 1190);
    assert_in_range(ages_within(&a, 1.0), 1000, 1190);
    ages_add(&a, INT64_C(86400000) * 400);
    assert_true(ages_within(&a, 1.0) > INT64_C(86400000));
}

/* ---- parcels ---- */

static void a_parcel_is_read(void **state)
{
    struct parcel p;
    char why[PARCEL_WHY_SIZE];
    (void)state;
    assert_true(parcel_read(&p, "maple-12", good_parcel, strlen(good_parcel), why));
    assert_int_equal(p.count, 3);
    assert_int_equal(p.after, 10);
    assert_int_equal(p.to, 20);
    assert_int_equal(p.records[0].kind, PARCEL_TRIP);
    assert_string_equal(p.records[0].what, "overload");
    assert_string_equal(p.records[0].circuit, "main-07");
    assert_near(p.records[0].probability, 0.95, 1e-9);
    assert_int_equal(p.records[1].kind, PARCEL_ALARM);
    assert_string_equal(p.records[1].priority, "high");
    assert_int_equal(p.records[2].kind, PARCEL_OTHER); /* what comes later is filed too */
    assert_int_equal(p.records[2].seq, 20);
    assert_int_equal(strncmp(p.records[2].json, "{\"seq\":20,", 10), 0);
    parcel_free(&p);
}

static void a_faulty_parcel_is_refused_as_a_whole(void **state)
{
    static const struct {
        const char *payload, *says;
    } cases[] = {
        {"", "no JSON"},
        {"[1]", "'site' is not"},
        {"{\"site\":\"other\",\"after\":0,\"to\":1,\"records\":[]}", "'site' is not"},
        {"{\"site\":\"maple-12\",\"to\":1,\"records\":[]}", "'after' and 'to'"},
        {"{\"site\":\"maple-12\",\"after\":-1,\"to\":1,\"records\":[]}", "'after' and 'to'"},
        {"{\"site\":\"maple-12\",\"after\":5,\"to\":4,\"records\":[]}", "'to' lies below"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4}", "'records' must be"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[{\"seq\":1}]}",
         "record 1 is not a record"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[{\"seq\":5,\"type\":\"x\","
         "\"time\":\"2026-11-25T10:39:02Z\"}]}",
         "record 1 has the number 5 out of order"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[{\"seq\":2,\"type\":\"x\","
         "\"time\":\"2026-11-25T10:39:02Z\"},{\"seq\":2,\"type\":\"x\","
         "\"time\":\"2026-11-25T10:39:02Z\"}]}",
         "record 2 has the number 2 out of order"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[{\"seq\":2,\"type\":"
         "\"alarm\","
         "\"time\":\"2026-11-25T10:39:02Z\"}]}",
         "record 1 is not a record"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[7]}",
         "record 1 is not a record"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[[]]}",
         "record 1 is not a record"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":{}}", "'records' must be"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[]", "no JSON"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[]} x", "no JSON"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[],\"x\":\"\n\"}", "no JSON"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[],\"x\":\"\xC3\x28\"}",
         "no JSON"},
        {"{\"site\":\"maple-12\",\"after\":0,\"after\":1,\"to\":4,\"records\":[]}",
         "'after' is there twice"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[],\"x\":\"\\u0000\"}",
         "a blank or an escape"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[],\"x\":\"\\uD83D\"}",
         "a blank or an escape"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[],\"x\":\"\\uDE00\"}",
         "a blank or an escape"},
        {"{\"site\":\"maple-12\",\"after\":0,\f\"to\":4,\"records\":[]}",
         "a blank or an escape"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":4,\"records\":[],\"x\":1e999}",
         "too large"},
        {"{\"site\":\"maple-12\",\"after\":0,\"to\":9223372036854775808,\"records\":[]}",
         "too large"},
    };
    struct parcel p;
    char why[PARCEL_WHY_SIZE];
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        if (parcel_read(&p, "maple-12", cases[i].payload, strlen(cases[i].payload), why))
            fail_msg("case %zu is read", i);
        if (!strstr(why, cases[i].says))
            fail_msg("case %zu says: %s", i, why);
    }
}

/* jansson reads over a zero byte behind a number, and whoever cuts the text up would end there.
 */
static void a_zero_byte_is_no_json(void **state)
{
    char payload[2000], why[PARCEL_WHY_SIZE];
    size_t length = strlen(good_parcel);
    struct parcel p;
    (void)state;
    assert_true(length < sizeof payload);
    memcpy(payload, good_parcel, length + 1);
    char *number = strstr(payload, "0.95") + 4;
    memmove(number + 1, number, strlen(number));
    *number = '\0';
    assert_false(parcel_read(&p, "maple-12", payload, length + 1, why));
    assert_true(why[0] != '\0');
}

/* Blanks, quotes and brackets in texts, a member of the same name elsewhere: each text is its
 * record's, to the letter. */
static void a_records_text_is_as_it_was_sent(void **state)
{
    static const char payload[] =
        " { \"health\" : {\"records\":[\"]\"]}, \"site\":\"maple-12\",\"after\":0 , \"to\":2,\n"
        "\"records\" : [ {\"seq\":1, "
        "\"time\":\"2026-11-25T10:39:02Z\",\"type\":\"x\",\"a\":\"}\\\\\"},"
        "{\"seq\":2,\"time\":\"2026-11-25T10:39:02Z\",\"type\":\"x\",\"b\":[{},\"\\\"]\"]} ]}";
    struct parcel p;
    char why[PARCEL_WHY_SIZE];
    (void)state;
    if (!parcel_read(&p, "maple-12", payload, sizeof payload - 1, why))
        fail_msg("%s", why);
    assert_int_equal(p.count, 2);
    assert_string_equal(p.records[0].json, "{\"seq\":1, \"time\":\"2026-11-25T10:39:02Z\","
                                           "\"type\":\"x\",\"a\":\"}\\\\\"}");
    assert_string_equal(p.records[1].json, "{\"seq\":2,\"time\":\"2026-11-25T10:39:02Z\","
                                           "\"type\":\"x\",\"b\":[{},\"\\\"]\"]}");
    assert_string_equal(p.health, "{\"records\":[\"]\"]}");
    parcel_free(&p);
}

/* Escapes in what the centre files by; a pair of surrogates and a backslash before a u are
 * nothing odd. */
static void escapes_are_read(void **state)
{
    static const char payload[] =
        "{\"site\":\"maple-12\",\"after\":0,\"to\":2,\"health\":{\"n\":{\"name\":\"no\"},"
        "\"name\":\"3 M\\u00fchle\"},\"records\":[{\"seq\":1,\"time\":"
        "\"2026-11-25T10:39:02Z\",\"type\":\"\\u0078\",\"a\":\"\\uD83D\\uDE00 \\\\u0000\"}]}";
    struct parcel p;
    char why[PARCEL_WHY_SIZE];
    (void)state;
    if (!parcel_read(&p, "maple-12", payload, sizeof payload - 1, why))
        fail_msg("%s", why);
    assert_string_equal(p.name, "3 M\xC3\xBChle");
    assert_string_equal(p.records[0].type, "x");
    parcel_free(&p);
}

static void a_topic_names_its_site(void **state)
{
    char site[SITE_ID_SIZE];
    const char *word;
    (void)state;
    assert_true(intake_read_topic("foretrip/maple-12/up", '/', site, &word));
    assert_string_equal(site, "maple-12");
    assert_string_equal(word, "up");
    assert_true(intake_read_topic("foretrip.maple-12.status", '.', site, &word));
    assert_string_equal(word, "status");
    assert_false(intake_read_topic("foretrip/maple 12/up", '/', site, &word));
    assert_false(intake_read_topic("foretrip//up", '/', site, &word));
    assert_false(intake_read_topic("elsewhere/maple-12/up", '/', site, &word));
    assert_false(intake_read_topic("foretrip/maple-12", '/', site, &word));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(coverage_knows_what_is_here),
        cmocka_unit_test(coverage_agrees_with_a_plain_set),
        cmocka_unit_test(gaps_are_bounded),
        cmocka_unit_test(ages_are_known_to_a_fifth),
        cmocka_unit_test(a_parcel_is_read),
        cmocka_unit_test(a_faulty_parcel_is_refused_as_a_whole),
        cmocka_unit_test(a_zero_byte_is_no_json),
        cmocka_unit_test(a_records_text_is_as_it_was_sent),
        cmocka_unit_test(escapes_are_read),
        cmocka_unit_test(a_topic_names_its_site),
    };
    return cmocka_run_group_tests_name("parcel", tests, NULL, NULL);
}
