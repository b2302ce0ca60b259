#include "sparkplug.h"

#include "sparkplug_parts.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/text.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NODE ""
#define REBIRTH "Node Control/Rebirth"

static const char *const place_names[SPARKPLUG_PER_CIRCUIT] = {
    [PLACE_AMPS] = "Amps",          [PLACE_WATTS] = "Watts",
    [PLACE_VOLTS] = "Volts",        [PLACE_POWER_FACTOR] = "Power Factor",
    [PLACE_HEAT] = "Heat",          [PLACE_HEADROOM] = "Headroom Amps",
    [PLACE_CHANCE] = "Trip Chance", [PLACE_STATE] = "State",
    [PLACE_ALARM] = "Alarm",        [PLACE_NAME] = "Name",
    [PLACE_RATING] = "Rating Amps",
};

/* ---- sending ---- */

void sparkplug_topic(const struct sparkplug *s, const char *kind, const char *device,
                     char out[SPARKPLUG_TOPIC_SIZE])
{
    snprintf(out, SPARKPLUG_TOPIC_SIZE, "spBv1.0/%s/%s/%s%s%s", s->settings.group, kind,
             s->settings.node, device[0] ? "/" : "", device);
}

bool sparkplug_send(struct sparkplug *s, struct broker *b, const char *kind, const char *device)
{
    char topic[SPARKPLUG_TOPIC_SIZE];
    size_t length = 0;
    uint8_t *bytes = sparkplug_payload_pack(&s->payload, s->seq, clock_wall_ms(), &length);
    sparkplug_payload_clear(&s->payload);
    if (!bytes)
        return true; /* memory is short: this one is lost, and seq does not show a gap */
    sparkplug_topic(s, kind, device, topic);
    struct broker_out out = {
        .topic = topic, .payload = bytes, .length = length, .binary = true};
    enum broker_publish sent = broker_publish(b, &out, NULL);
    free(bytes);
    if (sent == BROKER_SENT)
        s->seq = (s->seq + 1) % 256;
    return sent != BROKER_LOST;
}

static void add_number(struct sparkplug *s, const char *name, enum sparkplug_type type,
                       int64_t wall_ms, double v)
{
    sparkplug_payload_add(&s->payload,
                          &(struct sparkplug_metric){
                              .name = name, .type = type, .wall_ms = wall_ms, .number = v});
}

static void add_text(struct sparkplug *s, const char *name, int64_t wall_ms, const char *text)
{
    sparkplug_payload_add(&s->payload, &(struct sparkplug_metric){.name = name,
                                                                  .type = SPARKPLUG_STRING,
                                                                  .wall_ms = wall_ms,
                                                                  .text = text});
}

/* ---- what is said of the gateway ---- */

static void add_alarms(struct sparkplug *s, int64_t wall_ms)
{
    struct bulletin_sum sum = bulletin_sum(&s->alarms);
    add_number(s, "Alarms/Standing", SPARKPLUG_INT32, wall_ms, (double)sum.standing);
    add_number(s, "Alarms/Unacknowledged", SPARKPLUG_INT32, wall_ms,
               (double)sum.unacknowledged);
    add_text(s, "Alarms/Latest", wall_ms, sum.latest);
}

static bool read_alarms(struct sparkplug *s)
{
    enum store_err err = bulletin_read_alarms(s->reader, &s->alarms);
    if (err && !s->reading_said)
        log_error("sparkplug", "the record cannot be read: %s", store_strerror(err));
    s->reading_said = err != STORE_OK;
    return err == STORE_OK;
}

static bool say_node(struct sparkplug *s, struct broker *b)
{
    int64_t now = clock_wall_ms();
    s->seq = 0;
    add_number(s, "bdSeq", SPARKPLUG_INT64, now, s->bdseq);
    add_number(s, REBIRTH, SPARKPLUG_BOOLEAN, now, 0.0);
    add_text(s, "Properties/Site", now, s->site->name);
    add_text(s, "Properties/Software", now, "foretrip " FORETRIP_VERSION);
    add_alarms(s, now);
    return sparkplug_send(s, b, "NBIRTH", NODE);
}

/* ---- what is said of a meter ---- */

static bool differs(double a, double b, double step)
{
    return isnan(a) != isnan(b) || fabs(a - b) >= step;
}

/* what a circuit's place says now; as in the birth, or where it has changed since it was said
 */
static void add_circuit(struct sparkplug *s, size_t i, const struct bulletin_circuit *now,
                        bool birth)
{
    struct sparkplug_circuit *c = &s->circuits[i];
    const struct site_circuit *k = &s->site->circuits[i];
    const struct {
        double now, *said, step;
    } numbers[] = {
        [PLACE_AMPS] = {now->amps, &c->said.amps, fmax(0.05, 0.01 * fabs(c->said.amps))},
        [PLACE_WATTS] = {now->watts, &c->said.watts, fmax(5.0, 0.01 * fabs(c->said.watts))},
        [PLACE_VOLTS] = {now->volts, &c->said.volts, 0.5},
        [PLACE_POWER_FACTOR] = {now->power_factor, &c->said.power_factor, 0.02},
        [PLACE_HEAT] = {now->heat, &c->said.heat, 0.01},
        [PLACE_HEADROOM] = {now->headroom_amps, &c->said.headroom_amps, 0.2},
        [PLACE_CHANCE] = {now->chance, &c->said.chance, 0.01},
    };
    for (int p = PLACE_AMPS; p <= PLACE_CHANCE; p++)
        if (birth || differs(numbers[p].now, *numbers[p].said, numbers[p].step)) {
            add_number(s, c->names[p], SPARKPLUG_FLOAT, now->wall_ms,
                       isfinite(numbers[p].now) ? numbers[p].now : (double)NAN);
            *numbers[p].said = numbers[p].now;
        }
    if (birth || now->state != c->said.state)
        add_text(s, c->names[PLACE_STATE], now->wall_ms, bulletin_state_word(now->state));
    c->said.state = now->state;
    c->said.version = now->version;
    const struct bulletin_alarm *worst = bulletin_worst(&s->alarms, k->id);
    const char *alarm = worst ? worst->kind : "";
    if (birth || strcmp(alarm, c->alarm) != 0)
        add_text(s, c->names[PLACE_ALARM], birth ? now->wall_ms : clock_wall_ms(), alarm);
    text_copy(c->alarm, sizeof c->alarm, alarm);
    if (birth) {
        add_text(s, c->names[PLACE_NAME], now->wall_ms, k->name);
        add_number(s, c->names[PLACE_RATING], SPARKPLUG_FLOAT, now->wall_ms, k->breaker_amps);
    }
}

/* its circuits, as they are now, into the payload; birth: also what has not changed */
static void add_meter(struct sparkplug *s, size_t meter, bool birth)
{
    struct bulletin_circuit now;
    for (size_t i = 0; i < s->site->circuit_count; i++) {
        if (s->site->circuits[i].meter != (int)meter)
            continue;
        bulletin_get(s->bulletin, i, &now);
        if (birth && now.wall_ms == 0)
            now.wall_ms = clock_wall_ms();
        add_circuit(s, i, &now, birth);
    }
}

static bool answers(struct sparkplug *s, size_t meter)
{
    struct bulletin_circuit now;
    for (size_t i = 0; i < s->site->circuit_count; i++) {
        if (s->site->circuits[i].meter != (int)meter)
            continue;
        bulletin_get(s->bulletin, i, &now);
        if (now.version > 0 && now.age_seconds < s->meter_lost_seconds)
            return true;
    }
    return false;
}

static bool say_meter(struct sparkplug *s, struct broker *b, size_t meter)
{
    const char *id = s->site->meters[meter].id;
    bool was = s->alive[meter];
    s->alive[meter] = answers(s, meter);
    if (!was && !s->alive[meter])
        return true;
    if (!s->alive[meter])
        return sparkplug_send(s, b, "DDEATH", id);
    add_meter(s, meter, !was);
    return s->payload.count == 0 || sparkplug_send(s, b, was ? "DDATA" : "DBIRTH", id);
}

/* ---- the session ---- */

static bool give_birth(struct sparkplug *s, struct broker *b)
{
    atomic_store(&s->alarms_changed, false);
    read_alarms(s);
    memset(s->alive, 0, s->site->meter_count * sizeof *s->alive);
    s->born = say_node(s, b);
    for (size_t m = 0; m < s->site->meter_count && s->born; m++)
        s->born = say_meter(s, b, m);
    if (s->born)
        sparkplug_fill_begin(s);
    return s->born;
}

/* nobody hears us from here on; what was said in the last seconds may not have arrived */
static void fall_silent(struct sparkplug *s, int64_t doubtful_ms)
{
    if (s->born && s->quiet_wall_ms == 0)
        s->quiet_wall_ms = clock_wall_ms() - doubtful_ms;
    if (atomic_load(&s->missing_since) == 0)
        atomic_store(&s->missing_since, s->quiet_wall_ms);
    s->born = false;
}

static void death(const struct sparkplug *s, struct broker_out *out)
{
    *out = (struct broker_out){.topic = s->death_topic,
                               .payload = s->death,
                               .length = s->death ? s->death_length : 0,
                               .binary = true,
                               .qos = 1};
}

static void on_will(void *context, bool again, struct broker_out *out)
{
    struct sparkplug *s = context;
    if (!again) /* the first connection has 0 */
        s->bdseq = (s->bdseq + 1) % 256;
    free(s->death);
    sparkplug_payload_clear(&s->payload);
    add_number(s, "bdSeq", SPARKPLUG_INT64, 0, s->bdseq);
    s->death = sparkplug_payload_pack(&s->payload, -1, 0, &s->death_length);
    sparkplug_payload_clear(&s->payload);
    death(s, out);
}

static void on_up(void *context, struct broker *b)
{
    struct sparkplug *s = context;
    char filter[SPARKPLUG_TOPIC_SIZE];
    int mid;
    s->born = false;
    s->host_online = s->settings.primary_host[0] == '\0';
    s->host_stamp = 0;
    sparkplug_topic(s, "NCMD", NODE, filter);
    if (!broker_subscribe(b, filter, &mid))
        return;
    if (s->settings.primary_host[0]) {
        snprintf(filter, sizeof filter, "spBv1.0/STATE/%s", s->settings.primary_host);
        broker_subscribe(b, filter, &mid);
    }
}

static void on_down(void *context)
{
    struct sparkplug *s = context;
    fall_silent(s, (int64_t)s->keepalive_seconds * 1500);
}

/* {"online":true,"timestamp":1766000000000}; an older one than the last is passed over */
static void take_host(struct sparkplug *s, const struct broker_message *m)
{
    json_t *o = json_loadb(m->payload, m->length, JSON_REJECT_DUPLICATES, NULL);
    const json_t *online = json_object_get(o, "online"), *at = json_object_get(o, "timestamp");
    if (!json_is_boolean(online) || !json_is_integer(at)) {
        log_warning("sparkplug", "the state of the host is not understood");
    } else if (json_integer_value(at) >= s->host_stamp) {
        s->host_stamp = json_integer_value(at);
        s->host_online = json_is_true(online);
    }
    json_decref(o);
}

static void on_message(void *context, const struct broker_message *m)
{
    struct sparkplug *s = context;
    if (strncmp(m->topic, "spBv1.0/STATE/", 14) == 0)
        take_host(s, m);
    else if (m->retain)
        log_warning("sparkplug", "a retained command is passed over");
    else if (sparkplug_payload_asks_rebirth(m->payload, m->length))
        s->born = false; /* said anew at the end of this turn, with the same bdSeq */
    else
        log_warning("sparkplug", "a command is passed over: only %s is understood", REBIRTH);
}

static void on_acknowledged(void *context, int mid, int reason)
{
    (void)context;
    (void)mid;
    (void)reason;
}

static void on_subscribed(void *context, int mid, bool granted)
{
    (void)context;
    (void)mid;
    if (!granted)
        log_warning("sparkplug",
                    "the broker refuses a subscription: no rebirth can be asked for");
}

static enum convention_next feed(void *context, struct broker *b)
{
    struct sparkplug *s = context;
    if (!s->host_online)
        return s->born ? CONVENTION_LEAVE : CONVENTION_WAIT;
    if (broker_congested(b))
        return CONVENTION_WAIT;
    if (!s->born && !give_birth(s, b))
        return CONVENTION_WAIT;
    if (atomic_exchange(&s->alarms_changed, false) && read_alarms(s)) {
        add_alarms(s, clock_wall_ms());
        if (!sparkplug_send(s, b, "NDATA", NODE))
            return CONVENTION_WAIT;
    }
    for (size_t m = 0; m < s->site->meter_count; m++)
        if (!say_meter(s, b, m))
            return CONVENTION_WAIT;
    return sparkplug_fill_step(s, b) ? CONVENTION_MORE : CONVENTION_WAIT;
}

/* an NDEATH of our own, the same as the will */
static void goodbye(void *context, struct broker *b)
{
    struct sparkplug *s = context;
    struct broker_out out;
    death(s, &out);
    if (s->born)
        broker_publish(b, &out, NULL);
    fall_silent(s, 0);
}

static const struct convention_calls calls = {
    .line = {.will = on_will,
             .up = on_up,
             .down = on_down,
             .broker = {.acknowledged = on_acknowledged,
                        .subscribed = on_subscribed,
                        .message = on_message}},
    .feed = feed,
    .goodbye = goodbye,
};

/* ---- start and stop ---- */

static void free_all(struct sparkplug *s)
{
    store_reader_close(s->reader);
    sparkplug_payload_free(&s->payload);
    free(s->death);
    free(s->alive);
    free(s->circuits);
    free(s);
}

static void name_metrics(struct sparkplug *s)
{
    for (size_t i = 0; i < s->site->circuit_count; i++)
        for (int p = 0; p < SPARKPLUG_PER_CIRCUIT; p++)
            snprintf(s->circuits[i].names[p], sizeof s->circuits[i].names[p], "%s/%s",
                     s->site->circuits[i].id, place_names[p]);
}

struct sparkplug *sparkplug_start(const struct convention_options *o,
                                  int64_t quiet_since_wall_ms)
{
    struct sparkplug *s = calloc(1, sizeof *s);
    if (!s)
        return NULL;
    s->settings = o->broker->sparkplug;
    s->meter_lost_seconds = o->meter_lost_seconds;
    s->keepalive_seconds = o->broker->keepalive_seconds;
    s->site = o->site;
    s->bulletin = o->bulletin;
    s->bdseq = -1;
    s->quiet_wall_ms = quiet_since_wall_ms > 0 ? quiet_since_wall_ms : clock_wall_ms();
    atomic_store(&s->missing_since, s->quiet_wall_ms);
    s->reader = store_reader_open(o->store_path);
    s->circuits = calloc(s->site->circuit_count + 1, sizeof *s->circuits);
    s->alive = calloc(s->site->meter_count + 1, sizeof *s->alive);
    if (s->reader && s->circuits && s->alive) {
        name_metrics(s);
        sparkplug_topic(s, "NDEATH", NODE, s->death_topic);
        s->convention = convention_start("sparkplug", o, &calls, s);
    }
    if (!s->convention) {
        free_all(s);
        return NULL;
    }
    return s;
}

void sparkplug_stop(struct sparkplug *s)
{
    if (!s)
        return;
    convention_stop(s->convention);
    free_all(s);
}

void sparkplug_tell(struct sparkplug *s, bool alarms)
{
    if (alarms)
        atomic_store(&s->alarms_changed, true);
    convention_wake(s->convention);
}

int64_t sparkplug_quiet_since(struct sparkplug *s)
{
    return atomic_load(&s->missing_since);
}

bool sparkplug_connected(struct sparkplug *s)
{
    return convention_connected(s->convention);
}

const struct pulse *sparkplug_pulse(const struct sparkplug *s)
{
    return convention_pulse(s->convention);
}
