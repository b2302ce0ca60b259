#include "porter.h"

#include "base/clock.h"
#include "base/log.h"
#include "base/pulse.h"
#include "base/queue.h"

#include <pthread.h>
#include <sodium.h>
#include <stdlib.h>

#define QUEUE_DOOR 8
#define POP_MS 60000

struct porter {
    struct door *door;
    struct queue *asks;
    struct pulse *pulse;
    porter_done_fn *done;
    void *context;
    pthread_t thread;
    bool runs;
    atomic_bool stops;
};

static void *stand_at_door(void *context)
{
    struct porter *p = context;
    struct server_ask *k;
    while (!atomic_load(&p->stops)) {
        if (!(k = queue_pop(p->asks, POP_MS)))
            continue;
        const struct door_ask ask = {.verb = k->verb,
                                     .body = text_get(&k->body),
                                     .length = k->body.length,
                                     .who = &k->who,
                                     .address = k->address};
        pulse_begin(p->pulse);
        door_answer(p->door, &ask, clock_wall_ms(), clock_mono_ms(), &k->answer);
        pulse_end(p->pulse);
        if (k->body.bytes) /* a password may be in it */
            sodium_memzero(k->body.bytes, k->body.length);
        p->done(p->context, k);
    }
    return NULL;
}

struct porter *porter_create(struct access *access, const struct delivery *people,
                             door_may_fn *may, struct pulse *pulse, porter_done_fn *done,
                             void *context)
{
    struct porter *p = calloc(1, sizeof *p);
    if (!p)
        return NULL;
    p->pulse = pulse;
    p->done = done;
    p->context = context;
    p->door = door_create(access, people, may);
    p->asks = queue_create(QUEUE_DOOR);
    p->runs = p->door && p->asks && pthread_create(&p->thread, NULL, stand_at_door, p) == 0;
    if (p->runs)
        return p;
    porter_destroy(p);
    return NULL;
}

void porter_stop(struct porter *p)
{
    struct server_ask *k;
    if (!p || !p->runs)
        return;
    atomic_store(&p->stops, true);
    queue_wake(p->asks);
    pthread_join(p->thread, NULL);
    p->runs = false;
    while ((k = queue_pop(p->asks, 0)))
        server_failed(k, "the page is stopping");
}

void porter_destroy(struct porter *p)
{
    if (!p)
        return;
    porter_stop(p);
    queue_destroy(p->asks);
    door_destroy(p->door);
    free(p);
}

bool porter_push(struct porter *p, struct server_ask *ask)
{
    return queue_push(p->asks, ask);
}

struct door *porter_door(const struct porter *p)
{
    return p->door;
}

void porter_say_first_code(struct access *access)
{
    char code[CODE_SIZE];
    if (!access_first_code(access, code))
        return;
    log_warning("page",
                "no administrator has a password yet: one of them opens the page, goes to \"I "
                "have a one-time code\" and gives %s",
                code);
}
