#include "states.h"

#include <pthread.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

struct state {
    char *topic;
    char *payload;
    bool changed;
};

struct states {
    pthread_mutex_t lock;
    struct state *list;
    size_t count;
    size_t next; /* values come in the same order each time: where the next one probably is */
};

struct states *states_create(void)
{
    struct states *s = calloc(1, sizeof *s);
    if (s)
        pthread_mutex_init(&s->lock, NULL);
    return s;
}

void states_destroy(struct states *s)
{
    if (!s)
        return;
    for (size_t i = 0; i < s->count; i++) {
        free(s->list[i].topic);
        free(s->list[i].payload);
    }
    free(s->list);
    pthread_mutex_destroy(&s->lock);
    free(s);
}

static struct state *find(struct states *s, const char *topic)
{
    for (size_t i = 0; i < s->count; i++) {
        size_t at = (s->next + i) % s->count;
        if (strcmp(s->list[at].topic, topic) == 0) {
            s->next = at + 1;
            return &s->list[at];
        }
    }
    return NULL;
}

static struct state *append(struct states *s, const char *topic)
{
    struct state *grown = realloc(s->list, (s->count + 1) * sizeof *grown);
    if (!grown)
        return NULL;
    s->list = grown;
    char *copy = strdup(topic);
    if (!copy)
        return NULL;
    s->list[s->count] = (struct state){.topic = copy};
    return &s->list[s->count++];
}

void states_set(struct states *s, const char *topic, const char *payload)
{
    pthread_mutex_lock(&s->lock);
    struct state *v = find(s, topic);
    if (!v)
        v = append(s, topic);
    if (v && (!v->payload || strcmp(v->payload, payload) != 0)) {
        char *copy = strdup(payload);
        if (copy) {
            free(v->payload);
            v->payload = copy;
            v->changed = true;
        }
    }
    pthread_mutex_unlock(&s->lock);
}

void states_renew(struct states *s)
{
    pthread_mutex_lock(&s->lock);
    for (size_t i = 0; i < s->count; i++)
        s->list[i].changed = s->list[i].payload != NULL;
    pthread_mutex_unlock(&s->lock);
}

void states_send(struct states *s, states_fn *fn, void *context)
{
    pthread_mutex_lock(&s->lock);
    for (size_t i = 0; i < s->count; i++) {
        if (!s->list[i].changed)
            continue;
        if (!fn(context, s->list[i].topic, s->list[i].payload))
            break;
        s->list[i].changed = false;
    }
    pthread_mutex_unlock(&s->lock);
}
