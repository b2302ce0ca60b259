#include "admission.h"

#include "enrolment.h"

#include "base/log.h"

#include <openssl/err.h>

#include <string.h>

#define DAY_MS INT64_C(86400000)

static void say(struct admission_answer *out, int status, const char *sentence)
{
    out->status = status;
    text_clear(&out->body);
    text_append(&out->body, sentence);
    text_append(&out->body, "\n");
    out->certificates = false;
}

static void give(struct admission_answer *out, X509 *const *certificates, size_t count)
{
    out->status = 200;
    out->certificates = true;
    if (!est_certificates_write(certificates, count, &out->body))
        say(out, 500, "memory is short");
}

static void store_failed(const struct admission *a, struct admission_answer *out)
{
    log_error("admit", "the store: %s", sql_why(a->sql));
    say(out, 503, "the centre's store is not there at the moment; try again");
    out->retry_after = 60;
}

/* Signs and hands it on; the row that is written down has nothing of its own but `how`. */
struct issue {
    const struct admission_request *r;
    const char *unit, *how, *renewed_from;
    X509_REQ *request;
    X509 *certificate;
    char serial[AUTHORITY_SERIAL_SIZE];
};

static bool sign(const struct admission *a, struct issue *i, struct enrolment_certificate *row)
{
    i->certificate =
        authority_issue(a->authority, i->request, i->unit, a->certificate_days, i->serial);
    *row =
        (struct enrolment_certificate){.unit = i->unit,
                                       .serial = i->serial,
                                       .issued_ms = i->r->wall_ms,
                                       .until_ms = i->r->wall_ms + a->certificate_days * DAY_MS,
                                       .how = i->how,
                                       .address = i->r->address,
                                       .renewed_from = i->renewed_from};
    ERR_clear_error();
    return i->certificate != NULL;
}

static void hand_out(const struct admission *a, const struct issue *i,
                     struct admission_answer *out)
{
    X509 *const both[] = {i->certificate, authority_certificate(a->authority)};
    log_info("admit", "%s has a certificate by %s, serial %s, given to %s", i->unit, i->how,
             i->serial, i->r->address);
    give(out, both, 2);
}

/* ---- by a code ---- */

static void refuse_code(struct admission *a, const struct admission_request *r,
                        enum enrolment_verdict verdict, struct admission_answer *out)
{
    char key[LOCKOUT_KEY_SIZE];
    static const char *const sentences[] = {
        [ENROLMENT_GOOD] = "",
        [ENROLMENT_UNKNOWN] = "that is not a code of this unit",
        [ENROLMENT_USED] = "the code has been used already; was that not you? tell the centre",
        [ENROLMENT_OVER] = "the code's time is over; ask for another",
        [ENROLMENT_TRIED] = "the code was tried too often in vain; ask for another",
    };
    lockout_address_key(r->address, key);
    int64_t wait_ms = lockout_failed(&a->lockout, key, r->mono_ms);
    log_warning("admit", "%s asked for %.64s with a code that is not good: %s", r->address,
                site_id_valid(r->user) ? r->user : "something", sentences[verdict]);
    say(out, verdict == ENROLMENT_UNKNOWN ? 401 : 403, sentences[verdict]);
    out->retry_after = (wait_ms + 999) / 1000;
}

static void redeem(struct admission *a, struct issue *i, const struct est_code *code,
                   struct admission_answer *out)
{
    char why[AUTHORITY_WHY_SIZE];
    struct enrolment_certificate row;
    bool used = false;
    if (!sign(a, i, &row)) {
        say(out, 500, "memory is short");
        return;
    }
    if (enrolment_redeem(a->sql, code->ticket, &row, &used) != SQL_FINE) {
        store_failed(a, out);
        return;
    }
    if (!used) {
        say(out, 403, "the code has been used already");
        return;
    }
    if (!enrolment_write_crl(a->sql, a->authority, i->r->wall_ms, why))
        log_error("admit", "what the unit had before cannot be revoked: %s", why);
    hand_out(a, i, out);
}

static void enroll(struct admission *a, const struct admission_request *r,
                   struct admission_answer *out)
{
    struct est_code code;
    char why[EST_WHY_SIZE], pin[EST_PIN_SIZE], key[LOCKOUT_KEY_SIZE];
    enum enrolment_verdict verdict = ENROLMENT_UNKNOWN;
    if (!r->user || !r->password) {
        say(out, 401, "the unit's id and its code are needed (HTTP Basic)");
        return;
    }
    lockout_address_key(r->address, key);
    int64_t wait_ms = lockout_wait_ms(&a->lockout, key, r->mono_ms);
    if (wait_ms > 0) {
        say(out, 429, "too many tries from there; wait");
        out->retry_after = (wait_ms + 999) / 1000;
        return;
    }
    struct issue i = {.r = r, .unit = r->user, .how = "code", .renewed_from = ""};
    i.request = est_request_read(r->body, r->length, why);
    est_pin(authority_certificate(a->authority), pin);
    if (!i.request)
        say(out, 400, why);
    else if (site_id_valid(r->user) && est_code_read(r->password, &code) &&
             strcmp(code.pin, pin) == 0 &&
             enrolment_try_code(a->sql, r->user, code.ticket, code.secret, r->wall_ms,
                                &verdict) != SQL_FINE)
        store_failed(a, out);
    else if (verdict != ENROLMENT_GOOD)
        refuse_code(a, r, verdict, out);
    else
        redeem(a, &i, &code, out);
    X509_REQ_free(i.request);
    X509_free(i.certificate);
}

/* ---- by the certificate that is there ---- */

static void reenroll(struct admission *a, const struct admission_request *r,
                     struct admission_answer *out)
{
    char why[EST_WHY_SIZE], unit[64], serial[AUTHORITY_SERIAL_SIZE];
    struct enrolment_certificate row;
    bool good = false;
    if (!r->peer || !authority_knows(a->authority, r->peer, unit, serial)) {
        say(out, 403, "the connection needs the unit's certificate, and one that is not over");
        return;
    }
    if (enrolment_is_good(a->sql, serial, &good) != SQL_FINE) {
        store_failed(a, out);
        return;
    }
    if (!good) {
        log_warning("admit", "%s asked to renew a revoked certificate of %s, serial %s",
                    r->address, unit, serial);
        say(out, 403, "the certificate has been revoked");
        return;
    }
    struct issue i = {.r = r, .unit = unit, .how = "renewal", .renewed_from = serial};
    i.request = est_request_read(r->body, r->length, why);
    if (!i.request)
        say(out, 400, why);
    else if (!sign(a, &i, &row))
        say(out, 500, "memory is short");
    else if (enrolment_renew(a->sql, &row) != SQL_FINE)
        store_failed(a, out);
    else
        hand_out(a, &i, out);
    X509_REQ_free(i.request);
    X509_free(i.certificate);
}

void admission_answer(struct admission *a, const struct admission_request *r,
                      struct admission_answer *out)
{
    static const struct {
        const char *path, *method;
    } ways[] = {{EST_CACERTS, "GET"}, {EST_ENROLL, "POST"}, {EST_REENROLL, "POST"}};
    size_t w = 0;
    while (w < 3 && strcmp(ways[w].path, r->path) != 0)
        w++;
    X509 *const authority = authority_certificate(a->authority);
    if (w == 3)
        say(out, 404, "there is nothing of that name");
    else if (strcmp(ways[w].method, r->method) != 0)
        say(out, 405, "that can not be done here");
    else if (w == 0)
        give(out, &authority, 1);
    else if (w == 1)
        enroll(a, r, out);
    else
        reenroll(a, r, out);
}
