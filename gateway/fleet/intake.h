/*
 * intake - where the sites' streams come in: MQTT, or AMQP 0-9-1, behind one face.
 *
 * What comes is handed on as it is, with a tag; when the collector says that it is in the store
 * (intake_taken), the broker is told. Over AMQP a message that was not said to be taken comes
 * again, to this collector or another. Over MQTT the library has answered for it already:
 * there a collector that dies takes what it held with it, and the gap in the site's stream is
 * asked for again (ledger.h). Collectors of one group share the sites.
 *
 * Ownership  intake_open .. intake_close; the options are borrowed until then
 * Threads    one thread; the calls come from within intake_turn
 */
#ifndef FORETRIP_FLEET_INTAKE_H
#define FORETRIP_FLEET_INTAKE_H

#include "model/fleet.h"

#include <stdint.h>

#define INTAKE_WHY_SIZE 400

struct intake_calls {
    void (*up)(void *context, const char *site, const void *payload, size_t length,
               uint64_t tag);
    void (*line)(void *context, const char *site, bool online, uint64_t tag);
};

struct intake_options {
    const struct fleet_settings *settings; /* its broker with a client id of its own */
    const struct intake_calls *calls;
    void *context;
    int retry_first_ms, retry_most_ms; /* 0: 500 and 30000 */
};

struct intake;

/* NULL with a sentence in why. A broker that is away is no error. */
struct intake *intake_open(const struct intake_options *o, char why[INTAKE_WHY_SIZE]);
void intake_close(struct intake *i); /* accepts NULL */

/* Connects when it is time to, waits for something to come, at most timeout_ms, and hands it
 * on. True while the broker is there. */
bool intake_turn(struct intake *i, int timeout_ms);

/* All up to and including this tag is in the store. */
void intake_taken(struct intake *i, uint64_t tag);

/* Nothing more is wanted for now: the broker gives it to others, or keeps it. The next turn
 * ends that. */
void intake_leave(struct intake *i);

/* Publishes a command to the site (docs/mqtt.md). False when the broker is not there. */
bool intake_ask(struct intake *i, const char *site, const char *verb, const char *json);

/* ---- for the two that are behind it ---- */

struct intake_ways {
    void (*close)(struct intake *i);
    bool (*turn)(struct intake *i, int timeout_ms);
    void (*taken)(struct intake *i, uint64_t tag);
    void (*leave)(struct intake *i);
    bool (*ask)(struct intake *i, const char *site, const char *verb, const char *json);
};

struct intake { /* first member of each one's own */
    const struct intake_ways *ways;
    struct intake_options options;
};

struct intake *intake_mqtt_open(const struct intake_options *o, char why[INTAKE_WHY_SIZE]);

struct intake *intake_amqp_open(const struct intake_options *o, char why[INTAKE_WHY_SIZE]);

/* The site in "foretrip/<site>/<word>", and the word; false when it is none of these. The
 * separator is MQTT's slash or AMQP's dot. */
bool intake_read_topic(const char *topic, char separator, char site[SITE_ID_SIZE],
                       const char **word);

/* Hands a message on by its topic; passes over what is neither up nor status. False then. */
bool intake_hand_on(const struct intake *i, const char *topic, char separator,
                    const void *payload, size_t length, uint64_t tag);

#endif
