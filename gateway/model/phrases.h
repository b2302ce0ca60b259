/*
 * phrases - the sentences of messages to people, by language.
 *
 * For each matter an alarm can be about: a subject that fits a lock screen, what has happened,
 * and what to do and not to do. Where a language leaves out the last two, the alarm's own words
 * (English) are used. {words in braces} are filled in; phrases_fill says which there are.
 * Beside the sentences: what a language calls the figures of an alarm (figure.h) and the
 * appliances of the signatures, whose English names are their keys, and its decimal sign.
 *
 * Ownership  the set owns its texts; phrases_free ends it
 */
#ifndef FORETRIP_PHRASES_H
#define FORETRIP_PHRASES_H

#include "base/text.h"
#include "event.h"

/* What an alarm is about, as people are told: its kind, and a trip by its cause. */
enum matter {
    MATTER_NEAR_OVERLOAD,
    MATTER_CONTINUOUS_LOAD,
    MATTER_TRIP_OVERLOAD,
    MATTER_TRIP_FAULT,
    MATTER_TRIP_WORN_BREAKER,
    MATTER_TRIP_OPENED_BY_HAND,
    MATTER_TRIP_UPSTREAM_OPEN,
    MATTER_TRIP_SUPPLY_OUTAGE,
    MATTER_OPENED_AGAIN,
    MATTER_WORN_BREAKER,
    MATTER_BREAKER_DID_NOT_OPEN,
    MATTER_OPEN_NEUTRAL,
    MATTER_SUPPLY_VOLTAGE,
    MATTER_LEG_IMBALANCE,
    MATTER_FEEDER_OVERLOAD,
    MATTER_ESSENTIAL_LOAD_SILENT,
    MATTER_METER_LOST,
    MATTER_SENSOR_MISMATCH,
    MATTER_RECORD_AT_RISK,
    MATTER_SHARED_NEUTRAL,
    MATTER_PERMISSIBLE_LOAD,
    MATTER_NO_ROOM, /* near_overload as an alert */
    MATTERS
};

/* Words around the matters. */
enum phrase {
    PHRASE_URGENT,     /* before the subject of an urgent one */
    PHRASE_AGAIN,      /* .. of one told again */
    PHRASE_UNANSWERED, /* .. of one told because nobody has acknowledged it */
    PHRASE_UNANSWERED_TEXT,
    PHRASE_ANSWERED, /* .. of one that was told so, and somebody has by now */
    PHRASE_ANSWERED_TEXT,
    PHRASE_CHANGED, /* .. of one of which what to do has changed */
    PHRASE_CHANGED_TEXT,
    PHRASE_OVER,      /* .. of one that is over */
    PHRASE_OVER_TEXT, /* what then is said */
    PHRASE_WAS_OVER,  /* of one that was over before it was told */
    PHRASE_WHERE,     /* of a breaker */
    PHRASE_SINCE,
    PHRASE_SUMMARY, /* subject of the daily or weekly one */
    PHRASE_SUMMARY_TEXT,
    PHRASE_SUMMARY_QUIET, /* nothing stands */
    PHRASE_SUMMARY_STANDING,
    PHRASE_LOST, /* earlier ones could not be delivered */
    PHRASE_ACKNOWLEDGE,
    PHRASE_TEST, /* subject of a trial message */
    PHRASE_TEST_TEXT,
    PHRASE_CAUTION, /* ends every message */
    PHRASE_FIGURES, /* before the numbers for an electrician */
    PHRASE_DECIMAL, /* the sign between 1 and 5 in 1.5 */
    PHRASE_A_LOAD,  /* before the amps of a load that is not known */
    PHRASES
};

#define PHRASES_LANGUAGES 12

struct phrases_appliance {
    char key[EVENT_APPLIANCE_SIZE];
    char *name;
};

struct phrases_language {
    char code[8];
    char *subject[MATTERS];
    char *what[MATTERS]; /* NULL: the alarm's own text */
    char *act[MATTERS];  /* NULL: the alarm's own advice */
    char *words[PHRASES];
    char *figures[FIGURE_WHATS]; /* NULL: the key says it */
    struct phrases_appliance *appliances;
    size_t appliance_count;
};

struct phrases {
    struct phrases_language languages[PHRASES_LANGUAGES];
    size_t count;
};

const char *matter_name(enum matter m);
bool matter_find(const char *name, enum matter *out);
const char *phrase_name(enum phrase p);
bool phrase_find(const char *name, enum phrase *out);

/* alert counts for near_overload only, cause for a trip only. */
enum matter matter_of(enum alarm_kind kind, bool alert, enum trip_cause cause);

/* NULL when there is none of that code. */
const struct phrases_language *phrases_find(const struct phrases *p, const char *code);

/* What can stand in braces. */
struct phrase_values {
    const char *site, *panel, *position, *circuit, *meter, *loads, *time, *alarm, *amps, *who;
    long count, trips, urgent;
};

/* The template with its braces filled; an unknown word in braces stays as it is. What stands in
 * [square brackets] with words in braces is left out when one of these is empty (NULL or "").
 */
void phrases_fill(const char *text, const struct phrase_values *v, struct text *out);

/* The first word in braces that phrases_fill does not know, into out; false when there is
 * none. */
bool phrases_find_unknown(const char *text, char *out, size_t capacity);

/* What these say takes any language, NULL for English. A number with its decimal sign: */
void phrases_number(const struct phrases_language *l, double value, int digits,
                    struct text *out);
/* An appliance of the signatures by its key; out of a load that is not known: nothing. */
void phrases_appliance(const struct phrases_language *l, const char *key, struct text *out);
/* The figures of an alarm in one line. */
void phrases_figures(const struct phrases_language *l, const struct figures *f,
                     struct text *out);
/* Replaces the name of that key, or adds it; false when memory is short. */
bool phrases_name_appliance(struct phrases_language *l, const char *key, const char *name);

void phrases_free(struct phrases *p); /* accepts a zeroed one */

#endif
