#include "call_parts.h"

#include "base/text.h"
#include "model/event.h"

struct looking {
    struct call_parts *parts;
    char trip[EVENT_ID_SIZE];
};

static bool take_call(void *context, const struct store_call_row *row)
{
    struct looking *l = context;
    l->parts->call = json_loads(row->json, 0, NULL);
    if (l->parts->call)
        json_object_set_new(l->parts->call, "seq", json_integer(row->seq));
    text_copy(l->trip, sizeof l->trip, row->trip);
    return false;
}

static bool take_step(void *context, const char *json)
{
    struct looking *l = context;
    json_t *o = json_loads(json, 0, NULL);
    if (o)
        json_array_append_new(l->parts->steps, o);
    return true;
}

static bool take_trip(void *context, const struct store_trip_row *row)
{
    struct looking *l = context;
    l->parts->trip = json_loads(row->json, 0, NULL);
    if (l->parts->trip)
        json_object_set_new(l->parts->trip, "seq", json_integer(row->seq));
    return false;
}

enum store_err call_parts_read(struct store_reader *r, const char *id, struct call_parts *out)
{
    struct looking l = {.parts = out};
    *out = (struct call_parts){.steps = json_array()};
    enum store_err err = store_read_call(r, id, take_call, &l);
    if (!err && out->call)
        err = store_read_call_steps(r, id, take_step, &l);
    if (!err && l.trip[0])
        err = store_read_trip(r, l.trip, take_trip, &l);
    return err;
}

void call_parts_free(struct call_parts *p)
{
    json_decref(p->call);
    json_decref(p->steps);
    json_decref(p->trip);
    *p = (struct call_parts){0};
}
