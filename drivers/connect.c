#include "connect.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <linux/serial.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <resolv.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

#include "wait.h"

static void say(char *why, size_t capacity, const char *what)
{
    snprintf(why, capacity, "%s", what);
}

static void say_errno(char *why, size_t capacity, int code)
{
    char text[128];
    say(why, capacity, strerror_r(code, text, sizeof text));
}

static void set_up(modbus_t *m)
{
    modbus_set_error_recovery(m, MODBUS_ERROR_RECOVERY_NONE);
    modbus_set_byte_timeout(m, 0, 0);
}

/* libmodbus waits by select(), which writes beyond its set for a descriptor of FD_SETSIZE */
static bool descriptor_usable(int fd, char *why, size_t capacity)
{
    if (fd < FD_SETSIZE)
        return true;
    say(why, capacity, "too many open files in this process");
    return false;
}

static struct addrinfo *look_up(const char *host, int port, char *why, size_t capacity)
{
    struct addrinfo *found = NULL;
    struct addrinfo hints = {.ai_socktype = SOCK_STREAM, .ai_flags = AI_NUMERICHOST};
    char service[16];
    snprintf(service, sizeof service, "%d", port);
    int rc = getaddrinfo(host, service, &hints, &found);
    if (rc == EAI_NONAME) {
        if (res_init() == 0) {
            _res.retrans = 1;
            _res.retry = 1;
        }
        hints.ai_flags = AI_ADDRCONFIG;
        rc = getaddrinfo(host, service, &hints, &found);
    }
    if (rc == 0)
        return found;
    say(why, capacity, gai_strerror(rc));
    return NULL;
}

/* 0 or an errno; the descriptor is *fd when 0 */
static int try_address(const struct addrinfo *a, int stop_fd, int64_t deadline_us, int *fd)
{
    int s = socket(a->ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (s < 0)
        return errno;
    int code = 0;
    if (connect(s, a->ai_addr, a->ai_addrlen) != 0)
        code = errno;
    if (code == EINPROGRESS) {
        socklen_t size = sizeof code;
        if (wait_for(s, POLLOUT, stop_fd, deadline_us) != WAIT_READY)
            code = ETIMEDOUT;
        else if (getsockopt(s, SOL_SOCKET, SO_ERROR, &code, &size) != 0)
            code = errno;
    }
    if (code != 0)
        close(s);
    else
        *fd = s;
    return code;
}

static void tune_socket(int fd)
{
    static const struct {
        int level, name, value;
    } options[] = {
        {IPPROTO_TCP, TCP_NODELAY, 1},   {SOL_SOCKET, SO_KEEPALIVE, 1},
        {IPPROTO_TCP, TCP_KEEPIDLE, 10}, {IPPROTO_TCP, TCP_KEEPINTVL, 5},
        {IPPROTO_TCP, TCP_KEEPCNT, 3},
    };
    for (size_t i = 0; i < sizeof options / sizeof options[0]; i++)
        (void)setsockopt(fd, options[i].level, options[i].name, &options[i].value, sizeof(int));
}

static modbus_t *around_socket(int fd)
{
    modbus_t *m = modbus_new_tcp("127.0.0.1", 502); /* never connected by libmodbus itself */
    if (!m) {
        close(fd);
        return NULL;
    }
    set_up(m);
    modbus_set_socket(m, fd);
    return m;
}

modbus_t *connect_tcp(const char *host, int port, int stop_fd, int64_t deadline_us, char *why,
                      size_t capacity)
{
    struct addrinfo *all = look_up(host, port, why, capacity);
    if (!all)
        return NULL;
    int fd = -1, code = EADDRNOTAVAIL;
    for (const struct addrinfo *a = all; a && code != 0; a = a->ai_next)
        code = try_address(a, stop_fd, deadline_us, &fd);
    freeaddrinfo(all);
    if (code != 0) {
        say_errno(why, capacity, code);
        return NULL;
    }
    if (!descriptor_usable(fd, why, capacity)) {
        close(fd);
        return NULL;
    }
    tune_socket(fd);
    modbus_t *m = around_socket(fd);
    if (!m)
        say(why, capacity, "memory is short");
    return m;
}

/* For a USB adapter's latency timer; other lines refuse it, which is no fault. */
static void ask_low_latency(int fd)
{
    struct serial_struct serial;
    if (ioctl(fd, TIOCGSERIAL, &serial) == 0) {
        serial.flags = (int)((unsigned)serial.flags | ASYNC_LOW_LATENCY);
        (void)ioctl(fd, TIOCSSERIAL, &serial);
    }
}

int connect_latency_ms(const char *sys, const char *device)
{
    char real[PATH_MAX], path[PATH_MAX + 64];
    int ms = -1;
    if (!realpath(device, real))
        return -1;
    snprintf(path, sizeof path, "%s/class/tty/%s/device/latency_timer", sys,
             strrchr(real, '/') + 1);
    FILE *f = fopen(path, "re");
    if (f && fscanf(f, "%d", &ms) != 1)
        ms = -1;
    if (f)
        fclose(f);
    return ms;
}

/* Who turns the line round; libmodbus has both ways. */
static bool set_direction(modbus_t *m, enum site_rs485 rs485, char *why, size_t capacity)
{
    int rc = 0;
    switch (rs485) {
    case SITE_RS485_ADAPTER: break;
    case SITE_RS485_KERNEL: rc = modbus_rtu_set_serial_mode(m, MODBUS_RTU_RS485); break;
    case SITE_RS485_RTS_HIGH: rc = modbus_rtu_set_rts(m, MODBUS_RTU_RTS_UP); break;
    case SITE_RS485_RTS_LOW: rc = modbus_rtu_set_rts(m, MODBUS_RTU_RTS_DOWN); break;
    }
    if (rc != 0)
        say(why, capacity,
            rs485 == SITE_RS485_KERNEL
                ? "its driver has no RS-485 mode; rs485 = \"rts_high\" or \"adapter\" may do"
                : "it has no RTS to turn the line round with");
    return rc == 0;
}

modbus_t *connect_serial(const struct site_bus *b, char *why, size_t capacity)
{
    modbus_t *m = modbus_new_rtu(b->device, b->baud, b->parity, 8, b->stop_bits);
    if (!m) {
        say_errno(why, capacity, errno);
        return NULL;
    }
    set_up(m);
    if (modbus_connect(m) != 0) {
        say_errno(why, capacity, errno);
        modbus_free(m);
        return NULL;
    }
    int fd = modbus_get_socket(m);
    if (!descriptor_usable(fd, why, capacity) || !set_direction(m, b->rs485, why, capacity)) {
        modbus_close(m);
        modbus_free(m);
        return NULL;
    }
    (void)fcntl(fd, F_SETFD, FD_CLOEXEC);
    (void)ioctl(fd, TIOCEXCL);
    ask_low_latency(fd);
    modbus_flush(m);
    return m;
}

modbus_t *connect_adopt(const struct site_bus *b, int fd)
{
    (void)fcntl(fd, F_SETFL, fcntl(fd, F_GETFL) | O_NONBLOCK);
    if (!b->device[0])
        return around_socket(fd);
    modbus_t *m = modbus_new_rtu(b->device, b->baud, b->parity, 8, b->stop_bits);
    if (!m) {
        close(fd);
        return NULL;
    }
    set_up(m);
    modbus_set_socket(m, fd);
    return m;
}

bool connect_baud_known(int baud)
{
    static const int known[] = {300,   600,    1200,   2400,   4800,   9600,   19200,  38400,
                                57600, 115200, 230400, 460800, 500000, 576000, 921600, 1000000};
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
        if (known[i] == baud)
            return true;
    return false;
}

int connect_character_bits(const struct site_bus *b)
{
    return 1 + 8 + (b->parity != 'N') + b->stop_bits;
}
