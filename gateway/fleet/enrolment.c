#include "enrolment.h"

#include "base/text.h"
#include "web/code.h"

#include <sodium.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool hash_of(const char *secret, char out[2 * CODE_HASH_BYTES + 1])
{
    uint8_t hash[CODE_HASH_BYTES];
    if (sodium_init() < 0 || !code_hash(secret, hash))
        return false;
    sodium_bin2hex(out, 2 * CODE_HASH_BYTES + 1, hash, sizeof hash);
    return true;
}

/* begin, the statements, commit; or nothing */
struct step {
    const char *text;
    const struct sql_value *params;
    size_t count;
    int64_t *changed; /* NULL: not asked */
};

static enum sql_err run_all(struct sql *s, const struct step *steps, size_t count)
{
    enum sql_err err = sql_begin(s);
    for (size_t i = 0; i < count && err == SQL_FINE; i++)
        err = sql_query(s, steps[i].text, steps[i].params, steps[i].count, NULL, NULL,
                        steps[i].changed);
    if (err == SQL_FINE)
        err = sql_commit(s);
    sql_rollback(s); /* nothing when it is over */
    return err;
}

/* ---- codes ---- */

enum sql_err enrolment_make_code(struct sql *s, const struct enrolment_unit *u, const char *pin,
                                 const char *by, int64_t wall_ms, int64_t until_ms,
                                 struct est_code *code)
{
    static const char add[] =
        "INSERT INTO sites (id, name, building, unit, added_ms) VALUES ($1, $2, $3, $4, $5)"
        " ON CONFLICT (id) DO UPDATE SET"
        " name = CASE WHEN excluded.name = '' THEN sites.name ELSE excluded.name END,"
        " building = CASE WHEN excluded.building = '' THEN sites.building"
        " ELSE excluded.building END,"
        " unit = CASE WHEN excluded.unit = '' THEN sites.unit ELSE excluded.unit END";
    static const char end_others[] =
        "DELETE FROM codes WHERE used_ms = 0 AND site = (SELECT site FROM sites WHERE id = $1)";
    static const char make[] =
        "INSERT INTO codes (ticket, site, hash, made_ms, until_ms, made_by)"
        " SELECT $2, site, $3, $4, $5, $6 FROM sites WHERE id = $1";
    char hash[2 * CODE_HASH_BYTES + 1];
    if (sodium_init() < 0)
        return SQL_ERR_MEMORY;
    code_make(code->ticket);
    code_make(code->secret);
    text_copy(code->pin, sizeof code->pin, pin);
    hash_of(code->secret, hash);
    const struct sql_value unit[] = {sql_words(u->id), sql_words(u->name),
                                     sql_words(u->building), sql_words(u->unit),
                                     sql_number(wall_ms)};
    const struct sql_value made[] = {sql_words(u->id),     sql_words(code->ticket),
                                     sql_words(hash),      sql_number(wall_ms),
                                     sql_number(until_ms), sql_words(by)};
    const struct step steps[] = {
        {add, unit, 5, NULL}, {end_others, unit, 1, NULL}, {make, made, 6, NULL}};
    return run_all(s, steps, sizeof steps / sizeof steps[0]);
}

struct found {
    bool there, same;
    int64_t until_ms, used_ms, tries;
};

static bool see_code(void *context, const struct sql_value *row)
{
    struct found *f = context;
    f->there = true;
    f->same = sql_as_number(&row[0]) != 0;
    f->until_ms = sql_as_number(&row[1]);
    f->used_ms = sql_as_number(&row[2]);
    f->tries = sql_as_number(&row[3]);
    return false;
}

enum sql_err enrolment_try_code(struct sql *s, const char *unit, const char *ticket,
                                const char *secret, int64_t wall_ms,
                                enum enrolment_verdict *out)
{
    /* counted before it is looked at, so that tries at once are counted each */
    static const char count[] =
        "UPDATE codes SET tries = tries + 1 WHERE ticket = $1 AND used_ms = 0";
    static const char look[] =
        "SELECT CASE WHEN c.hash = $2 AND s.id = $3 THEN 1 ELSE 0 END, c.until_ms, c.used_ms,"
        " c.tries FROM codes c JOIN sites s ON s.site = c.site WHERE c.ticket = $1";
    char hash[2 * CODE_HASH_BYTES + 1];
    *out = ENROLMENT_UNKNOWN;
    if (!hash_of(secret, hash))
        return SQL_FINE;
    const struct sql_value params[] = {sql_words(ticket), sql_words(hash), sql_words(unit)};
    struct found f = {0};
    enum sql_err err = sql_query(s, count, params, 1, NULL, NULL, NULL);
    if (err == SQL_FINE)
        err = sql_query(s, look, params, 3, see_code, &f, NULL);
    if (err != SQL_FINE || !f.there)
        return err;
    *out = f.tries > ENROLMENT_TRIES ? ENROLMENT_TRIED
           : !f.same                 ? ENROLMENT_UNKNOWN
           : f.used_ms > 0           ? ENROLMENT_USED
           : f.until_ms <= wall_ms   ? ENROLMENT_OVER
                                     : ENROLMENT_GOOD;
    return SQL_FINE;
}

/* ---- certificates ---- */

static const char put_certificate[] =
    "INSERT INTO certificates (serial, site, issued_ms, until_ms, how, address, renewed_from)"
    " SELECT $1, site, $2, $3, $4, $5, $6 FROM sites WHERE id = $7";

static void fill(struct sql_value v[7], const struct enrolment_certificate *x)
{
    v[0] = sql_words(x->serial);
    v[1] = sql_number(x->issued_ms);
    v[2] = sql_number(x->until_ms);
    v[3] = sql_words(x->how);
    v[4] = sql_words(x->address);
    v[5] = sql_words(x->renewed_from);
    v[6] = sql_words(x->unit);
}

enum sql_err enrolment_redeem(struct sql *s, const char *ticket,
                              const struct enrolment_certificate *x, bool *used)
{
    static const char use[] =
        "UPDATE codes SET used_ms = $2, tries = tries - 1 WHERE ticket = $1 AND used_ms = 0";
    static const char replace[] =
        "UPDATE certificates SET revoked_ms = $2, reason = 'superseded', revoked_by = "
        "'enrolment'"
        " WHERE revoked_ms = 0 AND site = (SELECT site FROM codes WHERE ticket = $1)";
    const struct sql_value at[] = {sql_words(ticket), sql_number(x->issued_ms)};
    struct sql_value row[7];
    int64_t changed = 0;
    fill(row, x);
    enum sql_err err = sql_begin(s);
    if (err == SQL_FINE)
        err = sql_query(s, use, at, 2, NULL, NULL, &changed);
    if (err == SQL_FINE && changed == 1)
        err = sql_query(s, replace, at, 2, NULL, NULL, NULL);
    if (err == SQL_FINE && changed == 1)
        err = sql_query(s, put_certificate, row, 7, NULL, NULL, NULL);
    if (err == SQL_FINE && changed == 1)
        err = sql_commit(s);
    sql_rollback(s); /* nothing when it is over */
    *used = err == SQL_FINE && changed == 1;
    return err;
}

enum sql_err enrolment_renew(struct sql *s, const struct enrolment_certificate *x)
{
    struct sql_value row[7];
    fill(row, x);
    const struct step steps[] = {{put_certificate, row, 7, NULL}};
    return run_all(s, steps, 1);
}

static bool see_number(void *context, const struct sql_value *row)
{
    *(int64_t *)context = sql_as_number(&row[0]);
    return false;
}

enum sql_err enrolment_is_good(struct sql *s, const char *serial, bool *good)
{
    const struct sql_value param = sql_words(serial);
    int64_t count = 0;
    enum sql_err err =
        sql_query(s, "SELECT count(*) FROM certificates WHERE serial = $1 AND revoked_ms = 0",
                  &param, 1, see_number, &count, NULL);
    *good = err == SQL_FINE && count == 1;
    return err;
}

enum sql_err enrolment_revoke(struct sql *s, const char *unit_or_serial, const char *reason,
                              const char *by, int64_t wall_ms, int64_t *count)
{
    static const char revoke[] =
        "UPDATE certificates SET revoked_ms = $2, reason = $3, revoked_by = $4"
        " WHERE revoked_ms = 0 AND until_ms > $2"
        " AND (serial = $1 OR site = (SELECT site FROM sites WHERE id = $1))";
    static const char end_codes[] =
        "DELETE FROM codes WHERE used_ms = 0 AND site = (SELECT site FROM sites WHERE id = $1)";
    const struct sql_value params[] = {sql_words(unit_or_serial), sql_number(wall_ms),
                                       sql_words(reason), sql_words(by)};
    const struct step steps[] = {{revoke, params, 4, count}, {end_codes, params, 1, NULL}};
    *count = 0;
    return run_all(s, steps, 2);
}

/* ---- lists ---- */

struct handing {
    enrolment_fn *fn;
    enrolment_code_fn *code_fn;
    void *context;
};

static bool hand_on(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    const struct enrolment_certificate x = {.unit = sql_as_words(&row[0]),
                                            .serial = sql_as_words(&row[1]),
                                            .issued_ms = sql_as_number(&row[2]),
                                            .until_ms = sql_as_number(&row[3]),
                                            .revoked_ms = sql_as_number(&row[4]),
                                            .how = sql_as_words(&row[5]),
                                            .reason = sql_as_words(&row[6]),
                                            .by = sql_as_words(&row[7]),
                                            .address = sql_as_words(&row[8]),
                                            .renewed_from = sql_as_words(&row[9])};
    return h->fn(h->context, &x);
}

enum sql_err enrolment_list(struct sql *s, const char *unit, enrolment_fn *fn, void *context)
{
    static const char text[] =
        "SELECT s.id, c.serial, c.issued_ms, c.until_ms, c.revoked_ms, c.how, c.reason,"
        " c.revoked_by, c.address, c.renewed_from FROM certificates c"
        " JOIN sites s ON s.site = c.site WHERE $1 = '' OR s.id = $1"
        " ORDER BY s.id, c.issued_ms DESC";
    const struct sql_value param = sql_words(unit ? unit : "");
    return sql_query(s, text, &param, 1, hand_on,
                     &(struct handing){.fn = fn, .context = context}, NULL);
}

static bool hand_code(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    return h->code_fn(h->context, sql_as_words(&row[0]), sql_as_number(&row[1]),
                      sql_as_number(&row[2]), sql_as_words(&row[3]));
}

enum sql_err enrolment_list_codes(struct sql *s, int64_t wall_ms, enrolment_code_fn *fn,
                                  void *context)
{
    static const char text[] = "SELECT s.id, c.until_ms, c.tries, c.made_by FROM codes c"
                               " JOIN sites s ON s.site = c.site WHERE c.used_ms = 0 AND "
                               "c.until_ms > $1 ORDER BY s.id";
    const struct sql_value param = sql_number(wall_ms);
    return sql_query(s, text, &param, 1, hand_code,
                     &(struct handing){.code_fn = fn, .context = context}, NULL);
}

struct revoked {
    struct authority_revoked *list;
    size_t count;
    bool failed;
};

static bool see_revoked(void *context, const struct sql_value *row)
{
    struct revoked *r = context;
    if ((r->count & (r->count - 1)) == 0) { /* doubled when it is full */
        size_t room = r->count ? 2 * r->count : 1;
        struct authority_revoked *more = realloc(r->list, room * sizeof *more);
        r->failed = !more;
        if (!more)
            return false;
        r->list = more;
    }
    struct authority_revoked *x = &r->list[r->count++];
    text_copy(x->serial, sizeof x->serial, sql_as_words(&row[0]));
    x->revoked_ms = sql_as_number(&row[1]);
    return true;
}

bool enrolment_write_crl(struct sql *s, const struct authority *a, int64_t wall_ms,
                         char why[AUTHORITY_WHY_SIZE])
{
    const struct sql_value param = sql_number(wall_ms);
    struct revoked r = {0};
    enum sql_err err = sql_query(s,
                                 "SELECT serial, revoked_ms FROM certificates"
                                 " WHERE revoked_ms > 0 AND until_ms > $1 ORDER BY serial",
                                 &param, 1, see_revoked, &r, NULL);
    bool good = err == SQL_FINE && !r.failed;
    if (!good)
        snprintf(why, AUTHORITY_WHY_SIZE, "%s", r.failed ? "memory is short" : sql_why(s));
    good = good && authority_write_crl(a, r.list, r.count, wall_ms, why);
    free(r.list);
    return good;
}
