#include "held_time.h"

#include <errno.h>
#include <poll.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>

#include "drivers/connect.h"
#include "drivers/wait.h"

#define WALL_MS INT64_C(1767225600123) /* when mono was 0 */
#define MBAP_SIZE 7
#define CRC_SIZE 2

/* the test program's one clock */
static struct {
    bool held;
    int64_t now_us;
    const struct held_far_end *far_end;
} hand;

int64_t __real_clock_mono_us(void);
int64_t __wrap_clock_mono_us(void);
int64_t __real_clock_mono_ms(void);
int64_t __wrap_clock_mono_ms(void);
int64_t __real_clock_wall_ms(void);
int64_t __wrap_clock_wall_ms(void);
void __real_clock_sleep_until_us(int64_t mono_us);
void __wrap_clock_sleep_until_us(int64_t mono_us);
enum wait_end __real_wait_for(int fd, short events, int stop_fd, int64_t mono_us);
enum wait_end __wrap_wait_for(int fd, short events, int stop_fd, int64_t mono_us);
enum wait_end __real_wait_until(int stop_fd, int64_t mono_us);
enum wait_end __wrap_wait_until(int stop_fd, int64_t mono_us);
modbus_t *__real_connect_tcp(const char *host, int port, int stop_fd, int64_t deadline_us,
                             char *why, size_t capacity);
modbus_t *__wrap_connect_tcp(const char *host, int port, int stop_fd, int64_t deadline_us,
                             char *why, size_t capacity);
modbus_t *__real_connect_serial(const struct site_bus *b, char *why, size_t capacity);
modbus_t *__wrap_connect_serial(const struct site_bus *b, char *why, size_t capacity);
int __real_modbus_receive_confirmation(modbus_t *m, uint8_t *frame);
int __wrap_modbus_receive_confirmation(modbus_t *m, uint8_t *frame);

void held_time_begin(const struct held_far_end *far_end)
{
    hand.held = true;
    hand.now_us = INT64_C(1000000000);
    hand.far_end = far_end;
}

void held_time_far_end(const struct held_far_end *far_end)
{
    hand.far_end = far_end;
}

void held_time_end(void)
{
    hand.held = false;
    hand.far_end = NULL;
}

/* the far end does what is due; when it has something to do next */
static int64_t turn(void)
{
    return hand.far_end ? hand.far_end->turn(hand.far_end->context) : INT64_MAX;
}

/* lets time pass to what comes next, at most to the end; what the turn did has been looked at
 */
static void pass(int64_t next_us, int64_t end_us)
{
    if (next_us > end_us)
        next_us = end_us;
    if (next_us > hand.now_us)
        hand.now_us = next_us;
}

int64_t __wrap_clock_mono_us(void)
{
    return hand.held ? ++hand.now_us : __real_clock_mono_us();
}

int64_t __wrap_clock_mono_ms(void)
{
    return hand.held ? hand.now_us / 1000 : __real_clock_mono_ms();
}

int64_t __wrap_clock_wall_ms(void)
{
    return hand.held ? WALL_MS + hand.now_us / 1000 : __real_clock_wall_ms();
}

void __wrap_clock_sleep_until_us(int64_t mono_us)
{
    if (!hand.held)
        __real_clock_sleep_until_us(mono_us);
    while (hand.held && hand.now_us < mono_us)
        pass(turn(), mono_us);
}

enum wait_end __wrap_wait_for(int fd, short events, int stop_fd, int64_t mono_us)
{
    if (!hand.held)
        return __real_wait_for(fd, events, stop_fd, mono_us);
    for (;;) {
        struct pollfd fds[2] = {{stop_fd, POLLIN, 0}, {fd, events, 0}};
        int64_t next_us = turn();
        poll(fds, 2, 0);
        if (fds[0].revents)
            return WAIT_STOP;
        if (fds[1].revents)
            return WAIT_READY;
        if (hand.now_us >= mono_us)
            return WAIT_TIME;
        pass(next_us, mono_us);
    }
}

enum wait_end __wrap_wait_until(int stop_fd, int64_t mono_us)
{
    return hand.held ? __wrap_wait_for(-1, 0, stop_fd, mono_us)
                     : __real_wait_until(stop_fd, mono_us);
}

static int connected(char *why, size_t capacity, int code)
{
    int fd = hand.far_end ? hand.far_end->connect(hand.far_end->context) : -1;
    if (fd < 0)
        snprintf(why, capacity, "%s", strerror(code));
    return fd;
}

modbus_t *__wrap_connect_tcp(const char *host, int port, int stop_fd, int64_t deadline_us,
                             char *why, size_t capacity)
{
    static const struct site_bus tcp = {.port = 502};
    if (!hand.held)
        return __real_connect_tcp(host, port, stop_fd, deadline_us, why, capacity);
    int fd = connected(why, capacity, ECONNREFUSED);
    return fd < 0 ? NULL : connect_adopt(&tcp, fd);
}

modbus_t *__wrap_connect_serial(const struct site_bus *b, char *why, size_t capacity)
{
    if (!hand.held)
        return __real_connect_serial(b, why, capacity);
    int fd = connected(why, capacity, ENOENT);
    return fd < 0 ? NULL : connect_adopt(b, fd);
}

/* a frame that libmodbus will take for whole, or the end of the connection */
static bool frame_is_there(modbus_t *m)
{
    uint8_t b[300];
    ssize_t n = recv(modbus_get_socket(m), b, sizeof b, MSG_PEEK | MSG_DONTWAIT);
    if (n < 0)
        return errno != EAGAIN;
    bool tcp = modbus_get_header_length(m) == MBAP_SIZE;
    size_t at = tcp ? MBAP_SIZE : 1, length = (size_t)n;
    if (length == 0)
        return true;
    if (length < at + 2)
        return false;
    size_t body = b[at] & 0x80 ? 2U : 2U + b[at + 1];
    return length >= at + body + (tcp ? 0 : CRC_SIZE);
}

/* libmodbus waits by select: everything that it would wait for comes beforehand */
int __wrap_modbus_receive_confirmation(modbus_t *m, uint8_t *frame)
{
    uint32_t s, us;
    if (!hand.held)
        return __real_modbus_receive_confirmation(m, frame);
    modbus_get_response_timeout(m, &s, &us);
    int64_t end_us = hand.now_us + (int64_t)s * 1000000 + us;
    for (;;) {
        int64_t next_us = turn();
        if (frame_is_there(m) || hand.now_us >= end_us)
            break;
        pass(next_us, end_us);
    }
    modbus_set_response_timeout(m, 0, 1);
    int length = __real_modbus_receive_confirmation(m, frame);
    int code = errno;
    modbus_set_response_timeout(m, s, us);
    errno = code;
    return length;
}
