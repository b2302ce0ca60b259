#include "event.h"

#include "base/clock.h"

#include <stdio.h>
#include <string.h>

static const char *const types[] = {
    "load_on",        "load_off",  "trip",    "restored", "opened_again",     "alarm",
    "trip_corrected", "trip_note", "absence", "call",     "breaker_replaced", "site_day"};
static const char *const stages[] = {"provisional", "confirmed", "withdrawn"};
static const char *const causes[] = {
    "overload",      "fault",         "worn_breaker", "opened_by_hand",
    "upstream_open", "supply_outage", "sensor_lost",  "load_ended",
};
static const char *const kinds[] = {
    "near_overload",    "continuous_load",       "trip",
    "opened_again",     "worn_breaker",          "breaker_did_not_open",
    "open_neutral",     "supply_voltage",        "leg_imbalance",
    "feeder_overload",  "essential_load_silent", "meter_lost",
    "sensor_mismatch",  "record_at_risk",        "shared_neutral",
    "permissible_load",
};
static const char *const priorities[] = {"urgent", "high", "low"};
static const char *const states[] = {
    "normal",  "unacknowledged", "acknowledged",   "returned_unacknowledged",
    "shelved", "suppressed",     "out_of_service",
};

#define LENGTH(a) (sizeof(a) / sizeof(a)[0])
_Static_assert(LENGTH(causes) == CAUSE_COUNT, "a cause without its word");
_Static_assert(LENGTH(kinds) == ALARM_KINDS, "an alarm kind without its word");

const char *event_type_name(enum event_type t)
{
    return types[t];
}

const char *trip_stage_name(enum trip_stage s)
{
    return stages[s];
}

const char *absence_cause_name(enum absence_cause c)
{
    static const char *const names[] = {"stopped", "machine_stopped", "supply_outage",
                                        "failed"};
    return names[c];
}

const char *trip_cause_name(enum trip_cause c)
{
    return causes[c];
}

const char *alarm_kind_name(enum alarm_kind k)
{
    return kinds[k];
}

const char *alarm_priority_name(enum alarm_priority p)
{
    return priorities[p];
}

const char *alarm_state_name(enum alarm_state s)
{
    return states[s];
}

static int find(const char *const *words, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(words[i], name) == 0)
            return (int)i;
    return -1;
}

bool trip_cause_find(const char *name, enum trip_cause *out)
{
    int i = find(causes, LENGTH(causes), name);
    if (i >= 0)
        *out = (enum trip_cause)i;
    return i >= 0;
}

bool alarm_kind_find(const char *name, enum alarm_kind *out)
{
    int i = find(kinds, LENGTH(kinds), name);
    if (i >= 0)
        *out = (enum alarm_kind)i;
    return i >= 0;
}

bool alarm_state_find(const char *name, enum alarm_state *out)
{
    int i = find(states, LENGTH(states), name);
    if (i >= 0)
        *out = (enum alarm_state)i;
    return i >= 0;
}

void trip_id_make(const struct site *s, int circuit, int64_t opened_wall_ms,
                  char out[EVENT_ID_SIZE])
{
    char stamp[CLOCK_COMPACT_SIZE];
    clock_format_compact(opened_wall_ms, stamp);
    snprintf(out, EVENT_ID_SIZE, "%s-%s", s->circuits[circuit].id, stamp);
}
