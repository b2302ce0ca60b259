#include "web_parts.h"

#include "base/clock.h"

#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STREAM_BLOCK 4096

/* A request from its first line to its answer. */
struct in_hand {
    struct text body;
    bool too_long;
    struct ask ask;
};

static const struct web_pair every_answer[] = {
    {"Content-Security-Policy",
     "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
     "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"},
    {"X-Content-Type-Options", "nosniff"},
    {"Referrer-Policy", "no-referrer"},
    {"Cross-Origin-Opener-Policy", "same-origin"},
    {"Cross-Origin-Resource-Policy", "same-origin"},
    {"Permissions-Policy", "camera=(), microphone=(), geolocation=()"},
};

/* ---- live messages ---- */

/* logged out, or their time is over */
static bool has_left(const struct listener *l)
{
    struct access *a = l->web->context.access;
    return a && !access_still(a, l->who.session, clock_wall_ms());
}

static ssize_t read_stream(void *context, uint64_t position, char *out, size_t most)
{
    static const char hello[] = "retry: 2000\nevent: hello\ndata: {}\n\n";
    struct listener *l = context;
    struct web *w = l->web;
    ssize_t n = 0;
    (void)position;
    pthread_mutex_lock(&w->lock);
    if (w->stopping || has_left(l)) {
        n = MHD_CONTENT_READER_END_OF_STREAM;
    } else if (!l->greeted && most >= sizeof hello) {
        l->greeted = true;
        n = sizeof hello - 1;
        memcpy(out, hello, sizeof hello - 1);
    } else {
        n = (ssize_t)stream_read(l->stream, &l->cursor, out, most);
        if (n == 0) {
            l->suspended = true;
            MHD_suspend_connection(l->connection);
        }
    }
    pthread_mutex_unlock(&w->lock);
    return n;
}

static void end_stream(void *context)
{
    struct listener *l = context;
    struct web *w = l->web;
    pthread_mutex_lock(&w->lock);
    if (l->before)
        l->before->next = l->next;
    else
        w->listeners = l->next;
    if (l->next)
        l->next->before = l->before;
    pthread_mutex_unlock(&w->lock);
    free(l);
}

static struct MHD_Response *begin_stream(struct web *w, struct MHD_Connection *connection,
                                         const struct web_answer *a)
{
    struct listener *l = calloc(1, sizeof *l);
    if (!l)
        return NULL;
    *l = (struct listener){.web = w, .connection = connection, .who = a->who};
    l->stream = a->discreet ? w->discreet : w->stream;
    l->cursor = stream_now(l->stream);
    pthread_mutex_lock(&w->lock);
    l->next = w->listeners;
    if (l->next)
        l->next->before = l;
    w->listeners = l;
    pthread_mutex_unlock(&w->lock);
    struct MHD_Response *r = MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, STREAM_BLOCK,
                                                               read_stream, l, end_stream);
    if (!r)
        end_stream(l);
    return r;
}

/* ---- sending an answer ---- */

static void add_headers(struct MHD_Response *r, const struct web_answer *a)
{
    char text[128];
    for (size_t i = 0; i < sizeof every_answer / sizeof every_answer[0]; i++)
        MHD_add_response_header(r, every_answer[i].name, every_answer[i].value);
    if (a->type)
        MHD_add_response_header(r, "Content-Type", a->type);
    MHD_add_response_header(r, "Cache-Control",
                            a->kind == WEB_STREAM ? "no-store" : "no-cache, private");
    if (a->kind == WEB_STREAM)
        MHD_add_response_header(r, "X-Accel-Buffering", "no");
    if (a->gzip)
        MHD_add_response_header(r, "Content-Encoding", "gzip");
    if (a->keep)
        MHD_add_response_header(r, "Vary", "Accept-Encoding");
    if (a->tag[0]) {
        snprintf(text, sizeof text, "\"%s\"", a->tag);
        MHD_add_response_header(r, "ETag", text);
    }
    if (a->cookie[0])
        MHD_add_response_header(r, "Set-Cookie", a->cookie);
    if (a->forget)
        MHD_add_response_header(r, "Clear-Site-Data", "\"cache\"");
    if (a->status == 401)
        MHD_add_response_header(r, "WWW-Authenticate", "Session realm=\"foretrip\"");
    if (a->retry_after) {
        snprintf(text, sizeof text, "%lld", (long long)a->retry_after);
        MHD_add_response_header(r, "Retry-After", text);
    }
    if (a->filename) {
        snprintf(text, sizeof text, "attachment; filename=\"%s\"", a->filename);
        MHD_add_response_header(r, "Content-Disposition", text);
    }
}

static struct MHD_Response *make_response(struct web *w, struct MHD_Connection *connection,
                                          struct web_answer *a)
{
    if (a->kind == WEB_STREAM)
        return begin_stream(w, connection, a);
    if (a->fixed)
        return MHD_create_response_from_buffer(a->fixed_length, (void *)a->fixed,
                                               MHD_RESPMEM_PERSISTENT);
    struct MHD_Response *r = MHD_create_response_from_buffer(
        a->body.length, a->body.bytes ? a->body.bytes : (void *)"",
        a->body.bytes ? MHD_RESPMEM_MUST_FREE : MHD_RESPMEM_PERSISTENT);
    if (r)
        a->body = (struct text)TEXT_INIT; /* it is the response's now */
    return r;
}

static enum MHD_Result send_answer(struct web *w, struct MHD_Connection *connection,
                                   struct web_answer *a)
{
    struct MHD_Response *r = make_response(w, connection, a);
    if (!r)
        return MHD_NO;
    add_headers(r, a);
    enum MHD_Result result = MHD_queue_response(connection, (unsigned)a->status, r);
    MHD_destroy_response(r);
    return result;
}

/* ---- what the engine's thread is asked, the door's, and the desk's ---- */

static struct queue *queue_for(struct web *w, const struct ask *k)
{
    return k->door ? w->door_asks : k->desk ? w->desk_asks : w->asks;
}

static enum MHD_Result ask_thread(struct web *w, struct MHD_Connection *connection,
                                  struct in_hand *h, struct web_answer *a)
{
    struct ask *k = &h->ask;
    k->connection = connection;
    k->verb = a->verb;
    k->body = a->body;
    k->who = a->who;
    k->door = a->kind == WEB_DOOR;
    k->desk = a->kind == WEB_DESK;
    k->sent = true;
    a->body = (struct text)TEXT_INIT;
    MHD_suspend_connection(connection);
    pthread_mutex_lock(&w->lock);
    bool taken = !w->stopping && queue_push(queue_for(w, k), k);
    pthread_mutex_unlock(&w->lock);
    if (!taken) {
        text_copy(k->error, sizeof k->error, "too much is asked at once; try again");
        k->done = true;
        MHD_resume_connection(connection);
    }
    return MHD_YES;
}

static void answer_asked(struct ask *k, struct web_answer *a)
{
    if (k->answer.status) { /* kept or not: the store tries again */
        *a = k->answer;
        k->answer = (struct web_answer){0};
    } else if (k->error[0]) {
        web_error(a, k->refused ? 403 : k->door || k->desk ? 503 : 409, "%s", k->error);
    } else {
        web_json(a, json_pack("{s:b}", "ok", 1));
    }
    a->kind = WEB_BODY;
    a->tag[0] = '\0';
}

/* in numbers; a v4 address that came by a v6 socket as a v4 one */
static void say_address(struct MHD_Connection *connection, char out[INET6_ADDRSTRLEN])
{
    const union MHD_ConnectionInfo *i =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
    const struct sockaddr *at = i ? i->client_addr : NULL;
    const struct sockaddr_in6 *v6 = (const struct sockaddr_in6 *)(const void *)at;
    const struct sockaddr_in *v4 = (const struct sockaddr_in *)(const void *)at;
    snprintf(out, INET6_ADDRSTRLEN, "?");
    if (at && at->sa_family == AF_INET)
        inet_ntop(AF_INET, &v4->sin_addr, out, INET6_ADDRSTRLEN);
    else if (at && at->sa_family == AF_INET6 && IN6_IS_ADDR_V4MAPPED(&v6->sin6_addr))
        inet_ntop(AF_INET, &v6->sin6_addr.s6_addr[12], out, INET6_ADDRSTRLEN);
    else if (at && at->sa_family == AF_INET6)
        inet_ntop(AF_INET6, &v6->sin6_addr, out, INET6_ADDRSTRLEN);
}

/* ---- taking a request ---- */

static enum MHD_Result add_pair(void *context, enum MHD_ValueKind kind, const char *name,
                                const char *value)
{
    struct web_request *r = context;
    (void)kind;
    if (r->query_count >= WEB_MOST_PAIRS)
        return MHD_NO;
    r->query[r->query_count++] = (struct web_pair){name, value ? value : ""};
    return MHD_YES;
}

static struct store_reader *take_reader(struct web *w)
{
    struct store_reader *reader = NULL;
    pthread_mutex_lock(&w->reader_lock);
    for (int i = 0; i < WEB_THREADS && !reader; i++) {
        reader = w->readers[i];
        w->readers[i] = NULL;
    }
    pthread_mutex_unlock(&w->reader_lock);
    return reader;
}

static void give_reader(struct web *w, struct store_reader *reader)
{
    pthread_mutex_lock(&w->reader_lock);
    for (int i = 0; i < WEB_THREADS; i++)
        if (!w->readers[i]) {
            w->readers[i] = reader;
            break;
        }
    pthread_mutex_unlock(&w->reader_lock);
}

static enum MHD_Result answer(struct web *w, struct MHD_Connection *connection, const char *url,
                              const char *method, struct in_hand *h)
{
    struct web_answer a = {0};
    if (h->ask.sent && !h->ask.done)
        return MHD_YES;
    if (h->ask.done) {
        answer_asked(&h->ask, &a);
    } else if (h->too_long) {
        web_error(&a, 413, "the body is longer than %d bytes", WEB_MOST_BODY);
    } else {
        struct web_request r = {.method = method,
                                .path = url,
                                .body = text_get(&h->body),
                                .body_length = h->body.length};
        r.host = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Host");
        r.origin = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Origin");
        r.content_type =
            MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Content-Type");
        r.session = MHD_lookup_connection_value(connection, MHD_COOKIE_KIND, DOOR_COOKIE);
        r.token = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "X-Foretrip-Token");
        say_address(connection, h->ask.address);
        r.address = h->ask.address;
        r.if_none_match =
            MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "If-None-Match");
        const char *takes =
            MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Accept-Encoding");
        r.takes_gzip = takes && strstr(takes, "gzip");
        MHD_get_connection_values(connection, MHD_GET_ARGUMENT_KIND, add_pair, &r);
        pulse_begin(&w->pulses[WEB_SERVERS]);
        struct store_reader *reader = take_reader(w);
        web_answer_request(&w->context, reader, &r, clock_wall_ms(), &a);
        give_reader(w, reader);
        pulse_end(&w->pulses[WEB_SERVERS]);
    }
    enum MHD_Result result = a.kind == WEB_ASK || a.kind == WEB_DOOR || a.kind == WEB_DESK
                                 ? ask_thread(w, connection, h, &a)
                                 : send_answer(w, connection, &a);
    web_answer_free(&a);
    return result;
}

enum MHD_Result web_http_request(void *context, struct MHD_Connection *connection,
                                 const char *url, const char *method, const char *version,
                                 const char *upload, size_t *upload_size, void **state)
{
    struct in_hand *h = *state;
    (void)version;
    if (!h) { /* the head is there, a body may follow */
        *state = calloc(1, sizeof *h);
        return *state ? MHD_YES : MHD_NO;
    }
    if (*upload_size > 0) {
        h->too_long = h->too_long || h->body.length + *upload_size > WEB_MOST_BODY;
        if (!h->too_long)
            text_append_bytes(&h->body, upload, *upload_size);
        *upload_size = 0;
        return MHD_YES;
    }
    return answer(context, connection, url, method, h);
}

void web_http_completed(void *context, struct MHD_Connection *connection, void **state,
                        enum MHD_RequestTerminationCode why)
{
    struct in_hand *h = *state;
    (void)context;
    (void)connection;
    (void)why;
    if (!h)
        return;
    if (h->body.bytes) /* a password may have been in it */
        sodium_memzero(h->body.bytes, h->body.length);
    text_free(&h->body);
    text_free(&h->ask.body);
    web_answer_free(&h->ask.answer);
    free(h);
    *state = NULL;
}
