/* Service calls: what stands in the record of them, and what is said to them. */
#include "api.h"

#include "discreet.h"

#include "analysis/call_sheet.h"
#include "store/call_parts.h"

#define MOST_CALLS 1000

struct listing {
    const struct api_call *call;
    json_t *list;
};

/* as it was kept, with what the record alone knows; NULL when it cannot be read */
static json_t *row_json(const struct api_call *c, const struct store_call_row *row)
{
    json_t *o = json_loads(row->json, 0, NULL);
    if (!o)
        return NULL;
    json_object_set_new(o, "seq", json_integer(row->seq));
    return c->discreet ? discreet_call(o) : o;
}

static bool add_call(void *context, const struct store_call_row *row)
{
    struct listing *l = context;
    json_t *o = row_json(l->call, row);
    if (o)
        json_array_append_new(l->list, o);
    return true;
}

void api_calls(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"circuit", "open", "most", NULL};
    bool open = false;
    int64_t most = 100;
    const char *circuit = web_query(c->r, "circuit");
    if (!web_query_only(c->r, names, out) || !web_query_switch(c->r, "open", &open, out) ||
        !web_query_number(c->r, "most", 1, MOST_CALLS, &most, out))
        return;
    if (circuit && site_find_circuit(c->x->site, circuit) < 0) {
        web_error(out, 404, "there is no such circuit");
        return;
    }
    struct listing l = {c, json_array()};
    enum store_err err = store_read_calls(c->reader, circuit, open, (size_t)most, add_call, &l);
    if (api_store_failed(err, out))
        json_decref(l.list);
    else
        web_json(out, json_pack("{s:o}", "calls", l.list));
}

/* less of it for whoever may not see what a tenant has on */
static void make_discreet(const struct site *s, struct call_parts *p)
{
    json_t *step;
    size_t i;
    p->call = discreet_call(p->call);
    json_array_foreach(p->steps, i, step)
    {
        discreet_call_step(step);
    }
    p->trip = p->trip ? discreet_event(s, p->trip) : NULL;
}

void api_call(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"language", NULL};
    const char *code = web_query(c->r, "language");
    enum call_language language = CALL_ENGLISH;
    struct call_parts parts;
    if (!web_query_only(c->r, names, out))
        return;
    if (code && !call_language_find(code, &language)) {
        web_error(out, 400, "language must be en or es");
        return;
    }
    enum store_err err = call_parts_read(c->reader, c->id, &parts);
    if (parts.call && c->discreet)
        make_discreet(c->x->site, &parts);
    if (!api_store_failed(err, out)) {
        json_t *sheet = parts.call ? call_sheet(c->x->site, c->x->phrases, language, parts.call,
                                                parts.steps, parts.trip)
                                   : NULL;
        if (sheet)
            web_json(out, sheet);
        else
            web_error(out, 404, "there is no call %s of a circuit that is here", c->id);
    }
    call_parts_free(&parts);
}

/* ---- what is said to them ---- */

void api_call_begin(const struct api_call *c, struct web_answer *out)
{
    char circuit[EVENT_ID_SIZE];
    json_t *o = guard_body(c->r, out);
    if (!o)
        return;
    const char *given = json_string_value(json_object_get(o, "circuit"));
    if (!given || !text_copy(circuit, sizeof circuit, given)) {
        json_decref(o);
        web_error(out, 400, "circuit is missing: the id of a circuit, or of a trip");
        return;
    }
    api_ask(c, o, "call-begin", "circuit", circuit, out);
}

static void ask_answer(const struct api_call *c, const char *answer, struct web_answer *out)
{
    json_t *o = guard_body(c->r, out);
    if (!o)
        return;
    if (answer)
        json_object_set_new(o, "answer", json_string(answer));
    api_ask(c, o, "call-answer", "call", c->id, out);
}

void api_call_answer(const struct api_call *c, struct web_answer *out)
{
    ask_answer(c, NULL, out);
}

void api_call_stop(const struct api_call *c, struct web_answer *out)
{
    ask_answer(c, "danger", out);
}

void api_call_note(const struct api_call *c, struct web_answer *out)
{
    ask_answer(c, "note", out);
}
