/*
 * foretrip-house - a simulated house behind real Modbus: for demonstrations and tests.
 */
#include "base/clock.h"
#include "config/reader.h"
#include "house_file.h"
#include "house_hands.h"
#include "house_options.h"
#include "house_record.h"
#include "house_station.h"

#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct run {
    struct house_options options;
    struct config config;
    struct house_spec spec;
    struct trace traces[HOUSE_MAX_PLAYED];
    struct house *house;
    struct house_station *station;
    struct server *server;
    struct mischief *mischief;
    struct house_hands *hands; /* NULL: nobody's */
    uint64_t seed;
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
    if (at && !house_options_clock(at + 1, &l->trace_second))
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
    const struct house_options *o = &r->options;
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

#define RECORDED_DAY_MS                                                                        \
    1768176000000 /* 2026-01-12T00:00:00Z, so that a record can be repeated */

static bool begin_time(struct run *r)
{
    r->start_wall_ms = r->options.record ? RECORDED_DAY_MS : clock_wall_ms();
    int32_t offset = clock_utc_offset_seconds(r->config.site.timezone, r->start_wall_ms);
    r->start_second = fmod((double)r->start_wall_ms / 1000.0 + offset, 86400.0);
    if (r->options.record)
        r->start_second = 0.0;
    if (r->options.start && !house_options_clock(r->options.start, &r->start_second)) {
        fputs("foretrip-house: --start wants HH:MM or HH:MM:SS\n", stderr);
        return false;
    }
    if (r->options.record) /* local midnight and the time of day */
        r->start_wall_ms += (int64_t)(r->start_second * 1000.0) - (int64_t)offset * 1000;
    return true;
}

static bool serve_tcp(struct run *r, int bus, struct text *why)
{
    const struct site_bus *b = &r->config.site.buses[bus];
    const char *where = house_options_for_bus(r->options.tcp, r->options.tcp_count, b->id);
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
    const char *link = house_options_for_bus(r->options.pty, r->options.pty_count, b->id);
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

static void begin_truth(struct run *r)
{
    char time[CLOCK_RFC3339_SIZE];
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
    r->seed = (uint64_t)(r->options.seed >= 0.0 ? r->options.seed : r->spec.seed);
    r->house = house_create(&r->config.site, &r->spec, r->seed, r->start_second, say, r);
    return r->house != NULL;
}

static bool record(struct run *r)
{
    struct house_record job = {
        .site = &r->config.site,
        .maps = &r->config.maps,
        .mischief = r->mischief,
        .house = r->house,
        .seed = r->seed,
        .start_wall_ms = r->start_wall_ms,
        .end_ms = (int64_t)(r->options.seconds * 1000.0),
        .every_ms = (int64_t)r->options.every_ms,
    };
    struct text why = TEXT_INIT;
    FILE *out = open_out(r->options.record, NULL);
    if (!out)
        return false;
    begin_truth(r);
    bool ok = house_record_write(&job, out, &why);
    ok = fclose(out) == 0 && ok;
    if (!ok)
        fprintf(stderr, "foretrip-house: %s: %s\n", r->options.record, text_get(&why));
    text_free(&why);
    return ok;
}

static bool live(struct run *r)
{
    double end_ms = r->options.seconds > 0.0 ? r->options.seconds * 1000.0 : (double)INFINITY;
    /* the house was warmed up meanwhile; its second 0 is now */
    r->start_wall_ms = clock_wall_ms();
    r->station = house_station_create(&r->config.site, &r->config.maps, r->house, r->mischief,
                                      r->options.speed, r->seed);
    if (!r->station || !serve(r))
        return false;
    if (r->options.sunspec_floats)
        house_station_use_floats(r->station);
    begin_truth(r);
    if (r->options.hands &&
        !(r->hands = house_hands_open(r->options.hands, &r->config.site, &r->spec, r->log)))
        return false;
    while (!stop && (double)house_now_ms(r->house) < end_ms) {
        house_station_catch_up(r->station);
        house_hands_turn(r->hands, r->house);
        server_turn(r->server, clock_mono_us() + 50000);
    }
    return true;
}

static void tear_down(struct run *r)
{
    house_hands_close(r->hands);
    server_destroy(r->server);
    house_station_destroy(r->station);
    house_destroy(r->house);
    for (size_t i = 0; i < HOUSE_MAX_PLAYED; i++)
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
    if (!house_options_parse(&r.options, argc, argv))
        return r.options.help ? 0 : 2;
    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    signal(SIGPIPE, SIG_IGN);
    bool ok = set_up(&r) && (r.options.record ? record(&r) : live(&r));
    tear_down(&r);
    return ok ? 0 : 1;
}
