/* enrolment: codes, certificates, who is let in and who is not; and two gateways that speak as
 * one unit. In the embedded database; with FORETRIP_FLEET_TEST_DATABASE (postgresql://..,
 * emptied by each test) in that one. */
#include "check.h"

#include "base/clock.h"
#include "base/text.h"
#include "fleet/admission.h"
#include "fleet/copies.h"
#include "fleet/enrolment.h"
#include "fleet/fleet_schema.h"
#include "fleet/notices.h"

#include <openssl/pem.h>
#include <openssl/rsa.h>

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#define NOW INT64_C(1795603200000) /* 2026-11-25T10:40:00Z */
#define MINUTE INT64_C(60000)
#define DAY INT64_C(86400000)

struct rig {
    char folder[64], authority[96], where[160];
    struct admission admission;
    char pin[EST_PIN_SIZE];
};

static void empty(const char *where)
{
    char why[SQL_WHY_SIZE];
    struct sql *s = sql_open(where, why);
    if (!s || sql_run(s, "DROP SCHEMA public CASCADE; CREATE SCHEMA public") != SQL_FINE)
        fail_msg("%s", s ? sql_why(s) : why);
    sql_close(s);
}

static int set_up(void **state)
{
    struct rig *r = calloc(1, sizeof *r);
    char why[AUTHORITY_WHY_SIZE];
    const char *given = getenv("FORETRIP_FLEET_TEST_DATABASE");
    strcpy(r->folder, "/tmp/foretrip-enrol-XXXXXX");
    assert_non_null(mkdtemp(r->folder));
    snprintf(r->authority, sizeof r->authority, "%s/authority", r->folder);
    snprintf(r->where, sizeof r->where, "%s%s", given ? given : r->folder,
             given ? "" : "/fleet.db");
    if (given)
        empty(given);
    r->admission.authority = authority_open(r->authority, true, why);
    r->admission.sql = sql_open(r->where, why);
    r->admission.certificate_days = 90;
    if (!r->admission.authority || !r->admission.sql ||
        fleet_schema_migrate(r->admission.sql) != SQL_FINE)
        fail_msg("%s", why);
    est_pin(authority_certificate(r->admission.authority), r->pin);
    *state = r;
    return 0;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    char command[160];
    authority_close(r->admission.authority);
    sql_close(r->admission.sql);
    snprintf(command, sizeof command, "rm -rf '%s'", r->folder);
    int rc = system(command); /* our own folder, made by mkdtemp */
    free(r);
    return rc;
}

static struct est_code make_code(struct rig *r, const char *unit, int64_t until_ms)
{
    struct est_code code;
    const struct enrolment_unit u = {unit, "", "", ""};
    if (enrolment_make_code(r->admission.sql, &u, r->pin, "kim", NOW, until_ms, &code) !=
        SQL_FINE)
        fail_msg("%s", sql_why(r->admission.sql));
    return code;
}

/* ---- the code ---- */

static void a_code_is_read_as_people_type_it(void **state)
{
    struct est_code code = {"4F7K-0M2Q-X9TA", "3JRW-Y81B-6ZCD", "K7QPM3WX5T9A0BHN2R4V"}, read;
    char written[EST_CODE_SIZE], typed[EST_CODE_SIZE];
    (void)state;
    est_code_write(&code, written);
    assert_string_equal(written, "4F7K-0M2Q-X9TA-3JRW-Y81B-6ZCD-K7QP-M3WX-5T9A-0BHN-2R4V");
    size_t n = 0;
    for (const char *s = written; *s; s++) /* small letters, no dashes, O for 0, l for 1 */
        if (*s != '-')
            typed[n++] = *s == '0'   ? 'O'
                         : *s == '1' ? 'l'
                         : *s >= 'A' ? (char)(*s - 'A' + 'a')
                                     : *s;
    typed[n] = '\0';
    assert_true(est_code_read(typed, &read));
    assert_string_equal(read.ticket, code.ticket);
    assert_string_equal(read.secret, code.secret);
    assert_string_equal(read.pin, code.pin);
    assert_false(est_code_read("4F7K-0M2Q", &read));
    typed[n++] = 'A';
    typed[n] = '\0';
    assert_false(est_code_read(typed, &read));
    assert_false(est_code_read("", &read));
    written[0] = 'U'; /* no letter of a code */
    assert_false(est_code_read(written, &read));
}

static enum enrolment_verdict try(struct rig *r, const char *unit, const struct est_code *c,
                                  const char *secret, int64_t wall_ms)
{
    enum enrolment_verdict v;
    if (enrolment_try_code(r->admission.sql, unit, c->ticket, secret, wall_ms, &v) != SQL_FINE)
        fail_msg("%s", sql_why(r->admission.sql));
    return v;
}

static void a_code_has_a_unit_a_time_and_some_tries(void **state)
{
    struct rig *r = *state;
    struct est_code code = make_code(r, "maple-12", NOW + DAY);
    assert_int_equal(try(r, "maple-12", &code, code.secret, NOW), ENROLMENT_GOOD);
    assert_int_equal(try(r, "maple-13", &code, code.secret, NOW), ENROLMENT_UNKNOWN);
    assert_int_equal(try(r, "maple-12", &code, code.secret, NOW + DAY), ENROLMENT_OVER);
    assert_int_equal(try(r, "maple-12", &code, code.ticket, NOW), ENROLMENT_UNKNOWN);
    assert_int_equal(try(r, "maple-12", &code, code.ticket, NOW), ENROLMENT_UNKNOWN);
    assert_int_equal(try(r, "maple-12", &code, code.secret, NOW), ENROLMENT_TRIED);

    struct est_code next = make_code(r, "maple-12", NOW + DAY);
    assert_int_equal(try(r, "maple-12", &next, next.secret, NOW), ENROLMENT_GOOD);
    assert_int_equal(try(r, "maple-12", &code, code.secret, NOW), ENROLMENT_UNKNOWN); /* void */
}

static bool see_text(void *context, const struct sql_value *row)
{
    text_append(context, sql_as_words(&row[0]));
    return true;
}

static void what_is_kept_of_a_code_is_no_code(void **state)
{
    struct rig *r = *state;
    struct est_code code = make_code(r, "maple-12", NOW + DAY);
    struct text kept = TEXT_INIT;
    assert_int_equal(sql_query(r->admission.sql,
                               "SELECT ticket || ' ' || hash || ' ' || made_by FROM codes",
                               NULL, 0, see_text, &kept, NULL),
                     SQL_FINE);
    assert_non_null(strstr(text_get(&kept), code.ticket));
    assert_null(strstr(text_get(&kept), code.secret));
    text_free(&kept);
}

/* ---- requests ---- */

static void requests_that_are_weak_or_not_their_own_are_refused(void **state)
{
    char why[EST_WHY_SIZE];
    struct text good = TEXT_INIT, weak = TEXT_INIT;
    EVP_PKEY *key = est_make_key(), *small = EVP_RSA_gen(1024);
    (void)state;
    assert_true(est_request_write(key, "maple-12", &good));
    assert_true(est_request_write(small, "maple-12", &weak));
    X509_REQ *q = est_request_read(text_get(&good), good.length, why);
    assert_non_null(q);
    assert_null(est_request_read(text_get(&weak), weak.length, why));
    assert_non_null(strstr(why, "too weak"));
    assert_null(est_request_read("no request", 10, why));
    assert_null(est_request_read("", 0, why));

    /* somebody else's key put into a request that is signed already */
    unsigned char *der = NULL, *at;
    EVP_PKEY *other = est_make_key();
    X509_REQ_set_pubkey(q, other);
    int n = i2d_X509_REQ(q, &der);
    char *b64 = calloc(1, (size_t)n * 2 + 8);
    at = der;
    EVP_EncodeBlock((unsigned char *)b64, at, n);
    assert_null(est_request_read(b64, strlen(b64), why));
    assert_string_equal(why, "the request is not signed by its own key");
    free(b64);
    OPENSSL_free(der);
    X509_REQ_free(q);
    EVP_PKEY_free(key);
    EVP_PKEY_free(small);
    EVP_PKEY_free(other);
    text_free(&good);
    text_free(&weak);
}

/* ---- who is let in ---- */

/* asks with a new key; the certificate that came, NULL: none */
static X509 *ask(struct rig *r, const char *path, const char *unit, const struct est_code *code,
                 X509 *peer, int wanted)
{
    char typed[EST_CODE_SIZE] = "";
    struct text request = TEXT_INIT;
    struct admission_answer out = {0};
    EVP_PKEY *key = est_make_key();
    X509 *list[EST_MOST_CERTIFICATES], *first = NULL;
    assert_true(est_request_write(key, "whoever", &request));
    if (code)
        est_code_write(code, typed);
    admission_answer(&r->admission,
                     &(struct admission_request){.method = "POST",
                                                 .path = path,
                                                 .user = code ? unit : NULL,
                                                 .password = code ? typed : NULL,
                                                 .body = text_get(&request),
                                                 .length = request.length,
                                                 .peer = peer,
                                                 .address = "192.0.2.7",
                                                 .wall_ms = clock_wall_ms(),
                                                 .mono_ms = 1000},
                     &out);
    if (out.status != wanted)
        fail_msg("%d instead of %d: %s", out.status, wanted, text_get(&out.body));
    size_t count = out.certificates
                       ? est_certificates_read(text_get(&out.body), out.body.length, list)
                       : 0;
    if (count > 0) {
        char unit_of[64], serial[AUTHORITY_SERIAL_SIZE];
        first = list[0];
        assert_int_equal(count, 2); /* and the authority */
        assert_int_equal(X509_check_private_key(first, key), 1);
        assert_true(authority_knows(r->admission.authority, first, unit_of, serial));
        assert_string_equal(unit_of, unit);
        assert_false(authority_knows(r->admission.authority, list[1], unit_of, serial));
        X509_free(list[1]);
    }
    EVP_PKEY_free(key);
    text_free(&request);
    text_free(&out.body);
    return first;
}

static bool is_revoked(const struct rig *r, X509 *x)
{
    char path[128];
    snprintf(path, sizeof path, "%s/crl.pem", r->authority);
    FILE *f = fopen(path, "r");
    X509_CRL *crl = f ? PEM_read_X509_CRL(f, NULL, NULL, NULL) : NULL;
    X509_REVOKED *found;
    assert_non_null(crl);
    assert_int_equal(
        X509_CRL_verify(crl, X509_get0_pubkey(authority_certificate(r->admission.authority))),
        1);
    bool revoked = X509_CRL_get0_by_serial(crl, &found, X509_get_serialNumber(x)) == 1;
    X509_CRL_free(crl);
    fclose(f);
    return revoked;
}

static void a_gateway_is_let_in_renewed_replaced_and_put_out(void **state)
{
    struct rig *r = *state;
    int64_t later = clock_wall_ms() + DAY, count;
    struct est_code code = make_code(r, "maple-12", later);
    X509 *x = ask(r, EST_ENROLL, "maple-12", &code, NULL, 200);
    assert_null(ask(r, EST_ENROLL, "maple-12", &code, NULL, 403)); /* used */

    X509 *y = ask(r, EST_REENROLL, "maple-12", NULL, x, 200);
    assert_false(is_revoked(r, x)); /* in case the new one never arrived */
    assert_null(ask(r, EST_REENROLL, "maple-12", NULL, NULL, 403));

    struct est_code next = make_code(r, "maple-12", later);
    X509 *z = ask(r, EST_ENROLL, "maple-12", &next, NULL, 200); /* a new gateway is there */
    assert_true(is_revoked(r, x) && is_revoked(r, y));
    assert_false(is_revoked(r, z));
    assert_null(ask(r, EST_REENROLL, "maple-12", NULL, y, 403));

    assert_int_equal(enrolment_revoke(r->admission.sql, "maple-12", "stolen", "kim",
                                      clock_wall_ms(), &count),
                     SQL_FINE);
    assert_int_equal(count, 1);
    char why[AUTHORITY_WHY_SIZE];
    assert_true(
        enrolment_write_crl(r->admission.sql, r->admission.authority, clock_wall_ms(), why));
    assert_true(is_revoked(r, z));
    assert_null(ask(r, EST_REENROLL, "maple-12", NULL, z, 403));
    X509_free(x);
    X509_free(y);
    X509_free(z);
}

static void who_has_no_code_of_this_centre_is_not(void **state)
{
    struct rig *r = *state;
    char why[AUTHORITY_WHY_SIZE], other_path[128], serial[AUTHORITY_SERIAL_SIZE];
    struct est_code code = make_code(r, "maple-12", clock_wall_ms() + DAY), bad = code;
    assert_null(ask(r, EST_ENROLL, "maple-13", &code, NULL, 401)); /* another unit's */
    strcpy(bad.pin, "00000000000000000000");
    assert_null(ask(r, EST_ENROLL, "maple-12", &bad, NULL, 401)); /* another centre's */
    strcpy(bad.pin, code.pin);
    strcpy(bad.ticket, "0000-0000-0000");
    assert_null(ask(r, EST_ENROLL, "maple-12", &bad, NULL, 401));
    assert_null(ask(r, EST_ENROLL, "maple-12", NULL, NULL, 401));
    assert_null(ask(r, "/.well-known/est/csrattrs", "maple-12", NULL, NULL, 404));

    /* a certificate of another authority, in the unit's name */
    snprintf(other_path, sizeof other_path, "%s/other", r->folder);
    struct authority *other = authority_open(other_path, true, why);
    EVP_PKEY *key = est_make_key();
    struct text t = TEXT_INIT;
    assert_true(est_request_write(key, "maple-12", &t));
    X509_REQ *q = est_request_read(text_get(&t), t.length, why);
    X509 *x = authority_issue(other, q, "maple-12", 90, serial);
    assert_null(ask(r, EST_REENROLL, "maple-12", NULL, x, 403));
    X509_free(x);
    X509_REQ_free(q);
    EVP_PKEY_free(key);
    authority_close(other);
    text_free(&t);
}

static void who_tries_in_vain_has_to_wait(void **state)
{
    struct rig *r = *state;
    struct est_code code = make_code(r, "maple-12", clock_wall_ms() + DAY), bad = code;
    strcpy(bad.ticket, "0000-0000-0000");
    for (int i = 0; i < LOCKOUT_FREE; i++)
        assert_null(ask(r, EST_ENROLL, "maple-12", &bad, NULL, 401));
    assert_null(ask(r, EST_ENROLL, "maple-12", &code, NULL, 429));
}

static void the_authoritys_key_is_for_its_own_eyes(void **state)
{
    struct rig *r = *state;
    struct stat st;
    char path[128], why[AUTHORITY_WHY_SIZE];
    snprintf(path, sizeof path, "%s/ca.key", r->authority);
    assert_int_equal(stat(path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0600);
    assert_true(
        authority_certify_server(r->admission.authority, "centre.example 10.0.0.5", 30, why));
    assert_false(authority_certify_server(r->admission.authority, "", 30, why));
    snprintf(path, sizeof path, "%s/nowhere", r->folder);
    assert_null(authority_open(path, false, why));
    assert_non_null(strstr(why, "has no authority yet"));
}

/* ---- two that speak as one ---- */

static void says(struct rig *r, const char *run, int64_t wall_ms, int64_t said_ms, int kicked)
{
    static const char put[] =
        "INSERT INTO sites (id, health, health_ms) VALUES ('maple-12', $1, $2)"
        " ON CONFLICT (id) DO UPDATE SET health = excluded.health,"
        " health_ms = excluded.health_ms";
    char time[CLOCK_RFC3339_SIZE], health[200];
    clock_format_rfc3339(said_ms, time);
    snprintf(health, sizeof health, "{\"time\":\"%s\",\"run\":\"%s\",\"taken_over\":%d}", time,
             run, kicked);
    const struct sql_value params[] = {sql_words(health), sql_number(wall_ms)};
    if (sql_query(r->admission.sql, put, params, 2, NULL, NULL, NULL) != SQL_FINE ||
        copies_tend(r->admission.sql, wall_ms) != SQL_FINE)
        fail_msg("%s", sql_why(r->admission.sql));
}

static bool count_copied(void *context, const struct notice *n)
{
    if (strcmp(n->kind, NOTICE_COPIED) == 0 && n->ended_ms == 0) {
        assert_string_equal(n->site, "maple-12");
        assert_non_null(strstr(n->text, "two gateways speak as maple-12"));
        ++*(int *)context;
    }
    return true;
}

static int copied(struct rig *r, int64_t wall_ms)
{
    int count = 0;
    if (notices_tend(r->admission.sql, wall_ms) != SQL_FINE ||
        notices_read(r->admission.sql, INT64_MAX, 100, count_copied, &count) != SQL_FINE)
        fail_msg("%s", sql_why(r->admission.sql));
    return count;
}

static void a_gateway_that_is_started_anew_is_one(void **state)
{
    struct rig *r = *state;
    int64_t t = NOW;
    for (int i = 0; i < 4; i++, t += 15 * MINUTE)
        says(r, "a1", t, t, 0);
    for (int i = 0; i < 4; i++, t += 15 * MINUTE)
        says(r, "b2", t, t, 1);            /* one old half-open connection is nothing */
    says(r, "c3", t, NOW - 3000 * DAY, 0); /* a clock that was not set yet */
    says(r, "c3", t + MINUTE, t + MINUTE, 0);
    says(r, "b2", t + 10 * MINUTE, NOW + 10 * MINUTE, 1); /* late words of before */
    assert_int_equal(copied(r, t + 11 * MINUTE), 0);
}

static void two_at_once_are_noticed_once_and_until_a_day_after(void **state)
{
    struct rig *r = *state;
    int64_t t = NOW;
    for (int i = 0; i < 8; i++, t += 15 * MINUTE)
        says(r, i % 2 ? "b2" : "a1", t, t, 0);
    assert_int_equal(copied(r, t), 1);
    for (int i = 0; i < 90; i++, t += 15 * MINUTE) /* the copy is gone */
        says(r, "a1", t, t, 0);
    assert_int_equal(copied(r, t), 1);
    for (int i = 0; i < 10; i++, t += 15 * MINUTE)
        says(r, "a1", t, t, 0);
    assert_int_equal(copied(r, t), 0);
}

static void who_takes_the_line_again_and_again_is_noticed(void **state)
{
    struct rig *r = *state;
    says(r, "a1", NOW, NOW, 2);
    assert_int_equal(copied(r, NOW), 0);
    says(r, "a1", NOW + MINUTE, NOW + MINUTE, COPIES_TAKEN_OVER);
    assert_int_equal(copied(r, NOW + MINUTE), 1);
    says(r, "a1", NOW + DAY + 2 * MINUTE, NOW + DAY + 2 * MINUTE, COPIES_TAKEN_OVER);
    assert_int_equal(copied(r, NOW + DAY + 2 * MINUTE), 0);
}

#define TEST(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_code_is_read_as_people_type_it),
        TEST(a_code_has_a_unit_a_time_and_some_tries),
        TEST(what_is_kept_of_a_code_is_no_code),
        cmocka_unit_test(requests_that_are_weak_or_not_their_own_are_refused),
        TEST(a_gateway_is_let_in_renewed_replaced_and_put_out),
        TEST(who_has_no_code_of_this_centre_is_not),
        TEST(who_tries_in_vain_has_to_wait),
        TEST(the_authoritys_key_is_for_its_own_eyes),
        TEST(a_gateway_that_is_started_anew_is_one),
        TEST(two_at_once_are_noticed_once_and_until_a_day_after),
        TEST(who_takes_the_line_again_and_again_is_noticed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
