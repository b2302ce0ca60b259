#include "trace_json.h"

#include "model/event_json.h"

#include <math.h>
#include <stdio.h>

json_t *trace_plan_json(const struct trace_plan *p)
{
    json_t *beats = json_array();
    for (int i = 0; i < TRACE_BEATS; i++)
        json_array_append_new(beats,
                              json_pack("{s:o, s:b}", "time", event_json_time(p->at_wall_ms[i]),
                                        "on", i % 2 == 0));
    return json_pack("{s:f, s:o, s:o}", "beat_seconds", (double)p->beat_ms / 1000.0, "beats",
                     beats, "end", event_json_time(p->end_wall_ms));
}

char *trace_say(const struct site *s, const struct trace_result *r, char *out, size_t capacity)
{
    char a[SITE_NAME_SIZE * 2 + 32] = "", b[SITE_NAME_SIZE * 2 + 32] = "";
    if (r->circuits[0] >= 0)
        site_describe_circuit(s, r->circuits[0], a, sizeof a);
    if (r->circuits[1] >= 0)
        site_describe_circuit(s, r->circuits[1], b, sizeof b);
    switch (r->verdict) {
    case TRACE_UNREAD: snprintf(out, capacity, "There are no readings of that time."); break;
    case TRACE_UNSURE:
        snprintf(out, capacity,
                 "It cannot be told yet. Try once more, with a larger load, or when less is at "
                 "work in the house.");
        break;
    case TRACE_ONE:
        snprintf(out, capacity, "It is on %s; the load drew about %.1f A%s.", a, r->amps,
                 r->poles > 1 ? " on each pole" : "");
        break;
    case TRACE_TWO:
        snprintf(out, capacity,
                 "It is on two circuits: %s, and %s. Both breakers must be off before anybody "
                 "works there.",
                 a, b);
        break;
    case TRACE_UNMETERED:
        if (r->panel >= 0)
            snprintf(out, capacity,
                     "It is on a circuit of %s that no meter measures: only the feeder saw it.",
                     s->panels[r->panel].name);
        else
            snprintf(out, capacity,
                     "No metered circuit saw it: it is on one that no meter measures, or the "
                     "load was not switched.");
        break;
    }
    return out;
}

json_t *trace_result_json(const struct site *s, const struct trace_result *r)
{
    char text[512];
    json_t *circuits = json_array(), *likeliest = json_array();
    for (int i = 0; i < 2; i++)
        if (r->circuits[i] >= 0)
            json_array_append_new(circuits, json_string(s->circuits[r->circuits[i]].id));
    for (size_t i = 0; i < r->guess_count; i++)
        if (r->guesses[i].probability >= 0.0005)
            json_array_append_new(
                likeliest,
                json_pack("{s:s, s:o}", "circuit", s->circuits[r->guesses[i].circuit].id,
                          "probability", event_json_number(r->guesses[i].probability, 0.0001)));
    json_t *o =
        json_pack("{s:s, s:o, s:o, s:i, s:s}", "verdict", trace_verdict_name(r->verdict),
                  "circuits", circuits, "likeliest", likeliest, "poles", r->poles, "text",
                  trace_say(s, r, text, sizeof text));
    json_object_set_new(o, "probability", event_json_number(r->probability, 0.0001));
    json_object_set_new(o, "panel",
                        r->panel >= 0 ? json_string(s->panels[r->panel].id) : json_null());
    json_object_set_new(o, "amps", event_json_number(r->amps, 0.01));
    json_object_set_new(o, "unmetered", event_json_number(r->unmetered, 0.0001));
    json_object_set_new(o, "two", event_json_number(r->two, 0.0001));
    json_object_set_new(o, "read", json_integer((json_int_t)r->read));
    json_object_set_new(o, "unread", json_integer((json_int_t)r->unread));
    return o;
}
