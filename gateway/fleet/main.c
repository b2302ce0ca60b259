/* foretrip-fleet - many sites: arguments, signals; the rest is collector.h and its fellows */
#include "collector.h"
#include "let_in.h"
#include "report.h"
#include "serve.h"
#include "sim_run.h"
#include "unit_places.h"
#include "unit_sheet.h"

#include "base/clock.h"
#include "base/heap.h"
#include "base/log.h"
#include "base/service.h"
#include "base/text.h"
#include "config/fleet_file.h"

#include <errno.h>
#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define TURN_MS 200
#define MOST_TABLE ((size_t)64 * 1024 * 1024)
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
    fprintf(
        to,
        "usage: foretrip-fleet collect --config DIR [--verbose]\n"
        "       foretrip-fleet serve --config DIR\n"
        "       foretrip-fleet portfolio --config DIR\n"
        "       foretrip-fleet places [FILE|-] --config DIR\n"
        "       foretrip-fleet sheet UNIT [TRIP] --config DIR [--wait SECONDS]\n"
        "       foretrip-fleet simulate --config DIR --sites N [--history DAYS] [--rate N]\n"
        "                [--records N] [--seconds N] [--storm AFTER,SECONDS]\n"
        "       foretrip-fleet authority NAME.. | admit | certificates [UNIT] --config DIR\n"
        "       foretrip-fleet enrol UNIT --config DIR [--name TEXT] [--building TEXT]\n"
        "                [--unit TEXT] [--hours N] [--by NAME]\n"
        "       foretrip-fleet revoke UNIT|SERIAL --config DIR [--reason TEXT] [--by NAME]\n"
        "  collect        takes in the streams of many sites (up = true in their "
        "delivery.cfg) and files them\n"
        "  serve          the page: who needs somebody, units, trips, work orders (page and "
        "people of fleet.cfg)\n"
        "  portfolio      who needs somebody today, the most pressing first\n"
        "  places         prints what units are called and where they lie, or takes it from a "
        "table (CSV): unit, name, building, place\n"
        "  sheet          asks the unit's gateway for its sheet, or that of one trip\n"
        "  authority      makes the centre's authority, and certifies its servers for the "
        "names\n"
        "  enrol          makes a code with which the unit's gateway gets its certificate\n"
        "  admit          serves gateways that redeem one, or renew their certificate\n"
        "  certificates   who has which, and codes that wait\n"
        "  revoke         all of a unit's certificates, or one\n"
        "  simulate       plays so many gateways at the broker, for trials: stories of "
        "openings\n"
        "  --config DIR   with fleet.cfg: where from, and where to\n"
        "  --history DAYS what happened before\n"
        "  --rate N       records a second, of all together\n"
        "  --records N    so many in all, then it ends; --seconds: after that time\n"
        "  --period, --health SECONDS   a site's batch at least every so often (1); its "
        "word when there is nothing new (900)\n"
        "  --storm A,S    after A seconds 30 of 100 lose their supply, and are back within S\n"
        "  --linger N     stays so long when all is told, for what is asked again\n"
        "  --wait N       for the gateway's answer, 10 when nobody says\n"
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
    log_info(
        "fleet",
        "%llu records filed in %llu transactions, %llu came again, %llu gaps seen, %llu "
        "asked for, %llu parcels refused, %llu of unknown sites; from the event to the store "
        "half within %lld ms, 99 of 100 within %lld ms, all within %lld ms",
        (unsigned long long)n.filed.taken.records, (unsigned long long)n.filed.transactions,
        (unsigned long long)n.filed.taken.repeated, (unsigned long long)n.filed.taken.gaps,
        (unsigned long long)n.asked, (unsigned long long)n.refused + n.filed.refused,
        (unsigned long long)n.filed.taken.unknown, (long long)ages_within(&n.filed.ages, 0.5),
        (long long)ages_within(&n.filed.ages, 0.99),
        (long long)ages_within(&n.filed.ages, 1.0));
}

static int collect(const struct fleet_settings *settings)
{
    char why[INTAKE_WHY_SIZE];
    struct collector *c = collector_create(settings, why);
    if (!c) {
        log_error("fleet", "%s", why);
        return 1;
    }
    struct vigil vigil = {0};
    vigil_add(&vigil, collector_pulse(c));
    service_notify("READY=1");
    int64_t said_mono_ms = clock_mono_ms(), heap_mono_ms = 0;
    while (!stop_asked) {
        collector_turn(c, TURN_MS);
        heap_give_back(clock_mono_ms(), &heap_mono_ms);
        if (vigil_round(&vigil, clock_mono_ms(), NULL) == 0)
            service_notify("WATCHDOG=1");
        if (clock_mono_ms() - said_mono_ms >= SAY_EVERY_MS) {
            said_mono_ms = clock_mono_ms();
            say(c);
        }
    }
    service_notify("STOPPING=1");
    say(c);
    collector_destroy(c);
    return 0;
}

static int show(const struct fleet_settings *settings)
{
    char why[SQL_WHY_SIZE];
    struct text out = TEXT_INIT;
    struct sql *s = sql_open(settings->database, why);
    enum sql_err err = s ? report_portfolio(s, clock_wall_ms(), 40, &out) : SQL_ERR_AWAY;
    if (err == SQL_FINE)
        fputs(text_get(&out), stdout);
    else
        log_error("fleet", "%s", s ? sql_why(s) : why);
    text_free(&out);
    sql_close(s);
    return err == SQL_FINE ? 0 : 1;
}

static int print_places(struct sql *s)
{
    struct text table = TEXT_INIT;
    enum sql_err err = unit_places_write(s, &table);
    if (err == SQL_FINE)
        fputs(text_get(&table), stdout);
    else
        log_error("fleet", "%s", sql_why(s));
    text_free(&table);
    return err == SQL_FINE ? 0 : 1;
}

static int take_places(struct sql *s, const char *file)
{
    char why[UNIT_PLACES_WHY_SIZE];
    size_t units = 0;
    struct text table = TEXT_INIT;
    if (!text_read_file(&table, strcmp(file, "-") == 0 ? "/dev/stdin" : file, MOST_TABLE)) {
        log_error("fleet", "%s cannot be read: %s", file, strerror(errno));
        return 1;
    }
    bool good = unit_places_take(s, text_get(&table), &units, why);
    if (good)
        printf("%zu units\n", units);
    else
        log_error("fleet", "%s: %s", file, why);
    text_free(&table);
    return good ? 0 : 1;
}

/* file: "" prints what stands */
static int places(const struct fleet_settings *settings, const char *file)
{
    char why[SQL_WHY_SIZE];
    struct sql *s = sql_open(settings->database, why);
    if (!s) {
        log_error("fleet", "%s", why);
        return 1;
    }
    int rc = file[0] ? take_places(s, file) : print_places(s);
    sql_close(s);
    return rc;
}

static int simulate(struct sim_options *o, const struct fleet_settings *settings)
{
    char why[256];
    struct sim_result r;
    o->settings = settings;
    o->stop = &stop_asked;
    if (o->sites == 0)
        return usage(stderr);
    if (!sim_run(o, &r, why, sizeof why)) {
        log_error("sim", "%s", why);
        return 1;
    }
    printf("{\"told\":%lld,\"acknowledged\":%lld,\"batches\":%lld,\"again\":%lld,"
           "\"connected\":%zu,\"reconnects\":%lld,\"seconds\":%.3f}\n",
           (long long)r.told, (long long)r.acknowledged, (long long)r.batches,
           (long long)r.again, r.connected, (long long)r.reconnects, r.seconds);
    return 0;
}

enum {
    OPT_CONFIG = 1,
    OPT_VERBOSE,
    OPT_VERSION,
    OPT_HELP,
    OPT_SITES,
    OPT_HISTORY,
    OPT_RATE,
    OPT_RECORDS,
    OPT_SECONDS,
    OPT_PERIOD,
    OPT_HEALTH,
    OPT_STORM,
    OPT_LINGER,
    OPT_WAIT,
    OPT_NAME,
    OPT_BUILDING,
    OPT_UNIT,
    OPT_HOURS,
    OPT_REASON,
    OPT_BY
};

static const struct option long_options[] = {
    {"config", required_argument, NULL, OPT_CONFIG},
    {"verbose", no_argument, NULL, OPT_VERBOSE},
    {"version", no_argument, NULL, OPT_VERSION},
    {"help", no_argument, NULL, OPT_HELP},
    {"sites", required_argument, NULL, OPT_SITES},
    {"history", required_argument, NULL, OPT_HISTORY},
    {"rate", required_argument, NULL, OPT_RATE},
    {"records", required_argument, NULL, OPT_RECORDS},
    {"seconds", required_argument, NULL, OPT_SECONDS},
    {"period", required_argument, NULL, OPT_PERIOD},
    {"health", required_argument, NULL, OPT_HEALTH},
    {"storm", required_argument, NULL, OPT_STORM},
    {"linger", required_argument, NULL, OPT_LINGER},
    {"wait", required_argument, NULL, OPT_WAIT},
    {"name", required_argument, NULL, OPT_NAME},
    {"building", required_argument, NULL, OPT_BUILDING},
    {"unit", required_argument, NULL, OPT_UNIT},
    {"hours", required_argument, NULL, OPT_HOURS},
    {"reason", required_argument, NULL, OPT_REASON},
    {"by", required_argument, NULL, OPT_BY},
    {0}};

struct arguments {
    const char *directory;
    double wait_seconds;
    struct let_in_options let_in;
    struct sim_options sim;
};

/* false when it is no number from 0 to most */
static bool take_number(const char *s, double most, double *out)
{
    char *end;
    double v = strtod(s, &end);
    if (end == s || *end != '\0' || !(v >= 0 && v <= most))
        return false;
    *out = v;
    return true;
}

static bool take_option(struct arguments *a, int option, const char *value)
{
    struct sim_options *o = &a->sim;
    double n = 0;
    switch (option) {
    case OPT_CONFIG: a->directory = value; return true;
    case OPT_VERBOSE: log_set_level(LOG_LEVEL_DEBUG); return true;
    case OPT_HISTORY: return take_number(value, 3650, &o->history_days);
    case OPT_RATE: return take_number(value, 1e7, &o->per_second);
    case OPT_SECONDS: return take_number(value, 1e7, &o->seconds);
    case OPT_PERIOD: return take_number(value, 3600, &o->period_seconds);
    case OPT_HEALTH: return take_number(value, 86400, &o->health_seconds);
    case OPT_NAME: a->let_in.name = value; return true;
    case OPT_BUILDING: a->let_in.building = value; return true;
    case OPT_UNIT: a->let_in.unit = value; return true;
    case OPT_REASON: a->let_in.reason = value; return true;
    case OPT_BY: a->let_in.by = value; return true;
    case OPT_HOURS: return take_number(value, 720, &a->let_in.hours);
    case OPT_WAIT: return take_number(value, 60, &a->wait_seconds);
    case OPT_LINGER: return take_number(value, 86400, &o->linger_seconds);
    case OPT_STORM:
        return sscanf(value, "%lf,%lf", &o->storm_after_seconds, &o->storm_seconds) == 2 &&
               o->storm_after_seconds > 0 && o->storm_seconds > 0;
    case OPT_SITES:
        if (!take_number(value, 100000, &n))
            return false;
        o->sites = (size_t)n;
        return true;
    case OPT_RECORDS:
        if (!take_number(value, 1e12, &n))
            return false;
        o->records = (int64_t)n;
        return true;
    default: return false;
    }
}

int main(int argc, char **argv)
{
    static struct fleet_settings settings;
    struct arguments a = {.sim = {.period_seconds = 1.0, .health_seconds = 900.0}};
    for (int o; (o = getopt_long(argc, argv, "", long_options, NULL)) != -1;) {
        if (o == OPT_HELP)
            return usage(stdout);
        if (o == OPT_VERSION) {
            puts("foretrip-fleet " FORETRIP_VERSION);
            return 0;
        }
        if (!take_option(&a, o, optarg))
            return usage(stderr);
    }
    if (optind >= argc || !a.directory)
        return usage(stderr);
    const char *verb = argv[optind], *const *words = (const char *const *)argv + optind + 1;
    int count = argc - optind - 1;
    bool asks = strcmp(verb, "sheet") == 0, lets_in = let_in_is_verb(verb);
    bool tables = strcmp(verb, "places") == 0;
    if (lets_in ? false : asks ? count < 1 || count > 2 : tables ? count > 1 : count != 0)
        return usage(stderr);
    bool collects = strcmp(verb, "collect") == 0, shows = strcmp(verb, "portfolio") == 0;
    bool serves = strcmp(verb, "serve") == 0;
    if (!collects && !shows && !asks && !serves && !lets_in && !tables &&
        strcmp(verb, "simulate") != 0)
        return usage(stderr);
    if (!load(&settings, a.directory))
        return 1;
    catch_signals();
    if (collects ||
        serves) /* they run for long; a load program is to take as little as can be */
        heap_begin();
    if (lets_in)
        return let_in_run(verb, words, count, &a.let_in, &settings, a.directory, &stop_asked);
    return collects ? collect(&settings)
           : serves ? fleet_serve(&settings, &stop_asked)
           : shows  ? show(&settings)
           : tables ? places(&settings, count > 0 ? words[0] : "")
           : asks   ? unit_sheet_print(&settings, words[0], count > 1 ? words[1] : "",
                                       (int)(1000.0 * a.wait_seconds))
                    : simulate(&a.sim, &settings);
}
