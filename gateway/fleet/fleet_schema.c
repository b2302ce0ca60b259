#include "fleet_schema.h"

#include "base/clock.h"
#include "base/text.h"

#include <stdio.h>
#include <string.h>

#define STRING(x) #x
#define TEXT_OF(x) STRING(x)
#define LOCK "SELECT pg_advisory_xact_lock(1178944852)" /* "FETR": of this schema alone */

static const char *const steps[] = {
    /* 1 */
    "CREATE TABLE sites ("
    " site {key}, id TEXT NOT NULL UNIQUE, name TEXT NOT NULL DEFAULT '',"
    " building TEXT NOT NULL DEFAULT '', unit TEXT NOT NULL DEFAULT '',"
    " have BIGINT NOT NULL DEFAULT 0, gaps BIGINT NOT NULL DEFAULT 0,"
    " heard_ms BIGINT NOT NULL DEFAULT 0, online BIGINT NOT NULL DEFAULT 0,"
    " online_ms BIGINT NOT NULL DEFAULT 0, health TEXT NOT NULL DEFAULT '',"
    " health_ms BIGINT NOT NULL DEFAULT 0, added_ms BIGINT NOT NULL DEFAULT 0);"
    "CREATE TABLE gaps ("
    " site BIGINT NOT NULL, after BIGINT NOT NULL, upto BIGINT NOT NULL,"
    " seen_ms BIGINT NOT NULL, asked_ms BIGINT NOT NULL DEFAULT 0,"
    " asked BIGINT NOT NULL DEFAULT 0, PRIMARY KEY (site, after));"
    "CREATE TABLE records ("
    " site BIGINT NOT NULL, filed_ms BIGINT NOT NULL, seq BIGINT NOT NULL, type TEXT NOT NULL,"
    " subject TEXT, json TEXT NOT NULL, PRIMARY KEY (site, filed_ms, seq)) {filed};"
    "CREATE TABLE trips ("
    " site BIGINT NOT NULL, trip TEXT NOT NULL, panel TEXT NOT NULL, circuit TEXT NOT NULL,"
    " opened_ms BIGINT NOT NULL, stage TEXT NOT NULL DEFAULT '',"
    " probability DOUBLE PRECISION, cause TEXT NOT NULL DEFAULT '',"
    " seq BIGINT NOT NULL DEFAULT 0, json TEXT NOT NULL DEFAULT '',"
    " restored_ms BIGINT, seconds_open DOUBLE PRECISION, restored_seq BIGINT,"
    " seconds_held DOUBLE PRECISION, PRIMARY KEY (site, trip));"
    "CREATE INDEX trips_opened ON trips (opened_ms);"
    "CREATE TABLE alarms ("
    " site BIGINT NOT NULL, alarm TEXT NOT NULL, panel TEXT NOT NULL, circuit TEXT NOT NULL,"
    " kind TEXT NOT NULL, priority TEXT NOT NULL, state TEXT NOT NULL, alert BIGINT NOT NULL,"
    " raised_ms BIGINT NOT NULL, changed_ms BIGINT NOT NULL, seq BIGINT NOT NULL,"
    " json TEXT NOT NULL, PRIMARY KEY (site, alarm));"
    "CREATE INDEX alarms_standing ON alarms (raised_ms) WHERE state <> 'normal';"
    "CREATE TABLE notices ("
    " notice {key}, kind TEXT NOT NULL, priority TEXT NOT NULL, site BIGINT, alarm TEXT,"
    " began_ms BIGINT NOT NULL, last_ms BIGINT NOT NULL, ended_ms BIGINT,"
    " units BIGINT NOT NULL DEFAULT 1, text TEXT NOT NULL);"
    "CREATE INDEX notices_open ON notices (kind, began_ms) WHERE ended_ms IS NULL;",

    /* 2: alarms that belong to one story; one notice a raising, and one a story */
    "ALTER TABLE alarms ADD COLUMN story TEXT NOT NULL DEFAULT '';"
    "CREATE INDEX alarms_story ON alarms (story) WHERE story <> '' AND state <> 'normal';"
    "CREATE UNIQUE INDEX notices_raised ON notices (site, alarm, began_ms);"
    "CREATE UNIQUE INDEX notices_story ON notices (kind) WHERE ended_ms IS NULL"
    " AND site IS NULL;",

    /* 3: counted by the index alone; rows of sites change all the time, in place where a page
     * has room */
    "DROP INDEX trips_opened;"
    "CREATE INDEX trips_opened ON trips (opened_ms, stage, cause, site);"
    "{roomy}",

    /* 4: the page: work orders and what was done with them, tenants' consents, who may log in,
     * who did what */
    "CREATE TABLE orders ("
    " number {key}, site BIGINT NOT NULL, state TEXT NOT NULL, title TEXT NOT NULL,"
    " circuit TEXT NOT NULL DEFAULT '', trip TEXT NOT NULL DEFAULT '',"
    " alarm TEXT NOT NULL DEFAULT '', contractor TEXT NOT NULL DEFAULT '',"
    " made_ms BIGINT NOT NULL, changed_ms BIGINT NOT NULL, due_ms BIGINT NOT NULL DEFAULT 0,"
    " until_ms BIGINT NOT NULL DEFAULT 0, sheet TEXT NOT NULL DEFAULT '',"
    " sheet_ms BIGINT NOT NULL DEFAULT 0, sheet_loads BIGINT NOT NULL DEFAULT 0);"
    "CREATE INDEX orders_standing ON orders (site) WHERE state IN ('open', 'assigned');"
    "CREATE INDEX orders_site ON orders (site, changed_ms);"
    "CREATE INDEX orders_changed ON orders (changed_ms);"
    "CREATE INDEX orders_contractor ON orders (contractor, until_ms)"
    " WHERE state = 'assigned';"
    "CREATE TABLE order_steps ("
    " step {key}, number BIGINT NOT NULL, wall_ms BIGINT NOT NULL, act TEXT NOT NULL,"
    " who TEXT NOT NULL, role TEXT NOT NULL, note TEXT NOT NULL DEFAULT '',"
    " contractor TEXT NOT NULL DEFAULT '');"
    "CREATE INDEX order_steps_of ON order_steps (number, step);"
    "CREATE TABLE consents ("
    " consent {key}, site BIGINT NOT NULL, what TEXT NOT NULL, tenant TEXT NOT NULL,"
    " how TEXT NOT NULL DEFAULT '', from_ms BIGINT NOT NULL, until_ms BIGINT NOT NULL,"
    " said_by TEXT NOT NULL, revoked_ms BIGINT NOT NULL DEFAULT 0,"
    " revoked_by TEXT NOT NULL DEFAULT '');"
    "CREATE INDEX consents_site ON consents (site, until_ms);"
    "CREATE TABLE page_state (key TEXT NOT NULL PRIMARY KEY, hex TEXT NOT NULL);"
    "CREATE TABLE audit ("
    " audit {key}, wall_ms BIGINT NOT NULL, who TEXT NOT NULL, role TEXT NOT NULL,"
    " way TEXT NOT NULL, act TEXT NOT NULL, subject TEXT NOT NULL, result TEXT NOT NULL);",

    /* 5: which units were let in, with which certificates; which runs of a gateway spoke for a
     * unit */
    "CREATE TABLE codes ("
    " ticket TEXT NOT NULL PRIMARY KEY, site BIGINT NOT NULL, hash TEXT NOT NULL,"
    " made_ms BIGINT NOT NULL, until_ms BIGINT NOT NULL, made_by TEXT NOT NULL,"
    " tries BIGINT NOT NULL DEFAULT 0, used_ms BIGINT NOT NULL DEFAULT 0);"
    "CREATE INDEX codes_site ON codes (site);"
    "CREATE TABLE certificates ("
    " serial TEXT NOT NULL PRIMARY KEY, site BIGINT NOT NULL, issued_ms BIGINT NOT NULL,"
    " until_ms BIGINT NOT NULL, how TEXT NOT NULL, address TEXT NOT NULL,"
    " renewed_from TEXT NOT NULL DEFAULT '', revoked_ms BIGINT NOT NULL DEFAULT 0,"
    " reason TEXT NOT NULL DEFAULT '', revoked_by TEXT NOT NULL DEFAULT '');"
    "CREATE INDEX certificates_site ON certificates (site);"
    "CREATE TABLE runs ("
    " site BIGINT NOT NULL, run TEXT NOT NULL, first_ms BIGINT NOT NULL,"
    " last_ms BIGINT NOT NULL, last_said_ms BIGINT NOT NULL,"
    " taken_over BIGINT NOT NULL DEFAULT 0, kicked_ms BIGINT NOT NULL DEFAULT 0,"
    " PRIMARY KEY (site, run));",

    /* 6: the units' daily summaries, found without the others */
    "CREATE INDEX records_days ON records (site, filed_ms) WHERE type = 'site_day';",
};

int fleet_schema_version(void)
{
    return (int)(sizeof steps / sizeof steps[0]);
}

/* what the two databases say differently */
static void adapt(const struct sql *s, const char *step, struct text *out)
{
    static const struct {
        const char *mark, *sqlite, *postgres;
    } words[] = {
        {"{key}", "INTEGER PRIMARY KEY AUTOINCREMENT",
         "BIGINT GENERATED BY DEFAULT AS IDENTITY PRIMARY KEY"},
        {"{filed}", "WITHOUT ROWID", "PARTITION BY HASH (site)"},
        {"{roomy}", "", "ALTER TABLE sites SET (fillfactor = 50);"},
    };
    while (*step) {
        size_t n = strcspn(step, "{");
        text_append_bytes(out, step, n);
        step += n;
        for (size_t i = 0; *step && i < sizeof words / sizeof words[0]; i++)
            if (strncmp(step, words[i].mark, strlen(words[i].mark)) == 0) {
                text_append(out, sql_is_postgres(s) ? words[i].postgres : words[i].sqlite);
                step += strlen(words[i].mark);
                break;
            }
    }
}

static enum sql_err part_by_site(struct sql *s)
{
    struct text t = TEXT_INIT;
    for (int i = 0; i < FLEET_HASHES; i++)
        text_printf(&t,
                    "CREATE TABLE records_h%d PARTITION OF records FOR VALUES WITH"
                    " (MODULUS " TEXT_OF(FLEET_HASHES) ", REMAINDER %d)"
                                                       " PARTITION BY RANGE (filed_ms);",
                    i, i);
    enum sql_err err = t.failed ? SQL_ERR_MEMORY : sql_run(s, text_get(&t));
    text_free(&t);
    return err;
}

static enum sql_err take_step(struct sql *s, int step)
{
    struct text t = TEXT_INIT;
    adapt(s, steps[step], &t);
    enum sql_err err = t.failed ? SQL_ERR_MEMORY : sql_run(s, text_get(&t));
    text_free(&t);
    if (err == SQL_FINE && step == 0 && sql_is_postgres(s))
        err = part_by_site(s);
    return err;
}

static bool see_number(void *context, const struct sql_value *row)
{
    *(int64_t *)context = sql_as_number(&row[0]);
    return true;
}

static enum sql_err climb(struct sql *s)
{
    int64_t version = 0;
    char sql[96];
    enum sql_err err = sql_query(s, "SELECT max(version) FROM fleet_version", NULL, 0,
                                 see_number, &version, NULL);
    if (err == SQL_FINE && version > fleet_schema_version()) {
        snprintf(s->why, sizeof s->why,
                 "the database is of a later foretrip (version %lld, this one knows %d)",
                 (long long)version, fleet_schema_version());
        return SQL_ERR_FAULT;
    }
    for (int v = (int)version; err == SQL_FINE && v < fleet_schema_version(); v++) {
        err = take_step(s, v);
        snprintf(sql, sizeof sql, "INSERT INTO fleet_version (version) VALUES (%d)", v + 1);
        if (err == SQL_FINE)
            err = sql_run(s, sql);
    }
    return err;
}

enum sql_err fleet_schema_migrate(struct sql *s)
{
    enum sql_err err = sql_begin(s);
    if (err == SQL_FINE && sql_is_postgres(s))
        err = sql_run(s, LOCK);
    if (err == SQL_FINE)
        err = sql_run(
            s,
            "CREATE TABLE IF NOT EXISTS fleet_version (version BIGINT NOT NULL PRIMARY KEY)");
    if (err == SQL_FINE)
        err = climb(s);
    if (err == SQL_FINE)
        return sql_commit(s);
    char why[SQL_WHY_SIZE];
    text_copy(why, sizeof why, s->why);
    sql_rollback(s);
    text_copy(s->why, sizeof s->why, why);
    return err;
}

/* looked for before it is made: making it locks all of `records`, for everybody */
static enum sql_err month_there(struct sql *s, int year, int month, int64_t *there)
{
    char name[40];
    snprintf(name, sizeof name, "records_h%d_%04d%02d", FLEET_HASHES - 1, year, month);
    const struct sql_value param = sql_words(name);
    return sql_query(s, "SELECT count(*) FROM pg_class WHERE relname = $1", &param, 1,
                     see_number, there, NULL);
}

enum sql_err fleet_schema_month(struct sql *s, int year, int month)
{
    int64_t there = 0;
    if (!sql_is_postgres(s))
        return SQL_FINE;
    enum sql_err err = month_there(s, year, month, &there);
    if (err != SQL_FINE || there > 0)
        return err;
    struct text t = TEXT_INIT;
    long long from = clock_days_from_date(year, month, 1) * 86400000;
    long long to =
        clock_days_from_date(month == 12 ? year + 1 : year, month % 12 + 1, 1) * 86400000;
    for (int i = 0; i < FLEET_HASHES; i++)
        text_printf(&t,
                    "CREATE TABLE IF NOT EXISTS records_h%d_%04d%02d PARTITION OF records_h%d"
                    " FOR VALUES FROM (%lld) TO (%lld);",
                    i, year, month, i, from, to);
    err = t.failed ? SQL_ERR_MEMORY : sql_begin(s);
    if (err == SQL_FINE)
        err = sql_run(s, LOCK);
    if (err == SQL_FINE)
        err = sql_run(s, text_get(&t));
    if (err == SQL_FINE)
        err = sql_commit(s);
    text_free(&t);
    return err;
}
