#include "guard.h"

#include <sodium.h>
#include <string.h>

/* A page of somebody else's whose name leads to 127.0.0.1 would be this page's own in the eyes
 * of a browser: who listens on loopback answers to loopback's names alone. */
static bool is_local_name(const char *host)
{
    size_t n = host[0] == '[' ? strcspn(host, "]") + 1 : strcspn(host, ":");
    return (n == 9 && strncmp(host, "localhost", 9) == 0) ||
           (n == 5 && strncmp(host, "[::1]", 5) == 0) ||
           (strncmp(host, "127.", 4) == 0 && strspn(host, "0123456789.") == n);
}

bool guard_bounds(const struct web_request *r, bool local, struct web_answer *out)
{
    if (strlen(r->path) > WEB_MOST_PATH)
        web_error(out, 414, "the path is longer than %d bytes", WEB_MOST_PATH);
    else if (r->body_length > WEB_MOST_BODY)
        web_error(out, 413, "the body is longer than %d bytes", WEB_MOST_BODY);
    else if (local && r->host && !is_local_name(r->host))
        web_error(out, 421, "this page goes by localhost, or 127.0.0.1, alone");
    else
        return true;
    return false;
}

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

static bool matches(const struct web_route *t, const char *path, char id[EVENT_ID_SIZE])
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

const void *guard_route(const void *routes, size_t count, size_t stride,
                        const struct web_request *r, char id[EVENT_ID_SIZE],
                        struct web_answer *out)
{
    const char *method = strcmp(r->method, "HEAD") == 0 ? "GET" : r->method;
    bool known = false;
    for (size_t i = 0; i < count; i++) {
        const void *at = (const char *)routes + i * stride;
        const struct web_route *t = at;
        if (!matches(t, r->path, id))
            continue;
        known = true;
        if (strcmp(t->method, method) != 0)
            continue;
        return strcmp(t->method, "POST") != 0 || comes_from_here(r, out) ? at : NULL;
    }
    if (known)
        web_error(out, 405, "that can not be done here");
    else
        web_error(out, 404,
                  "there is nothing of that name; /api/v1/openapi.json lists what is");
    return NULL;
}

bool guard_token(const struct web_request *r, const struct access_who *who,
                 struct web_answer *out)
{
    /* in a time that does not tell where they differ */
    if (strcmp(r->method, "POST") != 0 ||
        (r->token && strlen(r->token) == strlen(who->token) &&
         sodium_memcmp(r->token, who->token, strlen(who->token)) == 0))
        return true;
    web_error(out, 403, "the header X-Foretrip-Token is not this session's");
    return false;
}

json_t *guard_body(const struct web_request *r, struct web_answer *out)
{
    json_error_t error;
    json_t *o = r->body_length
                    ? json_loadb(r->body, r->body_length, JSON_REJECT_DUPLICATES, &error)
                    : json_object();
    if (json_is_object(o))
        return o;
    json_decref(o);
    web_error(out, 400, "the body must be a JSON object, as in {\"by\": \"Ada\"}");
    return NULL;
}

void guard_to_door(const struct web_request *r, bool login, const char *verb, const char *id,
                   struct web_answer *out)
{
    json_t *o;
    if (!login) {
        web_error(out, 409, "nobody logs in here: the page listens on loopback");
        return;
    }
    if (!(o = guard_body(r, out)))
        return;
    if (id[0])
        json_object_set_new(o, "id", json_string(id));
    web_json(out, o);
    if (out->status != 200)
        return;
    out->kind = WEB_DOOR;
    out->verb = verb;
    out->tag[0] = '\0';
}

void guard_asset(const struct web_request *r, const struct asset *a, struct web_answer *out)
{
    if (strcmp(r->method, "GET") != 0 && strcmp(r->method, "HEAD") != 0) {
        web_error(out, 405, "that can not be done here");
        return;
    }
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

void guard_unchanged(const struct web_request *r, struct web_answer *out)
{
    char tag[sizeof out->tag];
    if (out->kind != WEB_BODY || out->status != 200 || !out->tag[0] || !r->if_none_match ||
        !strstr(r->if_none_match, out->tag))
        return;
    memcpy(tag, out->tag, sizeof tag);
    web_answer_free(out);
    out->status = 304;
    memcpy(out->tag, tag, sizeof tag);
}
