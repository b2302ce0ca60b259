#include "server.h"

#include "base/clock.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

#define MAX_ENDS 64   /* listeners, clients and lines together */
#define MAX_QUEUED 16 /* answers that wait for their time, per end */
#define BITS_PER_CHAR 11
#define LINE_SILENCE_US                                                                        \
    5000 /* ends a frame on a pseudo-terminal, which has no real silences                      \
          */

enum end_kind { END_NONE, END_LISTENER, END_CLIENT, END_LINE };

struct queued {
    int64_t due_us;
    size_t length;
    bool hang_up;
    uint8_t bytes[PDU_MAX_FRAME];
};

struct end {
    enum end_kind kind;
    int bus;
    int fd;
    int far_fd; /* a line's other end, held open so that the pair outlives a gateway */
    int baud;
    char link[256];
    uint8_t in[1024];
    size_t in_length;
    int64_t last_byte_us;
    struct queued queue[MAX_QUEUED];
    size_t queued;
};

struct server {
    server_answer *answer;
    void *context;
    struct end ends[MAX_ENDS];
};

struct server *server_create(server_answer *answer, void *context)
{
    struct server *s = calloc(1, sizeof *s);
    if (s) {
        s->answer = answer;
        s->context = context;
    }
    return s;
}

static struct end *new_end(struct server *s, enum end_kind kind, int bus, int fd)
{
    for (size_t i = 0; i < MAX_ENDS; i++)
        if (s->ends[i].kind == END_NONE) {
            s->ends[i] = (struct end){.kind = kind, .bus = bus, .fd = fd, .far_fd = -1};
            return &s->ends[i];
        }
    close(fd);
    return NULL;
}

static void end_end(struct end *e)
{
    if (e->kind == END_NONE)
        return;
    close(e->fd);
    if (e->far_fd >= 0)
        close(e->far_fd);
    if (e->link[0])
        unlink(e->link);
    e->kind = END_NONE;
}

void server_destroy(struct server *s)
{
    for (size_t i = 0; s && i < MAX_ENDS; i++)
        end_end(&s->ends[i]);
    free(s);
}

static int bound_port(int fd)
{
    union {
        struct sockaddr any;
        struct sockaddr_in v4;
        struct sockaddr_in6 v6;
    } a = {.v6 = {0}};
    socklen_t size = sizeof a;
    if (getsockname(fd, &a.any, &size) != 0)
        return -1;
    return ntohs(a.any.sa_family == AF_INET6 ? a.v6.sin6_port : a.v4.sin_port);
}

int server_listen(struct server *s, int bus, const char *host, int port, struct text *why)
{
    char service[16];
    snprintf(service, sizeof service, "%d", port);
    struct addrinfo hints = {.ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM}, *list = NULL;
    int rc = getaddrinfo(host, service, &hints, &list);
    if (rc != 0) {
        text_printf(why, "%s: %s", host, gai_strerror(rc));
        return -1;
    }
    int fd = socket(list->ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0), one = 1;
    if (fd >= 0)
        setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
    bool ok = fd >= 0 && bind(fd, list->ai_addr, list->ai_addrlen) == 0 && listen(fd, 16) == 0;
    freeaddrinfo(list);
    if (!ok) {
        text_printf(why, "%s port %d: %s", host, port, strerror(errno));
        if (fd >= 0)
            close(fd);
        return -1;
    }
    port = bound_port(fd);
    if (!new_end(s, END_LISTENER, bus, fd)) {
        text_printf(why, "more than %d buses and clients", MAX_ENDS);
        return -1;
    }
    return port;
}

bool server_open_line(struct server *s, int bus, const char *link, int baud, struct text *why)
{
    char far[128];
    struct termios raw;
    int fd = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC), far_fd = -1;
    bool ok = fd >= 0 && grantpt(fd) == 0 && unlockpt(fd) == 0 &&
              ptsname_r(fd, far, sizeof far) == 0 &&
              (far_fd = open(far, O_RDWR | O_NOCTTY | O_CLOEXEC)) >= 0 &&
              tcgetattr(far_fd, &raw) == 0;
    if (ok) {
        cfmakeraw(&raw);
        ok = tcsetattr(far_fd, TCSANOW, &raw) == 0 && (unlink(link) == 0 || errno == ENOENT) &&
             symlink(far, link) == 0;
    }
    struct end *e = ok ? new_end(s, END_LINE, bus, fd) : NULL;
    if (!e) {
        text_printf(why, "%s: no pseudo-terminal: %s", link, strerror(errno));
        if (far_fd >= 0)
            close(far_fd);
        if (fd >= 0 && !ok)
            close(fd);
        return false;
    }
    e->far_fd = far_fd;
    e->baud = baud;
    text_copy(e->link, sizeof e->link, link);
    return true;
}

/* when the last character of this answer would have left a line of that speed */
static int64_t paced_us(const struct end *e, size_t request, size_t reply)
{
    if (e->baud == 0)
        return 0;
    double chars = (double)request + 3.5 + (double)reply;
    return (int64_t)(chars * BITS_PER_CHAR * 1e6 / e->baud);
}

static void answer_request(struct server *s, struct end *e, const struct pdu_request *q,
                           int64_t now_us)
{
    struct server_reply r = {.unit = q->unit};
    s->answer(s->context, e->bus, q->unit, q->pdu, q->pdu_length, &r);
    if (r.length == 0 && !r.hang_up)
        return;
    struct queued *out = &e->queue[e->queued++];
    *out = (struct queued){.hang_up = r.hang_up};
    if (e->kind == END_CLIENT) {
        out->length = pdu_frame_tcp(q->transaction, r.unit, r.pdu, r.length, out->bytes);
        if (r.corrupt)
            out->bytes[5] ^=
                0x04; /* the length: nothing else on TCP is guarded by the protocol */
    } else {
        out->length = pdu_frame_rtu(r.unit, r.pdu, r.length, out->bytes);
        if (r.corrupt)
            out->bytes[out->length / 2] ^= 0x10;
    }
    if (r.cut)
        out->length /= 2;
    out->due_us = now_us + (int64_t)(r.delay_ms * 1000.0) + paced_us(e, q->taken, out->length);
}

static void take_requests(struct server *s, struct end *e, int64_t now_us)
{
    bool silence = now_us - e->last_byte_us >= LINE_SILENCE_US;
    while (e->in_length > 0 && e->queued < MAX_QUEUED) {
        struct pdu_request q;
        enum pdu_parse p = e->kind == END_CLIENT
                               ? pdu_parse_tcp(e->in, e->in_length, &q)
                               : pdu_parse_rtu(e->in, e->in_length, silence, &q);
        if (p == PDU_MORE)
            return;
        if (p == PDU_GARBAGE) {
            if (e->kind == END_CLIENT)
                end_end(e);
            e->in_length = 0;
            return;
        }
        answer_request(s, e, &q, now_us);
        e->in_length -= q.taken;
        memmove(e->in, e->in + q.taken, e->in_length);
    }
}

static void receive(struct end *e, int64_t now_us)
{
    ssize_t n = read(e->fd, e->in + e->in_length, sizeof e->in - e->in_length);
    if (n > 0) {
        e->in_length += (size_t)n;
        e->last_byte_us = now_us;
    } else if (e->kind == END_CLIENT && (n == 0 || (errno != EAGAIN && errno != EINTR))) {
        end_end(e);
    }
}

static void send_due(struct end *e, int64_t now_us)
{
    size_t kept = 0;
    for (size_t i = 0; i < e->queued; i++) {
        struct queued *q = &e->queue[i];
        if (q->due_us > now_us) {
            if (kept != i)
                e->queue[kept] = *q;
            kept++;
            continue;
        }
        /* a frame fits any socket buffer: a client that takes none of it is gone */
        if (q->hang_up || write(e->fd, q->bytes, q->length) != (ssize_t)q->length) {
            if (e->kind == END_CLIENT) {
                end_end(e);
                return;
            }
        }
    }
    e->queued = kept;
}

static void welcome(struct server *s, struct end *listener)
{
    int fd = accept4(listener->fd, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC), one = 1;
    if (fd < 0)
        return;
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    new_end(s, END_CLIENT, listener->bus, fd);
}

/* the earliest of what waits at this end */
static int64_t next_due(const struct end *e, int64_t until_us)
{
    for (size_t i = 0; i < e->queued; i++)
        if (e->queue[i].due_us < until_us)
            until_us = e->queue[i].due_us;
    if (e->kind == END_LINE && e->in_length > 0 && e->last_byte_us + LINE_SILENCE_US < until_us)
        until_us = e->last_byte_us + LINE_SILENCE_US;
    return until_us;
}

void server_turn(struct server *s, int64_t until_mono_us)
{
    struct pollfd fds[MAX_ENDS];
    struct end *who[MAX_ENDS];
    nfds_t n = 0;
    for (size_t i = 0; i < MAX_ENDS; i++) {
        struct end *e = &s->ends[i];
        if (e->kind == END_NONE)
            continue;
        until_mono_us = next_due(e, until_mono_us);
        /* a client that asks faster than it is answered waits in its own socket */
        bool full = e->kind != END_LISTENER && e->in_length == sizeof e->in;
        fds[n] = (struct pollfd){.fd = e->fd, .events = full ? 0 : POLLIN};
        who[n++] = e;
    }
    int64_t wait_us = until_mono_us - clock_mono_us();
    struct timespec wait = {0};
    if (wait_us > 0)
        wait = (struct timespec){wait_us / 1000000, wait_us % 1000000 * 1000};
    int ready = ppoll(fds, n, &wait, NULL);
    int64_t now_us = clock_mono_us();
    for (nfds_t i = 0; i < n; i++) {
        struct end *e = who[i];
        if (ready > 0 && e->kind == END_LISTENER && fds[i].revents)
            welcome(s, e);
        if (ready > 0 && e->kind != END_LISTENER && fds[i].revents && fds[i].events)
            receive(e, now_us);
        if (e->kind == END_CLIENT || e->kind == END_LINE) {
            take_requests(s, e, now_us);
            if (e->kind != END_NONE)
                send_due(e, now_us);
        }
    }
}
