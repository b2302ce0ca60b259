#include "standing.h"

#include "payload.h"

#include <stdlib.h>
#include <string.h>

void standing_note(struct standing *s, const char *topic)
{
    if (s->count == STANDING_MOST)
        return;
    if (s->count == s->capacity) {
        size_t capacity = s->capacity ? 2 * s->capacity : 64;
        char **grown = realloc(s->topics, capacity * sizeof *grown);
        if (!grown)
            return;
        s->topics = grown;
        s->capacity = capacity;
    }
    char *copy = strdup(topic);
    if (copy)
        s->topics[s->count++] = copy;
}

void standing_free(struct standing *s)
{
    for (size_t i = 0; i < s->count; i++)
        free(s->topics[i]);
    free(s->topics);
    *s = (struct standing){0};
}

struct comparison {
    struct standing *noted; /* sorted */
    bool *stands;           /* of each */
    const char *own;
    standing_send *send;
    void *context;
};

static int by_text(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

/* notes that the topic stands; publishes it when the broker does not have it */
static bool stand(struct comparison *c, const char *kind, const char *id,
                  const struct text *payload)
{
    struct text topic = TEXT_INIT;
    text_printf(&topic, "%s%s/%s", c->own, kind, id);
    const char *key = text_get(&topic);
    char **found = c->noted->count ? bsearch(&key, c->noted->topics, c->noted->count,
                                             sizeof *c->noted->topics, by_text)
                                   : NULL;
    bool go_on = true;
    if (found)
        c->stands[found - c->noted->topics] = true;
    else
        go_on = payload->failed || c->send(c->context, key, text_get(payload));
    text_free(&topic);
    return go_on;
}

static bool take_alarm(void *context, const struct store_alarm_row *row)
{
    struct text payload = TEXT_INIT;
    payload_with_seq(&payload, row->seq, row->json);
    bool go_on = stand(context, "alarm", row->id, &payload);
    text_free(&payload);
    return go_on;
}

static bool take_trip(void *context, const struct store_trip_row *row)
{
    struct text trip = TEXT_INIT, payload = TEXT_INIT;
    payload_trip(&trip, row->json, row->restored_wall_ms, row->seconds_open, row->seconds_held);
    payload_with_seq(&payload, row->seq, text_get(&trip));
    bool go_on = stand(context, "trip", row->id, &payload);
    text_free(&trip);
    text_free(&payload);
    return go_on;
}

enum store_err standing_compare(struct standing *s, struct store_reader *r, const char *own,
                                standing_send *send, void *context)
{
    if (s->count > 1)
        qsort(s->topics, s->count, sizeof *s->topics, by_text);
    struct comparison c = {.noted = s, .own = own, .send = send, .context = context};
    c.stands = calloc(s->count + 1, sizeof *c.stands);
    if (!c.stands)
        return STORE_ERR_MEMORY;
    enum store_err err = store_read_alarms(r, true, take_alarm, &c);
    if (!err)
        err = store_read_trips(r, 0, 0, true, STANDING_MOST, take_trip, &c);
    for (size_t i = 0; i < s->count && !err; i++)
        if (!c.stands[i] && !send(context, s->topics[i], NULL))
            break;
    free(c.stands);
    return err;
}
