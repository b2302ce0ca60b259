/*
 * mqtt - the line to the broker: the outbox out, commands in.
 *
 * One thread of its own does everything that can block (names, connecting, TLS, the broker).
 * Connecting, and connecting again, is line.h's.
 *
 * The outbox goes out in order, at most WINDOW_SLOTS (32) messages unanswered; what the broker
 * has acknowledged is settled with the store, and after a reconnect everything starts again
 * from the oldest not acknowledged: at least once, in order, never out of the broker's own
 * queue. `status` is "online", by will "offline". Circuit states are latest values only: kept
 * here, sent at QoS 0 when they change and the socket is free, and all again after a reconnect.
 *
 * Ownership  mqtt_start .. mqtt_stop; borrows the store, which must outlive it
 * Threads    every call from any thread; none blocks on the broker (mqtt_stop: 3 s at the most,
 *            longer only while a name is being looked up)
 */
#ifndef FORETRIP_MQTT_H
#define FORETRIP_MQTT_H

#include "command.h"
#include "store/store.h"

struct pulse;           /* base/pulse.h */
struct delivery_broker; /* model/delivery.h */
struct mqtt;

struct mqtt_options {
    const struct delivery_broker *broker; /* copied; its `up`: the stream for a centre too */
    const char *site_id;
    struct store *store;
    const char *store_path;   /* for the reader of its own */
    double up_seconds;        /* a batch at least every so often; 0: 1 */
    double up_health_seconds; /* 0: a quarter of an hour */
    int retry_first_ms;       /* 0: 500 */
    int retry_most_ms;        /* 0: 30000 */
};

/* NULL with a sentence in why when the options cannot work (an unreadable password file, say)
 * or memory is short. A broker that is away is no error. Sets the store's watch. */
struct mqtt *mqtt_start(const struct mqtt_options *o, char *why, size_t why_size);

/* Says "offline", disconnects and ends the thread. Messages not yet acknowledged stay in the
 * outbox. Accepts NULL. */
void mqtt_stop(struct mqtt *m);

/* The latest state of a circuit for `circuit/<id>/state`; copied. */
void mqtt_set_state(struct mqtt *m, const char *circuit_id, const char *json);

/* How the gateway is, for the stream for a centre: a JSON object's text; copied. */
void mqtt_set_health(struct mqtt *m, const char *json);

/* A centre lacks the numbers above after up to to of its stream: once more. */
void mqtt_send_again(struct mqtt *m, int64_t after, int64_t to);

/* The next command, false when there is none. Every one taken is to be answered once. */
bool mqtt_take_command(struct mqtt *m, struct command *out);

/* The answer: {"id":..,"ok":true} with the members of `members` (a JSON object's text, NULL for
 * none) or, when error is given, {"id":..,"ok":false,"error":".."}. Nothing when the sender
 * wanted none. */
void mqtt_reply(struct mqtt *m, const struct command_reply *to, const char *error,
                const char *members);

/* After a commit that failed, by the store's owner: trips and alarms that the disk has refused
 * for STORE_GRACE_MS are told all the same, with "stored":false and without "seq". When the
 * disk takes them later they come again, through the outbox. */
void mqtt_tell_unwritten(struct mqtt *m, int64_t mono_ms);

#define MQTT_RUN_SIZE 17
struct mqtt_status {
    bool connected;
    bool idle;     /* all that was on disk a moment ago is acknowledged */
    int protocol;  /* 5 or 4 (3.1.1), of this or the next connection */
    char why[160]; /* why not connected, a sentence; "" when connected */
    uint64_t connects;
    uint64_t taken_over;     /* times that another client came under our id; MQTT 5 */
    char run[MQTT_RUN_SIZE]; /* chosen at random at the start: two gateways have two */
    uint64_t acknowledged;   /* messages */
    uint64_t refused;        /* by the broker for good: said and skipped */
    uint64_t expired;
    uint64_t commands_refused; /* not understood, or too many at once */
};
void mqtt_get_status(struct mqtt *m, struct mqtt_status *out);

/* Its thread's. */
const struct pulse *mqtt_pulse(const struct mqtt *m);

#endif
