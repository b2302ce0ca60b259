/*
 * bench_page - how quick the page is: 84 circuits and their history, clients while readings
 * come.
 *
 * The record is filled with a reading a minute of every circuit for FORETRIP_BENCH_DAYS (30)
 * days, the last of them with one a second; 365 take a quarter of an hour, so a record can be
 * kept: FORETRIP_BENCH_RECORD names its file, which is made when it is not there. Then this
 * thread plays the engine (a frame, all states and a commit each second, told by how late it
 * is) while clients ask over loopback: charts of an hour to a year, and the live stream held
 * open 200 times.
 *
 * `bench_page serve` only plays the engine, says its port: for bench_view.sh, which ends it.
 */
#include "base/clock.h"
#include "config/reader.h"
#include "store/history.h"
#include "web/assets.h"
#include "web/web.h"

#include <arpa/inet.h>
#include <netinet/tcp.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define CIRCUITS 84
#define CLIENTS 20
#define STREAMS 200
#define SECONDS 15
#define DAY_MS INT64_C(86400000)
#define STEP_MS INT64_C(60000)
#define MOST_TIMES 200000

struct client {
    pthread_t thread;
    int port;
    int64_t now_ms;
    unsigned seed;
    double *times;
    size_t count;
};

static atomic_bool ended;

static double now_ms(void)
{
    return (double)clock_mono_us() / 1000.0;
}

static void die(const char *why)
{
    fprintf(stderr, "bench_page: %s\n", why);
    exit(1);
}

/* ---- the site and its year ---- */

static void make_site(struct config *c)
{
    struct text t = TEXT_INIT;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    text_append(&t, "site = { id = \"b\"; name = \"Bench\"; timezone = \"UTC\"; standard = "
                    "\"UL489\"; nominal_volts = 120.0; }; panels = (");
    for (int p = 0; p < 2; p++)
        text_printf(&t, "%s{ id = \"p%d\"; name = \"Panel %d\"; legs = 2; rating_amps = 200; }",
                    p ? "," : "", p, p);
    text_append(&t, "); circuits = (");
    for (int i = 0; i < CIRCUITS; i++)
        text_printf(&t,
                    "%s{ id = \"c-%02d\"; panel = \"p%d\"; position = \"%d\"; name = \"Circuit "
                    "%d\"; leg = \"%c\"; breaker_amps = 15; }",
                    i ? "," : "", i, i / 42, i % 42 + 1, i, i / 2 % 2 ? 'B' : 'A');
    text_append(&t, ");");
    const struct config_text text = {"site.cfg", text_get(&t), t.length};
    if (!config_load_memory(c, &text, 1, &faults))
        die(faults.list[0].text);
    faults_free(&faults);
    text_free(&t);
}

static void fill_frame(struct frame *f, int64_t wall_ms, unsigned *seed)
{
    f->wall_ms = wall_ms;
    f->mono_ms = wall_ms;
    f->has = 1u << FRAME_AMPS;
    for (size_t i = 0; i < CIRCUITS; i++)
        f->values[frame_index(f, FRAME_AMPS, i)] =
            (float)(rand_r(seed) % 16 == 0 ? 10 + rand_r(seed) % 500 / 100.0 : 0.4);
}

static int days_wanted(void)
{
    const char *wanted = getenv("FORETRIP_BENCH_DAYS");
    return wanted && atoi(wanted) > 0 ? atoi(wanted) : 30;
}

/* that the record has what the charts are asked of */
static void check_year(const char *path, int64_t now)
{
    enum { BUCKETS = 100 };
    struct history_bucket b[BUCKETS];
    struct store_reader *r = store_reader_open(path);
    int full = 0;
    history_chart(r, "c-07.amps", now - days_wanted() * DAY_MS, now, BUCKETS, b);
    for (int i = 0; i < BUCKETS; i++)
        full += b[i].seconds > 0.0;
    printf("of %d parts of that time %d have readings\n", BUCKETS, full);
    store_reader_close(r);
}

static void fill_year(struct store *s, const struct site *site, int64_t now)
{
    struct frame *f = frame_create(site);
    unsigned seed = 5;
    double begun = now_ms();
    for (int64_t t = now - days_wanted() * DAY_MS, step = STEP_MS; t < now; t += step) {
        step = now - t > DAY_MS ? STEP_MS : 1000;
        fill_frame(f, t, &seed);
        store_add_readings(s, f);
        if (t % (60 * STEP_MS) == 0 && store_commit(s, t, t) != STORE_OK)
            die("the record cannot be written");
    }
    store_commit(s, now, now);
    frame_destroy(f);
    printf("%d days of %d circuits, a reading a minute, the last day one a second: written in "
           "%.1f s\n",
           days_wanted(), CIRCUITS, (now_ms() - begun) / 1000.0);
}

/* ---- clients ---- */

static int connect_to(int port)
{
    struct sockaddr_in a = {.sin_family = AF_INET,
                            .sin_port = htons((uint16_t)port),
                            .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int fd = socket(AF_INET, SOCK_STREAM, 0), on = 1;
    struct timeval limit = {.tv_sec = 20};
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
    if (fd < 0 || connect(fd, (struct sockaddr *)&a, sizeof a) != 0)
        die("no connection");
    return fd;
}

/* One request on an open connection; the bytes of its body. */
static size_t ask(int fd, const char *path)
{
    char head[512], in[65536];
    int n =
        snprintf(head, sizeof head,
                 "GET %s HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\n\r\n", path);
    if (write(fd, head, (size_t)n) != n)
        die("a request was not taken");
    size_t got = 0, wanted = 0, body = 0;
    while (wanted == 0 || got < wanted) {
        ssize_t r = read(fd, in + (wanted ? 0 : got), wanted ? sizeof in : sizeof in - 1 - got);
        if (r <= 0)
            die("an answer did not come");
        got += (size_t)r;
        if (wanted)
            continue;
        in[got] = '\0';
        const char *end = strstr(in, "\r\n\r\n"), *length = strcasestr(in, "content-length: ");
        if (!end)
            continue;
        if (strncmp(in, "HTTP/1.1 200", 12) != 0 || !length)
            die(in);
        body = (size_t)atol(length + 16);
        wanted = (size_t)(end + 4 - in) + body;
    }
    return body;
}

static void *run_client(void *context)
{
    static const int64_t spans[] = {3600, 86400, 30 * 86400, 365 * 86400};
    struct client *c = context;
    int fd = connect_to(c->port);
    char path[256];
    while (!atomic_load(&ended) && c->count < MOST_TIMES) {
        int64_t span = spans[rand_r(&c->seed) % 4];
        snprintf(path, sizeof path,
                 "/api/v1/circuits/c-%02d/history?from=%lld&to=%lld&points=600",
                 (int)(rand_r(&c->seed) % CIRCUITS), (long long)(c->now_ms / 1000 - span),
                 (long long)(c->now_ms / 1000));
        double begun = now_ms();
        ask(fd, path);
        c->times[c->count++] = now_ms() - begun;
        usleep(20000); /* a hand that pans asks some 50 times a second at the most */
    }
    close(fd);
    return NULL;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void tell_times(const char *what, double *times, size_t count)
{
    qsort(times, count, sizeof *times, by_size);
    printf("%s: %zu, median %.2f ms, 99 %% %.2f ms, longest %.2f ms\n", what, count,
           times[count / 2], times[count * 99 / 100], times[count - 1]);
}

/* ---- the engine's part ---- */

static void one_turn(struct web *w, struct store *s, struct frame *f, unsigned *seed)
{
    char state[700];
    int64_t wall_ms = clock_wall_ms();
    fill_frame(f, wall_ms, seed);
    store_add_readings(s, f);
    for (size_t i = 0; i < CIRCUITS; i++) {
        snprintf(state, sizeof state,
                 "{\"circuit\":\"c-%02zu\",\"amps\":%.3f,\"pad\":\"%0500d\"}", i,
                 (double)f->values[frame_index(f, FRAME_AMPS, i)], 0);
        web_set_state(w, i, wall_ms, state, 0.2);
    }
    web_frame(w, wall_ms);
    store_commit(s, clock_mono_ms(), wall_ms);
    web_turn(w);
}

static double memory_kib(void)
{
    struct text t = TEXT_INIT;
    text_read_file(&t, "/proc/self/status", 65536);
    const char *at = strstr(text_get(&t), "VmRSS:");
    double kib = at ? atof(at + 6) : 0.0;
    text_free(&t);
    return kib;
}

/* turns at their seconds; how late each began, and how long it took */
static void run_turns(struct web *w, struct store *s, const struct site *site, const char *what)
{
    struct frame *f = frame_create(site);
    double late[SECONDS], took[SECONDS], first = now_ms() + 100.0;
    unsigned seed = 9;
    for (int i = 0; i < SECONDS; i++) {
        clock_sleep_until_us((int64_t)((first + 1000.0 * i) * 1000.0));
        double begun = now_ms();
        late[i] = begun - (first + 1000.0 * i);
        one_turn(w, s, f, &seed);
        took[i] = now_ms() - begun;
    }
    printf("%s\n", what);
    tell_times("  turns began late by", late, SECONDS);
    tell_times("  turns took", took, SECONDS);
    frame_destroy(f);
}

static void first_view(int port)
{
    static const char *const parts[] = {"/",
                                        "/page.css",
                                        "/app.js",
                                        "/dom.js",
                                        "/live.js",
                                        "/panel.js",
                                        "/say.js",
                                        "/door.js",
                                        "/words.js",
                                        "/phrases.js",
                                        "/mark.svg",
                                        "/api/v1/session",
                                        "/api/v1/site",
                                        "/api/v1/circuits",
                                        "/api/v1/alarms",
                                        "/api/v1/trips?most=50"};
    double times[50];
    size_t bytes = 0, whole = 0;
    int fd = connect_to(port);
    for (int i = 0; i < 50; i++) {
        double begun = now_ms();
        bytes = 0;
        for (size_t k = 0; k < sizeof parts / sizeof parts[0]; k++)
            bytes += ask(fd, parts[k]);
        times[i] = now_ms() - begun;
    }
    close(fd);
    for (const struct asset *a = assets; a->path; a++)
        if (strcmp(a->path, "/openapi.json") != 0)
            whole += a->gzip_length ? a->gzip_length : a->length;
    tell_times("everything of the first view, one after the other", times, 50);
    printf("first view: %zu bytes; the whole page compressed: %zu bytes\n", bytes, whole);
}

static void with_clients(struct web *w, struct store *s, const struct site *site, int64_t now)
{
    struct client clients[CLIENTS];
    double *all = malloc(CLIENTS * MOST_TIMES * sizeof *all);
    size_t count = 0;
    atomic_store(&ended, false);
    for (unsigned i = 0; i < CLIENTS; i++) {
        clients[i] = (struct client){.port = web_port(w),
                                     .now_ms = now,
                                     .seed = i,
                                     .times = malloc(MOST_TIMES * sizeof(double))};
        pthread_create(&clients[i].thread, NULL, run_client, &clients[i]);
    }
    run_turns(w, s, site, "with 20 clients that pan charts:");
    atomic_store(&ended, true);
    for (unsigned i = 0; i < CLIENTS; i++) {
        pthread_join(clients[i].thread, NULL);
        memcpy(all + count, clients[i].times, clients[i].count * sizeof *all);
        count += clients[i].count;
        free(clients[i].times);
    }
    tell_times("  chart queries, an hour to a year", all, count);
    free(all);
}

static void with_streams(struct web *w, struct store *s, const struct site *site)
{
    int fds[STREAMS];
    char in[4096];
    double before = memory_kib();
    for (int i = 0; i < STREAMS; i++) {
        static const char get[] = "GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n";
        fds[i] = connect_to(web_port(w));
        if (write(fds[i], get, sizeof get - 1) < 0 || read(fds[i], in, sizeof in) <= 0)
            die("a stream was refused");
    }
    run_turns(w, s, site, "with 200 streams held open (and not read):");
    printf("  memory: %.0f KiB more, the clients' ends in this process too\n",
           memory_kib() - before);
    for (int i = 0; i < STREAMS; i++)
        close(fds[i]);
}

/* the engine's part until somebody ends it */
static _Noreturn void serve(struct web *w, struct store *s, const struct site *site)
{
    struct frame *f = frame_create(site);
    unsigned seed = 9;
    printf("port %d\n", web_port(w));
    fflush(stdout);
    for (;; sleep(1))
        one_turn(w, s, f, &seed);
}

static void measure(struct web *w, struct store *s, const struct site *site, int64_t now)
{
    struct frame *f = frame_create(site);
    unsigned seed = 1;
    one_turn(w, s, f, &seed);
    frame_destroy(f);
    first_view(web_port(w));
    run_turns(w, s, site, "with nobody looking:");
    with_clients(w, s, site, now);
    with_streams(w, s, site);
}

/* the last minute of the record */
static int64_t newest(const char *path)
{
    struct store_reader *r = store_reader_open(path);
    int64_t from = 0, to = 0;
    history_ends(r, &from, &to);
    store_reader_close(r);
    return to / STEP_MS * STEP_MS;
}

int main(int argc, char **argv)
{
    struct config c;
    char directory[] = "/tmp/foretrip-bench.XXXXXX", path[4096], why[256];
    const char *kept = getenv("FORETRIP_BENCH_RECORD");
    make_site(&c);
    if (!kept && !mkdtemp(directory))
        die("no temporary directory");
    if (kept)
        snprintf(path, sizeof path, "%s", kept);
    else
        snprintf(path, sizeof path, "%s/foretrip.db", directory);
    bool there = access(path, F_OK) == 0;
    int64_t now = clock_wall_ms() / STEP_MS * STEP_MS;
    struct store_options o = {.path = path};
    struct store *s = store_open(&o, now, NULL);
    store_set_site(s, &c.site);
    if (!there)
        fill_year(s, &c.site, now);
    now = newest(path);
    bool serving = argc > 1 && strcmp(argv[1], "serve") == 0;
    if (!serving)
        check_year(path, now);
    struct page_settings p = page_defaults();
    p.port = 0;
    struct web *w = web_start(&(struct web_options){.settings = &p,
                                                    .site = &c.site,
                                                    .phrases = &c.phrases,
                                                    .tariff = &c.tariff,
                                                    .store = s,
                                                    .store_path = path,
                                                    .delivery = &c.delivery},
                              why, sizeof why);
    if (!w)
        die(why);
    if (serving)
        serve(w, s, &c.site);
    else
        measure(w, s, &c.site, now);
    web_stop(w);
    store_close(s);
    config_free(&c);
    snprintf(path, sizeof path, "rm -rf %s", directory);
    return kept || system(path) == 0 ? 0 : 1;
}
