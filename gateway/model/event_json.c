#include "event_json.h"

#include "call_json.h"
#include "phrases.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>

#define AMPS 0.001
#define CHANCE 0.0001
#define SECONDS 0.001

json_t *event_json_number(double v, double unit)
{
    if (!isfinite(v))
        return json_null();
    double r = round(v / unit);
    if (unit >= 1.0 && fabs(r) < 1e15)
        return json_integer((json_int_t)(r * unit));
    return json_real(r / round(1.0 / unit));
}

json_t *event_json_time(int64_t wall_ms)
{
    char text[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(wall_ms, text);
    return json_string(text);
}

static void set_run(json_t *o, int64_t run)
{
    char text[32];
    snprintf(text, sizeof text, "r%lld", (long long)run);
    json_object_set_new(o, "run", json_string(text));
}

static void set_appliance(json_t *o, const struct event_load *l)
{
    json_object_set_new(o, "appliance", json_string(l->appliance));
    json_object_set_new(o, "appliance_probability",
                        event_json_number(l->appliance_probability, CHANCE));
}

json_t *event_json_loads(const struct event_load *loads, size_t count)
{
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++) {
        json_t *o = json_object();
        json_object_set_new(o, "appliance", json_string(loads[i].appliance));
        json_object_set_new(o, "probability",
                            event_json_number(loads[i].appliance_probability, CHANCE));
        json_object_set_new(o, "amps", event_json_number(loads[i].amps, AMPS));
        json_object_set_new(o, "since", event_json_time(loads[i].since_wall_ms));
        set_run(o, loads[i].run);
        json_array_append_new(array, o);
    }
    return array;
}

static void add_load(json_t *o, const struct event *e)
{
    const struct event_load *l = &e->load;
    set_run(o, l->run);
    json_object_set_new(o, "amps", event_json_number(l->amps, AMPS));
    if (e->type == EVENT_LOAD_ON)
        json_object_set_new(o, "inrush_amps", event_json_number(l->inrush_amps, AMPS));
    else
        json_object_set_new(o, "seconds", event_json_number(l->seconds, SECONDS));
    set_appliance(o, l);
}

static json_t *circuits_json(const struct site *s, const int *circuits, size_t count)
{
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(array, json_string(s->circuits[circuits[i]].id));
    return array;
}

static void add_trip(json_t *o, const struct site *s, const struct event_trip *t)
{
    json_object_set_new(o, "trip", json_string(t->id));
    json_object_set_new(o, "stage", json_string(trip_stage_name(t->stage)));
    json_object_set_new(o, "probability", event_json_number(t->probability, CHANCE));
    json_object_set_new(o, "opened_at", event_json_time(t->opened_wall_ms));
    json_object_set_new(o, "cause", json_string(trip_cause_name(t->cause)));
    json_t *causes = json_object();
    for (int c = 0; c < CAUSE_COUNT; c++)
        json_object_set_new(causes, trip_cause_name((enum trip_cause)c),
                            event_json_number(t->causes[c], CHANCE));
    json_object_set_new(o, "causes", causes);
    json_object_set_new(o, "amps_before", event_json_number(t->amps_before, AMPS));
    json_object_set_new(o, "heat", event_json_number(t->heat, CHANCE));
    json_object_set_new(o, "loads", event_json_loads(t->loads, t->load_count));
    json_object_set_new(o, "with", circuits_json(s, t->with, t->with_count));
    if (t->upstream == TRIP_UPSTREAM_UTILITY)
        json_object_set_new(o, "upstream", json_string("utility"));
    else if (t->upstream >= 0)
        json_object_set_new(o, "upstream", json_string(s->circuits[t->upstream].id));
    json_t *evidence = json_array();
    for (size_t i = 0; i < t->evidence_count; i++) {
        json_t *piece = json_object();
        json_object_set_new(piece, "what", json_string(t->evidence[i].what));
        json_object_set_new(piece, "log_ratio",
                            event_json_number(t->evidence[i].log_ratio, 0.01));
        json_object_set_new(piece, "value", event_json_number(t->evidence[i].value, 0.001));
        json_array_append_new(evidence, piece);
    }
    json_object_set_new(o, "evidence", evidence);
    json_t *before = json_array();
    for (size_t i = 0; i < t->before_count; i++) {
        json_t *then = json_object();
        json_object_set_new(then, "seconds_before",
                            event_json_number(t->before[i].seconds, 1.0));
        json_object_set_new(then, "amps", event_json_number(t->before[i].amps, AMPS));
        json_object_set_new(then, "heat", event_json_number(t->before[i].heat, CHANCE));
        json_object_set_new(then, "trip_chance",
                            event_json_number(t->before[i].chance, CHANCE));
        json_array_append_new(before, then);
    }
    json_object_set_new(o, "before", before);
    if (t->afterwards)
        json_object_set_new(o, "afterwards", json_true());
}

static void add_near_overload(json_t *o, const struct event_near_overload *n)
{
    json_object_set_new(o, "amps", event_json_number(n->amps, AMPS));
    json_t *seconds = json_object();
    json_object_set_new(seconds, "p05", event_json_number(n->p05_seconds, 1.0));
    json_object_set_new(seconds, "p50", event_json_number(n->p50_seconds, 1.0));
    json_object_set_new(seconds, "p95", event_json_number(n->p95_seconds, 1.0));
    json_object_set_new(o, "trip_seconds", seconds);
    json_object_set_new(o, "trip_chance", event_json_number(n->chance, CHANCE));
    json_object_set_new(o, "headroom_amps", event_json_number(n->headroom_amps, 0.01));
    json_object_set_new(o, "switch_off", event_json_loads(n->switch_off, n->switch_off_count));
}

static void add_alarm(json_t *o, const struct site *s, const struct event_alarm *a)
{
    json_object_set_new(o, "alarm", json_string(a->id));
    json_object_set_new(o, "kind", json_string(alarm_kind_name(a->kind)));
    json_object_set_new(o, "priority", json_string(alarm_priority_name(a->priority)));
    if (a->alert)
        json_object_set_new(o, "alert", json_true());
    json_object_set_new(o, "state", json_string(alarm_state_name(a->state)));
    if (a->changed != ALARM_CHANGED_STATE)
        json_object_set_new(
            o, "changed", json_string(a->changed == ALARM_WORDS_CHANGED ? "words" : "advice"));
    json_object_set_new(o, "raised_at", event_json_time(a->raised_wall_ms));
    json_object_set_new(o, "text", json_string(a->text));
    if (a->advice && a->advice[0])
        json_object_set_new(o, "advice", json_string(a->advice));
    if (a->figures && a->figures->count > 0) {
        struct text detail = TEXT_INIT;
        phrases_figures(NULL, a->figures, &detail);
        json_object_set_new(o, "detail", json_string(text_get(&detail)));
        json_object_set_new(o, "figures", figures_to_json(a->figures));
        text_free(&detail);
    }
    if (a->until_wall_ms > 0)
        json_object_set_new(o, "until", event_json_time(a->until_wall_ms));
    if (a->chattering)
        json_object_set_new(o, "chattering", json_true());
    if (a->by && a->by[0])
        json_object_set_new(o, "by", json_string(a->by));
    if (a->note && a->note[0])
        json_object_set_new(o, "note", json_string(a->note));
    if (a->state == ALARM_SUPPRESSED && a->suppressed_by != EVENT_BY_NONE)
        json_object_set_new(o, "suppressed_by",
                            json_string(a->suppressed_by == EVENT_BY_UTILITY
                                            ? "utility"
                                            : s->circuits[a->suppressed_by].id));
    if (a->taken_by && a->taken_by[0])
        json_object_set_new(o, "taken_by", json_string(a->taken_by));
    if (a->meter >= 0)
        json_object_set_new(o, "meter", json_string(s->meters[a->meter].id));
    if (a->near_overload)
        add_near_overload(o, a->near_overload);
}

static void add_correction(json_t *o, const struct event_correction *c)
{
    json_object_set_new(o, "trip", json_string(c->trip));
    json_object_set_new(o, "cause", json_string(trip_cause_name(c->said)));
    json_object_set_new(o, "by", json_string(c->by));
    json_object_set_new(o, "computed_cause", json_string(trip_cause_name(c->computed)));
    json_object_set_new(o, "computed_probability",
                        event_json_number(c->computed_probability, CHANCE));
}

/* the step, and how the call stands after it */
static void add_call(json_t *o, const struct site *s, const struct event_call *c)
{
    json_t *step = call_step_to_json(s, c->step);
    json_object_set_new(o, "call", json_string(c->call->id));
    json_object_set_new(o, "trip", c->call->trip[0] ? json_string(c->call->trip) : json_null());
    json_object_set_new(o, "asked", json_string(call_stage_name(c->call->stage)));
    json_object_set_new(o, "finding",
                        c->call->finding ? json_string(call_finding_name(c->call->finding))
                                         : json_null());
    json_object_update(o, step);
    json_object_del(o, "at"); /* the event's own time */
    json_decref(step);
}

static void add_site_day(json_t *o, const struct event_site_day *d)
{
    json_object_set_new(o, "day", json_string(d->day));
    json_object_set_new(o, "from", event_json_time(d->from_wall_ms));
    json_object_set_new(o, "to", event_json_time(d->to_wall_ms));
    json_object_set_new(o, "kwh", event_json_number(d->kwh, 0.001));
    json_object_set_new(o, "peak_watts", event_json_number(d->peak_watts, 1.0));
    json_object_set_new(o, "seconds_without", event_json_number(d->seconds_without, 1.0));
    json_object_set_new(o, "trips", json_integer(d->trips));
    json_object_set_new(o, "warnings", json_integer(d->warnings));
    json_object_set_new(o, "alarms", json_integer(d->alarms));
}

json_t *event_to_json(const struct site *s, const struct event *e)
{
    json_t *o = json_object();
    if (!o)
        return NULL;
    json_object_set_new(o, "time", event_json_time(e->wall_ms));
    json_object_set_new(o, "type", json_string(event_type_name(e->type)));
    json_object_set_new(o, "site", json_string(s->id));
    int panel = e->panel >= 0 ? e->panel : e->circuit >= 0 ? s->circuits[e->circuit].panel : -1;
    if (panel >= 0)
        json_object_set_new(o, "panel", json_string(s->panels[panel].id));
    if (e->circuit >= 0)
        json_object_set_new(o, "circuit", json_string(s->circuits[e->circuit].id));
    switch (e->type) {
    case EVENT_LOAD_ON:
    case EVENT_LOAD_OFF: add_load(o, e); break;
    case EVENT_TRIP: add_trip(o, s, &e->trip); break;
    case EVENT_RESTORED:
        json_object_set_new(o, "trip", json_string(e->outcome.trip));
        json_object_set_new(o, "seconds_open", event_json_number(e->outcome.seconds, SECONDS));
        break;
    case EVENT_OPENED_AGAIN:
        json_object_set_new(o, "trip", json_string(e->outcome.trip));
        json_object_set_new(o, "seconds_held", event_json_number(e->outcome.seconds, SECONDS));
        break;
    case EVENT_ALARM: add_alarm(o, s, &e->alarm); break;
    case EVENT_TRIP_CORRECTED: add_correction(o, &e->correction); break;
    case EVENT_ABSENCE:
        json_object_set_new(o, "last_seen", event_json_time(e->absence.seen_wall_ms));
        json_object_set_new(o, "seconds_at_most",
                            event_json_number(e->absence.seconds, SECONDS));
        json_object_set_new(o, "cause", json_string(absence_cause_name(e->absence.cause)));
        json_object_set_new(o, "probability",
                            event_json_number(e->absence.probability, CHANCE));
        break;
    case EVENT_SITE_DAY: add_site_day(o, &e->site_day); break;
    case EVENT_CALL: add_call(o, s, &e->call); break;
    case EVENT_BREAKER_REPLACED:
    case EVENT_TRIP_NOTE:
        if (e->note.trip)
            json_object_set_new(o, "trip", json_string(e->note.trip));
        json_object_set_new(o, "note", json_string(e->note.note));
        json_object_set_new(o, "by", json_string(e->note.by));
        break;
    }
    return o;
}

char *event_json_dump(const json_t *object)
{
    return json_dumps(object, JSON_COMPACT | JSON_REAL_PRECISION(10));
}

char *event_to_json_text(const struct site *s, const struct event *e)
{
    json_t *o = event_to_json(s, e);
    char *text = o ? event_json_dump(o) : NULL;
    json_decref(o);
    return text;
}
