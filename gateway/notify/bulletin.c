#include "bulletin.h"

#include "base/text.h"

#include <jansson.h>

#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

struct bulletin {
    pthread_mutex_t lock;
    size_t count;
    uint64_t version;
    struct bulletin_circuit circuits[];
};

struct bulletin *bulletin_create(const struct site *s)
{
    struct bulletin *b = calloc(1, sizeof *b + s->circuit_count * sizeof b->circuits[0]);
    if (!b)
        return NULL;
    pthread_mutex_init(&b->lock, NULL);
    b->count = s->circuit_count;
    return b;
}

void bulletin_destroy(struct bulletin *b)
{
    if (b)
        pthread_mutex_destroy(&b->lock);
    free(b);
}

void bulletin_set(struct bulletin *b, size_t circuit, int64_t wall_ms,
                  const struct engine_circuit *c)
{
    pthread_mutex_lock(&b->lock);
    b->circuits[circuit] = (struct bulletin_circuit){
        .amps = c->amps,
        .watts = c->watts,
        .volts = c->volts,
        .power_factor = c->power_factor,
        .heat = c->forecast.heat,
        .headroom_amps = c->forecast.headroom_amps,
        .chance = c->forecast.chance[2],
        .state = (int)c->state,
        .age_seconds = c->reading_wall_ms ? c->reading_age_seconds : INFINITY,
        .wall_ms = wall_ms,
        .version = ++b->version,
    };
    pthread_mutex_unlock(&b->lock);
}

void bulletin_get(struct bulletin *b, size_t circuit, struct bulletin_circuit *out)
{
    pthread_mutex_lock(&b->lock);
    *out = b->circuits[circuit];
    pthread_mutex_unlock(&b->lock);
}

const char *bulletin_state_word(int state)
{
    return state == CIRCUIT_CLOSED ? "closed" : state == CIRCUIT_OPEN ? "open" : "unknown";
}

static enum alarm_priority priority_of(const char *word)
{
    for (int p = PRIORITY_URGENT; p <= PRIORITY_LOW; p++)
        if (strcmp(word, alarm_priority_name((enum alarm_priority)p)) == 0)
            return (enum alarm_priority)p;
    return PRIORITY_LOW;
}

static bool take_alarm(void *context, const struct store_alarm_row *row)
{
    struct bulletin_alarms *out = context;
    enum alarm_state state;
    if (!alarm_state_find(row->state, &state) ||
        (state != ALARM_UNACKNOWLEDGED && state != ALARM_ACKNOWLEDGED &&
         state != ALARM_RETURNED_UNACKNOWLEDGED))
        return true;
    json_t *o = json_loads(row->json, 0, NULL);
    const char *circuit = json_string_value(json_object_get(o, "circuit"));
    const char *text = json_string_value(json_object_get(o, "text"));
    struct bulletin_alarm *a = &out->list[out->count++];
    *a = (struct bulletin_alarm){.priority = priority_of(row->priority),
                                 .alert = json_is_true(json_object_get(o, "alert"))};
    a->unacknowledged = state != ALARM_ACKNOWLEDGED && !a->alert;
    text_copy(a->id, sizeof a->id, row->id);
    text_copy(a->kind, sizeof a->kind, row->kind);
    text_copy(a->circuit, sizeof a->circuit, circuit ? circuit : "");
    text_copy(a->text, sizeof a->text, text ? text : row->kind);
    json_decref(o);
    return out->count < BULLETIN_MOST_ALARMS;
}

enum store_err bulletin_read_alarms(struct store_reader *r, struct bulletin_alarms *out)
{
    out->count = 0;
    return store_read_alarms(r, true, take_alarm, out);
}

struct bulletin_sum bulletin_sum(const struct bulletin_alarms *a)
{
    struct bulletin_sum sum = {.latest = ""};
    for (size_t i = 0; i < a->count; i++) {
        if (a->list[i].alert)
            continue;
        if (sum.standing++ == 0)
            sum.latest = a->list[i].text;
        sum.unacknowledged += a->list[i].unacknowledged;
    }
    return sum;
}

const struct bulletin_alarm *bulletin_worst(const struct bulletin_alarms *a,
                                            const char *circuit)
{
    const struct bulletin_alarm *worst = NULL;
    for (size_t i = 0; i < a->count; i++)
        if (strcmp(a->list[i].circuit, circuit) == 0 &&
            (!worst || a->list[i].priority < worst->priority))
            worst = &a->list[i];
    return worst;
}
