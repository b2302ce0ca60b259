#include "centre_api.h"

#include "consents.h"
#include "orders.h"

#include "model/event_json.h"

#include <stdlib.h>
#include <string.h>

#define MOST_ROWS 2000

static const char *contractor_name(const struct centre_call *c, const char *id)
{
    int i = id[0] ? delivery_find_person(c->x->people, id) : -1;
    return i < 0 ? id : c->x->people->people[i].name;
}

static json_t *order_json(const struct centre_call *c, const struct order *o)
{
    json_t *j = json_pack("{s:I, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s}",
                          "order", (json_int_t)o->number, "state", order_state_name(o->state),
                          "unit", o->unit, "name", o->name, "building", o->building, "place",
                          o->place, "title", o->title, "circuit", o->circuit, "trip", o->trip,
                          "alarm", o->alarm, "contractor", o->contractor, "contractor_name",
                          contractor_name(c, o->contractor));
    if (!j)
        return NULL;
    json_object_set_new(j, "made_at", centre_time_json(o->made_ms));
    json_object_set_new(j, "due_at", centre_time_json(o->due_ms));
    json_object_set_new(j, "until", centre_time_json(o->until_ms));
    json_object_set_new(j, "changed_at", centre_time_json(o->changed_ms));
    json_object_set_new(j, "sheet_at", centre_time_json(o->sheet_ms));
    return j;
}

/* ---- the list ---- */

struct listing {
    struct centre_call *call;
    json_t *list;
};

static bool add_order(void *context, const struct order *o)
{
    struct listing *l = context;
    json_t *j = order_json(l->call, o);
    return j && json_array_append_new(l->list, j) == 0;
}

void centre_orders(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {"unit", "all", "most", NULL};
    bool all = false, contractor = c->who.role == ROLE_CONTRACTOR;
    int64_t most = 200;
    if (!web_query_only(c->r, names, out) || !web_query_switch(c->r, "all", &all, out) ||
        !web_query_number(c->r, "most", 1, MOST_ROWS, &most, out))
        return;
    struct listing l = {c, json_array()};
    const struct orders_wanted wanted = {.unit = web_query(c->r, "unit"),
                                         .contractor = contractor ? c->who.id : NULL,
                                         .standing = !all,
                                         .now_ms = c->wall_ms,
                                         .most = (size_t)most};
    if (!centre_failed(c, orders_read(c->sql, &wanted, add_order, &l), out))
        web_json(out, json_pack("{s:O, s:b}", "orders", l.list, "more",
                                json_array_size(l.list) >= (size_t)most));
    json_decref(l.list);
}

/* ---- one ---- */

struct one {
    struct centre_call *call;
    json_t *o;
    char unit[SITE_ID_SIZE];
    bool theirs; /* a job that the contractor who asks has now */
    bool sheet_loads;
};

static bool see_one(void *context, const struct order *o)
{
    struct one *k = context;
    const struct centre_call *c = k->call;
    k->o = order_json(c, o);
    k->theirs = o->state == ORDER_ASSIGNED && o->until_ms > c->wall_ms &&
                strcmp(o->contractor, c->who.id) == 0;
    k->sheet_loads = o->sheet_loads;
    text_copy(k->unit, sizeof k->unit, o->unit);
    json_t *sheet = o->sheet[0] ? json_loads(o->sheet, 0, NULL) : NULL;
    if (k->o)
        json_object_set_new(k->o, "sheet", sheet ? sheet : json_null());
    else
        json_decref(sheet);
    return true;
}

static bool add_told(void *context, const struct order_told *t)
{
    json_t *o = json_pack("{s:s, s:s, s:s, s:s, s:s}", "act", t->act, "who", t->who, "role",
                          t->role, "note", t->note, "contractor", t->contractor);
    if (!o)
        return false;
    json_object_set_new(o, "time", centre_time_json(t->wall_ms));
    return json_array_append_new(context, o) == 0;
}

/* the number of the path; 0 having answered */
static int64_t number_of(struct centre_call *c, struct web_answer *out)
{
    size_t n = strlen(c->id);
    int64_t number = n < 18 && strspn(c->id, "0123456789") == n ? atoll(c->id) : 0;
    if (number == 0)
        web_error(out, 404, "there is no work order of that number");
    return number;
}

void centre_order(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    int64_t number = number_of(c, out);
    struct one k = {.call = c};
    bool contractor = c->who.role == ROLE_CONTRACTOR, consent = false;
    if (number == 0 || !web_query_only(c->r, names, out) ||
        centre_failed(c, orders_one(c->sql, number, see_one, &k), out))
        return;
    if (!k.o || (contractor && !k.theirs)) {
        web_error(out, contractor ? 403 : 404,
                  contractor ? "that is no job of yours at this time"
                             : "there is no work order of that number");
        json_decref(k.o);
        return;
    }
    json_t *history = json_array();
    if (!centre_failed(c, orders_history(c->sql, number, add_told, history), out) &&
        !centre_failed(c, consents_now(c->sql, k.unit, c->wall_ms, &consent), out)) {
        bool withheld = k.sheet_loads && !contractor && !consent;
        if (withheld) /* it says what is on, and the tenant's consent is over */
            json_object_set_new(k.o, "sheet", json_null());
        json_object_set_new(k.o, "sheet_withheld", json_boolean(withheld));
        json_object_set(k.o, "history", history);
        web_json(out, json_incref(k.o));
    }
    json_decref(history);
    json_decref(k.o);
}

/* ---- what is decided ---- */

/* answers what came of it */
static bool decided(struct centre_call *c, enum orders_err err, const char *why,
                    struct web_answer *out)
{
    switch (err) {
    case ORDERS_FINE: return true;
    case ORDERS_UNKNOWN:
        web_error(out, c->who.role == ROLE_CONTRACTOR ? 403 : 404,
                  c->who.role == ROLE_CONTRACTOR ? "that is no job of yours at this time"
                                                 : "there is no such unit, or work order");
        return false;
    case ORDERS_REFUSED: web_error(out, 409, "%s", why); return false;
    case ORDERS_STORE: centre_failed(c, SQL_ERR_AGAIN, out); return false;
    }
    return false;
}

void centre_order_make(struct centre_call *c, struct web_answer *out)
{
    json_t *body = guard_body(c->r, out);
    struct order_new n = {0};
    char why[ORDER_WHY_SIZE], subject[24];
    int64_t number = 0;
    if (body && centre_text(body, "unit", true, SITE_ID_SIZE, &n.unit, out) &&
        centre_text(body, "title", true, ORDER_TITLE_SIZE, &n.title, out) &&
        centre_text(body, "circuit", false, EVENT_ID_SIZE, &n.circuit, out) &&
        centre_text(body, "trip", false, EVENT_ID_SIZE, &n.trip, out) &&
        centre_text(body, "alarm", false, EVENT_ID_SIZE, &n.alarm, out) &&
        centre_text(body, "note", false, ORDER_NOTE_SIZE, &n.note, out) &&
        centre_time(body, "due", false, &n.due_ms, out) &&
        decided(c,
                orders_make(c->sql, &n, centre_who(c), centre_who_role(c), c->wall_ms, &number,
                            why),
                why, out)) {
        snprintf(subject, sizeof subject, "%lld", (long long)number);
        centre_note(c, "order_make", subject, "");
        web_json(out, json_pack("{s:I}", "order", (json_int_t)number));
    }
    json_decref(body);
}

static void take_step(struct centre_call *c, enum order_act act, struct web_answer *out)
{
    json_t *body = guard_body(c->r, out);
    struct order_step k = {.act = act,
                           .number = body ? number_of(c, out) : 0,
                           .who = centre_who(c),
                           .role = centre_who_role(c),
                           .person = c->who.role == ROLE_CONTRACTOR ? c->who.id : "",
                           .contractor = "",
                           .contractor_name = ""};
    char why[ORDER_WHY_SIZE], word[32];
    bool good = k.number > 0 &&
                centre_text(body, "note", act == ORDER_NOTE, ORDER_NOTE_SIZE, &k.note, out);
    if (good && act == ORDER_ASSIGN) {
        good = centre_text(body, "contractor", true, SITE_ID_SIZE, &k.contractor, out) &&
               centre_time(body, "until", true, &k.until_ms, out);
        int i = good ? delivery_find_person(c->x->people, k.contractor) : -1;
        if (good && (i < 0 || c->x->people->people[i].role != ROLE_CONTRACTOR)) {
            web_error(out, 400, "there is no contractor of that id in fleet.cfg");
            good = false;
        } else if (good) {
            k.contractor_name = c->x->people->people[i].name;
        }
    }
    if (good && decided(c, orders_step(c->sql, &k, c->wall_ms, why), why, out)) {
        snprintf(word, sizeof word, "order_%s", order_act_name(act));
        centre_note(c, word, c->id, "");
        web_json(out, json_pack("{s:b}", "ok", 1));
    }
    json_decref(body);
}

void centre_order_assign(struct centre_call *c, struct web_answer *out)
{
    take_step(c, ORDER_ASSIGN, out);
}

void centre_order_done(struct centre_call *c, struct web_answer *out)
{
    take_step(c, ORDER_FINISH, out);
}

void centre_order_cancel(struct centre_call *c, struct web_answer *out)
{
    take_step(c, ORDER_CANCEL, out);
}

void centre_order_reopen(struct centre_call *c, struct web_answer *out)
{
    take_step(c, ORDER_REOPEN, out);
}

void centre_order_note(struct centre_call *c, struct web_answer *out)
{
    take_step(c, ORDER_NOTE, out);
}

/* The sheet is asked of the gateway, with what is on where the tenant has consented; it is kept
 * when it comes (centre.c). */
void centre_order_attach(struct centre_call *c, struct web_answer *out)
{
    int64_t number = number_of(c, out);
    struct one k = {.call = c};
    bool consent = false;
    if (number == 0 || centre_failed(c, orders_one(c->sql, number, see_one, &k), out))
        return;
    json_t *trip = k.o ? json_incref(json_object_get(k.o, "trip")) : NULL;
    bool there = k.o != NULL;
    json_decref(k.o);
    if (!there) {
        web_error(out, 404, "there is no work order of that number");
        return;
    }
    if (!centre_failed(c, consents_now(c->sql, k.unit, c->wall_ms, &consent), out)) {
        json_t *o = json_pack("{s:s, s:O, s:I, s:b}", "unit", k.unit, "trip", trip, "order",
                              (json_int_t)number, "loads", consent);
        if (o && !consent)
            json_object_set_new(o, "role", json_string(delivery_role_name(ROLE_MANAGER)));
        web_json(out, o);
        out->kind = WEB_ASK;
        out->verb = "attach";
        out->tag[0] = '\0';
    }
    json_decref(trip);
}

void centre_contractors(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    if (!web_query_only(c->r, names, out))
        return;
    json_t *list = json_array();
    for (size_t i = 0; i < c->x->people->person_count; i++) {
        const struct delivery_person *p = &c->x->people->people[i];
        if (p->role == ROLE_CONTRACTOR)
            json_array_append_new(list,
                                  json_pack("{s:s, s:s}", "person", p->id, "name", p->name));
    }
    web_json(out, json_pack("{s:o}", "contractors", list));
}
