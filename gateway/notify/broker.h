/*
 * broker - one connection to a broker, from the first byte to the last. libmosquitto lives
 * here.
 *
 * A connection is made for one attempt and thrown away with it, so nothing of an old connection
 * (its queue, its packet numbers) can leak into the next; what was not acknowledged is sent
 * again from the outbox. Connecting does not block, except for looking up a name.
 *
 * Ownership  broker_open .. broker_close; strings are borrowed for the call
 * Threads    one thread; callbacks come from within broker_turn
 */
#ifndef FORETRIP_BROKER_H
#define FORETRIP_BROKER_H

#include "command.h"
#include "model/delivery.h"

#define BROKER_WHY_SIZE 512

struct broker;

struct broker_message {
    const char *topic;
    const void *payload;
    size_t length;
    bool retain;
    const char *response_topic; /* MQTT 5, NULL when there is none */
    const void *correlation;
    size_t correlation_length;
};

struct broker_calls {
    void (*acknowledged)(void *context, int mid,
                         int reason); /* MQTT 5 reason, below 128 is good */
    void (*subscribed)(void *context, int mid, bool granted);
    void (*message)(void *context, const struct broker_message *m);
};

enum broker_state {
    BROKER_CONNECTING,
    BROKER_UP,
    BROKER_ENDED,           /* see broker_why */
    BROKER_REFUSED_VERSION, /* the broker does not speak this version, or hung up on hearing it
                             */
};

/* A message on its way out. */
#define BROKER_MOST_USER 6
struct broker_out {
    const char *topic;
    const void *payload; /* NULL: none */
    size_t length;
    bool binary; /* else UTF-8 text, and JSON where it begins with a brace: MQTT 5 is told */
    int qos;
    bool retain;
    uint32_t expiry_seconds; /* after which nobody needs it any more, 0: never; MQTT 5 */
    const void *correlation; /* MQTT 5, given back with an answer */
    size_t correlation_length;
    struct { /* user properties, MQTT 5; the first without a name ends them */
        const char *name, *value;
    } user[BROKER_MOST_USER];
};

struct broker_options {
    const struct delivery_broker *broker; /* with a client id */
    const struct broker_out
        *will;    /* topic, payload, QoS and retain of it; NULL, or no topic: none */
    int protocol; /* 5, or 4 for 3.1.1 */
    const struct broker_calls *calls;
    void *context;
};

/* Begins to connect. NULL with a sentence in why when it cannot even begin. */
struct broker *broker_open(const struct broker_options *o, char why[BROKER_WHY_SIZE]);

/* polite: says goodbye, so that the broker does not publish the will. Accepts NULL. */
void broker_close(struct broker *l, bool polite);

/* Whether our CONNECT, and the will with it, has gone out. */
bool broker_said_hello(const struct broker *l);

/* Waits until the broker has something, there is room to write, wake_fd is readable or the time
 * is over, and does what there is to do. */
enum broker_state broker_turn(struct broker *l, int wake_fd, int timeout_ms);

/* It ended because another client came under our client id (MQTT 5, reason 142). */
bool broker_was_taken_over(const struct broker *l);

/* Why it ended; "" while it has not. */
const char *broker_why(const struct broker *l);

/* True while bytes wait for the socket. */
bool broker_congested(const struct broker *l);

/* Messages published and not yet answered (QoS 0: not yet written). */
size_t broker_unanswered(const struct broker *l);

enum broker_publish {
    BROKER_SENT,    /* on its way; *mid is its number */
    BROKER_LOST,    /* the connection is gone: again with the next one */
    BROKER_HOPELESS /* will never pass: too long, no valid topic */
};

/* mid may be NULL. */
enum broker_publish broker_publish(struct broker *l, const struct broker_out *out, int *mid);

/* A text without properties. */
enum broker_publish broker_say(struct broker *l, const char *topic, const char *text, int qos,
                               bool retain, int *mid);

/* QoS 1. *mid comes back in subscribed. False when the connection is gone. */
bool broker_subscribe(struct broker *l, const char *filter, int *mid);
void broker_unsubscribe(struct broker *l, const char *filter);

#endif
