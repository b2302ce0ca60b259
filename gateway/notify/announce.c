#include "announce.h"

#include "payload.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_HELD 4096   /* trips read back at the start */
#define MOST_RELEASED 64 /* remembered, for what is still said of them */
#define MOST_RESTORED 4  /* of one circuit that wait for somebody to acknowledge */

struct held_trip {
    struct held_trip *next;
    char id[EVENT_ID_SIZE];
    char circuit[SITE_ID_SIZE];
    char upstream[SITE_ID_SIZE]; /* "": none, "utility": the main or before it */
    int64_t restored_wall_ms;    /* 0: open */
    double seconds_open, seconds_held;
    bool released; /* no longer retained on the broker */
    char *json;
};

struct waiting_alarm { /* somebody has to acknowledge it */
    struct waiting_alarm *next;
    char id[EVENT_ID_SIZE];
};

struct announce {
    struct store *store;
    const struct site *site;
    struct held_trip *trips;
    struct waiting_alarm *alarms;
};

/* ---- who still has to be told ---- */

static bool is_waiting(const struct announce *a, const char *subject, const char *kind)
{
    char id[EVENT_ID_SIZE];
    snprintf(id, sizeof id, "%s.%s", subject, kind);
    for (const struct waiting_alarm *w = a->alarms; w; w = w->next)
        if (strcmp(w->id, id) == 0)
            return true;
    return false;
}

/* People get one alarm for what a feeder or the utility took with it (analysis/trip_alarms.h).
 */
static bool is_awaited(const struct announce *a, const struct held_trip *t)
{
    return is_waiting(a, t->circuit, "trip") || is_waiting(a, t->circuit, "opened_again") ||
           (t->upstream[0] && is_waiting(a, t->upstream, "trip")) ||
           (t->upstream[0] && is_waiting(a, a->site->id, "trip"));
}

static void set_waiting(struct announce *a, const char *id, bool waiting)
{
    struct waiting_alarm **at = &a->alarms;
    while (*at && strcmp((*at)->id, id) != 0)
        at = &(*at)->next;
    if (waiting && !*at) {
        *at = calloc(1, sizeof **at);
        if (*at)
            text_copy((*at)->id, sizeof(*at)->id, id);
    } else if (!waiting && *at) {
        struct waiting_alarm *gone = *at;
        *at = gone->next;
        free(gone);
    }
}

static struct held_trip *find_trip(struct announce *a, const char *id)
{
    for (struct held_trip *t = a->trips; t; t = t->next)
        if (strcmp(t->id, id) == 0)
            return t;
    return NULL;
}

static struct held_trip *hold_trip(struct announce *a, const char *id, const char *circuit,
                                   const char *upstream, const char *json)
{
    struct held_trip *t = find_trip(a, id);
    char *copy = strdup(json);
    if (!t && copy && (t = calloc(1, sizeof *t))) {
        text_copy(t->id, sizeof t->id, id);
        text_copy(t->circuit, sizeof t->circuit, circuit);
        t->seconds_held = NAN;
        t->next = a->trips;
        a->trips = t;
    }
    if (!t || !copy) {
        free(copy);
        return NULL;
    }
    text_copy(t->upstream, sizeof t->upstream, upstream);
    t->released = false;
    free(t->json);
    t->json = copy;
    return t;
}

/* ---- messages ---- */

static void send(struct announce *a, const char *kind, const char *id, const char *payload,
                 bool retain, bool low_value)
{
    char topic[sizeof "foretrip//alarm/" + SITE_ID_SIZE + EVENT_ID_SIZE];
    snprintf(topic, sizeof topic, "foretrip/%s/%s%s%s", a->site->id, kind, id ? "/" : "",
             id ? id : "");
    store_add_message(a->store, &(struct store_message){.route = STORE_ROUTE_MQTT,
                                                        .topic = topic,
                                                        .payload = payload,
                                                        .qos = 1,
                                                        .retain = retain,
                                                        .with_seq = payload != NULL,
                                                        .low_value = low_value});
}

static void send_trip(struct announce *a, const struct held_trip *t)
{
    struct text payload = TEXT_INIT;
    payload_trip(&payload, t->json, t->restored_wall_ms, t->seconds_open, t->seconds_held);
    send(a, "trip", t->id, text_get(&payload), true, false);
    text_free(&payload);
}

static void release(struct announce *a, struct held_trip *t)
{
    if (!t->released)
        send(a, "trip", t->id, NULL, true, false);
    t->released = true;
    free(t->json);
    t->json = NULL;
    store_release_trip(a->store, t->id);
}

/* Of a circuit that opens again and again while nobody looks, the newest: neither we nor the
 * broker keep more and more of what one acknowledgement ends. The record has them all. */
static void release_beyond_most(struct announce *a, const char *circuit)
{
    size_t restored = 0;
    for (struct held_trip *t = a->trips; t; t = t->next) /* the newest first */
        if (!t->released && t->restored_wall_ms > 0 && strcmp(t->circuit, circuit) == 0 &&
            ++restored > MOST_RESTORED)
            release(a, t);
}

/* What opens anew was closed in between, said or not. */
static void release_overtaken(struct announce *a, const char *id, const char *circuit)
{
    if (find_trip(a, id))
        return;
    for (struct held_trip *t = a->trips; t; t = t->next)
        if (!t->released && t->restored_wall_ms == 0 && strcmp(t->circuit, circuit) == 0)
            release(a, t);
}

static void release_settled(struct announce *a)
{
    size_t released = 0;
    for (struct held_trip **at = &a->trips; *at;) {
        struct held_trip *t = *at;
        if (!t->released && t->restored_wall_ms > 0 && !is_awaited(a, t))
            release(a, t);
        released += t->released;
        if (t->released && released > MOST_RELEASED) { /* the list begins with the newest */
            *at = t->next;
            free(t->json);
            free(t);
        } else {
            at = &t->next;
        }
    }
}

/* nobody will say of a circuit that is no longer in site.cfg that it has power again */
static void release_gone(struct announce *a)
{
    for (struct held_trip *t = a->trips; t; t = t->next)
        if (site_find_circuit(a->site, t->circuit) < 0)
            release(a, t);
}

/* ---- events ---- */

static void take_trip(struct announce *a, const struct event *e, const char *json)
{
    const struct event_trip *trip = &e->trip;
    if (trip->stage == TRIP_WITHDRAWN) {
        struct held_trip *gone = find_trip(a, trip->id);
        if (gone)
            release(a, gone);
        else
            store_release_trip(a->store, trip->id);
        return;
    }
    const char *upstream = trip->upstream >= 0 ? a->site->circuits[trip->upstream].id
                           : trip->upstream == TRIP_UPSTREAM_UTILITY ? "utility"
                                                                     : "";
    const char *circuit = e->circuit >= 0 ? a->site->circuits[e->circuit].id : "";
    release_overtaken(a, trip->id, circuit);
    const struct held_trip *t = hold_trip(a, trip->id, circuit, upstream, json);
    if (t)
        send_trip(a, t);
}

static void take_outcome(struct announce *a, const struct event *e)
{
    struct held_trip *t = find_trip(a, e->outcome.trip);
    if (!t || t->released)
        return;
    if (e->type == EVENT_RESTORED) {
        t->restored_wall_ms = e->wall_ms;
        t->seconds_open = e->outcome.seconds;
    } else {
        t->seconds_held = e->outcome.seconds;
    }
    send_trip(a, t);
    release_beyond_most(a, t->circuit);
}

static bool waits(const char *kind, const char *state)
{
    return (strcmp(kind, "trip") == 0 || strcmp(kind, "opened_again") == 0) &&
           (strcmp(state, "unacknowledged") == 0 ||
            strcmp(state, "returned_unacknowledged") == 0);
}

static void take_alarm(struct announce *a, const struct event_alarm *alarm, const char *json)
{
    send(a, "alarm", alarm->id, alarm->state == ALARM_NORMAL ? NULL : json, true, false);
    set_waiting(a, alarm->id,
                waits(alarm_kind_name(alarm->kind), alarm_state_name(alarm->state)));
}

void announce_event(struct announce *a, const struct event *e, const char *json)
{
    bool load = e->type == EVENT_LOAD_ON || e->type == EVENT_LOAD_OFF;
    send(a, "event", NULL, json, false, load);
    switch (e->type) {
    case EVENT_LOAD_ON:
    case EVENT_LOAD_OFF: return;
    case EVENT_TRIP_CORRECTED:
    case EVENT_SITE_DAY:
    case EVENT_ABSENCE:
    case EVENT_CALL:
    case EVENT_BREAKER_REPLACED:
    case EVENT_TRIP_NOTE: break;
    case EVENT_TRIP: take_trip(a, e, json); break;
    case EVENT_RESTORED:
    case EVENT_OPENED_AGAIN: take_outcome(a, e); break;
    case EVENT_ALARM: take_alarm(a, &e->alarm, json); break;
    }
    release_settled(a);
}

/* ---- taking up where the record ends ---- */

static bool read_alarm(void *context, const struct store_alarm_row *row)
{
    set_waiting(context, row->id, waits(row->kind, row->state));
    return true;
}

static bool read_trip(void *context, const struct store_trip_row *row)
{
    json_t *o = json_loads(row->json, 0, NULL);
    const char *upstream = json_string_value(json_object_get(o, "upstream"));
    struct held_trip *t =
        hold_trip(context, row->id, row->circuit, upstream ? upstream : "", row->json);
    if (t) {
        t->restored_wall_ms = row->restored_wall_ms;
        t->seconds_open = row->seconds_open;
        t->seconds_held = row->seconds_held;
    }
    json_decref(o);
    return true;
}

static void turn_round(struct announce *a)
{
    struct held_trip *turned = NULL, *next;
    for (struct held_trip *t = a->trips; t; t = next) {
        next = t->next;
        t->next = turned;
        turned = t;
    }
    a->trips = turned;
}

struct announce *announce_create(struct store *s, const struct site *site,
                                 struct store_reader *r)
{
    struct announce *a = calloc(1, sizeof *a);
    if (!a)
        return NULL;
    a->store = s;
    a->site = site;
    /* a record that cannot be read leaves these lists empty; the store has said so */
    if (r && !store_read_alarms(r, true, read_alarm, a) &&
        !store_read_trips(r, 0, 0, true, MOST_HELD, read_trip, a)) {
        turn_round(a); /* they come the newest first */
        release_gone(a);
        release_settled(a);
        for (size_t i = 0; i < site->circuit_count; i++)
            release_beyond_most(a, site->circuits[i].id);
    }
    return a;
}

void announce_set_site(struct announce *a, const struct site *site)
{
    a->site = site;
}

void announce_destroy(struct announce *a)
{
    if (!a)
        return;
    while (a->trips) {
        struct held_trip *t = a->trips;
        a->trips = t->next;
        free(t->json);
        free(t);
    }
    while (a->alarms) {
        struct waiting_alarm *w = a->alarms;
        a->alarms = w->next;
        free(w);
    }
    free(a);
}
