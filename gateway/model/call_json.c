#include "call_json.h"

#include "event_json.h"

#include "base/clock.h"
#include "base/text.h"

#include <math.h>
#include <string.h>

#define AMPS 0.001
#define CHANCE 0.0001

static json_t *time_or_null(int64_t wall_ms)
{
    return wall_ms > 0 ? event_json_time(wall_ms) : json_null();
}

static json_t *circuit_or_null(const struct site *s, int circuit)
{
    return circuit >= 0 ? json_string(s->circuits[circuit].id) : json_null();
}

static json_t *load_json(const struct call_load *l)
{
    json_t *o = json_pack("{s:s, s:s, s:s}", "name", l->name, "appliance", l->appliance,
                          "outcome", call_outcome_name(l->outcome));
    json_object_set_new(o, "appliance_probability",
                        event_json_number(l->appliance_probability, CHANCE));
    json_object_set_new(o, "amps", event_json_number(l->amps, AMPS));
    json_object_set_new(o, "inrush_amps", event_json_number(l->inrush_amps, AMPS));
    json_object_set_new(o, "connected_at", event_json_time(l->connected_wall_ms));
    json_object_set_new(o, "seconds", event_json_number(l->seconds, 0.1));
    return o;
}

static json_t *loads_json(const struct call *c)
{
    json_t *list = json_array();
    for (size_t i = 0; i < c->load_count; i++)
        json_array_append_new(list, load_json(&c->loads[i]));
    return list;
}

static json_t *before_json(const struct call *c)
{
    json_t *list = json_array();
    for (size_t i = 0; i < c->before_count; i++) {
        json_t *o = json_pack("{s:s}", "appliance", c->before[i].appliance);
        json_object_set_new(o, "amps", event_json_number(c->before[i].amps, AMPS));
        json_array_append_new(list, o);
    }
    return list;
}

static void add_trip(json_t *o, const struct call *c)
{
    bool known = c->trip[0] != '\0';
    json_object_set_new(o, "trip", known ? json_string(c->trip) : json_null());
    json_object_set_new(o, "cause",
                        known ? json_string(trip_cause_name(c->cause)) : json_null());
    json_object_set_new(o, "cause_probability",
                        known ? event_json_number(c->cause_probability, CHANCE) : json_null());
    json_object_set_new(o, "opened_at", time_or_null(c->opened_wall_ms));
    json_object_set_new(o, "amps_before", event_json_number(c->amps_before, AMPS));
    json_object_set_new(o, "loads_before", before_json(c));
}

json_t *call_to_json(const struct site *s, const struct call *c)
{
    json_t *o = json_object();
    if (!o)
        return NULL;
    const struct site_circuit *k = &s->circuits[c->circuit];
    json_object_set_new(o, "call", json_string(c->id));
    json_object_set_new(o, "circuit", json_string(k->id));
    json_object_set_new(o, "panel", json_string(s->panels[k->panel].id));
    json_object_set_new(o, "dark", circuit_or_null(s, c->dark));
    json_object_set_new(o, "begun_at", event_json_time(c->begun_wall_ms));
    json_object_set_new(o, "ended_at", time_or_null(c->ended_wall_ms));
    json_object_set_new(o, "answered_at", time_or_null(c->said_wall_ms));
    json_object_set_new(o, "stage", json_string(call_stage_name(c->stage)));
    json_object_set_new(o, "question", json_integer(c->question));
    json_object_set_new(o, "finding",
                        c->finding ? json_string(call_finding_name(c->finding)) : json_null());
    json_object_set_new(o, "danger",
                        c->danger ? json_string(call_danger_name(c->danger)) : json_null());
    json_object_set_new(o, "leave_off", json_boolean(call_finding_stops(c->finding)));
    json_object_set_new(o, "waiting", json_boolean(c->waiting));
    json_object_set_new(o, "by", json_string(c->by));
    json_object_set_new(o, "as", json_string(call_as_name(c->as)));
    json_object_set_new(o, "device", json_string(c->device));
    json_object_set_new(o, "other", circuit_or_null(s, c->other));
    add_trip(o, c);
    json_object_set_new(o, "resets", json_integer(c->resets));
    json_object_set_new(o, "peak_amps", event_json_number(c->peak_amps, AMPS));
    json_object_set_new(o, "loads", loads_json(c));
    json_object_set_new(o, "steps", json_integer(c->steps));
    return o;
}

json_t *call_step_to_json(const struct site *s, const struct call_step *step)
{
    json_t *o = json_object();
    json_object_set_new(o, "step", json_integer(step->number));
    json_object_set_new(o, "at", event_json_time(step->wall_ms));
    json_object_set_new(o, "stage", json_string(call_stage_name(step->stage)));
    json_object_set_new(
        o, "answer", step->answer ? json_string(call_answer_name(step->answer)) : json_null());
    json_object_set_new(o, "saw",
                        step->sight ? json_string(call_sight_name(step->sight)) : json_null());
    json_object_set_new(
        o, "danger", step->danger ? json_string(call_danger_name(step->danger)) : json_null());
    json_object_set_new(o, "by", json_string(step->by));
    json_object_set_new(o, "as",
                        step->by[0] ? json_string(call_as_name(step->as)) : json_null());
    json_object_set_new(o, "note", json_string(step->note));
    json_object_set_new(o, "amps", event_json_number(step->amps, AMPS));
    json_object_set_new(o, "other", circuit_or_null(s, step->other));
    return o;
}

/* ---- back again ---- */

static const char *word_of(const json_t *o, const char *member)
{
    const char *s = json_string_value(json_object_get(o, member));
    return s ? s : "";
}

static double number_of(const json_t *o, const char *member)
{
    const json_t *v = json_object_get(o, member);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static int64_t time_of(const json_t *o, const char *member)
{
    const char *s = word_of(o, member);
    int64_t wall_ms = 0;
    return clock_parse(s, strlen(s), &wall_ms) ? wall_ms : 0;
}

static bool find_stage(const char *word, enum call_stage *out)
{
    for (int i = 0; i < CALL_STAGES; i++)
        if (strcmp(call_stage_name((enum call_stage)i), word) == 0) {
            *out = (enum call_stage)i;
            return true;
        }
    return false;
}

static enum call_finding find_finding(const char *word)
{
    for (int i = 0; i < CALL_FINDINGS; i++)
        if (strcmp(call_finding_name((enum call_finding)i), word) == 0)
            return (enum call_finding)i;
    return CALL_FOUND_NOTHING;
}

static enum call_outcome find_outcome(const char *word)
{
    for (int i = 0; i < CALL_OUTCOMES; i++)
        if (strcmp(call_outcome_name((enum call_outcome)i), word) == 0)
            return (enum call_outcome)i;
    return CALL_LOAD_WATCHED;
}

static void take_loads(const json_t *o, struct call *c)
{
    const json_t *one;
    size_t i;
    json_array_foreach(json_object_get(o, "loads"), i, one)
    {
        if (c->load_count == CALL_MOST_LOADS)
            return;
        struct call_load *l = &c->loads[c->load_count++];
        text_copy(l->name, sizeof l->name, word_of(one, "name"));
        text_copy(l->appliance, sizeof l->appliance, word_of(one, "appliance"));
        l->appliance_probability = number_of(one, "appliance_probability");
        l->amps = number_of(one, "amps");
        l->inrush_amps = number_of(one, "inrush_amps");
        l->connected_wall_ms = time_of(one, "connected_at");
        l->seconds = number_of(one, "seconds");
        l->outcome = find_outcome(word_of(one, "outcome"));
    }
    json_array_foreach(json_object_get(o, "loads_before"), i, one)
    {
        if (c->before_count == CALL_MOST_BEFORE)
            return;
        struct call_before *b = &c->before[c->before_count++];
        text_copy(b->appliance, sizeof b->appliance, word_of(one, "appliance"));
        b->amps = number_of(one, "amps");
    }
}

bool call_from_json(const struct site *s, const json_t *o, struct call *out)
{
    struct call c = {.circuit = site_find_circuit(s, word_of(o, "circuit")),
                     .dark = site_find_circuit(s, word_of(o, "dark")),
                     .other = site_find_circuit(s, word_of(o, "other"))};
    if (c.circuit < 0 || !find_stage(word_of(o, "stage"), &c.stage))
        return false;
    text_copy(c.id, sizeof c.id, word_of(o, "call"));
    text_copy(c.trip, sizeof c.trip, word_of(o, "trip"));
    trip_cause_find(word_of(o, "cause"), &c.cause);
    c.cause_probability = number_of(o, "cause_probability");
    c.opened_wall_ms = time_of(o, "opened_at");
    c.amps_before = number_of(o, "amps_before");
    c.finding = find_finding(word_of(o, "finding"));
    call_danger_find(word_of(o, "danger"), &c.danger);
    c.question = (uint32_t)json_integer_value(json_object_get(o, "question"));
    c.steps = (uint32_t)json_integer_value(json_object_get(o, "steps"));
    c.begun_wall_ms = time_of(o, "begun_at");
    c.ended_wall_ms = time_of(o, "ended_at");
    c.said_wall_ms = time_of(o, "answered_at");
    c.waiting = json_is_true(json_object_get(o, "waiting"));
    text_copy(c.by, sizeof c.by, word_of(o, "by"));
    text_copy(c.device, sizeof c.device, word_of(o, "device"));
    call_as_find(word_of(o, "as"), &c.as);
    c.resets = (int)json_integer_value(json_object_get(o, "resets"));
    c.peak_amps = number_of(o, "peak_amps");
    take_loads(o, &c);
    *out = c;
    return true;
}
