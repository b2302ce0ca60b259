#include "broker.h"

#include "secret.h"

#include "base/text.h"

#include <mosquitto.h>
#include <mqtt_protocol.h>

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct broker {
    struct mosquitto *mosq;
    const struct broker_calls *calls;
    void *context;
    char address[DELIVERY_HOST_SIZE + 8];
    int protocol;
    enum broker_state state;
    bool greeted; /* our CONNECT is written */
    size_t published, answered;
    bool taken_over;
    char why[BROKER_WHY_SIZE];
    char tls_why[100]; /* what the TLS library said last */
};

static void end(struct broker *l, enum broker_state state, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void end(struct broker *l, enum broker_state state, const char *format, ...)
{
    char words[200];
    va_list args;
    if (l->state == BROKER_ENDED || l->state == BROKER_REFUSED_VERSION)
        return; /* the first reason is the reason */
    va_start(args, format);
    vsnprintf(words, sizeof words, format, args);
    va_end(args);
    snprintf(l->why, sizeof l->why, "%s: %s", l->address, words);
    l->state = state;
}

/* ---- what libmosquitto calls ---- */

static void on_connect(struct mosquitto *mosq, void *context, int reason, int flags,
                       const mosquitto_property *properties)
{
    struct broker *l = context;
    (void)mosq;
    (void)flags;
    (void)properties;
    bool five = l->protocol == 5;
    if (reason == 0)
        l->state = BROKER_UP;
    else if (reason == (five ? MQTT_RC_UNSUPPORTED_PROTOCOL_VERSION
                             : CONNACK_REFUSED_PROTOCOL_VERSION) ||
             (five && reason == CONNACK_REFUSED_PROTOCOL_VERSION))
        end(l, BROKER_REFUSED_VERSION, "the broker does not speak MQTT %s",
            five ? "5" : "3.1.1");
    else
        end(l, BROKER_ENDED, "the broker refuses us: %s",
            five ? mosquitto_reason_string(reason) : mosquitto_connack_string(reason));
}

static void on_disconnect(struct mosquitto *mosq, void *context, int reason,
                          const mosquitto_property *properties)
{
    struct broker *l = context;
    (void)mosq;
    (void)properties;
    l->taken_over = reason == MQTT_RC_SESSION_TAKEN_OVER;
    if (l->state == BROKER_UP && reason >= 128)
        end(l, BROKER_ENDED, "the broker ends it: %s", mosquitto_reason_string(reason));
}

static void on_publish(struct mosquitto *mosq, void *context, int mid, int reason,
                       const mosquitto_property *properties)
{
    struct broker *l = context;
    (void)mosq;
    (void)properties;
    if (reason == MQTT_RC_QUOTA_EXCEEDED) { /* for now, not for good: it comes again */
        end(l, BROKER_ENDED, "the broker has no room: %s", mosquitto_reason_string(reason));
        return;
    }
    l->answered++;
    l->calls->acknowledged(l->context, mid, reason);
}

static void on_subscribe(struct mosquitto *mosq, void *context, int mid, int count,
                         const int *granted)
{
    struct broker *l = context;
    (void)mosq;
    l->calls->subscribed(l->context, mid, count > 0 && granted[0] < 128);
}

static void on_message(struct mosquitto *mosq, void *context, const struct mosquitto_message *m,
                       const mosquitto_property *properties)
{
    struct broker *l = context;
    char *response = NULL;
    void *correlation = NULL;
    uint16_t length = 0;
    (void)mosq;
    mosquitto_property_read_string(properties, MQTT_PROP_RESPONSE_TOPIC, &response, false);
    mosquitto_property_read_binary(properties, MQTT_PROP_CORRELATION_DATA, &correlation,
                                   &length, false);
    l->calls->message(l->context, &(struct broker_message){.topic = m->topic,
                                                           .payload = m->payload,
                                                           .length = (size_t)m->payloadlen,
                                                           .retain = m->retain,
                                                           .response_topic = response,
                                                           .correlation = correlation,
                                                           .correlation_length = length});
    free(response);
    free(correlation);
}

/* "OpenSSL Error[0]: error:0A000086:SSL routines::certificate verify failed": the end of it */
static void on_log(struct mosquitto *mosq, void *context, int level, const char *words)
{
    struct broker *l = context;
    const char *last = strrchr(words, ':');
    (void)mosq;
    if (level == MOSQ_LOG_ERR && strncmp(words, "OpenSSL", 7) == 0 && last)
        snprintf(l->tls_why, sizeof l->tls_why, "%s", last + 1 + strspn(last + 1, " "));
}

/* the same sentence whether it is met at the first byte or later: it is said once */
static const char *words_of(const struct broker *l, int rc)
{
    if (rc == MOSQ_ERR_ERRNO)
        return strerror(errno);
    return rc == MOSQ_ERR_TLS && l->tls_why[0] ? l->tls_why : mosquitto_strerror(rc);
}

/* ---- opening ---- */

static bool set_login(struct mosquitto *mosq, const struct delivery_broker *b,
                      char why[BROKER_WHY_SIZE])
{
    char password[SECRET_SIZE] = "";
    if (b->username[0] == '\0')
        return true;
    if (b->password_file[0] &&
        !secret_read(b->password_file, "the password", password, why, BROKER_WHY_SIZE))
        return false;
    int rc =
        mosquitto_username_pw_set(mosq, b->username, b->password_file[0] ? password : NULL);
    explicit_bzero(password, sizeof password);
    if (rc != MOSQ_ERR_SUCCESS)
        snprintf(why, BROKER_WHY_SIZE, "user name and password: %s", mosquitto_strerror(rc));
    return rc == MOSQ_ERR_SUCCESS;
}

static bool set_tls(struct mosquitto *mosq, const struct delivery_tls *t,
                    char why[BROKER_WHY_SIZE])
{
    if (!t->enabled)
        return true;
    const char *cert = t->cert[0] ? t->cert : NULL, *key = t->key[0] ? t->key : NULL;
    int rc = t->ca[0] ? mosquitto_tls_set(mosq, t->ca, NULL, cert, key, NULL)
                      : mosquitto_tls_set(mosq, NULL, "/etc/ssl/certs", cert, key, NULL);
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_tls_opts_set(mosq, 1, "tlsv1.2", NULL);
    if (rc != MOSQ_ERR_SUCCESS)
        snprintf(why, BROKER_WHY_SIZE, "TLS with %.100s: %s",
                 t->ca[0] ? t->ca : "the system's authorities",
                 rc == MOSQ_ERR_INVAL ? "a file cannot be read" : mosquitto_strerror(rc));
    return rc == MOSQ_ERR_SUCCESS;
}

static int set_options(struct broker *l, const struct broker_options *o)
{
    mosquitto_connect_v5_callback_set(l->mosq, on_connect);
    mosquitto_disconnect_v5_callback_set(l->mosq, on_disconnect);
    mosquitto_publish_v5_callback_set(l->mosq, on_publish);
    mosquitto_subscribe_callback_set(l->mosq, on_subscribe);
    mosquitto_message_v5_callback_set(l->mosq, on_message);
    if (o->broker->tls.enabled)
        mosquitto_log_callback_set(l->mosq, on_log);
    int rc = mosquitto_int_option(l->mosq, MOSQ_OPT_PROTOCOL_VERSION,
                                  o->protocol == 5 ? MQTT_PROTOCOL_V5 : MQTT_PROTOCOL_V311);
    if (rc == MOSQ_ERR_SUCCESS) /* Nagle and delayed acknowledgement cost 40 ms a message */
        rc = mosquitto_int_option(l->mosq, MOSQ_OPT_TCP_NODELAY, 1);
    if (rc == MOSQ_ERR_SUCCESS && o->will && o->will->topic)
        rc = mosquitto_will_set(l->mosq, o->will->topic, (int)o->will->length, o->will->payload,
                                o->will->qos, o->will->retain);
    return rc;
}

struct broker *broker_open(const struct broker_options *o, char why[BROKER_WHY_SIZE])
{
    struct broker *l = calloc(1, sizeof *l);
    why[0] = '\0';
    if (!l || !(l->mosq = mosquitto_new(o->broker->client_id, true, l))) {
        snprintf(why, BROKER_WHY_SIZE, "memory is short");
        free(l);
        return NULL;
    }
    l->calls = o->calls;
    l->context = o->context;
    l->protocol = o->protocol;
    snprintf(l->address, sizeof l->address, "%s:%d", o->broker->host, o->broker->port);
    int rc = set_options(l, o);
    if (rc != MOSQ_ERR_SUCCESS)
        snprintf(why, BROKER_WHY_SIZE, "%s", mosquitto_strerror(rc));
    else if (set_login(l->mosq, o->broker, why) && set_tls(l->mosq, &o->broker->tls, why)) {
        rc = mosquitto_connect_async(l->mosq, o->broker->host, o->broker->port,
                                     o->broker->keepalive_seconds);
        if (rc == MOSQ_ERR_SUCCESS || rc == MOSQ_ERR_CONN_PENDING)
            return l;
        snprintf(why, BROKER_WHY_SIZE, "%s: %s: %s", l->address,
                 rc == MOSQ_ERR_TLS ? "TLS" : "cannot be reached", words_of(l, rc));
    }
    broker_close(l, false);
    return NULL;
}

void broker_close(struct broker *l, bool polite)
{
    if (!l)
        return;
    if (polite && l->state == BROKER_UP) {
        mosquitto_disconnect(l->mosq);
        for (int i = 0; i < 20 && mosquitto_want_write(l->mosq); i++) {
            struct pollfd p = {.fd = mosquitto_socket(l->mosq), .events = POLLOUT};
            if (p.fd < 0 || poll(&p, 1, 50) < 0 ||
                mosquitto_loop_write(l->mosq, 1) != MOSQ_ERR_SUCCESS)
                break;
        }
    }
    mosquitto_destroy(l->mosq);
    free(l);
}

/* ---- the turn ---- */

static void failed(struct broker *l, int rc)
{
    bool hung_up = l->state == BROKER_CONNECTING && l->greeted &&
                   (rc == MOSQ_ERR_CONN_LOST || rc == MOSQ_ERR_PROTOCOL ||
                    rc == MOSQ_ERR_NO_CONN || rc == MOSQ_ERR_MALFORMED_PACKET);
    if (hung_up)
        end(l, BROKER_REFUSED_VERSION, "the broker hangs up on MQTT %s",
            l->protocol == 5 ? "5" : "3.1.1");
    else
        end(l, BROKER_ENDED, "%s%s", rc == MOSQ_ERR_TLS ? "TLS: " : "", words_of(l, rc));
}

enum broker_state broker_turn(struct broker *l, int wake_fd, int timeout_ms)
{
    int socket = mosquitto_socket(l->mosq);
    if (l->state == BROKER_ENDED || l->state == BROKER_REFUSED_VERSION)
        return l->state;
    if (socket < 0) {
        failed(l, MOSQ_ERR_NO_CONN);
        return l->state;
    }
    struct pollfd p[2] = {{.fd = socket, .events = POLLIN}, {.fd = wake_fd, .events = POLLIN}};
    if (mosquitto_want_write(l->mosq))
        p[0].events |= POLLOUT;
    else
        l->greeted = true;
    int n = poll(p, 2, timeout_ms);
    int rc = MOSQ_ERR_SUCCESS;
    if (n > 0 && p[0].revents & POLLOUT)
        rc = mosquitto_loop_write(l->mosq, 1);
    if (rc == MOSQ_ERR_SUCCESS && n > 0 && p[0].revents & (POLLIN | POLLERR | POLLHUP))
        rc = mosquitto_loop_read(l->mosq, 1);
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_loop_misc(l->mosq);
    if (rc != MOSQ_ERR_SUCCESS)
        failed(l, rc);
    return l->state;
}

bool broker_said_hello(const struct broker *l)
{
    return l->greeted;
}

bool broker_was_taken_over(const struct broker *l)
{
    return l->taken_over;
}

const char *broker_why(const struct broker *l)
{
    return l->why;
}

bool broker_congested(const struct broker *l)
{
    return mosquitto_want_write(l->mosq);
}

/* what MQTT 5 may know of a message */
static int add_properties(mosquitto_property **p, const struct broker_out *o)
{
    bool text = o->length > 0 && !o->binary;
    int rc = MOSQ_ERR_SUCCESS;
    if (text)
        rc = mosquitto_property_add_byte(p, MQTT_PROP_PAYLOAD_FORMAT_INDICATOR, 1);
    if (rc == MOSQ_ERR_SUCCESS && text && *(const char *)o->payload == '{')
        rc = mosquitto_property_add_string(p, MQTT_PROP_CONTENT_TYPE, "application/json");
    if (rc == MOSQ_ERR_SUCCESS && o->expiry_seconds > 0)
        rc = mosquitto_property_add_int32(p, MQTT_PROP_MESSAGE_EXPIRY_INTERVAL,
                                          o->expiry_seconds);
    if (rc == MOSQ_ERR_SUCCESS && o->correlation_length > 0)
        rc = mosquitto_property_add_binary(p, MQTT_PROP_CORRELATION_DATA, o->correlation,
                                           (uint16_t)o->correlation_length);
    for (int i = 0; rc == MOSQ_ERR_SUCCESS && i < BROKER_MOST_USER && o->user[i].name; i++)
        rc = mosquitto_property_add_string_pair(p, MQTT_PROP_USER_PROPERTY, o->user[i].name,
                                                o->user[i].value);
    return rc;
}

enum broker_publish broker_publish(struct broker *l, const struct broker_out *o, int *mid)
{
    mosquitto_property *properties = NULL;
    l->published++; /* the answer may come before the call is over */
    int unused, rc = l->protocol == 5 ? add_properties(&properties, o) : MOSQ_ERR_SUCCESS;
    if (rc == MOSQ_ERR_SUCCESS)
        rc = mosquitto_publish_v5(l->mosq, mid ? mid : &unused, o->topic, (int)o->length,
                                  o->payload, o->qos, o->retain, properties);
    mosquitto_property_free_all(&properties);
    l->published -= rc != MOSQ_ERR_SUCCESS;
    switch (rc) {
    case MOSQ_ERR_SUCCESS: return BROKER_SENT;
    case MOSQ_ERR_INVAL:
    case MOSQ_ERR_PAYLOAD_SIZE:
    case MOSQ_ERR_MALFORMED_UTF8:
    case MOSQ_ERR_OVERSIZE_PACKET:
    case MOSQ_ERR_QOS_NOT_SUPPORTED:
    case MOSQ_ERR_RETAIN_NOT_SUPPORTED: return BROKER_HOPELESS;
    default: failed(l, rc); return BROKER_LOST;
    }
}

size_t broker_unanswered(const struct broker *l)
{
    return l->published - l->answered;
}

enum broker_publish broker_say(struct broker *l, const char *topic, const char *text, int qos,
                               bool retain, int *mid)
{
    struct broker_out o = {.topic = topic,
                           .payload = text,
                           .length = text ? strlen(text) : 0,
                           .qos = qos,
                           .retain = retain};
    return broker_publish(l, &o, mid);
}

bool broker_subscribe(struct broker *l, const char *filter, int *mid)
{
    int rc = mosquitto_subscribe(l->mosq, mid, filter, 1);
    if (rc != MOSQ_ERR_SUCCESS)
        failed(l, rc);
    return rc == MOSQ_ERR_SUCCESS;
}

void broker_unsubscribe(struct broker *l, const char *filter)
{
    int rc = mosquitto_unsubscribe(l->mosq, NULL, filter);
    if (rc != MOSQ_ERR_SUCCESS)
        failed(l, rc);
}
