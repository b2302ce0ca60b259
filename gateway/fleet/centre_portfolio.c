#include "centre_api.h"

#include "consents.h"
#include "notices.h"
#include "orders.h"
#include "portfolio.h"

#include "model/event_json.h"

#include <string.h>

#define DAY_MS INT64_C(86400000)
#define USUAL_NEEDS 200
#define MOST_ROWS 5000
#define MOST_STEPS 800
#define NOTICES_MS (7 * DAY_MS) /* of those that are over */
#define UNIT_TRIPS_MS (30 * DAY_MS)

/* ---- who needs somebody ---- */

/* what is looked up beside each unit */
struct beside {
    json_t *orders;  /* by unit: the order that stands there */
    json_t *consent; /* numbers of sites with a consent, as members */
};

static json_t *order_brief(const struct order *o)
{
    json_t *j = json_pack("{s:I, s:s, s:s}", "order", (json_int_t)o->number, "state",
                          order_state_name(o->state), "contractor", o->contractor);
    if (j)
        json_object_set_new(j, "due_at", centre_time_json(o->due_ms));
    return j;
}

static bool see_order(void *context, const struct order *o)
{
    struct beside *b = context;
    if (!json_object_get(b->orders, o->unit)) /* the newest comes first */
        json_object_set_new(b->orders, o->unit, order_brief(o));
    return true;
}

static bool see_consent(void *context, int64_t site)
{
    struct beside *b = context;
    char key[24];
    snprintf(key, sizeof key, "%lld", (long long)site);
    json_object_set_new(b->consent, key, json_true());
    return true;
}

static bool look_beside(struct centre_call *c, struct beside *b, struct web_answer *out)
{
    *b = (struct beside){json_object(), json_object()};
    const struct orders_wanted wanted = {.standing = true, .most = MOST_ROWS};
    if (!centre_failed(c, orders_read(c->sql, &wanted, see_order, b), out) &&
        !centre_failed(c, consents_sites(c->sql, c->wall_ms, see_consent, b), out))
        return true;
    json_decref(b->orders);
    json_decref(b->consent);
    return false;
}

static void drop_beside(struct beside *b)
{
    json_decref(b->orders);
    json_decref(b->consent);
}

struct needs {
    const struct beside *beside;
    json_t *list, *counts;
    size_t most;
};

static void set_copy(json_t *to, const json_t *from, const char *member)
{
    json_t *v = json_object_get(from, member);
    if (v)
        json_object_set(to, member, v);
}

/* the words of an alarm name what is on: they are told with the tenant's consent alone */
static void set_words(json_t *o, const char *json)
{
    json_t *event = json[0] ? json_loads(json, 0, NULL) : NULL;
    set_copy(o, event, "text");
    set_copy(o, event, "advice");
    json_decref(event);
}

static bool add_need(void *context, const struct portfolio_need *n)
{
    struct needs *all = context;
    const char *reason = portfolio_reason_name(n->reason);
    char site[24];
    json_object_set_new(
        all->counts, reason,
        json_integer(json_integer_value(json_object_get(all->counts, reason)) + 1));
    if (json_array_size(all->list) >= all->most)
        return true;
    json_t *o = centre_site_json(&n->site);
    json_t *rest = json_pack("{s:s, s:I, s:s, s:s, s:s, s:s}", "reason", reason, "others",
                             (json_int_t)n->others, "circuit", n->circuit, "kind", n->kind,
                             "priority", n->priority, "state", n->state);
    if (!o || !rest) {
        json_decref(o);
        json_decref(rest);
        return false;
    }
    json_object_update(o, rest);
    json_decref(rest);
    json_object_set_new(o, "since", centre_time_json(n->since_ms));
    json_t *order = json_object_get(all->beside->orders, n->site.id);
    json_object_set(o, "order", order ? order : json_null());
    snprintf(site, sizeof site, "%lld", (long long)n->site.site);
    if (json_object_get(all->beside->consent, site))
        set_words(o, n->json);
    json_array_append_new(all->list, o);
    return true;
}

static bool add_notice(void *context, const struct notice *n)
{
    if (n->site[0] && !n->text[0])
        return true; /* the unit stands in the list itself */
    json_t *o =
        json_pack("{s:s, s:I, s:s, s:s, s:s}", "kind", n->kind, "units", (json_int_t)n->units,
                  "unit", n->site, "name", n->name, "text", n->text);
    if (!o)
        return false;
    json_object_set_new(o, "began_at", centre_time_json(n->began_ms));
    json_object_set_new(o, "ended_at", centre_time_json(n->ended_ms));
    json_array_append_new(context, o);
    return true;
}

static json_t *sums_json(const struct portfolio_sums *s)
{
    return json_pack("{s:I, s:I, s:I, s:I, s:I, s:I}", "units", (json_int_t)s->sites, "online",
                     (json_int_t)s->online, "quiet", (json_int_t)s->quiet, "urgent",
                     (json_int_t)s->urgent, "high", (json_int_t)s->high, "gaps",
                     (json_int_t)s->gaps);
}

void centre_portfolio(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {"building", "most", NULL};
    int64_t most = USUAL_NEEDS;
    struct portfolio_sums sums = {0};
    struct beside beside;
    if (!web_query_only(c->r, names, out) ||
        !web_query_number(c->r, "most", 1, MOST_ROWS, &most, out) ||
        !look_beside(c, &beside, out))
        return;
    struct needs n = {&beside, json_array(), json_object(), (size_t)most};
    json_t *notices = json_array();
    const char *building = web_query(c->r, "building");
    bool failed =
        centre_failed(c, portfolio_sums(c->sql, c->wall_ms, &sums), out) ||
        centre_failed(
            c, notices_read(c->sql, c->wall_ms - NOTICES_MS, 1000, add_notice, notices), out) ||
        centre_failed(c, portfolio_needs(c->sql, c->wall_ms, building, add_need, &n), out);
    drop_beside(&beside);
    if (!failed) {
        web_json(out, json_pack("{s:o, s:o, s:O, s:O}", "sums", sums_json(&sums), "notices",
                                notices, "counts", n.counts, "needs", n.list));
        notices = NULL; /* the answer has it */
    }
    json_decref(notices);
    json_decref(n.list);
    json_decref(n.counts);
}

/* ---- buildings and units ---- */

static bool add_building(void *context, const struct portfolio_building *b)
{
    json_t *o = json_pack("{s:s, s:I, s:I, s:I, s:I, s:I, s:I, s:I}", "building", b->building,
                          "units", (json_int_t)b->units, "online", (json_int_t)b->online,
                          "quiet", (json_int_t)b->quiet, "urgent", (json_int_t)b->urgent,
                          "high", (json_int_t)b->high, "low", (json_int_t)b->low, "trips",
                          (json_int_t)b->trips);
    return o && json_array_append_new(context, o) == 0;
}

void centre_buildings(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    json_t *list = json_array();
    if (web_query_only(c->r, names, out) &&
        !centre_failed(c,
                       portfolio_buildings(c->sql, c->wall_ms, c->wall_ms - UNIT_TRIPS_MS,
                                           add_building, list),
                       out))
        web_json(out, json_pack("{s:O, s:i}", "buildings", list, "trips_days",
                                (int)(UNIT_TRIPS_MS / DAY_MS)));
    json_decref(list);
}

struct units {
    const struct beside *beside;
    json_t *list;
};

static bool add_unit(void *context, const struct portfolio_unit *u)
{
    const struct units *all = context;
    json_t *o = centre_site_json(&u->site);
    if (!o)
        return false;
    json_object_set_new(o, "urgent", json_integer(u->urgent));
    json_object_set_new(o, "high", json_integer(u->high));
    json_object_set_new(o, "low", json_integer(u->low));
    json_object_set_new(o, "trips", json_integer(u->trips));
    json_object_set_new(o, "last_trip_at", centre_time_json(u->last_trip_ms));
    json_t *order = json_object_get(all->beside->orders, u->site.id);
    json_object_set(o, "order", order ? order : json_null());
    return json_array_append_new(all->list, o) == 0;
}

void centre_units(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {"building", "words", "most", NULL};
    int64_t most = 500;
    struct beside beside;
    if (!web_query_only(c->r, names, out) ||
        !web_query_number(c->r, "most", 1, MOST_ROWS, &most, out) ||
        !look_beside(c, &beside, out))
        return;
    const struct portfolio_scope scope = {.building = web_query(c->r, "building"),
                                          .words = web_query(c->r, "words")};
    struct units all = {&beside, json_array()};
    if (!centre_failed(c,
                       portfolio_units(c->sql, c->wall_ms - UNIT_TRIPS_MS, &scope, (size_t)most,
                                       add_unit, &all),
                       out))
        web_json(out, json_pack("{s:O, s:b}", "units", all.list, "more",
                                json_array_size(all.list) >= (size_t)most));
    json_decref(all.list);
    drop_beside(&beside);
}

/* ---- trips in time ---- */

static bool add_trip(void *context, const struct portfolio_trip *t)
{
    json_t *o = centre_site_json(&t->site);
    json_t *rest = json_pack("{s:s, s:s, s:s, s:s, s:s}", "trip", t->trip, "panel", t->panel,
                             "circuit", t->circuit, "stage", t->stage, "cause", t->cause);
    if (!o || !rest) {
        json_decref(o);
        json_decref(rest);
        return false;
    }
    json_object_update(o, rest);
    json_decref(rest);
    json_object_set_new(o, "probability", event_json_number(t->probability, 1e-4));
    json_object_set_new(o, "opened_at", centre_time_json(t->opened_ms));
    json_object_set_new(o, "restored_at", centre_time_json(t->restored_ms));
    json_object_set_new(o, "opened_again_after_seconds",
                        event_json_number(t->seconds_held, 0.1));
    return json_array_append_new(context, o) == 0;
}

/* the span and the scope that the query names; false having answered */
static bool span_of(struct centre_call *c, int64_t usual_ms, int64_t *from, int64_t *to,
                    struct portfolio_scope *scope, struct web_answer *out)
{
    *to = c->wall_ms;
    if (!web_query_time(c->r, "to", to, out))
        return false;
    *from = *to - usual_ms;
    if (!web_query_time(c->r, "from", from, out))
        return false;
    *scope = (struct portfolio_scope){.site_id = web_query(c->r, "unit"),
                                      .building = web_query(c->r, "building")};
    if (*from < *to)
        return true;
    web_error(out, 400, "from must be before to");
    return false;
}

void centre_trips(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {"from", "to", "building", "unit", "most", NULL};
    int64_t from, to, most = 200;
    struct portfolio_scope scope;
    if (!web_query_only(c->r, names, out) ||
        !web_query_number(c->r, "most", 1, MOST_ROWS, &most, out) ||
        !span_of(c, 30 * DAY_MS, &from, &to, &scope, out))
        return;
    json_t *list = json_array();
    if (!centre_failed(
            c, portfolio_trips(c->sql, from, to, &scope, (size_t)most, add_trip, list), out))
        web_json(out, json_pack("{s:O, s:b}", "trips", list, "more",
                                json_array_size(list) >= (size_t)most));
    json_decref(list);
}

static bool add_count(void *context, int64_t from_ms, const char *cause, int64_t count)
{
    json_t *o = json_pack("{s:o, s:s, s:I}", "from", event_json_time(from_ms), "cause", cause,
                          "count", (json_int_t)count);
    return o && json_array_append_new(context, o) == 0;
}

void centre_counts(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {"from", "to", "building", "unit", "step", NULL};
    int64_t from, to, step_seconds = 7 * DAY_MS / 1000;
    struct portfolio_scope scope;
    if (!web_query_only(c->r, names, out) ||
        !web_query_number(c->r, "step", 3600, 366 * DAY_MS / 1000, &step_seconds, out) ||
        !span_of(c, 364 * DAY_MS, &from, &to, &scope, out))
        return;
    if ((to - from) / (1000 * step_seconds) >= MOST_STEPS) {
        web_error(out, 400, "that would be more than %d steps", MOST_STEPS);
        return;
    }
    json_t *list = json_array();
    if (!centre_failed(c,
                       portfolio_trip_counts(c->sql, from, to, 1000 * step_seconds, &scope,
                                             add_count, list),
                       out))
        web_json(out, json_pack("{s:o, s:o, s:I, s:O}", "from", event_json_time(from), "to",
                                event_json_time(to), "step", (json_int_t)step_seconds, "counts",
                                list));
    json_decref(list);
}
