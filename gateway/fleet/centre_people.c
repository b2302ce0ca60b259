#include "centre_api.h"

#include "centre_record.h"

#include "model/event_json.h"
#include "web/door.h"

#define MOST_ROWS 500

void centre_session(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    bool in = !c->x->access || c->who.id[0];
    if (web_query_only(c->r, names, out))
        door_session_json(c->x->access, in ? &c->who : NULL, centre_may_json, out);
}

static void to_door(const struct centre_call *c, const char *verb, struct web_answer *out)
{
    guard_to_door(c->r, c->x->access != NULL, verb, c->id, out);
}

void centre_login(struct centre_call *c, struct web_answer *out)
{
    to_door(c, "login", out);
}

void centre_choose(struct centre_call *c, struct web_answer *out)
{
    to_door(c, "choose", out);
}

void centre_password(struct centre_call *c, struct web_answer *out)
{
    to_door(c, "password", out);
}

void centre_logout(struct centre_call *c, struct web_answer *out)
{
    to_door(c, "logout", out);
}

void centre_invite(struct centre_call *c, struct web_answer *out)
{
    to_door(c, "invite", out);
}

void centre_end(struct centre_call *c, struct web_answer *out)
{
    to_door(c, "end", out);
}

void centre_people(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    if (!web_query_only(c->r, names, out))
        return;
    if (c->x->access)
        web_json(out, access_json(c->x->access, c->wall_ms));
    else
        web_json(out, json_pack("{s:[], s:[]}", "people", "visits"));
}

static bool add_row(void *context, int64_t audit, const struct store_audit *a)
{
    json_t *o = json_pack("{s:I, s:s, s:s, s:s, s:s, s:s, s:s}", "id", (json_int_t)audit, "who",
                          a->who, "role", a->role, "way", a->way, "act", a->act, "subject",
                          a->subject, "result", a->result);
    if (!o)
        return false;
    json_object_set_new(o, "time", event_json_time(a->wall_ms));
    return json_array_append_new(context, o) == 0;
}

void centre_audit(struct centre_call *c, struct web_answer *out)
{
    static const char *const names[] = {"before", "most", NULL};
    int64_t before = 0, most = 100;
    if (!web_query_only(c->r, names, out) ||
        !web_query_number(c->r, "before", 1, INT64_MAX, &before, out) ||
        !web_query_number(c->r, "most", 1, MOST_ROWS, &most, out))
        return;
    json_t *list = json_array();
    if (!centre_failed(c, centre_record_read(c->sql, before, (size_t)most, add_row, list), out))
        web_json(out, json_pack("{s:O, s:b}", "audit", list, "more",
                                json_array_size(list) >= (size_t)most));
    json_decref(list);
}
