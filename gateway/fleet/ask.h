/*
 * ask - a unit's gateway is asked, on demand, for what stays at the site: its sheet, a trip's.
 *
 * A command of docs/mqtt.md goes out as `foretrip/<site>/command/<verb>` (with `/<person>`
 * where fleet.cfg has `ask_as`), with a response topic `foretrip/<site>/reply/<asker>` and an
 * id that nobody can guess, in the payload (`reply_to`, `id`), so that gateways and brokers of
 * MQTT 3.1.1 answer as well. An answer counts when it comes on the reply topic of the very site
 * that was asked, with that id; all else is passed over. A gateway that is not there is noticed
 * at once by a broker of MQTT 5 (reason "no matching subscribers"), else by the time.
 *
 * An asker keeps a connection of its own, and connects again by itself. While the broker is
 * away a question waits for it until its own time is over. What has been sent when the
 * connection breaks ends as ASK_ERR_BROKER: whether it was carried out is then not known, and
 * it is not sent twice.
 *
 * Bounds     ASK_MOST questions at a time, ASK_MOST_OF_SITE of them to one site; an answer of
 *            ASK_MOST_BYTES
 * Ownership  asker_start .. asker_stop; settings are copied
 * Threads    one of its own; all functions may be called from any thread
 */
#ifndef FORETRIP_FLEET_ASK_H
#define FORETRIP_FLEET_ASK_H

#include "model/fleet.h"

#include <jansson.h>

#define ASK_MOST 64
#define ASK_MOST_OF_SITE 4
#define ASK_MOST_BYTES ((size_t)1024 * 1024)
#define ASK_MOST_MS 60000
#define ASK_USUAL_MS 10000
#define ASK_WHY_SIZE 400

struct asker;

enum ask_err {
    ASK_OK = 0,
    ASK_ERR_BUSY,   /* too many questions at once, or to that site */
    ASK_ERR_BAD,    /* no site's id, no verb, or the question is no JSON object or too long */
    ASK_ERR_BROKER, /* the broker is not there, or went away before the answer came */
    ASK_ERR_FORBIDDEN, /* the broker does not let us ask */
    ASK_ERR_GATEWAY,   /* the gateway is not connected to it */
    ASK_ERR_TIME,      /* no answer in time */
    ASK_ERR_REFUSED,   /* the gateway says no; why has its sentence */
    ASK_ERR_LARGE,     /* the answer is longer than ASK_MOST_BYTES */
    ASK_ERR_ANSWER,    /* the answer cannot be read */
    ASK_ERR_MEMORY,
    ASK_ERR_STOPPED, /* the asker is being stopped */
};

/* Connects in the background. NULL with a sentence in why. */
struct asker *asker_start(const struct fleet_settings *settings, char why[ASK_WHY_SIZE]);

/* Questions that are out end as ASK_ERR_STOPPED. No other call may be under way. Accepts NULL.
 */
void asker_stop(struct asker *a);

/* The broker is there. */
bool asker_is_up(struct asker *a);

struct ask_answer {
    enum ask_err err;
    char why[ASK_WHY_SIZE]; /* a sentence when err is not ASK_OK */
    char *json; /* the answer as it came, an object; malloc'ed, NULL unless ASK_OK */
    size_t length;
};
void ask_answer_free(struct ask_answer *x);

/* Called once for each question taken, from the asker's thread; must not block and must not
 * call asker_stop. *x is the callee's from then on (ask_answer_free). */
typedef void ask_done_fn(void *context, struct ask_answer *x);

/* verb: "sheet" and its like; members: a JSON object's text, "" for none; timeout_ms: up to
 * ASK_MOST_MS, 0 for ASK_USUAL_MS. Other than ASK_OK: done is never called. */
enum ask_err asker_begin(struct asker *a, const char *site, const char *verb,
                         const char *members, int timeout_ms, ask_done_fn *done, void *context);

/* The same, waiting. Returns out->err; *out is always filled. */
enum ask_err asker_wait(struct asker *a, const char *site, const char *verb,
                        const char *members, int timeout_ms, struct ask_answer *out);

/* A short lower-case phrase; static storage. */
const char *ask_strerror(enum ask_err err);

/* ---- what comes from outside, read: pure ---- */

#define ASK_ID_SIZE 33

/* "foretrip/<site>/reply/<asker>": the site; false when it is no answer to that asker. */
bool ask_read_topic(const char *topic, const char *asker, char site[SITE_ID_SIZE]);

/* The id of an answer; "" when it cannot be read. ASK_OK, ASK_ERR_REFUSED with the gateway's
 * sentence in why (without control characters), or ASK_ERR_LARGE, ASK_ERR_ANSWER. */
enum ask_err ask_read_answer(const void *payload, size_t length, char id[ASK_ID_SIZE],
                             char why[ASK_WHY_SIZE]);

#endif
