/*
 * payload - the JSON of the messages that are more than an event: put together as text.
 *
 * The parts are compact JSON objects made by event_json.h and are not parsed again.
 */
#ifndef FORETRIP_PAYLOAD_H
#define FORETRIP_PAYLOAD_H

#include "base/text.h"
#include "command.h"

/* The object with "seq" in front. */
void payload_with_seq(struct text *out, int64_t seq, const char *object);

/* A trip event with what became of it: restored_at and seconds_open (restored_wall_ms 0: open),
 * opened_again_after_seconds (seconds_held NaN: it did not). */
void payload_trip(struct text *out, const char *object, int64_t restored_wall_ms,
                  double seconds_open, double seconds_held);

/* The answer to a command: {"id":..,"ok":true, members of `members`}, or with error
 * {"id":..,"ok":false,"error":".."}. members may be NULL. */
void payload_answer(struct text *out, const char *id, const char *error, const char *members);

/* What an event is about, so that whoever gets it over MQTT 5 may sort it without reading JSON:
 * those of type, circuit, kind, priority, state that the object has, and how many. */
#define PAYLOAD_ABOUT_MOST 5
struct payload_about {
    const char *name; /* static storage */
    char value[SITE_ID_SIZE];
};
size_t payload_read_about(const char *object, struct payload_about out[PAYLOAD_ABOUT_MOST]);

/* The text as a JSON string, quotes and all. What is not UTF-8 becomes '?'. */
void payload_quote(struct text *out, const char *s);

#endif
