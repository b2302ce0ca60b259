/*
 * bench_polls [tcp] - how near the bus comes to what is possible, as ratios of one run.
 *
 * TCP     polls/s of the bus (flat out, 42 registers, decoded and reported) against a bare loop
 * of modbus_read_registers on the same forked libmodbus server; rounds interleaved, median of
 *         the rounds' ratios. Goal: at least 0.95.
 * Serial  a pseudo-terminal whose far end takes a request's time, waits the 3.5 characters of
 *         silence and gives out each answer byte at its baud time; the median cycle against the
 *         line's own limit, (8 + 5 + 2 N) characters and two silences. Goal: at least 0.97. The
 * far end also measures the silence before each request and counts those cut short.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <math.h>
#include <modbus.h>
#include <netinet/in.h>
#include <pthread.h>
#include <pty.h>
#include <sched.h>
#include <semaphore.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "base/clock.h"
#include "base/log.h"
#include "drivers/bus.h"
#include "drivers/connect.h"

#define REGISTERS 42
#define ROUNDS 31
#define ROUND_US 120000
#define SERIAL_US 4000000
#define MOST_CYCLES 4096

static int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static void sleep_until_ns(int64_t ns)
{
    struct timespec t = {.tv_sec = ns / 1000000000, .tv_nsec = ns % 1000000000};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) == EINTR)
        ;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double quantile(double *values, size_t count, double q)
{
    qsort(values, count, sizeof *values, by_size);
    return count ? values[(size_t)(q * (double)(count - 1) + 0.5)] : (double)NAN;
}

static void print_ratio(const char *name, double ratio, double goal)
{
    printf("%-36s %.3f  (goal %.2f%s)\n", name, ratio, goal, ratio >= goal ? "" : ", MISSED");
}

/* ---- a site of one meter with 42 channels
 * -------------------------------------------------------- */

struct one_meter {
    struct site site;
    struct meter_map map;
    struct meter_map_set maps;
};

static void describe(struct one_meter *m)
{
    site_init(&m->site);
    site_add_panel(&m->site);
    struct site_bus *bus = site_add_bus(&m->site);
    bus->poll_ms = 0;
    struct site_meter *meter = site_add_meter(&m->site);
    meter->bus = 0;
    snprintf(meter->map, sizeof meter->map, "bench");
    for (int i = 0; i < REGISTERS; i++) {
        struct site_circuit *c = site_add_circuit(&m->site);
        c->panel = c->meter = 0;
        c->channels[0] = i + 1;
    }
    site_finish(&m->site);
    m->map = (struct meter_map){.id = "bench", .max_registers = 125, .point_count = 1};
    m->map.points[0] = (struct meter_point){.quantity = FRAME_AMPS,
                                            .function = 3,
                                            .stride = 1,
                                            .first_channel = 1,
                                            .channels = REGISTERS,
                                            .scale = 0.01,
                                            .scale_register = -1};
    m->maps = (struct meter_map_set){&m->map, 1};
}

static struct bus *start(struct one_meter *m, bus_deliver *deliver, void *context)
{
    char why[256];
    struct bus_options o = {.site = &m->site,
                            .maps = &m->maps,
                            .only_meter = -1,
                            .deliver = deliver,
                            .context = context};
    struct bus *b = bus_start(&o, why, sizeof why);
    if (!b) {
        fprintf(stderr, "%s\n", why);
        exit(1);
    }
    return b;
}

/* ---- TCP
 * ----------------------------------------------------------------------------------------- */

static int listen_somewhere(int *port)
{
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof a;
    int s = socket(AF_INET, SOCK_STREAM, 0);
    if (s < 0 || bind(s, (struct sockaddr *)&a, sizeof a) != 0 || listen(s, 4) != 0 ||
        getsockname(s, (struct sockaddr *)&a, &size) != 0) {
        perror("listen");
        exit(1);
    }
    *port = ntohs(a.sin_port);
    return s;
}

/* in the child: one select loop of libmodbus's own receiving and replying */
static void serve(int listening)
{
    modbus_t *m = modbus_new_tcp("127.0.0.1", 502);
    modbus_mapping_t *map = modbus_mapping_new(0, 0, 200, 0);
    fd_set all;
    int most = listening;
    if (!m || !map)
        _exit(1);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    FD_ZERO(&all);
    FD_SET(listening, &all);
    for (;;) {
        fd_set ready = all;
        if (select(most + 1, &ready, NULL, NULL, NULL) < 0)
            _exit(1);
        for (int fd = 0; fd <= most; fd++) {
            uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
            if (!FD_ISSET(fd, &ready))
                continue;
            modbus_set_socket(m, fd);
            if (fd == listening) {
                int connection = modbus_tcp_accept(m, &listening);
                FD_SET(connection, &all);
                most = connection > most ? connection : most;
                continue;
            }
            int n = modbus_receive(m, query);
            if (n > 0) {
                modbus_reply(m, query, n, map);
            } else {
                FD_CLR(fd, &all);
                close(fd);
            }
        }
    }
}

/* One round of either: polls/s, and CPU of the client's thread a poll. */
struct rate {
    double polls, cpu_us;
};

static int64_t thread_cpu_us(void)
{
    struct rusage use;
    getrusage(RUSAGE_THREAD, &use);
    return (use.ru_utime.tv_sec + use.ru_stime.tv_sec) * 1000000L + use.ru_utime.tv_usec +
           use.ru_stime.tv_usec;
}

struct bare {
    int port;
    struct rate rate;
};

static void *poll_bare(void *argument)
{
    struct bare *b = argument;
    (void)pthread_setname_np(pthread_self(), "bare");
    uint16_t registers[REGISTERS];
    modbus_t *m = modbus_new_tcp("127.0.0.1", b->port);
    int64_t n = 0;
    if (!m || modbus_connect(m) != 0)
        exit(1);
    int64_t begin = now_ns(), cpu_us = thread_cpu_us();
    while (now_ns() - begin < ROUND_US * 1000L) {
        if (modbus_read_registers(m, 0, REGISTERS, registers) != REGISTERS)
            exit(1);
        n++;
    }
    b->rate = (struct rate){(double)n * 1e9 / (double)(now_ns() - begin),
                            (double)(thread_cpu_us() - cpu_us) / (double)n};
    modbus_close(m);
    modbus_free(m);
    return NULL;
}

/* in a thread of its own too, as the bus is */
static struct rate bare_polls(int port)
{
    struct bare b = {.port = port};
    pthread_t thread;
    pthread_create(&thread, NULL, poll_bare, &b);
    pthread_join(thread, NULL);
    return b.rate;
}

struct tally {
    int64_t polls, begin_ns, end_ns, begin_cpu_us, end_cpu_us;
    bool done;
    sem_t over;
};

/* on the bus's thread: from the first good poll on, for a round */
static void tally_poll(void *context, struct bus_report *r)
{
    struct tally *t = context;
    int64_t now = now_ns();
    if (r->reading_count == REGISTERS && t->begin_ns == 0) {
        t->begin_ns = now;
        t->begin_cpu_us = thread_cpu_us();
    } else if (!t->done) {
        t->polls += r->reading_count == REGISTERS;
        if (now - t->begin_ns >= ROUND_US * 1000L) {
            t->end_ns = now;
            t->end_cpu_us = thread_cpu_us();
            t->done = true;
            sem_post(&t->over);
        }
    }
    bus_report_free(r);
}

static struct rate our_polls(struct one_meter *m)
{
    struct tally t = {0};
    sem_init(&t.over, 0, 0);
    struct bus *b = start(m, tally_poll, &t);
    while (sem_wait(&t.over) != 0) /* without waking up meanwhile, as bare_polls waits too */
        ;
    bus_stop(b);
    sem_destroy(&t.over);
    return (struct rate){(double)t.polls * 1e9 / (double)(t.end_ns - t.begin_ns),
                         (double)(t.end_cpu_us - t.begin_cpu_us) / (double)t.polls};
}

static void bench_tcp(struct one_meter *m)
{
    int port, listening = listen_somewhere(&port);
    double ratios[ROUNDS], ours[ROUNDS], bare[ROUNDS], our_cpu[ROUNDS], bare_cpu[ROUNDS];
    pid_t server = fork();
    if (server == 0)
        serve(listening);
    close(listening);
    snprintf(m->site.buses[0].host, SITE_PATH_SIZE, "127.0.0.1");
    m->site.buses[0].port = port;
    for (int i = 0; i < ROUNDS; i++) {
        struct rate x = {0};
        if (i % 2 == 0)
            x = our_polls(m);
        struct rate y = bare_polls(port);
        if (i % 2 == 1)
            x = our_polls(m);
        ours[i] = x.polls, our_cpu[i] = x.cpu_us;
        bare[i] = y.polls, bare_cpu[i] = y.cpu_us;
        ratios[i] = x.polls / y.polls;
    }
    kill(server, SIGTERM);
    waitpid(server, NULL, 0);
    print_ratio("bus/tcp polls against bare libmodbus", quantile(ratios, ROUNDS, 0.5), 0.95);
    printf("    %.0f against %.0f polls/s of %d registers; CPU of the client's thread %.1f "
           "against "
           "%.1f us a poll; ratios %.3f to %.3f in %d rounds\n",
           quantile(ours, ROUNDS, 0.5), quantile(bare, ROUNDS, 0.5), REGISTERS,
           quantile(our_cpu, ROUNDS, 0.5), quantile(bare_cpu, ROUNDS, 0.5), ratios[0],
           ratios[ROUNDS - 1], ROUNDS);
}

/* ---- a serial line at its own pace
 * --------------------------------------------------------------- */

struct line_end {
    int fd;
    struct plan_line line;
    atomic_bool stop;
    unsigned requests, cut_short; /* silences before a request shorter than t3.5 */
};

static uint16_t check_sum(const uint8_t *bytes, size_t length)
{
    unsigned crc = 0xFFFF;
    for (size_t i = 0; i < length; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xA001 : crc >> 1;
    }
    return (uint16_t)crc;
}

static void *meter_end(void *argument)
{
    struct line_end *e = argument;
    uint8_t request[8], answer[5 + 2 * REGISTERS] = {1, 3, 2 * REGISTERS};
    size_t have = 0, length = sizeof answer;
    int64_t silent_from = 0;
    uint16_t crc = check_sum(answer, length - 2);
    answer[length - 2] = (uint8_t)crc;
    answer[length - 1] = (uint8_t)(crc >> 8);
    prctl(PR_SET_TIMERSLACK, 1UL, 0UL, 0UL, 0UL);
    while (!atomic_load(&e->stop)) {
        struct timeval t = {0, 50000};
        fd_set set;
        FD_ZERO(&set);
        FD_SET(e->fd, &set);
        if (select(e->fd + 1, &set, NULL, NULL, &t) <= 0)
            continue;
        int64_t began = now_ns();
        ssize_t n = read(e->fd, request + have, sizeof request - have);
        if (n <= 0)
            continue;
        have += (size_t)n;
        if (have < sizeof request)
            continue;
        have = 0;
        e->cut_short += e->requests++ > 0 && began - silent_from < e->line.silence_ns;
        int64_t at = began + 8 * e->line.character_ns + e->line.silence_ns;
        for (size_t i = 0; i < length; i++) {
            at += e->line.character_ns;
            sleep_until_ns(at);
            if (write(e->fd, answer + i, 1) != 1)
                return NULL;
        }
        silent_from = at;
    }
    return NULL;
}

struct cycles {
    size_t count;
    int64_t last_ns, last_cpu_us;
    double ms[MOST_CYCLES], cpu_us[MOST_CYCLES];
    uint64_t bad;
};

static void time_cycle(void *context, struct bus_report *r)
{
    struct cycles *c = context;
    int64_t now = now_ns(), cpu_us = thread_cpu_us();
    if (r->reading_count != REGISTERS)
        c->bad++;
    if (c->last_ns != 0 && c->count < MOST_CYCLES) {
        c->ms[c->count] = (double)(now - c->last_ns) / 1e6;
        c->cpu_us[c->count++] = (double)(cpu_us - c->last_cpu_us);
    }
    c->last_ns = now;
    c->last_cpu_us = cpu_us;
    bus_report_free(r);
}

static void bench_serial(struct one_meter *m, int baud)
{
    static struct cycles c;
    struct line_end end = {.line = plan_line_serial(baud, 11, 0)};
    struct site_bus *bus = &m->site.buses[0];
    int slave;
    char device[64], name[64];
    pthread_t thread;
    struct termios t;
    if (openpty(&end.fd, &slave, device, NULL, NULL) != 0 || tcgetattr(slave, &t) != 0) {
        perror("openpty");
        exit(1);
    }
    cfmakeraw(&t);
    tcsetattr(slave, TCSANOW, &t);
    snprintf(bus->device, sizeof bus->device, "%s", device);
    bus->baud = baud;
    memset(&c, 0, sizeof c);
    pthread_create(&thread, NULL, meter_end, &end);
    struct bus *b = start(m, time_cycle, &c);
    sleep_until_ns(now_ns() + SERIAL_US * 1000L);
    bus_stop(b);
    atomic_store(&end.stop, true);
    pthread_join(thread, NULL);
    close(end.fd);
    close(slave);
    double limit = (double)plan_read_ns(&end.line, REGISTERS) / 1e6, cpu = 0;
    for (size_t i = 0; i < c.count; i++)
        cpu += c.cpu_us[i] / (double)c.count;
    double median = quantile(c.ms, c.count, 0.5);
    snprintf(name, sizeof name, "bus/serial %d, limit to cycle", baud);
    print_ratio(name, limit / median, 0.97);
    printf("    limit %.2f ms; cycle %.2f ms, 99 %% %.2f ms; %.0f us of CPU a read; %u of %u "
           "silences cut short; %llu of %zu polls bad\n",
           limit, median, quantile(c.ms, c.count, 0.99), cpu, end.cut_short, end.requests,
           (unsigned long long)c.bad, c.count);
    bus->device[0] = '\0';
}

static void silence(void *context, enum log_level level, const char *subsystem,
                    const char *line)
{
    (void)context;
    if (level <= LOG_LEVEL_WARNING)
        fprintf(stderr, "%s: %s\n", subsystem, line);
}

/* Other work on the machine is not what is measured here. */
static const char *ask_real_time(void)
{
    struct sched_param p = {.sched_priority = 1};
    return sched_setscheduler(0, SCHED_FIFO, &p) == 0 ? "real-time" : "ordinary";
}

int main(int argc, char **argv)
{
    static const int bauds[] = {9600, 19200, 38400, 115200};
    struct one_meter m;
    bool tcp_only = argc > 1 && strcmp(argv[1], "tcp") == 0;
    log_to(silence, NULL);
    describe(&m);
    printf("threads of %s priority\n", ask_real_time());
    fflush(stdout); /* the server is forked off */
    bench_tcp(&m);
    for (size_t i = 0; i < sizeof bauds / sizeof bauds[0] && !tcp_only; i++)
        bench_serial(&m, bauds[i]);
    site_free(&m.site);
    return 0;
}
