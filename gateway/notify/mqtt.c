#include "mqtt.h"

#include "broker.h"
#include "payload.h"
#include "standing.h"
#include "store/reader.h"
#include "window.h"

#include "base/clock.h"
#include "base/log.h"

#include <mosquitto.h>

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/random.h>
#include <unistd.h>

#define COMMANDS 32 /* waiting for the engine; more are answered "busy" */
#define REPLIES 64
#define CONNECT_MS 15000 /* from the first byte to the broker's greeting */
#define RETAINED_MS 2000 /* all retained messages have come this long after the SUBACK */
#define UP_RECORDS 500   /* of a batch */
#define UP_BYTES (256 * 1024)
#define OWN_SIZE (sizeof "foretrip//" + SITE_ID_SIZE)
#define TOPIC_SIZE (OWN_SIZE + 64 + EVENT_ID_SIZE)

_Static_assert(MQTT_WINDOW == WINDOW_SLOTS, "one window");

struct reply {
    struct command_reply to;
    char *payload;
};

struct state {
    char topic[TOPIC_SIZE];
    char *payload;
    bool dirty;
};

struct mqtt {
    struct delivery_broker broker;
    struct mqtt_options options; /* pointers of the caller cleared */
    char own[OWN_SIZE];          /* "foretrip/<site>/" */
    char site_id[SITE_ID_SIZE];
    char client_id[DELIVERY_NAME_SIZE];
    struct store *store;
    struct store_reader *reader;
    pthread_t thread;
    int wake_fd;
    atomic_bool stop;

    pthread_mutex_t lock; /* guards from here to up_told */
    struct command commands[COMMANDS];
    size_t command_first, command_count;
    struct reply replies[REPLIES];
    size_t reply_first, reply_count;
    struct state *states;
    size_t state_count, state_hint;
    struct mqtt_status status;
    int64_t settled, up_told;

    /* the thread's own */
    struct broker *line;
    bool up; /* greeted by the broker */
    int protocol;
    int64_t began_mono_ms;
    int64_t retry_mono_ms;
    int retry_ms;
    char said[BROKER_WHY_SIZE]; /* the last reason logged */
    struct window window;
    bool storing_said; /* that the outbox cannot be read */
    struct standing standing;
    int subscription[2];
    int subscribed;
    int64_t compare_mono_ms; /* 0: done or not due yet */
    int64_t up_settled, up_sent;
    int up_mid;
    int64_t up_mono_ms;
    bool up_known;
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
    pthread_mutex_lock(&m->lock);
    bool there = m->command_count > 0;
    if (there) {
        *out = m->commands[m->command_first];
        m->command_first = (m->command_first + 1) % COMMANDS;
        m->command_count--;
    }
    pthread_mutex_unlock(&m->lock);
    return there;
}

void mqtt_reply(struct mqtt *m, const struct command_reply *to, const char *error,
                const char *members)
{
    struct text payload = TEXT_INIT;
    if (to->topic[0] == '\0')
        return;
    payload_answer(&payload, to->id, error, members);
    pthread_mutex_lock(&m->lock);
    if (!payload.failed && m->reply_count < REPLIES) {
        struct reply *r = &m->replies[(m->reply_first + m->reply_count++) % REPLIES];
        r->to = *to;
        r->payload = payload.bytes;
        payload = (struct text)TEXT_INIT;
    }
    pthread_mutex_unlock(&m->lock);
    text_free(&payload);
    wake(m);
}

/* the slot of a topic; states come in the same order each time, so it is nearly always the next
 */
static struct state *find_state(struct mqtt *m, const char *topic)
{
    for (size_t i = 0; i < m->state_count; i++) {
        size_t at = (m->state_hint + i) % m->state_count;
        if (strcmp(m->states[at].topic, topic) != 0)
            continue;
        m->state_hint = at + 1;
        return &m->states[at];
    }
    struct state *grown = realloc(m->states, (m->state_count + 1) * sizeof *grown);
    if (!grown)
        return NULL;
    m->states = grown;
    struct state *s = &m->states[m->state_count++];
    *s = (struct state){0};
    text_copy(s->topic, sizeof s->topic, topic);
    return s;
}

void mqtt_set_state(struct mqtt *m, const char *circuit_id, const char *json)
{
    char topic[TOPIC_SIZE];
    snprintf(topic, sizeof topic, "%scircuit/%s/state", m->own, circuit_id);
    pthread_mutex_lock(&m->lock);
    struct state *s = find_state(m, topic);
    if (s && (!s->payload || strcmp(s->payload, json) != 0)) {
        char *copy = strdup(json);
        if (copy) {
            free(s->payload);
            s->payload = copy;
            s->dirty = true;
        }
    }
    pthread_mutex_unlock(&m->lock);
}

void mqtt_get_status(struct mqtt *m, struct mqtt_status *out)
{
    pthread_mutex_lock(&m->lock);
    *out = m->status;
    out->idle = m->settled >= store_newest(m->store, STORE_ROUTE_MQTT) &&
                (!m->options.up || m->up_told >= store_newest(m->store, STORE_ROUTE_UP));
    pthread_mutex_unlock(&m->lock);
}

/* ---- what the broker says, in this thread ---- */

static void settle(struct mqtt *m)
{
    store_settle(m->store, STORE_ROUTE_MQTT, m->window.settled);
    pthread_mutex_lock(&m->lock);
    m->settled = m->window.settled;
    pthread_mutex_unlock(&m->lock);
}

static void settle_up(struct mqtt *m, int64_t seq)
{
    m->up_settled = seq;
    store_settle(m->store, STORE_ROUTE_UP, seq);
    pthread_mutex_lock(&m->lock);
    m->up_told = seq;
    pthread_mutex_unlock(&m->lock);
}

static void on_acknowledged(void *context, int mid, int reason)
{
    struct mqtt *m = context;
    if (mid == m->up_mid) {
        m->up_mid = 0;
        if (reason < 128) {
            settle_up(m, m->up_sent);
        } else {
            m->up_mono_ms = clock_mono_ms(); /* the same batch again, a period later */
            log_warning("mqtt", "the broker refuses a batch on %sup: %s", m->own,
                        mosquitto_reason_string(reason));
        }
        return;
    }
    if (!window_answer(&m->window, mid))
        return;
    settle(m);
    pthread_mutex_lock(&m->lock);
    bool first = m->status.refused == 0;
    if (reason < 128)
        m->status.acknowledged++;
    else
        m->status.refused++;
    pthread_mutex_unlock(&m->lock);
    if (reason >= 128 && first)
        log_warning(
            "mqtt",
            "the broker refuses a message for good (%s); it is skipped, as others will be",
            mosquitto_reason_string(reason));
}

static void on_subscribed(void *context, int mid)
{
    struct mqtt *m = context;
    for (int i = 0; i < 2; i++)
        if (m->subscription[i] == mid && ++m->subscribed == 2)
            m->compare_mono_ms = clock_mono_ms() + RETAINED_MS;
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
    struct command c;
    char why[COMMAND_WHY_SIZE];
    if (message->retain) { /* would be carried out again at every connect */
        log_warning("mqtt", "a retained command is passed over");
        return;
    }
    if (!command_parse(m->own, verb, message->payload, message->length, message->response_topic,
                       message->correlation, message->correlation_length, &c, why)) {
        refuse(m, &c, why);
        return;
    }
    pthread_mutex_lock(&m->lock);
    bool room = m->command_count < COMMANDS;
    if (room)
        m->commands[(m->command_first + m->command_count++) % COMMANDS] = c;
    pthread_mutex_unlock(&m->lock);
    if (!room)
        refuse(m, &c, "busy: too many commands at once, try again");
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
        standing_note(&m->standing, message->topic);
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
    return ms * 3 / 4 + (int)((int64_t)ms * r / (2 * 65536)); /* 75 to 125 % */
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

static void hang_up(struct mqtt *m, const char *why, bool other_version)
{
    bool was_up = m->up;
    broker_close(m->line, false);
    m->line = NULL;
    m->up = false;
    standing_free(&m->standing);
    if (other_version)
        m->protocol = m->protocol == 5 ? 4 : 5;
    m->retry_ms = was_up ? m->options.retry_first_ms : m->retry_ms * 2;
    if (m->retry_ms > m->options.retry_most_ms)
        m->retry_ms = m->options.retry_most_ms;
    m->retry_mono_ms = clock_mono_ms() + jittered(m->retry_ms);
    if (was_up || strcmp(m->said, why) != 0)
        log_warning("mqtt", "%s; messages wait in the outbox", why);
    text_copy(m->said, sizeof m->said, why);
    set_status(m, false, why);
}

static void dial(struct mqtt *m)
{
    char will_topic[TOPIC_SIZE], why[BROKER_WHY_SIZE];
    snprintf(will_topic, sizeof will_topic, "%sstatus", m->own);
    m->line = broker_open(&(struct broker_options){.broker = &m->broker,
                                                   .client_id = m->client_id,
                                                   .will_topic = will_topic,
                                                   .will = "offline",
                                                   .protocol = m->protocol,
                                                   .calls = &broker_calls,
                                                   .context = m},
                          why);
    m->began_mono_ms = clock_mono_ms();
    if (!m->line)
        hang_up(m, why, false);
}

static void greet(struct mqtt *m)
{
    char topic[TOPIC_SIZE];
    int unused;
    m->up = true;
    m->retry_ms = m->options.retry_first_ms;
    log_info("mqtt", "connected to %s:%d with MQTT %s", m->broker.host, m->broker.port,
             m->protocol == 5 ? "5" : "3.1.1");
    m->said[0] = '\0';
    set_status(m, true, "");
    window_reset(&m->window, m->window.settled);
    m->up_mid = 0;
    m->subscribed = 0;
    m->compare_mono_ms = 0;
    snprintf(topic, sizeof topic, "%scommand/+", m->own);
    if (!broker_subscribe(m->line, topic, &unused))
        return;
    snprintf(topic, sizeof topic, "%salarm/+", m->own);
    if (!broker_subscribe(m->line, topic, &m->subscription[0]))
        return;
    snprintf(topic, sizeof topic, "%strip/+", m->own);
    if (!broker_subscribe(m->line, topic, &m->subscription[1]))
        return;
    snprintf(topic, sizeof topic, "%sstatus", m->own);
    broker_publish(m->line, topic, "online", 1, true, NULL, NULL);
    pthread_mutex_lock(&m->lock);
    for (size_t i = 0; i < m->state_count; i++)
        m->states[i].dirty = true;
    pthread_mutex_unlock(&m->lock);
}

/* ---- what goes out ---- */

static void feed_replies(struct mqtt *m)
{
    for (;;) {
        pthread_mutex_lock(&m->lock);
        struct reply r = {.payload = NULL};
        if (m->reply_count > 0) {
            r = m->replies[m->reply_first];
            m->reply_first = (m->reply_first + 1) % REPLIES;
            m->reply_count--;
        }
        pthread_mutex_unlock(&m->lock);
        if (!r.payload)
            return;
        broker_publish(m->line, r.to.topic, r.payload, 1, false, &r.to, NULL);
        free(r.payload);
    }
}

static void feed_states(struct mqtt *m)
{
    pthread_mutex_lock(&m->lock); /* publishing only fills the socket: it does not wait */
    for (size_t i = 0; i < m->state_count && !broker_congested(m->line); i++) {
        struct state *s = &m->states[i];
        if (s->dirty &&
            broker_publish(m->line, s->topic, s->payload, 0, true, NULL, NULL) != BROKER_LOST)
            s->dirty = false;
    }
    pthread_mutex_unlock(&m->lock);
}

static void count_skipped(struct mqtt *m, bool expired, const char *topic)
{
    pthread_mutex_lock(&m->lock);
    uint64_t *counter = expired ? &m->status.expired : &m->status.refused;
    bool first = ++*counter == 1;
    pthread_mutex_unlock(&m->lock);
    if (first)
        log_warning("mqtt", "a message for %s %s; it is skipped, as others will be", topic,
                    expired ? "is past its time" : "cannot be sent at all");
}

static bool send_row(void *context, const struct store_row *row)
{
    struct mqtt *m = context;
    int mid = 0;
    bool expired = row->expires_wall_ms > 0 && row->expires_wall_ms <= clock_wall_ms();
    enum broker_publish sent =
        expired ? BROKER_HOPELESS
                : broker_publish(m->line, row->topic, row->payload, row->qos > 0 ? row->qos : 1,
                                 row->retain, NULL, &mid);
    if (sent == BROKER_LOST)
        return false;
    if (sent == BROKER_HOPELESS) {
        count_skipped(m, expired, row->topic);
        window_skip(&m->window, row->id);
        settle(m);
    } else {
        window_push(&m->window, row->id, mid);
    }
    return true;
}

static void note_reading(struct mqtt *m, enum store_err err)
{
    if (err && !m->storing_said)
        log_error("mqtt", "the outbox cannot be read: %s", store_strerror(err));
    m->storing_said = err != STORE_OK;
}

static void feed_outbox(struct mqtt *m)
{
    int64_t newest = store_newest(m->store, STORE_ROUTE_MQTT), sent = m->window.sent;
    if (window_free(&m->window) == 0 || newest <= sent)
        return;
    enum store_err err = store_read_messages(m->reader, STORE_ROUTE_MQTT, sent,
                                             window_free(&m->window), send_row, m);
    note_reading(m, err);
    if (!err && m->window.sent == sent && broker_why(m->line)[0] == '\0') {
        window_skip(&m->window, newest); /* delivered before we began, or dropped */
        settle(m);
    }
}

static bool send_standing(void *context, const char *topic, const char *payload)
{
    struct mqtt *m = context;
    return broker_publish(m->line, topic, payload, 1, true, NULL, NULL) != BROKER_LOST;
}

/* when the outbox has caught up, so that nothing older follows */
static void feed_standing(struct mqtt *m)
{
    char topic[TOPIC_SIZE];
    if (m->compare_mono_ms == 0 || clock_mono_ms() < m->compare_mono_ms || m->window.count > 0)
        return;
    m->compare_mono_ms = 0;
    note_reading(m, standing_compare(&m->standing, m->reader, m->own, send_standing, m));
    standing_free(&m->standing);
    snprintf(topic, sizeof topic, "%salarm/+", m->own);
    broker_unsubscribe(m->line, topic);
    snprintf(topic, sizeof topic, "%strip/+", m->own);
    broker_unsubscribe(m->line, topic);
}

struct up_batch {
    struct text records;
    int64_t from, to;
    size_t count;
};

static bool add_record(void *context, const struct store_event_row *row)
{
    struct up_batch *b = context;
    if (b->count++ > 0)
        text_append(&b->records, ",");
    else
        b->from = row->seq;
    payload_with_seq(&b->records, row->seq, row->json);
    b->to = row->seq;
    return b->records.length < UP_BYTES;
}

static void feed_up(struct mqtt *m)
{
    if (!m->options.up || m->up_mid != 0)
        return;
    if (!m->up_known) {
        int64_t seq;
        if (store_read_settled(m->reader, STORE_ROUTE_UP, &seq) != STORE_OK)
            return;
        settle_up(m, seq);
        m->up_known = true;
    }
    int64_t now = clock_mono_ms(),
            waiting = store_newest(m->store, STORE_ROUTE_UP) - m->up_settled;
    if (waiting <= 0 || (waiting < UP_RECORDS &&
                         now - m->up_mono_ms < (int64_t)(m->options.up_seconds * 1000.0)))
        return;
    struct up_batch b = {.records = TEXT_INIT};
    struct text payload = TEXT_INIT;
    char topic[TOPIC_SIZE];
    note_reading(m, store_read_events(m->reader, m->up_settled, UP_RECORDS, add_record, &b));
    text_printf(&payload, "{\"site\":\"%s\",\"from\":%lld,\"to\":%lld,\"records\":[%s]}",
                m->site_id, (long long)b.from, (long long)b.to, text_get(&b.records));
    snprintf(topic, sizeof topic, "%sup", m->own);
    if (b.count == 0 && !m->storing_said)
        settle_up(m, m->up_settled + waiting); /* older events are gone by age */
    else if (!b.records.failed && !payload.failed &&
             broker_publish(m->line, topic, text_get(&payload), 1, false, NULL, &m->up_mid) ==
                 BROKER_SENT) {
        m->up_sent = b.to;
        m->up_mono_ms = now;
    }
    text_free(&b.records);
    text_free(&payload);
}

static void feed(struct mqtt *m)
{
    feed_replies(m);
    feed_outbox(m);
    feed_standing(m);
    feed_up(m);
    feed_states(m);
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
    if (state == BROKER_UP && !m->up)
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

/* "offline" is told and answered before the goodbye, or the time is over */
static void say_goodbye(struct mqtt *m)
{
    char topic[TOPIC_SIZE];
    snprintf(topic, sizeof topic, "%sstatus", m->own);
    int64_t deadline = clock_mono_ms() + 2000;
    if (!m->up || broker_publish(m->line, topic, "offline", 1, true, NULL, NULL) != BROKER_SENT)
        return;
    while (m->window.count > 0 && clock_mono_ms() < deadline)
        if (broker_turn(m->line, m->wake_fd, 50) != BROKER_UP)
            return;
    while (broker_congested(m->line) && clock_mono_ms() < deadline)
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
    if (m->line)
        say_goodbye(m);
    broker_close(m->line, true);
    m->line = NULL;
    return NULL;
}

/* ---- start and stop ---- */

static void destroy(struct mqtt *m)
{
    for (size_t i = 0; i < m->state_count; i++)
        free(m->states[i].payload);
    free(m->states);
    for (size_t i = 0; i < m->reply_count; i++)
        free(m->replies[(m->reply_first + i) % REPLIES].payload);
    standing_free(&m->standing);
    store_reader_close(m->reader);
    if (m->wake_fd >= 0)
        close(m->wake_fd);
    pthread_mutex_destroy(&m->lock);
    free(m);
    mosquitto_lib_cleanup();
}

static void copy_options(struct mqtt *m, const struct mqtt_options *o)
{
    m->broker = *o->broker;
    m->options = *o;
    m->options.broker = NULL;
    m->options.site_id = m->options.store_path = NULL;
    m->store = o->store;
    if (!(m->options.up_seconds > 0))
        m->options.up_seconds = 10;
    if (m->options.retry_first_ms <= 0)
        m->options.retry_first_ms = 500;
    if (m->options.retry_most_ms <= 0)
        m->options.retry_most_ms = 30000;
    if (m->broker.keepalive_seconds <= 0)
        m->broker.keepalive_seconds = 30;
    text_copy(m->site_id, sizeof m->site_id, o->site_id);
    snprintf(m->own, sizeof m->own, "foretrip/%s/", m->site_id);
    if (m->broker.client_id[0])
        text_copy(m->client_id, sizeof m->client_id, m->broker.client_id);
    else
        snprintf(m->client_id, sizeof m->client_id, "foretrip-%s", m->site_id);
    m->protocol = 5;
    m->retry_ms = m->options.retry_first_ms / 2;
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
    m->wake_fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    m->reader = store_reader_open(o->store_path);
    if (m->wake_fd < 0 || !m->reader) {
        snprintf(why, why_size, "the line to the broker cannot start: %s", strerror(errno));
        destroy(m);
        return NULL;
    }
    store_set_watch(m->store, on_commit, m);
    int rc = pthread_create(&m->thread, NULL, run, m);
    if (rc != 0) {
        snprintf(why, why_size, "the thread to the broker cannot start: %s", strerror(rc));
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
