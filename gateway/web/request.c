#include "request.h"

#include "base/clock.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define JSON_TYPE "application/json"

void web_answer_free(struct web_answer *a)
{
    text_free(&a->body);
    *a = (struct web_answer){0};
}

const char *web_query(const struct web_request *r, const char *name)
{
    for (size_t i = 0; i < r->query_count; i++)
        if (strcmp(r->query[i].name, name) == 0)
            return r->query[i].value;
    return NULL;
}

/* What strangers wrote is quoted shortened, and without what would upset a terminal. */
static const char *quoted(const char *s, char out[41])
{
    size_t n = 0;
    for (; n < 40 && s[n]; n++)
        out[n] = (unsigned char)s[n] < 0x20 || (unsigned char)s[n] >= 0x7f ? '?' : s[n];
    out[n] = '\0';
    return out;
}

bool web_query_time(const struct web_request *r, const char *name, int64_t *wall_ms,
                    struct web_answer *a)
{
    const char *v = web_query(r, name);
    char shown[41];
    if (!v || clock_parse(v, strlen(v), wall_ms))
        return true;
    web_error(a, 400,
              "%s=%s is no time; it is RFC 3339, as in 2026-01-31T06:15:00Z, or Unix seconds",
              name, quoted(v, shown));
    return false;
}

bool web_query_number(const struct web_request *r, const char *name, int64_t least,
                      int64_t most, int64_t *out, struct web_answer *a)
{
    const char *v = web_query(r, name);
    char *end = NULL, shown[41];
    if (!v)
        return true;
    errno = 0;
    long long n = strtoll(v, &end, 10);
    if (end == v || *end || errno || n < least || n > most) {
        web_error(a, 400, "%s=%s is no whole number from %lld to %lld", name, quoted(v, shown),
                  (long long)least, (long long)most);
        return false;
    }
    *out = n;
    return true;
}

bool web_query_switch(const struct web_request *r, const char *name, bool *out,
                      struct web_answer *a)
{
    const char *v = web_query(r, name);
    char shown[41];
    if (!v)
        return true;
    if (strcmp(v, "true") != 0 && strcmp(v, "false") != 0) {
        web_error(a, 400, "%s=%s is neither true nor false", name, quoted(v, shown));
        return false;
    }
    *out = v[0] == 't';
    return true;
}

bool web_query_only(const struct web_request *r, const char *const *names, struct web_answer *a)
{
    for (size_t i = 0; i < r->query_count; i++) {
        size_t n = 0;
        while (names[n] && strcmp(names[n], r->query[i].name) != 0)
            n++;
        if (names[n])
            continue;
        struct text known = TEXT_INIT;
        char shown[41];
        for (n = 0; names[n]; n++)
            text_printf(&known, "%s%s", n ? ", " : "", names[n]);
        web_error(a, 400, "there is no parameter %s here; there are: %s",
                  quoted(r->query[i].name, shown), known.length ? known.bytes : "none");
        text_free(&known);
        return false;
    }
    return true;
}

void web_error(struct web_answer *a, int status, const char *format, ...)
{
    char sentence[512];
    va_list args;
    va_start(args, format);
    vsnprintf(sentence, sizeof sentence, format, args);
    va_end(args);
    web_answer_free(a);
    web_json(a, json_pack("{s:s}", "error", sentence));
    a->status = status;
    a->tag[0] = '\0';
}

char *web_json_dump(const json_t *o)
{
    return o ? json_dumps(o, JSON_COMPACT | JSON_REAL_PRECISION(10)) : NULL;
}

void web_json(struct web_answer *a, json_t *o)
{
    char *json = web_json_dump(o);
    json_decref(o);
    text_clear(&a->body);
    text_append(&a->body, json ? json : "");
    a->body.failed = a->body.failed || !json;
    free(json);
    web_json_text(a);
}

/* FNV-1a over the body: enough to tell that nothing has changed */
static void set_tag(struct web_answer *a)
{
    uint64_t h = UINT64_C(14695981039346656037);
    for (size_t i = 0; i < a->body.length; i++)
        h = (h ^ (unsigned char)a->body.bytes[i]) * UINT64_C(1099511628211);
    snprintf(a->tag, sizeof a->tag, "%016llx-%zx", (unsigned long long)h, a->body.length);
}

void web_json_text(struct web_answer *a)
{
    a->kind = WEB_BODY;
    a->type = JSON_TYPE;
    a->status = 200;
    if (a->body.failed) {
        text_free(&a->body);
        a->body = (struct text)TEXT_INIT;
        text_append(&a->body, "{\"error\":\"memory is short\"}");
        a->status = 500;
        return;
    }
    set_tag(a);
}
