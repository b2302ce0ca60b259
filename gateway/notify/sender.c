#include "sender.h"

#include "payload.h"
#include "standing.h"
#include "up.h"
#include "window.h"

#include "base/clock.h"
#include "base/log.h"

#include <mosquitto.h>

#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RETAINED_MS 2000 /* all retained messages have come this long after the SUBACK */
#define OWN_SIZE (sizeof "foretrip//" + SITE_ID_SIZE)
#define TOPIC_SIZE (OWN_SIZE + sizeof "alarm/+")

struct sender {
    struct store *store;
    struct store_reader *reader;
    char own[OWN_SIZE]; /* "foretrip/<site>/" */
    char site_id[SITE_ID_SIZE];
    bool up_wanted;
    int64_t up_period_ms, up_health_ms;
    bool hasty; /* the line has come back since */

    pthread_mutex_t lock; /* guards what others leave for us */
    char *health;         /* NULL: not known yet */
    int64_t again_after, again_to;

    struct broker *line; /* during a call */
    struct window window;
    struct up up;
    struct standing standing;
    int subscriptions[2];
    int subscribed;
    int64_t compare_mono_ms; /* 0: done, or not due yet */
    bool reading_said;       /* that the record cannot be read */

    _Atomic int64_t settled, up_settled;
    _Atomic uint64_t acknowledged, refused, expired;
};

struct sender *sender_create(const struct sender_options *o)
{
    struct sender *s = calloc(1, sizeof *s);
    if (s && !(s->reader = store_reader_open(o->store_path))) {
        free(s);
        return NULL;
    }
    if (!s)
        return NULL;
    s->store = o->store;
    s->up_wanted = o->up;
    s->up.loads = o->up_loads;
    s->up_period_ms = o->up_period_ms;
    s->up_health_ms = o->up_health_ms > 0 ? o->up_health_ms : UP_HEALTH_MS;
    pthread_mutex_init(&s->lock, NULL);
    text_copy(s->site_id, sizeof s->site_id, o->site_id);
    snprintf(s->own, sizeof s->own, "foretrip/%s/", s->site_id);
    return s;
}

void sender_destroy(struct sender *s)
{
    if (!s)
        return;
    standing_free(&s->standing);
    store_reader_close(s->reader);
    pthread_mutex_destroy(&s->lock);
    free(s->health);
    free(s);
}

/* ---- what others leave ---- */

void sender_set_health(struct sender *s, const char *json)
{
    char *copy = strdup(json);
    if (!copy)
        return; /* the one before stays */
    pthread_mutex_lock(&s->lock);
    free(s->health);
    s->health = copy;
    pthread_mutex_unlock(&s->lock);
}

void sender_send_again(struct sender *s, int64_t after, int64_t to)
{
    pthread_mutex_lock(&s->lock);
    bool waits = s->again_after < s->again_to;
    s->again_after = waits && s->again_after < after ? s->again_after : after;
    s->again_to = waits && s->again_to > to ? s->again_to : to;
    pthread_mutex_unlock(&s->lock);
}

/* ---- what the broker says ---- */

static void settle(struct sender *s)
{
    store_settle(s->store, STORE_ROUTE_MQTT, s->window.settled);
    atomic_store(&s->settled, s->window.settled);
}

static void settle_up(struct sender *s, int64_t seq)
{
    s->up.settled = seq;
    store_settle(s->store, STORE_ROUTE_UP, seq);
    atomic_store(&s->up_settled, up_seen(&s->up));
}

/* a batch that was refused goes again, a period later */
static void note_refusal(struct sender *s, int reason)
{
    s->up.sent_mono_ms = clock_mono_ms();
    if (atomic_fetch_add(&s->refused, 1) == 0)
        log_warning("mqtt", "the broker refuses %sup (%s); it is tried again", s->own,
                    mosquitto_reason_string(reason));
}

static bool take_up_answer(struct sender *s, int reason)
{
    s->up.mid = 0;
    if (reason < 128)
        settle_up(s, s->up.sent);
    else
        note_refusal(s, reason);
    return reason < 128;
}

static bool take_again_answer(struct sender *s, int reason)
{
    s->up.again_mid = 0;
    if (reason < 128)
        s->up.again_after = s->up.again_sent;
    else
        note_refusal(s, reason);
    return reason < 128;
}

bool sender_take_answer(struct sender *s, int mid, int reason)
{
    if (mid == s->up.mid)
        return take_up_answer(s, reason);
    if (mid == s->up.again_mid)
        return take_again_answer(s, reason);
    if (!window_answer(&s->window, mid))
        return false;
    settle(s);
    if (reason < 128)
        atomic_fetch_add(&s->acknowledged, 1);
    else if (atomic_fetch_add(&s->refused, 1) == 0)
        log_warning(
            "mqtt",
            "the broker refuses a message for good (%s); it is skipped, as others will be",
            mosquitto_reason_string(reason));
    return reason < 128;
}

void sender_take_subscribed(struct sender *s, int mid, bool granted)
{
    for (int i = 0; i < 2; i++)
        if (s->subscriptions[i] == mid && granted && ++s->subscribed == 2)
            s->compare_mono_ms = clock_mono_ms() + RETAINED_MS;
}

void sender_take_retained(struct sender *s, const char *topic)
{
    standing_note(&s->standing, topic);
}

/* ---- sending ---- */

void sender_begin(struct sender *s, struct broker *line)
{
    static const char *const below[] = {"alarm", "trip"};
    char filter[TOPIC_SIZE];
    window_reset(&s->window, s->window.settled);
    s->up.mid = s->up.again_mid = 0;
    s->subscribed = 0;
    s->compare_mono_ms = 0;
    standing_free(&s->standing);
    for (int i = 0; i < 2; i++) {
        snprintf(filter, sizeof filter, "%s%s/+", s->own, below[i]);
        if (!broker_subscribe(line, filter, &s->subscriptions[i]))
            return;
    }
}

/* until it expires; 0: never */
static uint32_t seconds_left(const struct store_row *row)
{
    int64_t ms = row->expires_wall_ms - clock_wall_ms();
    if (row->expires_wall_ms == 0)
        return 0;
    return ms < 1000 ? 1 : ms / 1000 > UINT32_MAX ? UINT32_MAX : (uint32_t)(ms / 1000);
}

static bool send_row(void *context, const struct store_row *row)
{
    struct sender *s = context;
    int mid = 0;
    bool expired = row->expires_wall_ms > 0 && row->expires_wall_ms <= clock_wall_ms();
    enum broker_publish sent = BROKER_HOPELESS;
    struct broker_out out = {.topic = row->topic,
                             .payload = row->payload,
                             .length = row->payload_length,
                             .qos = row->qos > 0 ? row->qos : 1,
                             .retain = row->retain,
                             .expiry_seconds = seconds_left(row)};
    struct payload_about about[PAYLOAD_ABOUT_MOST];
    size_t count = row->payload ? payload_read_about(row->payload, about) : 0;
    for (size_t i = 0; i < count; i++) {
        out.user[i].name = about[i].name;
        out.user[i].value = about[i].value;
    }
    if (!expired)
        sent = broker_publish(s->line, &out, &mid);
    if (sent == BROKER_SENT)
        window_push(&s->window, row->id, mid);
    if (sent != BROKER_HOPELESS)
        return sent == BROKER_SENT;
    if (atomic_fetch_add(expired ? &s->expired : &s->refused, 1) == 0)
        log_warning("mqtt", "a message for %s %s; it is skipped, as others will be", row->topic,
                    expired ? "is past its time" : "cannot be sent at all");
    window_skip(&s->window, row->id);
    settle(s);
    return true;
}

static void note_reading(struct sender *s, enum store_err err)
{
    if (err && !s->reading_said)
        log_error("mqtt", "the record cannot be read: %s", store_strerror(err));
    s->reading_said = err != STORE_OK;
}

static void feed_outbox(struct sender *s)
{
    int64_t newest = store_newest(s->store, STORE_ROUTE_MQTT), sent = s->window.sent;
    if (window_free(&s->window) == 0 || newest <= sent)
        return;
    enum store_err err = store_read_messages(s->reader, STORE_ROUTE_MQTT, sent,
                                             window_free(&s->window), send_row, s);
    note_reading(s, err);
    if (!err && s->window.sent == sent && broker_why(s->line)[0] == '\0') {
        window_skip(&s->window, newest); /* delivered before we began, or dropped */
        settle(s);
    }
}

static bool send_standing(void *context, const char *topic, const char *payload)
{
    struct sender *s = context;
    return broker_say(s->line, topic, payload, 1, true, NULL) != BROKER_LOST;
}

/* when the outbox has caught up, so that nothing older follows */
static void feed_standing(struct sender *s)
{
    char filter[TOPIC_SIZE];
    if (s->compare_mono_ms == 0 || clock_mono_ms() < s->compare_mono_ms || s->window.count > 0)
        return;
    s->compare_mono_ms = 0;
    note_reading(s, standing_compare(&s->standing, s->reader, s->own, send_standing, s));
    standing_free(&s->standing);
    snprintf(filter, sizeof filter, "%salarm/+", s->own);
    broker_unsubscribe(s->line, filter);
    snprintf(filter, sizeof filter, "%strip/+", s->own);
    broker_unsubscribe(s->line, filter);
}

static bool know_up(struct sender *s)
{
    int64_t seq;
    if (s->up.known)
        return true;
    enum store_err err = store_read_settled(s->reader, STORE_ROUTE_UP, &seq);
    note_reading(s, err);
    if (!err)
        settle_up(s, seq);
    s->up.known = !err;
    return !err;
}

static void publish_up(struct sender *s, const struct text *payload, int *mid)
{
    char topic[TOPIC_SIZE];
    snprintf(topic, sizeof topic, "%sup", s->own);
    if (payload->length > 0 && !payload->failed)
        broker_say(s->line, topic, text_get(payload), 1, false, mid);
}

void sender_hasten_health(struct sender *s)
{
    s->hasty = true;
}

/* NULL when it is not its turn, or nobody has said how the gateway is; else the caller's */
static char *health_due(struct sender *s, int64_t now)
{
    struct up *u = &s->up;
    char *health = NULL;
    int64_t every_ms =
        s->hasty && s->up_health_ms > SENDER_HASTE_MS ? SENDER_HASTE_MS : s->up_health_ms;
    if (u->mid != 0 || (u->health_mono_ms != 0 && now - u->health_mono_ms < every_ms))
        return NULL;
    pthread_mutex_lock(&s->lock);
    if (s->health)
        health = strdup(s->health);
    pthread_mutex_unlock(&s->lock);
    return health;
}

static void feed_up(struct sender *s)
{
    int64_t newest = store_newest(s->store, STORE_ROUTE_UP), now = clock_mono_ms();
    if (!s->up_wanted || !know_up(s))
        return;
    char *health = health_due(s, now);
    if (!health && !up_due(&s->up, newest, now, s->up_period_ms))
        return;
    struct text payload = TEXT_INIT;
    int64_t seen = up_seen(&s->up);
    enum store_err err = up_compose(&s->up, s->reader, s->site_id, health, &payload);
    note_reading(s, err);
    s->up.sent_mono_ms = now;
    if (!err && health) {
        s->up.health_mono_ms = now;
        s->hasty = false;
    }
    if (!err && payload.length == 0 && up_seen(&s->up) == seen)
        s->up.passed = newest; /* gone by age before the broker came back */
    if (!err)
        atomic_store(&s->up_settled, up_seen(&s->up));
    publish_up(s, &payload, &s->up.mid);
    text_free(&payload);
    free(health);
}

static void feed_again(struct sender *s)
{
    pthread_mutex_lock(&s->lock);
    if (s->again_after < s->again_to)
        up_ask_again(&s->up, s->again_after, s->again_to);
    s->again_after = s->again_to = 0;
    pthread_mutex_unlock(&s->lock);
    if (!s->up_wanted || s->up.again_mid != 0 || s->up.again_after >= s->up.again_to)
        return;
    struct text payload = TEXT_INIT;
    note_reading(s, up_compose_again(&s->up, s->reader, s->site_id,
                                     store_newest(s->store, STORE_ROUTE_UP), &payload));
    publish_up(s, &payload, &s->up.again_mid);
    text_free(&payload);
}

void sender_feed(struct sender *s, struct broker *line)
{
    s->line = line;
    feed_outbox(s);
    feed_standing(s);
    feed_up(s);
    feed_again(s);
    s->line = NULL;
}

void sender_get_counts(struct sender *s, struct sender_counts *out)
{
    out->acknowledged = atomic_load(&s->acknowledged);
    out->refused = atomic_load(&s->refused);
    out->expired = atomic_load(&s->expired);
}

bool sender_idle(struct sender *s)
{
    return atomic_load(&s->settled) >= store_newest(s->store, STORE_ROUTE_MQTT) &&
           (!s->up_wanted ||
            atomic_load(&s->up_settled) >= store_newest(s->store, STORE_ROUTE_UP));
}
