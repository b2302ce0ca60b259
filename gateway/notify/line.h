/*
 * line - a broker kept at hand: connected, and after a break connected again.
 *
 * MQTT 5, and 3.1.1 with a broker that refuses it. A broker that is away is tried again after
 * a time that doubles from first to most, with jitter; a connection that held for 10 s, or over
 * which something was acknowledged, begins that anew. Why it is away is logged once.
 *
 * Ownership  line_init .. line_close; what the options point to is borrowed until then
 * Threads    one thread; calls come from within line_turn and line_close
 */
#ifndef FORETRIP_LINE_H
#define FORETRIP_LINE_H

#include "broker.h"

struct line_calls {
    /* Before each connection: the will into *out; left without a topic: none. again: no broker
     * has had the last one. */
    void (*will)(void *context, bool again, struct broker_out *out);
    /* The broker has greeted us: subscribe, and say what is always said first. */
    void (*up)(void *context, struct broker *b);
    /* The connection is gone; may be NULL. */
    void (*down)(void *context);
    struct broker_calls broker; /* its context is this context */
};

#define LINE_PATIENCE_MS                                                                       \
    120000 /* of its thread: the resolver may take a minute over a name                        \
            */

struct line_options {
    const struct delivery_broker *broker; /* with a client id */
    const char *topic;                    /* of the log: "mqtt" */
    const struct line_calls *calls;
    void *context;
    int wake_fd; /* readable: somebody wants the thread; drained by line_turn */
    int retry_first_ms, retry_most_ms; /* 0: 500 and 30000 */
};

struct line {
    struct line_options o;
    struct broker *broker; /* NULL: none */
    bool up;               /* greeted */
    bool progress;         /* something was acknowledged since it began */
    bool will_kept;        /* the last will went nowhere */
    int protocol;          /* 5 or 4 (3.1.1), of this or the next connection */
    uint64_t connects;
    uint64_t taken_over; /* ended because another client came under our id; MQTT 5 */
    int64_t began_mono_ms, retry_mono_ms;
    int retry_ms;
    char why[BROKER_WHY_SIZE];  /* why it is away; "" while up */
    char said[BROKER_WHY_SIZE]; /* the last reason logged */
};

void line_init(struct line *l, const struct line_options *o);

/* Waits for the broker, the wake or the time, at most timeout_ms, and does what there is to do.
 * True while the broker is there. */
bool line_turn(struct line *l, int timeout_ms);

/* Ends this connection without a will, and comes again after the shortest time. */
void line_leave(struct line *l);

/* polite: the broker does not publish the will. */
void line_close(struct line *l, bool polite);

#endif
