#include "link.h"

#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include "base/clock.h"
#include "connect.h"
#include "wait.h"

#define TCP_MOST_PASSED_OVER 16 /* frames of other transactions, before one answer */
#define GIVEN_UP_KEPT 16
/* bytes of one frame can come this far apart through a USB adapter (its latency timer) */
#define QUIET_AFTER_FAULT_US 20000
#define REQUEST_CHARACTERS 8
#define UNITS 256

struct link {
    const struct site_bus *bus;
    int stop_fd;
    bool tcp;
    struct plan_line line;
    modbus_t *modbus; /* NULL when closed */
    uint16_t transaction;
    uint16_t given_up[GIVEN_UP_KEPT]; /* transactions without an answer; 0 is none */
    int next_given_up;
    int64_t quiet_from_us;        /* serial: when the line fell silent */
    int64_t owed_until_us[UNITS]; /* serial: a late answer may come until then */
    int32_t thinking_us[UNITS];   /* serial: what the unit took before its answer */
};

struct link *link_create(const struct site_bus *b, int stop_fd)
{
    struct link *l = calloc(1, sizeof *l);
    if (!l)
        return NULL;
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
    free(l);
}

bool link_open(struct link *l, int64_t deadline_us, char *why, size_t capacity)
{
    link_close(l);
    l->modbus =
        l->tcp ? connect_tcp(l->bus->host, l->bus->port, l->stop_fd, deadline_us, why, capacity)
               : connect_serial(l->bus, why, capacity);
    return l->modbus != NULL;
}

bool link_adopt(struct link *l, int fd)
{
    link_close(l);
    l->modbus = connect_adopt(l->bus, fd);
    return l->modbus != NULL;
}

bool link_is_open(const struct link *l)
{
    return l->modbus != NULL;
}

void link_close(struct link *l)
{
    if (!l->modbus)
        return;
    modbus_close(l->modbus);
    modbus_free(l->modbus);
    l->modbus = NULL;
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

static int descriptor(const struct link *l)
{
    return modbus_get_socket(l->modbus);
}

static int waiting_bytes(const struct link *l)
{
    int n = 0;
    return ioctl(descriptor(l), FIONREAD, &n) == 0 ? n : 0;
}

/* Throws away what has come; how many bytes. Bounded: a babbling line is left to its babble. */
static size_t throw_away(struct link *l)
{
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

/* Serial: the line is silent, holds no byte of before, and the unit owes nothing any more. */
static void make_ready_serial(struct link *l, int unit, int64_t give_up_us,
                              struct link_result *result)
{
    int64_t owed_until = l->owed_until_us[unit];
    int64_t silence_us = (l->line.silence_ns + 999) / 1000;
    int64_t now = clock_mono_us();
    size_t bytes = 0;
    if (owed_until > now) {
        if (owed_until > give_up_us)
            owed_until = give_up_us;
        if (wait_for(descriptor(l), POLLIN, l->stop_fd, owed_until) == WAIT_READY)
            bytes = wait_for_quiet(l, QUIET_AFTER_FAULT_US, give_up_us);
    } else if (waiting_bytes(l) > 0) {
        bytes = wait_for_quiet(l, silence_us, give_up_us);
    }
    bool owed = l->owed_until_us[unit] != 0;
    if (bytes > 0 && owed)
        result->late++;
    else if (bytes > 0)
        result->stray++;
    l->owed_until_us[unit] = 0;
    wait_until(l->stop_fd, l->quiet_from_us + silence_us);
}

/* TCP: bytes that come without a request owed would shift the framing of the next answer. */
static void make_ready_tcp(struct link *l, struct link_result *result)
{
    for (int i = 0; i < GIVEN_UP_KEPT; i++)
        if (l->given_up[i] != 0)
            return; /* the receiving side passes over late answers, frame by frame */
    if (waiting_bytes(l) > 0 && throw_away(l) > 0)
        result->stray++;
}

static bool send_request(struct link *l, const struct answer_request *q)
{
    uint8_t bytes[ANSWER_REQUEST_SIZE];
    size_t length = answer_encode_request(q, bytes);
    if (l->tcp)
        return send(descriptor(l), bytes, length, MSG_NOSIGNAL) == (ssize_t)length;
    return modbus_send_raw_request(l->modbus, bytes, (int)length) > 0;
}

/* The answer's bytes as libmodbus frames them; -1 with errno as it says. */
static int receive_frame(struct link *l, uint8_t frame[MODBUS_MAX_ADU_LENGTH],
                         int64_t deadline_us)
{
    int64_t left = deadline_us - clock_mono_us();
    if (left < 1000)
        left = 1000;
    modbus_set_response_timeout(l->modbus, (uint32_t)(left / 1000000),
                                (uint32_t)(left % 1000000));
    return modbus_receive_confirmation(l->modbus, frame);
}

static enum fault fault_of_errno(int code)
{
    switch (code) {
    case ETIMEDOUT: return FAULT_SHORT; /* the first byte had come */
    case EMBBADCRC: return FAULT_CRC;
    case EMBBADDATA: return FAULT_LENGTH; /* claims more than a frame can hold */
    default: return FAULT_CONNECTION;     /* ECONNRESET, EIO, ENODEV, EBADF ... */
    }
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
        if (wait_for(descriptor(l), POLLIN, l->stop_fd, deadline_us) != WAIT_READY)
            return result; /* nothing, or nothing but an answer to another transaction */
        int length = receive_frame(l, frame, deadline_us);
        if (length < 0) {
            result.fault = fault_of_errno(errno);
            return result;
        }
        enum fault fault = judge(l, q, frame, length, registers, &result);
        if (fault != FAULT_LATE && fault != FAULT_TRANSACTION) {
            result.fault = fault;
            return result;
        }
        if (fault == FAULT_TRANSACTION)
            result.fault = fault;
    }
    return result;
}

/* Serial: sleeps until the answer should have come in whole. True when it was there by then. */
static bool sleep_to_end(struct link *l, const struct answer_request *q, int64_t sent_us,
                         int64_t deadline_us)
{
    size_t length = answer_expected_length(q);
    int64_t until = sent_us + line_us(l, REQUEST_CHARACTERS + length) +
                    l->line.silence_ns / 1000 + l->thinking_us[q->unit];
    if (until > deadline_us)
        until = deadline_us;
    wait_until(l->stop_fd, until);
    int have = waiting_bytes(l);
    if (have >= (int)length)
        return true;
    if (have == 0 && wait_for(descriptor(l), POLLIN, l->stop_fd, deadline_us) != WAIT_READY)
        return false;
    have = waiting_bytes(l);
    if (have < (int)length) { /* one sleep for what is missing, not a wake-up a byte */
        until = clock_mono_us() + line_us(l, length - (size_t)have);
        wait_until(l->stop_fd, until < deadline_us ? until : deadline_us);
    }
    return false;
}

/* Learns how long a unit thinks: up by a quarter of what was missing, down slowly while its
 * answers are in before the sleep ends. */
static void learn_thinking(struct link *l, const struct answer_request *q, int64_t sent_us,
                           int64_t end_us, bool was_there)
{
    int32_t silence_us = (int32_t)(l->line.silence_ns / 1000);
    int32_t *t = &l->thinking_us[q->unit];
    if (was_there) {
        *t -= *t > 400 ? *t / 8 : 50;
        if (*t < -silence_us)
            *t = -silence_us;
        return;
    }
    int64_t took = end_us - sent_us -
                   line_us(l, REQUEST_CHARACTERS + answer_expected_length(q)) - silence_us;
    if (took > *t + 300)
        *t += (int32_t)((took - *t) / 4);
}

static struct link_result exchange_serial(struct link *l, const struct answer_request *q,
                                          int64_t give_up_us, uint16_t *registers)
{
    struct link_result before = {.fault = FAULT_TIMEOUT};
    make_ready_serial(l, q->unit, give_up_us, &before);
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
    bool was_there = sleep_to_end(l, q, sent_us, deadline_us);
    struct link_result result = link_receive(l, q, deadline_us, registers);
    result.late += before.late;
    result.stray += before.stray;
    l->quiet_from_us = clock_mono_us();
    if (result.fault == FAULT_NONE)
        learn_thinking(l, q, sent_us, l->quiet_from_us, was_there);
    else if (result.fault == FAULT_TIMEOUT)
        l->owed_until_us[q->unit] = l->quiet_from_us + timeout_us;
    else if (result.fault != FAULT_EXCEPTION && result.fault != FAULT_CONNECTION)
        wait_for_quiet(l, QUIET_AFTER_FAULT_US, l->quiet_from_us + timeout_us / 2);
    return result;
}

static struct link_result exchange_tcp(struct link *l, struct answer_request *q,
                                       int64_t give_up_us, uint16_t *registers)
{
    struct link_result before = {.fault = FAULT_CONNECTION};
    make_ready_tcp(l, &before);
    if (++l->transaction == 0)
        l->transaction = 1; /* 0 marks an empty place among those given up */
    q->transaction = l->transaction;
    if (!send_request(l, q))
        return before;
    int64_t deadline_us = clock_mono_us() + (int64_t)l->bus->timeout_ms * 1000;
    struct link_result result =
        link_receive(l, q, deadline_us < give_up_us ? deadline_us : give_up_us, registers);
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
