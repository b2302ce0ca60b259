#include "answer.h"

#include "api.h"
#include "assets.h"

#include <sodium.h>
#include <string.h>

struct route {
    const char *method;
    const char *before; /* the id */
    const char *after;  /* NULL: the path is `before` and has no id */
    api_function *function;
    enum act act;
};

static const struct route routes[] = {
    {"GET", "/api/v1/site", NULL, api_site, ACT_SEE},
    {"GET", "/api/v1/status", NULL, api_status, ACT_SEE},
    {"GET", "/api/v1/circuits", NULL, api_circuits, ACT_SEE},
    {"GET", "/api/v1/circuits/", "", api_circuit, ACT_SEE},
    {"GET", "/api/v1/circuits/", "/history", api_history, ACT_SEE},
    {"GET", "/api/v1/circuits/", "/alarms", api_circuit_alarms, ACT_SEE},
    {"GET", "/api/v1/circuits/", "/energy", api_energy, ACT_SEE},
    {"GET", "/api/v1/circuits/", "/export.csv", api_export, ACT_SEE_LOADS},
    {"POST", "/api/v1/circuits/", "/name", api_name, ACT_NAME},
    {"GET", "/api/v1/loads", NULL, api_loads, ACT_SEE_LOADS},
    {"GET", "/api/v1/alarms", NULL, api_alarms, ACT_SEE},
    {"POST", "/api/v1/alarms/", "/acknowledge", api_acknowledge, ACT_ACKNOWLEDGE},
    {"POST", "/api/v1/alarms/", "/shelve", api_shelve, ACT_SHELVE},
    {"POST", "/api/v1/alarms/", "/unshelve", api_unshelve, ACT_ACKNOWLEDGE},
    {"POST", "/api/v1/alarms/", "/out-of-service", api_out_of_service, ACT_OUT_OF_SERVICE},
    {"POST", "/api/v1/alarms/", "/in-service", api_in_service, ACT_OUT_OF_SERVICE},
    {"GET", "/api/v1/trips", NULL, api_trips, ACT_SEE},
    {"GET", "/api/v1/trips/", "", api_trip, ACT_SEE},
    {"GET", "/api/v1/trips/", "/record", api_trip_record, ACT_SEE_LOADS},
    {"POST", "/api/v1/trips/", "/correct", api_correct, ACT_CORRECT},
    {"POST", "/api/v1/trips/", "/note", api_note, ACT_NOTE},
    {"GET", "/api/v1/calls", NULL, api_calls, ACT_SEE},
    {"GET", "/api/v1/calls/", "", api_call, ACT_SEE},
    {"POST", "/api/v1/calls", NULL, api_call_begin, ACT_CALL},
    {"POST", "/api/v1/calls/", "/answer", api_call_answer, ACT_CALL},
    {"POST", "/api/v1/calls/", "/stop", api_call_stop, ACT_NOTE},
    {"POST", "/api/v1/calls/", "/note", api_call_note, ACT_NOTE},
    {"GET", "/api/v1/events", NULL, api_events, ACT_SEE},
    {"GET", "/api/v1/trace", NULL, api_trace, ACT_NAME},
    {"GET", "/api/v1/directory", NULL, api_directory, ACT_SEE},
    {"GET", "/api/v1/directory.csv", NULL, api_directory_csv, ACT_SEE},
    {"GET", "/api/v1/directory/changes", NULL, api_directory_changes, ACT_SEE},
    {"POST", "/api/v1/directory/keep", NULL, api_directory_keep, ACT_NAME},
    {"POST", "/api/v1/directory/place", NULL, api_directory_place, ACT_NAME},
    {"POST", "/api/v1/directory/forget", NULL, api_directory_forget, ACT_NAME},
    {"POST", "/api/v1/directory/purpose", NULL, api_directory_purpose, ACT_DIRECTORY},
    {"POST", "/api/v1/directory/import", NULL, api_directory_import, ACT_DIRECTORY},
    {"GET", "/api/v1/stream", NULL, api_stream, ACT_SEE},
    {"GET", "/api/v1/phrases", NULL, api_phrases, ACT_SEE},
    {"GET", "/api/v1/study", NULL, api_study, ACT_SEE},
    {"GET", "/api/v1/advice", NULL, api_advice, ACT_SEE_LOADS},
    {"GET", "/api/v1/session", NULL, api_session, ACT_NOTHING},
    {"POST", "/api/v1/session", NULL, api_login, ACT_NOTHING},
    {"POST", "/api/v1/session/choose", NULL, api_choose, ACT_NOTHING},
    {"POST", "/api/v1/session/password", NULL, api_password, ACT_SEE},
    {"POST", "/api/v1/session/end", NULL, api_logout, ACT_SEE},
    {"GET", "/api/v1/people", NULL, api_people, ACT_PEOPLE},
    {"POST", "/api/v1/people/", "/invite", api_invite, ACT_PEOPLE},
    {"POST", "/api/v1/people/", "/end", api_end, ACT_PEOPLE},
    {"POST", "/api/v1/visits", NULL, api_visit, ACT_PEOPLE},
    {"POST", "/api/v1/visits/", "/end", api_end, ACT_PEOPLE},
    {"GET", "/api/v1/audit", NULL, api_audit, ACT_PEOPLE},
};
#define ROUTES (sizeof routes / sizeof routes[0])

/* Ids consist of letters, digits, _ - and the full stop; a path with anything else is none. */
static bool take_id(const char *s, size_t n, char id[EVENT_ID_SIZE])
{
    if (n == 0 || n >= EVENT_ID_SIZE)
        return false;
    for (size_t i = 0; i < n; i++)
        if (!strchr("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-.", s[i]))
            return false;
    memcpy(id, s, n);
    id[n] = '\0';
    return true;
}

static bool matches(const struct route *t, const char *path, char id[EVENT_ID_SIZE])
{
    id[0] = '\0';
    if (!t->after)
        return strcmp(path, t->before) == 0;
    size_t before = strlen(t->before), after = strlen(t->after), n = strlen(path);
    return n > before + after && strncmp(path, t->before, before) == 0 &&
           strcmp(path + n - after, t->after) == 0 &&
           take_id(path + before, n - before - after, id);
}

/* A page of somebody else's must not be able to change anything here: what changes something
 * comes from this page (Origin, when a browser says it, names this host) and as JSON, which no
 * form of another page can send without being asked first. */
static bool comes_from_here(const struct web_request *r, struct web_answer *out)
{
    if (!r->content_type || strncmp(r->content_type, "application/json", 16) != 0) {
        web_error(out, 415, "the content type must be application/json");
        return false;
    }
    const char *origin = r->origin;
    if (!origin)
        return true;
    origin = strncmp(origin, "https://", 8) == 0  ? origin + 8
             : strncmp(origin, "http://", 7) == 0 ? origin + 7
                                                  : "";
    if (r->host && strcmp(origin, r->host) == 0)
        return true;
    web_error(out, 403, "this was asked by another page, and only this one may");
    return false;
}

/* in a time that does not tell where they differ */
static bool same_token(const char *given, const char *wanted)
{
    return strlen(given) == strlen(wanted) && sodium_memcmp(given, wanted, strlen(wanted)) == 0;
}

/* A page of somebody else's whose name leads to 127.0.0.1 would be this page's own in the eyes
 * of a browser: who listens on loopback answers to loopback's names alone. */
static bool is_local_name(const char *host)
{
    size_t n = host[0] == '[' ? strcspn(host, "]") + 1 : strcspn(host, ":");
    return (n == 9 && strncmp(host, "localhost", 9) == 0) ||
           (n == 5 && strncmp(host, "[::1]", 5) == 0) ||
           (strncmp(host, "127.", 4) == 0 && strspn(host, "0123456789.") == n);
}

/* Whoever asks, into the call; false having answered. */
static bool may(struct api_call *c, const struct route *t, struct web_answer *out)
{
    struct access *a = c->x->access;
    bool post = strcmp(t->method, "POST") == 0;
    c->who = (struct access_who){.role = ROLE_ADMINISTRATOR};
    if (!a)
        return true;
    bool in = c->r->session && access_find(a, c->r->session, c->wall_ms, &c->who);
    c->discreet = !in || !role_may(c->who.role, ACT_SEE_LOADS);
    if (!in)
        c->who = (struct access_who){0};
    if (t->act == ACT_NOTHING)
        return true;
    if (!in)
        web_error(out, 401, "log in first: POST /api/v1/session");
    else if (!role_may(c->who.role, t->act))
        web_error(out, 403, "%s as %s may not do that", c->who.name,
                  delivery_role_name(c->who.role));
    else if (post && !(c->r->token && same_token(c->r->token, c->who.token)))
        web_error(out, 403, "the header X-Foretrip-Token is not this session's");
    else
        return true;
    return false;
}

static void answer_api(struct api_call *c, struct web_answer *out)
{
    const struct web_request *r = c->r;
    bool head = strcmp(r->method, "HEAD") == 0, known = false;
    for (size_t i = 0; i < ROUTES; i++) {
        if (!matches(&routes[i], r->path, c->id))
            continue;
        known = true;
        if (strcmp(routes[i].method, head ? "GET" : r->method) != 0)
            continue;
        if (strcmp(routes[i].method, "POST") == 0 && !comes_from_here(r, out))
            return;
        if (may(c, &routes[i], out))
            routes[i].function(c, out);
        out->who = c->who;
        out->discreet = c->discreet;
        return;
    }
    if (known)
        web_error(out, 405, "that can not be done here");
    else
        web_error(out, 404,
                  "there is nothing of that name; /api/v1/openapi.json lists what is");
}

static void answer_asset(const struct web_request *r, struct web_answer *out)
{
    if (strcmp(r->method, "GET") != 0 && strcmp(r->method, "HEAD") != 0) {
        web_error(out, 405, "that can not be done here");
        return;
    }
    const char *described = "/api/v1/openapi.json";
    const struct asset *a =
        asset_find(strcmp(r->path, described) == 0 ? "/openapi.json" : r->path);
    if (!a) {
        web_error(out, 404, "there is nothing of that name");
        return;
    }
    bool gzip = a->gzip_length > 0 && r->takes_gzip;
    *out = (struct web_answer){.status = 200,
                               .type = a->type,
                               .fixed = gzip ? a->gzip : a->bytes,
                               .fixed_length = gzip ? a->gzip_length : a->length,
                               .gzip = gzip,
                               .keep = true};
    text_copy(out->tag, sizeof out->tag, a->tag);
}

void web_answer_request(const struct web_context *x, struct store_reader *reader,
                        const struct web_request *r, int64_t wall_ms, struct web_answer *out)
{
    struct api_call c = {.x = x, .reader = reader, .r = r, .wall_ms = wall_ms};
    bool api = strncmp(r->path, "/api/", 5) == 0;
    if (strlen(r->path) > WEB_MOST_PATH)
        web_error(out, 414, "the path is longer than %d bytes", WEB_MOST_PATH);
    else if (r->body_length > WEB_MOST_BODY)
        web_error(out, 413, "the body is longer than %d bytes", WEB_MOST_BODY);
    else if (x->local && r->host && !is_local_name(r->host))
        web_error(out, 421, "this page goes by localhost, or 127.0.0.1, alone");
    else if (api && strcmp(r->path, "/api/v1/openapi.json") != 0)
        answer_api(&c, out);
    else
        answer_asset(r, out);
    if (out->kind == WEB_BODY && out->status == 200 && out->tag[0] && r->if_none_match &&
        strstr(r->if_none_match, out->tag)) {
        char tag[sizeof out->tag];
        memcpy(tag, out->tag, sizeof tag);
        web_answer_free(out);
        out->status = 304;
        memcpy(out->tag, tag, sizeof tag);
    }
}
