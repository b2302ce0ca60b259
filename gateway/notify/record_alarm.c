#include "record_alarm.h"

enum { UNKNOWN, NOTHING, NO_ROOM, SET_ASIDE, NOT_WRITTEN, WHATS };

struct words {
    const char *text, *advice;
    enum alarm_priority priority;
};

static const struct words words[WHATS] = {
    [NO_ROOM] = {"The gateway's disk is full. Warnings go on and are kept; the oldest readings "
                 "are given up to make room.",
                 "Make room on the gateway's disk, or give it a larger card. No breaker and no "
                 "appliance has to be touched for this.",
                 PRIORITY_LOW},
    [SET_ASIDE] = {"The gateway's record could not be used any more and was set aside; a new "
                   "one was begun. Warnings go on.",
                   "Keep the file that was set aside if its history matters, and have the "
                   "gateway's card looked at: this is often how one begins to fail. No breaker "
                   "and no appliance has to be touched for this.",
                   PRIORITY_HIGH},
    [NOT_WRITTEN] = {"The gateway cannot write its record. Warnings go on, but what they say "
                     "is lost if the gateway restarts before it can write again.",
                     "Have the gateway's card or disk looked at, and replaced if it is worn "
                     "out. No breaker and no appliance has to be touched for this.",
                     PRIORITY_HIGH},
};

static void judge(struct alarms *a, const struct words *w, const struct store_status *s,
                  int64_t mono_ms, int64_t wall_ms)
{
    struct figures figures;
    struct alarm_judgement j = {.kind = ALARM_RECORD_AT_RISK, .subject = ALARM_SUBJECT_SITE};
    if (w) {
        figures_clear(&figures);
        if (s->why[0])
            figures_add_text(&figures, FIGURE_REASON, s->why);
        figures_add(&figures, FIGURE_RECORDS_WAITING, (double)s->waiting_records);
        figures_add(&figures, FIGURE_RECORDS_LOST, (double)s->lost_records);
        figures_add(&figures, FIGURE_READINGS_LOST, (double)s->lost_readings);
        figures_add(&figures, FIGURE_DAYS_GIVEN_UP, (double)s->dropped_days);
        j.stands = true;
        j.priority = w->priority;
        j.text = w->text;
        j.advice = w->advice;
        j.figures = &figures;
    }
    alarms_judge(a, mono_ms, wall_ms, &j);
}

/* what was told before makes way for it */
static void tell(struct record_alarm *r, struct alarms *a, int what,
                 const struct store_status *s, int64_t mono_ms, int64_t wall_ms)
{
    judge(a, NULL, s, mono_ms, wall_ms);
    if (what != NOTHING)
        judge(a, &words[what], s, mono_ms, wall_ms);
    r->told = what;
}

void record_alarm_judge(struct record_alarm *r, struct alarms *a, const struct store_status *s,
                        int64_t mono_ms, int64_t wall_ms)
{
    int what = s->err != STORE_OK ? NOT_WRITTEN : s->short_of_room ? NO_ROOM : NOTHING;
    if (what != r->what) {
        r->what = what;
        r->since_mono_ms = mono_ms;
    }
    if (s->set_aside > r->set_aside) {
        r->set_aside = s->set_aside;
        tell(r, a, SET_ASIDE, s, mono_ms, wall_ms);
        tell(r, a, NOTHING, s, mono_ms, wall_ms);
    }
    double seconds = (double)(mono_ms - r->since_mono_ms) / 1000.0;
    bool due = what == NO_ROOM || (what == NOT_WRITTEN && seconds >= RECORD_ALARM_ON_SECONDS) ||
               (what == NOTHING && seconds >= RECORD_ALARM_OFF_SECONDS);
    if (due && what != r->told)
        tell(r, a, what, s, mono_ms, wall_ms);
}
