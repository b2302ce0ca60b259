#include "ask.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"
#include "notify/line.h"

#include <mosquitto.h>
#include <mqtt_protocol.h>

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/random.h>
#include <unistd.h>

#define TURN_MS 500
#define VERB_SIZE 32

enum slot_state { SLOT_FREE, SLOT_WAITS, SLOT_OUT };

struct slot {
    enum slot_state state;
    char site[SITE_ID_SIZE], verb[VERB_SIZE], id[ASK_ID_SIZE];
    char *payload;
    int mid; /* until the broker has it */
    int timeout_ms;
    int64_t until_mono_ms;
    ask_done_fn *done;
    void *context;
};

struct asker {
    struct fleet_settings settings;
    struct delivery_broker broker;
    struct line line;
    char name[DELIVERY_NAME_SIZE]; /* our level of the reply topics, and client id */
    char filter[DELIVERY_NAME_SIZE + 32];
    size_t node; /* the next one of the cluster to try */
    int wake_fd;
    pthread_t thread;
    pthread_mutex_t lock; /* over what follows */
    bool stop, up, forbidden;
    char why[BROKER_WHY_SIZE];
    struct slot slots[ASK_MOST];
};

/* ---- ending a question ---- */

/* Out of its slot; the lock is held. What is to be told is told without it. */
struct ending {
    struct slot slot;
    struct ask_answer answer;
};

static void end_slot(struct slot *s, enum ask_err err, const char *why, struct ending *e)
{
    *e = (struct ending){.slot = *s, .answer = {.err = err}};
    if (err != ASK_OK)
        snprintf(e->answer.why, sizeof e->answer.why, "%s%s%s", ask_strerror(err),
                 why[0] ? ": " : "", why);
    *s = (struct slot){0};
}

static void tell(struct ending *e)
{
    free(e->slot.payload);
    e->slot.done(e->slot.context, &e->answer);
}

typedef bool ends_fn(const struct asker *a, const struct slot *s, const void *with);

/* ends all for which it is true */
static void end_those(struct asker *a, ends_fn *ends, const void *with, enum ask_err err,
                      const char *why)
{
    for (size_t i = 0; i < ASK_MOST; i++) {
        struct ending e;
        pthread_mutex_lock(&a->lock);
        struct slot *s = &a->slots[i];
        bool over = s->state != SLOT_FREE && ends(a, s, with);
        if (over)
            end_slot(s, err, why, &e);
        pthread_mutex_unlock(&a->lock);
        if (over)
            tell(&e);
    }
}

static bool is_any(const struct asker *a, const struct slot *s, const void *with)
{
    (void)a;
    (void)s;
    (void)with;
    return true;
}

static bool is_out(const struct asker *a, const struct slot *s, const void *with)
{
    (void)a;
    (void)with;
    return s->state == SLOT_OUT;
}

static bool is_mid(const struct asker *a, const struct slot *s, const void *with)
{
    (void)a;
    return s->state == SLOT_OUT && s->mid == *(const int *)with;
}

static bool is_late(const struct asker *a, const struct slot *s, const void *with)
{
    return *(const int64_t *)with >= s->until_mono_ms && (a->up || s->state == SLOT_OUT);
}

static bool is_late_and_alone(const struct asker *a, const struct slot *s, const void *with)
{
    return *(const int64_t *)with >= s->until_mono_ms && !is_late(a, s, with);
}

/* ---- what the broker says ---- */

static void on_acknowledged(void *context, int mid, int reason)
{
    struct asker *a = context;
    a->line.progress = a->line.progress || reason < 128;
    if (reason == MQTT_RC_NO_MATCHING_SUBSCRIBERS)
        end_those(a, is_mid, &mid, ASK_ERR_GATEWAY, "");
    else if (reason == MQTT_RC_NOT_AUTHORIZED)
        end_those(a, is_mid, &mid, ASK_ERR_FORBIDDEN, "");
    else if (reason >= 128)
        end_those(a, is_mid, &mid, ASK_ERR_BROKER, mosquitto_reason_string(reason));
}

static void on_subscribed(void *context, int mid, bool granted)
{
    struct asker *a = context;
    (void)mid;
    if (!granted)
        log_error("ask", "the broker refuses the subscription to %s", a->filter);
    pthread_mutex_lock(&a->lock);
    a->up = granted;
    a->forbidden = !granted;
    pthread_mutex_unlock(&a->lock);
}

static void on_message(void *context, const struct broker_message *message)
{
    struct asker *a = context;
    char site[SITE_ID_SIZE], id[ASK_ID_SIZE], why[ASK_WHY_SIZE];
    struct ending e;
    if (!ask_read_topic(message->topic, a->name, site))
        return;
    enum ask_err err = ask_read_answer(message->payload, message->length, id, why);
    /* too long to be read: the correlation data says whose it is, where there is any */
    if (id[0] == '\0' && message->correlation_length == ASK_ID_SIZE - 1) {
        memcpy(id, message->correlation, ASK_ID_SIZE - 1);
        id[ASK_ID_SIZE - 1] = '\0';
    }
    char *copy = err == ASK_OK ? strndup(message->payload, message->length) : NULL;
    if (err == ASK_OK && !copy)
        err = ASK_ERR_MEMORY;
    bool found = false;
    pthread_mutex_lock(&a->lock);
    for (size_t i = 0; i < ASK_MOST && !found && id[0]; i++) {
        struct slot *s = &a->slots[i];
        found = s->state == SLOT_OUT && strcmp(s->id, id) == 0 && strcmp(s->site, site) == 0;
        if (found)
            end_slot(s, err, why, &e);
    }
    pthread_mutex_unlock(&a->lock);
    if (!found) { /* late, or nobody's */
        free(copy);
        return;
    }
    e.answer.json = copy;
    e.answer.length = copy ? message->length : 0;
    tell(&e);
}

/* ---- the line ---- */

/* Before each connection: the next node's turn. No will: nobody waits for us. */
static void on_will(void *context, bool again, struct broker_out *out)
{
    struct asker *a = context;
    struct fleet_node nodes[FLEET_MOST_NODES];
    const struct fleet_node *at = &nodes[a->node++ % fleet_list_ask_nodes(&a->settings, nodes)];
    (void)again;
    (void)out;
    text_copy(a->broker.host, sizeof a->broker.host, at->host);
    a->broker.port = at->port;
}

static void on_up(void *context, struct broker *b)
{
    struct asker *a = context;
    int mid;
    broker_subscribe(b, a->filter, &mid);
}

static void on_down(void *context)
{
    struct asker *a = context;
    pthread_mutex_lock(&a->lock);
    a->up = a->forbidden = false;
    pthread_mutex_unlock(&a->lock);
    end_those(a, is_out, NULL, ASK_ERR_BROKER, a->line.why);
}

static const struct line_calls calls = {
    .will = on_will,
    .up = on_up,
    .down = on_down,
    .broker = {.acknowledged = on_acknowledged,
               .subscribed = on_subscribed,
               .message = on_message},
};

static bool send_one(struct asker *a, const struct slot *s, int *mid)
{
    char topic[2 * SITE_ID_SIZE + VERB_SIZE + 32];
    const char *as = a->settings.ask_as;
    snprintf(topic, sizeof topic, "foretrip/%s/command/%s%s%s", s->site, s->verb,
             as[0] ? "/" : "", as);
    return broker_publish(
               a->line.broker,
               &(struct broker_out){.topic = topic,
                                    .payload = s->payload,
                                    .length = strlen(s->payload),
                                    .qos = 1,
                                    .expiry_seconds = 1 + (uint32_t)s->timeout_ms / 1000,
                                    .correlation = s->id,
                                    .correlation_length = strlen(s->id)},
               mid) == BROKER_SENT;
}

/* The library has locks of its own, which it holds when it calls us: ours is not held when it
 * is called. A slot that is not free is nobody's but this thread's. */
static void send_waiting(struct asker *a)
{
    for (size_t i = 0; i < ASK_MOST; i++) {
        struct slot *s = &a->slots[i];
        pthread_mutex_lock(&a->lock);
        bool waits = a->up && s->state == SLOT_WAITS;
        struct slot copy = *s;
        pthread_mutex_unlock(&a->lock);
        int mid = 0;
        if (!waits || !send_one(a, &copy, &mid))
            continue; /* with the next connection, or never */
        pthread_mutex_lock(&a->lock);
        s->mid = mid;
        s->state = SLOT_OUT;
        pthread_mutex_unlock(&a->lock);
    }
}

static int until_next(struct asker *a)
{
    int64_t now = clock_mono_ms(), ms = TURN_MS;
    pthread_mutex_lock(&a->lock);
    for (size_t i = 0; i < ASK_MOST; i++)
        if (a->slots[i].state != SLOT_FREE && a->slots[i].until_mono_ms - now < ms)
            ms = a->slots[i].until_mono_ms - now;
    pthread_mutex_unlock(&a->lock);
    return ms < 0 ? 0 : (int)ms;
}

static bool is_forbidden(const struct asker *a, const struct slot *s, const void *with)
{
    (void)with;
    return a->forbidden && s->state == SLOT_WAITS;
}

static void *run(void *context)
{
    struct asker *a = context;
    for (;;) {
        pthread_mutex_lock(&a->lock);
        bool stop = a->stop;
        pthread_mutex_unlock(&a->lock);
        if (stop)
            break;
        line_turn(&a->line, until_next(a));
        send_waiting(a);
        int64_t now = clock_mono_ms();
        end_those(a, is_forbidden, NULL, ASK_ERR_FORBIDDEN, "");
        end_those(a, is_late, &now, ASK_ERR_TIME, "");
        end_those(a, is_late_and_alone, &now, ASK_ERR_BROKER, a->line.why);
    }
    return NULL;
}

/* ---- what others call ---- */

static bool make_secret(char out[ASK_ID_SIZE])
{
    static const char digits[] = "0123456789abcdef";
    uint8_t r[(ASK_ID_SIZE - 1) / 2];
    if (getrandom(r, sizeof r, 0) != (ssize_t)sizeof r)
        return false;
    for (size_t i = 0; i < sizeof r; i++) {
        out[2 * i] = digits[r[i] >> 4];
        out[2 * i + 1] = digits[r[i] & 15];
    }
    out[ASK_ID_SIZE - 1] = '\0';
    return true;
}

struct asker *asker_start(const struct fleet_settings *settings, char why[ASK_WHY_SIZE])
{
    struct asker *a = calloc(1, sizeof *a);
    char secret[ASK_ID_SIZE];
    why[0] = '\0';
    struct fleet_node nodes[FLEET_MOST_NODES];
    const char *fault = !a                     ? "memory is short"
                        : !make_secret(secret) ? "there is no chance here"
                        : fleet_list_ask_nodes(settings, nodes) == 0
                            ? "fleet.cfg: with intake = "
                              "\"amqp\", mqtt must say "
                              "where the cluster takes "
                              "MQTT"
                            : NULL;
    if (fault) {
        snprintf(why, ASK_WHY_SIZE, "%s", fault);
        free(a);
        return NULL;
    }
    mosquitto_lib_init();
    a->settings = *settings;
    a->broker = settings->broker;
    snprintf(a->name, sizeof a->name, "foretrip-ask-%.16s", secret);
    text_copy(a->broker.client_id, sizeof a->broker.client_id, a->name);
    snprintf(a->filter, sizeof a->filter, "foretrip/+/reply/%s", a->name);
    pthread_mutex_init(&a->lock, NULL);
    a->wake_fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    line_init(&a->line, &(struct line_options){.broker = &a->broker,
                                               .topic = "ask",
                                               .calls = &calls,
                                               .context = a,
                                               .wake_fd = a->wake_fd});
    if (a->wake_fd >= 0 && pthread_create(&a->thread, NULL, run, a) == 0)
        return a;
    snprintf(why, ASK_WHY_SIZE, "no file handle or thread is left");
    if (a->wake_fd >= 0)
        close(a->wake_fd);
    pthread_mutex_destroy(&a->lock);
    free(a);
    mosquitto_lib_cleanup();
    return NULL;
}

static void wake(const struct asker *a)
{
    uint64_t one = 1;
    ssize_t n = write(a->wake_fd, &one, sizeof one); /* fails only when it is awake anyway */
    (void)n;
}

void asker_stop(struct asker *a)
{
    if (!a)
        return;
    pthread_mutex_lock(&a->lock);
    a->stop = true;
    pthread_mutex_unlock(&a->lock);
    wake(a);
    pthread_join(a->thread, NULL);
    end_those(a, is_any, NULL, ASK_ERR_STOPPED, "");
    line_close(&a->line, true);
    close(a->wake_fd);
    pthread_mutex_destroy(&a->lock);
    free(a);
    mosquitto_lib_cleanup();
}

bool asker_is_up(struct asker *a)
{
    pthread_mutex_lock(&a->lock);
    bool up = a->up;
    pthread_mutex_unlock(&a->lock);
    return up;
}

/* The members with where the answer goes; NULL: no object, or too long. malloc'ed. */
static char *compose(const struct asker *a, const char *site, const char *id,
                     const char *members)
{
    char topic[sizeof a->filter + SITE_ID_SIZE];
    json_t *o = members[0] ? json_loads(members, JSON_REJECT_DUPLICATES, NULL) : json_object();
    snprintf(topic, sizeof topic, "foretrip/%s/reply/%s", site, a->name);
    char *text = NULL;
    if (json_is_object(o) && json_object_set_new(o, "id", json_string(id)) == 0 &&
        json_object_set_new(o, "reply_to", json_string(topic)) == 0)
        text = json_dumps(o, JSON_COMPACT);
    json_decref(o);
    if (text && strlen(text) <= COMMAND_MAX_BYTES)
        return text;
    free(text);
    return NULL;
}

/* a free slot, NULL when there are too many; the lock is held */
static struct slot *find_room(struct asker *a, const char *site)
{
    struct slot *room = NULL;
    size_t same = 0;
    for (size_t i = 0; i < ASK_MOST; i++) {
        struct slot *s = &a->slots[i];
        if (s->state == SLOT_FREE)
            room = room ? room : s;
        else
            same += strcmp(s->site, site) == 0;
    }
    return same < ASK_MOST_OF_SITE ? room : NULL;
}

enum ask_err asker_begin(struct asker *a, const char *site, const char *verb,
                         const char *members, int timeout_ms, ask_done_fn *done, void *context)
{
    struct slot s = {.state = SLOT_WAITS, .done = done, .context = context};
    s.timeout_ms = timeout_ms <= 0             ? ASK_USUAL_MS
                   : timeout_ms <= ASK_MOST_MS ? timeout_ms
                                               : ASK_MOST_MS;
    s.until_mono_ms = clock_mono_ms() + s.timeout_ms;
    if (!site_id_valid(site) || !site_id_valid(verb) || !text_copy(s.verb, sizeof s.verb, verb))
        return ASK_ERR_BAD;
    text_copy(s.site, sizeof s.site, site);
    if (!make_secret(s.id))
        return ASK_ERR_MEMORY;
    s.payload = compose(a, site, s.id, members);
    if (!s.payload)
        return ASK_ERR_BAD;
    pthread_mutex_lock(&a->lock);
    bool stop = a->stop;
    struct slot *room = stop ? NULL : find_room(a, site);
    if (room)
        *room = s;
    pthread_mutex_unlock(&a->lock);
    if (!room) {
        free(s.payload);
        return stop ? ASK_ERR_STOPPED : ASK_ERR_BUSY;
    }
    wake(a);
    return ASK_OK;
}

struct waiting {
    pthread_mutex_t lock;
    pthread_cond_t came;
    bool over;
    struct ask_answer answer;
};

static void on_answer(void *context, struct ask_answer *x)
{
    struct waiting *w = context;
    pthread_mutex_lock(&w->lock);
    w->answer = *x;
    w->over = true;
    pthread_cond_signal(&w->came);
    pthread_mutex_unlock(&w->lock);
}

enum ask_err asker_wait(struct asker *a, const char *site, const char *verb,
                        const char *members, int timeout_ms, struct ask_answer *out)
{
    struct waiting w = {.lock = PTHREAD_MUTEX_INITIALIZER, .came = PTHREAD_COND_INITIALIZER};
    enum ask_err err = asker_begin(a, site, verb, members, timeout_ms, on_answer, &w);
    if (err != ASK_OK) {
        *out = (struct ask_answer){.err = err};
        snprintf(out->why, sizeof out->why, "%s", ask_strerror(err));
        return err;
    }
    pthread_mutex_lock(&w.lock);
    while (!w.over)
        pthread_cond_wait(&w.came, &w.lock);
    pthread_mutex_unlock(&w.lock);
    pthread_cond_destroy(&w.came);
    pthread_mutex_destroy(&w.lock);
    *out = w.answer;
    return out->err;
}
