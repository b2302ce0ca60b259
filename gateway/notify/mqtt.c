#include "mqtt.h"

#include "line.h"
#include "payload.h"
#include "sender.h"
#include "states.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/pulse.h"
#include "base/queue.h"

#include <mosquitto.h>

#include <errno.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/random.h>
#include <unistd.h>

#define COMMANDS 32 /* waiting for the engine; more are answered "busy" */
#define LETTERS 256 /* answers, and what the disk would not take */
#define GOODBYE_MS 2000
#define ANSWER_SECONDS 300 /* after which nobody waits for an answer any more */
#define OWN_SIZE (sizeof "foretrip//" + SITE_ID_SIZE)
#define TOPIC_SIZE (OWN_SIZE + 64 + EVENT_ID_SIZE)

struct letter {
    struct command_reply to;
    char *payload; /* NULL: a retained topic is cleared */
    bool retain;
    const char *ok; /* of an answer, "true" or "false"; NULL: it is none */
};

struct mqtt {
    struct delivery_broker broker;
    char own[OWN_SIZE]; /* "foretrip/<site>/" */
    char status_topic[TOPIC_SIZE];
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
    struct pulse pulse;

    /* the thread's own */
    struct sender *sender;
    struct line line;
    int commands_mid; /* of the subscription to commands */
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
static void post(struct mqtt *m, const struct letter *letter)
{
    struct letter *l = malloc(sizeof *l);
    if (!l) {
        free(letter->payload);
        return;
    }
    *l = *letter;
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
        post(m, &(struct letter){
                    .to = *to, .payload = payload.bytes, .ok = error ? "false" : "true"});
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
        post(context, &(struct letter){.to = to, .payload = marked.bytes, .retain = retain});
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

void mqtt_set_health(struct mqtt *m, const char *json)
{
    sender_set_health(m->sender, json);
}

void mqtt_send_again(struct mqtt *m, int64_t after, int64_t to)
{
    sender_send_again(m->sender, after, to);
    wake(m);
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
    struct mqtt *m = context;
    if (sender_take_answer(m->sender, mid, reason))
        m->line.progress = true;
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

/* ---- the connection ---- */

static void set_status(struct mqtt *m)
{
    pthread_mutex_lock(&m->lock);
    m->status.connected = m->line.up;
    m->status.protocol = m->line.protocol;
    m->status.connects = m->line.connects;
    m->status.taken_over = m->line.taken_over;
    text_copy(m->status.why, sizeof m->status.why, m->line.why);
    pthread_mutex_unlock(&m->lock);
}

static void on_will(void *context, bool again, struct broker_out *out)
{
    struct mqtt *m = context;
    (void)again;
    *out = (struct broker_out){
        .topic = m->status_topic, .payload = "offline", .length = 7, .qos = 1, .retain = true};
}

static void on_up(void *context, struct broker *b)
{
    struct mqtt *m = context;
    char filter[TOPIC_SIZE];
    set_status(m);
    states_renew(m->states);
    sender_hasten_health(m->sender); /* a line that came back, or was taken over: it is told */
    snprintf(filter, sizeof filter, "%scommand/#", m->own);
    if (broker_subscribe(b, filter, &m->commands_mid) &&
        broker_say(b, m->status_topic, "online", 1, true, NULL) == BROKER_SENT)
        sender_begin(m->sender, b);
}

static void on_down(void *context)
{
    set_status(context);
}

static const struct line_calls calls = {
    .will = on_will,
    .up = on_up,
    .down = on_down,
    .broker = {.acknowledged = on_acknowledged,
               .subscribed = on_subscribed,
               .message = on_message},
};

/* ---- what goes out ---- */

static void send_letter(struct mqtt *m, const struct letter *l)
{
    struct broker_out out = {.topic = l->to.topic,
                             .payload = l->payload,
                             .length = l->payload ? strlen(l->payload) : 0,
                             .qos = 1,
                             .retain = l->retain,
                             .expiry_seconds = l->ok ? ANSWER_SECONDS : 0,
                             .correlation = l->to.correlation,
                             .correlation_length = l->to.correlation_length};
    if (l->ok) {
        out.user[0].name = "ok";
        out.user[0].value = l->ok;
    }
    broker_publish(m->line.broker, &out, NULL);
}

static void feed_letters(struct mqtt *m)
{
    struct letter *l;
    while ((l = queue_pop(m->letters, 0))) {
        send_letter(m, l);
        free_letter(l);
    }
}

static bool send_state(void *context, const char *topic, const char *payload)
{
    struct broker *b = ((struct mqtt *)context)->line.broker;
    return !broker_congested(b) && broker_say(b, topic, payload, 0, true, NULL) != BROKER_LOST;
}

/* events before states: what happened matters more than how it stands */
static void feed(struct mqtt *m)
{
    feed_letters(m);
    sender_feed(m->sender, m->line.broker);
    states_send(m->states, send_state, m);
}

/* ---- the thread ---- */

/* What is on its way is answered and "offline" is written before the goodbye, or time is up. */
static void say_goodbye(struct mqtt *m)
{
    int64_t deadline = clock_mono_ms() + GOODBYE_MS;
    struct broker *b = m->line.broker;
    if (broker_say(b, m->status_topic, "offline", 1, true, NULL) != BROKER_SENT)
        return;
    while (broker_unanswered(b) > 0 && clock_mono_ms() < deadline)
        if (broker_turn(b, m->wake_fd, 50) != BROKER_UP)
            return;
}

static void *run(void *context)
{
    struct mqtt *m = context;
    pulse_begin_thread(&m->pulse);
    while (!atomic_load(&m->stop)) {
        pulse_beat(&m->pulse);
        if (line_turn(&m->line, 500))
            feed(m);
        else if (!m->line.broker)
            set_status(m); /* why it is away may have changed */
    }
    if (m->line.up) {
        feed_letters(m);
        say_goodbye(m);
    }
    line_close(&m->line, true);
    pulse_end(&m->pulse);
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

/* Nobody else has it: who sees two of them in turn under one name sees two gateways. */
static void choose_run(char out[MQTT_RUN_SIZE])
{
    uint64_t r = (uint64_t)clock_wall_ms();
    ssize_t n = getrandom(&r, sizeof r, GRND_NONBLOCK); /* else the time will do */
    (void)n;
    snprintf(out, MQTT_RUN_SIZE, "%016llx", (unsigned long long)r);
}

static void copy_options(struct mqtt *m, const struct mqtt_options *o)
{
    m->broker = *o->broker;
    if (m->broker.keepalive_seconds <= 0)
        m->broker.keepalive_seconds = 30;
    if (m->broker.client_id[0] == '\0')
        snprintf(m->broker.client_id, sizeof m->broker.client_id, "foretrip-%s", o->site_id);
    m->store = o->store;
    choose_run(m->status.run);
    snprintf(m->own, sizeof m->own, "foretrip/%s/", o->site_id);
    snprintf(m->status_topic, sizeof m->status_topic, "%sstatus", m->own);
}

static bool create_parts(struct mqtt *m, const struct mqtt_options *o)
{
    m->wake_fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    m->sender = sender_create(&(struct sender_options){
        .store = o->store,
        .store_path = o->store_path,
        .site_id = o->site_id,
        .up = o->broker->up,
        .up_loads = o->broker->up_loads,
        .up_period_ms = o->up_seconds > 0 ? (int64_t)(o->up_seconds * 1000.0) : 1000,
        .up_health_ms = (int64_t)(o->up_health_seconds * 1000.0),
    });
    m->commands = queue_create(COMMANDS);
    m->letters = queue_create(LETTERS);
    m->states = states_create();
    line_init(&m->line, &(struct line_options){.broker = &m->broker,
                                               .topic = "mqtt",
                                               .calls = &calls,
                                               .context = m,
                                               .wake_fd = m->wake_fd,
                                               .retry_first_ms = o->retry_first_ms,
                                               .retry_most_ms = o->retry_most_ms});
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
    pulse_init(&m->pulse, "mqtt", LINE_PATIENCE_MS);
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

const struct pulse *mqtt_pulse(const struct mqtt *m)
{
    return &m->pulse;
}
