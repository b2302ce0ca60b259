#include "portfolio.h"

#include "notices.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#define SITE_COLUMNS "s.site, s.id, s.name, s.building, s.unit, s.online, s.heard_ms"
#define SITE_COUNT 7
#define OPENED "t.stage NOT IN ('', 'withdrawn')"
#define STANDING "a.state IN ('unacknowledged', 'acknowledged', 'returned_unacknowledged')"

static const char *const reason_names[NEED_REASONS] = {
    [NEED_URGENT] = "urgent",
    [NEED_OPEN] = "open",
    [NEED_HIGH] = "high",
    [NEED_WORN_BREAKER] = "worn_breaker",
    [NEED_ESSENTIAL_SILENT] = "essential_load_silent",
    [NEED_SUPPLY_OUTAGE] = "supply_outage",
    [NEED_QUIET] = "quiet",
    [NEED_WARNING] = "warning",
};

const char *portfolio_reason_name(enum portfolio_reason r)
{
    return reason_names[r];
}

static struct portfolio_site site_of(const struct sql_value *row)
{
    return (struct portfolio_site){.site = sql_as_number(&row[0]),
                                   .id = sql_as_words(&row[1]),
                                   .name = sql_as_words(&row[2]),
                                   .building = sql_as_words(&row[3]),
                                   .unit = sql_as_words(&row[4]),
                                   .online = sql_as_number(&row[5]) != 0,
                                   .heard_ms = sql_as_number(&row[6])};
}

/* ---- who needs somebody ---- */

/* what the kind of an alarm asks for, whatever its priority; low ones are warnings */
static enum portfolio_reason reason_of(const char *kind, const char *priority,
                                       const char *story)
{
    if (strcmp(story, NOTICE_OUTAGE) == 0)
        return NEED_SUPPLY_OUTAGE;
    if (strcmp(priority, "urgent") == 0)
        return NEED_URGENT;
    if (strcmp(kind, "trip") == 0 || strcmp(kind, "opened_again") == 0)
        return NEED_OPEN;
    if (strcmp(kind, "worn_breaker") == 0)
        return NEED_WORN_BREAKER;
    if (strcmp(kind, "essential_load_silent") == 0)
        return NEED_ESSENTIAL_SILENT;
    return strcmp(priority, "high") == 0 ? NEED_HIGH : NEED_WARNING;
}

struct needs {
    int64_t now_ms;
    struct portfolio_need *list;
    size_t count, room;
    size_t alarmed; /* the first of them, by site: those with alarms */
    bool failed;
};

static const char *copy(struct needs *n, const char *s)
{
    char *c = s[0] ? strdup(s) : NULL;
    n->failed = n->failed || (s[0] && !c);
    return c ? c : "";
}

static void drop(const char *s)
{
    if (s && s[0])
        free((char *)s);
}

static struct portfolio_need *add_need(struct needs *n, const struct sql_value *row)
{
    if (n->count == n->room) {
        size_t room = n->room ? 2 * n->room : 256;
        struct portfolio_need *more = realloc(n->list, room * sizeof *more);
        if (!more) {
            n->failed = true;
            return NULL;
        }
        n->list = more;
        n->room = room;
    }
    assert(n->list);
    struct portfolio_need *need = &n->list[n->count++];
    *need = (struct portfolio_need){.site = site_of(row)};
    need->site.id = copy(n, need->site.id);
    need->site.name = copy(n, need->site.name);
    need->site.building = copy(n, need->site.building);
    need->site.unit = copy(n, need->site.unit);
    need->circuit = need->kind = need->priority = need->state = need->json = "";
    return need;
}

static void drop_alarm(struct portfolio_need *need)
{
    drop(need->circuit);
    drop(need->kind);
    drop(need->priority);
    drop(need->state);
    drop(need->json);
}

/* rows come by site: the worst of each stays, the others count */
static bool see_alarm(void *context, const struct sql_value *row)
{
    struct needs *n = context;
    const struct sql_value *a = row + SITE_COUNT;
    enum portfolio_reason reason =
        reason_of(sql_as_words(&a[1]), sql_as_words(&a[2]), sql_as_words(&a[6]));
    if (reason == NEED_SUPPLY_OUTAGE &&
        strcmp(sql_as_words(&a[3]), "returned_unacknowledged") == 0)
        return true; /* the light is back: nothing is left to do */
    int64_t since = sql_as_number(&a[4]);
    struct portfolio_need *need = n->count > 0 ? &n->list[n->count - 1] : NULL;
    size_t others = 0;
    if (need && need->site.site == sql_as_number(&row[0])) {
        need->others++;
        if (reason > need->reason || (reason == need->reason && since >= need->since_ms))
            return true;
        others = need->others;
        drop_alarm(need);
    } else {
        need = add_need(n, row);
    }
    if (!need)
        return false;
    need->others = others;
    need->reason = reason;
    need->circuit = copy(n, sql_as_words(&a[0]));
    need->kind = copy(n, sql_as_words(&a[1]));
    need->priority = copy(n, sql_as_words(&a[2]));
    need->state = copy(n, sql_as_words(&a[3]));
    need->since_ms = since;
    need->json = copy(n, sql_as_words(&a[5]));
    return !n->failed;
}

static int by_site(const void *a, const void *b)
{
    const struct portfolio_need *x = a, *y = b;
    return (x->site.site > y->site.site) - (x->site.site < y->site.site);
}

/* what stands there worse than being quiet is said already; a warning is less */
static bool see_quiet(void *context, const struct sql_value *row)
{
    struct needs *n = context;
    const struct portfolio_need key = {.site.site = sql_as_number(&row[0])};
    struct portfolio_need *need =
        n->alarmed ? bsearch(&key, n->list, n->alarmed, sizeof key, by_site) : NULL;
    if (need && need->reason < NEED_QUIET)
        return true;
    if (need) {
        need->others++;
        drop_alarm(need);
        need->circuit = need->kind = need->priority = need->state = need->json = "";
    } else {
        need = add_need(n, row);
    }
    if (!need)
        return false;
    need->reason = NEED_QUIET;
    need->since_ms = need->site.heard_ms;
    return !n->failed;
}

static int by_reason(const void *a, const void *b)
{
    const struct portfolio_need *x = a, *y = b;
    if (x->reason != y->reason)
        return x->reason < y->reason ? -1 : 1;
    if (x->since_ms != y->since_ms)
        return x->since_ms < y->since_ms ? -1 : 1;
    return by_site(a, b);
}

static enum sql_err collect_needs(struct sql *s, const char *building, struct needs *n)
{
    const struct sql_value params[] = {building ? sql_words(building) : sql_words(""),
                                       sql_number(n->now_ms - PORTFOLIO_QUIET_MS)};
    enum sql_err err = sql_query(
        s,
        "SELECT " SITE_COLUMNS
        ", a.circuit, a.kind, a.priority, a.state, a.raised_ms, a.json, a.story"
        " FROM alarms a JOIN sites s ON s.site = a.site WHERE a.state <> 'normal' AND " STANDING
        " AND a.alert = 0 AND ($1 = '' OR s.building = $1) ORDER BY s.site",
        params, 1, see_alarm, n, NULL);
    n->alarmed = n->count;
    if (err != SQL_FINE)
        return err;
    return sql_query(s,
                     "SELECT " SITE_COLUMNS " FROM sites s WHERE ($1 = '' OR s.building = $1)"
                     " AND s.heard_ms < $2",
                     params, 2, see_quiet, n, NULL);
}

enum sql_err portfolio_needs(struct sql *s, int64_t now_ms, const char *building,
                             portfolio_need_fn *fn, void *context)
{
    struct needs n = {.now_ms = now_ms};
    enum sql_err err = collect_needs(s, building, &n);
    if (err == SQL_FINE && n.failed)
        err = SQL_ERR_MEMORY;
    if (err == SQL_FINE && n.count > 0)
        qsort(n.list, n.count, sizeof *n.list, by_reason);
    for (size_t i = 0; i < n.count && err == SQL_FINE; i++)
        if (!fn(context, &n.list[i]))
            break;
    for (size_t i = 0; i < n.count; i++) {
        drop_alarm(&n.list[i]);
        drop(n.list[i].site.id);
        drop(n.list[i].site.name);
        drop(n.list[i].site.building);
        drop(n.list[i].site.unit);
    }
    free(n.list);
    return err;
}

/* ---- units ---- */

struct handing {
    void *context;
    union {
        portfolio_unit_fn *unit;
        portfolio_trip_fn *trip;
        portfolio_building_fn *building;
        portfolio_alarm_fn *alarm;
        portfolio_count_fn *count;
        portfolio_record_fn *record;
    };
    int64_t from_ms, step_ms;
};

static bool hand_unit(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    const struct sql_value *v = row + SITE_COUNT;
    const struct portfolio_unit u = {.site = site_of(row),
                                     .urgent = sql_as_number(&v[0]),
                                     .high = sql_as_number(&v[1]),
                                     .low = sql_as_number(&v[2]),
                                     .trips = sql_as_number(&v[3]),
                                     .last_trip_ms = sql_as_number(&v[4]),
                                     .health = sql_as_words(&v[5])};
    return h->unit(h->context, &u);
}

#define STANDING_BY_SITE                                                                       \
    "SELECT a.site, sum(CASE WHEN a.priority = 'urgent' THEN 1 ELSE 0 END) AS urgent,"         \
    " sum(CASE WHEN a.priority = 'high' THEN 1 ELSE 0 END) AS high,"                           \
    " sum(CASE WHEN a.priority = 'low' THEN 1 ELSE 0 END) AS low"                              \
    " FROM alarms a WHERE a.state <> 'normal' AND " STANDING                                   \
    " AND a.alert = 0 GROUP BY a.site"
/* of some units, by site: an index has what belongs to one together */
#define STANDING_OF(priority)                                                                  \
    "(SELECT count(*) FROM alarms a WHERE a.site = s.site AND a.state <> 'normal' "            \
    "AND " STANDING " AND a.alert = 0 AND a.priority = '" priority "')"
#define OPENED_SINCE "FROM trips t WHERE t.site = s.site AND t.opened_ms >= $1 AND " OPENED
#define UNIT_SELECT                                                                            \
    "SELECT " SITE_COLUMNS ", " STANDING_OF("urgent") ", " STANDING_OF(                        \
        "high") ", " STANDING_OF("low") ", (SELECT count(*) " OPENED_SINCE                     \
                                        "), (SELECT max(t.opened_ms) " OPENED_SINCE            \
                                        "), s.health FROM sites s "
/* of all of them, gathered first */
#define UNIT_SELECT_ALL                                                                        \
    "SELECT " SITE_COLUMNS ", coalesce(a.urgent, 0), coalesce(a.high, 0), coalesce(a.low, 0)," \
    " coalesce(t.trips, 0), coalesce(t.last_ms, 0), s.health FROM sites s"                     \
    " LEFT JOIN (" STANDING_BY_SITE ") a ON a.site = s.site LEFT JOIN (SELECT t.site,"         \
    " count(*) AS trips, max(t.opened_ms) AS last_ms FROM trips t WHERE t.opened_ms >= $1 "    \
    "AND " OPENED " GROUP BY t.site) t ON t.site = s.site"
#define UNIT_ORDER " ORDER BY s.building, s.unit, s.id LIMIT $2"

/* the statement for all, for a unit or for a building, whose name goes into *param */
static const char *choose(const struct portfolio_scope *scope, const char *all, const char *one,
                          const char *of_building, struct sql_value *param)
{
    if (!scope || (!scope->site_id && !scope->building))
        return all;
    *param = sql_words(scope->site_id ? scope->site_id : scope->building);
    return scope->site_id ? one : of_building;
}

/* %words% for LIKE, with what has a meaning there taken literally */
static bool compose_pattern(const char *words, char *out, size_t size)
{
    size_t n = 0;
    out[n++] = '%';
    for (; *words && n + 4 < size; words++) {
        if (*words == '%' || *words == '_' || *words == '\\')
            out[n++] = '\\';
        out[n++] = (char)(*words >= 'A' && *words <= 'Z' ? *words + 32 : *words);
    }
    out[n++] = '%';
    out[n] = '\0';
    return *words == '\0';
}

enum sql_err portfolio_units(struct sql *s, int64_t since_ms,
                             const struct portfolio_scope *scope, size_t most,
                             portfolio_unit_fn *fn, void *context)
{
    static const char all[] = UNIT_SELECT_ALL UNIT_ORDER;
    static const char one[] = UNIT_SELECT "WHERE s.id = $3" UNIT_ORDER;
    static const char of_building[] = UNIT_SELECT "WHERE s.building = $3" UNIT_ORDER;
    static const char found[] = /* may be all of them */
        UNIT_SELECT_ALL
        " WHERE lower(s.id) LIKE $3 ESCAPE '\\' OR lower(s.name) LIKE $3 ESCAPE '\\'"
        " OR lower(s.building) LIKE $3 ESCAPE '\\' OR lower(s.unit) LIKE $3 ESCAPE "
        "'\\'" UNIT_ORDER;
    struct sql_value params[] = {sql_number(since_ms), sql_number((int64_t)most),
                                 sql_words("")};
    char pattern[300];
    const char *text = choose(scope, all, one, of_building, &params[2]);
    if (text == all && scope && scope->words) {
        if (!compose_pattern(scope->words, pattern, sizeof pattern))
            return SQL_FINE; /* nothing is called so */
        text = found;
        params[2] = sql_words(pattern);
    }
    return sql_query(s, text, params, text == all ? 2 : 3, hand_unit,
                     &(struct handing){.context = context, .unit = fn}, NULL);
}

static bool hand_building(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    const struct portfolio_building b = {.building = sql_as_words(&row[0]),
                                         .units = sql_as_number(&row[1]),
                                         .online = sql_as_number(&row[2]),
                                         .quiet = sql_as_number(&row[3]),
                                         .urgent = sql_as_number(&row[4]),
                                         .high = sql_as_number(&row[5]),
                                         .low = sql_as_number(&row[6]),
                                         .trips = sql_as_number(&row[7])};
    return h->building(h->context, &b);
}

enum sql_err portfolio_buildings(struct sql *s, int64_t now_ms, int64_t since_ms,
                                 portfolio_building_fn *fn, void *context)
{
    const struct sql_value params[] = {sql_number(since_ms),
                                       sql_number(now_ms - PORTFOLIO_QUIET_MS)};
    return sql_query(
        s,
        "SELECT s.building, count(*), sum(s.online),"
        " sum(CASE WHEN s.heard_ms < $2 THEN 1 ELSE 0 END), coalesce(sum(a.urgent), 0),"
        " coalesce(sum(a.high), 0), coalesce(sum(a.low), 0), coalesce(sum(t.trips), 0)"
        " FROM sites s LEFT JOIN (" STANDING_BY_SITE ") a ON a.site = s.site"
        " LEFT JOIN (SELECT t.site, count(*) AS trips FROM trips t WHERE t.opened_ms >= $1"
        "  AND " OPENED " GROUP BY t.site) t ON t.site = s.site"
        " GROUP BY s.building ORDER BY s.building",
        params, 2, hand_building, &(struct handing){.context = context, .building = fn}, NULL);
}

static bool hand_alarm(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    const struct sql_value *v = row + SITE_COUNT;
    const struct portfolio_alarm a = {.site = site_of(row),
                                      .alarm = sql_as_words(&v[0]),
                                      .panel = sql_as_words(&v[1]),
                                      .circuit = sql_as_words(&v[2]),
                                      .kind = sql_as_words(&v[3]),
                                      .priority = sql_as_words(&v[4]),
                                      .state = sql_as_words(&v[5]),
                                      .alert = sql_as_number(&v[6]) != 0,
                                      .raised_ms = sql_as_number(&v[7]),
                                      .json = sql_as_words(&v[8])};
    return h->alarm(h->context, &a);
}

enum sql_err portfolio_alarms(struct sql *s, const char *site_id, size_t most,
                              portfolio_alarm_fn *fn, void *context)
{
#define ALARM_SELECT                                                                           \
    "SELECT " SITE_COLUMNS ", a.alarm, a.panel, a.circuit, a.kind, a.priority, a.state,"       \
    " a.alert, a.raised_ms, a.json FROM alarms a JOIN sites s ON s.site = a.site"              \
    " WHERE a.state <> 'normal'"
#define ALARM_ORDER                                                                            \
    " ORDER BY CASE a.priority WHEN 'urgent' THEN 0 WHEN 'high' THEN 1 ELSE 2 END,"            \
    " a.raised_ms DESC LIMIT $1"
    static const char all[] = ALARM_SELECT ALARM_ORDER;
    static const char one[] = ALARM_SELECT " AND s.id = $2" ALARM_ORDER;
    const struct sql_value params[] = {sql_number((int64_t)most),
                                       sql_words(site_id ? site_id : "")};
    return sql_query(s, site_id ? one : all, params, site_id ? 2 : 1, hand_alarm,
                     &(struct handing){.context = context, .alarm = fn}, NULL);
}

enum sql_err portfolio_place(struct sql *s, const char *site_id, const char *name,
                             const char *building, const char *unit, bool *known)
{
    const struct sql_value params[] = {sql_words(site_id), sql_words(name), sql_words(building),
                                       sql_words(unit)};
    int64_t changed = 0;
    enum sql_err err =
        sql_query(s, "UPDATE sites SET name = $2, building = $3, unit = $4 WHERE id = $1",
                  params, 4, NULL, NULL, &changed);
    *known = changed > 0;
    return err;
}

/* ---- trips in time ---- */

static bool hand_trip(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    const struct sql_value *v = row + SITE_COUNT;
    const struct portfolio_trip t = {.site = site_of(row),
                                     .trip = sql_as_words(&v[0]),
                                     .panel = sql_as_words(&v[1]),
                                     .circuit = sql_as_words(&v[2]),
                                     .stage = sql_as_words(&v[3]),
                                     .cause = sql_as_words(&v[4]),
                                     .probability = sql_as_real(&v[5]),
                                     .opened_ms = sql_as_number(&v[6]),
                                     .restored_ms = sql_as_number(&v[7]),
                                     .seconds_held = sql_as_real(&v[8]),
                                     .json = sql_as_words(&v[9])};
    return h->trip(h->context, &t);
}

#define TRIP_SELECT                                                                            \
    "SELECT " SITE_COLUMNS ", t.trip, t.panel, t.circuit, t.stage, t.cause, t.probability,"    \
    " t.opened_ms, t.restored_ms, t.seconds_held, t.json FROM trips t"                         \
    " JOIN sites s ON s.site = t.site WHERE "
#define OPENED_WITHIN "t.opened_ms >= $1 AND t.opened_ms < $2 AND " OPENED

enum sql_err portfolio_trips(struct sql *s, int64_t from_ms, int64_t to_ms,
                             const struct portfolio_scope *scope, size_t most,
                             portfolio_trip_fn *fn, void *context)
{
#define TRIP_ORDER " ORDER BY t.opened_ms DESC LIMIT $3"
    static const char all[] = TRIP_SELECT OPENED_WITHIN TRIP_ORDER;
    static const char one[] = TRIP_SELECT OPENED_WITHIN " AND s.id = $4" TRIP_ORDER;
    static const char of_building[] =
        TRIP_SELECT OPENED_WITHIN " AND s.building = $4" TRIP_ORDER;
    struct sql_value params[] = {sql_number(from_ms), sql_number(to_ms),
                                 sql_number((int64_t)most), sql_words("")};
    const char *text = choose(scope, all, one, of_building, &params[3]);
    return sql_query(s, text, params, text == all ? 3 : 4, hand_trip,
                     &(struct handing){.context = context, .trip = fn}, NULL);
}

enum sql_err portfolio_trip(struct sql *s, const char *site_id, const char *trip,
                            portfolio_trip_fn *fn, void *context)
{
    const struct sql_value params[] = {sql_words(site_id), sql_words(trip)};
    return sql_query(s, TRIP_SELECT "s.id = $1 AND t.trip = $2", params, 2, hand_trip,
                     &(struct handing){.context = context, .trip = fn}, NULL);
}

static bool hand_count(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    return h->count(h->context, h->from_ms + sql_as_number(&row[0]) * h->step_ms,
                    sql_as_words(&row[1]), sql_as_number(&row[2]));
}

enum sql_err portfolio_trip_counts(struct sql *s, int64_t from_ms, int64_t to_ms,
                                   int64_t step_ms, const struct portfolio_scope *scope,
                                   portfolio_count_fn *fn, void *context)
{
#define COUNT_SELECT                                                                           \
    "SELECT (t.opened_ms - $1) / $3 AS step, t.cause, count(*) FROM trips t "                  \
    "WHERE " OPENED_WITHIN
#define COUNT_GROUP " GROUP BY 1, 2 ORDER BY 1, 2"
    static const char all[] = COUNT_SELECT COUNT_GROUP;
    static const char one[] =
        COUNT_SELECT " AND t.site = (SELECT site FROM sites WHERE id = $4)" COUNT_GROUP;
    static const char of_building[] =
        COUNT_SELECT " AND t.site IN (SELECT site FROM sites WHERE building = $4)" COUNT_GROUP;
    struct sql_value params[] = {sql_number(from_ms), sql_number(to_ms), sql_number(step_ms),
                                 sql_words("")};
    const char *text = choose(scope, all, one, of_building, &params[3]);
    return sql_query(
        s, text, params, text == all ? 3 : 4, hand_count,
        &(struct handing){
            .context = context, .count = fn, .from_ms = from_ms, .step_ms = step_ms},
        NULL);
}

/* ---- one site's record ---- */

static bool hand_record(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    return h->record(h->context, sql_as_number(&row[0]), sql_as_number(&row[1]),
                     sql_as_words(&row[2]), sql_as_words(&row[3]));
}

enum sql_err portfolio_records(struct sql *s, const char *site_id, int64_t from_ms,
                               int64_t to_ms, size_t most, portfolio_record_fn *fn,
                               void *context)
{
    const struct sql_value params[] = {sql_words(site_id), sql_number(from_ms),
                                       sql_number(to_ms), sql_number((int64_t)most)};
    return sql_query(s,
                     "SELECT r.seq, r.filed_ms, r.type, r.json FROM records r"
                     " WHERE r.site = (SELECT site FROM sites WHERE id = $1)"
                     " AND r.filed_ms >= $2 AND r.filed_ms < $3"
                     " ORDER BY r.filed_ms, r.seq LIMIT $4",
                     params, 4, hand_record,
                     &(struct handing){.context = context, .record = fn}, NULL);
}

/* ---- sums ---- */

static bool see_sums(void *context, const struct sql_value *row)
{
    struct portfolio_sums *out = context;
    *out = (struct portfolio_sums){.sites = sql_as_number(&row[0]),
                                   .online = sql_as_number(&row[1]),
                                   .quiet = sql_as_number(&row[2]),
                                   .gaps = sql_as_number(&row[3]),
                                   .urgent = sql_as_number(&row[4]),
                                   .high = sql_as_number(&row[5])};
    return true;
}

enum sql_err portfolio_sums(struct sql *s, int64_t now_ms, struct portfolio_sums *out)
{
    const struct sql_value param = sql_number(now_ms - PORTFOLIO_QUIET_MS);
    return sql_query(
        s,
        "SELECT count(*), sum(online), sum(CASE WHEN heard_ms < $1 THEN 1 ELSE 0 END),"
        " sum(gaps), (SELECT count(*) FROM alarms a WHERE a.state <> 'normal' AND " STANDING
        " AND a.alert = 0 AND a.priority = 'urgent'),"
        " (SELECT count(*) FROM alarms a WHERE a.state <> 'normal' AND " STANDING
        " AND a.alert = 0 AND a.priority = 'high') FROM sites",
        &param, 1, see_sums, out, NULL);
}
