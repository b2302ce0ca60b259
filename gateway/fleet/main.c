/* foretrip-fleet - many sites: arguments, signals; the rest is collector.h and its fellows */
#include "collector.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"
#include "config/fleet_file.h"

#include <systemd/sd-daemon.h>

#include <errno.h>
#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define TURN_MS 200
#define SAY_EVERY_MS 60000

static volatile sig_atomic_t stop_asked;

static void on_signal(int number)
{
    (void)number;
    stop_asked = 1;
}

static void catch_signals(void)
{
    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    action.sa_handler = SIG_IGN;
    sigaction(SIGPIPE, &action, NULL);
}

static int usage(FILE *to)
{
    fprintf(to, "usage: foretrip-fleet collect --config DIR [--verbose]\n"
                "  collect        takes in the streams of many sites (up = true in their "
                "delivery.cfg) and files them\n"
                "  --config DIR   with fleet.cfg: where from, and where to\n"
                "  --verbose      debug lines too\n"
                "  --version, --help\n"
                "foretrip advises and is no protective device.\n");
    return to == stdout ? 0 : 2;
}

static bool load(struct fleet_settings *settings, const char *directory)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text words = TEXT_INIT;
    char prefix[1024], host[64] = "centre";
    bool good = fleet_file_load(settings, directory, &faults);
    snprintf(prefix, sizeof prefix, "%s/", directory);
    faults_print(&faults, prefix, &words);
    fputs(text_get(&words), stderr);
    text_free(&words);
    faults_free(&faults);
    gethostname(host, sizeof host - 1);
    if (settings->broker.client_id[0] == '\0') /* each collector its own */
        snprintf(settings->broker.client_id, sizeof settings->broker.client_id,
                 "foretrip-fleet-%.60s-%ld", host, (long)getpid());
    return good;
}

static void say(const struct collector *c)
{
    struct collector_counts n;
    collector_get_counts(c, &n);
    log_info("fleet",
             "%llu records filed in %llu transactions, %llu came again, %llu gaps seen, %llu "
             "asked for, %llu parcels refused, %llu of unknown sites",
             (unsigned long long)n.taken.records, (unsigned long long)n.transactions,
             (unsigned long long)n.taken.repeated, (unsigned long long)n.taken.gaps,
             (unsigned long long)n.asked, (unsigned long long)n.refused,
             (unsigned long long)n.taken.unknown);
}

static int collect(const struct fleet_settings *settings)
{
    char why[INTAKE_WHY_SIZE];
    struct collector *c = collector_create(settings, why);
    if (!c) {
        log_error("fleet", "%s", why);
        return 1;
    }
    sd_notify(0, "READY=1");
    int64_t said_mono_ms = clock_mono_ms();
    while (!stop_asked) {
        collector_turn(c, TURN_MS);
        sd_notify(0, "WATCHDOG=1");
        if (clock_mono_ms() - said_mono_ms >= SAY_EVERY_MS) {
            said_mono_ms = clock_mono_ms();
            say(c);
        }
    }
    sd_notify(0, "STOPPING=1");
    say(c);
    collector_destroy(c);
    return 0;
}

int main(int argc, char **argv)
{
    static const struct option options[] = {{"config", required_argument, NULL, 'c'},
                                            {"verbose", no_argument, NULL, 'v'},
                                            {"version", no_argument, NULL, 'V'},
                                            {"help", no_argument, NULL, 'h'},
                                            {0}};
    static struct fleet_settings settings;
    const char *directory = NULL;
    for (int o; (o = getopt_long(argc, argv, "", options, NULL)) != -1;) {
        switch (o) {
        case 'c': directory = optarg; break;
        case 'v': log_set_level(LOG_LEVEL_DEBUG); break;
        case 'V': puts("foretrip-fleet " FORETRIP_VERSION); return 0;
        case 'h': return usage(stdout);
        default: return usage(stderr);
        }
    }
    if (optind + 1 != argc || strcmp(argv[optind], "collect") != 0 || !directory)
        return usage(stderr);
    if (!load(&settings, directory))
        return 1;
    catch_signals();
    return collect(&settings);
}
