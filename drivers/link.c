#include "link.h"

#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include "base/clock.h"
#include "connect.h"
#include "tls.h"
#include "wait.h"

#define TCP_MOST_PASSED_OVER 16 /* frames of other transactions, before one answer */
#define GIVEN_UP_KEPT 16
/* bytes of one frame can come this far apart through a USB adapter (its latency timer) */
#define QUIET_AFTER_FAULT_US 20000
#define REQUEST_CHARACTERS 8
/* TCP: nothing unasked is looked for right behind an answer (a system call less) once so many
 * answers of this connection have come without any; what then slips through is a fault of
 * framing, made good by the next try */
#define ORDERLY_ANSWERS 64
#define YOUNG_ANSWER_US 1000
#define FEW_BYTES 2 /* missing at the end of an answer: sooner waited for than slept for */
#define UNITS 256

struct link {
    const struct site_bus *bus;
    pthread_mutex_t lock; /* of modbus as such, against link_interrupt */
    int stop_fd;
    bool tcp;
    struct plan_line line;
    modbus_t *modbus; /* NULL when closed */
    struct tls *tls;  /* inside which its frames go; NULL in the clear */
    uint16_t transaction;
    uint16_t given_up[GIVEN_UP_KEPT]; /* transactions without an answer; 0 is none */
    int next_given_up;
    int orderly;                  /* TCP: good answers since a fault or anything unasked */
    int64_t answered_us;          /* TCP: when the last one came */
    int64_t quiet_from_us;        /* serial: when the line fell silent */
    int64_t owed_until_us[UNITS]; /* serial: a late answer may come until then */
};

struct link *link_create(const struct site_bus *b, int stop_fd)
{
    struct link *l = calloc(1, sizeof *l);
    if (!l)
        return NULL;
    pthread_mutex_init(&l->lock, NULL);
    l->bus = b;
    l->stop_fd = stop_fd;
    l->tcp = b->device[0] == '\0';
    l->line =
        l->tcp ? plan_line_tcp() : plan_line_serial(b->baud, connect_character_bits(b), 0);
    return l;
}

void link_destroy(struct link *l)
{
    if (!l)
        return;
    link_close(l);
    pthread_mutex_destroy(&l->lock);
    free(l);
}

static bool take(struct link *l, modbus_t *opened)
{
    pthread_mutex_lock(&l->lock);
    l->modbus = opened;
    pthread_mutex_unlock(&l->lock);
    return opened != NULL;
}

static int descriptor(const struct link *l)
{
    return modbus_get_socket(l->modbus);
}

bool link_open(struct link *l, int64_t deadline_us, char *why, size_t capacity)
{
    const struct site_bus *b = l->bus;
    link_close(l);
    if (!take(l, l->tcp ? connect_tcp(b->host, b->port, l->stop_fd, deadline_us, why, capacity)
                        : connect_serial(b, why, capacity)))
        return false;
    if (!l->tcp || !b->tls.ca[0])
        return true;
    l->tls = tls_open(descriptor(l), b, l->stop_fd, deadline_us, why, capacity);
    if (!l->tls)
        link_close(l);
    return l->tls != NULL;
}

bool link_adopt(struct link *l, int fd)
{
    link_close(l);
    return take(l, connect_adopt(l->bus, fd));
}

void link_interrupt(struct link *l)
{
    pthread_mutex_lock(&l->lock);
    if (l->modbus && l->tcp)
        shutdown(modbus_get_socket(l->modbus), SHUT_RDWR);
    pthread_mutex_unlock(&l->lock);
}

bool link_is_open(const struct link *l)
{
    return l->modbus != NULL;
}

void link_close(struct link *l)
{
    modbus_t *opened = l->modbus;
    if (!opened)
        return;
    tls_close(l->tls);
    l->tls = NULL;
    take(l, NULL);
    modbus_close(opened);
    modbus_free(opened);
    l->orderly = 0;
    memset(l->given_up, 0, sizeof l->given_up);
    memset(l->owed_until_us, 0, sizeof l->owed_until_us);
}

const struct plan_line *link_line(const struct link *l)
{
    return &l->line;
}

int64_t link_owed_until_us(const struct link *l, int unit)
{
    return l->owed_until_us[unit & (UNITS - 1)];
}

static int waiting_bytes(const struct link *l)
{
    int n = 0;
    return ioctl(descriptor(l), FIONREAD, &n) == 0 ? n : 0;
}

/* Throws away what has come; how many bytes. Bounded: a babbling line is left to its babble. */
static size_t throw_away(struct link *l)
{
    if (l->tls)
        return tls_throw_away(l->tls);
    uint8_t bin[512];
    size_t sum = 0;
    for (int i = 0; i < 8; i++) {
        ssize_t n = read(descriptor(l), bin, sizeof bin);
        if (n <= 0)
            break;
        sum += (size_t)n;
        if ((size_t)n < sizeof bin)
            break;
    }
    return sum;
}

/* Serial: until nothing has come for quiet_us, at most until the deadline. How many bytes came.
 */
static size_t wait_for_quiet(struct link *l, int64_t quiet_us, int64_t deadline_us)
{
    size_t sum = 0;
    for (;;) {
        int64_t until = clock_mono_us() + quiet_us;
        if (until > deadline_us)
            until = deadline_us;
        if (wait_for(descriptor(l), POLLIN, l->stop_fd, until) != WAIT_READY)
            break;
        size_t n = throw_away(l);
        if (n == 0) /* hung up */
            break;
        sum += n;
    }
    l->quiet_from_us = clock_mono_us();
    return sum;
}

static int64_t line_us(const struct link *l, size_t characters)
{
    return (int64_t)characters * l->line.character_ns / 1000;
}

/* Serial: the line is silent, holds no byte of before, and the unit owes nothing any more; on a
 * line that babbles as far as that can be had in one timeout. False when told to stop. */
static bool make_ready_serial(struct link *l, int unit, int64_t give_up_us,
                              struct link_result *result)
{
    int64_t owed_until = l->owed_until_us[unit];
    int64_t silence_us = (l->line.silence_ns + 999) / 1000;
    int64_t now = clock_mono_us();
    int64_t patience = now + (int64_t)l->bus->timeout_ms * 1000;
    if (patience > give_up_us)
        patience = give_up_us;
    if (owed_until > give_up_us)
        owed_until = give_up_us;
    int64_t listen_until = l->quiet_from_us + silence_us;
    int64_t quiet_us = silence_us;
    if (owed_until > listen_until) {
        listen_until = owed_until;
        quiet_us = QUIET_AFTER_FAULT_US;
    }
    enum wait_end end = wait_for(descriptor(l), POLLIN, l->stop_fd, listen_until);
    if (end == WAIT_READY && wait_for_quiet(l, quiet_us, patience) > 0) {
        if (l->owed_until_us[unit] != 0)
            result->late++;
        else
            result->stray++;
    }
    l->owed_until_us[unit] = 0;
    return end != WAIT_STOP;
}

/* TCP: bytes that come without a request owed would shift the framing of the next answer. */
static void make_ready_tcp(struct link *l, int64_t now_us, struct link_result *result)
{
    if (l->orderly >= ORDERLY_ANSWERS && now_us - l->answered_us < YOUNG_ANSWER_US)
        return;
    for (int i = 0; i < GIVEN_UP_KEPT; i++)
        if (l->given_up[i] != 0)
            return; /* the receiving side passes over late answers, frame by frame */
    /* inside TLS bytes may wait in the library, and what waits outside may be none of ours */
    if ((l->tls || waiting_bytes(l) > 0) && throw_away(l) > 0) {
        result->stray++;
        l->orderly = 0;
    }
}

/* What a connection's answers were like. */
static void note_manners(struct link *l, const struct link_result *result)
{
    bool good = result->fault == FAULT_NONE && result->late == 0;
    l->orderly = !good ? 0 : l->orderly < ORDERLY_ANSWERS ? l->orderly + 1 : l->orderly;
    if (l->orderly == ORDERLY_ANSWERS)
        l->answered_us = clock_mono_us();
}

static bool send_request(struct link *l, const struct answer_request *q)
{
    uint8_t bytes[ANSWER_REQUEST_SIZE];
    size_t length = answer_encode_request(q, bytes);
    if (l->tls)
        return tls_send(l->tls, bytes, length);
    if (l->tcp)
        return send(descriptor(l), bytes, length, MSG_NOSIGNAL) == (ssize_t)length;
    return modbus_send_raw_request(l->modbus, bytes, (int)length) > 0;
}

/* The same inside TLS, where libmodbus cannot listen. */
static int receive_inside_tls(struct link *l, uint8_t frame[MODBUS_MAX_ADU_LENGTH],
                              int64_t deadline_us, enum fault *fault)
{
    size_t length;
    switch (tls_receive(l->tls, frame, MODBUS_MAX_ADU_LENGTH, &length, deadline_us)) {
    case TLS_FRAME: return (int)length;
    case TLS_SILENCE: *fault = FAULT_TIMEOUT; break;
    case TLS_PART: *fault = FAULT_SHORT; break;
    case TLS_TOO_LONG: *fault = FAULT_LENGTH; break;
    case TLS_GONE: *fault = FAULT_CONNECTION; break;
    }
    return -1;
}

/* The answer's bytes as libmodbus frames them: its length, 0 for another unit on a serial line,
 * or -1 with *fault. libmodbus does not say how much of a frame came before the time was over;
 * the first bytes tell, because they are set beforehand to what no answer begins with. */
static int receive_frame(struct link *l, const struct answer_request *q,
                         uint8_t frame[MODBUS_MAX_ADU_LENGTH], int64_t deadline_us,
                         enum fault *fault)
{
    if (l->tls)
        return receive_inside_tls(l, frame, deadline_us, fault);
    const uint8_t before[2] = {(uint8_t)(~q->transaction >> 8), (uint8_t)~q->transaction};
    int64_t left = deadline_us - clock_mono_us();
    if (left < 1000)
        left = 1000;
    memcpy(frame, before, sizeof before);
    modbus_set_response_timeout(l->modbus, (uint32_t)(left / 1000000),
                                (uint32_t)(left % 1000000));
    int length = modbus_receive_confirmation(l->modbus, frame);
    if (length >= 0)
        return length;
    if (errno == EMBBADCRC)
        *fault = FAULT_CRC;
    else if (errno == EMBBADDATA) /* claims more than a frame can hold */
        *fault = FAULT_LENGTH;
    else if (errno != ETIMEDOUT) /* ECONNRESET, EIO, ENODEV, EBADF ... */
        *fault = FAULT_CONNECTION;
    else if (!l->tcp || memcmp(frame, before, sizeof before) != 0)
        *fault = FAULT_SHORT;
    else
        *fault = FAULT_TIMEOUT;
    return -1;
}

static bool take_given_up(struct link *l, uint16_t transaction)
{
    for (int i = 0; i < GIVEN_UP_KEPT; i++)
        if (transaction != 0 && l->given_up[i] == transaction) {
            l->given_up[i] = 0;
            return true;
        }
    return false;
}

/* The length of a frame in a wrong unit's name, which libmodbus gives as 0 without its CRC
 * checked; what it read begins with the unit. */
static enum fault judge_other_unit(struct link *l, const uint8_t *frame,
                                   struct link_result *result)
{
    if (l->owed_until_us[frame[0]] == 0)
        return FAULT_UNIT;
    l->owed_until_us[frame[0]] = 0;
    result->late++;
    return FAULT_LATE;
}

static enum fault judge(struct link *l, const struct answer_request *q, const uint8_t *frame,
                        int length, uint16_t *registers, struct link_result *result)
{
    if (!l->tcp && length == 0)
        return judge_other_unit(l, frame, result);
    enum fault fault = answer_judge(q, frame, (size_t)length, registers, &result->exception);
    if (fault != FAULT_TRANSACTION)
        return fault;
    if (!take_given_up(l, (uint16_t)(frame[0] << 8 | frame[1])))
        return FAULT_TRANSACTION;
    result->late++;
    return FAULT_LATE;
}

struct link_result link_receive(struct link *l, const struct answer_request *q,
                                int64_t deadline_us, uint16_t *registers)
{
    struct link_result result = {.fault = FAULT_TIMEOUT};
    uint8_t frame[MODBUS_MAX_ADU_LENGTH];
    if (!l->tcp) /* libmodbus checks the CRC of this unit's answers only */
        modbus_set_slave(l->modbus, q->unit);
    for (int i = 0; i < TCP_MOST_PASSED_OVER; i++) {
        enum fault fault = FAULT_TIMEOUT;
        /* on TCP libmodbus does the waiting, which saves a system call; see link_interrupt */
        if (!l->tcp && wait_for(descriptor(l), POLLIN, l->stop_fd, deadline_us) != WAIT_READY)
            return result;
        int length = receive_frame(l, q, frame, deadline_us, &fault);
        if (length < 0) {
            /* silence after an answer to another transaction is that answer's fault */
            if (fault != FAULT_TIMEOUT)
                result.fault = fault;
            return result;
        }
        fault = judge(l, q, frame, length, registers, &result);
        if (fault != FAULT_LATE && fault != FAULT_TRANSACTION) {
            result.fault = fault;
            return result;
        }
        if (fault == FAULT_TRANSACTION)
            result.fault = fault;
    }
    return result;
}

/* Serial: sleeps until the answer should have come in whole, then, where the meter took its
 * time to think, for what is missing: three wake-ups at the most, where waiting for every byte
 * would be one each. True when the whole answer is there; the line is silent since
 * quiet_from_us. */
static bool sleep_to_end(struct link *l, const struct answer_request *q, int64_t sent_us,
                         int64_t deadline_us)
{
    int length = (int)answer_expected_length(q);
    int64_t until =
        sent_us + line_us(l, REQUEST_CHARACTERS + (size_t)length) + l->line.silence_ns / 1000;
    for (int i = 0; i < 2; i++) {
        wait_until(l->stop_fd, until < deadline_us ? until : deadline_us);
        int have = waiting_bytes(l);
        if (have == 0 && i == 0) {
            wait_for(descriptor(l), POLLIN, l->stop_fd, deadline_us);
            have = 1;
        }
        l->quiet_from_us = clock_mono_us();
        if (have >= length)
            return true;
        if (length - have <= FEW_BYTES)
            return false;
        until = l->quiet_from_us + line_us(l, (size_t)(length - have));
    }
    return false;
}

/* What a fault leaves behind on the line. */
static void settle_serial(struct link *l, int unit, enum fault fault, int64_t give_up_us)
{
    int64_t timeout_us = (int64_t)l->bus->timeout_ms * 1000;
    switch (fault) {
    case FAULT_NONE:
    case FAULT_EXCEPTION:
    case FAULT_CONNECTION: break;
    case FAULT_TIMEOUT: l->owed_until_us[unit] = l->quiet_from_us + timeout_us; break;
    default: /* something is still being said, perhaps */
        if (give_up_us > l->quiet_from_us + timeout_us)
            give_up_us = l->quiet_from_us + timeout_us;
        wait_for_quiet(l, QUIET_AFTER_FAULT_US, give_up_us);
    }
}

static struct link_result exchange_serial(struct link *l, const struct answer_request *q,
                                          int64_t give_up_us, uint16_t *registers)
{
    struct link_result before = {.fault = FAULT_TIMEOUT};
    if (!make_ready_serial(l, q->unit, give_up_us, &before))
        return before;
    int64_t sent_us = clock_mono_us();
    if (!send_request(l, q)) {
        before.fault = FAULT_CONNECTION;
        return before;
    }
    int64_t timeout_us = (int64_t)l->bus->timeout_ms * 1000;
    int64_t deadline_us =
        sent_us + line_us(l, REQUEST_CHARACTERS + answer_expected_length(q)) + timeout_us;
    if (deadline_us > give_up_us)
        deadline_us = give_up_us;
    bool whole = sleep_to_end(l, q, sent_us, deadline_us);
    struct link_result result = link_receive(l, q, deadline_us, registers);
    result.late += before.late;
    result.stray += before.stray;
    if (!whole || result.fault != FAULT_NONE)
        l->quiet_from_us = clock_mono_us();
    settle_serial(l, q->unit, result.fault, give_up_us);
    return result;
}

static struct link_result exchange_tcp(struct link *l, struct answer_request *q,
                                       int64_t give_up_us, uint16_t *registers)
{
    struct link_result before = {.fault = FAULT_CONNECTION};
    int64_t now_us = clock_mono_us(), deadline_us = now_us + (int64_t)l->bus->timeout_ms * 1000;
    make_ready_tcp(l, now_us, &before);
    if (++l->transaction == 0)
        l->transaction = 1; /* 0 marks an empty place among those given up */
    q->transaction = l->transaction;
    if (!send_request(l, q))
        return before;
    struct link_result result =
        link_receive(l, q, deadline_us < give_up_us ? deadline_us : give_up_us, registers);
    note_manners(l, &result);
    result.late += before.late;
    result.stray += before.stray;
    if (result.fault == FAULT_TIMEOUT || result.fault == FAULT_TRANSACTION) {
        l->given_up[l->next_given_up] = q->transaction;
        l->next_given_up = (l->next_given_up + 1) % GIVEN_UP_KEPT;
    } else if (result.fault == FAULT_SHORT || result.fault == FAULT_LENGTH) {
        link_close(l); /* the stream's framing is lost */
    }
    return result;
}

struct link_result link_read(struct link *l, const struct link_read *r, int64_t give_up_us,
                             uint16_t *registers)
{
    struct answer_request q = {
        .tcp = l->tcp,
        .unit = (uint8_t)r->unit,
        .function = (uint8_t)r->function,
        .address = (uint16_t)r->address,
        .count = (uint16_t)r->count,
    };
    struct link_result result = {.fault = FAULT_CONNECTION};
    if (!l->modbus)
        return result;
    result = l->tcp ? exchange_tcp(l, &q, give_up_us, registers)
                    : exchange_serial(l, &q, give_up_us, registers);
    if (result.fault == FAULT_CONNECTION)
        link_close(l);
    return result;
}
