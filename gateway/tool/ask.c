#include "ask.h"

#include "base/clock.h"
#include "notify/broker.h"

#include <mosquitto.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define ANSWER_MS 10000
#define GOODBYE_MS 200

struct asking {
    char *payload;
    char topic[256], reply[256];
    int subscription;
    bool asked, answered, ok;
    bool refused; /* the subscription or the command, by the broker */
    struct text error;
};

static void on_acknowledged(void *context, int mid, int reason)
{
    struct asking *q = context;
    (void)mid;
    q->refused |= reason >= 128;
}

static void on_subscribed(void *context, int mid, bool granted)
{
    struct asking *q = context;
    if (mid == q->subscription)
        q->refused |= !granted;
}

static void on_message(void *context, const struct broker_message *m)
{
    struct asking *q = context;
    if (strcmp(m->topic, q->reply) != 0)
        return;
    json_t *o = json_loadb(m->payload, m->length, 0, NULL);
    const char *error = json_string_value(json_object_get(o, "error"));
    q->answered = o != NULL;
    q->ok = json_is_true(json_object_get(o, "ok"));
    text_append(&q->error, error ? error : "");
    json_decref(o);
}

static const struct broker_calls calls = {on_acknowledged, on_subscribed, on_message};

static bool publish(struct asking *q, struct broker *line)
{
    const struct broker_out out = {.topic = q->topic,
                                   .payload = q->payload,
                                   .length = strlen(q->payload),
                                   .qos = 1,
                                   .expiry_seconds = 60};
    return broker_subscribe(line, q->reply, &q->subscription) &&
           broker_publish(line, &out, NULL) == BROKER_SENT;
}

/* with one version of MQTT; BROKER_REFUSED_VERSION: the other may do */
static enum broker_state talk(struct asking *q, const struct delivery_broker *b, int protocol,
                              char why[BROKER_WHY_SIZE])
{
    const struct broker_options o = {
        .broker = b, .protocol = protocol, .calls = &calls, .context = q};
    struct broker *line = broker_open(&o, why);
    if (!line)
        return BROKER_ENDED;
    int64_t end = clock_mono_ms() + ANSWER_MS;
    enum broker_state state = BROKER_CONNECTING;
    while (!q->answered && !q->refused && clock_mono_ms() < end &&
           (state == BROKER_CONNECTING || state == BROKER_UP)) {
        state = broker_turn(line, -1, 100);
        if (state == BROKER_UP && !q->asked)
            q->asked = publish(q, line);
    }
    snprintf(why, BROKER_WHY_SIZE, "%.500s", broker_why(line));
    broker_close(line, true);
    return state;
}

static enum exit_code say(const struct ask *a, const struct asking *q, const char *why)
{
    if (q->answered && q->ok)
        return EXIT_GOOD;
    if (q->answered)
        fprintf(stderr, "foretrip %s: %s\n", a->verb, text_get(&q->error));
    else if (q->refused)
        fprintf(stderr, "foretrip %s: the broker does not allow it (%s)\n", a->verb, q->topic);
    else if (why[0])
        fprintf(stderr, "foretrip %s: %s\n", a->verb, why);
    else
        fprintf(stderr, "foretrip %s: the gateway does not answer\n", a->verb);
    return EXIT_BAD;
}

enum exit_code ask_gateway(const struct ask *a, const struct config *c, json_t *members)
{
    struct delivery_broker b = c->delivery.broker;
    struct asking q = {.error = TEXT_INIT};
    char why[BROKER_WHY_SIZE] = "";
    if (b.host[0] == '\0') {
        fprintf(stderr,
                "foretrip %s: delivery.cfg names no broker, over which the gateway could "
                "be asked\n",
                a->verb);
        json_decref(members);
        return EXIT_BAD;
    }
    /* not the gateway's own name: two of one name throw each other out */
    snprintf(b.client_id, sizeof b.client_id, "foretrip-tool-%ld", (long)getpid());
    snprintf(q.reply, sizeof q.reply, "foretrip/%s/reply/%s", c->site.id, b.client_id);
    snprintf(q.topic, sizeof q.topic, "foretrip/%s/command/%s%s%s", c->site.id, a->verb,
             a->person ? "/" : "", a->person ? a->person : "");
    json_object_set_new(members, "reply_to", json_string(q.reply));
    q.payload = json_dumps(members, JSON_COMPACT);
    json_decref(members);
    mosquitto_lib_init();
    if (q.payload && talk(&q, &b, 5, why) == BROKER_REFUSED_VERSION)
        talk(&q, &b, 4, why);
    mosquitto_lib_cleanup();
    free(q.payload);
    enum exit_code code = say(a, &q, why);
    text_free(&q.error);
    return code;
}
