#include "homie.h"

#include "homie_names.h"
#include "standing.h"

#include "base/clock.h"
#include "base/log.h"

#include <math.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RETAINED_MS 2000 /* all retained topics have come this long after the SUBACK */
#define VALUE_SIZE 64
#define MOST_UNANSWERED 256
#define BASE_SIZE (SITE_ID_SIZE + HOMIE_ID_SIZE + sizeof "/5//")
#define TOPIC_SIZE (BASE_SIZE + HOMIE_ID_SIZE + EVENT_ID_SIZE)

struct told { /* last published of a property; "": nothing yet */
    char value[VALUE_SIZE];
};

struct told_circuit {
    struct told properties[HOMIE_CIRCUIT_PROPERTIES];
    uint64_t
        version; /* of the bulletin, and 1; 0: nothing told, or its alarm may have changed */
};

struct homie {
    const struct site *site;
    struct bulletin *bulletin;
    struct store_reader *reader;
    struct convention *convention;
    double meter_lost_seconds;
    atomic_bool alarms_changed;

    /* the thread's own */
    struct homie_names names;
    char *description;
    char base[BASE_SIZE]; /* "<domain>/5/<device>/" */
    char state_topic[TOPIC_SIZE];
    bool begun, ready; /* of this connection */
    bool reading_said;
    struct told_circuit *circuits;
    struct told house[HOMIE_HOUSE_PROPERTIES];
    struct bulletin_alarms alarms;
    struct bulletin_alarms alerts; /* as published */
    int subscription;
    int64_t compare_mono_ms;  /* 0: done, or not due */
    struct standing retained; /* what the broker has below our base */
};

/* ---- publishing ---- */

static bool publish(struct broker *b, const char *topic, const char *payload)
{
    return broker_say(b, topic, payload, 1, true, NULL) != BROKER_LOST;
}

static bool say_state(const struct homie *h, struct broker *b, const char *word)
{
    return publish(b, h->state_topic, word);
}

/* where it has changed. An empty text is one byte of zero, by the convention; an empty payload
 * would remove the topic. */
static bool say_value(struct homie *h, struct broker *b, struct told *t, const char *node,
                      const char *property, const char *value)
{
    char topic[TOPIC_SIZE];
    const char *sent = value[0] ? value : "\x01";
    if (strcmp(t->value, sent) == 0)
        return true;
    snprintf(topic, sizeof topic, "%s%s/%s", h->base, node, property);
    struct broker_out out = {.topic = topic,
                             .payload = value[0] ? value : "",
                             .length = value[0] ? strlen(value) : 1,
                             .binary = !value[0],
                             .qos = 1,
                             .retain = true};
    if (broker_publish(b, &out, NULL) == BROKER_LOST)
        return false;
    text_copy(t->value, sizeof t->value, sent);
    return true;
}

/* ---- values ---- */

static void write_number(char out[VALUE_SIZE], double v, int digits)
{
    snprintf(out, VALUE_SIZE, "%.*f", digits, v == 0.0 ? 0.0 : v);
}

/* false: there is none now, and what was told last stays */
static bool value_of(struct homie *h, size_t i, const struct bulletin_circuit *c,
                     enum homie_property p, char out[VALUE_SIZE])
{
    double rating = h->site->circuits[i].breaker_amps;
    const struct bulletin_alarm *worst;
    const struct {
        double v;
        int digits;
    } numbers[] = {
        [HOMIE_AMPS] = {c->amps, 2},
        [HOMIE_WATTS] = {c->watts, 0},
        [HOMIE_VOLTS] = {c->volts, 1},
        [HOMIE_POWER_FACTOR] = {fmin(1.0, fmax(-1.0, c->power_factor)), 2},
        [HOMIE_LOAD] = {100.0 * c->amps / rating, 0},
        [HOMIE_HEAT] = {c->heat, 2},
        [HOMIE_HEADROOM] = {c->headroom_amps, 1},
        [HOMIE_TRIP_CHANCE] = {fmin(100.0, 100.0 * c->chance), 0},
    };
    switch (p) {
    case HOMIE_STATE: text_copy(out, VALUE_SIZE, bulletin_state_word(c->state)); return true;
    case HOMIE_ALARM:
        worst = bulletin_worst(&h->alarms, h->site->circuits[i].id);
        text_copy(out, VALUE_SIZE, worst ? worst->kind : "");
        return true;
    case HOMIE_MEASURED:
        text_copy(out, VALUE_SIZE,
                  c->version > 0 && c->age_seconds < h->meter_lost_seconds ? "true" : "false");
        return true;
    default:
        if (c->version == 0 || !isfinite(numbers[p].v) ||
            (p == HOMIE_POWER_FACTOR && isnan(c->power_factor)))
            return false;
        write_number(out, numbers[p].v, numbers[p].digits);
        return true;
    }
}

static bool say_circuit(struct homie *h, struct broker *b, size_t i)
{
    struct bulletin_circuit c;
    char value[VALUE_SIZE];
    bulletin_get(h->bulletin, i, &c);
    if (h->circuits[i].version == c.version + 1)
        return true;
    for (int p = 0; p < HOMIE_CIRCUIT_PROPERTIES; p++)
        if (value_of(h, i, &c, (enum homie_property)p, value) &&
            !say_value(h, b, &h->circuits[i].properties[p], h->names.circuits[i],
                       homie_circuit_properties[p].id, value))
            return false;
    h->circuits[i].version = c.version + 1;
    return true;
}

static bool say_house(struct homie *h, struct broker *b)
{
    char value[VALUE_SIZE];
    struct bulletin_sum sum = bulletin_sum(&h->alarms);
    const size_t counts[] = {
        [HOMIE_ALARMS] = sum.standing, [HOMIE_UNACKNOWLEDGED] = sum.unacknowledged};
    for (int p = 0; p < HOMIE_HOUSE_PROPERTIES; p++) {
        snprintf(value, sizeof value, "%zu", counts[p]);
        if (!say_value(h, b, &h->house[p], h->names.house, homie_house_properties[p].id, value))
            return false;
    }
    return true;
}

/* ---- alerts ---- */

static void alert_topic(const struct homie *h, const char *alarm, char out[TOPIC_SIZE])
{
    char id[EVENT_ID_SIZE];
    homie_id(alarm, id, sizeof id);
    snprintf(out, TOPIC_SIZE, "%s$alert/%s", h->base, id);
}

static const struct bulletin_alarm *find(const struct bulletin_alarms *a, const char *id)
{
    for (size_t i = 0; i < a->count; i++)
        if (strcmp(a->list[i].id, id) == 0)
            return &a->list[i];
    return NULL;
}

static bool say_alerts(struct homie *h, struct broker *b)
{
    char topic[TOPIC_SIZE];
    for (size_t i = 0; i < h->alerts.count; i++) {
        alert_topic(h, h->alerts.list[i].id, topic);
        if (!find(&h->alarms, h->alerts.list[i].id) && !publish(b, topic, NULL))
            return false;
    }
    for (size_t i = 0; i < h->alarms.count; i++) {
        const struct bulletin_alarm *was = find(&h->alerts, h->alarms.list[i].id);
        alert_topic(h, h->alarms.list[i].id, topic);
        if ((!was || strcmp(was->text, h->alarms.list[i].text) != 0) &&
            !publish(b, topic, h->alarms.list[i].text))
            return false;
    }
    h->alerts.count =
        h->alarms.count; /* not all of the room: it would be touched for nothing */
    memcpy(h->alerts.list, h->alarms.list, h->alarms.count * sizeof *h->alarms.list);
    return true;
}

static bool say_alarms(struct homie *h, struct broker *b)
{
    enum store_err err = bulletin_read_alarms(h->reader, &h->alarms);
    if (err && !h->reading_said)
        log_error("homie", "the record cannot be read: %s", store_strerror(err));
    h->reading_said = err != STORE_OK;
    for (size_t i = 0; i < h->site->circuit_count; i++)
        h->circuits[i].version = 0;
    return err || (say_house(h, b) && say_alerts(h, b));
}

/* ---- what the broker still has of an earlier configuration ---- */

static bool is_ours(const struct homie *h, const char *topic)
{
    char own[TOPIC_SIZE];
    const char *rest = topic + strlen(h->base), *slash = strchr(rest, '/');
    if (strcmp(rest, "$state") == 0 || strcmp(rest, "$description") == 0)
        return true;
    for (size_t i = 0; i < h->alerts.count; i++) {
        alert_topic(h, h->alerts.list[i].id, own);
        if (strcmp(topic, own) == 0)
            return true;
    }
    if (!slash)
        return false;
    size_t n = (size_t)(slash - rest);
    for (size_t i = 0; i < h->names.circuit_count; i++)
        if (strlen(h->names.circuits[i]) == n && memcmp(h->names.circuits[i], rest, n) == 0)
            for (int p = 0; p < HOMIE_CIRCUIT_PROPERTIES; p++)
                if (strcmp(slash + 1, homie_circuit_properties[p].id) == 0)
                    return true;
    for (int p = 0; p < HOMIE_HOUSE_PROPERTIES; p++)
        if (strlen(h->names.house) == n && memcmp(h->names.house, rest, n) == 0 &&
            strcmp(slash + 1, homie_house_properties[p].id) == 0)
            return true;
    return false;
}

static void clear_old(struct homie *h, struct broker *b)
{
    char filter[TOPIC_SIZE];
    h->compare_mono_ms = 0;
    for (size_t i = 0; i < h->retained.count; i++)
        if (!is_ours(h, h->retained.topics[i]))
            publish(b, h->retained.topics[i], NULL);
    standing_free(&h->retained);
    snprintf(filter, sizeof filter, "%s#", h->base);
    broker_unsubscribe(b, filter);
}

/* ---- the session ---- */

static void on_will(void *context, bool again, struct broker_out *out)
{
    struct homie *h = context;
    (void)again;
    *out = (struct broker_out){
        .topic = h->state_topic, .payload = "lost", .length = 4, .qos = 1, .retain = true};
}

static void on_up(void *context, struct broker *b)
{
    struct homie *h = context;
    char topic[TOPIC_SIZE];
    h->ready = false;
    h->alerts.count = 0;
    h->compare_mono_ms = 0;
    standing_free(&h->retained);
    memset(h->circuits, 0, h->site->circuit_count * sizeof *h->circuits);
    memset(h->house, 0, sizeof h->house);
    snprintf(topic, sizeof topic, "%s$description", h->base);
    h->begun = say_state(h, b, "init") && publish(b, topic, h->description);
    snprintf(topic, sizeof topic, "%s#", h->base);
    if (h->begun)
        broker_subscribe(b, topic, &h->subscription);
}

static void on_subscribed(void *context, int mid, bool granted)
{
    struct homie *h = context;
    if (mid == h->subscription && granted)
        h->compare_mono_ms = clock_mono_ms() + RETAINED_MS;
    else if (mid == h->subscription)
        log_warning("homie", "the broker refuses to tell what it has below %s: old topics stay",
                    h->base);
}

static void on_message(void *context, const struct broker_message *m)
{
    struct homie *h = context;
    if (m->retain && m->length > 0 && strncmp(m->topic, h->base, strlen(h->base)) == 0)
        standing_note(&h->retained, m->topic);
}

static void on_acknowledged(void *context, int mid, int reason)
{
    (void)context;
    (void)mid;
    (void)reason;
}

static enum convention_next feed(void *context, struct broker *b)
{
    struct homie *h = context;
    if (!h->begun)
        return CONVENTION_WAIT;
    if ((atomic_exchange(&h->alarms_changed, false) || !h->ready) && !say_alarms(h, b))
        return CONVENTION_WAIT;
    for (size_t i = 0; i < h->site->circuit_count; i++)
        if (broker_unanswered(b) > MOST_UNANSWERED || !say_circuit(h, b, i))
            return CONVENTION_WAIT; /* goes on with the broker's next answer */
    if (!h->ready)
        h->ready = say_state(h, b, "ready");
    if (h->compare_mono_ms > 0 && clock_mono_ms() >= h->compare_mono_ms)
        clear_old(h, b);
    return CONVENTION_WAIT;
}

static void goodbye(void *context, struct broker *b)
{
    say_state(context, b, "disconnected");
}

static const struct convention_calls calls = {
    .line = {.will = on_will,
             .up = on_up,
             .broker = {.acknowledged = on_acknowledged,
                        .subscribed = on_subscribed,
                        .message = on_message}},
    .feed = feed,
    .goodbye = goodbye,
};

/* ---- start and stop ---- */

static void free_all(struct homie *h)
{
    store_reader_close(h->reader);
    homie_names_free(&h->names);
    standing_free(&h->retained);
    free(h->description);
    free(h->circuits);
    free(h);
}

struct homie *homie_start(const struct convention_options *o)
{
    struct homie *h = calloc(1, sizeof *h);
    if (!h)
        return NULL;
    h->site = o->site;
    h->bulletin = o->bulletin;
    h->meter_lost_seconds = o->meter_lost_seconds;
    h->reader = store_reader_open(o->store_path);
    h->circuits = calloc(h->site->circuit_count + 1, sizeof *h->circuits);
    if (homie_names_make(&h->names, h->site))
        h->description = homie_description(&h->names, h->site, clock_wall_ms() / 1000);
    if (h->reader && h->circuits && h->description) {
        snprintf(h->base, sizeof h->base, "%s/5/%s/", o->broker->homie.domain, h->names.device);
        snprintf(h->state_topic, sizeof h->state_topic, "%s$state", h->base);
        h->convention = convention_start("homie", o, &calls, h);
    }
    if (!h->convention) {
        free_all(h);
        return NULL;
    }
    return h;
}

void homie_stop(struct homie *h)
{
    if (!h)
        return;
    convention_stop(h->convention);
    free_all(h);
}

void homie_tell(struct homie *h, bool alarms)
{
    if (alarms)
        atomic_store(&h->alarms_changed, true);
    convention_wake(h->convention);
}

bool homie_connected(struct homie *h)
{
    return convention_connected(h->convention);
}

const struct pulse *homie_pulse(const struct homie *h)
{
    return convention_pulse(h->convention);
}
