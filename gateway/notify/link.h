/*
 * link - one connection to a broker, from the first byte to the last. libmosquitto lives here.
 *
 * A link is made for one attempt and thrown away with it, so nothing of an old connection (its
 * queue, its packet numbers) can leak into the next; what was not acknowledged is sent again
 * from the outbox. Connecting does not block, except for looking up a name.
 *
 * Ownership  link_open .. link_close; strings are borrowed for the call
 * Threads    one thread; callbacks come from within link_turn
 */
#ifndef FORETRIP_LINK_H
#define FORETRIP_LINK_H

#include "command.h"
#include "model/delivery.h"

#define LINK_WHY_SIZE 512

struct link;

struct link_message {
    const char *topic;
    const void *payload;
    size_t length;
    bool retain;
    const char *response_topic; /* MQTT 5, NULL when there is none */
    const void *correlation;
    size_t correlation_length;
};

struct link_calls {
    void (*acknowledged)(void *context, int mid,
                         int reason); /* MQTT 5 reason, below 128 is good */
    void (*subscribed)(void *context, int mid);
    void (*message)(void *context, const struct link_message *m);
};

enum link_state {
    LINK_CONNECTING,
    LINK_UP,
    LINK_ENDED,           /* see link_why */
    LINK_REFUSED_VERSION, /* the broker does not speak this version, or hung up on hearing it */
};

struct link_options {
    const struct delivery_broker *broker;
    const char *client_id;
    const char *will_topic; /* retained, QoS 1 */
    const char *will;
    int protocol; /* 5, or 4 for 3.1.1 */
    const struct link_calls *calls;
    void *context;
};

/* Begins to connect. NULL with a sentence in why when it cannot even begin. */
struct link *link_open(const struct link_options *o, char why[LINK_WHY_SIZE]);

/* polite: says goodbye, so that the broker does not publish the will. Accepts NULL. */
void link_close(struct link *l, bool polite);

/* Waits until the broker has something, there is room to write, wake_fd is readable or the time
 * is over, and does what there is to do. */
enum link_state link_turn(struct link *l, int wake_fd, int timeout_ms);

/* Why the link ended; "" while it has not. */
const char *link_why(const struct link *l);

/* True while bytes wait for the socket. */
bool link_congested(const struct link *l);

enum link_publish {
    LINK_SENT,    /* on its way; *mid is its number */
    LINK_LOST,    /* the connection is gone: again with the next one */
    LINK_HOPELESS /* will never pass: too long, no valid topic */
};

/* payload NULL: an empty one. reply: whose correlation data goes with it, or NULL. */
enum link_publish link_publish(struct link *l, const char *topic, const char *payload, int qos,
                               bool retain, const struct command_reply *reply, int *mid);

/* QoS 1. *mid comes back in subscribed. False when the connection is gone. */
bool link_subscribe(struct link *l, const char *filter, int *mid);
void link_unsubscribe(struct link *l, const char *filter);

#endif
