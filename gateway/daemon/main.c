/* foretripd - the gateway daemon: arguments, signals, the service manager; the rest is
 * gateway.h */
#include "gateway.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"

#include <systemd/sd-daemon.h>

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

static volatile sig_atomic_t stop_asked, reload_asked;

static void on_signal(int number)
{
    if (number == SIGHUP)
        reload_asked = 1;
    else
        stop_asked = 1;
}

static void catch_signals(void)
{
    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGHUP, &action, NULL);
    action.sa_handler = SIG_IGN;
    sigaction(SIGPIPE, &action, NULL);
}

static int usage(FILE *to)
{
    fprintf(to,
            "usage: foretripd --config DIR [--state DIR] [--metrics FILE] [--verbose]\n"
            "  --config DIR   site.cfg and its companions; see foretrip check\n"
            "  --state DIR    where the record lives (default: $STATE_DIRECTORY, else the "
            "configuration)\n"
            "  --metrics FILE how the gateway itself is, as OpenMetrics text, every 10 s (on "
            "/run, for the card's sake)\n"
            "  --verbose      debug lines too\n"
            "  --version, --help\n"
            "SIGHUP reads the configuration again. foretrip advises and is no protective "
            "device.\n");
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

/* as a whole or not at all: whoever reads it sees no half; said once */
static void write_metrics(struct gateway *g, const char *path)
{
    static bool said; /* of main alone */
    struct text t = TEXT_INIT;
    char part[4096];
    snprintf(part, sizeof part, "%s.part", path);
    gateway_metrics(g, &t);
    FILE *f = fopen(part, "w");
    bool ok = f && !t.failed && fwrite(t.bytes, 1, t.length, f) == t.length;
    if (f)
        ok = fclose(f) == 0 && ok;
    ok = ok && rename(part, path) == 0;
    if (!ok && !said)
        log_warning("gateway", "the metrics cannot be written to %s: %s", path,
                    strerror(errno));
    said = !ok;
    text_free(&t);
}

static void run(struct gateway *g, const char *metrics)
{
    int64_t next_status = 0;
    uint64_t watchdog_us = 0;
    sd_watchdog_enabled(0, &watchdog_us);
    sd_notify(0, "READY=1");
    while (!stop_asked) {
        gateway_turn(g, TURN_MS);
        if (watchdog_us)
            sd_notify(0, "WATCHDOG=1");
        if (reload_asked) {
            reload_asked = 0;
            sd_notify(0, "RELOADING=1");
            gateway_reload(g);
            sd_notify(0, "READY=1");
        }
        if (clock_mono_ms() >= next_status) {
            sd_notifyf(0, "STATUS=%s", gateway_status_line(g));
            if (metrics)
                write_metrics(g, metrics);
            next_status = clock_mono_ms() + STATUS_EVERY_MS;
        }
    }
    sd_notify(0, "STOPPING=1");
}

int main(int argc, char **argv)
{
    static const struct option options[] = {
        {"config", required_argument, NULL, 'c'},
        {"state", required_argument, NULL, 's'},
        {"verbose", no_argument, NULL, 'v'},
        {"version", no_argument, NULL, 'V'},
        {"help", no_argument, NULL, 'h'},
        {"metrics", required_argument, NULL, 'm'},
        {NULL, 0, NULL, 0},
    };
    const char *config = NULL, *metrics = NULL, *state = getenv("STATE_DIRECTORY");
    int o;
    while ((o = getopt_long(argc, argv, "", options, NULL)) != -1) {
        switch (o) {
        case 'c': config = optarg; break;
        case 's': state = optarg; break;
        case 'm': metrics = optarg; break;
        case 'v': log_set_level(LOG_LEVEL_DEBUG); break;
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
        run(g, metrics);
        gateway_destroy(g);
    }
    close(lock);
    return g ? 0 : 1;
}
