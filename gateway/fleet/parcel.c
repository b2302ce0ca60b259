#include "parcel.h"

#include "base/clock.h"
#include "base/text.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool fail(char why[PARCEL_WHY_SIZE], const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static bool fail(char why[PARCEL_WHY_SIZE], const char *format, ...)
{
    va_list args;
    va_start(args, format);
    vsnprintf(why, PARCEL_WHY_SIZE, format, args);
    va_end(args);
    return false;
}

static bool take_number(const json_t *o, const char *member, int64_t *out)
{
    const json_t *v = json_object_get(o, member);
    if (!json_is_integer(v) || json_integer_value(v) < 0)
        return false;
    *out = json_integer_value(v);
    return true;
}

/* too long, or no text: as if it were not there */
static void take_text(const json_t *o, const char *member, char *out, size_t size)
{
    const json_t *v = json_object_get(o, member);
    if (!json_is_string(v) || !text_copy(out, size, json_string_value(v)))
        out[0] = '\0';
}

static double take_real(const json_t *o, const char *member)
{
    const json_t *v = json_object_get(o, member);
    return json_is_number(v) ? json_number_value(v) : NAN;
}

static bool take_time(const json_t *o, const char *member, int64_t *out)
{
    const json_t *v = json_object_get(o, member);
    return json_is_string(v) && clock_parse(json_string_value(v), json_string_length(v), out);
}

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

static bool take_alarm(const json_t *o, struct parcel_record *r)
{
    take_text(o, "alarm", r->subject, sizeof r->subject);
    take_text(o, "kind", r->what, sizeof r->what);
    take_text(o, "priority", r->priority, sizeof r->priority);
    take_text(o, "state", r->state, sizeof r->state);
    r->alert = json_is_true(json_object_get(o, "alert"));
    if (!take_time(o, "raised_at", &r->since_wall_ms))
        r->since_wall_ms = r->wall_ms;
    return r->subject[0] && r->what[0] && r->priority[0] && r->state[0];
}

static bool take_trip(const json_t *o, struct parcel_record *r)
{
    take_text(o, "trip", r->subject, sizeof r->subject);
    take_text(o, "stage", r->state, sizeof r->state);
    take_text(o, "cause", r->what, sizeof r->what);
    r->probability = take_real(o, "probability");
    r->seconds = take_real(o, r->kind == PARCEL_RESTORED ? "seconds_open" : "seconds_held");
    if (!take_time(o, "opened_at", &r->since_wall_ms))
        r->since_wall_ms = r->wall_ms;
    return r->subject[0] && (r->kind != PARCEL_TRIP || (r->state[0] && r->what[0]));
}

static bool take_record(const json_t *o, struct parcel_record *r)
{
    *r = (struct parcel_record){.probability = NAN, .seconds = NAN};
    take_text(o, "type", r->type, sizeof r->type);
    if (!take_number(o, "seq", &r->seq) || !take_time(o, "time", &r->wall_ms) || !r->type[0])
        return false;
    take_text(o, "panel", r->panel, sizeof r->panel);
    take_text(o, "circuit", r->circuit, sizeof r->circuit);
    r->kind = kind_of(r->type);
    switch (r->kind) {
    case PARCEL_ALARM: return take_alarm(o, r);
    case PARCEL_TRIP:
    case PARCEL_RESTORED:
    case PARCEL_OPENED_AGAIN: return take_trip(o, r);
    case PARCEL_OTHER: take_text(o, "call", r->subject, sizeof r->subject); return true;
    }
    return false;
}

/* Past the value that begins at s, in JSON that has been found good: what is between quotes
 * does not count, and brackets do. */
static char *skip_value(char *s)
{
    int depth = 0;
    bool quoted = false;
    for (; *s; s++) {
        if (quoted && *s == '\\')
            s++;
        else if (*s == '"')
            quoted = !quoted;
        else if (!quoted && (*s == '{' || *s == '['))
            depth++;
        else if (!quoted &&
                 ((*s == ',' && depth == 0) || ((*s == '}' || *s == ']') && depth-- == 0)))
            return s; /* the next one, or the end of what it lies in */
    }
    return s;
}

static char *skip_blanks(char *s)
{
    return s + strspn(s, " \t\r\n");
}

/* Where the array of the member begins, behind its bracket; NULL when it is written in another
 * way than plain. */
static char *find_array(char *object, const char *quoted_name)
{
    char *s = skip_blanks(object);
    while (*s == '{' || *s == ',') {
        s = skip_blanks(s + 1);
        size_t n = strlen(quoted_name);
        bool found = strncmp(s, quoted_name, n) == 0;
        s = found ? skip_blanks(s + n) : s;
        if (found && *s == ':') {
            s = skip_blanks(s + 1);
            return *s == '[' ? s + 1 : NULL;
        }
        s = skip_value(s);
    }
    return NULL;
}

/* Each record's text as it was sent, cut out of a copy of the payload. */
static bool take_records(struct parcel *p, const json_t *list, const char *payload,
                         size_t length, char why[PARCEL_WHY_SIZE])
{
    size_t count = json_array_size(list);
    p->records = calloc(count + 1, sizeof *p->records);
    p->texts = strndup(payload, length);
    if (!p->records || !p->texts)
        return fail(why, "memory is short");
    char *at = find_array(p->texts, "\"records\"");
    for (; p->count < count && at; p->count++) {
        struct parcel_record *r = &p->records[p->count];
        if (!take_record(json_array_get(list, p->count), r))
            return fail(why,
                        "record %zu is not a record with seq, time, type and what "
                        "belongs to its type",
                        p->count + 1);
        if (r->seq <= (p->count > 0 ? r[-1].seq : p->after) || r->seq > p->to)
            return fail(why, "record %zu has the number %lld out of order", p->count + 1,
                        (long long)r->seq);
        at = skip_blanks(at);
        r->json = at;
        at = skip_value(at);
        *at++ = '\0'; /* was the comma or the bracket behind it */
    }
    return at || fail(why, "'records' is written in an odd way");
}

static bool take_health(struct parcel *p, const json_t *health, char why[PARCEL_WHY_SIZE])
{
    if (!json_is_object(health))
        return true;
    take_text(health, "name", p->name, sizeof p->name);
    p->health = json_dumps(health, JSON_COMPACT);
    return p->health || fail(why, "memory is short");
}

static bool take(struct parcel *p, const char *site, const json_t *o, const char *payload,
                 size_t length, char why[PARCEL_WHY_SIZE])
{
    const json_t *records = json_object_get(o, "records");
    take_text(o, "site", p->site, sizeof p->site);
    if (!site_id_valid(p->site) || strcmp(p->site, site) != 0)
        return fail(why, "'site' is not the site of the topic");
    if (!take_number(o, "after", &p->after) || !take_number(o, "to", &p->to))
        return fail(why, "'after' and 'to' must be numbers of the stream");
    if (p->to < p->after)
        return fail(why, "'to' lies below 'after'");
    if (!json_is_array(records) || json_array_size(records) > PARCEL_MAX_RECORDS)
        return fail(why, "'records' must be an array of at most %d", PARCEL_MAX_RECORDS);
    p->again = json_is_true(json_object_get(o, "again"));
    return take_health(p, json_object_get(o, "health"), why) &&
           take_records(p, records, payload, length, why);
}

bool parcel_read(struct parcel *p, const char *site, const void *payload, size_t length,
                 char why[PARCEL_WHY_SIZE])
{
    json_error_t error = {0};
    *p = (struct parcel){0};
    if (length > PARCEL_MAX_BYTES)
        return fail(why, "longer than %zu bytes", PARCEL_MAX_BYTES);
    json_t *o = json_loadb(payload, length, JSON_REJECT_DUPLICATES, &error);
    bool good = o ? take(p, site, o, payload, length, why)
                  : fail(why, "column %d: no JSON", error.column);
    json_decref(o);
    if (!good)
        parcel_free(p);
    return good;
}

void parcel_free(struct parcel *p)
{
    free(p->health);
    free(p->records);
    free(p->texts);
    *p = (struct parcel){0};
}
