#include "consents.h"

static bool see_number(void *context, const struct sql_value *row)
{
    *(int64_t *)context = sql_as_number(&row[0]);
    return true;
}

static enum sql_err end_those(struct sql *s, const char *unit, const char *by, int64_t wall_ms,
                              int64_t *changed)
{
    const struct sql_value params[] = {sql_words(unit), sql_number(wall_ms), sql_words(by)};
    return sql_query(s,
                     "UPDATE consents SET revoked_ms = $2, revoked_by = $3 WHERE revoked_ms = 0"
                     " AND until_ms > $2 AND site = (SELECT site FROM sites WHERE id = $1)",
                     params, 3, NULL, NULL, changed);
}

enum sql_err consents_give(struct sql *s, const struct consent_new *n, int64_t wall_ms,
                           int64_t *number)
{
    const struct sql_value params[] = {sql_words(n->unit),      sql_words(n->tenant),
                                       sql_words(n->how),       sql_number(wall_ms),
                                       sql_number(n->until_ms), sql_words(n->by)};
    *number = 0;
    enum sql_err err = sql_begin(s);
    if (err == SQL_FINE)
        err = end_those(s, n->unit, n->by, wall_ms, NULL);
    if (err == SQL_FINE)
        err = sql_query(s,
                        "INSERT INTO consents (site, what, tenant, how, from_ms, until_ms,"
                        " said_by) SELECT site, '" CONSENT_LOADS "', $2, $3, $4, $5, $6"
                        " FROM sites WHERE id = $1 RETURNING consent",
                        params, 6, see_number, number, NULL);
    return err == SQL_FINE ? sql_commit(s) : err;
}

enum sql_err consents_revoke(struct sql *s, const char *unit, const char *by, int64_t wall_ms,
                             bool *revoked)
{
    const struct sql_value param = sql_words(unit);
    int64_t changed = 0;
    enum sql_err err = sql_begin(s);
    if (err == SQL_FINE)
        err = end_those(s, unit, by, wall_ms, &changed);
    if (err == SQL_FINE)
        err = sql_query(s,
                        "UPDATE orders SET sheet = '', sheet_ms = 0, sheet_loads = 0"
                        " WHERE sheet_loads = 1 AND site = (SELECT site FROM sites"
                        " WHERE id = $1)",
                        &param, 1, NULL, NULL, NULL);
    if (err == SQL_FINE)
        err = sql_commit(s);
    *revoked = err == SQL_FINE && changed > 0;
    return err;
}

enum sql_err consents_now(struct sql *s, const char *unit, int64_t now_ms, bool *given)
{
    const struct sql_value params[] = {sql_words(unit), sql_number(now_ms)};
    int64_t count = 0;
    enum sql_err err =
        sql_query(s,
                  "SELECT count(*) FROM consents WHERE revoked_ms = 0 AND from_ms <= $2"
                  " AND until_ms > $2 AND site = (SELECT site FROM sites WHERE id = $1)",
                  params, 2, see_number, &count, NULL);
    *given = err == SQL_FINE && count > 0;
    return err;
}

struct handing {
    union {
        consent_fn *consent;
        consent_site_fn *site;
    };
    void *context;
};

static bool hand_consent(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    const struct consent c = {.consent = sql_as_number(&row[0]),
                              .what = sql_as_words(&row[1]),
                              .tenant = sql_as_words(&row[2]),
                              .how = sql_as_words(&row[3]),
                              .from_ms = sql_as_number(&row[4]),
                              .until_ms = sql_as_number(&row[5]),
                              .by = sql_as_words(&row[6]),
                              .revoked_ms = sql_as_number(&row[7]),
                              .revoked_by = sql_as_words(&row[8])};
    return h->consent(h->context, &c);
}

enum sql_err consents_read(struct sql *s, const char *unit, consent_fn *fn, void *context)
{
    const struct sql_value param = sql_words(unit);
    struct handing h = {.consent = fn, .context = context};
    return sql_query(
        s,
        "SELECT consent, what, tenant, how, from_ms, until_ms, said_by, revoked_ms,"
        " revoked_by FROM consents WHERE site = (SELECT site FROM sites"
        " WHERE id = $1) ORDER BY consent DESC LIMIT 50",
        &param, 1, hand_consent, &h, NULL);
}

static bool hand_site(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    return h->site(h->context, sql_as_number(&row[0]));
}

enum sql_err consents_sites(struct sql *s, int64_t now_ms, consent_site_fn *fn, void *context)
{
    const struct sql_value param = sql_number(now_ms);
    struct handing h = {.site = fn, .context = context};
    return sql_query(s,
                     "SELECT site FROM consents WHERE revoked_ms = 0 AND from_ms <= $1"
                     " AND until_ms > $1 ORDER BY site",
                     &param, 1, hand_site, &h, NULL);
}
