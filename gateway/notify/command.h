/*
 * command - what somebody asks of the gateway over MQTT, out of the bytes that came.
 *
 * Topic `foretrip/<site>/command/<verb>` or `.../command/<verb>/<person>`, payload a JSON
 * object:
 *
 *     acknowledge      alarm, by
 *     shelve           alarm, seconds, by, note
 *     unshelve         alarm, by
 *     out-of-service   alarm, by, note
 *     in-service       alarm, by
 *     circuits         -
 *     status           -
 *     sheet            trip, role
 *     history          circuit, quantity, pole, from, to, points
 *     name-load        load, name
 *     correct-cause    trip, cause, by
 *     note             trip, note, by
 *     breaker-replaced circuit, note, by
 *     call-begin       circuit, as, by, device
 *     call-answer      call, question, answer, danger, note, as, by, device
 *
 * (`name` and `correct` are understood as the last two.)
 *
 * A topic that ends in a person says who it is (the broker's access rules see to that), and
 * `by` is then not needed and not believed.
 *
 * each with `id` (given back in the answer) and `reply_to` (the topic for the answer). MQTT 5's
 * response topic and correlation data go before `reply_to`. Members that are not known are
 * passed over. Nothing switches anything.
 *
 * Pure: bytes in; a command, or a sentence that says what is wrong, out.
 */
#ifndef FORETRIP_COMMAND_H
#define FORETRIP_COMMAND_H

#include "model/call.h"
#include "model/event.h"
#include "model/frame.h"
#include "model/role.h"

#define COMMAND_MAX_BYTES 8192
#define COMMAND_ID_SIZE 128
#define COMMAND_BY_SIZE 96
#define COMMAND_NOTE_SIZE 512
#define COMMAND_TOPIC_SIZE 512
#define COMMAND_CORRELATION_SIZE 256
#define COMMAND_WHY_SIZE 256
#define COMMAND_MAX_SHELVE_SECONDS (30.0 * 86400.0)
#define COMMAND_MAX_POINTS 1000 /* some 40 KiB of answer */
#define COMMAND_POINTS 60       /* when nobody said */

enum command_verb {
    COMMAND_ACKNOWLEDGE,
    COMMAND_SHELVE,
    COMMAND_UNSHELVE,
    COMMAND_OUT_OF_SERVICE,
    COMMAND_IN_SERVICE,
    COMMAND_CIRCUITS,
    COMMAND_STATUS,
    COMMAND_NAME,
    COMMAND_CORRECT,
    COMMAND_HISTORY,
    COMMAND_NOTE,
    COMMAND_CALL_BEGIN,
    COMMAND_CALL_ANSWER,
    COMMAND_SEND_AGAIN,
    COMMAND_SHEET,
    COMMAND_REPLACED,
};
#define COMMAND_VERBS 16

/* Where the answer goes; an empty topic: nowhere. */
struct command_reply {
    char id[COMMAND_ID_SIZE];
    char topic[COMMAND_TOPIC_SIZE];
    uint8_t correlation[COMMAND_CORRELATION_SIZE];
    size_t correlation_length;
};

struct command_span {
    char circuit[SITE_ID_SIZE];
    enum frame_quantity quantity;
    int pole;                         /* from 1; 0: all together */
    int64_t from_wall_ms, to_wall_ms; /* 0: not said, an hour before to; now */
    int points;                       /* 1 to COMMAND_MAX_POINTS */
};

/* of a service call: analysis/call_rules.h has what it does */
struct command_call {
    char call[EVENT_ID_SIZE]; /* begin: the circuit, or the trip */
    uint32_t question;
    enum call_answer answer;
    enum call_danger danger;
    enum call_as as;
    char device[CALL_DEVICE_SIZE];
};

struct command {
    enum command_verb verb;
    char person[SITE_ID_SIZE]; /* out of the topic; "": it named nobody */
    char alarm[EVENT_ID_SIZE];
    char trip[EVENT_ID_SIZE];
    enum trip_cause cause; /* correct: what it was, CAUSE_LOAD_ENDED: no trip */
    double seconds;        /* shelve: 1 to COMMAND_MAX_SHELVE_SECONDS */
    char by[COMMAND_BY_SIZE];
    char note[COMMAND_NOTE_SIZE]; /* why; may be "" */
    char load[EVENT_ID_SIZE];     /* name: "<circuit>/<number>" */
    char name[EVENT_APPLIANCE_SIZE];
    char circuit[SITE_ID_SIZE]; /* breaker-replaced */
    struct command_span span;   /* history */
    int64_t after, to;          /* send-again: numbers above after up to to */
    enum delivery_role least;   /* sheet: told as to that role, where it may see less */
    struct command_call call;
    struct command_reply reply;
};

/* False: why holds the sentence, and out->reply is good as far as it could be read, so that the
 * sentence can be sent there. verb: the rest of the topic, with the person. `own` is
 * "foretrip/<site>/": answers to topics below it are refused except below "<own>reply/".
 * response_topic and correlation are MQTT 5's, NULL and 0 when there are none. */
bool command_parse(const char *own, const char *verb, const void *payload, size_t length,
                   const char *response_topic, const void *correlation,
                   size_t correlation_length, struct command *out, char why[COMMAND_WHY_SIZE]);

const char *command_verb_name(enum command_verb v);

#endif
