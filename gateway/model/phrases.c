#include "phrases.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *const matter_names[MATTERS] = {
    [MATTER_NEAR_OVERLOAD] = "near_overload",
    [MATTER_CONTINUOUS_LOAD] = "continuous_load",
    [MATTER_TRIP_OVERLOAD] = "trip_overload",
    [MATTER_TRIP_FAULT] = "trip_fault",
    [MATTER_TRIP_WORN_BREAKER] = "trip_worn_breaker",
    [MATTER_TRIP_OPENED_BY_HAND] = "trip_opened_by_hand",
    [MATTER_TRIP_UPSTREAM_OPEN] = "trip_upstream_open",
    [MATTER_TRIP_SUPPLY_OUTAGE] = "trip_supply_outage",
    [MATTER_OPENED_AGAIN] = "opened_again",
    [MATTER_WORN_BREAKER] = "worn_breaker",
    [MATTER_BREAKER_DID_NOT_OPEN] = "breaker_did_not_open",
    [MATTER_OPEN_NEUTRAL] = "open_neutral",
    [MATTER_SUPPLY_VOLTAGE] = "supply_voltage",
    [MATTER_LEG_IMBALANCE] = "leg_imbalance",
    [MATTER_FEEDER_OVERLOAD] = "feeder_overload",
    [MATTER_ESSENTIAL_LOAD_SILENT] = "essential_load_silent",
    [MATTER_METER_LOST] = "meter_lost",
    [MATTER_SENSOR_MISMATCH] = "sensor_mismatch",
    [MATTER_RECORD_AT_RISK] = "record_at_risk",
    [MATTER_SHARED_NEUTRAL] = "shared_neutral",
    [MATTER_PERMISSIBLE_LOAD] = "permissible_load",
    [MATTER_NO_ROOM] = "no_room",
};

static const char *const phrase_names[PHRASES] = {
    [PHRASE_URGENT] = "urgent",
    [PHRASE_AGAIN] = "again",
    [PHRASE_UNANSWERED] = "unanswered",
    [PHRASE_UNANSWERED_TEXT] = "unanswered_text",
    [PHRASE_ANSWERED] = "answered",
    [PHRASE_ANSWERED_TEXT] = "answered_text",
    [PHRASE_CHANGED] = "changed",
    [PHRASE_CHANGED_TEXT] = "changed_text",
    [PHRASE_OVER] = "over",
    [PHRASE_OVER_TEXT] = "over_text",
    [PHRASE_WAS_OVER] = "was_over",
    [PHRASE_WHERE] = "where",
    [PHRASE_SINCE] = "since",
    [PHRASE_SUMMARY] = "summary",
    [PHRASE_SUMMARY_TEXT] = "summary_text",
    [PHRASE_SUMMARY_QUIET] = "summary_quiet",
    [PHRASE_SUMMARY_STANDING] = "summary_standing",
    [PHRASE_LOST] = "lost",
    [PHRASE_ACKNOWLEDGE] = "acknowledge",
    [PHRASE_TEST] = "test",
    [PHRASE_TEST_TEXT] = "test_text",
    [PHRASE_CAUTION] = "caution",
    [PHRASE_FIGURES] = "figures",
    [PHRASE_DECIMAL] = "decimal",
    [PHRASE_A_LOAD] = "a_load",
};

static bool find(const char *const *names, int count, const char *name, int *out)
{
    for (int i = 0; i < count; i++)
        if (strcmp(names[i], name) == 0) {
            *out = i;
            return true;
        }
    return false;
}

const char *matter_name(enum matter m)
{
    return matter_names[m];
}

bool matter_find(const char *name, enum matter *out)
{
    int i;
    bool found = find(matter_names, MATTERS, name, &i);
    if (found)
        *out = (enum matter)i;
    return found;
}

const char *phrase_name(enum phrase p)
{
    return phrase_names[p];
}

bool phrase_find(const char *name, enum phrase *out)
{
    int i;
    bool found = find(phrase_names, PHRASES, name, &i);
    if (found)
        *out = (enum phrase)i;
    return found;
}

static enum matter matter_of_trip(enum trip_cause cause)
{
    switch (cause) {
    case CAUSE_OVERLOAD: return MATTER_TRIP_OVERLOAD;
    case CAUSE_WORN_BREAKER: return MATTER_TRIP_WORN_BREAKER;
    case CAUSE_OPENED_BY_HAND: return MATTER_TRIP_OPENED_BY_HAND;
    case CAUSE_UPSTREAM_OPEN: return MATTER_TRIP_UPSTREAM_OPEN;
    case CAUSE_SUPPLY_OUTAGE: return MATTER_TRIP_SUPPLY_OUTAGE;
    case CAUSE_FAULT:
    case CAUSE_SENSOR_LOST:
    case CAUSE_LOAD_ENDED: break;
    }
    return MATTER_TRIP_FAULT; /* what is not known is treated as the dangerous one */
}

enum matter matter_of(enum alarm_kind kind, bool alert, enum trip_cause cause)
{
    switch (kind) {
    case ALARM_NEAR_OVERLOAD: return alert ? MATTER_NO_ROOM : MATTER_NEAR_OVERLOAD;
    case ALARM_CONTINUOUS_LOAD: return MATTER_CONTINUOUS_LOAD;
    case ALARM_TRIP: return matter_of_trip(cause);
    case ALARM_OPENED_AGAIN: return MATTER_OPENED_AGAIN;
    case ALARM_WORN_BREAKER: return MATTER_WORN_BREAKER;
    case ALARM_BREAKER_DID_NOT_OPEN: return MATTER_BREAKER_DID_NOT_OPEN;
    case ALARM_OPEN_NEUTRAL: return MATTER_OPEN_NEUTRAL;
    case ALARM_SUPPLY_VOLTAGE: return MATTER_SUPPLY_VOLTAGE;
    case ALARM_LEG_IMBALANCE: return MATTER_LEG_IMBALANCE;
    case ALARM_FEEDER_OVERLOAD: return MATTER_FEEDER_OVERLOAD;
    case ALARM_ESSENTIAL_LOAD_SILENT: return MATTER_ESSENTIAL_LOAD_SILENT;
    case ALARM_METER_LOST: return MATTER_METER_LOST;
    case ALARM_SENSOR_MISMATCH: return MATTER_SENSOR_MISMATCH;
    case ALARM_RECORD_AT_RISK: return MATTER_RECORD_AT_RISK;
    case ALARM_SHARED_NEUTRAL: return MATTER_SHARED_NEUTRAL;
    case ALARM_PERMISSIBLE_LOAD: return MATTER_PERMISSIBLE_LOAD;
    }
    return MATTER_TRIP_FAULT;
}

const struct phrases_language *phrases_find(const struct phrases *p, const char *code)
{
    for (size_t i = 0; i < p->count; i++)
        if (strcmp(p->languages[i].code, code) == 0)
            return &p->languages[i];
    return NULL;
}

/* ---- filling ---- */

enum slot {
    SLOT_SITE,
    SLOT_PANEL,
    SLOT_POSITION,
    SLOT_CIRCUIT,
    SLOT_METER,
    SLOT_LOADS,
    SLOT_TIME,
    SLOT_ALARM,
    SLOT_AMPS,
    SLOT_WHO, /* the last that is a text */
    SLOT_COUNT,
    SLOT_TRIPS,
    SLOT_URGENT,
    SLOTS
};
static const char *const slot_names[SLOTS] = {"site",  "panel", "position", "circuit", "meter",
                                              "loads", "time",  "alarm",    "amps",    "who",
                                              "count", "trips", "urgent"};
#define SLOT_NAME_SIZE 24

/* At a brace: the word in it, and how long it is with both braces; 0 when it is none. */
static size_t read_slot(const char *at, char name[SLOT_NAME_SIZE], int *slot)
{
    const char *end = strchr(at, '}');
    if (*at != '{' || !end || end - at - 1 >= SLOT_NAME_SIZE)
        return 0;
    memcpy(name, at + 1, (size_t)(end - at - 1));
    name[end - at - 1] = '\0';
    if (!find(slot_names, SLOTS, name, slot))
        *slot = SLOTS;
    return (size_t)(end - at) + 1;
}

static const char *text_of(int slot, const struct phrase_values *v)
{
    const char *const texts[] = {v->site,  v->panel, v->position, v->circuit, v->meter,
                                 v->loads, v->time,  v->alarm,    v->amps,    v->who};
    return texts[slot] ? texts[slot] : "";
}

static void append_slot(int slot, const struct phrase_values *v, struct text *out)
{
    if (slot <= SLOT_WHO)
        text_append(out, text_of(slot, v));
    else
        text_printf(out, "%ld",
                    slot == SLOT_COUNT   ? v->count
                    : slot == SLOT_TRIPS ? v->trips
                                         : v->urgent);
}

/* A part of the template, out NULL: to look at it only. How many of its blanks are filled with
 * something, and with nothing. */
struct filling {
    size_t full, empty;
};

static struct filling fill_part(const char *text, size_t length, const struct phrase_values *v,
                                struct text *out)
{
    char name[SLOT_NAME_SIZE];
    struct filling f = {0};
    for (const char *end = text + length; text < end;) {
        int slot = SLOTS;
        size_t taken = read_slot(text, name, &slot);
        bool blank = taken > 0 && taken <= (size_t)(end - text) && slot < SLOTS;
        if (blank && slot <= SLOT_WHO && !text_of(slot, v)[0])
            f.empty++;
        else if (blank)
            f.full++;
        if (out && blank)
            append_slot(slot, v, out);
        else if (out)
            text_append_bytes(out, text, 1);
        text += blank ? taken : 1;
    }
    return f;
}

void phrases_fill(const char *text, const struct phrase_values *v, struct text *out)
{
    while (*text) {
        const char *end = *text == '[' ? strchr(text, ']') : NULL;
        struct filling f = {0};
        if (end)
            f = fill_part(text + 1, (size_t)(end - text - 1), v, NULL);
        if (f.full + f.empty > 0) { /* else they are plain brackets */
            if (f.empty == 0)
                fill_part(text + 1, (size_t)(end - text - 1), v, out);
            text = end + 1;
            continue;
        }
        size_t length = 1 + strcspn(text + 1, "[");
        fill_part(text, length, v, out);
        text += length;
    }
}

bool phrases_find_unknown(const char *text, char *out, size_t capacity)
{
    char name[SLOT_NAME_SIZE];
    for (const char *at = text; (at = strchr(at, '{')); at++) {
        int slot = SLOTS;
        if (read_slot(at, name, &slot) == 0) {
            text_copy(out, capacity, "{");
            return true;
        }
        if (slot == SLOTS) {
            text_copy(out, capacity, name);
            return true;
        }
    }
    return false;
}

/* ---- figures and appliances ---- */

void phrases_number(const struct phrases_language *l, double value, int digits,
                    struct text *out)
{
    const char *sign = l && l->words[PHRASE_DECIMAL] ? l->words[PHRASE_DECIMAL] : ".";
    char number[64];
    int length = snprintf(number, sizeof number, "%.*f", digits, value);
    size_t whole = strcspn(number, ".");
    text_append_bytes(out, number, whole);
    if (whole < (size_t)length) {
        text_append(out, sign);
        text_append(out, number + whole + 1);
    }
}

/* In English the key says it. */
static void append_key(struct text *out, const char *key)
{
    for (; *key; key++)
        text_append_bytes(out, *key == '_' ? " " : key, 1);
}

static struct phrases_appliance *find_appliance(const struct phrases_language *l,
                                                const char *key)
{
    for (size_t i = 0; l && i < l->appliance_count; i++)
        if (strcmp(l->appliances[i].key, key) == 0)
            return &l->appliances[i];
    return NULL;
}

void phrases_appliance(const struct phrases_language *l, const char *key, struct text *out)
{
    const struct phrases_appliance *a = find_appliance(l, key);
    if (a)
        text_append(out, a->name);
    else if (strcmp(key, "unknown") != 0)
        append_key(out, key);
}

void phrases_figures(const struct phrases_language *l, const struct figures *f,
                     struct text *out)
{
    for (size_t i = 0; i < f->count; i++) {
        const struct figure *one = &f->list[i];
        enum figure_form form = figure_form(one->what);
        text_append(out, i ? ", " : "");
        if (l && l->figures[one->what])
            text_append(out, l->figures[one->what]);
        else
            append_key(out, figure_name(one->what));
        text_append(out, form == FIGURE_BARE ? "" : " ");
        if (form == FIGURE_NUMBER || form == FIGURE_COUNT)
            phrases_number(l, one->value, figure_digits(one->what), out);
        if (form == FIGURE_NUMBER)
            text_printf(out, " %s", figure_unit(one->what));
        if (one->what == FIGURE_APPLIANCE)
            phrases_appliance(l, figures_text(f, i), out);
        else
            text_append(out, figures_text(f, i));
    }
}

bool phrases_name_appliance(struct phrases_language *l, const char *key, const char *name)
{
    struct phrases_appliance *a = find_appliance(l, key);
    char *copy = strdup(name);
    if (!copy)
        return false;
    if (!a) {
        struct phrases_appliance *more =
            realloc(l->appliances, (l->appliance_count + 1) * sizeof *more);
        if (!more) {
            free(copy);
            return false;
        }
        l->appliances = more;
        a = &more[l->appliance_count++];
        *a = (struct phrases_appliance){0};
        text_copy(a->key, sizeof a->key, key);
    }
    free(a->name);
    a->name = copy;
    return true;
}

void phrases_free(struct phrases *p)
{
    for (size_t i = 0; i < p->count; i++) {
        struct phrases_language *l = &p->languages[i];
        for (int m = 0; m < MATTERS; m++) {
            free(l->subject[m]);
            free(l->what[m]);
            free(l->act[m]);
        }
        for (int w = 0; w < PHRASES; w++)
            free(l->words[w]);
        for (int f = 0; f < FIGURE_WHATS; f++)
            free(l->figures[f]);
        for (size_t a = 0; a < l->appliance_count; a++)
            free(l->appliances[a].name);
        free(l->appliances);
    }
    *p = (struct phrases){0};
}
