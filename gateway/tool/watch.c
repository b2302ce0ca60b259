/*
 * foretrip watch - what is happening, from the broker's side: the panels as a small live table.
 *
 * An independent end of the way: it knows only what the gateway has published. On a terminal
 * the table is drawn anew each second; elsewhere (a pipe, a log) each warning, trip and return
 * is a line, and the table is left out.
 */
#include "open_config.h"
#include "options.h"
#include "verbs.h"

#include "base/clock.h"
#include "base/text.h"

#include <jansson.h>
#include <mosquitto.h>

#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

#define NEWS_KEPT 10
#define BAR 20

struct row {
    double amps, heat, p50_seconds;
    char state[12];
    char loads[80];
    bool known;
};

struct watch {
    const struct config *config;
    struct row *rows;
    struct text news[NEWS_KEPT];
    size_t news_count; /* ever */
    bool terminal;
    bool online;
    char prefix[SITE_ID_SIZE + 16];
};

static volatile sig_atomic_t stop_asked;

static void ask_stop(int signal_number)
{
    (void)signal_number;
    stop_asked = 1;
}

static double number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static const char *string(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s ? s : "";
}

static void take_state(struct watch *w, const json_t *o)
{
    int c = site_find_circuit(&w->config->site, string(o, "circuit"));
    if (c < 0)
        return;
    struct row *r = &w->rows[c];
    r->known = true;
    r->amps = number(o, "amps");
    r->heat = number(o, "heat");
    r->p50_seconds = number(json_object_get(o, "trip_seconds"), "p50");
    text_copy(r->state, sizeof r->state, string(o, "state"));
    struct text loads = TEXT_INIT;
    size_t i;
    const json_t *load;
    json_array_foreach(json_object_get(o, "loads"), i, load)
    {
        if (i >= 3)
            break;
        text_printf(&loads, "%s%s %.1f A", i ? ", " : "",
                    strcmp(string(load, "appliance"), "unknown") == 0
                        ? "a load"
                        : string(load, "appliance"),
                    number(load, "amps"));
    }
    for (char *p = loads.bytes; p && *p; p++) /* a key as people say it */
        if (*p == '_')
            *p = ' ';
    text_copy(r->loads, sizeof r->loads, text_get(&loads));
    text_free(&loads);
}

static struct text *add_news(struct watch *w, const json_t *o)
{
    struct text *t = &w->news[w->news_count++ % NEWS_KEPT];
    const char *time = string(o, "time");
    int64_t wall_ms = 0;
    text_clear(t);
    if (clock_parse(time, strlen(time), &wall_ms)) {
        wall_ms += 1000 * (int64_t)clock_utc_offset_seconds(w->config->site.timezone, wall_ms);
        char local[CLOCK_RFC3339_SIZE];
        clock_format_rfc3339(wall_ms, local);
        text_printf(t, "%.8s  ", local + 11);
    }
    return t;
}

static void say_news(struct watch *w, const struct text *t)
{
    if (!w->terminal) {
        printf("%s\n", text_get(t));
        fflush(stdout);
    }
}

static void take_alarm(struct watch *w, const json_t *o)
{
    const char *state = string(o, "state");
    bool begins = strcmp(state, "unacknowledged") == 0;
    struct text *t = add_news(w, o);
    if (begins) {
        bool warning = strcmp(string(o, "kind"), "near_overload") == 0;
        text_printf(t, "%s (%s): %s", warning ? "WARNING" : "ALARM", string(o, "priority"),
                    string(o, "text"));
        if (string(o, "advice")[0])
            text_printf(t, "\n          %s", string(o, "advice"));
    } else {
        text_printf(t, "%s is now %s", string(o, "alarm"), state);
    }
    say_news(w, t);
}

static void take_trip(struct watch *w, const json_t *o)
{
    struct text *t = add_news(w, o);
    text_printf(t, "TRIP of %s, %s: %.0f %% sure that it lost its supply, cause %s, at %.1f A",
                string(o, "circuit"), string(o, "stage"), 100.0 * number(o, "probability"),
                string(o, "cause"), number(o, "amps_before"));
    say_news(w, t);
}

static void take_event(struct watch *w, const json_t *o)
{
    const char *type = string(o, "type");
    if (strcmp(type, "alarm") == 0) {
        take_alarm(w, o);
    } else if (strcmp(type, "trip") == 0) {
        take_trip(w, o);
    } else if (strcmp(type, "restored") == 0) {
        struct text *t = add_news(w, o);
        text_printf(t, "RESTORED %s after %.0f s", string(o, "circuit"),
                    number(o, "seconds_open"));
        say_news(w, t);
    } else if (strcmp(type, "opened_again") == 0) {
        struct text *t = add_news(w, o);
        text_printf(t, "OPENED AGAIN %s, it held %.0f s", string(o, "circuit"),
                    number(o, "seconds_held"));
        say_news(w, t);
    }
}

static void on_message(struct mosquitto *m, void *context,
                       const struct mosquitto_message *message)
{
    struct watch *w = context;
    (void)m;
    const char *rest = message->topic + strlen(w->prefix);
    if (strcmp(rest, "status") == 0) {
        w->online = message->payloadlen == 6 && memcmp(message->payload, "online", 6) == 0;
        return;
    }
    json_t *o = json_loadb(message->payload, (size_t)message->payloadlen, 0, NULL);
    if (!o)
        return;
    if (strncmp(rest, "circuit/", 8) == 0)
        take_state(w, o);
    else if (strcmp(rest, "event") == 0)
        take_event(w, o);
    json_decref(o);
}

static void on_connect(struct mosquitto *m, void *context, int rc)
{
    struct watch *w = context;
    static const char *const topics[] = {"status", "circuit/+/state", "event"};
    if (rc != 0)
        return;
    for (size_t i = 0; i < sizeof topics / sizeof topics[0]; i++) {
        char topic[128];
        snprintf(topic, sizeof topic, "%s%s", w->prefix, topics[i]);
        mosquitto_subscribe(m, NULL, topic, 1);
    }
}

/* the load against the rating, a bar of BAR cells for 125 %, with the 80 % mark in it */
static void draw_bar(double amps, double rating, char out[BAR + 1])
{
    double share = amps / rating / 1.25;
    for (int i = 0; i < BAR; i++) {
        bool full = share * BAR > i + 0.5;
        out[i] = full ? '#' : i == (int)(0.8 / 1.25 * BAR) ? '|' : '.';
    }
    out[BAR] = '\0';
}

/* columns of the terminal, 100 when it does not say */
static int terminal_width(void)
{
    struct winsize size;
    return ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col >= 60 ? size.ws_col
                                                                             : 100;
}

static void draw_row(const struct site_circuit *k, const struct row *r, int width)
{
    char bar[BAR + 1], line[256];
    struct text last = TEXT_INIT;
    draw_bar(r->amps, k->breaker_amps, bar);
    if (strcmp(r->state, "open") == 0)
        text_append(&last, "OPEN  ");
    if (r->p50_seconds < 3600)
        text_printf(&last, "opens in about %.0f s; ", r->p50_seconds);
    text_append(&last, r->loads);
    int taken =
        snprintf(line, sizeof line, "  %-5s %-26.26s %5.1f/%-2.0f  %s %3.0f %%  ", k->position,
                 k->name, r->amps, k->breaker_amps, bar, 100.0 * fmax(0.0, r->heat));
    printf("%s%.*s\n", line, taken < width ? width - taken : 0, text_get(&last));
    text_free(&last);
}

static void draw(const struct watch *w)
{
    const struct site *s = &w->config->site;
    int width = terminal_width();
    printf("\033[H\033[J%s   gateway %s\n", s->name, w->online ? "online" : "not heard of");
    for (size_t p = 0; p < s->panel_count; p++) {
        printf("\n%s\n  pos   %-26s %8s  %-*s heat  what is on\n", s->panels[p].name, "circuit",
               "amps", BAR, "load (| is 80 %)");
        for (size_t c = 0; c < s->circuit_count; c++) {
            const struct site_circuit *k = &s->circuits[c];
            const struct row *r = &w->rows[c];
            if (k->panel != (int)p)
                continue;
            if (!r->known || isnan(r->amps))
                printf("  %-5s %-26.26s  no reading\n", k->position, k->name);
            else
                draw_row(k, r, width);
        }
    }
    printf("\n");
    size_t kept = w->news_count < NEWS_KEPT ? w->news_count : NEWS_KEPT;
    for (size_t i = kept; i > 0; i--)
        printf("%s\n", text_get(&w->news[(w->news_count - i) % NEWS_KEPT]));
    printf("\nforetrip advises and is no protective device. Ctrl-C ends.\n");
    fflush(stdout);
}

static enum exit_code run(struct watch *w, double seconds)
{
    const struct delivery_broker *d = &w->config->delivery.broker;
    mosquitto_lib_init();
    struct mosquitto *m = mosquitto_new(NULL, true, w);
    if (!m)
        return EXIT_BAD;
    mosquitto_connect_callback_set(m, on_connect);
    mosquitto_message_callback_set(m, on_message);
    mosquitto_int_option(m, MOSQ_OPT_TCP_NODELAY, 1);
    int rc = mosquitto_connect_bind(m, d->host, d->port, 30, NULL);
    if (rc != MOSQ_ERR_SUCCESS)
        fprintf(stderr, "foretrip watch: the broker at %s:%d cannot be reached yet (%s)\n",
                d->host, d->port, mosquitto_strerror(rc));
    int64_t next_draw = 0,
            end = seconds > 0 ? clock_mono_ms() + (int64_t)(seconds * 1000.0) : INT64_MAX;
    while (!stop_asked && clock_mono_ms() < end) {
        rc = mosquitto_loop(m, 200, 1);
        if (rc != MOSQ_ERR_SUCCESS) {
            w->online = false;
            poll(NULL, 0, 500);
            mosquitto_reconnect(m);
        }
        if (w->terminal && clock_mono_ms() >= next_draw) {
            draw(w);
            next_draw = clock_mono_ms() + 1000;
        }
    }
    mosquitto_disconnect(m);
    mosquitto_destroy(m);
    mosquitto_lib_cleanup();
    return EXIT_GOOD;
}

enum exit_code verb_watch(int argc, char **argv)
{
    const char *directory = NULL, *limit = NULL;
    const struct option_row options[] = {
        {.name = "config", .value = &directory, .needed = true},
        {.name = "seconds", .value = &limit},
    };
    if (!options_take(options, sizeof options / sizeof options[0], argc, argv))
        return EXIT_USAGE;
    char *end = NULL;
    double seconds = limit ? strtod(limit, &end) : 0.0;
    if (limit && (*end || !(seconds > 0.0))) {
        fprintf(stderr, "foretrip watch: --seconds takes a number above 0, not \"%s\"\n",
                limit);
        return EXIT_USAGE;
    }
    struct config config;
    if (!open_config(&config, directory))
        return EXIT_BAD;
    if (config.delivery.broker.host[0] == '\0') {
        fprintf(stderr, "foretrip watch: delivery.cfg names no broker, and what the gateway "
                        "publishes is all that watch can show\n");
        config_free(&config);
        return EXIT_BAD;
    }
    struct watch w = {.config = &config, .terminal = isatty(STDOUT_FILENO) == 1};
    snprintf(w.prefix, sizeof w.prefix, "foretrip/%s/", config.site.id);
    w.rows = calloc(config.site.circuit_count + 1, sizeof *w.rows);
    struct sigaction action = {.sa_handler = ask_stop};
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    enum exit_code code = w.rows ? run(&w, seconds) : EXIT_BAD;
    for (size_t i = 0; i < NEWS_KEPT; i++)
        text_free(&w.news[i]);
    free(w.rows);
    config_free(&config);
    return code;
}
