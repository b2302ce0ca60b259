#include "mqtt.h"

#include "broker.h"
#include "payload.h"
#include "sender.h"
#include "states.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/queue.h"

#include <mosquitto.h>

#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/random.h>
#include <unistd.h>

#define COMMANDS 32      /* waiting for the engine; more are answered "busy" */
#define LETTERS 256      /* answers, and what the disk would not take */
#define CONNECT_MS 15000 /* from the first byte to the broker's greeting */
#define STEADY_MS 10000  /* a connection that holds so long was a good one, */
#define GOODBYE_MS 2000
#define ANSWER_SECONDS 300 /* after which nobody waits for an answer any more */
#define OWN_SIZE (sizeof "foretrip//" + SITE_ID_SIZE)
#define TOPIC_SIZE (OWN_SIZE + 64 + EVENT_ID_SIZE)

struct letter {
    struct command_reply to;
    char *payload;
    bool retain;
};

struct mqtt {
    struct delivery_broker broker;
    char own[OWN_SIZE]; /* "foretrip/<site>/" */
    int retry_first_ms, retry_most_ms;
    struct store *store;
    pthread_t thread;
    int wake_fd;
    atomic_bool stop;

    /* between the threads */
    struct queue *commands;
    struct queue *letters;
    struct states *states;
    pthread_mutex_t lock; /* guards status */
    struct mqtt_status status;

    /* the thread's own */
    struct sender *sender;
    struct broker *line;
    int commands_mid; /* of the subscription to commands */
    bool greeted;     /* by the broker, since this connection began */
    int protocol;
    int64_t began_mono_ms;
    uint64_t began_acknowledged; /* or one over which something was acknowledged */
    int64_t retry_mono_ms;
    int retry_ms;
    char said[BROKER_WHY_SIZE]; /* the last reason logged */
};

/* ---- what other threads call ---- */

static void wake(struct mqtt *m)
{
    uint64_t one = 1;
    ssize_t n = write(m->wake_fd, &one, sizeof one); /* fails only when it is awake anyway */
    (void)n;
}

static void on_commit(void *context)
{
    wake(context);
}

bool mqtt_take_command(struct mqtt *m, struct command *out)
{
    struct command *c = queue_pop(m->commands, 0);
    if (c)
        *out = *c;
    free(c);
    return c != NULL;
}

static void free_letter(struct letter *l)
{
    if (l)
        free(l->payload);
    free(l);
}

/* takes the payload */
static void post(struct mqtt *m, const struct command_reply *to, bool retain, char *payload)
{
    struct letter *l = malloc(sizeof *l);
    if (!l) {
        free(payload);
        return;
    }
    *l = (struct letter){.to = *to, .payload = payload, .retain = retain};
    if (!queue_push(m->letters, l))
        free_letter(l);
    wake(m);
}

void mqtt_reply(struct mqtt *m, const struct command_reply *to, const char *error,
                const char *members)
{
    struct text payload = TEXT_INIT;
    if (to->topic[0] == '\0')
        return;
    payload_answer(&payload, to->id, error, members);
    if (payload.failed)
        text_free(&payload);
    else
        post(m, to, false, payload.bytes);
}

static void post_unwritten(void *context, const char *topic, const char *payload, bool retain)
{
    struct command_reply to = {0};
    struct text marked = TEXT_INIT;
    text_copy(to.topic, sizeof to.topic, topic);
    if (payload)
        text_printf(&marked, "{\"stored\":false,%s", payload + 1);
    if (marked.failed)
        text_free(&marked);
    else
        post(context, &to, retain, marked.bytes);
}

void mqtt_tell_unwritten(struct mqtt *m, int64_t mono_ms)
{
    store_take_unwritten(m->store, STORE_ROUTE_MQTT, mono_ms, post_unwritten, m);
}

void mqtt_set_state(struct mqtt *m, const char *circuit_id, const char *json)
{
    char topic[TOPIC_SIZE];
    snprintf(topic, sizeof topic, "%scircuit/%s/state", m->own, circuit_id);
    states_set(m->states, topic, json);
}

void mqtt_get_status(struct mqtt *m, struct mqtt_status *out)
{
    pthread_mutex_lock(&m->lock);
    *out = m->status;
    pthread_mutex_unlock(&m->lock);
    struct sender_counts counts;
    sender_get_counts(m->sender, &counts);
    out->acknowledged = counts.acknowledged;
    out->refused = counts.refused;
    out->expired = counts.expired;
    out->idle = sender_idle(m->sender);
}

/* ---- what the broker says ---- */

static void on_acknowledged(void *context, int mid, int reason)
{
    sender_take_answer(((struct mqtt *)context)->sender, mid, reason);
}

static void on_subscribed(void *context, int mid, bool granted)
{
    struct mqtt *m = context;
    if (!granted)
        log_warning("mqtt", "the broker refuses a subscription below %s: %s", m->own,
                    mid == m->commands_mid ? "no commands can come"
                                           : "old retained ones may stay");
    sender_take_subscribed(m->sender, mid, granted);
}

static void refuse(struct mqtt *m, const struct command *c, const char *why)
{
    log_warning("mqtt", "a command is refused: %s", why);
    pthread_mutex_lock(&m->lock);
    m->status.commands_refused++;
    pthread_mutex_unlock(&m->lock);
    mqtt_reply(m, &c->reply, why, NULL);
}

static void take_command(struct mqtt *m, const char *verb, const struct broker_message *message)
{
    char why[COMMAND_WHY_SIZE];
    if (message->retain) { /* would be carried out again at every connect */
        log_warning("mqtt", "a retained command is passed over");
        return;
    }
    struct command *c = malloc(sizeof *c);
    if (!c)
        return;
    bool good =
        command_parse(m->own, verb, message->payload, message->length, message->response_topic,
                      message->correlation, message->correlation_length, c, why);
    if (good && queue_push(m->commands, c))
        return;
    refuse(m, c, good ? "busy: too many commands at once, try again" : why);
    free(c);
}

static void on_message(void *context, const struct broker_message *message)
{
    struct mqtt *m = context;
    size_t n = strlen(m->own);
    if (strncmp(message->topic, m->own, n) != 0)
        return;
    const char *rest = message->topic + n;
    if (strncmp(rest, "command/", 8) == 0)
        take_command(m, rest + 8, message);
    else if (message->retain && message->length > 0)
        sender_take_retained(m->sender, message->topic);
}

static const struct broker_calls broker_calls = {
    .acknowledged = on_acknowledged,
    .subscribed = on_subscribed,
    .message = on_message,
};

/* ---- the connection ---- */

static int jittered(int ms)
{
    uint16_t r = 0;
    if (getrandom(&r, sizeof r, GRND_NONBLOCK) != (ssize_t)sizeof r)
        return ms;
    return ms * 3 / 4 + (int)((int64_t)ms * r / 131072); /* 75 to 125 % */
}

static void set_status(struct mqtt *m, bool connected, const char *why)
{
    pthread_mutex_lock(&m->lock);
    m->status.connected = connected;
    m->status.protocol = m->protocol;
    m->status.connects += connected;
    text_copy(m->status.why, sizeof m->status.why, why);
    pthread_mutex_unlock(&m->lock);
}

static uint64_t acknowledged(struct mqtt *m)
{
    struct sender_counts counts;
    sender_get_counts(m->sender, &counts);
    return counts.acknowledged;
}

static void hang_up(struct mqtt *m, const char *why, bool other_version)
{
    bool held = m->greeted && (clock_mono_ms() - m->began_mono_ms >= STEADY_MS ||
                               acknowledged(m) > m->began_acknowledged);
    broker_close(m->line, false);
    m->line = NULL;
    m->greeted = false;
    if (other_version)
        m->protocol = m->protocol == 5 ? 4 : 5;
    m->retry_ms = held ? m->retry_first_ms : m->retry_ms * 2;
    if (m->retry_ms > m->retry_most_ms)
        m->retry_ms = m->retry_most_ms;
    m->retry_mono_ms = clock_mono_ms() + jittered(m->retry_ms);
    if (held || strcmp(m->said, why) != 0)
        log_warning("mqtt", "%s; messages wait in the outbox", why);
    text_copy(m->said, sizeof m->said, why);
    set_status(m, false, why);
}

static void dial(struct mqtt *m)
{
    char will_topic[TOPIC_SIZE], why[BROKER_WHY_SIZE];
    snprintf(will_topic, sizeof will_topic, "%sstatus", m->own);
    m->line = broker_open(&(struct broker_options){.broker = &m->broker,
                                                   .will_topic = will_topic,
                                                   .will = "offline",
                                                   .protocol = m->protocol,
                                                   .calls = &broker_calls,
                                                   .context = m},
                          why);
    m->began_mono_ms = clock_mono_ms();
    m->began_acknowledged = acknowledged(m);
    if (!m->line)
        hang_up(m, why, false);
}

static bool say_status(struct mqtt *m, const char *word)
{
    char topic[TOPIC_SIZE];
    snprintf(topic, sizeof topic, "%sstatus", m->own);
    return broker_publish(m->line, topic, word, 1, true, NULL, 0, NULL) == BROKER_SENT;
}

static void greet(struct mqtt *m)
{
    char filter[TOPIC_SIZE];
    m->greeted = true;
    log_info("mqtt", "connected to %s:%d with MQTT %s", m->broker.host, m->broker.port,
             m->protocol == 5 ? "5" : "3.1.1");
    set_status(m, true, "");
    states_renew(m->states);
    snprintf(filter, sizeof filter, "%scommand/#", m->own);
    if (broker_subscribe(m->line, filter, &m->commands_mid) && say_status(m, "online"))
        sender_begin(m->sender, m->line);
}

/* ---- what goes out ---- */

static void feed_letters(struct mqtt *m)
{
    struct letter *l;
    while ((l = queue_pop(m->letters, 0))) {
        broker_publish(m->line, l->to.topic, l->payload, 1, l->retain, &l->to,
                       l->retain ? 0 : ANSWER_SECONDS, NULL);
        free_letter(l);
    }
}

static bool send_state(void *context, const char *topic, const char *payload)
{
    struct mqtt *m = context;
    return !broker_congested(m->line) &&
           broker_publish(m->line, topic, payload, 0, true, NULL, 0, NULL) != BROKER_LOST;
}

/* events before states: what happened matters more than how it stands */
static void feed(struct mqtt *m)
{
    feed_letters(m);
    sender_feed(m->sender, m->line);
    states_send(m->states, send_state, m);
}

/* ---- the thread ---- */

static void drain_wake(struct mqtt *m)
{
    uint64_t n;
    ssize_t got = read(m->wake_fd, &n, sizeof n); /* non-blocking; nothing there is fine */
    (void)got;
}

static void wait_to_retry(struct mqtt *m)
{
    int64_t ms = m->retry_mono_ms - clock_mono_ms();
    struct pollfd p = {.fd = m->wake_fd, .events = POLLIN};
    if (ms > 0)
        poll(&p, 1, ms < 1000 ? (int)ms : 1000);
    drain_wake(m);
}

static void turn(struct mqtt *m)
{
    char why[BROKER_WHY_SIZE];
    enum broker_state state = broker_turn(m->line, m->wake_fd, 500);
    drain_wake(m);
    if (state == BROKER_UP && !m->greeted)
        greet(m);
    if (state == BROKER_UP)
        feed(m);
    if (state == BROKER_CONNECTING && clock_mono_ms() - m->began_mono_ms > CONNECT_MS) {
        snprintf(why, sizeof why, "%s:%d: no answer within %d s", m->broker.host,
                 m->broker.port, CONNECT_MS / 1000);
        hang_up(m, why, false);
    } else if (state == BROKER_ENDED || state == BROKER_REFUSED_VERSION) {
        text_copy(why, sizeof why, broker_why(m->line));
        hang_up(m, why, state == BROKER_REFUSED_VERSION);
    }
}

/* What is on its way is answered and "offline" is written before the goodbye, or time is up. */
static void say_goodbye(struct mqtt *m)
{
    int64_t deadline = clock_mono_ms() + GOODBYE_MS;
    if (!m->greeted || !say_status(m, "offline"))
        return;
    while ((sender_waiting(m->sender) > 0 || broker_congested(m->line)) &&
           clock_mono_ms() < deadline)
        if (broker_turn(m->line, m->wake_fd, 50) != BROKER_UP)
            return;
}

static void *run(void *context)
{
    struct mqtt *m = context;
    while (!atomic_load(&m->stop)) {
        if (!m->line && clock_mono_ms() >= m->retry_mono_ms)
            dial(m);
        if (m->line)
            turn(m);
        else
            wait_to_retry(m);
    }
    if (m->line) {
        feed_letters(m);
        say_goodbye(m);
    }
    broker_close(m->line, true);
    m->line = NULL;
    return NULL;
}

/* ---- start and stop ---- */

static void destroy(struct mqtt *m)
{
    struct letter *l;
    struct command *c;
    while (m->letters && (l = queue_pop(m->letters, 0)))
        free_letter(l);
    while (m->commands && (c = queue_pop(m->commands, 0)))
        free(c);
    queue_destroy(m->letters);
    queue_destroy(m->commands);
    states_destroy(m->states);
    sender_destroy(m->sender);
    if (m->wake_fd >= 0)
        close(m->wake_fd);
    pthread_mutex_destroy(&m->lock);
    free(m);
    mosquitto_lib_cleanup();
}

static void copy_options(struct mqtt *m, const struct mqtt_options *o)
{
    m->broker = *o->broker;
    if (m->broker.keepalive_seconds <= 0)
        m->broker.keepalive_seconds = 30;
    if (m->broker.client_id[0] == '\0')
        snprintf(m->broker.client_id, sizeof m->broker.client_id, "foretrip-%s", o->site_id);
    m->store = o->store;
    m->retry_first_ms = o->retry_first_ms > 0 ? o->retry_first_ms : 500;
    m->retry_most_ms = o->retry_most_ms > 0 ? o->retry_most_ms : 30000;
    m->retry_ms = m->retry_first_ms / 2; /* doubled before it is first waited */
    m->protocol = 5;
    snprintf(m->own, sizeof m->own, "foretrip/%s/", o->site_id);
}

static bool create_parts(struct mqtt *m, const struct mqtt_options *o)
{
    m->wake_fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    m->sender = sender_create(&(struct sender_options){
        .store = o->store,
        .store_path = o->store_path,
        .site_id = o->site_id,
        .up = o->broker->up,
        .up_period_ms = o->up_seconds > 0 ? (int64_t)(o->up_seconds * 1000.0) : 10000,
    });
    m->commands = queue_create(COMMANDS);
    m->letters = queue_create(LETTERS);
    m->states = states_create();
    return m->wake_fd >= 0 && m->sender && m->commands && m->letters && m->states;
}

struct mqtt *mqtt_start(const struct mqtt_options *o, char *why, size_t why_size)
{
    struct mqtt *m = calloc(1, sizeof *m);
    if (!m) {
        snprintf(why, why_size, "memory is short");
        return NULL;
    }
    mosquitto_lib_init();
    pthread_mutex_init(&m->lock, NULL);
    copy_options(m, o);
    int rc = create_parts(m, o) ? 0 : ENOMEM;
    if (rc == 0) {
        store_set_watch(m->store, on_commit, m);
        rc = pthread_create(&m->thread, NULL, run, m);
    }
    if (rc != 0) {
        snprintf(why, why_size, "the line to the broker cannot start: %s", strerror(rc));
        store_set_watch(m->store, NULL, NULL);
        destroy(m);
        return NULL;
    }
    return m;
}

void mqtt_stop(struct mqtt *m)
{
    if (!m)
        return;
    store_set_watch(m->store, NULL, NULL);
    atomic_store(&m->stop, true);
    wake(m);
    pthread_join(m->thread, NULL);
    destroy(m);
}
