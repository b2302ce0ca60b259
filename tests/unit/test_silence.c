/* The silences on a serial line, at five speeds: MODBUS over Serial Line V1.02, 2.5.1.1: at
 * least 3.5 characters between frames (fixed 1.750 ms above 19200 bit/s), no pause of more
 * than 1.5 characters within one. The far end gives every byte at its baud time, once in held
 * time, where the upper bound holds too, and once over a real pseudo-terminal, where a busy
 * machine can make silences longer and never shorter. */
#include "check.h"

#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <pty.h>
#include <stdlib.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

#include "base/clock.h"
#include "drivers/link.h"
#include "drivers/wait.h"
#include "fake_meter.h"
#include "held_time.h"

#define REGISTERS 7
#define ANSWER (5 + 2 * REGISTERS)
#define REQUEST 8
#define READS 12

static const int bauds[] = {9600, 19200, 38400, 57600, 115200};
#define BAUDS (sizeof bauds / sizeof bauds[0])

struct paced {
    int fd, stop_fd;
    struct plan_line line;
    double pause_characters; /* after the third byte of an answer */
    uint8_t answer[ANSWER];
    int given;          /* bytes of the answer that are out; ANSWER: none owed */
    int64_t due_us;     /* of the next one */
    int64_t ended_us;   /* the last byte of the last answer */
    int have, requests; /* bytes of the request in hand */
    int64_t shortest_us, longest_us, within_us;
    int64_t began_us;
};

static void paced_init(struct paced *p, int baud)
{
    *p = (struct paced){.fd = -1, .stop_fd = -1, .line = plan_line_serial(baud, 11, 0)};
    p->answer[0] = 1, p->answer[1] = 3, p->answer[2] = 2 * REGISTERS;
    for (int i = 0; i < 2 * REGISTERS; i++)
        p->answer[3 + i] = (uint8_t)i;
    uint16_t crc = fake_crc(p->answer, ANSWER - 2);
    p->answer[ANSWER - 2] = (uint8_t)crc;
    p->answer[ANSWER - 1] = (uint8_t)(crc >> 8);
    p->given = ANSWER;
    p->shortest_us = INT64_MAX;
}

static int64_t characters_us(const struct paced *p, double n)
{
    return (int64_t)(n * (double)p->line.character_ns / 1000.0);
}

static void take(struct paced *p, int64_t now)
{
    uint8_t bin[64];
    ssize_t n = read(p->fd, bin, sizeof bin);
    if (n <= 0)
        return;
    if (p->have == 0) {
        int64_t silence = now - p->ended_us;
        if (p->requests++ > 0) {
            p->shortest_us = silence < p->shortest_us ? silence : p->shortest_us;
            p->longest_us = silence > p->longest_us ? silence : p->longest_us;
        }
        p->began_us = now;
    }
    p->have += (int)n;
    if (now - p->began_us > p->within_us)
        p->within_us = now - p->began_us;
    if (p->have < REQUEST)
        return;
    p->have = 0;
    p->given = 0;
    p->due_us = now + characters_us(p, REQUEST + 1) + p->line.silence_ns / 1000;
}

/* what is due by now; returns when the next byte is */
static int64_t turn(void *context)
{
    struct paced *p = context;
    struct pollfd f = {p->fd, POLLIN, 0};
    int64_t now = clock_mono_us();
    if (p->fd >= 0 && poll(&f, 1, 0) > 0)
        take(p, now);
    while (p->given < ANSWER && p->due_us <= now) {
        /* noted before it is out, so that a thread that is held up finds silences too long */
        p->ended_us = now;
        if (write(p->fd, p->answer + p->given, 1) != 1)
            break;
        p->given++;
        p->due_us += characters_us(p, 1.0 + (p->given == 3 ? p->pause_characters : 0.0));
    }
    return p->given < ANSWER ? p->due_us : INT64_MAX;
}

static int connect_pair(void *context)
{
    struct paced *p = context;
    int fds[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, fds), 0);
    p->fd = fds[1];
    return fds[0];
}

static void read_often(const char *device, int baud)
{
    struct site_bus bus = {.baud = baud, .parity = 'E', .stop_bits = 1, .timeout_ms = 20000};
    struct link_read q = {1, 3, 0, REGISTERS};
    uint16_t registers[REGISTERS];
    char why[128] = "";
    snprintf(bus.device, sizeof bus.device, "%s", device);
    struct link *l = link_create(&bus, -1);
    assert_non_null(l);
    if (!link_open(l, clock_mono_us() + 60000000, why, sizeof why))
        fail_msg("%s", why);
    for (int i = 0; i < READS; i++) {
        struct link_result r = link_read(l, &q, clock_mono_us() + 60000000, registers);
        if (r.fault != FAULT_NONE)
            fail_msg("%d baud, read %d: %s", baud, i, fault_name(r.fault));
        assert_int_equal(registers[3], 0x0607);
    }
    link_destroy(l);
}

static void requests_keep_the_silence_and_waste_none(void **state)
{
    (void)state;
    for (size_t i = 0; i < BAUDS; i++)
        for (int paused = 0; paused < 2; paused++) {
            struct paced p;
            struct held_far_end far_end = {&p, turn, connect_pair};
            paced_init(&p, bauds[i]);
            /* within what a frame may pause, and what an adapter that holds bytes back adds */
            p.pause_characters = paused ? 1.5 : 0.0;
            held_time_begin(&far_end);
            read_often("a line", bauds[i]);
            held_time_end();
            assert_int_equal(p.requests, READS);
            close(p.fd);
            if (p.shortest_us * 1000 < p.line.silence_ns)
                fail_msg("%d baud: a silence of %lld us", bauds[i], (long long)p.shortest_us);
            if (p.longest_us * 1000 > p.line.silence_ns + (paused ? 400000 : 150000))
                fail_msg("%d baud: a silence of %lld us", bauds[i], (long long)p.longest_us);
            assert_true(p.within_us * 1000 <= p.line.character_ns * 3 / 2);
        }
}

static void *far_end_thread(void *context)
{
    struct paced *p = context;
    for (;;) {
        int64_t next = turn(p), hour = clock_mono_us() + INT64_C(3600000000);
        if (wait_for(p->given < ANSWER ? -1 : p->fd, POLLIN, p->stop_fd,
                     next < hour ? next : hour) == WAIT_STOP)
            return NULL;
    }
}

static void silences_are_kept_on_a_pseudo_terminal_too(void **state)
{
    (void)state;
    for (size_t i = 0; i < BAUDS; i++) {
        struct paced p;
        int slave;
        uint64_t one = 1;
        char device[64];
        struct termios t;
        pthread_t thread;
        paced_init(&p, bauds[i]);
        assert_int_equal(openpty(&p.fd, &slave, device, NULL, NULL), 0);
        tcgetattr(slave, &t);
        cfmakeraw(&t);
        tcsetattr(slave, TCSANOW, &t);
        p.stop_fd = eventfd(0, 0);
        assert_int_equal(pthread_create(&thread, NULL, far_end_thread, &p), 0);
        read_often(device, bauds[i]);
        assert_int_equal(write(p.stop_fd, &one, sizeof one), sizeof one);
        pthread_join(thread, NULL); /* what it has counted may be looked at from here on */
        assert_int_equal(p.requests, READS);
        close(p.fd);
        close(slave);
        close(p.stop_fd);
        if (p.shortest_us * 1000 < p.line.silence_ns)
            fail_msg("%d baud: a silence of %lld us", bauds[i], (long long)p.shortest_us);
    }
}

/* MODBUS Application Protocol V1.1b3, section 7 */
static void exception_codes_have_the_names_of_the_specification(void **state)
{
    static const struct {
        int code;
        const char *name;
    } rows[] = {{1, "illegal function"},
                {2, "illegal data address"},
                {3, "illegal data value"},
                {4, "server device failure"},
                {5, "acknowledge"},
                {6, "server device busy"},
                {8, "memory parity error"},
                {10, "gateway path unavailable"},
                {11, "gateway target device failed to respond"}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
        assert_string_equal(fault_exception_name(rows[i].code), rows[i].name);
    assert_string_equal(fault_exception_name(7), "undefined code");
    assert_string_equal(fault_exception_name(200), "undefined code");
}

/* APP 6.3, 6.4: a quantity of 1 to 125 registers */
static void no_read_is_longer_than_125_registers(void **state)
{
    struct plan_line line = plan_line_tcp();
    struct plan_span spans[300];
    struct plan_read reads[300];
    (void)state;
    for (int i = 0; i < 300; i++)
        spans[i] = (struct plan_span){i, 1};
    int n = plan_reads(spans, 300, PLAN_MAX_REGISTERS, &line, reads);
    assert_int_equal(n, 3);
    for (int i = 0; i < n; i++)
        assert_true(reads[i].count <= 125);
    assert_int_equal(plan_reads(spans, 1, 126, &line, reads), -1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(requests_keep_the_silence_and_waste_none),
        cmocka_unit_test(silences_are_kept_on_a_pseudo_terminal_too),
        cmocka_unit_test(exception_codes_have_the_names_of_the_specification),
        cmocka_unit_test(no_read_is_longer_than_125_registers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
