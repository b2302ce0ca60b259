#include "api.h"

#include "discreet.h"

#include "base/clock.h"
#include "model/event_json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_ROWS 1000
#define DAY_MS INT64_C(86400000)
#define BEFORE_TRIP_MS                                                                         \
    INT64_C(1800000) /* warnings that stood before it belong to its sheet                      \
                      */

/* A list that is filled row by row, for whoever asks: as text at once, because a thousand
 * events as values would take some megabytes, in a hundred thousand pieces. */
struct listing {
    const struct api_call *call;
    struct text *out;
    size_t told, rows; /* rows: also those that are not told */
};

/* NULL: nothing to tell. Takes the reference. */
static void list_add(struct listing *l, json_t *o)
{
    l->rows++;
    if (!o)
        return;
    char *json = web_json_dump(o);
    json_decref(o);
    text_append(l->out, l->told++ ? "," : "");
    text_append(l->out, json ? json : "");
    l->out->failed = l->out->failed || !json;
    free(json);
}

static struct listing list_begin(const struct api_call *c, struct web_answer *out,
                                 const char *name)
{
    text_clear(&out->body);
    text_printf(&out->body, "{\"%s\":[", name);
    return (struct listing){.call = c, .out = &out->body};
}

/* more: -1 is not said */
static void list_end(enum store_err err, int more, struct web_answer *out)
{
    if (api_store_failed(err, out))
        return;
    text_append(&out->body, more < 0 ? "]}" : more ? "],\"more\":true}" : "],\"more\":false}");
    web_json_text(out);
}

/* NULL: it is not told to whoever asks */
static json_t *row_json(const struct api_call *c, const char *json, int64_t seq)
{
    json_t *o = json_loads(json, 0, NULL);
    if (o)
        json_object_set_new(o, "seq", json_integer(seq));
    return o && c->discreet ? discreet_event(c->x->site, o) : o;
}

/* ---- alarms ---- */

static bool add_alarm(void *context, const struct store_alarm_row *row)
{
    struct listing *l = context;
    json_t *o = row_json(l->call, row->json, row->seq);
    if (o)
        json_object_set_new(o, "changed_at", event_json_time(row->changed_wall_ms));
    list_add(l, o);
    return l->rows < MOST_ROWS;
}

void api_alarms(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"all", NULL};
    bool all = false;
    if (!web_query_only(c->r, names, out) || !web_query_switch(c->r, "all", &all, out))
        return;
    struct listing l = list_begin(c, out, "alarms");
    list_end(store_read_alarms(c->reader, !all, add_alarm, &l), -1, out);
}

/* ---- trips ---- */

static json_t *trip_json(const struct api_call *c, const struct store_trip_row *row)
{
    json_t *o = row_json(c, row->json, row->seq);
    if (!o)
        return NULL;
    bool restored = row->restored_wall_ms > 0;
    json_object_set_new(o, "restored_at",
                        restored ? event_json_time(row->restored_wall_ms) : json_null());
    json_object_set_new(o, "seconds_open",
                        restored ? event_json_number(row->seconds_open, 0.001) : json_null());
    json_object_set_new(o, "opened_again_after_seconds",
                        event_json_number(row->seconds_held, 0.001));
    return o;
}

static bool add_trip(void *context, const struct store_trip_row *row)
{
    struct listing *l = context;
    list_add(l, trip_json(l->call, row));
    return true;
}

void api_trips(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"from", "to", "open", "most", NULL};
    int64_t from = 0, to = 0, most = 100;
    bool open = false;
    if (!web_query_only(c->r, names, out) || !web_query_time(c->r, "from", &from, out) ||
        !web_query_time(c->r, "to", &to, out) ||
        !web_query_number(c->r, "most", 1, MOST_ROWS, &most, out) ||
        !web_query_switch(c->r, "open", &open, out))
        return;
    struct listing l = list_begin(c, out, "trips");
    list_end(store_read_trips(c->reader, from, to, open, (size_t)most, add_trip, &l), -1, out);
}

struct looking {
    const struct api_call *call;
    json_t *found;
    int64_t opened_wall_ms;
};

static bool look(void *context, const struct store_trip_row *row)
{
    struct looking *l = context;
    l->found = trip_json(l->call, row);
    l->opened_wall_ms = row->opened_wall_ms;
    return false;
}

bool api_find_trip(const struct api_call *c, struct web_answer *out, json_t **trip,
                   int64_t *opened_wall_ms)
{
    struct looking l = {.call = c};
    enum store_err err = store_read_trip(c->reader, c->id, look, &l);
    if (api_store_failed(err, out)) {
        json_decref(l.found);
        return false;
    }
    if (!l.found) {
        web_error(out, 404, "there is no trip %s", c->id);
        return false;
    }
    *trip = l.found;
    *opened_wall_ms = l.opened_wall_ms;
    return true;
}

/* what was said of the circuit around the trip; loads that came and went are in the trip */
static bool add_said(void *context, const struct store_event_row *row)
{
    struct listing *l = context;
    if (strncmp(row->type, "load_", 5) != 0)
        list_add(l, row_json(l->call, row->json, row->seq));
    return l->told < MOST_ROWS;
}

void api_trip(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {NULL};
    json_t *trip;
    int64_t opened;
    if (!web_query_only(c->r, names, out) || !api_find_trip(c, out, &trip, &opened))
        return;
    char *json = web_json_dump(trip);
    struct listing said = {.call = c, .out = &out->body};
    const char *circuit = json_string_value(json_object_get(trip, "circuit"));
    text_clear(&out->body);
    text_printf(&out->body, "{\"trip\":%s,\"events\":[", json ? json : "");
    out->body.failed = out->body.failed || !json;
    free(json);
    list_end(store_read_events_between(c->reader, circuit, opened - BEFORE_TRIP_MS,
                                       opened + DAY_MS, add_said, &said),
             -1, out);
    json_decref(trip);
}

/* ---- events ---- */

static bool add_event(void *context, const struct store_event_row *row)
{
    struct listing *l = context;
    list_add(l, row_json(l->call, row->json, row->seq));
    return l->rows < MOST_ROWS;
}

void api_events(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"circuit", "from", "to", "after", "most", NULL};
    int64_t from = c->wall_ms - DAY_MS, to = c->wall_ms, after = -1, most = 100;
    const char *circuit = web_query(c->r, "circuit");
    if (!web_query_only(c->r, names, out) || !web_query_time(c->r, "from", &from, out) ||
        !web_query_time(c->r, "to", &to, out) ||
        !web_query_number(c->r, "after", 0, INT64_MAX, &after, out) ||
        !web_query_number(c->r, "most", 1, MOST_ROWS, &most, out))
        return;
    if (circuit && site_find_circuit(c->x->site, circuit) < 0) {
        web_error(out, 404, "there is no such circuit");
        return;
    }
    struct listing l = list_begin(c, out, "events");
    enum store_err err =
        after >= 0 ? store_read_events(c->reader, after, (size_t)most, add_event, &l)
                   : store_read_events_between(c->reader, circuit, from, to, add_event, &l);
    list_end(err, l.rows >= (after >= 0 ? (size_t)most : MOST_ROWS), out);
}

void api_circuit_alarms(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"from", "to", NULL};
    int64_t from = c->wall_ms - DAY_MS, to = c->wall_ms;
    if (api_circuit_of(c, out) < 0 || !web_query_only(c->r, names, out) ||
        !web_query_time(c->r, "from", &from, out) || !web_query_time(c->r, "to", &to, out))
        return;
    struct listing l = list_begin(c, out, "events");
    enum store_err err = store_read_alarm_events(c->reader, c->id, from, to, add_event, &l);
    list_end(err, l.rows >= MOST_ROWS, out);
}
