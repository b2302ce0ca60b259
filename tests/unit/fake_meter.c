#include "fake_meter.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <pthread.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

#include "base/clock.h"
#include "held_time.h"

#define MOST_ACTS 64
#define MOST_FRAME 300
#define NOISE_EVERY_US 1000

struct fake_frame {
    uint8_t bytes[MOST_FRAME];
    size_t length;
};

struct fake_meter {
    pthread_t thread;
    int stop_fd, wake_fd, listen_fd,
        fd;       /* fd: the connection, or the pseudo-terminal's master; -1 none */
    int slave_fd; /* kept open, so that the pair outlives a closing client */
    bool tcp;
    int port;
    char device[64];
    struct fake_frame held; /* for FAKE_LATE and FAKE_WITH_NEXT */
    int64_t send_held_at_us, noise_at_us;
    bool by_hand; /* without a thread, in held time */
    struct held_far_end far_end;
    uint8_t in[512];
    size_t in_length;
    pthread_mutex_t lock; /* what follows */
    int acts[MOST_ACTS];
    size_t act_count, next_act;
    int script_unit, late_ms, hole;
    int hold_unit, hold_address, hold_count;
    const uint16_t *hold_words;
    bool silent[256], babble, any_unit;
    uint64_t requests;
    uint8_t last[16];
    size_t last_length;
};

uint16_t fake_crc(const uint8_t *bytes, size_t length)
{
    unsigned crc = 0xFFFF;
    for (size_t i = 0; i < length; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xA001 : crc >> 1;
    }
    return (uint16_t)crc;
}

static void put(struct fake_frame *f, unsigned byte)
{
    f->bytes[f->length++] = (uint8_t)byte;
}

/* unit and PDU -> frame, with header or check sum */
static struct fake_frame wrap(const struct fake_meter *f, const uint8_t *request,
                              const struct fake_frame *adu)
{
    struct fake_frame out = {0};
    if (f->tcp) {
        memcpy(out.bytes, request, 4);
        out.length = 4;
        put(&out, (unsigned)adu->length >> 8);
        put(&out, (unsigned)adu->length);
    }
    memcpy(out.bytes + out.length, adu->bytes, adu->length);
    out.length += adu->length;
    if (!f->tcp) {
        uint16_t crc = fake_crc(adu->bytes, adu->length);
        put(&out, crc);
        put(&out, crc >> 8);
    }
    return out;
}

/* to a client that may be gone: its business */
static void send_frame(const struct fake_meter *f, const struct fake_frame *frame)
{
    ssize_t n = 0;
    if (f->fd >= 0 && f->tcp)
        n = send(f->fd, frame->bytes, frame->length, MSG_NOSIGNAL);
    else if (f->fd >= 0)
        n = write(f->fd, frame->bytes, frame->length);
    (void)n;
}

static int next_act(struct fake_meter *f, int unit)
{
    if (f->silent[unit])
        return FAKE_SILENT;
    if (f->next_act < f->act_count && (f->script_unit < 0 || f->script_unit == unit))
        return f->acts[f->next_act++];
    return FAKE_GOOD;
}

static uint16_t held_register(const struct fake_meter *f, int unit, int address)
{
    int i = address - f->hold_address;
    bool held = unit == f->hold_unit && i >= 0 && i < f->hold_count;
    return held ? f->hold_words[i] : fake_register(f->any_unit ? 1 : unit, address);
}

/* unit and PDU of the answer that the act asks for */
static struct fake_frame answer(const struct fake_meter *f, const uint8_t *pdu, int act)
{
    struct fake_frame adu = {0};
    int unit = pdu[0], function = pdu[1], address = pdu[2] << 8 | pdu[3],
        count = pdu[4] << 8 | pdu[5];
    int code = act > FAKE_EXCEPTION ? act - FAKE_EXCEPTION : 0;
    if (f->hole >= address && f->hole < address + count)
        code = 2;
    put(&adu, (unsigned)(act == FAKE_WRONG_UNIT ? unit + 1 : unit));
    if (code) {
        put(&adu, (unsigned)function | 0x80U);
        put(&adu, (unsigned)code);
        return adu;
    }
    put(&adu, (unsigned)(act == FAKE_WRONG_FUNCTION ? 7 - function : function));
    if (act == FAKE_WRONG_COUNT)
        count--;
    put(&adu, 2U * (unsigned)count);
    for (int i = 0; i < count; i++) {
        put(&adu, held_register(f, unit, address + i) >> 8);
        put(&adu, held_register(f, unit, address + i));
    }
    return adu;
}

static void spoil(struct fake_frame *frame, int act)
{
    if (act == FAKE_WRONG_TRANSACTION)
        frame->bytes[0] ^= 0x55;
    if (act == FAKE_WRONG_PROTOCOL)
        frame->bytes[2] = 1;
    if (act == FAKE_WRONG_LENGTH)
        frame->bytes[5] = (uint8_t)(frame->bytes[5] + 2);
    if (act == FAKE_BAD_CRC)
        frame->bytes[frame->length - 1] ^= 0xFF;
    if (act == FAKE_SHORT)
        frame->length /= 2;
    for (int i = 0; act == FAKE_EXTRA && i < 3; i++)
        put(frame, 0xEE);
}

static void close_connection(struct fake_meter *f)
{
    if ((f->tcp || f->by_hand) && f->fd >= 0) {
        close(f->fd);
        f->fd = -1;
    }
    f->in_length = 0;
    f->held.length = 0;
}

static void play(struct fake_meter *f, const uint8_t *request, size_t length)
{
    const uint8_t *pdu = request + (f->tcp ? 6 : 0);
    pthread_mutex_lock(&f->lock);
    f->requests++;
    memcpy(f->last, request, length);
    f->last_length = length;
    int act = next_act(f, pdu[0]), late_ms = f->late_ms;
    struct fake_frame adu = answer(f, pdu, act), frame = wrap(f, request, &adu);
    if (f->babble)
        frame.bytes[frame.length / 2] ^= 0x5A; /* what two say at once is neither's */
    pthread_mutex_unlock(&f->lock);
    if (f->held.length && f->send_held_at_us == INT64_MAX) {
        send_frame(f, &f->held);
        f->held.length = 0;
    }
    spoil(&frame, act);
    if (act == FAKE_CLOSE) {
        close_connection(f);
    } else if (act == FAKE_SPLIT) {
        f->held = frame;
        f->held.length = frame.length - frame.length / 2;
        memmove(f->held.bytes, frame.bytes + frame.length / 2, f->held.length);
        f->send_held_at_us = INT64_MAX;
        frame.length /= 2;
        send_frame(f, &frame);
    } else if (act == FAKE_LATE || act == FAKE_WITH_NEXT) {
        f->held = frame;
        f->send_held_at_us = act == FAKE_LATE ? clock_mono_us() + late_ms * 1000 : INT64_MAX;
    } else if (act != FAKE_SILENT) {
        send_frame(f, &frame);
    }
}

static void take_requests(struct fake_meter *f)
{
    ssize_t n = read(f->fd, f->in + f->in_length, sizeof f->in - f->in_length);
    if (n <= 0) {
        close_connection(f);
        return;
    }
    f->in_length += (size_t)n;
    size_t length = f->tcp ? 12 : 8;
    while (f->in_length >= length && f->fd >= 0) {
        uint8_t request[16];
        memcpy(request, f->in, length);
        f->in_length -= length;
        memmove(f->in, f->in + length, f->in_length);
        play(f, request, length);
    }
}

static bool babbles(struct fake_meter *f)
{
    pthread_mutex_lock(&f->lock);
    bool on = f->babble;
    pthread_mutex_unlock(&f->lock);
    return on;
}

/* when there is something to say unasked */
static int64_t next_us(struct fake_meter *f)
{
    int64_t next = f->held.length ? f->send_held_at_us : INT64_MAX;
    if (babbles(f) && f->noise_at_us < next)
        next = f->noise_at_us;
    return next;
}

static void say_what_is_due(struct fake_meter *f)
{
    static const struct fake_frame noise = {.bytes = "\x01\x55\xFF", .length = 3};
    int64_t now = clock_mono_us();
    if (babbles(f) && f->noise_at_us <= now) {
        send_frame(f, &noise);
        f->noise_at_us = now + NOISE_EVERY_US;
    }
    if (f->held.length && f->send_held_at_us <= now) {
        send_frame(f, &f->held);
        f->held.length = 0;
    }
}

static int wait_ms(struct fake_meter *f)
{
    int64_t next = next_us(f), left = next == INT64_MAX ? next : next - clock_mono_us();
    return left == INT64_MAX ? -1 : left > 0 ? (int)(left / 1000) + 1 : 0;
}

/* false when told to stop */
static bool turn(struct fake_meter *f, int wait)
{
    struct pollfd fds[] = {{f->stop_fd, POLLIN, 0},
                           {f->listen_fd, POLLIN, 0},
                           {f->fd, POLLIN, 0},
                           {f->wake_fd, POLLIN, 0}};
    uint64_t woken;
    poll(fds, 4, wait);
    if (fds[0].revents)
        return false;
    if (fds[3].revents && read(f->wake_fd, &woken, sizeof woken) < 0)
        abort();
    if (fds[1].revents) {
        close_connection(f);
        f->fd = accept(f->listen_fd, NULL, NULL);
        int one = 1;
        setsockopt(f->fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    } else if (fds[2].revents) {
        take_requests(f);
    }
    say_what_is_due(f);
    return true;
}

static void *serve(void *argument)
{
    struct fake_meter *f = argument;
    while (turn(f, wait_ms(f)))
        ;
    return NULL;
}

static struct fake_meter *create(void)
{
    struct fake_meter *f = calloc(1, sizeof *f);
    if (!f)
        abort();
    f->wake_fd = f->listen_fd = f->fd = f->slave_fd = f->hole = f->script_unit = -1;
    f->stop_fd = eventfd(0, 0);
    f->wake_fd = eventfd(0, 0);
    pthread_mutex_init(&f->lock, NULL);
    return f;
}

static struct fake_meter *start(struct fake_meter *f)
{
    if (pthread_create(&f->thread, NULL, serve, f) != 0)
        abort();
    return f;
}

struct fake_meter *fake_meter_tcp_at(int port)
{
    struct fake_meter *f = create();
    struct sockaddr_in a = {.sin_family = AF_INET,
                            .sin_port = htons((uint16_t)port),
                            .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof a;
    int one = 1;
    f->tcp = true;
    f->listen_fd = socket(AF_INET, SOCK_STREAM, 0);
    setsockopt(f->listen_fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
    if (bind(f->listen_fd, (struct sockaddr *)&a, sizeof a) != 0 ||
        listen(f->listen_fd, 8) != 0 ||
        getsockname(f->listen_fd, (struct sockaddr *)&a, &size) != 0)
        abort();
    f->port = ntohs(a.sin_port);
    return start(f);
}

struct fake_meter *fake_meter_tcp(void)
{
    return fake_meter_tcp_at(0);
}

struct fake_meter *fake_meter_serial(void)
{
    struct fake_meter *f = create();
    struct termios t;
    if (openpty(&f->fd, &f->slave_fd, f->device, NULL, NULL) != 0)
        abort();
    tcgetattr(f->slave_fd, &t);
    cfmakeraw(&t);
    tcsetattr(f->slave_fd, TCSANOW, &t);
    return start(f);
}

/* ---- in held time ---- */

static int64_t turn_by_hand(void *context)
{
    struct fake_meter *f = context;
    turn(f, 0);
    return next_us(f);
}

static int connect_by_hand(void *context)
{
    struct fake_meter *f = context;
    int fds[2];
    if (socketpair(AF_UNIX, SOCK_STREAM, 0, fds) != 0)
        abort();
    if (f->fd >= 0)
        close(f->fd);
    f->fd = fds[1];
    f->in_length = f->held.length = 0;
    return fds[0];
}

struct fake_meter *fake_meter_by_hand(bool tcp)
{
    struct fake_meter *f = create();
    f->tcp = tcp;
    f->by_hand = true;
    f->port = 502;
    snprintf(f->device, sizeof f->device, "%s", "a line");
    f->far_end = (struct held_far_end){f, turn_by_hand, connect_by_hand};
    held_time_far_end(&f->far_end);
    return f;
}

static void end_thread(struct fake_meter *f)
{
    uint64_t one = 1;
    if (write(f->stop_fd, &one, sizeof one) < 0)
        abort();
    pthread_join(f->thread, NULL);
}

void fake_meter_stop(struct fake_meter *f)
{
    if (f->by_hand)
        held_time_far_end(NULL);
    else
        end_thread(f);
    int fds[] = {f->stop_fd, f->wake_fd, f->listen_fd, f->fd, f->slave_fd};
    for (size_t i = 0; i < sizeof fds / sizeof fds[0]; i++)
        if (fds[i] >= 0)
            close(fds[i]);
    pthread_mutex_destroy(&f->lock);
    free(f);
}

int fake_meter_port(const struct fake_meter *f)
{
    return f->port;
}

const char *fake_meter_device(const struct fake_meter *f)
{
    return f->device;
}

void fake_meter_script(struct fake_meter *f, int unit, const int *acts, size_t count)
{
    pthread_mutex_lock(&f->lock);
    if (count > 0)
        memcpy(f->acts, acts, count * sizeof *acts);
    f->act_count = count;
    f->next_act = 0;
    f->script_unit = unit;
    pthread_mutex_unlock(&f->lock);
}

void fake_meter_late_ms(struct fake_meter *f, int ms)
{
    pthread_mutex_lock(&f->lock);
    f->late_ms = ms;
    pthread_mutex_unlock(&f->lock);
}

void fake_meter_silence(struct fake_meter *f, int unit, bool silent)
{
    pthread_mutex_lock(&f->lock);
    f->silent[unit] = silent;
    pthread_mutex_unlock(&f->lock);
}

void fake_meter_hole(struct fake_meter *f, int address)
{
    pthread_mutex_lock(&f->lock);
    f->hole = address;
    pthread_mutex_unlock(&f->lock);
}

void fake_meter_any_unit(struct fake_meter *f)
{
    pthread_mutex_lock(&f->lock);
    f->any_unit = true;
    pthread_mutex_unlock(&f->lock);
}

void fake_meter_hold(struct fake_meter *f, int unit, int address, const uint16_t *words,
                     int count)
{
    pthread_mutex_lock(&f->lock);
    f->hold_unit = unit;
    f->hold_address = address;
    f->hold_words = words;
    f->hold_count = count;
    pthread_mutex_unlock(&f->lock);
}

void fake_meter_babble(struct fake_meter *f, bool on)
{
    uint64_t one = 1;
    pthread_mutex_lock(&f->lock);
    f->babble = on;
    pthread_mutex_unlock(&f->lock);
    if (write(f->wake_fd, &one, sizeof one) < 0)
        abort();
}

uint64_t fake_meter_requests(struct fake_meter *f)
{
    pthread_mutex_lock(&f->lock);
    uint64_t n = f->requests;
    pthread_mutex_unlock(&f->lock);
    return n;
}

size_t fake_meter_last_request(struct fake_meter *f, uint8_t out[16])
{
    pthread_mutex_lock(&f->lock);
    memcpy(out, f->last, sizeof f->last);
    size_t n = f->last_length;
    pthread_mutex_unlock(&f->lock);
    return n;
}
