/*
 * figure - the numbers of an alarm, for an electrician: what each is, its value and its unit.
 *
 * An alarm carries them as a list, and every reader gets them in their own words and number
 * form: programs as JSON, people with the names their language has for them (phrases.h). In
 * English the key itself is the name: "carried_before" is said "carried before".
 *
 *     load 26.00 A, breaker 15 A, heat 24 %, chance of opening 74 %, within 10 min
 *
 * Values  in the unit of the table, so percent is 0..100; what is not finite is not added
 */
#ifndef FORETRIP_FIGURE_H
#define FORETRIP_FIGURE_H

#include "base/codec.h"

#include <jansson.h>
#include <stdbool.h>

enum figure_what {
    FIGURE_LOAD,
    FIGURE_CARRIED_BEFORE,
    FIGURE_BREAKER, /* its rating */
    FIGURE_HEAT,    /* 100 % opens */
    FIGURE_CHANCE_OF_OPENING,
    FIGURE_WITHIN, /* .. that time */
    FIGURE_OPENS_SOONEST,
    FIGURE_OPENS_MOST_LIKELY,
    FIGURE_OPENS_LATEST,
    FIGURE_ROOM_NOW,
    FIGURE_ROOM_FOR_3_HOURS,
    FIGURE_USUAL_LOAD, /* that may come, or that should be running */
    FIGURE_CHANCE_WITH_IT,
    FIGURE_LOST_ITS_SUPPLY,
    FIGURE_HELD_FOR, /* after a reset */
    FIGURE_LIMIT,
    FIGURE_LIMIT_SHARE, /* .. as a share of the rating */
    FIGURE_LONGER_THAN_ALLOWED,
    FIGURE_OWN_SENSOR,
    FIGURE_SUM_OF_BRANCHES,
    FIGURE_LEG_A, /* these three in a row */
    FIGURE_LEG_B,
    FIGURE_LEG_C,
    FIGURE_LEG_A_VOLTAGE, /* and these two */
    FIGURE_LEG_B_VOLTAGE,
    FIGURE_BOTH_LEGS,
    FIGURE_LOWEST,
    FIGURE_HIGHEST,
    FIGURE_ALLOWED_FROM,
    FIGURE_ALLOWED_TO,
    FIGURE_NEUTRAL_RESISTANCE,
    FIGURE_UNCERTAIN_BY,
    FIGURE_LINE_RESISTANCE,
    FIGURE_NEUTRAL_CURRENT,
    FIGURE_NEUTRAL_UP_TO, /* what no breaker keeps it from */
    FIGURE_ONE_LEG,
    FIGURE_OTHER_LEG,
    FIGURE_APPLIANCE, /* a key of the signatures */
    FIGURE_CORD_AND_PLUG,
    FIGURE_FASTENED_IN_PLACE,
    FIGURE_RULE, /* of a code */
    FIGURE_SILENT_FOR,
    FIGURE_LONGEST_PAUSE,
    FIGURE_RUNS_KNOWN,
    FIGURE_NOT_KNOWN_TO_BE_OPEN,
    FIGURE_NO_READING_FOR,
    FIGURE_BUS,
    FIGURE_UNIT_NUMBER,
    FIGURE_RECORDS_WAITING,
    FIGURE_RECORDS_LOST,
    FIGURE_READINGS_LOST,
    FIGURE_DAYS_GIVEN_UP,
    FIGURE_REASON,   /* as the system words it */
    FIGURE_OVERLOAD, /* from here on: how likely each cause is, in the order of trip_cause */
    FIGURE_FAULT,
    FIGURE_WORN_BREAKER,
    FIGURE_OPENED_BY_HAND,
    FIGURE_UPSTREAM_OPEN,
    FIGURE_SUPPLY_OUTAGE,
    FIGURE_SENSOR_LOST,
    FIGURE_LOAD_ENDED,
    FIGURE_WHATS
};

/* How a figure is written after its name. */
enum figure_form {
    FIGURE_NUMBER, /* with its unit */
    FIGURE_COUNT,  /* without one */
    FIGURE_TEXT,   /* words that are the same in every language, or an appliance */
    FIGURE_BARE,   /* the name says it all */
};

#define FIGURE_TEXT_SIZE 128
#define FIGURES_MOST 16
#define FIGURES_WORDS_SIZE 256 /* few figures are words, and those are short */

struct figure {
    enum figure_what what;
    unsigned word; /* where its text begins in the words of all, 0: it has none */
    double value;
};

/* Zeroed: empty. */
struct figures {
    size_t count;
    struct figure list[FIGURES_MOST];
    size_t length;
    char words[FIGURES_WORDS_SIZE];
};

/* "carried_before" */
const char *figure_name(enum figure_what what);
bool figure_find(const char *name, enum figure_what *out);
enum figure_form figure_form(enum figure_what what);
const char *figure_unit(enum figure_what what); /* "" where it has none */
int figure_digits(enum figure_what what);       /* after the point */

/* Empty from now on. (To zero all of it would cost more than judging.) */
void figures_clear(struct figures *f);

/* What does not fit, or is not finite, is left out; a text that is too long is cut. */
void figures_add(struct figures *f, enum figure_what what, double value);
void figures_add_text(struct figures *f, enum figure_what what, const char *text);

/* "" where it is a number */
const char *figures_text(const struct figures *f, size_t i);

/* The value of the first of them, NaN when there is none. */
double figures_get(const struct figures *f, enum figure_what what);

/* [{what, value, unit} or {what, text}], and back; what is not known is left out. */
json_t *figures_to_json(const struct figures *f);
void figures_from_json(const json_t *list, struct figures *out);

void figures_save(const struct figures *f, struct codec_out *out);
bool figures_load(struct figures *f, struct codec_in *in);

#endif
