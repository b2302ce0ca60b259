#include "sparkplug_payload.h"

#include <sparkplug.pb-c.h> /* made of sparkplug.proto */

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LONGEST_COMMAND 65536

void sparkplug_payload_clear(struct sparkplug_payload *p)
{
    p->count = 0;
    p->failed = false;
}

void sparkplug_payload_free(struct sparkplug_payload *p)
{
    free(p->metrics);
    *p = (struct sparkplug_payload){0};
}

void sparkplug_payload_add(struct sparkplug_payload *p, const struct sparkplug_metric *m)
{
    if (p->count == p->capacity) {
        size_t capacity = p->capacity ? 2 * p->capacity : 32;
        struct sparkplug_metric *grown = realloc(p->metrics, capacity * sizeof *grown);
        if (!grown) {
            p->failed = true;
            return;
        }
        p->metrics = grown;
        p->capacity = capacity;
    }
    p->metrics[p->count++] = *m;
}

static void set_value(Foretrip__Sparkplug__Metric *out, const struct sparkplug_metric *m)
{
    switch (m->type) {
    case SPARKPLUG_INT32: /* signed numbers ride in unsigned fields as two's complement */
        out->value_case = FORETRIP__SPARKPLUG__METRIC__VALUE_INT_VALUE;
        out->int_value = (uint32_t)(int32_t)m->number;
        break;
    case SPARKPLUG_INT64:
        out->value_case = FORETRIP__SPARKPLUG__METRIC__VALUE_LONG_VALUE;
        out->long_value = (uint64_t)(int64_t)m->number;
        break;
    case SPARKPLUG_FLOAT:
        out->value_case = FORETRIP__SPARKPLUG__METRIC__VALUE_FLOAT_VALUE;
        out->float_value = (float)m->number;
        break;
    case SPARKPLUG_BOOLEAN:
        out->value_case = FORETRIP__SPARKPLUG__METRIC__VALUE_BOOLEAN_VALUE;
        out->boolean_value = m->number != 0.0;
        break;
    case SPARKPLUG_STRING:
        out->value_case = FORETRIP__SPARKPLUG__METRIC__VALUE_STRING_VALUE;
        out->string_value = (char *)m->text; /* packing only reads it */
        break;
    }
}

static void set_metric(Foretrip__Sparkplug__Metric *out, const struct sparkplug_metric *m)
{
    foretrip__sparkplug__metric__init(out);
    out->name = (char *)m->name; /* packing only reads it */
    out->has_timestamp = m->wall_ms > 0;
    out->timestamp = (uint64_t)m->wall_ms;
    out->has_datatype = true;
    out->datatype = m->type;
    out->has_is_historical = out->is_historical = m->historical;
    out->has_is_null = out->is_null = m->type == SPARKPLUG_FLOAT && isnan(m->number);
    if (!out->is_null)
        set_value(out, m);
}

uint8_t *sparkplug_payload_pack(const struct sparkplug_payload *p, int seq, int64_t wall_ms,
                                size_t *length)
{
    Foretrip__Sparkplug__Payload payload = FORETRIP__SPARKPLUG__PAYLOAD__INIT;
    Foretrip__Sparkplug__Metric *metrics = calloc(p->count + 1, sizeof *metrics);
    Foretrip__Sparkplug__Metric **list = calloc(p->count + 1, sizeof(void *));
    uint8_t *bytes = NULL;
    if (metrics && list && !p->failed) {
        for (size_t i = 0; i < p->count; i++) {
            set_metric(&metrics[i], &p->metrics[i]);
            list[i] = &metrics[i];
        }
        payload.n_metrics = p->count;
        payload.metrics = list;
        payload.has_timestamp = wall_ms > 0;
        payload.timestamp = (uint64_t)wall_ms;
        payload.has_seq = seq >= 0;
        payload.seq = seq >= 0 ? (uint64_t)seq : 0;
        *length = foretrip__sparkplug__payload__get_packed_size(&payload);
        bytes = malloc(*length + 1);
        if (bytes)
            foretrip__sparkplug__payload__pack(&payload, bytes);
    }
    free(metrics);
    free(list);
    return bytes;
}

bool sparkplug_payload_asks_rebirth(const void *bytes, size_t length)
{
    bool asks = false;
    Foretrip__Sparkplug__Payload *p =
        length <= LONGEST_COMMAND ? foretrip__sparkplug__payload__unpack(NULL, length, bytes)
                                  : NULL;
    for (size_t i = 0; p && i < p->n_metrics; i++) {
        const Foretrip__Sparkplug__Metric *m = p->metrics[i];
        asks |= m->name && strcmp(m->name, "Node Control/Rebirth") == 0 &&
                m->value_case == FORETRIP__SPARKPLUG__METRIC__VALUE_BOOLEAN_VALUE &&
                m->boolean_value;
    }
    if (p)
        foretrip__sparkplug__payload__free_unpacked(p, NULL);
    return asks;
}
