/* Inside of alarms: what alarms.c and alarms_save.c share. */
#ifndef FORETRIP_ALARMS_STATE_H
#define FORETRIP_ALARMS_STATE_H

#include "alarms.h"

struct alarm_point {
    char id[EVENT_ID_SIZE];
    enum alarm_kind kind;
    struct alarm_subject subject;
    enum alarm_priority priority;
    enum alarm_state state;
    bool condition;             /* as last judged, after the delays */
    int64_t pending_since_mono; /* the condition stands since, INT64_MIN when it does not */
    int64_t gone_since_mono;    /* it is gone since, INT64_MIN when it stands */
    int64_t raised_wall_ms;
    int64_t shelved_until_wall;
    int64_t raised_mono[ALARMS_CHATTER_RAISES - 1]; /* the raisings before, newest first */
    bool chattering;
    bool alert;         /* as last raised */
    bool shelved_alert; /* what was shelved was an alert only */
    bool owed;          /* an alarm before the alert was not acknowledged */
    char text[EVENT_TEXT_SIZE], advice[EVENT_TEXT_SIZE];
    struct figures figures;
    char by[SITE_NAME_SIZE], note[SITE_NAME_SIZE];
};

struct alarms {
    const struct site *site;
    event_sink *sink;
    void *context;
    size_t subjects; /* circuits, then panels, then meters, then the site */
    struct alarm_point *
        *points;    /* [kind * subjects + subject], NULL until first judged as standing */
    int *hushed_by; /* the same: what suppresses the point, or EVENT_BY_NONE */
    size_t shelved; /* how many points are shelved: tick has nothing to do at 0 */
};

/* Where the point of that kind and subject is kept. */
struct alarm_point **alarms_slot(const struct alarms *a, enum alarm_kind kind,
                                 struct alarm_subject subject);

/* A point that was never judged; NULL when memory is short, the caller keeps it in its slot. */
struct alarm_point *alarms_point_create(const struct alarms *a, enum alarm_kind kind,
                                        struct alarm_subject subject);

static inline bool alarms_is_raised(enum alarm_state s)
{
    return s == ALARM_UNACKNOWLEDGED || s == ALARM_ACKNOWLEDGED;
}

#endif
