#include "api.h"

#include <stdio.h>

void api_ask(const struct api_call *c, json_t *o, const char *verb, const char *member,
             const char *subject, struct web_answer *out)
{
    json_object_set_new(o, member, json_string(subject));
    json_object_del(o, "reply_to");
    if (c->who.id[0])
        json_object_set_new(o, "by", json_string(c->who.name));
    else if (!json_object_get(o, "by"))
        json_object_set_new(o, "by", json_string("page"));
    web_json(out, o);
    if (out->status != 200)
        return;
    out->kind = WEB_ASK;
    out->verb = verb;
    out->tag[0] = '\0';
}

static void ask_of_alarm(const struct api_call *c, const char *verb, struct web_answer *out)
{
    json_t *o = guard_body(c->r, out);
    if (o)
        api_ask(c, o, verb, "alarm", c->id, out);
}

void api_acknowledge(const struct api_call *c, struct web_answer *out)
{
    ask_of_alarm(c, "acknowledge", out);
}

void api_shelve(const struct api_call *c, struct web_answer *out)
{
    ask_of_alarm(c, "shelve", out);
}

void api_unshelve(const struct api_call *c, struct web_answer *out)
{
    ask_of_alarm(c, "unshelve", out);
}

void api_out_of_service(const struct api_call *c, struct web_answer *out)
{
    ask_of_alarm(c, "out-of-service", out);
}

void api_in_service(const struct api_call *c, struct web_answer *out)
{
    ask_of_alarm(c, "in-service", out);
}

void api_name(const struct api_call *c, struct web_answer *out)
{
    char load[EVENT_ID_SIZE + 24];
    json_t *o = api_circuit_of(c, out) < 0 ? NULL : guard_body(c->r, out);
    if (!o)
        return;
    const json_t *number = json_object_get(o, "load");
    if (!json_is_integer(number) || json_integer_value(number) < 0) {
        json_decref(o);
        web_error(out, 400, "load is missing: the number of a load that is known here");
        return;
    }
    snprintf(load, sizeof load, "%s/%lld", c->id, (long long)json_integer_value(number));
    api_ask(c, o, "name", "load", load, out);
}

void api_replaced(const struct api_call *c, struct web_answer *out)
{
    json_t *o = api_circuit_of(c, out) < 0 ? NULL : guard_body(c->r, out);
    if (o)
        api_ask(c, o, "breaker-replaced", "circuit", c->id, out);
}

void api_correct(const struct api_call *c, struct web_answer *out)
{
    json_t *o = guard_body(c->r, out);
    if (o)
        api_ask(c, o, "correct", "trip", c->id, out);
}

void api_note(const struct api_call *c, struct web_answer *out)
{
    json_t *o = guard_body(c->r, out);
    if (o)
        api_ask(c, o, "note", "trip", c->id, out);
}
