#include "command.h"

#include "base/clock.h"
#include "base/text.h"
#include "store/chart.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const verb_names[COMMAND_VERBS] = {
    [COMMAND_ACKNOWLEDGE] = "acknowledge",
    [COMMAND_SHELVE] = "shelve",
    [COMMAND_UNSHELVE] = "unshelve",
    [COMMAND_OUT_OF_SERVICE] = "out-of-service",
    [COMMAND_IN_SERVICE] = "in-service",
    [COMMAND_CIRCUITS] = "circuits",
    [COMMAND_STATUS] = "status",
    [COMMAND_NAME] = "name-load",
    [COMMAND_CORRECT] = "correct-cause",
    [COMMAND_HISTORY] = "history",
    [COMMAND_NOTE] = "note",
    [COMMAND_CALL_BEGIN] = "call-begin",
    [COMMAND_CALL_ANSWER] = "call-answer",
    [COMMAND_SEND_AGAIN] = "send-again",
    [COMMAND_SHEET] = "sheet",
    [COMMAND_REPLACED] = "breaker-replaced",
};

/* what they were called first */
static const struct {
    const char *word;
    enum command_verb verb;
} old_names[] = {{"name", COMMAND_NAME}, {"correct", COMMAND_CORRECT}};

const char *command_verb_name(enum command_verb v)
{
    return verb_names[v];
}

static bool fail(char why[COMMAND_WHY_SIZE], const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static bool fail(char why[COMMAND_WHY_SIZE], const char *format, ...)
{
    va_list args;
    va_start(args, format);
    vsnprintf(why, COMMAND_WHY_SIZE, format, args);
    va_end(args);
    return false;
}

/* What strangers wrote is quoted shortened, and without what would upset a terminal or a log.
 */
static const char *quoted(const char *s, char out[41])
{
    size_t n = 0;
    for (; n < 40 && s[n]; n++)
        out[n] = (unsigned char)s[n] < 0x20 || (unsigned char)s[n] >= 0x7f ? '?' : s[n];
    out[n] = '\0';
    return out;
}

static bool find_verb(const char *word, enum command_verb *out, char why[COMMAND_WHY_SIZE])
{
    char shown[41];
    for (int v = 0; v < COMMAND_VERBS; v++)
        if (strcmp(word, verb_names[v]) == 0) {
            *out = (enum command_verb)v;
            return true;
        }
    for (size_t i = 0; i < sizeof old_names / sizeof old_names[0]; i++)
        if (strcmp(word, old_names[i].word) == 0) {
            *out = old_names[i].verb;
            return true;
        }
    for (int v = 0; v < COMMAND_VERBS; v++)
        if (text_distance(word, verb_names[v]) <= 2)
            return fail(why, "there is no command '%s'; did you mean '%s'?",
                        quoted(word, shown), verb_names[v]);
    return fail(why,
                "there is no command '%s'; there are acknowledge, shelve, unshelve, "
                "out-of-service, in-service, circuits, status, history, name-load, "
                "correct-cause, note, call-begin, call-answer, send-again, sheet, "
                "breaker-replaced",
                quoted(word, shown));
}

/* Answers must not be mistaken for what the gateway itself says, nor turn into a wildcard. */
static bool topic_allowed(const char *own, const char *topic)
{
    size_t n = strlen(own);
    if (topic[0] == '\0' || topic[0] == '$' || strpbrk(topic, "+#"))
        return false;
    return strncmp(topic, own, n) != 0 || strncmp(topic + n, "reply/", 6) == 0;
}

static bool set_topic(const char *own, const char *topic, const char *member,
                      struct command_reply *reply, char why[COMMAND_WHY_SIZE])
{
    char shown[41];
    if (!topic_allowed(own, topic))
        return fail(why,
                    "%s '%s' is no topic for an answer: it must be without + and #, not begin "
                    "with $, and below %s only in %sreply/",
                    member, quoted(topic, shown), own, own);
    if (!text_copy(reply->topic, sizeof reply->topic, topic)) {
        reply->topic[0] = '\0';
        return fail(why, "%s is longer than %zu bytes", member, sizeof reply->topic - 1);
    }
    return true;
}

/* A member that is a text; absent is allowed when it is not needed. */
static bool take_text(const json_t *o, const char *member, bool needed, char *out, size_t size,
                      char why[COMMAND_WHY_SIZE])
{
    const json_t *v = json_object_get(o, member);
    if (!v && !needed)
        return true;
    if (!v)
        return fail(why, "'%s' is missing", member);
    if (!json_is_string(v))
        return fail(why, "'%s' must be a text", member);
    if (needed && json_string_length(v) == 0)
        return fail(why, "'%s' is empty", member);
    if (!text_copy(out, size, json_string_value(v))) {
        out[0] = '\0';
        return fail(why, "'%s' is longer than %zu bytes", member, size - 1);
    }
    return true;
}

static bool take_id(const json_t *o, struct command_reply *reply, char why[COMMAND_WHY_SIZE])
{
    const json_t *v = json_object_get(o, "id");
    if (json_is_integer(v)) {
        snprintf(reply->id, sizeof reply->id, "%lld", (long long)json_integer_value(v));
        return true;
    }
    return take_text(o, "id", false, reply->id, sizeof reply->id, why);
}

static bool take_seconds(const json_t *o, double *out, char why[COMMAND_WHY_SIZE])
{
    const json_t *v = json_object_get(o, "seconds");
    if (!v)
        return fail(why, "'seconds' is missing: shelving must end");
    if (!json_is_number(v))
        return fail(why, "'seconds' must be a number");
    double seconds = json_number_value(v);
    if (!(seconds >= 1.0 && seconds <= COMMAND_MAX_SHELVE_SECONDS))
        return fail(why, "'seconds' is %.10g; it must lie between 1 and %.0f (30 days)",
                    seconds, COMMAND_MAX_SHELVE_SECONDS);
    *out = seconds;
    return true;
}

static bool take_cause(const json_t *o, enum trip_cause *out, char why[COMMAND_WHY_SIZE])
{
    char word[32] = "", shown[41];
    if (!take_text(o, "cause", true, word, sizeof word, why))
        return false;
    if (trip_cause_find(word, out))
        return true;
    return fail(why,
                "there is no cause '%s'; there are overload, fault, worn_breaker, "
                "opened_by_hand, upstream_open, supply_outage, sensor_lost, load_ended",
                quoted(word, shown));
}

/* A moment as RFC 3339 text or Unix seconds; absent is allowed. */
static bool take_time(const json_t *o, const char *member, int64_t *out,
                      char why[COMMAND_WHY_SIZE])
{
    const json_t *v = json_object_get(o, member);
    double seconds = json_is_number(v) ? json_number_value(v) : 0.0;
    bool good = !v || (json_is_number(v) && seconds >= 0.001 && seconds < 1e10);
    if (json_is_string(v))
        good = clock_parse(json_string_value(v), json_string_length(v), out) && *out > 0;
    else if (v)
        *out = good ? (int64_t)(seconds * 1000.0) : 0;
    return good ||
           fail(why, "'%s' must be a time: \"2026-01-31T06:00:00Z\" or Unix seconds", member);
}

static bool take_whole(const json_t *o, const char *member, int least, int most, int *out,
                       char why[COMMAND_WHY_SIZE])
{
    const json_t *v = json_object_get(o, member);
    if (!v)
        return true;
    if (!json_is_integer(v) || json_integer_value(v) < least || json_integer_value(v) > most)
        return fail(why, "'%s' must be a whole number from %d to %d", member, least, most);
    *out = (int)json_integer_value(v);
    return true;
}

static bool take_quantity(const json_t *o, enum frame_quantity *out, char why[COMMAND_WHY_SIZE])
{
    char word[16] = "amps", shown[41];
    return take_text(o, "quantity", false, word, sizeof word, why) &&
           (chart_quantity(word, out) ||
            fail(why, "there is no quantity '%s'; there are amps, watts, volts, pf",
                 quoted(word, shown)));
}

static bool take_span(const json_t *o, struct command_span *s, char why[COMMAND_WHY_SIZE])
{
    s->points = COMMAND_POINTS;
    return take_text(o, "circuit", true, s->circuit, sizeof s->circuit, why) &&
           take_quantity(o, &s->quantity, why) &&
           take_whole(o, "pole", 1, SITE_MAX_POLES, &s->pole, why) &&
           take_time(o, "from", &s->from_wall_ms, why) &&
           take_time(o, "to", &s->to_wall_ms, why) &&
           take_whole(o, "points", 1, COMMAND_MAX_POINTS, &s->points, why);
}

/* a word out of a list; absent leaves *out as it is */
static bool take_as(const json_t *o, enum call_as *out, char why[COMMAND_WHY_SIZE])
{
    char word[24] = "", shown[41];
    if (!take_text(o, "as", false, word, sizeof word, why))
        return false;
    return word[0] == '\0' || call_as_find(word, out) ||
           fail(why, "there is no 'as' '%s'; there are occupant, electrician",
                quoted(word, shown));
}

static bool take_answer(const json_t *o, struct command_call *c, char why[COMMAND_WHY_SIZE])
{
    char word[24] = "", danger[24] = "", shown[41];
    int question = 0;
    if (!take_text(o, "answer", true, word, sizeof word, why) ||
        !take_text(o, "danger", false, danger, sizeof danger, why) ||
        !take_whole(o, "question", 0, INT32_MAX, &question, why))
        return false;
    c->question = (uint32_t)question;
    if (!call_answer_find(word, &c->answer))
        return fail(why, "there is no answer '%s'; what is asked says which there are",
                    quoted(word, shown));
    if (danger[0] && !call_danger_find(danger, &c->danger))
        return fail(why,
                    "there is no danger '%s'; there are heat, smell, buzzing, sparks, water, "
                    "damage, shock",
                    quoted(danger, shown));
    return true;
}

static bool take_call(const json_t *o, struct command *c, char why[COMMAND_WHY_SIZE])
{
    bool begin = c->verb == COMMAND_CALL_BEGIN;
    struct command_call *k = &c->call;
    k->answer = CALL_SAID_BEGIN;
    return take_text(o, begin ? "circuit" : "call", true, k->call, sizeof k->call, why) &&
           (begin || take_answer(o, k, why)) && take_as(o, &k->as, why) &&
           take_text(o, "device", false, k->device, sizeof k->device, why) &&
           take_text(o, "note", false, c->note, sizeof c->note, why) &&
           take_text(o, "by", c->person[0] == '\0', c->by, sizeof c->by, why);
}

static bool take_number(const json_t *o, const char *member, int64_t *out,
                        char why[COMMAND_WHY_SIZE])
{
    const json_t *v = json_object_get(o, member);
    if (!json_is_integer(v) || json_integer_value(v) < 0)
        return fail(why, "'%s' must be a number of the stream", member);
    *out = json_integer_value(v);
    return true;
}

static bool take_range(const json_t *o, struct command *c, char why[COMMAND_WHY_SIZE])
{
    if (!take_number(o, "after", &c->after, why) || !take_number(o, "to", &c->to, why))
        return false;
    return c->after < c->to || fail(why, "'to' must be above 'after'");
}

static bool take_sheet(const json_t *o, struct command *c, char why[COMMAND_WHY_SIZE])
{
    char word[24] = "", shown[41];
    c->least = ROLE_ADMINISTRATOR;
    if (!take_text(o, "trip", false, c->trip, sizeof c->trip, why) ||
        !take_text(o, "role", false, word, sizeof word, why))
        return false;
    for (int r = 0; r < ROLES; r++)
        if (word[0] == '\0' || strcmp(word, delivery_role_name((enum delivery_role)r)) == 0) {
            c->least = word[0] ? (enum delivery_role)r : ROLE_ADMINISTRATOR;
            return true;
        }
    return fail(
        why, "there is no role '%s'; there are resident, electrician, manager, administrator",
        quoted(word, shown));
}

/* "acknowledge/kim" */
static bool take_topic(const char *rest, struct command *c, char why[COMMAND_WHY_SIZE])
{
    char word[64], shown[41];
    const char *slash = strchr(rest, '/');
    size_t n = slash ? (size_t)(slash - rest) : strlen(rest);
    snprintf(word, sizeof word, "%.*s", n < sizeof word ? (int)n : (int)sizeof word - 1, rest);
    if (slash && !site_id_valid(slash + 1))
        return fail(why, "'%s' is no id of a person", quoted(slash + 1, shown));
    if (slash)
        text_copy(c->person, sizeof c->person, slash + 1);
    return find_verb(word, &c->verb, why);
}

static bool take_members(const json_t *o, struct command *c, char why[COMMAND_WHY_SIZE])
{
    if (c->verb == COMMAND_CIRCUITS || c->verb == COMMAND_STATUS)
        return true;
    if (c->verb == COMMAND_SEND_AGAIN)
        return take_range(o, c, why);
    if (c->verb == COMMAND_SHEET)
        return take_sheet(o, c, why);
    if (c->verb == COMMAND_HISTORY)
        return take_span(o, &c->span, why);
    if (c->verb == COMMAND_NAME) /* an empty name takes it back */
        return take_text(o, "load", true, c->load, sizeof c->load, why) &&
               take_text(o, "name", false, c->name, sizeof c->name, why);
    if (c->verb == COMMAND_CORRECT)
        return take_text(o, "trip", true, c->trip, sizeof c->trip, why) &&
               take_cause(o, &c->cause, why) &&
               take_text(o, "by", c->person[0] == '\0', c->by, sizeof c->by, why);
    if (c->verb == COMMAND_NOTE)
        return take_text(o, "trip", true, c->trip, sizeof c->trip, why) &&
               take_text(o, "note", true, c->note, sizeof c->note, why) &&
               take_text(o, "by", c->person[0] == '\0', c->by, sizeof c->by, why);
    if (c->verb == COMMAND_REPLACED)
        return take_text(o, "circuit", true, c->circuit, sizeof c->circuit, why) &&
               take_text(o, "note", false, c->note, sizeof c->note, why) &&
               take_text(o, "by", c->person[0] == '\0', c->by, sizeof c->by, why);
    if (c->verb == COMMAND_CALL_BEGIN || c->verb == COMMAND_CALL_ANSWER)
        return take_call(o, c, why);
    return take_text(o, "alarm", true, c->alarm, sizeof c->alarm, why) &&
           (c->verb != COMMAND_SHELVE || take_seconds(o, &c->seconds, why)) &&
           take_text(o, "by", c->person[0] == '\0', c->by, sizeof c->by, why) &&
           take_text(o, "note", false, c->note, sizeof c->note, why);
}

static bool take_reply(const char *own, const json_t *o, struct command_reply *reply,
                       char why[COMMAND_WHY_SIZE])
{
    const json_t *to = json_object_get(o, "reply_to");
    bool ok = take_id(o, reply, why);
    if (reply->topic[0] || !to)
        return ok;
    if (!json_is_string(to))
        return fail(why, "'reply_to' must be a text");
    return set_topic(own, json_string_value(to), "reply_to", reply, why) && ok;
}

bool command_parse(const char *own, const char *verb, const void *payload, size_t length,
                   const char *response_topic, const void *correlation,
                   size_t correlation_length, struct command *out, char why[COMMAND_WHY_SIZE])
{
    *out = (struct command){0};
    why[0] = '\0';
    if (response_topic && !set_topic(own, response_topic, "response topic", &out->reply, why))
        return false;
    if (correlation_length > sizeof out->reply.correlation)
        return fail(why, "the correlation data is longer than %zu bytes",
                    sizeof out->reply.correlation);
    if (correlation_length > 0)
        memcpy(out->reply.correlation, correlation, correlation_length);
    out->reply.correlation_length = correlation_length;
    if (length > COMMAND_MAX_BYTES)
        return fail(why, "the command is longer than %d bytes", COMMAND_MAX_BYTES);

    json_error_t error = {0};
    json_t *o = length == 0 ? json_object() /* "status" needs no words */
                            : json_loadb(payload, length, JSON_REJECT_DUPLICATES, &error);
    char shown[41];
    bool ok;
    if (!o)
        ok = fail(why, "line %d, column %d: %s", error.line, error.column,
                  quoted(error.text, shown));
    else if (!json_is_object(o))
        ok = fail(why, "a command is a JSON object, {\"id\": ..}");
    else
        ok = take_reply(own, o, &out->reply, why) && take_topic(verb, out, why) &&
             take_members(o, out, why);
    json_decref(o);
    return ok;
}
