#include "tls.h"

#include <arpa/inet.h>
#include <openssl/err.h>
#include <openssl/ssl.h>
#include <openssl/x509_vfy.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/clock.h"
#include "wait.h"

#define MBAP_SIZE 7
#define SEND_PATIENCE_US 2000000

struct tls {
    SSL_CTX *settings;
    SSL *ssl;
    int fd, stop_fd;
    uint8_t part[512]; /* of a frame whose rest has not come */
    size_t part_length;
};

/* OpenSSL writes without MSG_NOSIGNAL: the signal of a connection that has gone is kept from
 * this thread while it writes, and taken away. */
struct quiet {
    sigset_t pipe, before;
    bool was_pending;
};

static void quiet_begin(struct quiet *q)
{
    sigset_t pending;
    sigpending(&pending);
    q->was_pending = sigismember(&pending, SIGPIPE) == 1;
    sigemptyset(&q->pipe);
    sigaddset(&q->pipe, SIGPIPE);
    pthread_sigmask(SIG_BLOCK, &q->pipe, &q->before);
}

static void quiet_end(struct quiet *q)
{
    static const struct timespec at_once = {0, 0};
    sigset_t pending;
    sigpending(&pending);
    if (!q->was_pending && sigismember(&pending, SIGPIPE) == 1)
        sigtimedwait(&q->pipe, NULL, &at_once);
    pthread_sigmask(SIG_SETMASK, &q->before, NULL);
}

static void say(char *why, size_t capacity, const char *what, const char *file)
{
    char reason[128] = "";
    unsigned long code = ERR_peek_last_error();
    if (code)
        ERR_error_string_n(code, reason, sizeof reason);
    const char *last = strrchr(reason, ':'); /* "error:0A000086:SSL routines::reason" */
    snprintf(why, capacity, "%s%s%s%s%s", what, file[0] ? " " : "", file, last ? ": " : "",
             last ? last + 1 : "");
}

static bool load_files(struct tls *t, const struct site_bus_tls *files, char *why,
                       size_t capacity)
{
    if (SSL_CTX_load_verify_locations(t->settings, files->ca, NULL) != 1) {
        say(why, capacity, "TLS: cannot use the authority in", files->ca);
        return false;
    }
    if (!files->cert[0])
        return true;
    if (SSL_CTX_use_certificate_chain_file(t->settings, files->cert) != 1) {
        say(why, capacity, "TLS: cannot use the certificate in", files->cert);
        return false;
    }
    if (SSL_CTX_use_PrivateKey_file(t->settings, files->key, SSL_FILETYPE_PEM) != 1 ||
        SSL_CTX_check_private_key(t->settings) != 1) {
        say(why, capacity, "TLS: cannot use the key in", files->key);
        return false;
    }
    return true;
}

static bool expect_name(SSL *ssl, const char *name)
{
    struct in6_addr address;
    if (inet_pton(AF_INET, name, &address) == 1 || inet_pton(AF_INET6, name, &address) == 1)
        return X509_VERIFY_PARAM_set1_ip_asc(SSL_get0_param(ssl), name) == 1;
    return SSL_set_tlsext_host_name(ssl, name) == 1 && SSL_set1_host(ssl, name) == 1;
}

/* Waits for what the last call wanted. False when it failed, or there is no time left. */
static bool wait_for_it(struct tls *t, int result, int64_t deadline_us)
{
    int error = SSL_get_error(t->ssl, result);
    short events = error == SSL_ERROR_WANT_READ    ? POLLIN
                   : error == SSL_ERROR_WANT_WRITE ? POLLOUT
                                                   : 0;
    return events != 0 && wait_for(t->fd, events, t->stop_fd, deadline_us) == WAIT_READY;
}

static bool shake_hands(struct tls *t, int64_t deadline_us, char *why, size_t capacity)
{
    for (;;) {
        ERR_clear_error();
        int result = SSL_connect(t->ssl);
        if (result == 1)
            return true;
        int error = SSL_get_error(t->ssl, result);
        if (wait_for_it(t, result, deadline_us))
            continue;
        long verdict = SSL_get_verify_result(t->ssl);
        if (verdict != X509_V_OK)
            snprintf(why, capacity, "TLS: the certificate is not to be trusted (%s)",
                     X509_verify_cert_error_string(verdict));
        else if (error == SSL_ERROR_WANT_READ || error == SSL_ERROR_WANT_WRITE)
            snprintf(why, capacity, "TLS: no end of the handshake in time");
        else
            say(why, capacity, "TLS: the handshake failed", "");
        return false;
    }
}

struct tls *tls_open(int fd, const struct site_bus *bus, int stop_fd, int64_t deadline_us,
                     char *why, size_t capacity)
{
    struct tls *t = calloc(1, sizeof *t);
    ERR_clear_error();
    if (!t) {
        snprintf(why, capacity, "memory is short");
        return NULL;
    }
    t->fd = fd;
    t->stop_fd = stop_fd;
    t->settings = SSL_CTX_new(TLS_client_method());
    bool ok = t->settings && SSL_CTX_set_min_proto_version(t->settings, TLS1_2_VERSION) == 1;
    if (ok) {
        SSL_CTX_set_verify(t->settings, SSL_VERIFY_PEER, NULL);
        SSL_CTX_set_mode(t->settings, SSL_MODE_AUTO_RETRY);
        ok = load_files(t, &bus->tls, why, capacity);
    } else {
        say(why, capacity, "TLS cannot be set up", "");
    }
    if (ok) {
        t->ssl = SSL_new(t->settings);
        ok = t->ssl && SSL_set_fd(t->ssl, fd) == 1 &&
             expect_name(t->ssl, bus->tls.name[0] ? bus->tls.name : bus->host);
        if (!ok)
            say(why, capacity, "TLS cannot be set up", "");
    }
    if (ok && shake_hands(t, deadline_us, why, capacity))
        return t;
    tls_close(t);
    return NULL;
}

void tls_close(struct tls *t)
{
    if (!t)
        return;
    struct quiet q;
    quiet_begin(&q);
    if (t->ssl)
        SSL_shutdown(t->ssl); /* says goodbye, waits for none */
    quiet_end(&q);
    SSL_free(t->ssl);
    SSL_CTX_free(t->settings);
    free(t);
}

bool tls_send(struct tls *t, const uint8_t *bytes, size_t length)
{
    int64_t deadline_us = clock_mono_us() + SEND_PATIENCE_US;
    struct quiet q;
    int result;
    quiet_begin(&q);
    do {
        ERR_clear_error();
        result = SSL_write(t->ssl, bytes, (int)length); /* whole, or not at all */
    } while (result <= 0 && wait_for_it(t, result, deadline_us));
    quiet_end(&q);
    return result > 0;
}

/* Until `wanted` bytes of the frame are there. */
static enum tls_end fill(struct tls *t, size_t wanted, int64_t deadline_us)
{
    while (t->part_length < wanted) {
        ERR_clear_error();
        int n = SSL_read(t->ssl, t->part + t->part_length, (int)(wanted - t->part_length));
        if (n > 0) {
            t->part_length += (size_t)n;
            continue;
        }
        int error = SSL_get_error(t->ssl, n);
        if (error != SSL_ERROR_WANT_READ && error != SSL_ERROR_WANT_WRITE)
            return TLS_GONE;
        if (!wait_for_it(t, n, deadline_us))
            return t->part_length ? TLS_PART : TLS_SILENCE;
    }
    return TLS_FRAME;
}

enum tls_end tls_receive(struct tls *t, uint8_t *frame, size_t capacity, size_t *length,
                         int64_t deadline_us)
{
    *length = 0;
    t->part_length = 0; /* what was left of a broken frame goes with its connection */
    enum tls_end end = fill(t, MBAP_SIZE - 1, deadline_us);
    if (end == TLS_FRAME) {
        size_t whole = (size_t)(t->part[4] << 8 | t->part[5]) + MBAP_SIZE - 1;
        if (whole > capacity || whole > sizeof t->part || whole < MBAP_SIZE + 1)
            end = TLS_TOO_LONG;
        else
            end = fill(t, whole, deadline_us);
    }
    if (t->part_length <= capacity) {
        memcpy(frame, t->part, t->part_length);
        *length = t->part_length;
    }
    return end;
}

size_t tls_throw_away(struct tls *t)
{
    uint8_t bin[512];
    size_t sum = 0;
    for (int i = 0; i < 8; i++) {
        ERR_clear_error();
        int n = SSL_read(t->ssl, bin, sizeof bin);
        if (n <= 0)
            break;
        sum += (size_t)n;
    }
    return sum;
}
