#include "admit.h"

#include "admission.h"
#include "enrolment.h"
#include "fleet_schema.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/service.h"
#include "base/text.h"

#include <gnutls/gnutls.h>
#include <microhttpd.h>

#include <arpa/inet.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_CONNECTIONS 64
#define SILENCE_SECONDS 15
#define FILE_BYTES 65536
#define TURN_MS 200
#define DAY_MS INT64_C(86400000)

struct admit {
    struct admission admission;
    pthread_mutex_t lock; /* over it: the server's thread and ours */
    struct text cert, key, ca;
    struct MHD_Daemon *daemon;
    int64_t crl_mono_ms;
};

/* one request on its way */
struct body {
    char bytes[EST_MOST_BODY + 1];
    size_t length;
    bool too_long;
};

/* the client's certificate as OpenSSL has it; NULL: none */
static X509 *peer_of(struct MHD_Connection *connection)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_GNUTLS_SESSION);
    unsigned count = 0;
    const gnutls_datum_t *list = info && info->tls_session
                                     ? gnutls_certificate_get_peers(info->tls_session, &count)
                                     : NULL;
    if (!list || count == 0)
        return NULL;
    const unsigned char *at = list[0].data;
    return d2i_X509(NULL, &at, (long)list[0].size);
}

static void address_of(struct MHD_Connection *connection, char out[INET6_ADDRSTRLEN])
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CLIENT_ADDRESS);
    const struct sockaddr *a = info ? info->client_addr : NULL;
    out[0] = '\0';
    if (a && a->sa_family == AF_INET)
        inet_ntop(AF_INET, &((const struct sockaddr_in *)(const void *)a)->sin_addr, out,
                  INET6_ADDRSTRLEN);
    else if (a && a->sa_family == AF_INET6)
        inet_ntop(AF_INET6, &((const struct sockaddr_in6 *)(const void *)a)->sin6_addr, out,
                  INET6_ADDRSTRLEN);
}

static enum MHD_Result send_answer(struct MHD_Connection *connection,
                                   const struct admission_answer *x)
{
    char seconds[24];
    struct MHD_Response *r =
        MHD_create_response_from_buffer(x->body.length, x->body.bytes, MHD_RESPMEM_MUST_COPY);
    if (!r)
        return MHD_NO;
    MHD_add_response_header(r, "Content-Type",
                            x->certificates ? "application/pkcs7-mime; smime-type=certs-only"
                                            : "text/plain; charset=utf-8");
    if (x->certificates)
        MHD_add_response_header(r, "Content-Transfer-Encoding", "base64");
    if (x->status == 401)
        MHD_add_response_header(r, "WWW-Authenticate", "Basic realm=\"" ADMISSION_REALM "\"");
    MHD_add_response_header(r, "Cache-Control", "no-store");
    snprintf(seconds, sizeof seconds, "%lld", (long long)x->retry_after);
    if (x->retry_after > 0)
        MHD_add_response_header(r, "Retry-After", seconds);
    enum MHD_Result sent = MHD_queue_response(connection, (unsigned)x->status, r);
    MHD_destroy_response(r);
    return sent;
}

static enum MHD_Result answer(struct admit *a, struct MHD_Connection *connection,
                              const char *path, const char *method, const struct body *b)
{
    char address[INET6_ADDRSTRLEN], *password = NULL;
    struct admission_answer x = {0};
    char *user = MHD_basic_auth_get_username_password(connection, &password);
    X509 *peer = peer_of(connection);
    address_of(connection, address);
    pthread_mutex_lock(&a->lock);
    admission_answer(&a->admission,
                     &(struct admission_request){.method = method,
                                                 .path = path,
                                                 .user = user,
                                                 .password = password,
                                                 .body = b->bytes,
                                                 .length = b->length,
                                                 .peer = peer,
                                                 .address = address,
                                                 .wall_ms = clock_wall_ms(),
                                                 .mono_ms = clock_mono_ms()},
                     &x);
    pthread_mutex_unlock(&a->lock);
    enum MHD_Result sent = send_answer(connection, &x);
    X509_free(peer);
    MHD_free(user);
    if (password)
        explicit_bzero(password, strlen(password));
    MHD_free(password);
    text_free(&x.body);
    return sent;
}

static enum MHD_Result take_request(void *context, struct MHD_Connection *connection,
                                    const char *path, const char *method, const char *version,
                                    const char *bytes, size_t *length, void **mine)
{
    struct body *b = *mine;
    (void)version;
    if (!b) {
        *mine = calloc(1, sizeof *b);
        return *mine ? MHD_YES : MHD_NO;
    }
    if (*length > 0) {
        if (*length > EST_MOST_BODY - b->length)
            b->too_long = true;
        else
            memcpy(b->bytes + b->length, bytes, *length);
        b->length += b->too_long ? 0 : *length;
        *length = 0;
        return MHD_YES;
    }
    if (!b->too_long)
        return answer(context, connection, path, method, b);
    struct admission_answer x = {.status = 413};
    text_append(&x.body, "the request is longer than 8192 bytes\n");
    enum MHD_Result sent = send_answer(connection, &x);
    text_free(&x.body);
    return sent;
}

static void completed(void *context, struct MHD_Connection *connection, void **mine,
                      enum MHD_RequestTerminationCode why)
{
    (void)context;
    (void)connection;
    (void)why;
    free(*mine);
    *mine = NULL;
}

/* ---- start and end ---- */

static bool read_file(const struct admit *a, const char *name, struct text *out)
{
    char path[DELIVERY_PATH_SIZE + 32];
    if (text_read_file(out, authority_path(a->admission.authority, name, path, sizeof path),
                       FILE_BYTES))
        return true;
    log_error("admit", "%s cannot be read; foretrip-fleet authority NAME.. makes it", path);
    return false;
}

static bool serve(struct admit *a, const struct fleet_admit *settings)
{
    struct sockaddr_in6 six = {.sin6_family = AF_INET6,
                               .sin6_port = htons((uint16_t)settings->port)};
    struct sockaddr_in four = {.sin_family = AF_INET,
                               .sin_port = htons((uint16_t)settings->port)};
    bool is_six = inet_pton(AF_INET6, settings->listen, &six.sin6_addr) == 1;
    if (!is_six && inet_pton(AF_INET, settings->listen, &four.sin_addr) != 1) {
        log_error("admit", "fleet.cfg: admit.listen = \"%s\" is no address", settings->listen);
        return false;
    }
    a->daemon = MHD_start_daemon(
        MHD_USE_INTERNAL_POLLING_THREAD | MHD_USE_TLS | (is_six ? MHD_USE_IPv6 : MHD_NO_FLAG),
        (uint16_t)settings->port, NULL, NULL, take_request, a, MHD_OPTION_SOCK_ADDR,
        is_six ? (const struct sockaddr *)(const void *)&six
               : (const struct sockaddr *)(const void *)&four,
        MHD_OPTION_HTTPS_MEM_CERT, text_get(&a->cert), MHD_OPTION_HTTPS_MEM_KEY,
        text_get(&a->key), MHD_OPTION_HTTPS_MEM_TRUST, text_get(&a->ca),
        MHD_OPTION_CONNECTION_LIMIT, (unsigned)MOST_CONNECTIONS, MHD_OPTION_CONNECTION_TIMEOUT,
        (unsigned)SILENCE_SECONDS, MHD_OPTION_NOTIFY_COMPLETED, completed, NULL,
        MHD_OPTION_END);
    if (!a->daemon)
        log_error("admit",
                  "%s port %d cannot be served, or server.pem and server.key do not fit",
                  settings->listen, settings->port);
    return a->daemon != NULL;
}

static void write_crl(struct admit *a)
{
    char why[AUTHORITY_WHY_SIZE];
    pthread_mutex_lock(&a->lock);
    if (!enrolment_write_crl(a->admission.sql, a->admission.authority, clock_wall_ms(), why))
        log_error("admit", "the list of revoked certificates: %s", why);
    pthread_mutex_unlock(&a->lock);
    a->crl_mono_ms = clock_mono_ms();
}

static void stay(struct admit *a, const volatile sig_atomic_t *stop)
{
    write_crl(a);
    service_notify("READY=1");
    while (!*stop) {
        clock_sleep_until_us(clock_mono_us() + TURN_MS * INT64_C(1000));
        service_notify("WATCHDOG=1");
        if (clock_mono_ms() - a->crl_mono_ms >= DAY_MS)
            write_crl(a);
    }
    service_notify("STOPPING=1");
}

int admit_run(const struct fleet_settings *settings, const char *directory,
              const volatile sig_atomic_t *stop)
{
    char why[AUTHORITY_WHY_SIZE];
    static struct admit a = {.lock = PTHREAD_MUTEX_INITIALIZER};
    a.admission.certificate_days = settings->admit.certificate_days;
    a.admission.authority = authority_open(directory, false, why);
    a.admission.sql = a.admission.authority ? sql_open(settings->database, why) : NULL;
    bool good = a.admission.sql;
    if (!good)
        log_error("admit", "%s", why);
    if (good && fleet_schema_migrate(a.admission.sql) != SQL_FINE) {
        log_error("admit", "%s", sql_why(a.admission.sql));
        good = false;
    }
    good = good && read_file(&a, "server.pem", &a.cert) &&
           read_file(&a, "server.key", &a.key) && read_file(&a, "ca.pem", &a.ca) &&
           serve(&a, &settings->admit);
    if (good)
        stay(&a, stop);
    if (a.daemon)
        MHD_stop_daemon(a.daemon);
    sql_close(a.admission.sql);
    authority_close(a.admission.authority);
    if (a.key.bytes)
        explicit_bzero(a.key.bytes, a.key.length);
    text_free(&a.key);
    text_free(&a.cert);
    text_free(&a.ca);
    return good ? 0 : 1;
}
