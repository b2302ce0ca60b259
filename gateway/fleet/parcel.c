/*
 * Read in one pass, without a tree: yajl tells of each member as it goes by, and a record is
 * made when its brace closes. A tree of all of it (jansson) took ten times as long, which was
 * two thirds of a collector's work.
 */
#include "parcel.h"

#include "parcel_members.h"
#include "parcel_strict.h"

#include "base/text.h"

#include <yajl/yajl_parse.h>

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_DEPTH 64
#define NUMBER_SIZE 32

enum place { TOP, IN_HEALTH, IN_RECORDS, IN_RECORD }; /* where one depth above the value is */

struct reading {
    struct parcel *parcel;
    const char *payload;
    yajl_handle handle;
    int depth;
    enum place place;
    enum member member; /* whose value comes next */
    uint32_t seen;      /* a bit for each member */
    struct members members;
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
    members_text(&from->members, M_ALARM, r->subject, sizeof r->subject);
    members_text(&from->members, M_KIND, r->what, sizeof r->what);
    members_text(&from->members, M_PRIORITY, r->priority, sizeof r->priority);
    members_text(&from->members, M_STATE, r->state, sizeof r->state);
    r->alert = members_type(&from->members, M_ALERT) == V_TRUE;
    if (!members_time(&from->members, M_RAISED_AT, &r->since_wall_ms))
        r->since_wall_ms = r->wall_ms;
    return r->subject[0] && r->what[0] && r->priority[0] && r->state[0];
}

static bool take_trip(const struct reading *from, struct parcel_record *r)
{
    members_text(&from->members, M_TRIP, r->subject, sizeof r->subject);
    members_text(&from->members, M_STAGE, r->state, sizeof r->state);
    members_text(&from->members, M_CAUSE, r->what, sizeof r->what);
    r->probability = members_real(&from->members, M_PROBABILITY);
    r->seconds = members_real(&from->members,
                              r->kind == PARCEL_RESTORED ? M_SECONDS_OPEN : M_SECONDS_HELD);
    if (!members_time(&from->members, M_OPENED_AT, &r->since_wall_ms))
        r->since_wall_ms = r->wall_ms;
    return r->subject[0] && (r->kind != PARCEL_TRIP || (r->state[0] && r->what[0]));
}

static bool take_record(const struct reading *from, struct parcel_record *r)
{
    *r = (struct parcel_record){.probability = NAN, .seconds = NAN};
    members_text(&from->members, M_TYPE, r->type, sizeof r->type);
    if (!members_number(&from->members, M_SEQ, &r->seq) ||
        !members_time(&from->members, M_TIME, &r->wall_ms) || !r->type[0])
        return false;
    members_text(&from->members, M_PANEL, r->panel, sizeof r->panel);
    members_text(&from->members, M_CIRCUIT, r->circuit, sizeof r->circuit);
    r->kind = kind_of(r->type);
    switch (r->kind) {
    case PARCEL_ALARM: return take_alarm(from, r);
    case PARCEL_TRIP:
    case PARCEL_RESTORED:
    case PARCEL_OPENED_AGAIN: return take_trip(from, r);
    case PARCEL_OTHER:
        members_text(&from->members, M_CALL, r->subject, sizeof r->subject);
        return true;
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
    record->json_length = yajl_get_bytes_consumed(r->handle) - r->begin;
    p->count++;
    return true;
}

static bool end_health(struct reading *r)
{
    struct parcel *p = r->parcel;
    if (members_type(&r->members, M_NAME) == V_WORD)
        text_copy(p->name, sizeof p->name, r->name);
    p->health = cut(r);
    return true;
}

/* ---- as it goes by ---- */

static int on_key(void *context, const unsigned char *key, size_t length)
{
    static const struct {
        int depth; /* of the object's members */
        enum member first, end;
    } places[] = {[TOP] = {1, M_SITE, M_NAME},
                  [IN_HEALTH] = {2, M_NAME, M_SEQ},
                  [IN_RECORDS] = {-1, M_SEQ, M_SEQ},
                  [IN_RECORD] = {3, M_SEQ, MEMBERS}};
    struct reading *r = context;
    r->member = M_NONE;
    if (r->depth == places[r->place].depth)
        r->member = member_find((const char *)key, length, places[r->place].first,
                                places[r->place].end);
    return r->member == M_NONE || members_see(&r->members, r->member) ||
           fail(r->why, "'%s' is there twice", member_name(r->member));
}

/* Where the value of a member that matters goes; NULL: it does not. False in *good when nothing
 * but an object may be here. */
static struct member_value *next_value(struct reading *r, bool *good)
{
    enum member m = r->member;
    r->member = M_NONE;
    *good = true;
    if (r->depth == 0)
        *good = fail(r->why, "'site' is not the site of the topic");
    else if (r->place == IN_RECORDS)
        *good = no_record(r);
    return m == M_NONE ? NULL : &r->members.values[m];
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
    struct member_value *v = next_value(context, &good);
    if (v)
        v->type = is ? V_TRUE : V_OTHER;
    return good;
}

static int on_number(void *context, const char *digits, size_t length)
{
    struct reading *r = context;
    bool good;
    struct member_value *v = next_value(r, &good);
    char words[NUMBER_SIZE];
    if (!good)
        return false;
    if (length >= sizeof words)
        return fail(r->why, "a number of %zu digits", length);
    memcpy(words, digits, length);
    words[length] = '\0';
    errno = 0;
    bool whole = strcspn(words, ".eE") == length;
    if (whole ? length > 18 && (strtoll(words, NULL, 10), errno != 0)
              : strpbrk(words, "eE") && !isfinite(strtod(words, NULL)))
        return fail(r->why, "the number %s is too large", words);
    if (v) {
        v->type = V_NUMBER;
        memcpy(v->words, words, length + 1);
    }
    return true;
}

static int on_string(void *context, const unsigned char *words, size_t length)
{
    struct reading *r = context;
    bool good, name = r->member == M_NAME;
    struct member_value *v = next_value(r, &good);
    if (v && name && length < sizeof r->name) {
        memcpy(r->name, words, length);
        r->name[length] = '\0';
        v->type = V_WORD;
    } else if (v && length < sizeof v->words) {
        memcpy(v->words, words, length);
        v->words[length] = '\0';
        v->type = V_WORD;
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
        members_forget(&r->members, M_SEQ);
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
        r->members.values[M_RECORDS].type = V_TRUE; /* an array it was */
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

/* many are held at once */
static void trim(struct parcel *p)
{
    struct parcel_record *less =
        p->count > 0 ? realloc(p->records, p->count * sizeof *less) : NULL;
    if (less)
        p->records = less;
}

static bool take(struct reading *r, const char *site)
{
    struct parcel *p = r->parcel;
    members_text(&r->members, M_SITE, p->site, sizeof p->site);
    if (!site_id_valid(p->site) || strcmp(p->site, site) != 0)
        return fail(r->why, "'site' is not the site of the topic");
    if (!members_number(&r->members, M_AFTER, &p->after) ||
        !members_number(&r->members, M_TO, &p->to))
        return fail(r->why, "'after' and 'to' must be numbers of the stream");
    if (p->to < p->after)
        return fail(r->why, "'to' lies below 'after'");
    if (members_type(&r->members, M_RECORDS) != V_TRUE)
        return fail(r->why, "'records' must be an array of at most %d", PARCEL_MAX_RECORDS);
    p->again = members_type(&r->members, M_AGAIN) == V_TRUE;
    trim(p);
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
    struct reading r = {.parcel = p, .payload = payload, .member = M_NONE, .why = why};
    *p = (struct parcel){0};
    why[0] = '\0';
    if (length > PARCEL_MAX_BYTES)
        return fail(why, "longer than %zu bytes", PARCEL_MAX_BYTES);
    p->texts = malloc(length + 1);
    if (!p->texts)
        return fail(why, "memory is short");
    memcpy(p->texts, payload, length);
    p->texts[length] = '\0';
    r.handle = yajl_alloc(&calls, NULL, &r);
    bool good = r.handle || fail(why, "memory is short");
    good = good && go_through(&r, length) && take(&r, site) &&
           (parcel_strict(payload, length) ||
            fail(why, "a blank or an escape that JSON does not have"));
    if (r.handle)
        yajl_free(r.handle);
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
