#include "discreet.h"

#include "model/event_json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *const state_members[] = {
    "time",        "circuit", "panel",       "position",
    "name",        "state",   "reading_at",  "reading_age_seconds",
    "rating_amps", "volts",   "trip_chance", "trip_seconds",
    NULL,
};
static const char *const alarm_members[] = {
    "time", "type",       "site",          "panel",        "circuit",   "alarm",
    "kind", "priority",   "state",         "until",        "raised_at", "chattering",
    "by",   "note",       "suppressed_by", "alert",        "taken_by",  "meter",
    "seq",  "changed_at", "trip_chance",   "trip_seconds", NULL,
};
static const char *const trip_members[] = {
    "time",         "type",           "site",
    "panel",        "circuit",        "trip",
    "stage",        "probability",    "opened_at",
    "cause",        "causes",         "amps_before",
    "heat",         "with",           "upstream",
    "evidence",     "before",         "seq",
    "restored_at",  "seconds_open",   "opened_again_after_seconds",
    "by",           "computed_cause", "computed_probability",
    "seconds_held", "note",           "afterwards",
    NULL,
};

/* no time of the day, and nothing of what was on */
static const char *const day_members[] = {
    "time",  "type",     "site",   "day", "from", "to", "kwh", "peak_watts", "seconds_without",
    "trips", "warnings", "alarms", "seq", NULL,
};

/* not the load's name, which is in the note, nor what it draws */
static const char *const call_members[] = {
    "time",  "type",   "site", "panel",  "circuit", "call", "trip",  "asked", "finding", "step",
    "stage", "answer", "saw",  "danger", "by",      "as",   "other", "seq",   NULL,
};

/* what is said instead of a sentence that may name what was on */
static const struct {
    const char *kind, *sentence;
} sentences[] = {
    {"near_overload", "may open before long"},
    {"continuous_load", "carries more than it should for hours"},
    {"trip", "is open"},
    {"opened_again", "opened again after it was reset"},
    {"worn_breaker", "opened at a current that it must carry"},
    {"breaker_did_not_open", "did not open although it must have: fire hazard"},
    {"open_neutral", "shows the signs of an open neutral: hazard"},
    {"supply_voltage", "has a supply voltage out of its range"},
    {"leg_imbalance", "has one leg that carries much more than the others"},
    {"feeder_overload", "carries more than its feeder is for"},
    {"essential_load_silent", "is without something essential that should be running"},
    {"meter_lost", "has a meter that does not answer"},
    {"sensor_mismatch", "has a sensor that does not fit the others"},
    {"shared_neutral", "shares a neutral that carries too much"},
};

static bool is_plain(const json_t *v)
{
    return !json_is_object(v) && !json_is_array(v);
}

static bool holds_plain(const json_t *v)
{
    const char *key;
    json_t *one;
    size_t i;
    bool plain = true;
    json_array_foreach(v, i, one) plain = plain && is_plain(one);
    json_object_foreach((json_t *)v, key, one) plain = plain && is_plain(one);
    return plain;
}

/* Nothing hides in a member that is let through by its name: most are one value, some a list of
 * values, or of rows of values. */
static bool is_as_named(const char *name, const json_t *v)
{
    static const char *const lists[] = {"causes",   "with",   "trip_seconds",
                                        "evidence", "before", NULL};
    bool list = false, good = true;
    json_t *row;
    size_t i;
    for (int k = 0; lists[k]; k++)
        list = list || strcmp(name, lists[k]) == 0;
    if (!list || !json_is_array(v))
        return is_plain(v) || (list && holds_plain(v));
    json_array_foreach(v, i, row) good =
        good && (is_plain(row) || (json_is_object(row) && holds_plain(row)));
    return good;
}

static json_t *pick(json_t *from, const char *const *members)
{
    json_t *o = json_object();
    for (; *members; members++) {
        json_t *v = json_object_get(from, *members);
        if (v && is_as_named(*members, v))
            json_object_set(o, *members, v);
    }
    json_decref(from);
    return o;
}

static const char *place_of(const struct site *s, const json_t *event)
{
    const char *circuit = json_string_value(json_object_get(event, "circuit"));
    const char *panel = json_string_value(json_object_get(event, "panel"));
    int c = circuit ? site_find_circuit(s, circuit) : -1;
    int p = panel ? site_find_panel(s, panel) : -1;
    return c >= 0 ? s->circuits[c].name : p >= 0 ? s->panels[p].name : s->name;
}

static json_t *alarm(const char *place, json_t *event)
{
    char text[SITE_NAME_SIZE + 96];
    json_t *o = pick(event, alarm_members);
    const char *kind = json_string_value(json_object_get(o, "kind"));
    const char *said = "needs somebody to look";
    for (size_t i = 0; kind && i < sizeof sentences / sizeof sentences[0]; i++)
        if (strcmp(kind, sentences[i].kind) == 0)
            said = sentences[i].sentence;
    snprintf(text, sizeof text, "%s %s.", place, said);
    json_object_set_new(o, "text", json_string(text));
    return o;
}

json_t *discreet_event(const struct site *s, json_t *event)
{
    char place[SITE_NAME_SIZE];
    text_copy(place, sizeof place, place_of(s, event)); /* the event may go with its words */
    return discreet_event_at(place, event);
}

json_t *discreet_event_at(const char *place, json_t *event)
{
    const char *type = json_string_value(json_object_get(event, "type"));
    if (type && strcmp(type, "alarm") == 0)
        return alarm(place, event);
    if (!type || strncmp(type, "load_", 5) == 0) {
        json_decref(event);
        return NULL;
    }
    if (strcmp(type, "site_day") == 0)
        return pick(event, day_members);
    if (strcmp(type, "call") == 0)
        return pick(event, call_members);
    bool trip = strcmp(type, "trip") == 0;
    json_t *o = pick(event, trip_members);
    if (trip)
        json_object_set_new(o, "loads", json_array());
    return o;
}

json_t *discreet_call(json_t *call)
{
    json_object_set_new(call, "loads", json_array());
    json_object_set_new(call, "loads_before", json_array());
    json_object_set_new(call, "amps_before", json_null());
    json_object_set_new(call, "peak_amps", json_null());
    return call;
}

json_t *discreet_call_step(json_t *step)
{
    json_object_set_new(step, "note", json_string(""));
    json_object_set_new(step, "amps", json_null());
    return step;
}

json_t *discreet_state(json_t *state)
{
    static const char *const hidden[] = {"amps",          "watts",         "pf",
                                         "load_percent",  "headroom_amps", "headroom_3h_amps",
                                         "standing_amps", "rest_amps",     NULL};
    if (!json_is_object(state))
        return state; /* null: no reading yet */
    const json_t *heat = json_object_get(state, "heat");
    double tenths = json_is_number(heat) ? round(10.0 * json_number_value(heat)) : (double)NAN;
    json_t *o = pick(state, state_members);
    for (size_t i = 0; hidden[i]; i++)
        json_object_set_new(o, hidden[i], json_null());
    json_object_set_new(o, "heat", event_json_number(tenths / 10.0, 0.1));
    json_object_set_new(o, "loads", json_array());
    return o;
}

void discreet_states(const char *states, struct text *out)
{
    struct text list = TEXT_INIT;
    text_printf(&list, "[%s]", states);
    json_t *all = json_loads(text_get(&list), 0, NULL), *one;
    size_t i;
    json_array_foreach(all, i, one)
    {
        json_t *less = discreet_state(json_incref(one));
        char *text =
            less ? json_dumps(less, JSON_COMPACT | JSON_ENCODE_ANY | JSON_REAL_PRECISION(10))
                 : NULL;
        text_append(out, i ? "," : "");
        text_append(out, text ? text : "null");
        free(text);
        json_decref(less);
    }
    json_decref(all);
    text_free(&list);
}
