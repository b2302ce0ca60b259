/* A fleet of meters: 64 TCP endpoints with one meter of 42 channels each, read once a second by
 * 64 buses into one frame.
 *
 * Goal: under 10 % of a core for the buses and the frames together, and no poll later than 20
 * ms at the 99th percentile: from its tick on the grid until its readings are there, the
 * meter's own time included. The meters are another process, on libmodbus's own server side.
 * BENCH_ORDINARY=1: without real-time priority, as a daemon that was granted none. */
#include <arpa/inet.h>
#include <modbus.h>
#include <netinet/in.h>
#include <pthread.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/clock.h"
#include "base/log.h"
#include "base/queue.h"
#include "drivers/assemble.h"

#define METERS SITE_MAX_BUSES
#define CHANNELS 42
#define WARM_UP_S 3
#define SECONDS 40
#define MOST_POLLS (METERS * (SECONDS + WARM_UP_S + 5))

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

/* all meters in one child */
static void serve(const int *listening)
{
    modbus_t *m = modbus_new_tcp("127.0.0.1", 502);
    modbus_mapping_t *map = modbus_mapping_new(0, 0, 200, 0);
    int all = epoll_create1(0);
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    for (int i = 0; i < METERS; i++) {
        struct epoll_event e = {.events = EPOLLIN, .data.fd = listening[i]};
        epoll_ctl(all, EPOLL_CTL_ADD, listening[i], &e);
    }
    for (int i = 0; i < 200; i++)
        map->tab_registers[i] = (uint16_t)(100 + i);
    for (;;) {
        struct epoll_event e;
        uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
        if (epoll_wait(all, &e, 1, -1) < 1)
            continue;
        bool is_listening = false;
        for (int i = 0; i < METERS; i++)
            is_listening = is_listening || listening[i] == e.data.fd;
        if (is_listening) {
            int s = accept(e.data.fd, NULL, NULL);
            struct epoll_event of = {.events = EPOLLIN, .data.fd = s};
            epoll_ctl(all, EPOLL_CTL_ADD, s, &of);
            continue;
        }
        modbus_set_socket(m, e.data.fd);
        int n = modbus_receive(m, query);
        if (n > 0)
            modbus_reply(m, query, n, map);
        else
            close(e.data.fd);
    }
}

static void describe(struct site *s, const int *ports)
{
    site_init(s);
    struct site_panel *p = site_add_panel(s);
    p->legs = 2;
    for (int i = 0; i < METERS; i++) {
        struct site_bus *b = site_add_bus(s);
        snprintf(b->id, sizeof b->id, "b%d", i);
        snprintf(b->host, sizeof b->host, "127.0.0.1");
        b->port = ports[i];
        b->poll_ms = 1000;
        b->timeout_ms = 400;
        struct site_meter *m = site_add_meter(s);
        snprintf(m->id, sizeof m->id, "m%d", i);
        snprintf(m->map, sizeof m->map, "bench");
        m->bus = i;
        m->unit = 1;
        for (int k = 1; k <= CHANNELS; k++) {
            struct site_circuit *c = site_add_circuit(s);
            c->panel = 0;
            c->meter = i;
            c->channels[0] = k;
        }
    }
    site_finish(s);
}

struct poll {
    struct bus_report *report;
    int64_t late_us;
};

struct fleet {
    struct queue *reports;
    double *late_ms;
    size_t count;
    uint64_t frames, readings;
};

/* on the bus's thread: when it is done */
static void deliver(void *context, struct bus_report *r)
{
    struct poll *p = malloc(sizeof *p);
    struct fleet *f = context;
    if (!p)
        exit(1);
    *p = (struct poll){r, clock_mono_us() - r->mono_ms * 1000};
    if (!queue_push(f->reports, p))
        abort();
}

static void take_frame(void *context, const struct frame *f)
{
    struct fleet *fleet = context;
    fleet->frames++;
    for (size_t i = 0; i < f->poles; i++)
        fleet->readings += f->values[i] > 0.0F;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double cpu_seconds(void)
{
    struct rusage u;
    getrusage(RUSAGE_SELF, &u);
    return (double)(u.ru_utime.tv_sec + u.ru_stime.tv_sec) +
           (double)(u.ru_utime.tv_usec + u.ru_stime.tv_usec) / 1e6;
}

static void collect(struct fleet *f, struct assemble *a, int64_t until_ms, bool keep)
{
    while (clock_mono_ms() < until_ms) {
        struct poll *p = queue_pop(f->reports, until_ms - clock_mono_ms());
        if (!p)
            continue;
        if (keep && f->count < MOST_POLLS)
            f->late_ms[f->count++] = (double)p->late_us / 1000.0;
        assemble_report(a, p->report);
        bus_report_free(p->report);
        free(p);
    }
}

int main(void)
{
    static struct bus *buses[METERS];
    int listening[METERS], ports[METERS];
    struct site s;
    struct meter_map map = {.id = "bench", .max_registers = 125, .point_count = 1};
    struct meter_map_set maps = {&map, 1};
    struct fleet f = {.reports = queue_create(4 * METERS),
                      .late_ms = calloc(MOST_POLLS, sizeof *f.late_ms)};
    map.points[0] = (struct meter_point){.quantity = FRAME_AMPS,
                                         .function = 3,
                                         .stride = 1,
                                         .first_channel = 1,
                                         .channels = CHANNELS,
                                         .scale = 0.01,
                                         .scale_register = -1};
    for (int i = 0; i < METERS; i++)
        listening[i] = listen_somewhere(&ports[i]);
    /* other work on the machine is not what is measured here; and the meters are other machines
     */
    struct sched_param real_time = {.sched_priority = 1};
    bool ordinary = getenv("BENCH_ORDINARY") != NULL;
    pid_t server = fork();
    bool is_real_time =
        (server == 0 || !ordinary) && sched_setscheduler(0, SCHED_FIFO, &real_time) == 0;
    log_set_level(LOG_LEVEL_WARNING);
    if (server == 0)
        serve(listening);
    describe(&s, ports);
    struct assemble *a = assemble_create(&s, 1U << FRAME_AMPS, take_frame, &f);
    int64_t origin = bus_origin_us();
    for (int i = 0; i < METERS; i++) {
        char why[256];
        struct bus_options o = {.site = &s,
                                .maps = &maps,
                                .bus = i,
                                .only_meter = -1,
                                .origin_mono_us = origin,
                                .deliver = deliver,
                                .context = &f};
        buses[i] = bus_start(&o, why, sizeof why);
        if (!buses[i]) {
            fprintf(stderr, "%s\n", why);
            return 1;
        }
    }
    collect(&f, a, origin / 1000 + WARM_UP_S * 1000 - 500, false);
    double before = cpu_seconds();
    uint64_t frames = f.frames, readings = f.readings;
    collect(&f, a, origin / 1000 + (WARM_UP_S + SECONDS) * 1000 - 500, true);
    double share = (cpu_seconds() - before) / SECONDS * 100.0;
    printf("threads of %s priority, nice %d\n", is_real_time ? "real-time" : "ordinary",
           getpriority(PRIO_PROCESS, 0));
    qsort(f.late_ms, f.count, sizeof *f.late_ms, by_size);
    printf("%d meters of %d channels at 1 Hz: %.2f %% of a core (goal: under 10 %%)\n", METERS,
           CHANNELS, share);
    printf("from the tick to the readings: median %.2f ms, 99 %% %.2f ms (goal: 20), most %.2f "
           "ms, of %zu polls\n",
           f.late_ms[f.count / 2], f.late_ms[f.count * 99 / 100], f.late_ms[f.count - 1],
           f.count);
    printf("    %llu frames, %.1f readings a frame of %d\n",
           (unsigned long long)(f.frames - frames),
           (double)(f.readings - readings) / (double)(f.frames - frames), METERS * CHANNELS);
    for (int i = 0; i < METERS; i++)
        bus_stop(buses[i]);
    for (struct poll *p; (p = queue_pop(f.reports, 0)) != NULL;) {
        bus_report_free(p->report);
        free(p);
    }
    queue_destroy(f.reports);
    assemble_destroy(a);
    site_free(&s);
    free(f.late_ms);
    kill(server, SIGTERM);
    waitpid(server, NULL, 0);
    return 0;
}
