#include "centre_api.h"

#include "consents.h"
#include "orders.h"
#include "portfolio.h"

#include "model/event_json.h"
#include "web/discreet.h"

#include <string.h>

#define DAY_MS INT64_C(86400000)
#define YEAR_MS (365 * DAY_MS)
#define MOST_TRIPS 100
#define MOST_ALARMS 100
#define MOST_ORDERS 50

struct unit {
    struct centre_call *call;
    json_t *o;
    bool loads;
    char place[SITE_NAME_SIZE];
};

/* ---- the unit ---- */

static bool see_unit(void *context, const struct portfolio_unit *u)
{
    struct unit *k = context;
    k->o = centre_site_json(&u->site);
    text_copy(k->place, sizeof k->place, u->site.name[0] ? u->site.name : u->site.id);
    json_t *health = u->health[0] ? json_loads(u->health, 0, NULL) : NULL;
    if (k->o)
        json_object_set_new(k->o, "health", health ? health : json_null());
    return true;
}

static bool see_alarm(void *context, const struct portfolio_alarm *a)
{
    struct unit *k = context;
    json_t *o = json_pack("{s:s, s:s, s:s, s:s, s:s, s:s, s:b}", "alarm", a->alarm, "panel",
                          a->panel, "circuit", a->circuit, "kind", a->kind, "priority",
                          a->priority, "state", a->state, "alert", a->alert);
    if (!o)
        return false;
    json_object_set_new(o, "raised_at", centre_time_json(a->raised_ms));
    json_t *event = k->loads ? json_loads(a->json, 0, NULL) : NULL;
    static const char *const told[] = {"text", "advice", "switch_off", "figures"};
    for (size_t i = 0; event && i < sizeof told / sizeof told[0]; i++) {
        json_t *v = json_object_get(event, told[i]);
        if (v)
            json_object_set(o, told[i], v);
    }
    json_decref(event);
    return json_array_append_new(json_object_get(k->o, "alarms"), o) == 0;
}

static bool see_trip(void *context, const struct portfolio_trip *t)
{
    struct unit *k = context;
    json_t *o = json_pack("{s:s, s:s, s:s, s:s, s:s}", "trip", t->trip, "panel", t->panel,
                          "circuit", t->circuit, "stage", t->stage, "cause", t->cause);
    if (!o)
        return false;
    json_object_set_new(o, "probability", event_json_number(t->probability, 1e-4));
    json_object_set_new(o, "opened_at", centre_time_json(t->opened_ms));
    json_object_set_new(o, "restored_at", centre_time_json(t->restored_ms));
    json_object_set_new(o, "opened_again_after_seconds",
                        event_json_number(t->seconds_held, 0.1));
    return json_array_append_new(json_object_get(k->o, "trips"), o) == 0;
}

static bool see_order(void *context, const struct order *w)
{
    struct unit *k = context;
    json_t *o =
        json_pack("{s:I, s:s, s:s, s:s}", "order", (json_int_t)w->number, "state",
                  order_state_name(w->state), "title", w->title, "contractor", w->contractor);
    if (!o)
        return false;
    json_object_set_new(o, "due_at", centre_time_json(w->due_ms));
    json_object_set_new(o, "changed_at", centre_time_json(w->changed_ms));
    return json_array_append_new(json_object_get(k->o, "orders"), o) == 0;
}

static bool see_consent(void *context, const struct consent *w)
{
    struct unit *k = context;
    json_t *o = json_pack("{s:I, s:s, s:s, s:s, s:s, s:s}", "consent", (json_int_t)w->consent,
                          "what", w->what, "tenant", w->tenant, "how", w->how, "by", w->by,
                          "revoked_by", w->revoked_by);
    if (!o)
        return false;
    json_object_set_new(o, "from", centre_time_json(w->from_ms));
    json_object_set_new(o, "until", centre_time_json(w->until_ms));
    json_object_set_new(o, "revoked_at", centre_time_json(w->revoked_ms));
    return json_array_append_new(json_object_get(k->o, "consents"), o) == 0;
}

static bool fill(struct unit *k, struct web_answer *out)
{
    struct centre_call *c = k->call;
    bool contractor = c->who.role == ROLE_CONTRACTOR;
    static const char *const lists[] = {"alarms", "trips", "orders", "consents"};
    for (size_t i = 0; i < sizeof lists / sizeof lists[0]; i++)
        json_object_set_new(k->o, lists[i], json_array());
    json_object_set_new(k->o, "loads", json_boolean(k->loads));
    const struct portfolio_scope scope = {.site_id = c->id};
    const struct orders_wanted wanted = {.unit = c->id,
                                         .contractor = contractor ? c->who.id : NULL,
                                         .now_ms = c->wall_ms,
                                         .most = MOST_ORDERS};
    return !centre_failed(c, portfolio_alarms(c->sql, c->id, MOST_ALARMS, see_alarm, k), out) &&
           !centre_failed(c,
                          portfolio_trips(c->sql, c->wall_ms - YEAR_MS, c->wall_ms + DAY_MS,
                                          &scope, MOST_TRIPS, see_trip, k),
                          out) &&
           !centre_failed(c, orders_read(c->sql, &wanted, see_order, k), out) &&
           (contractor || /* what a tenant signed is between them and the manager */
            !centre_failed(c, consents_read(c->sql, c->id, see_consent, k), out));
}

void centre_unit(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    const struct portfolio_scope scope = {.site_id = c->id};
    struct unit k = {.call = c};
    if (!web_query_only(c->r, names, out) || !centre_may_see(c, c->id, &k.loads, out) ||
        centre_failed(c, portfolio_units(c->sql, c->wall_ms, &scope, 1, see_unit, &k), out))
        return;
    if (!k.o)
        web_error(out, 404, "there is no unit of that id");
    else if (fill(&k, out))
        web_json(out, json_incref(k.o));
    json_decref(k.o);
}

/* ---- one opening, as it was sent ---- */

static bool see_event(void *context, const struct portfolio_trip *t)
{
    struct unit *k = context;
    k->o = centre_event(t->json, t->circuit, k->loads);
    if (!k->o)
        return true;
    json_object_set_new(k->o, "restored_at", centre_time_json(t->restored_ms));
    json_object_set_new(k->o, "opened_again_after_seconds",
                        event_json_number(t->seconds_held, 0.1));
    json_object_set_new(k->o, "name", json_string(t->site.name));
    return true;
}

void centre_trip(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {"trip", NULL};
    const char *trip = web_query(c->r, "trip");
    struct unit k = {.call = c};
    if (!web_query_only(c->r, names, out) || !centre_may_see(c, c->id, &k.loads, out))
        return;
    if (!trip) {
        web_error(out, 400, "trip says which opening");
        return;
    }
    if (centre_failed(c, portfolio_trip(c->sql, c->id, trip, see_event, &k), out))
        return;
    if (k.o)
        web_json(out, json_pack("{s:o, s:b}", "trip", k.o, "loads", k.loads));
    else
        web_error(out, 404, "there is no opening of that id here");
}

/* ---- what its gateway says ---- */

void centre_sheet(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {"trip", NULL};
    const char *trip = web_query(c->r, "trip");
    bool loads;
    if (!web_query_only(c->r, names, out) || !centre_may_see(c, c->id, &loads, out))
        return;
    json_t *o =
        json_pack("{s:s, s:s, s:b}", "unit", c->id, "trip", trip ? trip : "", "loads", loads);
    if (o && !loads) /* the gateway leaves out what a manager may not see */
        json_object_set_new(o, "role", json_string(delivery_role_name(ROLE_MANAGER)));
    web_json(out, o);
    out->kind = WEB_ASK;
    out->verb = "sheet";
    out->tag[0] = '\0';
}

/* ---- what is written down ---- */

void centre_place(struct centre_call *c, struct web_answer *out)
{
    json_t *body = guard_body(c->r, out);
    const char *name, *building, *place;
    bool known = false;
    if (body && centre_text(body, "name", true, SITE_NAME_SIZE, &name, out) &&
        centre_text(body, "building", false, SITE_NAME_SIZE, &building, out) &&
        centre_text(body, "place", false, SITE_NAME_SIZE, &place, out) &&
        !centre_failed(c, portfolio_place(c->sql, c->id, name, building, place, &known), out)) {
        if (known) {
            centre_note(c, "place", c->id, "");
            web_json(out, json_pack("{s:b}", "ok", 1));
        } else {
            web_error(out, 404, "there is no unit of that id");
        }
    }
    json_decref(body);
}

void centre_consent(struct centre_call *c, struct web_answer *out)
{
    json_t *body = guard_body(c->r, out);
    struct consent_new n = {.unit = c->id, .by = centre_who(c)};
    int64_t number = 0;
    bool good = body && centre_text(body, "tenant", true, CONSENT_TEXT_SIZE, &n.tenant, out) &&
                centre_text(body, "how", true, CONSENT_TEXT_SIZE, &n.how, out) &&
                centre_time(body, "until", true, &n.until_ms, out);
    if (good && (n.until_ms <= c->wall_ms || n.until_ms > c->wall_ms + CONSENT_MOST_MS)) {
        web_error(out, 400, "until must be a time to come, within a year: a consent ends");
        good = false;
    }
    if (good && !centre_failed(c, consents_give(c->sql, &n, c->wall_ms, &number), out)) {
        if (number > 0) {
            centre_note(c, "consent", c->id, "");
            web_json(out, json_pack("{s:I}", "consent", (json_int_t)number));
        } else {
            web_error(out, 404, "there is no unit of that id");
        }
    }
    json_decref(body);
}

void centre_revoke(struct centre_call *c, struct web_answer *out)
{
    json_t *body = guard_body(c->r, out);
    bool revoked = false;
    if (body &&
        !centre_failed(c, consents_revoke(c->sql, c->id, centre_who(c), c->wall_ms, &revoked),
                       out)) {
        if (revoked) {
            centre_note(c, "revoke", c->id, "");
            web_json(out, json_pack("{s:b}", "ok", 1));
        } else {
            web_error(out, 409, "no consent counts at that unit");
        }
    }
    json_decref(body);
}
