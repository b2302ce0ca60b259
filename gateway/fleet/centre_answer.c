#include "centre_answer.h"

#include "centre_api.h"
#include "centre_record.h"
#include "consents.h"
#include "orders.h"
#include "portfolio.h"

#include "base/clock.h"
#include "model/event_json.h"
#include "web/discreet.h"

#include <stdio.h>
#include <string.h>

struct route {
    struct web_route at;
    centre_function *function;
    enum centre_act act;
};

static const struct route routes[] = {
    {{"GET", "/api/v1/portfolio", NULL}, centre_portfolio, CENTRE_PORTFOLIO},
    {{"GET", "/api/v1/buildings", NULL}, centre_buildings, CENTRE_PORTFOLIO},
    {{"GET", "/api/v1/units", NULL}, centre_units, CENTRE_PORTFOLIO},
    {{"GET", "/api/v1/units.csv", NULL}, centre_units_csv, CENTRE_PORTFOLIO},
    {{"GET", "/api/v1/units/", ""}, centre_unit, CENTRE_UNIT},
    {{"GET", "/api/v1/units/", "/trip"}, centre_trip, CENTRE_UNIT},
    {{"GET", "/api/v1/units/", "/sheet"}, centre_sheet, CENTRE_UNIT},
    {{"POST", "/api/v1/units/", "/place"}, centre_place, CENTRE_PLACE},
    {{"POST", "/api/v1/units/", "/consent"}, centre_consent, CENTRE_CONSENT},
    {{"POST", "/api/v1/units/", "/revoke"}, centre_revoke, CENTRE_CONSENT},
    {{"GET", "/api/v1/trips", NULL}, centre_trips, CENTRE_PORTFOLIO},
    {{"GET", "/api/v1/trips/counts", NULL}, centre_counts, CENTRE_PORTFOLIO},
    {{"GET", "/api/v1/trips.csv", NULL}, centre_trips_csv, CENTRE_PORTFOLIO},
    {{"GET", "/api/v1/alarms.csv", NULL}, centre_alarms_csv, CENTRE_PORTFOLIO},
    {{"GET", "/api/v1/orders", NULL}, centre_orders, CENTRE_WORK},
    {{"GET", "/api/v1/orders.csv", NULL}, centre_orders_csv, CENTRE_PORTFOLIO},
    {{"GET", "/api/v1/orders/", ""}, centre_order, CENTRE_WORK},
    {{"POST", "/api/v1/orders", NULL}, centre_order_make, CENTRE_ORDERS},
    {{"POST", "/api/v1/orders/", "/assign"}, centre_order_assign, CENTRE_ORDERS},
    {{"POST", "/api/v1/orders/", "/cancel"}, centre_order_cancel, CENTRE_ORDERS},
    {{"POST", "/api/v1/orders/", "/reopen"}, centre_order_reopen, CENTRE_ORDERS},
    {{"POST", "/api/v1/orders/", "/attach"}, centre_order_attach, CENTRE_ORDERS},
    {{"POST", "/api/v1/orders/", "/done"}, centre_order_done, CENTRE_WORK},
    {{"POST", "/api/v1/orders/", "/note"}, centre_order_note, CENTRE_WORK},
    {{"GET", "/api/v1/contractors", NULL}, centre_contractors, CENTRE_ORDERS},
    {{"GET", "/api/v1/session", NULL}, centre_session, CENTRE_NOTHING},
    {{"POST", "/api/v1/session", NULL}, centre_login, CENTRE_NOTHING},
    {{"POST", "/api/v1/session/choose", NULL}, centre_choose, CENTRE_NOTHING},
    {{"POST", "/api/v1/session/password", NULL}, centre_password, CENTRE_IN},
    {{"POST", "/api/v1/session/end", NULL}, centre_logout, CENTRE_IN},
    {{"GET", "/api/v1/people", NULL}, centre_people, CENTRE_PEOPLE},
    {{"POST", "/api/v1/people/", "/invite"}, centre_invite, CENTRE_PEOPLE},
    {{"POST", "/api/v1/people/", "/end"}, centre_end, CENTRE_PEOPLE},
    {{"GET", "/api/v1/audit", NULL}, centre_audit, CENTRE_PEOPLE},
};
#define ROUTES (sizeof routes / sizeof routes[0])

/* Whoever asks, into the call; false having answered. */
static bool may(struct centre_call *c, enum centre_act act, struct web_answer *out)
{
    struct access *a = c->x->access;
    c->who = (struct access_who){.role = ROLE_ADMINISTRATOR};
    if (!a)
        return true;
    bool in = c->r->session && access_find(a, c->r->session, c->wall_ms, &c->who);
    if (!in)
        c->who = (struct access_who){0};
    if (act == CENTRE_NOTHING)
        return true;
    if (!in)
        web_error(out, 401, "log in first: POST /api/v1/session");
    else if (!centre_may(c->who.role, act))
        web_error(out, 403, "%s as %s may not do that", c->who.name,
                  delivery_role_name(c->who.role));
    else
        return guard_token(c->r, &c->who, out);
    return false;
}

static void answer_api(struct centre_call *c, struct web_answer *out)
{
    const struct route *t = guard_route(routes, ROUTES, sizeof routes[0], c->r, c->id, out);
    if (!t || !may(c, t->act, out))
        return;
    /* the way in is open while the store is away; what it writes waits for it */
    if (!c->sql && t->act != CENTRE_NOTHING && t->act != CENTRE_IN)
        centre_failed(c, SQL_ERR_AWAY, out);
    else
        t->function(c, out);
    out->who = c->who;
}

enum sql_err centre_answer_request(const struct centre_context *x, struct sql *sql,
                                   const struct web_request *r, int64_t wall_ms,
                                   struct web_answer *out)
{
    static const char described[] = "/api/v1/openapi.json";
    struct centre_call c = {.x = x, .sql = sql, .r = r, .wall_ms = wall_ms};
    if (!guard_bounds(r, !x->access, out))
        return SQL_FINE;
    if (strcmp(r->path, described) == 0)
        guard_asset(r, asset_find(fleet_assets, "/openapi.json"), out);
    else if (strncmp(r->path, "/api/", 5) == 0)
        answer_api(&c, out);
    else
        guard_asset(r, asset_find(fleet_assets, r->path), out);
    guard_unchanged(r, out);
    return c.err;
}

/* ---- what the answers share ---- */

bool centre_failed(struct centre_call *c, enum sql_err err, struct web_answer *out)
{
    c->err = err;
    switch (err) {
    case SQL_FINE: return false;
    case SQL_ERR_AWAY:
        web_error(out, 503, "the centre's store cannot be reached at the moment");
        out->retry_after = 5;
        break;
    case SQL_ERR_AGAIN:
        web_error(out, 503, "the centre's store is busy; try again");
        out->retry_after = 1;
        break;
    case SQL_ERR_MEMORY: web_error(out, 503, "memory is short, try again"); break;
    case SQL_ERR_ROOM: web_error(out, 507, "the disk of the centre's store is full"); break;
    case SQL_ERR_FAULT: web_error(out, 500, "the centre's store refuses that"); break;
    }
    return true;
}

bool centre_text(const json_t *body, const char *member, bool needed, size_t size,
                 const char **out, struct web_answer *a)
{
    const json_t *v = json_object_get(body, member);
    *out = "";
    if (!v && !needed)
        return true;
    bool good = json_is_string(v) && json_string_length(v) < size &&
                strlen(json_string_value(v)) == json_string_length(v) &&
                (!needed || json_string_length(v) > 0);
    if (good)
        *out = json_string_value(v);
    else
        web_error(a, 400, "%s must be a text, of %zu bytes at the most", member, size - 1);
    return good;
}

bool centre_time(const json_t *body, const char *member, bool needed, int64_t *wall_ms,
                 struct web_answer *a)
{
    const json_t *v = json_object_get(body, member);
    if ((!v || json_is_null(v)) && !needed)
        return true;
    if (json_is_string(v) && clock_parse(json_string_value(v), json_string_length(v), wall_ms))
        return true;
    web_error(a, 400, "%s must be a time, as in \"2026-01-31T06:15:00Z\"", member);
    return false;
}

const char *centre_who(const struct centre_call *c)
{
    return c->who.id[0] ? c->who.name : "page";
}

const char *centre_who_role(const struct centre_call *c)
{
    return c->who.id[0] ? delivery_role_name(c->who.role) : "";
}

static bool see_site(void *context, const struct portfolio_unit *u)
{
    (void)u;
    *(bool *)context = true;
    return true;
}

bool centre_may_see(struct centre_call *c, const char *unit, bool *loads,
                    struct web_answer *out)
{
    const struct portfolio_scope scope = {.site_id = unit};
    bool there = false, contractor = c->who.role == ROLE_CONTRACTOR;
    if (contractor) { /* what is none of theirs is as if it were not there */
        if (centre_failed(c, orders_may_see(c->sql, c->who.id, unit, c->wall_ms, &there), out))
            return false;
        *loads = there;
    } else {
        if (centre_failed(c, portfolio_units(c->sql, c->wall_ms, &scope, 1, see_site, &there),
                          out) ||
            centre_failed(c, consents_now(c->sql, unit, c->wall_ms, loads), out))
            return false;
    }
    if (!there)
        web_error(out, contractor ? 403 : 404,
                  contractor ? "you have no job at that unit at this time"
                             : "there is no unit of that id");
    return there;
}

json_t *centre_time_json(int64_t wall_ms)
{
    return wall_ms ? event_json_time(wall_ms) : json_null();
}

json_t *centre_site_json(const struct portfolio_site *s)
{
    json_t *o = json_pack("{s:s, s:s, s:s, s:s, s:b}", "unit", s->id, "name", s->name,
                          "building", s->building, "place", s->unit, "online", s->online);
    if (o)
        json_object_set_new(o, "heard_at", centre_time_json(s->heard_ms));
    return o;
}

json_t *centre_event(const char *json, const char *place, bool loads)
{
    json_t *o = json_loads(json, 0, NULL);
    if (!json_is_object(o)) {
        json_decref(o);
        return NULL;
    }
    return loads ? o : discreet_event_at(place, o);
}

void centre_note(struct centre_call *c, const char *act, const char *subject,
                 const char *result)
{
    char way[64], who[SITE_NAME_SIZE + SITE_ID_SIZE + 24];
    snprintf(way, sizeof way, "page %s", c->r->address ? c->r->address : "");
    snprintf(who, sizeof who, c->who.id[0] ? "%s (%s)" : "%s%s", centre_who(c), c->who.id);
    const struct store_audit said = {.wall_ms = c->wall_ms,
                                     .who = who,
                                     .role = centre_who_role(c),
                                     .way = way,
                                     .act = act,
                                     .subject = subject,
                                     .result = result};
    c->err = centre_record_note(c->sql, &said);
}
