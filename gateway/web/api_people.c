#include "api.h"

#include "door.h"

#include "model/event_json.h"

#define MOST_ROWS 500

/* ---- who is in ---- */

void api_session(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    if (web_query_only(c->r, names, out))
        door_session_json(c->x->access, c->x->access && !c->who.id[0] ? NULL : &c->who,
                          door_gateway_may, out);
}

static void to_door(const struct api_call *c, const char *verb, struct web_answer *out)
{
    guard_to_door(c->r, c->x->access != NULL, verb, c->id, out);
}

void api_login(const struct api_call *c, struct web_answer *out)
{
    to_door(c, "login", out);
}

void api_choose(const struct api_call *c, struct web_answer *out)
{
    to_door(c, "choose", out);
}

void api_password(const struct api_call *c, struct web_answer *out)
{
    to_door(c, "password", out);
}

void api_logout(const struct api_call *c, struct web_answer *out)
{
    to_door(c, "logout", out);
}

/* ---- who may come in ---- */

void api_people(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    if (!web_query_only(c->r, names, out))
        return;
    if (c->x->access)
        web_json(out, access_json(c->x->access, c->wall_ms));
    else
        web_json(out, json_pack("{s:[], s:[]}", "people", "visits"));
}

void api_invite(const struct api_call *c, struct web_answer *out)
{
    to_door(c, "invite", out);
}

void api_visit(const struct api_call *c, struct web_answer *out)
{
    to_door(c, "visit", out);
}

void api_end(const struct api_call *c, struct web_answer *out)
{
    to_door(c, "end", out);
}

/* ---- who did what ---- */

static bool add_row(void *context, const struct store_audit_row *row)
{
    const struct store_audit *a = &row->said;
    json_t *o = json_pack("{s:I, s:s, s:s, s:s, s:s, s:s, s:s}", "id", (json_int_t)row->id,
                          "who", a->who, "role", a->role, "way", a->way, "act", a->act,
                          "subject", a->subject, "result", a->result);
    if (!o)
        return false;
    json_object_set_new(o, "time", event_json_time(a->wall_ms));
    json_array_append_new(context, o);
    return true;
}

void api_audit(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"before", "most", NULL};
    int64_t before = 0, most = 100;
    if (!web_query_only(c->r, names, out) ||
        !web_query_number(c->r, "before", 1, INT64_MAX, &before, out) ||
        !web_query_number(c->r, "most", 1, MOST_ROWS, &most, out))
        return;
    json_t *list = json_array();
    enum store_err err = store_read_audit(c->reader, before, (size_t)most, add_row, list);
    if (api_store_failed(err, out))
        json_decref(list);
    else
        web_json(out, json_pack("{s:o, s:b}", "audit", list, "more",
                                json_array_size(list) >= (size_t)most));
}
