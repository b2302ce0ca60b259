#include "engine_json.h"

#include "model/event_json.h"

#include <math.h>

static const char *state_word(const struct engine_circuit *c)
{
    switch (c->state) {
    case CIRCUIT_CLOSED: return "closed";
    case CIRCUIT_OPEN: return "open";
    case CIRCUIT_UNKNOWN: break;
    }
    return "unknown";
}

static json_t *chances(const struct breaker_forecast *f)
{
    static const char *const within[] = {"1m", "5m", "15m", "60m"};
    json_t *o = json_object();
    for (int i = 0; i < 4; i++)
        json_object_set_new(o, within[i], event_json_number(f->chance[i], 0.0001));
    return o;
}

static json_t *band(const struct breaker_forecast *f)
{
    json_t *o = json_object();
    json_object_set_new(o, "p05", event_json_number(f->p05_seconds, 1.0));
    json_object_set_new(o, "p50", event_json_number(f->p50_seconds, 1.0));
    json_object_set_new(o, "p95", event_json_number(f->p95_seconds, 1.0));
    return o;
}

json_t *engine_circuit_json(const struct site *s, int circuit, int64_t wall_ms,
                            const struct engine_circuit *c)
{
    const struct site_circuit *k = &s->circuits[circuit];
    json_t *o = json_object();
    if (!o)
        return NULL;
    json_object_set_new(o, "time", event_json_time(wall_ms));
    json_object_set_new(o, "circuit", json_string(k->id));
    json_object_set_new(o, "panel", json_string(s->panels[k->panel].id));
    json_object_set_new(o, "position", json_string(k->position));
    json_object_set_new(o, "name", json_string(k->name));
    json_object_set_new(o, "state", json_string(state_word(c)));
    json_object_set_new(o, "amps", event_json_number(c->amps, 0.001));
    json_object_set_new(o, "watts", event_json_number(c->watts, 0.1));
    json_object_set_new(o, "volts", event_json_number(c->volts, 0.1));
    json_object_set_new(o, "pf", event_json_number(c->power_factor, 0.001));
    json_object_set_new(o, "reading_at",
                        c->reading_wall_ms ? event_json_time(c->reading_wall_ms) : json_null());
    json_object_set_new(o, "reading_age_seconds",
                        event_json_number(c->reading_age_seconds, 0.1));
    json_object_set_new(o, "rating_amps", event_json_number(k->breaker_amps, 0.1));
    json_object_set_new(o, "load_percent",
                        event_json_number(100.0 * c->amps / k->breaker_amps, 0.1));
    json_object_set_new(o, "heat", event_json_number(c->forecast.heat, 0.001));
    json_object_set_new(o, "headroom_amps", event_json_number(c->forecast.headroom_amps, 0.01));
    json_object_set_new(o, "headroom_3h_amps",
                        event_json_number(c->forecast.headroom_3h_amps, 0.01));
    json_object_set_new(o, "trip_chance", chances(&c->forecast));
    json_object_set_new(o, "trip_seconds", band(&c->forecast));
    json_object_set_new(o, "standing_amps", event_json_number(c->standing_amps, 0.001));
    json_object_set_new(o, "loads", event_json_loads(c->loads, c->load_count));
    json_object_set_new(o, "rest_amps", event_json_number(c->rest_amps, 0.001));
    return o;
}

static json_t *known_json(const struct loads_known *k)
{
    json_t *o = json_pack("{s:i, s:s, s:s, s:b}", "load", (int)k->id, "appliance", k->appliance,
                          "name", k->name, "running", k->running);
    json_t *hours = json_array();
    for (int h = 0; h < 24; h++)
        json_array_append_new(hours, event_json_number(k->hours[h], 0.01));
    json_object_set_new(o, "probability", event_json_number(k->probability, 0.0001));
    json_object_set_new(o, "amps", event_json_number(k->amps, 0.001));
    json_object_set_new(o, "watts", event_json_number(k->watts, 0.1));
    json_object_set_new(o, "seconds", event_json_number(k->seconds, 0.1));
    json_object_set_new(o, "runs", event_json_number(k->runs, 0.1));
    json_object_set_new(o, "per_day", event_json_number(k->per_day, 0.01));
    json_object_set_new(o, "share", event_json_number(k->share, 0.001));
    json_object_set_new(o, "hours", hours);
    json_object_set_new(o, "first_seen", event_json_time(k->first_wall_ms));
    json_object_set_new(o, "last_seen", event_json_time(k->last_wall_ms));
    return o;
}

json_t *engine_known_json(const struct loads_known *known, size_t count)
{
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(list, known_json(&known[i]));
    return list;
}

json_t *engine_whole_json(const struct loads_whole *w)
{
    const char *is = !w->judged ? "not_judged" : w->several ? "several" : w->appliance;
    return json_pack("{s:s, s:s, s:f, s:f}", "appliance", is, "likely", w->likely,
                     "probability", w->probability, "days", w->days);
}
