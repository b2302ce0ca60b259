/*
 * sparkplug_payload - Sparkplug B payloads, put together and read (sparkplug.proto,
 * protobuf-c).
 *
 * Source: Eclipse Sparkplug Specification 3.0.0, chapter 6.
 *
 * Ownership  sparkplug_payload_begin .. sparkplug_payload_free; names and texts are borrowed
 * until it is packed
 */
#ifndef FORETRIP_SPARKPLUG_PAYLOAD_H
#define FORETRIP_SPARKPLUG_PAYLOAD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum sparkplug_type { /* its table of datatypes */
                      SPARKPLUG_INT32 = 3,
                      SPARKPLUG_INT64 = 4,
                      SPARKPLUG_FLOAT = 9,
                      SPARKPLUG_BOOLEAN = 11,
                      SPARKPLUG_STRING = 12,
};

struct sparkplug_metric {
    const char *name;
    enum sparkplug_type type;
    int64_t wall_ms;
    bool historical; /* of an outage, sent later */
    double number;   /* INT32, INT64, FLOAT (NaN: null), BOOLEAN (0 or 1) */
    const char *text;
};

struct sparkplug_payload {
    struct sparkplug_metric *metrics;
    size_t count, capacity;
    bool failed; /* memory was short; packing gives nothing */
};

void sparkplug_payload_clear(struct sparkplug_payload *p);
void sparkplug_payload_free(struct sparkplug_payload *p);
void sparkplug_payload_add(struct sparkplug_payload *p, const struct sparkplug_metric *m);

/* malloc'ed bytes, NULL when memory is short. seq -1: none, as in NDEATH; wall_ms 0: no time.
 */
uint8_t *sparkplug_payload_pack(const struct sparkplug_payload *p, int seq, int64_t wall_ms,
                                size_t *length);

/* Whether a command of a host asks for a new birth: a metric "Node Control/Rebirth" that is
 * true. False as well for what is no payload at all. */
bool sparkplug_payload_asks_rebirth(const void *bytes, size_t length);

#endif
