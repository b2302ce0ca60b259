/*
 * event - what the engine says: loads coming and going, trips and what became of them, alarms,
 * service calls.
 *
 * One struct for all, with a type and a union; event_json.h makes the contract's JSON of it.
 * The words published for every enum come from the *_name functions here and nowhere else.
 *
 * Ownership  an event and all it points to is borrowed for the duration of the sink call
 * Time       wall_ms: Unix milliseconds, UTC
 */
#ifndef FORETRIP_EVENT_H
#define FORETRIP_EVENT_H

#include "figure.h"
#include "site.h"

#define EVENT_ID_SIZE                                                                          \
    112 /* "<circuit or panel or meter id>.<kind>", "<circuit>-20260101T061502Z" */
#define EVENT_TEXT_SIZE 640
#define EVENT_APPLIANCE_SIZE 48

enum event_type {
    EVENT_LOAD_ON,
    EVENT_LOAD_OFF,
    EVENT_TRIP,
    EVENT_RESTORED,
    EVENT_OPENED_AGAIN,
    EVENT_ALARM,
    EVENT_TRIP_CORRECTED,
    EVENT_TRIP_NOTE,
    EVENT_ABSENCE,
    EVENT_CALL,
    EVENT_BREAKER_REPLACED,
    EVENT_SITE_DAY,
};

enum trip_stage { TRIP_PROVISIONAL, TRIP_CONFIRMED, TRIP_WITHDRAWN };

enum trip_cause {
    CAUSE_OVERLOAD,
    CAUSE_FAULT,
    CAUSE_WORN_BREAKER,
    CAUSE_OPENED_BY_HAND,
    CAUSE_UPSTREAM_OPEN,
    CAUSE_SUPPLY_OUTAGE,
    CAUSE_SENSOR_LOST,
    CAUSE_LOAD_ENDED,
};
#define CAUSE_COUNT 8

enum alarm_kind {
    ALARM_NEAR_OVERLOAD,
    ALARM_CONTINUOUS_LOAD,
    ALARM_TRIP,
    ALARM_OPENED_AGAIN,
    ALARM_WORN_BREAKER,
    ALARM_BREAKER_DID_NOT_OPEN,
    ALARM_OPEN_NEUTRAL,
    ALARM_SUPPLY_VOLTAGE,
    ALARM_LEG_IMBALANCE,
    ALARM_FEEDER_OVERLOAD,
    ALARM_ESSENTIAL_LOAD_SILENT,
    ALARM_METER_LOST,
    ALARM_SENSOR_MISMATCH,
    ALARM_RECORD_AT_RISK,
    ALARM_SHARED_NEUTRAL,
    ALARM_PERMISSIBLE_LOAD,
};
#define ALARM_KINDS 16

enum alarm_priority { PRIORITY_URGENT, PRIORITY_HIGH, PRIORITY_LOW };

enum alarm_state { /* ANSI/ISA-18.2 */
                   ALARM_NORMAL,
                   ALARM_UNACKNOWLEDGED,
                   ALARM_ACKNOWLEDGED,
                   ALARM_RETURNED_UNACKNOWLEDGED,
                   ALARM_SHELVED,
                   ALARM_SUPPRESSED,
                   ALARM_OUT_OF_SERVICE,
};

/* A load as an event names it. */
struct event_load {
    int64_t run; /* unique in the site: wall ms of its beginning * 1000 + circuit's counter */
    double amps;
    double inrush_amps; /* load_on: highest reading of its first seconds */
    double seconds;     /* load_off: how long it ran */
    int64_t since_wall_ms;
    char appliance[EVENT_APPLIANCE_SIZE]; /* key in the signatures, a person's name, or
                                             "unknown" */
    double appliance_probability;
    bool essential; /* never told to switch off */
    bool cut;       /* load_off: the supply went, nobody switched it off */
};

/* One piece of evidence: positive speaks for a lost supply. */
struct event_evidence {
    const char *what; /* a key, static storage */
    double log_ratio; /* natural log of the likelihood ratio */
    double value;     /* the number it was judged by */
};

/* The breaker as it stood some minutes before a trip: what it carried, its heat, and the chance
 * that was seen of opening within a quarter of an hour if that went on. */
#define EVENT_MOST_BEFORE 3
struct event_before {
    double seconds; /* before the trip */
    double amps, heat, chance;
};

#define TRIP_UPSTREAM_NONE (-1)
#define TRIP_UPSTREAM_UTILITY (-2) /* the main or what lies before it */

struct event_trip {
    const char *id;
    enum trip_stage stage;
    double probability; /* that the circuit lost its supply */
    int64_t opened_wall_ms;
    enum trip_cause cause; /* the likeliest */
    double causes[CAUSE_COUNT];
    double amps_before;
    double heat; /* 1 opens */
    const struct event_load *loads;
    size_t load_count;
    const int *with; /* circuits that went in the same instant */
    size_t with_count;
    int upstream; /* circuit index of the breaker judged to have opened, or TRIP_UPSTREAM_* */
    const struct event_evidence *evidence;
    size_t evidence_count;
    const struct event_before *before; /* the longest ago first */
    size_t before_count;
    bool afterwards; /* seen otherwise than it was said, or not said, when it was over */
};

struct event_outcome { /* restored, opened_again */
    const char *trip;
    double seconds; /* open, or held */
};

/* What a person says a trip was, beside what was computed, which stays. */
struct event_correction {
    const char *trip;
    enum trip_cause said, computed;
    double computed_probability; /* that the circuit lost its supply */
    const char *by;
};

/* What a person wrote beside a trip, or when they put in another breaker (no trip then). */
struct event_note {
    const char *trip;
    const char *note;
    const char *by;
};

enum absence_cause {
    ABSENCE_STOPPED,         /* somebody ended the gateway */
    ABSENCE_MACHINE_STOPPED, /* and the machine with it */
    ABSENCE_SUPPLY_OUTAGE,   /* the machine went down without a word */
    ABSENCE_FAILED,          /* the gateway alone did */
};

/* The gateway is back: how long it saw nothing, at the most, and why. */
/* A day by the site's clock (store/site_day.h). */
struct event_site_day {
    char day[16]; /* "2026-11-26" */
    int64_t from_wall_ms, to_wall_ms;
    double kwh;        /* NaN: nothing was read */
    double peak_watts; /* the highest demand over a quarter of an hour; NaN */
    double seconds_without;
    int trips, warnings, alarms; /* opened; near overload, and others, each raising */
};

struct event_absence {
    int64_t seen_wall_ms; /* when it was seen running last */
    double seconds;
    enum absence_cause cause;
    double probability; /* of that cause */
};

struct event_near_overload {
    double amps;
    double p05_seconds, p50_seconds, p95_seconds; /* INFINITY: not at this current */
    double chance;
    double headroom_amps;
    const struct event_load *switch_off;
    size_t switch_off_count;
};

/* What of an alarm is new. */
enum alarm_change {
    ALARM_CHANGED_STATE,  /* it was raised, acknowledged, ..; the usual */
    ALARM_WORDS_CHANGED,  /* its text only; people need not be told again */
    ALARM_ADVICE_CHANGED, /* what people were told to do is no longer right: tell them */
};

struct event_alarm {
    const char *id;
    enum alarm_kind kind;
    enum alarm_priority priority;
    bool alert; /* something to know of, nothing to do now: no alarm (ISA-18.2) */
    enum alarm_state state;
    enum alarm_state previous;
    enum alarm_change changed;
    int64_t raised_wall_ms;
    int64_t until_wall_ms; /* shelved: when that ends, else 0 */
    bool chattering;       /* raised again and again: returns later than usual */
    const char *text;      /* one sentence for a resident */
    const char *
        advice; /* what to do and what not to do, with the cautions; "" when nothing is asked */
    const struct figures *figures; /* the numbers, for an electrician; NULL: none */
    const char *by;                /* who changed it, "" when the engine did */
    const char *note;              /* why (shelved), "" */
    const char *taken_by;          /* id of the alarm that speaks for it from now on, or "" */
    int meter;                     /* meter_lost: which, else -1 */
    int suppressed_by;             /* suppressed: the feeder, or one of these */
#define EVENT_BY_NONE (-1)
#define EVENT_BY_UTILITY (-2)
    const struct event_near_overload *near_overload; /* NULL for other kinds */
};

/* A step of a service call, and the call as it stands after it (call.h). */
struct call;
struct call_step;
struct event_call {
    const struct call *call;
    const struct call_step *step;
};

struct event {
    enum event_type type;
    int64_t wall_ms;
    int panel;   /* -1 when it is about none */
    int circuit; /* -1 when it is about none */
    union {
        struct event_load load;
        struct event_trip trip;
        struct event_outcome outcome;
        struct event_alarm alarm;
        struct event_correction correction;
        struct event_note note;
        struct event_absence absence;
        struct event_site_day site_day;
        struct event_call call;
    };
};

typedef void event_sink(void *context, const struct event *e);

const char *event_type_name(enum event_type t);
const char *trip_stage_name(enum trip_stage s);
const char *trip_cause_name(enum trip_cause c);
const char *absence_cause_name(enum absence_cause c);
const char *alarm_kind_name(enum alarm_kind k);
const char *alarm_priority_name(enum alarm_priority p);
const char *alarm_state_name(enum alarm_state s);

/* False when the word is none of them. */
bool trip_cause_find(const char *name, enum trip_cause *out);
bool alarm_kind_find(const char *name, enum alarm_kind *out);
bool alarm_state_find(const char *name, enum alarm_state *out);

/* "<circuit id>-<UTC, compact>" */
void trip_id_make(const struct site *s, int circuit, int64_t opened_wall_ms,
                  char out[EVENT_ID_SIZE]);

#endif
