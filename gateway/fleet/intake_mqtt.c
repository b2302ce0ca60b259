/* MQTT: a shared subscription, so that each message comes to one collector of the group. */
#include "intake.h"

#include "base/log.h"
#include "base/text.h"
#include "notify/line.h"

#include <mosquitto.h>

#include <stdio.h>
#include <stdlib.h>
#include <sys/eventfd.h>
#include <unistd.h>

struct mqtt_intake {
    struct intake base;
    struct delivery_broker broker;
    struct line line;
    char presence[DELIVERY_NAME_SIZE + 16]; /* topic */
    int wake_fd;                            /* line.h wants one; nobody wakes us */
    int subscriptions[2];
    uint64_t tag;
    size_t node; /* the next one of the cluster to try */
};

static void on_acknowledged(void *context, int mid, int reason)
{
    struct mqtt_intake *m = context;
    (void)mid;
    m->line.progress = m->line.progress || reason < 128;
}

static void on_subscribed(void *context, int mid, bool granted)
{
    const struct mqtt_intake *m = context;
    if (!granted)
        log_error("fleet", "the broker refuses the subscription to the sites' %s",
                  mid == m->subscriptions[0] ? "streams" : "states");
}

static void on_message(void *context, const struct broker_message *message)
{
    struct mqtt_intake *m = context;
    intake_hand_on(&m->base, message->topic, '/', message->payload, message->length, ++m->tag);
}

/* before each connection: the next node's turn */
static void on_will(void *context, bool again, struct broker_out *out)
{
    struct mqtt_intake *m = context;
    struct fleet_node nodes[FLEET_MOST_NODES];
    const struct fleet_node *at =
        &nodes[m->node % fleet_list_nodes(m->base.options.settings, nodes)];
    (void)again;
    m->node++;
    text_copy(m->broker.host, sizeof m->broker.host, at->host);
    m->broker.port = at->port;
    *out = (struct broker_out){
        .topic = m->presence, .payload = "offline", .length = 7, .qos = 1, .retain = true};
}

static void on_up(void *context, struct broker *b)
{
    static const char *const words[] = {"up", "status"};
    struct mqtt_intake *m = context;
    char filter[sizeof "$share//foretrip/+/status" + SITE_ID_SIZE];
    for (int i = 0; i < 2; i++) {
        snprintf(filter, sizeof filter, "$share/%s/foretrip/+/%s",
                 m->base.options.settings->group, words[i]);
        if (!broker_subscribe(b, filter, &m->subscriptions[i]))
            return;
    }
    broker_say(b, m->presence, "online", 1, true, NULL);
}

static const struct line_calls calls = {
    .will = on_will,
    .up = on_up,
    .broker = {.acknowledged = on_acknowledged,
               .subscribed = on_subscribed,
               .message = on_message},
};

static void close_it(struct intake *i)
{
    struct mqtt_intake *m = (struct mqtt_intake *)i;
    if (m->line.up)
        broker_say(m->line.broker, m->presence, "offline", 1, true, NULL);
    line_close(&m->line, true);
    if (m->wake_fd >= 0)
        close(m->wake_fd);
    free(m);
    mosquitto_lib_cleanup();
}

static bool turn(struct intake *i, int timeout_ms)
{
    return line_turn(&((struct mqtt_intake *)i)->line, timeout_ms);
}

static void taken(struct intake *i, uint64_t tag)
{
    (void)i; /* the library has answered for it */
    (void)tag;
}

static void leave(struct intake *i)
{
    struct mqtt_intake *m = (struct mqtt_intake *)i;
    if (m->line.broker)
        line_leave(&m->line);
}

static bool ask(struct intake *i, const char *site, const char *verb, const char *json)
{
    struct mqtt_intake *m = (struct mqtt_intake *)i;
    char topic[sizeof "foretrip//command/" + SITE_ID_SIZE + 32];
    snprintf(topic, sizeof topic, "foretrip/%s/command/%s", site, verb);
    return m->line.up && broker_say(m->line.broker, topic, json, 1, false, NULL) == BROKER_SENT;
}

static const struct intake_ways ways = {
    .close = close_it, .turn = turn, .taken = taken, .leave = leave, .ask = ask};

struct intake *intake_mqtt_open(const struct intake_options *o, char why[INTAKE_WHY_SIZE])
{
    struct mqtt_intake *m = calloc(1, sizeof *m);
    if (!m) {
        snprintf(why, INTAKE_WHY_SIZE, "memory is short");
        return NULL;
    }
    mosquitto_lib_init();
    m->base = (struct intake){.ways = &ways, .options = *o};
    m->broker = o->settings->broker;
    snprintf(m->presence, sizeof m->presence, "foretrip-fleet/%s", m->broker.client_id);
    m->wake_fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    line_init(&m->line, &(struct line_options){.broker = &m->broker,
                                               .topic = "fleet",
                                               .calls = &calls,
                                               .context = m,
                                               .wake_fd = m->wake_fd,
                                               .retry_first_ms = o->retry_first_ms,
                                               .retry_most_ms = o->retry_most_ms});
    if (m->wake_fd >= 0)
        return &m->base;
    snprintf(why, INTAKE_WHY_SIZE, "no file handle is left");
    close_it(&m->base);
    return NULL;
}
