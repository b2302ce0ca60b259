#include "server.h"

#include "door.h"

#include "base/certificate.h"
#include "base/clock.h"
#include "base/log.h"

#include <arpa/inet.h>
#include <errno.h>
#include <math.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define CONNECTION_BYTES ((size_t)16 * 1024)
#define SILENCE_SECONDS 30
#define MOST_OF_ONE 64U /* connections of one address, elsewhere than on loopback */
#define DAY_MS INT64_C(86400000)
#define MOST_PEM ((size_t)64 * 1024)
#define TLS_VERSIONS "NORMAL:-VERS-ALL:+VERS-TLS1.3:+VERS-TLS1.2"

struct server {
    struct page_settings settings;
    const struct server_calls *calls;
    void *context;
    struct MHD_Daemon *daemon;
    int port;
    struct text cert, key;       /* PEM */
    int64_t cert_looked_mono_ms; /* at how long it is good */
};

/* A request from its first line to its answer. */
struct in_hand {
    struct text body;
    bool too_long;
    struct server_ask ask;
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

static struct MHD_Response *make_response(struct server *s, struct MHD_Connection *connection,
                                          struct web_answer *a)
{
    if (a->kind == WEB_STREAM)
        return s->calls->stream(s->context, connection, a);
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

static enum MHD_Result send_answer(struct server *s, struct MHD_Connection *connection,
                                   struct web_answer *a)
{
    struct MHD_Response *r = make_response(s, connection, a);
    if (!r)
        return MHD_NO;
    add_headers(r, a);
    enum MHD_Result result = MHD_queue_response(connection, (unsigned)a->status, r);
    MHD_destroy_response(r);
    return result;
}

/* ---- what somebody else's thread is asked ---- */

void server_answered(struct server_ask *k)
{
    k->done = true;
    MHD_resume_connection(k->connection);
}

void server_failed(struct server_ask *k, const char *error)
{
    text_copy(k->error, sizeof k->error, error);
    server_answered(k);
}

static enum MHD_Result pass(struct server *s, struct MHD_Connection *connection,
                            struct in_hand *h, struct web_answer *a)
{
    struct server_ask *k = &h->ask;
    k->connection = connection;
    k->kind = a->kind;
    k->verb = a->verb;
    k->body = a->body;
    k->who = a->who;
    k->sent = true;
    a->body = (struct text)TEXT_INIT;
    MHD_suspend_connection(connection);
    if (!s->calls->pass(s->context, k))
        server_failed(k, "too much is asked at once; try again");
    return MHD_YES;
}

static void answer_asked(struct server_ask *k, struct web_answer *a)
{
    if (k->answer.status) { /* kept or not: the store tries again */
        *a = k->answer;
        k->answer = (struct web_answer){0};
    } else if (k->error[0]) {
        web_error(a, k->refused ? 403 : k->kind == WEB_ASK ? 409 : 503, "%s", k->error);
    } else {
        web_json(a, json_pack("{s:b}", "ok", 1));
    }
    a->kind = WEB_BODY;
    a->tag[0] = '\0';
}

/* in numbers; a v4 address that came by a v6 socket as a v4 one */
static void say_address(struct MHD_Connection *connection, char out[SERVER_ADDRESS_SIZE])
{
    const union MHD_ConnectionInfo *i =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
    const struct sockaddr *at = i ? i->client_addr : NULL;
    const struct sockaddr_in6 *v6 = (const struct sockaddr_in6 *)(const void *)at;
    const struct sockaddr_in *v4 = (const struct sockaddr_in *)(const void *)at;
    snprintf(out, SERVER_ADDRESS_SIZE, "?");
    if (at && at->sa_family == AF_INET)
        inet_ntop(AF_INET, &v4->sin_addr, out, SERVER_ADDRESS_SIZE);
    else if (at && at->sa_family == AF_INET6 && IN6_IS_ADDR_V4MAPPED(&v6->sin6_addr))
        inet_ntop(AF_INET, &v6->sin6_addr.s6_addr[12], out, SERVER_ADDRESS_SIZE);
    else if (at && at->sa_family == AF_INET6)
        inet_ntop(AF_INET6, &v6->sin6_addr, out, SERVER_ADDRESS_SIZE);
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

static enum MHD_Result answer(struct server *s, struct MHD_Connection *connection,
                              const char *url, const char *method, struct in_hand *h)
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
        s->calls->answer(s->context, &r, &a);
    }
    enum MHD_Result result = a.kind == WEB_ASK || a.kind == WEB_DOOR || a.kind == WEB_DESK
                                 ? pass(s, connection, h, &a)
                                 : send_answer(s, connection, &a);
    web_answer_free(&a);
    return result;
}

static enum MHD_Result take_request(void *context, struct MHD_Connection *connection,
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

static void completed(void *context, struct MHD_Connection *connection, void **state,
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

/* ---- starting and stopping ---- */

static void say(void *context, const char *format, va_list args)
{
    char line[256];
    (void)context;
    vsnprintf(line, sizeof line, format, args);
    line[strcspn(line, "\n")] = '\0';
    log_debug("page", "%s", line);
}

/* A zero byte in a path or a value would end it for us and not for whoever wrote it: then it
 * stays as it was written, and is the name of nothing. */
static size_t unescape(void *context, struct MHD_Connection *connection, char *s)
{
    (void)context;
    (void)connection;
    return strstr(s, "%00") ? strlen(s) : MHD_http_unescape(s);
}

static int open_socket(const struct page_settings *p, int *port, char *why, size_t why_size)
{
    struct sockaddr_in v4 = {.sin_family = AF_INET, .sin_port = htons((uint16_t)p->port)};
    struct sockaddr_in6 v6 = {.sin6_family = AF_INET6, .sin6_port = htons((uint16_t)p->port)};
    bool six = strchr(p->listen, ':') != NULL;
    struct sockaddr *address = six ? (struct sockaddr *)&v6 : (struct sockaddr *)&v4;
    socklen_t size = six ? sizeof v6 : sizeof v4;
    int on = 1;
    if (inet_pton(six ? AF_INET6 : AF_INET, p->listen,
                  six ? (void *)&v6.sin6_addr : (void *)&v4.sin_addr) != 1) {
        snprintf(why, why_size, "\"%s\" is no address", p->listen);
        return -1;
    }
    int fd = socket(address->sa_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd >= 0)
        setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    if (fd < 0 || bind(fd, address, size) != 0 || listen(fd, 128) != 0 ||
        getsockname(fd, address, &size) != 0) {
        snprintf(why, why_size, "%s port %d cannot be listened on: %s", p->listen, p->port,
                 strerror(errno));
        if (fd >= 0)
            close(fd);
        return -1;
    }
    *port = ntohs(six ? v6.sin6_port : v4.sin_port);
    return fd;
}

/* the certificate and its key, as libmicrohttpd wants them; without: plain HTTP */
static bool read_certificate(struct server *s, char *why, size_t why_size)
{
    const struct page_settings *p = &s->settings;
    if (!p->cert[0])
        return true;
    if (!text_read_file(&s->cert, p->cert, MOST_PEM) ||
        !text_read_file(&s->key, p->key, MOST_PEM)) {
        snprintf(why, why_size, "%s or %s cannot be read: %s", p->cert, p->key,
                 strerror(errno));
        return false;
    }
    return true;
}

static bool start_daemon(struct server *s, char *why, size_t why_size)
{
    int fd = open_socket(&s->settings, &s->port, why, why_size);
    if (fd < 0)
        return false;
    struct MHD_OptionItem tls[] = {{MHD_OPTION_HTTPS_MEM_CERT, 0, s->cert.bytes},
                                   {MHD_OPTION_HTTPS_MEM_KEY, 0, s->key.bytes},
                                   {MHD_OPTION_HTTPS_PRIORITIES, 0, (void *)TLS_VERSIONS},
                                   {MHD_OPTION_END, 0, NULL}};
    unsigned flags =
        MHD_USE_EPOLL_INTERNAL_THREAD | MHD_ALLOW_SUSPEND_RESUME | MHD_USE_ERROR_LOG;
    if (!s->cert.bytes)
        tls[0].option = MHD_OPTION_END;
    else
        flags |= MHD_USE_TLS;
    s->daemon = MHD_start_daemon(
        flags, 0, NULL, NULL, take_request, s, MHD_OPTION_EXTERNAL_LOGGER, say, NULL,
        MHD_OPTION_UNESCAPE_CALLBACK, unescape, NULL, MHD_OPTION_LISTEN_SOCKET, fd,
        MHD_OPTION_THREAD_POOL_SIZE, (unsigned)SERVER_THREADS, MHD_OPTION_CONNECTION_LIMIT,
        (unsigned)SERVER_MOST_CONNECTIONS, MHD_OPTION_CONNECTION_MEMORY_LIMIT, CONNECTION_BYTES,
        MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)SILENCE_SECONDS,
        MHD_OPTION_PER_IP_CONNECTION_LIMIT,
        page_is_loopback(s->settings.listen) ? 0U : MOST_OF_ONE, MHD_OPTION_NOTIFY_COMPLETED,
        completed, s, MHD_OPTION_ARRAY, tls, MHD_OPTION_END);
    if (!s->daemon) {
        snprintf(why, why_size, "the server could not be started%s",
                 s->cert.bytes ? "; is the certificate one, and the key its key?" : "");
        close(fd);
    }
    return s->daemon != NULL;
}

/* once a day: who reads the journal can renew it before browsers refuse the page */
static void look_at_certificate(struct server *s)
{
    int64_t now = clock_mono_ms();
    double days;
    if (s->cert_looked_mono_ms == 0) /* the configuration's reader has just looked */
        s->cert_looked_mono_ms = now;
    if (!s->settings.cert[0] || now - s->cert_looked_mono_ms < DAY_MS)
        return;
    s->cert_looked_mono_ms = now;
    if (!certificate_days_left(s->settings.cert, &days) || days >= CERTIFICATE_SOON_DAYS)
        return;
    log_warning("page",
                days < 0.0 ? "the certificate %s ended %.0f days ago: browsers refuse the page"
                           : "the certificate %s ends in %.0f days",
                s->settings.cert, fabs(days));
}

struct server *server_start(const struct server_options *o, char *why, size_t why_size)
{
    struct server *s = calloc(1, sizeof *s);
    snprintf(why, why_size, "memory is short");
    if (!s)
        return NULL;
    s->settings = *o->settings;
    s->calls = o->calls;
    s->context = o->context;
    if (!read_certificate(s, why, why_size) || !start_daemon(s, why, why_size)) {
        server_stop(s);
        return NULL;
    }
    return s;
}

void server_stop(struct server *s)
{
    if (!s)
        return;
    if (s->daemon)
        MHD_stop_daemon(s->daemon);
    text_free(&s->cert);
    if (s->key.bytes)
        sodium_memzero(s->key.bytes, s->key.length);
    text_free(&s->key);
    free(s);
}

int server_port(const struct server *s)
{
    return s->port;
}

void server_tend(struct server *s)
{
    look_at_certificate(s);
}
