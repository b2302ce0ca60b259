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

#define WORDING_SUBJECT 60 /* characters: what a lock screen shows */

/* What is known of an alarm that somebody is told of. */
struct news {
    char alarm[EVENT_ID_SIZE];
    enum alarm_kind kind;
    enum matter matter;
    enum alarm_priority priority;
    enum alarm_state state;
    int64_t raised_wall_ms;
    int64_t over_wall_ms; /* 0: it still is so */
    double amps;
    char loads[200];
    char text[EVENT_TEXT_SIZE], advice[EVENT_TEXT_SIZE]; /* the alarm's own */
};

enum wording_why { WHY_NEW, WHY_UNANSWERED, WHY_AGAIN, WHY_OVER };

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

/* The parts of one alarm, appended to a letter. */
void wording_tell(const struct wording *w, const struct news *n, enum wording_why why,
                  json_t *letter);

/* A phrase with the site and some numbers filled in. */
void wording_fill(const struct wording *w, enum phrase p, long count, long urgent, long trips,
                  struct text *out);

#endif
