/* foretripd - the gateway daemon: arguments, signals, the service manager; the rest is
 * gateway.h */
#include "gateway.h"

#include "journal.h"

#include "base/clock.h"
#include "base/heap.h"
#include "base/log.h"
#include "base/service.h"
#include "base/text.h"
#include "store/store.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#define TURN_MS 200
#define STATUS_EVERY_MS 10000

static volatile sig_atomic_t stop_asked, reload_asked, louder_asked, quieter_asked;

static void on_signal(int number)
{
    switch (number) {
    case SIGHUP: reload_asked = 1; break;
    case SIGUSR1: louder_asked = 1; break;
    case SIGUSR2: quieter_asked = 1; break;
    default: stop_asked = 1; break;
    }
}

static void catch_signals(void)
{
    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGHUP, &action, NULL);
    sigaction(SIGUSR1, &action, NULL);
    sigaction(SIGUSR2, &action, NULL);
    action.sa_handler = SIG_IGN;
    sigaction(SIGPIPE, &action, NULL);
}

static int usage(FILE *to)
{
    fprintf(to,
            "usage: foretripd --config DIR [--state DIR] [--metrics FILE] [--status FILE]\n"
            "                 [--verbose]\n"
            "  --config DIR   site.cfg and its companions; see foretrip check\n"
            "  --state DIR    where the record lives (default: $STATE_DIRECTORY, else the "
            "configuration)\n"
            "  --metrics FILE how the gateway itself is, as OpenMetrics text, every 10 s (on "
            "/run, for the card's sake)\n"
            "  --status FILE  the same and more for foretrip status (default: "
            "$RUNTIME_DIRECTORY/status.json)\n"
            "  --verbose      debug lines too\n"
            "  --version, --help\n"
            "SIGHUP reads the configuration again, SIGUSR1 logs more, SIGUSR2 less.\n"
            "foretrip advises and is no protective device.\n");
    return to == stdout ? 0 : 2;
}

/* one gateway a record: two would tell everything twice. Kept open, and so held, to the end. */
static int lock_state(const char *state)
{
    char path[4096];
    if (mkdir(state, 0750) != 0 && errno != EEXIST) {
        log_error("gateway", "%s cannot be made: %s", state, strerror(errno));
        return -1;
    }
    snprintf(path, sizeof path, "%s/foretrip.lock", state);
    int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0640);
    if (fd < 0) {
        log_error("gateway", "%s cannot be opened: %s", path, strerror(errno));
        return -1;
    }
    if (flock(fd, LOCK_EX | LOCK_NB) != 0) {
        log_error("gateway", "another foretripd works on %s", state);
        close(fd);
        return -1;
    }
    return fd;
}

/* ---- files about the gateway itself ---- */

struct about {
    const char *metrics, *status; /* NULL: not written */
    bool metrics_said, status_said;
};

/* as a whole or not at all: whoever reads it sees no half; said once */
static void write_whole(const char *path, const struct text *t, bool *said)
{
    char part[4096];
    snprintf(part, sizeof part, "%s.part", path);
    FILE *f = fopen(part, "w");
    if (f)
        (void)fchmod(fileno(f), 0644); /* no tenant's matter is in it: for every watcher */
    bool ok = f && !t->failed && fwrite(t->bytes, 1, t->length, f) == t->length;
    if (f)
        ok = fclose(f) == 0 && ok;
    ok = ok && rename(part, path) == 0;
    if (!ok && !*said)
        log_warning("gateway", "%s cannot be written: %s", path, strerror(errno));
    *said = !ok;
}

static void write_about(struct gateway *g, struct about *a)
{
    struct text t = TEXT_INIT;
    if (a->status && gateway_account(g, &t))
        write_whole(a->status, &t, &a->status_said);
    text_clear(&t);
    if (a->metrics) {
        gateway_metrics(g, &t);
        write_whole(a->metrics, &t, &a->metrics_said);
    }
    text_free(&t);
}

/* a status that nobody keeps up would be a lie */
static void end_about(const struct about *a)
{
    if (a->status)
        (void)unlink(a->status);
}

/* ---- while it runs ---- */

static void change_level(int by)
{
    static int level = LOG_LEVEL_INFO; /* of main alone */
    level += by;
    level = level < LOG_LEVEL_ERROR   ? LOG_LEVEL_ERROR
            : level > LOG_LEVEL_DEBUG ? LOG_LEVEL_DEBUG
                                      : level;
    log_set_level(LOG_LEVEL_WARNING); /* that is said at every level */
    log_warning("gateway", "the log has lines of level %s and graver ones from now on",
                log_level_word((enum log_level)level));
    log_set_level((enum log_level)level);
}

static void take_signals(struct gateway *g)
{
    if (louder_asked) {
        louder_asked = 0;
        change_level(1);
    }
    if (quieter_asked) {
        quieter_asked = 0;
        change_level(-1);
    }
    if (reload_asked) {
        reload_asked = 0;
        service_notifyf("RELOADING=1\nMONOTONIC_USEC=%lld", (long long)clock_mono_us());
        gateway_reload(g);
        service_notify("READY=1");
    }
}

/* The service manager restarts a gateway that does not feed its watchdog: this thread feeds it
 * from its own loop, and only while every other thread stirs. */
static void feed_watchdog(const struct gateway *g, int64_t every_ms, int64_t *next_mono_ms)
{
    int64_t now = clock_mono_ms();
    if (every_ms == 0 || now < *next_mono_ms || !gateway_alive(g))
        return;
    service_notify("WATCHDOG=1");
    *next_mono_ms = now + every_ms;
}

static void run(struct gateway *g, struct about *about)
{
    int64_t next_status = 0, next_watchdog = 0;
    uint64_t watchdog_us = service_watchdog_us();
    service_notify("READY=1");
    while (!stop_asked) {
        gateway_turn(g, TURN_MS);
        feed_watchdog(g, (int64_t)(watchdog_us / 4000), &next_watchdog);
        take_signals(g);
        if (clock_mono_ms() >= next_status) {
            service_notifyf("STATUS=%s", gateway_status_line(g));
            write_about(g, about);
            next_status = clock_mono_ms() + STATUS_EVERY_MS;
        }
    }
    service_notify("STOPPING=1");
    end_about(about);
}

/* where the service manager wants what lives as long as we run */
static const char *default_status(char path[static 4096])
{
    const char *runtime = getenv("RUNTIME_DIRECTORY");
    if (!runtime)
        return NULL;
    snprintf(path, 4096, "%.*s/status.json", (int)strcspn(runtime, ":"), runtime);
    return path;
}

int main(int argc, char **argv)
{
    static const struct option options[] = {
        {"config", required_argument, NULL, 'c'}, {"state", required_argument, NULL, 's'},
        {"verbose", no_argument, NULL, 'v'},      {"version", no_argument, NULL, 'V'},
        {"help", no_argument, NULL, 'h'},         {"metrics", required_argument, NULL, 'm'},
        {"status", required_argument, NULL, 't'}, {NULL, 0, NULL, 0},
    };
    const char *config = NULL, *state = getenv("STATE_DIRECTORY");
    char path[4096];
    struct about about = {.status = default_status(path)};
    int o;
    heap_begin();
    store_begin();
    journal_begin();
    while ((o = getopt_long(argc, argv, "", options, NULL)) != -1) {
        switch (o) {
        case 'c': config = optarg; break;
        case 's': state = optarg; break;
        case 'm': about.metrics = optarg; break;
        case 't': about.status = optarg; break;
        case 'v': change_level(1); break;
        case 'V': printf("foretripd %s\n", FORETRIP_VERSION); return 0;
        case 'h': return usage(stdout);
        default: return usage(stderr);
        }
    }
    if (!config || optind != argc)
        return usage(stderr);
    if (!state)
        state = config;
    catch_signals();
    int lock = lock_state(state);
    if (lock < 0)
        return 1;
    struct gateway *g = gateway_create(config, state);
    if (g) {
        run(g, &about);
        gateway_destroy(g);
    }
    close(lock);
    return g ? 0 : 1;
}
