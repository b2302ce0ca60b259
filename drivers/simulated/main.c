/*
 * foretrip-house - a simulated house behind real Modbus: for demonstrations and tests.
 */
#include "base/clock.h"
#include "config/reader.h"
#include "house_file.h"
#include "house_station.h"

#include <getopt.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MAX_PLAYED 64

static const char usage[] =
    "foretrip-house: a simulated house that answers on Modbus\n"
    "\n"
    "  --config DIR            site.cfg and register maps, the same that the gateway reads\n"
    "  --house FILE            how the house lives; without it only --play and standing "
    "meters\n"
    "  --tcp [BUS=]HOST:PORT   where a TCP bus is served instead of where site.cfg says; port "
    "0\n"
    "                          takes a free one (printed)\n"
    "  --rtu-pty [BUS=]LINK    serves a serial bus on a pseudo-terminal, linked to LINK\n"
    "  --paced                 serial answers take the time that the bus's baud rate would "
    "take\n"
    "  --speed N               house seconds per second, 1 when not given\n"
    "  --start HH:MM:SS        time of day at the beginning; else the site's own clock\n"
    "  --seed N                the same number gives the same house; else the file's own, or "
    "1\n"
    "  --faults SPEC           "
    "METER:silence=SHARE,delay=SHARE/MS,exception=SHARE/CODE,unit=SHARE,\n"
    "                          corrupt=SHARE,short=SHARE,close=SHARE,dead=SECOND/SECONDS; next "
    "METER\n"
    "                          after a semicolon, * for all\n"
    "  --play FILE=CIRCUIT     plays recorded watts (gzipped \"t_s,watts\") on a circuit; may "
    "be\n"
    "                          given often. FILE without a slash is looked for in --traces\n"
    "  --traces DIR            where recordings lie\n"
    "  --log FILE              what the house does, in words; standard output when not given\n"
    "  --truth FILE            the same as JSON lines\n"
    "  --seconds N             end after so many house seconds\n";

struct options {
    const char *config, *house, *faults, *traces, *log, *truth, *start;
    const char *tcp[SITE_MAX_BUSES], *pty[SITE_MAX_BUSES], *play[MAX_PLAYED];
    size_t tcp_count, pty_count, play_count;
    bool paced;
    double speed, seconds, seed; /* seed < 0: not given */
};

struct run {
    struct options options;
    struct config config;
    struct house_spec spec;
    struct trace traces[MAX_PLAYED];
    struct house *house;
    struct house_station *station;
    struct server *server;
    struct mischief *mischief;
    FILE *log, *truth;
    double start_second; /* local, at house time 0 */
    int64_t start_wall_ms;
};

static volatile sig_atomic_t stop;

static void on_signal(int number)
{
    (void)number;
    stop = 1;
}

/* ---- what it says ---- */

static void print_truth(struct run *r, const struct house_note *n)
{
    char time[CLOCK_RFC3339_SIZE];
    clock_format_rfc3339(r->start_wall_ms + (int64_t)((double)n->house_ms / r->options.speed),
                         time);
    fprintf(r->truth, "{\"time\":\"%s\",\"second\":%.1f,\"type\":\"%s\"", time,
            (double)n->house_ms / 1000.0, house_note_name(n->kind));
    if (n->circuit >= 0)
        fprintf(r->truth, ",\"circuit\":\"%s\"", r->config.site.circuits[n->circuit].id);
    if (n->load >= 0)
        fprintf(r->truth, ",\"load\":\"%s\"", r->spec.loads[n->load].id);
    if (n->amps > 0.0)
        fprintf(r->truth, ",\"amps\":%.3f", n->amps);
    if (n->seconds > 0.0)
        fprintf(r->truth, ",\"seconds\":%.1f", n->seconds);
    fputs("}\n", r->truth);
    fflush(r->truth);
}

static void say(void *context, const struct house_note *n)
{
    struct run *r = context;
    char text[512];
    house_note_text(&r->config.site, &r->spec, n, text, sizeof text);
    long second = (long)fmod(r->start_second + (double)n->house_ms / 1000.0, 86400.0);
    fprintf(r->log, "%02ld:%02ld:%02ld the house: %s\n", second / 3600, second / 60 % 60,
            second % 60, text);
    fflush(r->log);
    if (r->truth)
        print_truth(r, n);
}

/* ---- options ---- */

static bool parse_clock(const char *s, double *second)
{
    int h, m, sec = 0, end = 0;
    bool ok = sscanf(s, "%2d:%2d%n", &h, &m, &end) == 2 && h >= 0 && h < 24 && m >= 0 && m < 60;
    if (ok && s[end] == ':')
        ok = sscanf(s + end, ":%2d", &sec) == 1 && sec >= 0 && sec < 60;
    if (ok)
        *second = h * 3600.0 + m * 60.0 + sec;
    return ok;
}

static bool parse_number(const char *name, const char *s, double least, double most,
                         double *out)
{
    char *end;
    double v = strtod(s, &end);
    if (end == s || *end || !(v >= least && v <= most)) {
        fprintf(stderr, "foretrip-house: %s must be a number from %g to %g\n", name, least,
                most);
        return false;
    }
    *out = v;
    return true;
}

static bool take_option(struct options *o, int c)
{
    switch (c) {
    case 'c': o->config = optarg; return true;
    case 'h': o->house = optarg; return true;
    case 'f': o->faults = optarg; return true;
    case 'T': o->traces = optarg; return true;
    case 'l': o->log = optarg; return true;
    case 'u': o->truth = optarg; return true;
    case 'S': o->start = optarg; return true;
    case 'b': o->paced = true; return true;
    case 't':
        if (o->tcp_count < SITE_MAX_BUSES)
            o->tcp[o->tcp_count++] = optarg;
        return true;
    case 'r':
        if (o->pty_count < SITE_MAX_BUSES)
            o->pty[o->pty_count++] = optarg;
        return true;
    case 'p':
        if (o->play_count == MAX_PLAYED) {
            fprintf(stderr, "foretrip-house: at most %d --play\n", MAX_PLAYED);
            return false;
        }
        o->play[o->play_count++] = optarg;
        return true;
    case 's': return parse_number("--speed", optarg, 0.01, 1e6, &o->speed);
    case 'e': return parse_number("--seconds", optarg, 0.1, 1e9, &o->seconds);
    case 'd': return parse_number("--seed", optarg, 0.0, 9e15, &o->seed);
    default: return false;
    }
}

static bool parse_options(int argc, char **argv, struct options *o)
{
    static const struct option names[] = {
        {"config", 1, NULL, 'c'},  {"house", 1, NULL, 'h'},   {"tcp", 1, NULL, 't'},
        {"rtu-pty", 1, NULL, 'r'}, {"paced", 0, NULL, 'b'},   {"speed", 1, NULL, 's'},
        {"seed", 1, NULL, 'd'},    {"faults", 1, NULL, 'f'},  {"play", 1, NULL, 'p'},
        {"traces", 1, NULL, 'T'},  {"log", 1, NULL, 'l'},     {"truth", 1, NULL, 'u'},
        {"start", 1, NULL, 'S'},   {"seconds", 1, NULL, 'e'}, {"help", 0, NULL, '?'},
        {NULL, 0, NULL, 0}};
    *o = (struct options){.speed = 1.0, .seed = -1.0};
    for (int c; (c = getopt_long(argc, argv, "", names, NULL)) != -1;)
        if (!take_option(o, c)) {
            fputs(usage, stderr);
            return false;
        }
    if (!o->config || optind < argc) {
        fputs(usage, stderr);
        return false;
    }
    return true;
}

/* ---- setting up ---- */

static bool load_site(struct run *r)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    bool ok = config_load(&r->config, r->options.config, &faults);
    if (!ok) {
        struct text t = TEXT_INIT;
        faults_print(&faults, "", &t);
        fputs(text_get(&t), stderr);
        text_free(&t);
    }
    faults_free(&faults);
    return ok;
}

/* FILE=CIRCUIT[@HH:MM:SS] */
static bool parse_play(const struct run *r, const char *play, char path[1024],
                       struct house_load_spec *l)
{
    char copy[1024], *equals, *at;
    if (!text_copy(copy, sizeof copy, play) || !(equals = strrchr(copy, '=')))
        return false;
    *equals = '\0';
    at = strchr(equals + 1, '@');
    l->trace_second = r->start_second;
    if (at && !parse_clock(at + 1, &l->trace_second))
        return false;
    if (at)
        *at = '\0';
    l->circuit = site_find_circuit(&r->config.site, equals + 1);
    bool in_directory = r->options.traces && !strchr(copy, '/');
    int n = snprintf(path, 1024, "%s%s%s", in_directory ? r->options.traces : "",
                     in_directory ? "/" : "", copy);
    return l->circuit >= 0 && n < 1024;
}

/* a recording becomes one load more, of a power factor of 1 */
static bool add_trace(struct run *r, size_t n, struct text *why)
{
    char path[1024];
    struct house_load_spec l = house_load_defaults();
    if (!parse_play(r, r->options.play[n], path, &l)) {
        text_printf(why,
                    "--play %s: wants FILE=CIRCUIT or FILE=CIRCUIT@HH:MM:SS, a circuit of "
                    "site.cfg\n",
                    r->options.play[n]);
        return false;
    }
    if (!trace_load(&r->traces[n], path, why)) {
        text_append(why, "\n");
        return false;
    }
    snprintf(l.id, sizeof l.id, "recording-%zu", n + 1);
    text_copy(l.name, sizeof l.name, "a recording");
    l.volts_exponent = 0.0;
    l.trace = &r->traces[n];
    struct house_load_spec *grown =
        realloc(r->spec.loads, (r->spec.load_count + 1) * sizeof *grown);
    if (!grown)
        return false;
    r->spec.loads = grown;
    r->spec.loads[r->spec.load_count++] = l;
    return true;
}

static bool load_house(struct run *r)
{
    struct text why = TEXT_INIT;
    const struct options *o = &r->options;
    r->spec = house_spec_defaults();
    bool ok = !o->house || house_file_load(&r->spec, o->house, &r->config.site, &why);
    for (size_t i = 0; ok && i < o->play_count; i++)
        ok = add_trace(r, i, &why);
    r->mischief = calloc(r->config.site.meter_count + 1, sizeof *r->mischief);
    if (ok && o->faults) {
        ok = r->mischief && mischief_parse(o->faults, &r->config.site, r->mischief, &why);
        text_append(&why, ok ? "" : "\n");
    }
    fputs(text_get(&why), stderr);
    text_free(&why);
    return ok;
}

static FILE *open_out(const char *path, FILE *fallback)
{
    FILE *f = path ? fopen(path, "w") : fallback;
    if (path && !f)
        fprintf(stderr, "foretrip-house: %s cannot be written\n", path);
    return f;
}

static bool begin_time(struct run *r)
{
    r->start_wall_ms = clock_wall_ms();
    int32_t offset = clock_utc_offset_seconds(r->config.site.timezone, r->start_wall_ms);
    double local = fmod((double)r->start_wall_ms / 1000.0 + offset, 86400.0);
    r->start_second = local;
    if (!r->options.start)
        return true;
    if (!parse_clock(r->options.start, &r->start_second)) {
        fputs("foretrip-house: --start wants HH:MM or HH:MM:SS\n", stderr);
        return false;
    }
    return true;
}

/* the argument for this bus: "BUS=what", or the one without a bus; NULL when there is none */
static const char *argument_for(const char *const *list, size_t count,
                                const struct site_bus *bus)
{
    size_t n = strlen(bus->id);
    for (size_t i = 0; i < count; i++) {
        const char *equals = strchr(list[i], '=');
        if (!equals)
            return list[i];
        if ((size_t)(equals - list[i]) == n && memcmp(list[i], bus->id, n) == 0)
            return equals + 1;
    }
    return NULL;
}

static bool serve_tcp(struct run *r, int bus, struct text *why)
{
    const struct site_bus *b = &r->config.site.buses[bus];
    const char *where = argument_for(r->options.tcp, r->options.tcp_count, b);
    char host[SITE_PATH_SIZE];
    int port = b->port;
    text_copy(host, sizeof host, where ? where : b->host);
    char *colon = where ? strrchr(host, ':') : NULL;
    if (colon) {
        *colon = '\0';
        port = atoi(colon + 1);
    }
    port = server_listen(r->server, bus, host, port, why);
    if (port >= 0)
        fprintf(r->log, "bus %s is served on %s port %d\n", b->id, host, port);
    return port >= 0;
}

static bool serve_line(struct run *r, int bus, struct text *why)
{
    const struct site_bus *b = &r->config.site.buses[bus];
    const char *link = argument_for(r->options.pty, r->options.pty_count, b);
    if (!link) {
        fprintf(r->log,
                "bus %s is a serial line and is not served: --rtu-pty %s=LINK serves it\n",
                b->id, b->id);
        return true;
    }
    if (!server_open_line(r->server, bus, link, r->options.paced ? b->baud : 0, why))
        return false;
    fprintf(r->log, "bus %s is served on %s\n", b->id, link);
    return true;
}

static bool serve(struct run *r)
{
    struct text why = TEXT_INIT;
    r->server = server_create(house_station_answer, r->station);
    bool ok = r->server != NULL;
    for (size_t i = 0; ok && i < r->config.site.bus_count; i++)
        ok = r->config.site.buses[i].host[0] ? serve_tcp(r, (int)i, &why)
                                             : serve_line(r, (int)i, &why);
    if (!ok)
        fprintf(stderr, "foretrip-house: %s\n", text_get(&why));
    text_free(&why);
    fflush(r->log);
    return ok;
}

/* warming up has taken a moment; the house's second 0 is now */
static void begin_truth(struct run *r)
{
    char time[CLOCK_RFC3339_SIZE];
    r->start_wall_ms = clock_wall_ms();
    if (!r->truth)
        return;
    clock_format_rfc3339(r->start_wall_ms, time);
    fprintf(r->truth,
            "{\"time\":\"%s\",\"second\":0.0,\"type\":\"begins\","
            "\"second_of_day\":%.1f,\"speed\":%g}\n",
            time, r->start_second, r->options.speed);
    fflush(r->truth);
}

static bool set_up(struct run *r)
{
    if (!load_site(r) || !begin_time(r) || !load_house(r))
        return false;
    r->log = open_out(r->options.log, stdout);
    r->truth = open_out(r->options.truth, NULL);
    if (!r->log || (r->options.truth && !r->truth))
        return false;
    const struct options *o = &r->options;
    uint64_t seed = (uint64_t)(o->seed >= 0.0 ? o->seed : r->spec.seed);
    r->house = house_create(&r->config.site, &r->spec, seed, r->start_second, say, r);
    r->start_wall_ms = clock_wall_ms(); /* the house was warmed up meanwhile; its time begins now */
    if (r->house)
        r->station = house_station_create(&r->config.site, &r->config.maps, r->house,
                                          r->mischief, o->speed, seed);
    if (!r->station || !serve(r))
        return false;
    begin_truth(r);
    return true;
}

static void tear_down(struct run *r)
{
    server_destroy(r->server);
    house_station_destroy(r->station);
    house_destroy(r->house);
    for (size_t i = 0; i < MAX_PLAYED; i++)
        trace_free(&r->traces[i]);
    house_spec_free(&r->spec);
    free(r->mischief);
    config_free(&r->config);
    if (r->truth)
        fclose(r->truth);
    if (r->log && r->log != stdout)
        fclose(r->log);
}

int main(int argc, char **argv)
{
    static struct run r;
    if (!parse_options(argc, argv, &r.options))
        return 2;
    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    signal(SIGPIPE, SIG_IGN);
    bool ok = set_up(&r);
    double end_ms = r.options.seconds > 0.0 ? r.options.seconds * 1000.0 : (double)INFINITY;
    while (ok && !stop && (double)house_now_ms(r.house) < end_ms) {
        house_station_catch_up(r.station);
        server_turn(r.server, clock_mono_us() + 50000);
    }
    tear_down(&r);
    return ok ? 0 : 1;
}
