#include "discreet_sheet.h"

#include "web/discreet.h"

#include <string.h>

/* of what is none: a list in the place of a trip would carry anything */
static json_t *nothing(json_t *o)
{
    json_decref(o);
    return NULL;
}

static json_t *leave_state(json_t *o)
{
    return json_is_object(o) ? discreet_state(o) : nothing(o);
}

static const char *place_of(const json_t *event)
{
    const char *circuit = json_string_value(json_object_get(event, "circuit"));
    return circuit ? circuit : "";
}

/* texts of alarms and members of trips, with or without their type */
static json_t *leave_event(json_t *o)
{
    if (json_is_object(o) && !json_object_get(o, "type"))
        json_object_set_new(o, "type",
                            json_string(json_object_get(o, "alarm") ? "alarm" : "trip"));
    return json_is_object(o) ? discreet_event_at(place_of(o), o) : nothing(o);
}

static json_t *leave_call(json_t *o)
{
    return json_is_object(o) ? discreet_call(o) : nothing(o);
}

/* each of a list, those that nothing is left of gone; takes and gives references */
static json_t *leave_list(const json_t *list, json_t *(*leave)(json_t *))
{
    json_t *left = json_array(), *one;
    size_t i;
    json_array_foreach(list, i, one)
    {
        json_t *less = leave(json_deep_copy(one));
        if (less)
            json_array_append_new(left, less);
    }
    return left;
}

/* what may be told as it is: of the installation, and of the asking */
static const char *const plain[] = {"time", "unit", "ok", NULL};

static json_t *leave_sheet(const json_t *o)
{
    json_t *less = json_object(), *trip = json_object_get(o, "trip");
    for (size_t i = 0; plain[i]; i++) {
        json_t *v = json_object_get(o, plain[i]);
        if (v)
            json_object_set(less, plain[i], v);
    }
    json_object_set_new(less, "discreet", json_true());
    json_object_set_new(less, "circuits",
                        leave_list(json_object_get(o, "circuits"), leave_state));
    json_object_set_new(less, "alarms", leave_list(json_object_get(o, "alarms"), leave_event));
    json_object_set_new(less, "trips", leave_list(json_object_get(o, "trips"), leave_event));
    json_object_set_new(less, "calls", leave_list(json_object_get(o, "calls"), leave_call));
    if (trip) {
        json_object_set_new(less, "trip", leave_event(json_deep_copy(trip)));
        json_object_set_new(less, "events",
                            leave_list(json_object_get(o, "events"), leave_event));
    }
    return less;
}

char *discreet_sheet(const char *json, size_t length)
{
    json_t *o = json_loadb(json, length, 0, NULL);
    json_t *less = json_is_object(o) ? leave_sheet(o) : NULL;
    char *text = less ? json_dumps(less, JSON_COMPACT | JSON_REAL_PRECISION(10)) : NULL;
    json_decref(less);
    json_decref(o);
    return text;
}
