/*
 * alarms - the states of every alarm point, as in ANSI/ISA-18.2.
 *
 * A point is a kind and a subject (a circuit, a panel, a meter or the site) and exists from its
 * first raising. Whoever judges a condition calls alarms_judge each time with whether it
 * stands; delays keep it from flickering. Every change goes to the sink as an `alarm` event.
 *
 *     normal -> unacknowledged          condition stood for on_seconds
 *     unacknowledged -> acknowledged    a person
 *     unacknowledged -> returned_unacknowledged, acknowledged -> normal
 *                                       condition gone for off_seconds
 *     returned_unacknowledged -> normal a person; -> unacknowledged when it comes back
 *     shelved (until a time), suppressed (by design), out_of_service: silent until released,
 * then what the condition says
 *
 * An alert (ISA-18.2: something to know of that asks for no response) is a point at a lower
 * level: it is raised as low, nobody has to acknowledge it, so it returns to normal by itself,
 * and when it becomes an alarm it is raised once more, as that. Shelving an alert does not
 * shelve the alarm.
 *
 * An alarm can take the place of another (alarms_take_over): the trip that of the warning of
 * it. What it replaces is over at once and asks for nothing more.
 *
 * What a standing alarm says can change with what is known of it (alarms_reword). Words alone
 * change silently; when the advice is another, what people were told to do is no longer right:
 * the alarm is unacknowledged once more, without being raised anew.
 *
 * An alarm that is raised for the third time within half an hour is chattering (IEC 62682 asks
 * for an end to that): it is not hidden, but from then on it returns only when its condition
 * has been gone for a quarter of an hour. The handle of a breaker, moved by hand, is no
 * chattering.
 *
 * Time       mono_ms for delays, wall_ms for stamps and for the end of shelving
 * Ownership  create .. destroy; borrows the site
 */
#ifndef FORETRIP_ALARMS_H
#define FORETRIP_ALARMS_H

#include "base/codec.h"
#include "model/event.h"
#include "model/frame.h"

struct alarms;

/* What an alarm is about; exactly one of panel, circuit, meter is >= 0, or none for the site.
 * A panel may be given beside a circuit for the event's `panel`; the circuit then is the
 * subject. */
struct alarm_subject {
    int panel, circuit, meter;
};
#define ALARM_SUBJECT_SITE ((struct alarm_subject){-1, -1, -1})

struct alarm_judgement {
    enum alarm_kind kind;
    struct alarm_subject subject;
    bool stands;
    double on_seconds, off_seconds;
    enum alarm_priority priority;
    bool alert; /* the priority then is low */
    /* used when it is raised; copied; NULL stands for "" */
    const char *text, *advice;
    const struct figures *figures; /* NULL: none */
    const struct event_near_overload *near_overload;
};

enum alarms_err {
    ALARMS_OK = 0,
    ALARMS_ERR_UNKNOWN, /* no such alarm */
    ALARMS_ERR_STATE,   /* not in a state in which that can be done */
    ALARMS_ERR_TIME,    /* shelving must end, within 1 s to 30 days */
};

/* From so many raisings within a window on: chattering. */
#define ALARMS_CHATTER_RAISES 3
#define ALARMS_CHATTER_WINDOW_SECONDS 1800.0
#define ALARMS_CHATTER_OFF_SECONDS 900.0

struct alarms *alarms_create(const struct site *s, event_sink *sink, void *context);
void alarms_destroy(struct alarms *a);

/* Every call of one frame's turn carries that frame's times. */
void alarms_judge(struct alarms *a, int64_t mono_ms, int64_t wall_ms,
                  const struct alarm_judgement *j);

/* True when this judgement raises the alarm: only then are its words needed. */
bool alarms_raises(const struct alarms *a, int64_t mono_ms, const struct alarm_judgement *j);

/* True while it stands as an alert. */
bool alarms_alert(const struct alarms *a, enum alarm_kind kind, struct alarm_subject subject);

/* True while nothing of it stands or waits: then judging that it does not stand does nothing.
 */
bool alarms_rest(const struct alarms *a, enum alarm_kind kind, struct alarm_subject subject);

/* True while what the alarm is about is so, after the delays, told or silenced. */
bool alarms_condition(const struct alarms *a, enum alarm_kind kind,
                      struct alarm_subject subject);

/* True while the point is raised (unacknowledged or acknowledged). */
bool alarms_standing(const struct alarms *a, enum alarm_kind kind,
                     struct alarm_subject subject);

/* Ends shelving that has run out. Called once a frame. */
void alarms_tick(struct alarms *a, int64_t mono_ms, int64_t wall_ms);

/* What a standing alarm is to say now: text, advice, figures and priority of the judgement; the
 * rest of it is not looked at. Nothing happens while text, advice and priority are the same
 * (figures alone are no news), and none when it does not stand. Another advice, or a higher
 * priority, is told (EVENT_ALARM with ALARM_ADVICE_CHANGED, unacknowledged); a silenced alarm
 * stays silent, and every other change says ALARM_WORDS_CHANGED and leaves the state. */
void alarms_reword(struct alarms *a, int64_t wall_ms, const struct alarm_judgement *j);

enum alarms_err alarms_acknowledge(struct alarms *a, const char *id, int64_t wall_ms,
                                   const char *by);
enum alarms_err alarms_shelve(struct alarms *a, const char *id, int64_t wall_ms, double seconds,
                              const char *by, const char *note);
/* Before its time: what the condition says now. */
enum alarms_err alarms_unshelve(struct alarms *a, const char *id, int64_t wall_ms,
                                const char *by);
enum alarms_err alarms_out_of_service(struct alarms *a, const char *id, int64_t wall_ms,
                                      bool out, const char *by, const char *note);
/* Suppression by design: a feeder that opened silences the branches under it. by: the feeder's
 * circuit, or EVENT_BY_UTILITY, or EVENT_BY_NONE, which ends it. Holds also for what is
 * raised later; is not kept over a restart but said again by whoever judges it (suppression.h).
 */
void alarms_suppress(struct alarms *a, enum alarm_kind kind, struct alarm_subject subject,
                     int64_t wall_ms, int by);
/* By what it is, raised or not. */
int alarms_suppressed_by(const struct alarms *a, enum alarm_kind kind,
                         struct alarm_subject subject);

/* The alarm of kind `by` about the same subject, or about that of a feeder or the site, takes
 * the place of this one, which becomes normal, acknowledged or not; a silenced one stays so. */
void alarms_take_over(struct alarms *a, enum alarm_kind kind, struct alarm_subject subject,
                      int64_t wall_ms, enum alarm_kind by, struct alarm_subject by_subject);

/* Takes over an alarm that stands in the record and is not known here: as raised when its state
 * is one in which a condition stands, so that it returns with the next judgement that it does
 * not. What is known stays as it is; no event comes of it. False: this site has no such kind
 * or subject. */
bool alarms_adopt(struct alarms *a, const struct event_alarm *alarm);

const char *alarms_strerror(enum alarms_err err);

void alarms_save(const struct alarms *a, struct codec_out *out);
bool alarms_load(struct alarms *a, struct codec_in *in);

#endif
