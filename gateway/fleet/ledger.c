/*
 * A call in its order: the sites concerned are found and locked; for each item it is decided
 * which records are new, and the coverage moves on; then records, trips and alarms go in as
 * arrays, the sites' rows last. What two items of one call say of the same trip or alarm is
 * settled before, because one statement may touch a row once only.
 */
#include "ledger.h"

#include "copies.h"
#include "coverage.h"
#include "fleet_schema.h"
#include "ledger_rows.h"
#include "notices.h"
#include "repeats.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MONTHS 128                            /* remembered as made */
#define FIRST_FILED_MS INT64_C(1577836800000) /* 2020-01-01: no record is older */
#define AHEAD_MS INT64_C(86400000)            /* a site's clock may be wrong by so much */

struct ledger {
    struct sql *sql;
    struct ledger_options options;
    int months[MONTHS]; /* year * 12 + month */
    size_t month_count;
    int64_t copies_ms; /* looked for last */
    bool tends;        /* of all collectors at the store this one */
};

/* one site during a call */
struct entry {
    const char *id;
    int64_t site; /* 0: nobody has added it */
    struct coverage coverage;
    bool was_gaps, touched;
    int64_t heard_ms, online, online_ms;
    const char *name, *health; /* the gateway's own word, when it came; NULL */
};

struct numbered {
    int64_t site;
    struct entry *entry;
};

struct call {
    struct ledger *ledger;
    int64_t wall_ms;
    struct entry *entries; /* by id */
    size_t entry_count;
    struct numbered *by_site; /* those of them that have gaps */
    size_t by_site_count;
    bool memory_short;        /* a gap could not be held: it must not be taken for filled */
    struct ledger_row *fresh; /* records that are new */
    size_t fresh_count;
    struct ledger_row repeats[REPEATS_MOST]; /* some of those that are not */
    size_t repeat_count;
    struct ledger_taken taken;
};

/* ---- the sites concerned ---- */

static const struct sql_find find_sites = {
    .select =
        "SELECT id, site, have, gaps, heard_ms, online, online_ms, name, health, health_ms"
        " FROM sites WHERE id",
    .order_by = "site",
    .type = SQL_WORDS,
};
static const struct sql_find find_gaps = {
    .select = "SELECT site, after, upto, seen_ms, asked_ms, asked FROM gaps WHERE site",
    .order_by = "site, after",
    .type = SQL_NUMBER,
};
static const struct sql_table put_new_sites = {
    .name = "sites",
    .conflict = "ON CONFLICT (id) DO NOTHING",
    .columns = 2,
    .column = {{"id", SQL_WORDS}, {"added_ms", SQL_NUMBER}},
};

static int by_id(const void *a, const void *b)
{
    return strcmp(((const struct entry *)a)->id, ((const struct entry *)b)->id);
}

static struct entry *find_entry(const struct call *c, const char *id)
{
    return bsearch(&(struct entry){.id = id}, c->entries, c->entry_count, sizeof *c->entries,
                   by_id);
}

static enum sql_err list_entries(struct call *c, const struct ledger_item *items, size_t count)
{
    size_t n = 0;
    c->entries = calloc(count + 1, sizeof *c->entries);
    if (!c->entries)
        return SQL_ERR_MEMORY;
    for (size_t i = 0; i < count; i++)
        c->entries[i].id = items[i].site;
    qsort(c->entries, count, sizeof *c->entries, by_id);
    for (size_t i = 0; i < count; i++)
        if (n == 0 || strcmp(c->entries[n - 1].id, c->entries[i].id) != 0)
            c->entries[n++].id = c->entries[i].id;
    c->entry_count = n;
    return SQL_FINE;
}

static bool see_site(void *context, const struct sql_value *row)
{
    struct entry *e = find_entry(context, sql_as_words(&row[0]));
    if (!e)
        return true;
    e->site = sql_as_number(&row[1]);
    e->coverage.have = sql_as_number(&row[2]);
    e->was_gaps = sql_as_number(&row[3]) > 0;
    e->heard_ms = sql_as_number(&row[4]);
    e->online = sql_as_number(&row[5]);
    e->online_ms = sql_as_number(&row[6]);
    return true;
}

static int by_number(const void *a, const void *b)
{
    int64_t x = ((const struct numbered *)a)->site, y = ((const struct numbered *)b)->site;
    return (x > y) - (x < y);
}

static bool see_gap(void *context, const struct sql_value *row)
{
    struct call *c = context;
    const struct numbered key = {.site = sql_as_number(&row[0])};
    const struct numbered *of =
        bsearch(&key, c->by_site, c->by_site_count, sizeof *c->by_site, by_number);
    if (!of)
        return true;
    struct coverage *v = &of->entry->coverage;
    struct coverage_gap *more = realloc(v->gaps, (v->count + 1) * sizeof *more);
    c->memory_short = c->memory_short || !more;
    if (!more)
        return false;
    v->gaps = more;
    more[v->count++] = (struct coverage_gap){.after = sql_as_number(&row[1]),
                                             .to = sql_as_number(&row[2]),
                                             .seen_ms = sql_as_number(&row[3]),
                                             .asked_ms = sql_as_number(&row[4]),
                                             .asked = sql_as_number(&row[5])};
    return true;
}

/* missing: those alone that were not found yet */
static enum sql_err find_by_id(struct call *c, struct sql_value *keys, bool missing)
{
    size_t n = 0;
    for (size_t i = 0; i < c->entry_count; i++)
        if (!missing || c->entries[i].site == 0)
            keys[n++] = sql_words(c->entries[i].id);
    return sql_find(c->ledger->sql, &find_sites, keys, n, see_site, c);
}

static enum sql_err add_missing(struct call *c, struct sql_value *cells)
{
    size_t n = 0;
    for (size_t i = 0; i < c->entry_count; i++)
        if (c->entries[i].site == 0) {
            cells[2 * n] = sql_words(c->entries[i].id);
            cells[2 * n++ + 1] = sql_number(c->wall_ms);
        }
    return sql_put(c->ledger->sql, &put_new_sites, cells, n);
}

static enum sql_err find_all_gaps(struct call *c, struct sql_value *cells)
{
    c->by_site = calloc(c->entry_count + 1, sizeof *c->by_site);
    if (!c->by_site)
        return SQL_ERR_MEMORY;
    for (size_t i = 0; i < c->entry_count; i++)
        if (c->entries[i].was_gaps)
            c->by_site[c->by_site_count++] =
                (struct numbered){c->entries[i].site, &c->entries[i]};
    qsort(c->by_site, c->by_site_count, sizeof *c->by_site, by_number);
    for (size_t i = 0; i < c->by_site_count; i++)
        cells[i] = sql_number(c->by_site[i].site);
    enum sql_err err =
        sql_find(c->ledger->sql, &find_gaps, cells, c->by_site_count, see_gap, c);
    return c->memory_short ? SQL_ERR_MEMORY : err;
}

static enum sql_err find_all(struct call *c)
{
    struct sql_value *cells = calloc(2 * c->entry_count + 1, sizeof *cells);
    enum sql_err err = cells ? find_by_id(c, cells, false) : SQL_ERR_MEMORY;
    if (err == SQL_FINE && !c->ledger->options.known_only) {
        err = add_missing(c, cells);
        if (err == SQL_FINE)
            err = find_by_id(c, cells, true);
    }
    if (err == SQL_FINE)
        err = find_all_gaps(c, cells);
    free(cells);
    return err;
}

/* ---- what is new ---- */

static int64_t filed_at(const struct call *c, int64_t wall_ms)
{
    return wall_ms >= FIRST_FILED_MS && wall_ms <= c->wall_ms + AHEAD_MS ? wall_ms : c->wall_ms;
}

static void take_repeat(struct call *c, const struct ledger_row *row)
{
    if (c->repeat_count < REPEATS_MOST)
        c->repeats[c->repeat_count++] = *row;
    c->taken.repeated++;
}

static enum sql_err take_parcel(struct call *c, struct entry *e, const struct parcel *p)
{
    size_t gaps = e->coverage.count, first = c->fresh_count;
    for (size_t i = 0; i < p->count; i++) {
        const struct parcel_record *r = &p->records[i];
        const struct ledger_row row = {
            .site = e->site, .record = r, .filed_ms = filed_at(c, r->wall_ms)};
        if (coverage_has(&e->coverage, r->seq))
            take_repeat(c, &row);
        else
            c->fresh[c->fresh_count++] = row;
    }
    if (!coverage_add(&e->coverage, p->after, p->to, c->wall_ms)) {
        c->fresh_count = first; /* asked for again once there is room */
        log_warning("fleet", "%s: too many gaps; a parcel is left out until some are filled",
                    e->id);
        return SQL_FINE;
    }
    c->taken.records += c->fresh_count - first;
    c->taken.gaps += e->coverage.count > gaps ? e->coverage.count - gaps : 0;
    if (p->health) {
        e->health = p->health;
        e->name = p->name;
    }
    return SQL_FINE;
}

static void take_line(struct call *c, struct entry *e, bool online)
{
    if (e->online != online || e->online_ms == 0)
        e->online_ms = c->wall_ms;
    e->online = online;
}

static enum sql_err take_items(struct call *c, const struct ledger_item *items, size_t count)
{
    size_t records = 0;
    for (size_t i = 0; i < count; i++)
        records += items[i].parcel ? items[i].parcel->count : 0;
    c->fresh = calloc(records + 1, sizeof *c->fresh);
    enum sql_err err = c->fresh ? SQL_FINE : SQL_ERR_MEMORY;
    for (size_t i = 0; i < count && err == SQL_FINE; i++) {
        struct entry *e = find_entry(c, items[i].site);
        if (!e || e->site == 0) {
            c->taken.unknown++;
            continue;
        }
        e->touched = true;
        if (items[i].parcel)
            err = take_parcel(c, e, items[i].parcel);
        if (items[i].parcel || items[i].online)
            e->heard_ms = c->wall_ms;
        take_line(c, e, items[i].parcel || items[i].online);
    }
    return err;
}

/* ---- PostgreSQL: a part for each month ---- */

static bool month_known(const struct ledger *l, int month)
{
    for (size_t i = 0; i < l->month_count; i++)
        if (l->months[i] == month)
            return true;
    return false;
}

/* outside of the transaction that needs it, which would hold the lock of all parts too long */
static enum sql_err ensure_month(struct ledger *l, int64_t wall_ms)
{
    int year, month, day;
    clock_date_from_days(wall_ms / 86400000, &year, &month, &day);
    if (!sql_is_postgres(l->sql) || month_known(l, year * 12 + month))
        return SQL_FINE;
    enum sql_err err = fleet_schema_month(l->sql, year, month);
    if (l->month_count == MONTHS)
        l->month_count = 0; /* looked for again */
    if (err == SQL_FINE)
        l->months[l->month_count++] = year * 12 + month;
    return err;
}

static enum sql_err ensure_months(struct call *c, const struct ledger_item *items, size_t count)
{
    enum sql_err err = ensure_month(c->ledger, c->wall_ms);
    for (size_t i = 0; i < count && err == SQL_FINE; i++)
        for (size_t k = 0; items[i].parcel && k < items[i].parcel->count && err == SQL_FINE;
             k++)
            err = ensure_month(c->ledger, filed_at(c, items[i].parcel->records[k].wall_ms));
    return err;
}

/* ---- writing ---- */

static const struct sql_table put_gaps = {
    .name = "gaps",
    .conflict = "",
    .columns = 6,
    .column = {{"site", SQL_NUMBER},
               {"after", SQL_NUMBER},
               {"upto", SQL_NUMBER},
               {"seen_ms", SQL_NUMBER},
               {"asked_ms", SQL_NUMBER},
               {"asked", SQL_NUMBER}},
};

static const struct sql_find remove_gaps = {.select = "DELETE FROM gaps WHERE site",
                                            .type = SQL_NUMBER};

static void fill_gap(struct sql_value *v, const struct entry *e, const struct coverage_gap *g)
{
    v[0] = sql_number(e->site);
    v[1] = sql_number(g->after);
    v[2] = sql_number(g->to);
    v[3] = sql_number(g->seen_ms);
    v[4] = sql_number(g->asked_ms);
    v[5] = sql_number(g->asked);
}

/* few sites have any, so those of a site are written anew */
static enum sql_err write_gaps(struct call *c)
{
    size_t gaps = 0, sites = 0, rows = 0;
    for (size_t i = 0; i < c->entry_count; i++)
        gaps += c->entries[i].coverage.count;
    struct sql_value *keys = calloc(c->entry_count + 1, sizeof *keys);
    struct sql_value *cells = calloc(gaps * put_gaps.columns + 1, sizeof *cells);
    enum sql_err err = keys && cells ? SQL_FINE : SQL_ERR_MEMORY;
    for (size_t i = 0; err == SQL_FINE && i < c->entry_count; i++) {
        const struct entry *e = &c->entries[i];
        if (!e->touched)
            continue;
        if (e->was_gaps)
            keys[sites++] = sql_number(e->site);
        for (size_t k = 0; k < e->coverage.count; k++)
            fill_gap(cells + rows++ * put_gaps.columns, e, &e->coverage.gaps[k]);
    }
    if (err == SQL_FINE)
        err = sql_find(c->ledger->sql, &remove_gaps, keys, sites, NULL, NULL);
    if (err == SQL_FINE)
        err = sql_put(c->ledger->sql, &put_gaps, cells, rows);
    free(cells);
    free(keys);
    return err;
}

static const struct sql_table put_sites = {
    .name = "sites",
    .conflict = "ON CONFLICT (site) DO UPDATE SET have = excluded.have, gaps = excluded.gaps,"
                " heard_ms = excluded.heard_ms, online = excluded.online,"
                " online_ms = excluded.online_ms",
    .columns = 7,
    .column = {{"site", SQL_NUMBER},
               {"id", SQL_WORDS},
               {"have", SQL_NUMBER},
               {"gaps", SQL_NUMBER},
               {"heard_ms", SQL_NUMBER},
               {"online", SQL_NUMBER},
               {"online_ms", SQL_NUMBER}},
};

/* what somebody has called a unit here stays */
static const struct sql_table put_health = {
    .name = "sites",
    .conflict = "ON CONFLICT (site) DO UPDATE SET health = excluded.health,"
                " health_ms = excluded.health_ms,"
                " name = CASE WHEN sites.name = '' THEN excluded.name ELSE sites.name END",
    .columns = 5,
    .column = {{"site", SQL_NUMBER},
               {"id", SQL_WORDS},
               {"name", SQL_WORDS},
               {"health", SQL_WORDS},
               {"health_ms", SQL_NUMBER}},
};

static void fill_site(struct sql_value *v, const struct entry *e)
{
    v[0] = sql_number(e->site);
    v[1] = sql_words(e->id);
    v[2] = sql_number(e->coverage.have);
    v[3] = sql_number((int64_t)e->coverage.count);
    v[4] = sql_number(e->heard_ms);
    v[5] = sql_number(e->online);
    v[6] = sql_number(e->online_ms);
}

static enum sql_err write_health(struct call *c, struct sql_value *cells)
{
    size_t rows = 0;
    for (size_t i = 0; i < c->entry_count; i++) {
        const struct entry *e = &c->entries[i];
        struct sql_value *v = cells + rows * put_health.columns;
        if (!e->touched || !e->health)
            continue;
        v[0] = sql_number(e->site);
        v[1] = sql_words(e->id);
        v[2] = sql_words(e->name);
        v[3] = sql_words(e->health);
        v[4] = sql_number(c->wall_ms);
        rows++;
    }
    return sql_put(c->ledger->sql, &put_health, cells, rows);
}

static enum sql_err write_sites(struct call *c)
{
    struct sql_value *cells = calloc(c->entry_count * put_sites.columns + 1, sizeof *cells);
    size_t rows = 0;
    enum sql_err err = cells ? SQL_FINE : SQL_ERR_MEMORY;
    for (size_t i = 0; i < c->entry_count && err == SQL_FINE; i++)
        if (c->entries[i].touched)
            fill_site(cells + rows++ * put_sites.columns, &c->entries[i]);
    if (err == SQL_FINE)
        err = write_gaps(c);
    if (err == SQL_FINE)
        err = sql_put(c->ledger->sql, &put_sites, cells, rows);
    if (err == SQL_FINE)
        err = write_health(c, cells);
    free(cells);
    return err;
}

static enum sql_err write_all(struct call *c)
{
    struct sql *sql = c->ledger->sql;
    enum sql_err err = ledger_rows_put(sql, c->fresh, c->fresh_count);
    if (err == SQL_FINE)
        err = repeats_look(sql, c->repeats, c->repeat_count, c->wall_ms);
    return err == SQL_FINE ? write_sites(c) : err;
}

/* ---- the call ---- */

static void end_call(struct call *c)
{
    for (size_t i = 0; i < c->entry_count; i++)
        coverage_free(&c->entries[i].coverage);
    free(c->by_site);
    free(c->entries);
    free(c->fresh);
}

enum sql_err ledger_take(struct ledger *l, const struct ledger_item *items, size_t count,
                         int64_t wall_ms, struct ledger_taken *out)
{
    struct call c = {.ledger = l, .wall_ms = wall_ms};
    enum sql_err err = list_entries(&c, items, count);
    if (err == SQL_FINE)
        err = ensure_months(&c, items, count);
    if (err == SQL_FINE)
        err = sql_begin(l->sql);
    if (err == SQL_FINE)
        err = find_all(&c);
    if (err == SQL_FINE)
        err = take_items(&c, items, count);
    if (err == SQL_FINE)
        err = write_all(&c);
    if (err == SQL_FINE)
        err = sql_commit(l->sql);
    sql_rollback(l->sql); /* nothing when it is over */
    if (err == SQL_FINE) {
        out->records += c.taken.records;
        out->repeated += c.taken.repeated;
        out->unknown += c.taken.unknown;
        out->gaps += c.taken.gaps;
    }
    end_call(&c);
    return err;
}

/* ---- gaps ---- */

struct asking {
    ledger_gap_fn *fn;
    void *context;
};

static bool ask(void *context, const struct sql_value *row)
{
    struct asking *a = context;
    a->fn(a->context, sql_as_words(&row[0]), sql_as_number(&row[1]), sql_as_number(&row[2]));
    return true;
}

enum sql_err ledger_take_gaps(struct ledger *l, int64_t wall_ms, size_t most, ledger_gap_fn *fn,
                              void *context)
{
    /* again after half a minute, then ever later, up to some 50 minutes */
    static const char text[] =
        "UPDATE gaps SET asked_ms = $1, asked = CASE WHEN asked < 10 THEN asked + 1 ELSE 10 END"
        " WHERE (site, after) IN (SELECT site, after FROM gaps WHERE seen_ms <= $2"
        " AND asked_ms + 30000 * asked * asked <= $1 ORDER BY asked_ms LIMIT $3)"
        " RETURNING (SELECT id FROM sites WHERE sites.site = gaps.site), after, upto";
    const struct sql_value params[] = {sql_number(wall_ms), sql_number(wall_ms - LEDGER_GAP_MS),
                                       sql_number((int64_t)most)};
    return sql_query(l->sql, text, params, 3, ask, &(struct asking){fn, context}, NULL);
}

static bool see_tends(void *context, const struct sql_value *row)
{
    *(bool *)context = sql_as_number(&row[0]) != 0;
    return true;
}

/* One of several is enough. Whose connection holds the lock does it, until it ends. */
static enum sql_err ask_to_tend(struct ledger *l)
{
    static const char text[] = "SELECT pg_try_advisory_lock(1178944853)::int"; /* "FETS" */
    if (!sql_is_postgres(l->sql))
        l->tends = true;
    return l->tends ? SQL_FINE : sql_query(l->sql, text, NULL, 0, see_tends, &l->tends, NULL);
}

enum sql_err ledger_tend(struct ledger *l, int64_t wall_ms)
{
    enum sql_err err = ask_to_tend(l);
    if (err != SQL_FINE || !l->tends)
        return err;
    err = notices_tend(l->sql, wall_ms);
    if (err == SQL_FINE &&
        (wall_ms >= l->copies_ms + COPIES_EVERY_MS || wall_ms < l->copies_ms)) {
        err = copies_tend(l->sql, wall_ms);
        l->copies_ms = wall_ms;
    }
    return err;
}

/* ---- open and close ---- */

struct ledger *ledger_open(const struct ledger_options *o, char why[SQL_WHY_SIZE])
{
    struct ledger *l = calloc(1, sizeof *l);
    if (!l) {
        snprintf(why, SQL_WHY_SIZE, "memory is short");
        return NULL;
    }
    l->options = *o;
    l->sql = sql_open(o->where, why);
    if (l->sql && fleet_schema_migrate(l->sql) == SQL_FINE)
        return l;
    if (l->sql)
        text_copy(why, SQL_WHY_SIZE, sql_why(l->sql));
    ledger_close(l);
    return NULL;
}

void ledger_close(struct ledger *l)
{
    if (l)
        sql_close(l->sql);
    free(l);
}

const char *ledger_why(const struct ledger *l)
{
    return sql_why(l->sql);
}
