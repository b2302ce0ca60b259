/*
 * portfolio - the centre's store read: who needs somebody today, units, trips in time.
 *
 * What the page and the export ask. Every call is one or two statements over indexes and is
 * meant to answer within 100 ms with 5,000 sites and a year of events (docs/fleet.md).
 *
 * Ownership  texts of a row are borrowed for the call
 * Threads    as sql.h
 * Errors     as sql.h; rows handed on before the error are good
 */
#ifndef FORETRIP_FLEET_PORTFOLIO_H
#define FORETRIP_FLEET_PORTFOLIO_H

#include "sql.h"

/* A site that has not been heard of for so long has gone quiet: three times its health's
 * period. */
#define PORTFOLIO_QUIET_MS (INT64_C(45) * 60000)

/* Why a unit needs somebody, the most pressing first. */
enum portfolio_reason {
    NEED_URGENT,           /* a hazard: an alarm of the priority urgent */
    NEED_OPEN,             /* a breaker is open, or opened again */
    NEED_HIGH,             /* another alarm of the priority high */
    NEED_WORN_BREAKER,     /* to be replaced before it opens again */
    NEED_ESSENTIAL_SILENT, /* a freezer, a sump pump that should be cycling */
    NEED_SUPPLY_OUTAGE,    /* dark, and nothing to do at the panel: the utility's */
    NEED_QUIET,            /* the gateway has not been heard of */
    NEED_WARNING,          /* what is likely: too near to opening */
};
#define NEED_REASONS 8

/* "urgent", "open", ..; static storage */
const char *portfolio_reason_name(enum portfolio_reason r);

struct portfolio_site {
    int64_t site;     /* the store's own number */
    const char *id;   /* of its site.cfg */
    const char *name; /* of its site.cfg, or as somebody said here */
    const char *building, *unit;
    bool online;      /* its line is up */
    int64_t heard_ms; /* the last word of it; 0: never */
};

struct portfolio_need {
    struct portfolio_site site;
    enum portfolio_reason reason;
    size_t others;        /* further alarms standing there */
    const char *circuit;  /* "" for a site as a whole */
    const char *kind;     /* of the alarm; "" for NEED_QUIET */
    const char *priority; /* of the alarm; "" */
    const char *state;    /* of the alarm; "" */
    int64_t since_ms;
    const char *json; /* the alarm event as sent: text, advice, figures; "" for NEED_QUIET */
};
typedef bool portfolio_need_fn(void *context, const struct portfolio_need *n);

/* Which units; a member that is NULL, and NULL for the whole, is no limit. */
struct portfolio_scope {
    const char *site_id;  /* that one alone */
    const char *building; /* "" is those without one */
    const char *words;    /* in id, name, building or unit; units alone, letters as they come */
};

/* One row for each unit that needs somebody, by reason, then the longest first. Alerts, and
 * alarms that are shelved, suppressed or out of service, need nobody, nor does an outage of the
 * supply that is over. building: NULL for all. */
enum sql_err portfolio_needs(struct sql *s, int64_t now_ms, const char *building,
                             portfolio_need_fn *fn, void *context);

struct portfolio_unit {
    struct portfolio_site site;
    int64_t urgent, high, low; /* alarms standing, alerts left out */
    int64_t trips;             /* opened since since_ms, those withdrawn left out */
    int64_t last_trip_ms;      /* of these; 0: none */
    const char *health;        /* the gateway's own word, a JSON object; "" */
};
typedef bool portfolio_unit_fn(void *context, const struct portfolio_unit *u);

/* By building, unit and id, at most most. */
enum sql_err portfolio_units(struct sql *s, int64_t since_ms,
                             const struct portfolio_scope *scope, size_t most,
                             portfolio_unit_fn *fn, void *context);

struct portfolio_building {
    const char *building; /* "": units without one */
    int64_t units, online, quiet;
    int64_t urgent, high, low; /* alarms standing */
    int64_t trips;             /* opened since since_ms */
};
typedef bool portfolio_building_fn(void *context, const struct portfolio_building *b);
enum sql_err portfolio_buildings(struct sql *s, int64_t now_ms, int64_t since_ms,
                                 portfolio_building_fn *fn, void *context);

/* What stands at one unit, or at all of them, the most pressing and newest first; alerts and
 * what is silenced too. */
struct portfolio_alarm {
    struct portfolio_site site;
    const char *alarm, *panel, *circuit, *kind, *priority, *state;
    bool alert;
    int64_t raised_ms;
    const char *json; /* the alarm event as sent */
};
typedef bool portfolio_alarm_fn(void *context, const struct portfolio_alarm *a);
enum sql_err portfolio_alarms(struct sql *s, const char *site_id, size_t most,
                              portfolio_alarm_fn *fn, void *context);

/* What a unit is called here and where it lies; *known: there is such a unit. */
enum sql_err portfolio_place(struct sql *s, const char *site_id, const char *name,
                             const char *building, const char *unit, bool *known);

struct portfolio_trip {
    struct portfolio_site site;
    const char *trip, *panel, *circuit, *stage, *cause;
    double probability;
    int64_t opened_ms;
    int64_t restored_ms; /* 0: open, or not known */
    double seconds_held; /* until it opened again; NaN: it did not */
    const char *json;    /* the trip event as sent */
};
typedef bool portfolio_trip_fn(void *context, const struct portfolio_trip *t);

/* Newest first, those opened from..to (to not included) and not withdrawn, at most most. */
enum sql_err portfolio_trips(struct sql *s, int64_t from_ms, int64_t to_ms,
                             const struct portfolio_scope *scope, size_t most,
                             portfolio_trip_fn *fn, void *context);

/* One, whatever its stage; fn is not called when there is none. */
enum sql_err portfolio_trip(struct sql *s, const char *site_id, const char *trip,
                            portfolio_trip_fn *fn, void *context);

/* How many opened in each step (a day: 86400000 ms) from from_ms on, by cause; steps and causes
 * without any are left out. */
typedef bool portfolio_count_fn(void *context, int64_t from_ms, const char *cause,
                                int64_t count);
enum sql_err portfolio_trip_counts(struct sql *s, int64_t from_ms, int64_t to_ms,
                                   int64_t step_ms, const struct portfolio_scope *scope,
                                   portfolio_count_fn *fn, void *context);

/* A site's records of from..to (to not included), by time, at most most; as sent. */
typedef bool portfolio_record_fn(void *context, int64_t seq, int64_t filed_ms, const char *type,
                                 const char *json);
enum sql_err portfolio_records(struct sql *s, const char *site_id, int64_t from_ms,
                               int64_t to_ms, size_t most, portfolio_record_fn *fn,
                               void *context);

struct portfolio_sums {
    int64_t sites, online, quiet;
    int64_t urgent, high; /* alarms standing */
    int64_t gaps;         /* in streams, not filled yet */
};
enum sql_err portfolio_sums(struct sql *s, int64_t now_ms, struct portfolio_sums *out);

#endif
