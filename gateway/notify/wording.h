/*
 * wording - what is said of an alarm in one language: subject, what, what to do, where, since.
 *
 * Pure: phrases, site and facts in, text out.
 */
#ifndef FORETRIP_WORDING_H
#define FORETRIP_WORDING_H

#include "letter.h"
#include "model/delivery.h"
#include "model/phrases.h"

#define NEWS_LOADS 4
#define WORDING_SUBJECT 60 /* characters: what a lock screen shows (common practice) */

#define NEWS_THREAD_SIZE (EVENT_ID_SIZE + 24)

/* What is known of an alarm that somebody is told of. */
struct news {
    char alarm[EVENT_ID_SIZE];
    enum alarm_kind kind;
    enum matter matter;
    enum alarm_priority priority;
    enum alarm_state state;
    int64_t raised_wall_ms;
    int64_t over_wall_ms; /* 0: it still is so */
    struct figures figures;
    struct news_load {
        char appliance[EVENT_APPLIANCE_SIZE];
        double amps;
    } loads[NEWS_LOADS]; /* to switch off, the first ones */
    size_t load_count;
    char by[SITE_NAME_SIZE];       /* who acknowledged it */
    char thread[NEWS_THREAD_SIZE]; /* of the letters that belong together: those of a warning
                                      and of the opening it became */
    char text[EVENT_TEXT_SIZE], advice[EVENT_TEXT_SIZE]; /* the alarm's own */
};

/* An alert asks for nothing, so nobody is reminded of it. */
static inline bool news_is_alert(const struct news *n)
{
    return n->matter == MATTER_NO_ROOM;
}

enum wording_why {
    WHY_NEW,
    WHY_UNANSWERED,
    WHY_AGAIN,
    WHY_OVER,
    WHY_CHANGED,  /* what to do is no longer what the person was told */
    WHY_ANSWERED, /* who was told because nobody acknowledged it: somebody has */
};

/* By which cause an open breaker is told, by the figures of its alarm; circuit: -1 for the
 * whole site. */
enum trip_cause wording_cause(const struct site *s, int circuit, const struct figures *f);

/* Of an alarm's event as it stands in the record, without its times and states. False when it
 * is none. */
bool news_from_json(const struct site *s, const json_t *alarm, struct news *out);

struct wording {
    const struct phrases *phrases;
    const struct phrases_language *language;
    const struct site *site;
    int32_t utc_offset_seconds;
};

/* language: a code; English when there is none of it. */
void wording_init(struct wording *w, const struct phrases *phrases, const char *language,
                  const struct site *site, int32_t utc_offset_seconds);

/* The words in the language, in English where it has none, "" where neither has. */
const char *wording_phrase(const struct wording *w, enum phrase p);

/* At most WORDING_SUBJECT characters; more: how many others are in the same letter. */
void wording_subject(const struct wording *w, const struct news *n, enum wording_why why,
                     size_t more, struct text *out);

/* What has happened, what to do, and the numbers; appended, nothing where there is none. */
void wording_what(const struct wording *w, const struct news *n, struct text *out);
void wording_act(const struct wording *w, const struct news *n, struct text *out);
void wording_figures(const struct wording *w, const struct news *n, struct text *out);

/* The parts of one alarm, appended to a letter. who: the others who were told (WHY_UNANSWERED),
 * "" for nobody; judges: to somebody who wants the numbers. */
void wording_tell(const struct wording *w, const struct news *n, enum wording_why why,
                  const char *who, bool judges, json_t *letter);

/* A subject without an alarm: the phrase with the site filled in, as long at the most. */
void wording_heading(const struct wording *w, enum phrase p, struct text *out);

/* A phrase with the site and some numbers filled in. */
void wording_fill(const struct wording *w, enum phrase p, long count, long urgent, long trips,
                  struct text *out);

#endif
