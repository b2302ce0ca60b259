/*
 * Read in one pass, without a tree: yajl tells of each member as it goes by, and a record is
 * made when its brace closes. A tree of all of it (jansson) took ten times as long, which was
 * two thirds of a collector's work.
 */
#include "parcel.h"

#include "parcel_strict.h"

#include "base/clock.h"
#include "base/text.h"

#include <yajl/yajl_parse.h>

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_DEPTH 64
#define WORD_SIZE EVENT_ID_SIZE /* of a text that matters; a longer one is as none */
#define NUMBER_SIZE 32

/* Members that matter: of the parcel, of its health, of a record. */
enum member {
    M_NONE = -1,
    M_SITE,
    M_AFTER,
    M_TO,
    M_AGAIN,
    M_HEALTH,
    M_RECORDS,
    M_NAME, /* of health */
    M_SEQ,
    M_TIME,
    M_TYPE,
    M_PANEL,
    M_CIRCUIT,
    M_ALARM,
    M_KIND,
    M_PRIORITY,
    M_STATE,
    M_ALERT,
    M_RAISED_AT,
    M_TRIP,
    M_STAGE,
    M_CAUSE,
    M_PROBABILITY,
    M_SECONDS_OPEN,
    M_SECONDS_HELD,
    M_OPENED_AT,
    M_CALL,
    MEMBERS
};

static const char *const names[MEMBERS] = {
    [M_SITE] = "site",
    [M_AFTER] = "after",
    [M_TO] = "to",
    [M_AGAIN] = "again",
    [M_HEALTH] = "health",
    [M_RECORDS] = "records",
    [M_NAME] = "name",
    [M_SEQ] = "seq",
    [M_TIME] = "time",
    [M_TYPE] = "type",
    [M_PANEL] = "panel",
    [M_CIRCUIT] = "circuit",
    [M_ALARM] = "alarm",
    [M_KIND] = "kind",
    [M_PRIORITY] = "priority",
    [M_STATE] = "state",
    [M_ALERT] = "alert",
    [M_RAISED_AT] = "raised_at",
    [M_TRIP] = "trip",
    [M_STAGE] = "stage",
    [M_CAUSE] = "cause",
    [M_PROBABILITY] = "probability",
    [M_SECONDS_OPEN] = "seconds_open",
    [M_SECONDS_HELD] = "seconds_held",
    [M_OPENED_AT] = "opened_at",
    [M_CALL] = "call",
};

enum type { T_OTHER, T_WORD, T_NUMBER, T_TRUE }; /* T_OTHER: also a text too long to matter */

struct value {
    enum type type;
    char words[WORD_SIZE]; /* the text, or the number's */
};

enum place { TOP, IN_HEALTH, IN_RECORDS, IN_RECORD }; /* where one depth above the value is */

struct reading {
    struct parcel *parcel;
    const char *payload;
    yajl_handle handle;
    int depth;
    enum place place;
    enum member member; /* whose value comes next */
    uint32_t seen;      /* a bit for each member */
    struct value values[MEMBERS];
    size_t begin, room; /* of the record or health; records there is memory for */
    char name[SITE_NAME_SIZE];
    bool whole; /* the object was closed */
    char *why;
};

static bool fail(char *why, const char *format, ...) __attribute__((format(printf, 2, 3)));

static bool fail(char *why, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    vsnprintf(why, PARCEL_WHY_SIZE, format, args);
    va_end(args);
    return false;
}

/* ---- what the values are ---- */

static const struct value *value_of(const struct reading *r, enum member m)
{
    static const struct value none;
    return r->seen & (UINT32_C(1) << m) ? &r->values[m] : &none;
}

static bool take_number(const struct reading *r, enum member m, int64_t *out)
{
    const struct value *v = value_of(r, m);
    if (v->type != T_NUMBER || v->words[strspn(v->words, "0123456789")] != '\0')
        return false;
    *out = strtoll(v->words, NULL, 10); /* its range was looked at */
    return true;
}

static double take_real(const struct reading *r, enum member m)
{
    const struct value *v = value_of(r, m);
    return v->type == T_NUMBER ? strtod(v->words, NULL) : NAN;
}

/* too long, or no text: as if it were not there */
static void take_text(const struct reading *r, enum member m, char *out, size_t size)
{
    const struct value *v = value_of(r, m);
    if (v->type != T_WORD || !text_copy(out, size, v->words))
        out[0] = '\0';
}

static bool take_time(const struct reading *r, enum member m, int64_t *out)
{
    const struct value *v = value_of(r, m);
    return v->type == T_WORD && clock_parse(v->words, strlen(v->words), out);
}

/* ---- a record ---- */

static enum parcel_kind kind_of(const char *type)
{
    static const struct {
        const char *type;
        enum parcel_kind kind;
    } kinds[] = {{"trip", PARCEL_TRIP},
                 {"restored", PARCEL_RESTORED},
                 {"opened_again", PARCEL_OPENED_AGAIN},
                 {"alarm", PARCEL_ALARM}};
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
        if (strcmp(type, kinds[i].type) == 0)
            return kinds[i].kind;
    return PARCEL_OTHER;
}

static bool take_alarm(const struct reading *from, struct parcel_record *r)
{
    take_text(from, M_ALARM, r->subject, sizeof r->subject);
    take_text(from, M_KIND, r->what, sizeof r->what);
    take_text(from, M_PRIORITY, r->priority, sizeof r->priority);
    take_text(from, M_STATE, r->state, sizeof r->state);
    r->alert = value_of(from, M_ALERT)->type == T_TRUE;
    if (!take_time(from, M_RAISED_AT, &r->since_wall_ms))
        r->since_wall_ms = r->wall_ms;
    return r->subject[0] && r->what[0] && r->priority[0] && r->state[0];
}

static bool take_trip(const struct reading *from, struct parcel_record *r)
{
    take_text(from, M_TRIP, r->subject, sizeof r->subject);
    take_text(from, M_STAGE, r->state, sizeof r->state);
    take_text(from, M_CAUSE, r->what, sizeof r->what);
    r->probability = take_real(from, M_PROBABILITY);
    r->seconds = take_real(from, r->kind == PARCEL_RESTORED ? M_SECONDS_OPEN : M_SECONDS_HELD);
    if (!take_time(from, M_OPENED_AT, &r->since_wall_ms))
        r->since_wall_ms = r->wall_ms;
    return r->subject[0] && (r->kind != PARCEL_TRIP || (r->state[0] && r->what[0]));
}

static bool take_record(const struct reading *from, struct parcel_record *r)
{
    *r = (struct parcel_record){.probability = NAN, .seconds = NAN};
    take_text(from, M_TYPE, r->type, sizeof r->type);
    if (!take_number(from, M_SEQ, &r->seq) || !take_time(from, M_TIME, &r->wall_ms) ||
        !r->type[0])
        return false;
    take_text(from, M_PANEL, r->panel, sizeof r->panel);
    take_text(from, M_CIRCUIT, r->circuit, sizeof r->circuit);
    r->kind = kind_of(r->type);
    switch (r->kind) {
    case PARCEL_ALARM: return take_alarm(from, r);
    case PARCEL_TRIP:
    case PARCEL_RESTORED:
    case PARCEL_OPENED_AGAIN: return take_trip(from, r);
    case PARCEL_OTHER: take_text(from, M_CALL, r->subject, sizeof r->subject); return true;
    }
    return false;
}

static bool no_record(const struct reading *r)
{
    return fail(r->why,
                "record %zu is not a record with seq, time, type and what belongs to its type",
                r->parcel->count + 1);
}

/* The text from `begin` up to what has been read, as a string of its own in the copy. */
static char *cut(struct reading *r)
{
    size_t end = yajl_get_bytes_consumed(r->handle);
    r->parcel->texts[end] = '\0'; /* was what parts it from the next */
    return r->parcel->texts + r->begin;
}

static bool end_record(struct reading *r)
{
    struct parcel *p = r->parcel;
    if (p->count == PARCEL_MAX_RECORDS)
        return fail(r->why, "'records' must be an array of at most %d", PARCEL_MAX_RECORDS);
    if (p->count == r->room) {
        size_t room = r->room ? 2 * r->room : 4;
        struct parcel_record *more = realloc(p->records, room * sizeof *more);
        if (!more)
            return fail(r->why, "memory is short");
        p->records = more;
        r->room = room;
    }
    struct parcel_record *record = &p->records[p->count];
    if (!take_record(r, record))
        return no_record(r);
    record->json = cut(r);
    p->count++;
    return true;
}

static bool end_health(struct reading *r)
{
    struct parcel *p = r->parcel;
    if (value_of(r, M_NAME)->type == T_WORD)
        text_copy(p->name, sizeof p->name, r->name);
    p->health = cut(r);
    return true;
}

/* ---- as it goes by ---- */

/* the members of the parcel itself come first in the enum, then health's, then a record's */
static void find_range(enum place place, int *first, int *end)
{
    *first = place == TOP ? M_SITE : place == IN_HEALTH ? M_NAME : M_SEQ;
    *end = place == TOP ? M_NAME : place == IN_HEALTH ? M_SEQ : MEMBERS;
}

static int on_key(void *context, const unsigned char *key, size_t length)
{
    struct reading *r = context;
    int first, end;
    r->member = M_NONE;
    if (r->depth != (r->place == TOP ? 1 : r->place == IN_HEALTH ? 2 : 3))
        return 1;
    find_range(r->place, &first, &end);
    for (int i = first; i < end; i++)
        if (names[i][0] == (char)key[0] && strlen(names[i]) == length &&
            memcmp(names[i], key, length) == 0)
            r->member = (enum member)i;
    if (r->member == M_NONE)
        return 1;
    if (r->seen & (UINT32_C(1) << r->member))
        return fail(r->why, "'%s' is there twice", names[r->member]);
    r->seen |= UINT32_C(1) << r->member;
    r->values[r->member].type = T_OTHER;
    return 1;
}

/* Where the value of a member that matters goes; NULL: it does not. False in *good when nothing
 * but an object may be here. */
static struct value *next_value(struct reading *r, bool *good)
{
    enum member m = r->member;
    r->member = M_NONE;
    *good = true;
    if (r->depth == 0)
        *good = fail(r->why, "'site' is not the site of the topic");
    else if (r->place == IN_RECORDS)
        *good = no_record(r);
    return m == M_NONE ? NULL : &r->values[m];
}

static int on_other(void *context)
{
    bool good;
    next_value(context, &good);
    return good;
}

static int on_boolean(void *context, int is)
{
    bool good;
    struct value *v = next_value(context, &good);
    if (v)
        v->type = is ? T_TRUE : T_OTHER;
    return good;
}

static int on_number(void *context, const char *digits, size_t length)
{
    struct reading *r = context;
    bool good;
    struct value *v = next_value(r, &good);
    char words[NUMBER_SIZE];
    if (!good)
        return false;
    if (length >= sizeof words)
        return fail(r->why, "a number of %zu digits", length);
    memcpy(words, digits, length);
    words[length] = '\0';
    errno = 0;
    if (strpbrk(words, ".eE") ? !isfinite(strtod(words, NULL))
                              : length > 18 && (strtoll(words, NULL, 10), errno != 0))
        return fail(r->why, "the number %s is too large", words);
    if (v) {
        v->type = T_NUMBER;
        memcpy(v->words, words, length + 1);
    }
    return true;
}

static int on_string(void *context, const unsigned char *words, size_t length)
{
    struct reading *r = context;
    bool good, name = r->member == M_NAME;
    struct value *v = next_value(r, &good);
    if (v && name && length < sizeof r->name) {
        memcpy(r->name, words, length);
        r->name[length] = '\0';
        v->type = T_WORD;
    } else if (v && length < sizeof v->words) {
        memcpy(v->words, words, length);
        v->words[length] = '\0';
        v->type = T_WORD;
    }
    return good;
}

static int on_begin(struct reading *r, bool object)
{
    enum member m = r->member;
    size_t at = yajl_get_bytes_consumed(r->handle) - 1; /* of the bracket */
    r->member = M_NONE;
    r->depth++;
    if (r->depth == 1 && !object)
        return fail(r->why, "'site' is not the site of the topic");
    if (r->depth > MOST_DEPTH)
        return fail(r->why, "deeper than %d", MOST_DEPTH);
    if (r->depth == 2 && m == M_RECORDS && !object) {
        r->place = IN_RECORDS;
    } else if (r->depth == 2 && m == M_HEALTH && object) {
        r->place = IN_HEALTH;
        r->begin = at;
    } else if (r->depth == 3 && r->place == IN_RECORDS) {
        if (!object)
            return no_record(r);
        r->place = IN_RECORD;
        r->begin = at;
        r->seen &= (UINT32_C(1) << M_SEQ) - 1;
    }
    return true;
}

static int on_end(struct reading *r)
{
    bool good = true;
    r->depth--;
    if (r->depth == 2 && r->place == IN_RECORD) {
        good = end_record(r);
        r->place = IN_RECORDS;
    } else if (r->depth == 1 && r->place == IN_HEALTH) {
        good = end_health(r);
        r->place = TOP;
    } else if (r->depth == 1 && r->place == IN_RECORDS) {
        r->values[M_RECORDS].type = T_TRUE; /* an array it was */
        r->place = TOP;
    }
    r->whole = r->depth == 0;
    return good;
}

static int on_begin_object(void *context)
{
    return on_begin(context, true);
}

static int on_begin_array(void *context)
{
    return on_begin(context, false);
}

static int on_end_any(void *context)
{
    return on_end(context);
}

static const yajl_callbacks calls = {.yajl_null = on_other,
                                     .yajl_boolean = on_boolean,
                                     .yajl_number = on_number,
                                     .yajl_string = on_string,
                                     .yajl_start_map = on_begin_object,
                                     .yajl_map_key = on_key,
                                     .yajl_end_map = on_end_any,
                                     .yajl_start_array = on_begin_array,
                                     .yajl_end_array = on_end_any};

/* ---- the whole ---- */

static bool check_order(const struct parcel *p, char *why)
{
    for (size_t i = 0; i < p->count; i++) {
        const struct parcel_record *r = &p->records[i];
        if (r->seq <= (i > 0 ? r[-1].seq : p->after) || r->seq > p->to)
            return fail(why, "record %zu has the number %lld out of order", i + 1,
                        (long long)r->seq);
    }
    return true;
}

static bool take(struct reading *r, const char *site)
{
    struct parcel *p = r->parcel;
    take_text(r, M_SITE, p->site, sizeof p->site);
    if (!site_id_valid(p->site) || strcmp(p->site, site) != 0)
        return fail(r->why, "'site' is not the site of the topic");
    if (!take_number(r, M_AFTER, &p->after) || !take_number(r, M_TO, &p->to))
        return fail(r->why, "'after' and 'to' must be numbers of the stream");
    if (p->to < p->after)
        return fail(r->why, "'to' lies below 'after'");
    if (value_of(r, M_RECORDS)->type != T_TRUE)
        return fail(r->why, "'records' must be an array of at most %d", PARCEL_MAX_RECORDS);
    p->again = value_of(r, M_AGAIN)->type == T_TRUE;
    return check_order(p, r->why);
}

static bool go_through(struct reading *r, size_t length)
{
    bool good =
        yajl_parse(r->handle, (const unsigned char *)r->payload, length) == yajl_status_ok;
    size_t column = yajl_get_bytes_consumed(r->handle);
    if (good && yajl_complete_parse(r->handle) == yajl_status_ok && r->whole)
        return true;
    return r->why[0] ? false : fail(r->why, "column %zu: no JSON", column);
}

bool parcel_read(struct parcel *p, const char *site, const void *payload, size_t length,
                 char why[PARCEL_WHY_SIZE])
{
    struct reading *r = calloc(1, sizeof *r);
    *p = (struct parcel){0};
    why[0] = '\0';
    if (length > PARCEL_MAX_BYTES) {
        free(r);
        return fail(why, "longer than %zu bytes", PARCEL_MAX_BYTES);
    }
    p->texts = malloc(length + 1);
    yajl_handle handle = r && p->texts ? yajl_alloc(&calls, NULL, r) : NULL;
    bool good = handle || fail(why, "memory is short");
    if (good) {
        memcpy(p->texts, payload, length);
        p->texts[length] = '\0';
        r->parcel = p;
        r->payload = payload;
        r->handle = handle;
        r->member = M_NONE;
        r->why = why;
        good = go_through(r, length) && take(r, site) &&
               (parcel_strict(payload, length) ||
                fail(why, "a blank or an escape that JSON does not have"));
        yajl_free(handle);
    }
    free(r);
    if (!good)
        parcel_free(p);
    return good;
}

void parcel_free(struct parcel *p)
{
    free(p->records);
    free(p->texts);
    *p = (struct parcel){0};
}
