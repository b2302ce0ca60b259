/*
 * convention - a line to the broker of its own, for one of the open conventions.
 *
 * Each convention wants a will of its own, and MQTT has one will a connection: so each has its
 * connection and its thread, and none can be in the way of the gateway's own messages. This is
 * the thread; what is said is the convention's (sparkplug.h, homie.h).
 *
 * Ownership  convention_start .. convention_stop; `self` is the caller's and outlives it
 * Threads    the calls come from the convention's thread
 */
#ifndef FORETRIP_CONVENTION_H
#define FORETRIP_CONVENTION_H

#include "bulletin.h"
#include "line.h"

#include "base/pulse.h"

enum convention_next {
    CONVENTION_WAIT, /* for the broker, a wake or half a second */
    CONVENTION_MORE, /* there is more to say at once */
    CONVENTION_LEAVE /* say goodbye, disconnect and come again */
};

struct convention_calls {
    struct line_calls line;
    /* After each turn while the broker is there. */
    enum convention_next (*feed)(void *self, struct broker *b);
    /* Before the connection is ended on purpose. */
    void (*goodbye)(void *self, struct broker *b);
};

/* What every convention knows of its surroundings. */
struct convention_options {
    const struct delivery_broker *broker; /* copied */
    const struct site *site;
    struct bulletin *bulletin;
    const char *store_path;
    double meter_lost_seconds; /* a meter is taken for lost when its readings are so old */
};

struct convention;

/* name: of the log and at the end of the client id. NULL when memory is short. */
struct convention *convention_start(const char *name, const struct convention_options *o,
                                    const struct convention_calls *calls, void *self);

/* There is something new. Any thread. */
void convention_wake(struct convention *c);

/* Says goodbye where the broker is there, and ends the thread. Accepts NULL. */
void convention_stop(struct convention *c);

bool convention_connected(struct convention *c);

/* Its thread's. */
const struct pulse *convention_pulse(const struct convention *c);

#endif
