#include "alarms.h"

#include "alarms_state.h"

#include "base/text.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NEVER INT64_MIN
#define SHELVE_MOST_SECONDS (30.0 * 86400.0)

struct alarms *alarms_create(const struct site *s, event_sink *sink, void *context)
{
    struct alarms *a = calloc(1, sizeof *a);
    if (!a)
        return NULL;
    *a = (struct alarms){.site = s, .sink = sink, .context = context};
    a->subjects = s->circuit_count + s->panel_count + s->meter_count + 1;
    a->points = calloc(ALARM_KINDS * a->subjects, sizeof(struct alarm_point *));
    a->hushed_by = malloc(ALARM_KINDS * a->subjects * sizeof *a->hushed_by);
    if (!a->points || !a->hushed_by) {
        free(a->points);
        free(a->hushed_by);
        free(a);
        return NULL;
    }
    for (size_t i = 0; i < ALARM_KINDS * a->subjects; i++)
        a->hushed_by[i] = EVENT_BY_NONE;
    return a;
}

void alarms_destroy(struct alarms *a)
{
    if (!a)
        return;
    for (size_t i = 0; i < ALARM_KINDS * a->subjects; i++)
        free(a->points[i]);
    free(a->points);
    free(a->hushed_by);
    free(a);
}

static size_t index_of(const struct alarms *a, enum alarm_kind kind,
                       struct alarm_subject subject)
{
    const struct site *s = a->site;
    size_t at = a->subjects - 1;
    if (subject.circuit >= 0)
        at = (size_t)subject.circuit;
    else if (subject.panel >= 0)
        at = s->circuit_count + (size_t)subject.panel;
    else if (subject.meter >= 0)
        at = s->circuit_count + s->panel_count + (size_t)subject.meter;
    return (size_t)kind * a->subjects + at;
}

struct alarm_point **alarms_slot(const struct alarms *a, enum alarm_kind kind,
                                 struct alarm_subject subject)
{
    return &a->points[index_of(a, kind, subject)];
}

static const char *subject_id(const struct site *s, struct alarm_subject subject)
{
    if (subject.circuit >= 0)
        return s->circuits[subject.circuit].id;
    if (subject.panel >= 0)
        return s->panels[subject.panel].id;
    if (subject.meter >= 0)
        return s->meters[subject.meter].id;
    return s->id;
}

static void make_id(const struct alarms *a, enum alarm_kind kind, struct alarm_subject subject,
                    char out[EVENT_ID_SIZE])
{
    snprintf(out, EVENT_ID_SIZE, "%s.%s", subject_id(a->site, subject), alarm_kind_name(kind));
}

struct alarm_point *alarms_point_create(const struct alarms *a, enum alarm_kind kind,
                                        struct alarm_subject subject)
{
    struct alarm_point *p = calloc(1, sizeof *p);
    if (!p)
        return NULL;
    p->kind = kind;
    p->subject = subject;
    p->pending_since_mono = p->gone_since_mono = NEVER;
    for (int i = 0; i < ALARMS_CHATTER_RAISES - 1; i++)
        p->raised_mono[i] = NEVER;
    make_id(a, kind, subject, p->id);
    return p;
}

/* what a change says beside the state */
struct change {
    const char *by, *note, *taken_by;
    enum alarm_change changed; /* not ALARM_CHANGED_STATE: by and note stay as they are */
    const struct event_near_overload *near_overload;
};

static void change(struct alarms *a, struct alarm_point *p, enum alarm_state to,
                   int64_t wall_ms, const struct change *c)
{
    enum alarm_state previous = p->state;
    if (previous == ALARM_SHELVED)
        a->shelved--;
    if (to == ALARM_SHELVED)
        a->shelved++;
    p->state = to;
    if (c->changed != ALARM_WORDS_CHANGED) {
        text_copy(p->by, sizeof p->by, c->by ? c->by : "");
        text_copy(p->note, sizeof p->note, c->note ? c->note : "");
    }
    struct event e = {.type = EVENT_ALARM,
                      .wall_ms = wall_ms,
                      .panel = p->subject.panel,
                      .circuit = p->subject.circuit};
    e.alarm = (struct event_alarm){
        .id = p->id,
        .kind = p->kind,
        .priority = p->priority,
        .alert = p->alert,
        .state = to,
        .previous = previous,
        .raised_wall_ms = p->raised_wall_ms,
        .until_wall_ms = to == ALARM_SHELVED ? p->shelved_until_wall : 0,
        .changed = c->changed,
        .chattering = p->chattering,
        .text = p->text,
        .advice = p->advice,
        .figures = &p->figures,
        .by = p->by,
        .note = p->note,
        .taken_by = c->taken_by,
        .meter = p->subject.meter,
        .suppressed_by = to == ALARM_SUPPRESSED ? a->hushed_by[index_of(a, p->kind, p->subject)]
                                                : EVENT_BY_NONE,
        .near_overload = c->near_overload,
    };
    a->sink(a->context, &e);
}

static bool silenced(enum alarm_state s)
{
    return s == ALARM_SHELVED || s == ALARM_SUPPRESSED || s == ALARM_OUT_OF_SERVICE;
}

static void keep_words(struct alarm_point *p, const struct alarm_judgement *j)
{
    p->priority = j->priority;
    text_copy(p->text, sizeof p->text, j->text ? j->text : "");
    text_copy(p->advice, sizeof p->advice, j->advice ? j->advice : "");
    figures_clear(&p->figures);
    if (j->figures)
        p->figures = *j->figures;
}

/* the third time within the window, and until it has returned for good */
static void count_raising(struct alarm_point *p, int64_t mono_ms)
{
    enum { LAST = ALARMS_CHATTER_RAISES - 2 };
    bool by_hand = p->kind == ALARM_TRIP || p->kind == ALARM_OPENED_AGAIN;
    int64_t first = p->raised_mono[LAST];
    p->chattering = !by_hand && first != NEVER &&
                    (double)(mono_ms - first) <= ALARMS_CHATTER_WINDOW_SECONDS * 1000.0;
    memmove(p->raised_mono + 1, p->raised_mono, LAST * sizeof p->raised_mono[0]);
    p->raised_mono[0] = mono_ms;
}

/* a feeder's own alarm speaks for what it took with it */
static void hush(struct alarms *a, struct alarm_point *p, int by, int64_t wall_ms)
{
    char where[256], note[SITE_NAME_SIZE];
    if (by == EVENT_BY_UTILITY)
        text_copy(where, sizeof where, "the supply");
    else
        site_describe_circuit(a->site, by, where, sizeof where);
    snprintf(note, sizeof note, "%.80s is %s", where, by == EVENT_BY_UTILITY ? "away" : "open");
    change(a, p, ALARM_SUPPRESSED, wall_ms, &(struct change){.note = note});
}

/* it does not stand yet, or only as an alert */
static bool would_raise(const struct alarm_point *p, const struct alarm_judgement *j)
{
    return !p->condition || (p->alert && !j->alert);
}

static void judge_standing(struct alarms *a, struct alarm_point *p, int64_t mono_ms,
                           int64_t wall_ms, const struct alarm_judgement *j)
{
    p->gone_since_mono = NEVER;
    if (!would_raise(p, j)) {
        p->pending_since_mono = NEVER;
        return;
    }
    if (p->pending_since_mono == NEVER)
        p->pending_since_mono = mono_ms;
    if ((double)(mono_ms - p->pending_since_mono) < j->on_seconds * 1000.0)
        return;
    if (!p->condition)
        count_raising(p, mono_ms);
    p->condition = true;
    p->pending_since_mono = NEVER;
    p->owed = j->alert && p->state == ALARM_RETURNED_UNACKNOWLEDGED;
    keep_words(p, j);
    p->alert = j->alert;
    p->raised_wall_ms = wall_ms;
    int by = a->hushed_by[index_of(a, p->kind, p->subject)];
    bool breaks_through = p->state == ALARM_SHELVED && p->shelved_alert && !j->alert;
    if (silenced(p->state) && !breaks_through)
        return;
    if (by != EVENT_BY_NONE)
        hush(a, p, by, wall_ms);
    else
        change(a, p, ALARM_UNACKNOWLEDGED, wall_ms,
               &(struct change){.near_overload = j->near_overload});
}

static void judge_gone(struct alarms *a, struct alarm_point *p, int64_t mono_ms,
                       int64_t wall_ms, const struct alarm_judgement *j)
{
    p->pending_since_mono = NEVER;
    if (!p->condition)
        return;
    if (p->gone_since_mono == NEVER)
        p->gone_since_mono = mono_ms;
    double off_seconds = p->chattering && j->off_seconds < ALARMS_CHATTER_OFF_SECONDS
                             ? ALARMS_CHATTER_OFF_SECONDS
                             : j->off_seconds;
    if ((double)(mono_ms - p->gone_since_mono) < off_seconds * 1000.0)
        return;
    p->condition = false;
    p->chattering = false;
    if (p->state == ALARM_UNACKNOWLEDGED && (!p->alert || p->owed))
        change(a, p, ALARM_RETURNED_UNACKNOWLEDGED, wall_ms, &(struct change){0});
    else if (alarms_is_raised(p->state))
        change(a, p, ALARM_NORMAL, wall_ms, &(struct change){0});
}

void alarms_judge(struct alarms *a, int64_t mono_ms, int64_t wall_ms,
                  const struct alarm_judgement *j)
{
    struct alarm_point **at = alarms_slot(a, j->kind, j->subject);
    if (!*at) {
        if (!j->stands)
            return;
        *at = alarms_point_create(a, j->kind, j->subject);
        if (!*at)
            return; /* memory is short: judged again with the next frame */
    }
    if (j->stands)
        judge_standing(a, *at, mono_ms, wall_ms, j);
    else
        judge_gone(a, *at, mono_ms, wall_ms, j);
}

/* what is kept of a text that may be too long to be kept whole */
static bool says(const char kept[EVENT_TEXT_SIZE], const char *text)
{
    return strncmp(kept, text ? text : "", EVENT_TEXT_SIZE - 1) == 0;
}

void alarms_reword(struct alarms *a, int64_t wall_ms, const struct alarm_judgement *j)
{
    struct alarm_point *p = *alarms_slot(a, j->kind, j->subject);
    if (!p || !p->condition)
        return;
    bool same_advice = says(p->advice, j->advice);
    if (same_advice && says(p->text, j->text) && p->priority == j->priority)
        return;
    bool tell = alarms_is_raised(p->state) && (!same_advice || j->priority < p->priority);
    keep_words(p, j);
    change(a, p, tell ? ALARM_UNACKNOWLEDGED : p->state, wall_ms,
           &(struct change){.changed = tell ? ALARM_ADVICE_CHANGED : ALARM_WORDS_CHANGED});
}

bool alarms_raises(const struct alarms *a, int64_t mono_ms, const struct alarm_judgement *j)
{
    const struct alarm_point *p = *alarms_slot(a, j->kind, j->subject);
    int64_t since = p && p->pending_since_mono != NEVER ? p->pending_since_mono : mono_ms;
    return j->stands && (!p || would_raise(p, j)) &&
           (double)(mono_ms - since) >= j->on_seconds * 1000.0;
}

bool alarms_alert(const struct alarms *a, enum alarm_kind kind, struct alarm_subject subject)
{
    const struct alarm_point *p = *alarms_slot(a, kind, subject);
    return p && p->condition && p->alert;
}

bool alarms_rest(const struct alarms *a, enum alarm_kind kind, struct alarm_subject subject)
{
    const struct alarm_point *p = *alarms_slot(a, kind, subject);
    return !p || (!p->condition && p->pending_since_mono == NEVER);
}

bool alarms_condition(const struct alarms *a, enum alarm_kind kind,
                      struct alarm_subject subject)
{
    const struct alarm_point *p = *alarms_slot(a, kind, subject);
    return p && p->condition;
}

bool alarms_standing(const struct alarms *a, enum alarm_kind kind, struct alarm_subject subject)
{
    const struct alarm_point *p = *alarms_slot(a, kind, subject);
    return p && alarms_is_raised(p->state);
}

/* out of the silent states: what the condition says now */
static void release(struct alarms *a, struct alarm_point *p, int64_t wall_ms, const char *by)
{
    int hushed_by = a->hushed_by[index_of(a, p->kind, p->subject)];
    if (p->condition && hushed_by != EVENT_BY_NONE)
        hush(a, p, hushed_by, wall_ms);
    else
        change(a, p, p->condition ? ALARM_UNACKNOWLEDGED : ALARM_NORMAL, wall_ms,
               &(struct change){.by = by});
}

void alarms_tick(struct alarms *a, int64_t mono_ms, int64_t wall_ms)
{
    (void)mono_ms;
    if (a->shelved == 0)
        return;
    for (size_t i = 0; i < ALARM_KINDS * a->subjects; i++) {
        struct alarm_point *p = a->points[i];
        if (p && p->state == ALARM_SHELVED && wall_ms >= p->shelved_until_wall)
            release(a, p, wall_ms, "");
    }
}

static struct alarm_point *find(const struct alarms *a, const char *id)
{
    for (size_t i = 0; i < ALARM_KINDS * a->subjects; i++)
        if (a->points[i] && strcmp(a->points[i]->id, id) == 0)
            return a->points[i];
    return NULL;
}

enum alarms_err alarms_acknowledge(struct alarms *a, const char *id, int64_t wall_ms,
                                   const char *by)
{
    struct alarm_point *p = find(a, id);
    if (!p)
        return ALARMS_ERR_UNKNOWN;
    if (p->state == ALARM_UNACKNOWLEDGED)
        change(a, p, ALARM_ACKNOWLEDGED, wall_ms, &(struct change){.by = by});
    else if (p->state == ALARM_RETURNED_UNACKNOWLEDGED)
        change(a, p, ALARM_NORMAL, wall_ms, &(struct change){.by = by});
    else
        return ALARMS_ERR_STATE;
    return ALARMS_OK;
}

enum alarms_err alarms_shelve(struct alarms *a, const char *id, int64_t wall_ms, double seconds,
                              const char *by, const char *note)
{
    struct alarm_point *p = find(a, id);
    if (!p)
        return ALARMS_ERR_UNKNOWN;
    if (!(seconds >= 1.0 && seconds <= SHELVE_MOST_SECONDS))
        return ALARMS_ERR_TIME;
    if (p->state == ALARM_SUPPRESSED || p->state == ALARM_OUT_OF_SERVICE)
        return ALARMS_ERR_STATE;
    p->shelved_until_wall = wall_ms + (int64_t)(seconds * 1000.0);
    p->shelved_alert = p->alert;
    change(a, p, ALARM_SHELVED, wall_ms, &(struct change){.by = by, .note = note});
    return ALARMS_OK;
}

enum alarms_err alarms_unshelve(struct alarms *a, const char *id, int64_t wall_ms,
                                const char *by)
{
    struct alarm_point *p = find(a, id);
    if (!p)
        return ALARMS_ERR_UNKNOWN;
    if (p->state != ALARM_SHELVED)
        return ALARMS_ERR_STATE;
    release(a, p, wall_ms, by);
    return ALARMS_OK;
}

enum alarms_err alarms_out_of_service(struct alarms *a, const char *id, int64_t wall_ms,
                                      bool out, const char *by, const char *note)
{
    struct alarm_point *p = find(a, id);
    if (!p)
        return ALARMS_ERR_UNKNOWN;
    if (out == (p->state == ALARM_OUT_OF_SERVICE))
        return ALARMS_ERR_STATE;
    if (out)
        change(a, p, ALARM_OUT_OF_SERVICE, wall_ms, &(struct change){.by = by, .note = note});
    else
        release(a, p, wall_ms, by);
    return ALARMS_OK;
}

void alarms_suppress(struct alarms *a, enum alarm_kind kind, struct alarm_subject subject,
                     int64_t wall_ms, int by)
{
    struct alarm_point *p = *alarms_slot(a, kind, subject);
    a->hushed_by[index_of(a, kind, subject)] = by;
    if (!p)
        return;
    if (by != EVENT_BY_NONE && !silenced(p->state) && p->state != ALARM_NORMAL)
        hush(a, p, by, wall_ms);
    else if (by == EVENT_BY_NONE && p->state == ALARM_SUPPRESSED)
        release(a, p, wall_ms, "");
}

int alarms_suppressed_by(const struct alarms *a, enum alarm_kind kind,
                         struct alarm_subject subject)
{
    return a->hushed_by[index_of(a, kind, subject)];
}

void alarms_take_over(struct alarms *a, enum alarm_kind kind, struct alarm_subject subject,
                      int64_t wall_ms, enum alarm_kind by, struct alarm_subject by_subject)
{
    struct alarm_point *p = *alarms_slot(a, kind, subject);
    char id[EVENT_ID_SIZE];
    if (!p)
        return;
    p->condition = p->chattering = false;
    p->pending_since_mono = p->gone_since_mono = NEVER;
    if (silenced(p->state) || p->state == ALARM_NORMAL)
        return;
    make_id(a, by, by_subject, id);
    change(a, p, ALARM_NORMAL, wall_ms, &(struct change){.taken_by = id});
}

const char *alarms_strerror(enum alarms_err err)
{
    switch (err) {
    case ALARMS_OK: return "ok";
    case ALARMS_ERR_UNKNOWN: return "there is no alarm of that id";
    case ALARMS_ERR_STATE: return "the alarm is not in a state in which that can be done";
    case ALARMS_ERR_TIME: return "shelving lasts from 1 second to 30 days";
    }
    return "unknown alarms error";
}
