/* A simulated gateway's sheet: what a real one answers to `sheet` (web/sheet.h), out of its
 * record. */
#include "sim_site.h"

#include "base/clock.h"
#include "model/event_json.h"

#include <jansson.h>

#include <stdlib.h>
#include <string.h>

#define NEWEST_TRIPS 20
#define LOOKED_AT 400 /* the newest records: what stands is among them */

static json_t *record_of(const struct sim_site *s, size_t i)
{
    struct text t = TEXT_INIT;
    sim_record_write(&t, s->id, s->base + 1 + (int64_t)i, &s->entries[i]);
    json_t *o = json_loads(text_get(&t), 0, NULL);
    text_free(&t);
    return o;
}

static const char *word_of(const json_t *o, const char *member)
{
    const char *v = json_string_value(json_object_get(o, member));
    return v ? v : "";
}

static json_t *unit_json(const struct sim_site *s)
{
    json_t *circuits = json_array();
    char circuit[24];
    for (int i = 0; i < SIM_CIRCUITS; i++) {
        sim_circuit(i, circuit);
        json_array_append_new(circuits,
                              json_pack("{s:s, s:s, s:s, s:s, s:i, s:f}", "circuit", circuit,
                                        "panel", "main", "position", circuit + 5, "name",
                                        circuit, "poles", 1, "rating_amps", 15.0));
    }
    return json_pack("{s:s, s:s, s:s, s:s, s:o}", "site", s->id, "name", s->name, "version",
                     FORETRIP_VERSION, "timezone", "UTC", "circuits", circuits);
}

/* what stands: the newest word of each alarm, those that are not over */
static json_t *alarms_json(const struct sim_site *s)
{
    json_t *seen = json_object(), *list = json_array();
    size_t least = s->count > LOOKED_AT ? s->count - LOOKED_AT : 0;
    for (size_t i = s->count; i-- > least;) {
        json_t *o = record_of(s, i);
        const char *id = word_of(o, "alarm");
        if (id[0] && !json_object_get(seen, id)) {
            json_object_set_new(seen, id, json_true());
            if (strcmp(word_of(o, "state"), "normal") != 0)
                json_array_append(list, o);
        }
        json_decref(o);
    }
    json_decref(seen);
    return list;
}

static json_t *trips_json(const struct sim_site *s)
{
    json_t *restored = json_object(), *list = json_array();
    for (size_t i = s->count; i-- > 0 && json_array_size(list) < NEWEST_TRIPS;) {
        enum sim_what what = s->entries[i].what;
        bool back = what == SIM_RESTORED || what == SIM_LIGHT_RESTORED;
        if (!back && what != SIM_CONFIRMED && what != SIM_DARK_TRIP)
            continue;
        json_t *o = record_of(s, i), *over = json_object_get(restored, word_of(o, "trip"));
        if (back) {
            json_object_set(restored, word_of(o, "trip"), o);
        } else {
            json_object_set(o, "restored_at",
                            over ? json_object_get(over, "time") : json_null());
            json_object_set(o, "seconds_open",
                            over ? json_object_get(over, "seconds_open") : json_null());
            json_array_append(list, o);
        }
        json_decref(o);
    }
    json_decref(restored);
    return list;
}

/* the trip's newest word, and what was said around it; false when there is none of that id */
static bool add_trip(const struct sim_site *s, const char *id, json_t *out)
{
    json_t *trip = NULL, *events = json_array();
    for (size_t i = 0; i < s->count; i++) {
        json_t *o = record_of(s, i);
        bool mine = strcmp(word_of(o, "trip"), id) == 0;
        if (mine && strcmp(word_of(o, "type"), "trip") == 0) {
            json_decref(trip);
            trip = json_incref(o);
        }
        if (mine)
            json_array_append(events, o);
        json_decref(o);
    }
    if (trip)
        json_object_set_new(out, "trip", trip);
    json_object_set_new(out, "events", events);
    return trip != NULL;
}

static void leave_currents_out(json_t *circuits)
{
    json_t *one;
    size_t i;
    json_array_foreach(circuits, i, one)
    {
        json_object_del(one, "amps");
    }
}

bool sim_site_sheet(const struct sim_site *s, const char *trip, bool discreet, int64_t wall_ms,
                    struct text *out)
{
    struct text circuits = TEXT_INIT;
    text_append(&circuits, "{");
    sim_site_circuits(s, wall_ms, &circuits);
    text_append(&circuits, "}");
    json_t *o = json_loads(text_get(&circuits), 0, NULL);
    json_object_set_new(o, "time", event_json_time(wall_ms));
    json_object_set_new(o, "discreet", json_boolean(discreet));
    if (discreet)
        leave_currents_out(json_object_get(o, "circuits"));
    json_object_set_new(o, "unit", unit_json(s));
    json_object_set_new(o, "alarms", alarms_json(s));
    json_object_set_new(o, "trips", trips_json(s));
    json_object_set_new(o, "calls", json_array());
    bool good = !trip[0] || add_trip(s, trip, o);
    char *text = good ? json_dumps(o, JSON_COMPACT) : NULL;
    size_t n = text ? strlen(text) : 0;
    if (n > 2)
        text_append_bytes(out, text + 1, n - 2); /* without its braces */
    free(text);
    json_decref(o);
    text_free(&circuits);
    return n > 2;
}
