/*
 * mqtt_writer - a gateway without meters: writes events and announces them, as the daemon does.
 *
 *     mqtt_writer DATABASE PORT EVENTS PER_SECOND [OPTION=VALUE]..
 *
 * Options: password_file, ca, up (0 or 1), wait (seconds for the broker after the last event),
 * alarms (0 or 1: alarms instead of loads), mixed (0 or 1: loads on eight circuits in turn, and
 * every fifth event an alarm of one of them, raised twice and returned once).
 *
 * Goes on where the record ends, until the record holds EVENTS events, then waits until the
 * broker has acknowledged all of them and prints "done at N". Exits 1 when that takes longer
 * than 60 s after the last. Event n is a load of n amps. Made to be killed at any moment.
 * `status` is answered with the number of events, `circuits` with none, acknowledge and shelve
 * with an error.
 */
#include "notify/announce.h"
#include "notify/mqtt.h"

#include "base/clock.h"
#include "base/text.h"
#include "model/delivery.h"
#include "model/event_json.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CIRCUITS 8

struct options {
    struct delivery_broker broker;
    int wait_seconds;
    int stay_seconds; /* at the end, for what is asked again */
    bool alarms, mixed;
};

static void fill_site(struct site *s)
{
    site_init(s);
    strcpy(s->id, "mill-lane-3");
    strcpy(s->timezone, "UTC");
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "cellar");
    p->legs = 1;
    p->fed_by = -1;
    for (int i = 1; i <= CIRCUITS; i++) {
        struct site_circuit *c = site_add_circuit(s);
        snprintf(c->id, sizeof c->id, "cellar-%02d", i);
        c->panel = 0;
        c->poles = 1;
        strcpy(c->leg, "A");
        c->breaker_amps = 16;
        c->meter = -1;
    }
    site_finish(s);
}

static bool last_number(void *context, const struct store_event_row *row)
{
    const char *at = strstr(row->json, "\"amps\":");
    *(long *)context = at ? strtol(at + 7, NULL, 10) : 0;
    return true;
}

static long events_written(struct store_reader *r)
{
    long n = 0;
    store_read_events(r, 0, SIZE_MAX / 4, last_number, &n);
    return n;
}

static struct event nth_load(long n, int circuit)
{
    struct event e = {.type = n % 2 ? EVENT_LOAD_ON : EVENT_LOAD_OFF,
                      .wall_ms = clock_wall_ms(),
                      .panel = 0,
                      .circuit = circuit};
    e.load.run = n;
    e.load.amps = (double)n; /* the number that the subscriber looks for */
    strcpy(e.load.appliance, "unknown");
    return e;
}

struct words { /* what an event points to */
    char id[32], note[32];
};

static struct event nth_alarm(long n, int circuit, enum alarm_state state, struct words *w)
{
    struct event e = {
        .type = EVENT_ALARM, .wall_ms = clock_wall_ms(), .panel = 0, .circuit = circuit};
    snprintf(w->id, sizeof w->id, "cellar-%02d.trip", circuit + 1);
    snprintf(w->note, sizeof w->note, "number %ld", n);
    e.alarm = (struct event_alarm){.id = w->id,
                                   .kind = ALARM_TRIP,
                                   .state = state,
                                   .raised_wall_ms = e.wall_ms,
                                   .text = "Breaker 1 is open.",
                                   .by = "",
                                   .note = w->note,
                                   .meter = -1};
    return e;
}

static struct event nth_mixed(long n, struct words *w)
{
    int circuit = (int)(n % CIRCUITS);
    if (n % 5 != 0)
        return nth_load(n, circuit);
    return nth_alarm(n, circuit, n / 5 % 3 == 0 ? ALARM_NORMAL : ALARM_UNACKNOWLEDGED, w);
}

static void write_event(struct store *s, struct announce *a, const struct site *site,
                        const struct options *o, long n)
{
    struct words w;
    struct event e = o->mixed    ? nth_mixed(n, &w)
                     : o->alarms ? nth_alarm(n, 0, ALARM_UNACKNOWLEDGED, &w)
                                 : nth_load(n, 0);
    char *json = event_to_json_text(site, &e);
    if (!json)
        abort();
    store_add_event(s, site, &e, json);
    announce_event(a, &e, json);
    free(json);
}

static void answer(struct mqtt *m, long written)
{
    struct command c;
    char members[64];
    while (mqtt_take_command(m, &c)) {
        snprintf(members, sizeof members, "{\"events\":%ld}", written);
        if (c.verb == COMMAND_SEND_AGAIN)
            mqtt_send_again(m, c.after, c.to);
        if (c.verb == COMMAND_STATUS)
            mqtt_reply(m, &c.reply, NULL, members);
        else if (c.verb == COMMAND_CIRCUITS)
            mqtt_reply(m, &c.reply, NULL, "{\"circuits\":[]}");
        else
            mqtt_reply(m, &c.reply, "there is no such alarm", NULL);
    }
}

static bool take_option(struct options *o, const char *arg)
{
    const char *value = strchr(arg, '=');
    size_t n = value ? (size_t)(value++ - arg) : 0;
    if (n == 13 && memcmp(arg, "password_file", n) == 0) {
        strcpy(o->broker.username, "gateway");
        return text_copy(o->broker.password_file, sizeof o->broker.password_file, value);
    }
    if (n == 2 && memcmp(arg, "ca", n) == 0) {
        o->broker.tls.enabled = true;
        return text_copy(o->broker.tls.ca, sizeof o->broker.tls.ca, value);
    }
    if (n == 2 && memcmp(arg, "up", n) == 0)
        o->broker.up = atoi(value) != 0;
    else if (n == 6 && memcmp(arg, "alarms", n) == 0)
        o->alarms = atoi(value) != 0;
    else if (n == 5 && memcmp(arg, "mixed", n) == 0)
        o->mixed = atoi(value) != 0;
    else if (n == 4 && memcmp(arg, "wait", n) == 0)
        o->wait_seconds = atoi(value);
    else if (n == 4 && memcmp(arg, "stay", n) == 0)
        o->stay_seconds = atoi(value);
    else
        return false;
    return true;
}

/* a turn as the daemon's: commit, and what the disk keeps back is told all the same */
static void turn(struct store *s, struct mqtt *m, long n, int64_t at_us)
{
    int64_t mono_ms = clock_mono_ms();
    answer(m, n);
    if (store_commit(s, mono_ms, clock_wall_ms()) != STORE_OK)
        mqtt_tell_unwritten(m, mono_ms);
    clock_sleep_until_us(at_us);
}

/* writes up to `wanted` events and waits for the broker; true when it has acknowledged all */
static bool write_all(struct store *s, struct announce *a, struct mqtt *m,
                      const struct site *site, const struct options *o, long n, long wanted,
                      double per_second)
{
    struct mqtt_status status = {0};
    struct store_status record;
    int64_t next_us = clock_mono_us(), deadline_us = INT64_MAX;
    do {
        if (n < wanted)
            write_event(s, a, site, o, ++n);
        else if (deadline_us == INT64_MAX)
            deadline_us = next_us + (int64_t)o->wait_seconds * 1000000;
        turn(s, m, n, next_us += (int64_t)(1e6 / per_second));
        mqtt_get_status(m, &status);
        store_get_status(s, &record);
        status.idle = status.idle && record.waiting_records == 0;
    } while ((n < wanted || !status.idle) && next_us < deadline_us);
    for (int i = 0; i < 10 * o->stay_seconds; i++)
        turn(s, m, n, next_us += 100000);
    printf("%s at %ld, %llu acknowledged in %llu connections\n",
           status.idle ? "done" : "not done", n, (unsigned long long)status.acknowledged,
           (unsigned long long)status.connects);
    return status.idle;
}

int main(int argc, char **argv)
{
    struct options o = {.broker = {.host = "127.0.0.1", .up = true, .up_loads = true},
                        .wait_seconds = 60};
    for (int i = 5; i < argc; i++)
        if (!take_option(&o, argv[i]))
            argc = 0;
    if (argc < 5) {
        fprintf(stderr,
                "usage: mqtt_writer DATABASE PORT EVENTS PER_SECOND [OPTION=VALUE]..\n");
        return 2;
    }
    o.broker.port = atoi(argv[2]);
    struct site site;
    fill_site(&site);
    enum store_err err;
    struct store *s =
        store_open(&(struct store_options){.path = argv[1]}, clock_wall_ms(), &err);
    struct store_reader *r = store_reader_open(argv[1]);
    if (!s || !r)
        return 1;
    char why[256] = "memory is short";
    struct mqtt *m = mqtt_start(&(struct mqtt_options){.broker = &o.broker,
                                                       .site_id = site.id,
                                                       .store = s,
                                                       .store_path = argv[1],
                                                       .up_seconds = 0.5,
                                                       .up_health_seconds = 2,
                                                       .retry_first_ms = 100,
                                                       .retry_most_ms = 1000},
                                why, sizeof why);
    struct announce *a = announce_create(s, &site, r);
    if (!m || !a) {
        fprintf(stderr, "%s\n", why);
        return 1;
    }
    long n = events_written(r);
    printf("from %ld\n", n);
    fflush(stdout);
    mqtt_set_health(m, "{\"name\":\"3 Mill Lane\"}");
    mqtt_set_state(m, "cellar-01", "{\"amps\":1.5}");
    bool done = write_all(s, a, m, &site, &o, n, atol(argv[3]), atof(argv[4]));
    announce_destroy(a);
    mqtt_stop(m);
    store_reader_close(r);
    store_close(s);
    site_free(&site);
    return done ? 0 : 1;
}
