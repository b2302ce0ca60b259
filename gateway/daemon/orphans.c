#include "orphans.h"

#include "base/log.h"

#include <jansson.h>

#include <string.h>

struct settling {
    struct alarms *alarms;
    int64_t wall_ms;
    event_sink *sink;
    void *context;
};

static const char *member(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s ? s : "";
}

static void end_it(const struct settling *s, const struct event_alarm *alarm)
{
    struct event e = {.type = EVENT_ALARM,
                      .wall_ms = s->wall_ms,
                      .panel = -1,
                      .circuit = -1,
                      .alarm = *alarm};
    e.alarm.state = ALARM_NORMAL;
    e.alarm.note = "what it was about is no longer in site.cfg";
    log_info("alarm", "%s is over: %s", alarm->id, e.alarm.note);
    s->sink(s->context, &e);
}

static bool take(void *context, const struct store_alarm_row *row)
{
    struct settling *s = context;
    json_t *o = json_loads(row->json, 0, NULL);
    struct event_alarm alarm = {.id = row->id,
                                .priority = PRIORITY_URGENT,
                                .alert = json_is_true(json_object_get(o, "alert")),
                                .raised_wall_ms = row->raised_wall_ms,
                                .text = member(o, "text"),
                                .advice = member(o, "advice"),
                                .by = "",
                                .note = row->note ? row->note : "",
                                .meter = -1,
                                .suppressed_by = EVENT_BY_NONE};
    while (alarm.priority < PRIORITY_LOW &&
           strcmp(row->priority, alarm_priority_name(alarm.priority)) != 0)
        alarm.priority++;
    if (alarm_kind_find(row->kind, &alarm.kind) &&
        alarm_state_find(row->state, &alarm.previous)) {
        alarm.state = alarm.previous;
        if (!alarms_adopt(s->alarms, &alarm))
            end_it(s, &alarm);
    }
    json_decref(o);
    return true;
}

void orphans_settle(struct store_reader *r, struct alarms *a, int64_t wall_ms, event_sink *sink,
                    void *context)
{
    struct settling s = {a, wall_ms, sink, context};
    store_read_alarms(r, true, take, &s); /* a record that cannot be read has been told of */
}
