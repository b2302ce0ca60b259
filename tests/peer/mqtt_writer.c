/*
 * mqtt_writer - a gateway without meters: writes events and announces them, as the daemon does.
 *
 *     mqtt_writer DATABASE PORT EVENTS PER_SECOND [PASSWORD_FILE]
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
#include "model/delivery.h"
#include "model/event_json.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void fill_site(struct site *s)
{
    site_init(s);
    strcpy(s->id, "mill-lane-3");
    strcpy(s->timezone, "UTC");
    struct site_panel *p = site_add_panel(s);
    strcpy(p->id, "cellar");
    p->legs = 1;
    p->fed_by = -1;
    struct site_circuit *c = site_add_circuit(s);
    strcpy(c->id, "cellar-01");
    c->panel = 0;
    c->poles = 1;
    strcpy(c->leg, "A");
    c->breaker_amps = 16;
    c->meter = -1;
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

static void write_event(struct store *s, struct announce *a, const struct site *site, long n)
{
    struct event e = {.type = n % 2 ? EVENT_LOAD_ON : EVENT_LOAD_OFF,
                      .wall_ms = clock_wall_ms(),
                      .panel = 0,
                      .circuit = 0};
    e.load.run = n;
    e.load.amps = (double)n; /* the number that the subscriber looks for */
    strcpy(e.load.appliance, "unknown");
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
        if (c.verb == COMMAND_STATUS)
            mqtt_reply(m, &c.reply, NULL, members);
        else if (c.verb == COMMAND_CIRCUITS)
            mqtt_reply(m, &c.reply, NULL, "{\"circuits\":[]}");
        else
            mqtt_reply(m, &c.reply, "there is no such alarm", NULL);
    }
}

int main(int argc, char **argv)
{
    if (argc < 5) {
        fprintf(stderr, "usage: %s DATABASE PORT EVENTS PER_SECOND [PASSWORD_FILE]\n", argv[0]);
        return 2;
    }
    long wanted = atol(argv[3]);
    double per_second = atof(argv[4]);
    struct site site;
    fill_site(&site);
    enum store_err err;
    struct store *s =
        store_open(&(struct store_options){.path = argv[1]}, clock_wall_ms(), &err);
    struct store_reader *r = store_reader_open(argv[1]);
    if (!s || !r || err) {
        fprintf(stderr, "%s: %s\n", argv[1], store_strerror(err));
        return 1;
    }
    struct delivery_broker broker = {.host = "127.0.0.1", .port = atoi(argv[2])};
    if (argc > 5) {
        strcpy(broker.username, "gateway");
        strncpy(broker.password_file, argv[5], sizeof broker.password_file - 1);
    }
    char why[256];
    struct mqtt *m = mqtt_start(&(struct mqtt_options){.broker = &broker,
                                                       .site_id = site.id,
                                                       .store = s,
                                                       .store_path = argv[1],
                                                       .up = true,
                                                       .up_seconds = 0.5,
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
    mqtt_set_state(m, "cellar-01", "{\"amps\":1.5}");
    int64_t next_us = clock_mono_us(), deadline_ms = 0;
    struct mqtt_status status = {0};
    do {
        if (n < wanted) {
            write_event(s, a, &site, ++n);
            if (n == wanted)
                deadline_ms = clock_mono_ms() + 60000;
        }
        answer(m, n);
        if (store_commit(s, clock_mono_ms(), clock_wall_ms()) != STORE_OK)
            fprintf(stderr, "a commit failed\n");
        mqtt_get_status(m, &status);
        next_us += (int64_t)(1e6 / per_second);
        clock_sleep_until_us(next_us);
        if (deadline_ms && clock_mono_ms() > deadline_ms)
            break;
    } while (n < wanted || !status.idle);
    bool done = status.idle;
    printf("%s at %ld, %llu acknowledged in %llu connections\n", done ? "done" : "not done", n,
           (unsigned long long)status.acknowledged, (unsigned long long)status.connects);
    announce_destroy(a);
    mqtt_stop(m);
    store_reader_close(r);
    store_close(s);
    site_free(&site);
    return done ? 0 : 1;
}
