/*
 * sender - the record to the broker: outbox, retained alarms and trips, the stream for a
 * centre.
 *
 * Knows what has been sent over the present connection and what of it the broker has answered,
 * and settles that with the store. Opening and closing the connection is somebody else's part.
 *
 * Ownership  sender_create .. sender_destroy; borrows the store
 * Threads    one thread; what says so from any
 */
#ifndef FORETRIP_SENDER_H
#define FORETRIP_SENDER_H

#include "broker.h"
#include "store/reader.h"

struct sender;

struct sender_options {
    struct store *store;
    const char *store_path;
    const char *site_id;
    bool up, up_loads; /* delivery_broker's */
    int64_t up_period_ms;
    int64_t up_health_ms; /* 0: UP_HEALTH_MS */
};

struct sender_counts {
    uint64_t acknowledged; /* messages of the outbox */
    uint64_t refused; /* for good, by the broker or by MQTT's own bounds: said and skipped */
    uint64_t expired;
};

struct sender *sender_create(const struct sender_options *o);
void sender_destroy(struct sender *s); /* accepts NULL */

/* A new connection: subscribes to the retained topics and begins again from the oldest message
 * that is not acknowledged. */
void sender_begin(struct sender *s, struct broker *line);

/* Sends what there is room for. Called after every turn of the connection. */
void sender_feed(struct sender *s, struct broker *line);

/* What the broker says, from its callbacks. True: something of the record is delivered. */
bool sender_take_answer(struct sender *s, int mid, int reason);
void sender_take_subscribed(struct sender *s, int mid, bool granted);
void sender_take_retained(struct sender *s, const char *topic);

/* How the gateway is, a JSON object's text, for the stream for a centre; copied. Any thread. */
void sender_set_health(struct sender *s, const char *json);

/* The line has come back: it goes within SENDER_HASTE_MS of the last one. The line's thread. */
#define SENDER_HASTE_MS 20000
void sender_hasten_health(struct sender *s);

/* Numbers above after up to to of that stream once more. Any thread. */
void sender_send_again(struct sender *s, int64_t after, int64_t to);

/* Any thread. */
void sender_get_counts(struct sender *s, struct sender_counts *out);
/* True when all that was on disk a moment ago is acknowledged. Any thread. */
bool sender_idle(struct sender *s);

#endif
