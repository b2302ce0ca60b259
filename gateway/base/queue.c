#include "queue.h"

#include <assert.h>
#include <pthread.h>
#include <stdlib.h>
#include <time.h>

struct queue {
    pthread_mutex_t lock;
    pthread_cond_t arrived;
    uint64_t dropped;
    bool woken;
    size_t capacity;
    size_t first; /* slot of the oldest */
    size_t count;
    void *slots[];
};

struct queue *queue_create(size_t capacity)
{
    assert(capacity > 0);
    struct queue *q = calloc(1, sizeof *q + capacity * sizeof q->slots[0]);
    if (!q)
        return NULL;
    pthread_condattr_t attributes;
    pthread_condattr_init(&attributes);
    pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC);
    pthread_cond_init(&q->arrived, &attributes);
    pthread_condattr_destroy(&attributes);
    pthread_mutex_init(&q->lock, NULL);
    q->capacity = capacity;
    return q;
}

void queue_destroy(struct queue *q)
{
    if (!q)
        return;
    assert(q->count == 0);
    pthread_cond_destroy(&q->arrived);
    pthread_mutex_destroy(&q->lock);
    free(q);
}

bool queue_push(struct queue *q, void *item)
{
    assert(item);
    pthread_mutex_lock(&q->lock);
    bool fits = q->count < q->capacity;
    if (fits)
        q->slots[(q->first + q->count++) % q->capacity] = item;
    else
        q->dropped++;
    pthread_mutex_unlock(&q->lock);
    if (fits)
        pthread_cond_signal(&q->arrived);
    return fits;
}

static struct timespec in_ms(int64_t ms)
{
    struct timespec t;
    if (ms > 86400000)
        ms = 86400000;
    clock_gettime(CLOCK_MONOTONIC, &t);
    t.tv_sec += ms / 1000;
    t.tv_nsec += ms % 1000 * 1000000;
    if (t.tv_nsec >= 1000000000) {
        t.tv_nsec -= 1000000000;
        t.tv_sec++;
    }
    return t;
}

void *queue_pop(struct queue *q, int64_t timeout_ms)
{
    void *item = NULL;
    pthread_mutex_lock(&q->lock);
    if (q->count == 0 && !q->woken && timeout_ms > 0) {
        struct timespec until = in_ms(timeout_ms);
        while (q->count == 0 && !q->woken &&
               pthread_cond_timedwait(&q->arrived, &q->lock, &until) == 0)
            ;
    }
    if (q->count > 0) {
        item = q->slots[q->first];
        q->first = (q->first + 1) % q->capacity;
        q->count--;
    } else {
        q->woken = false;
    }
    pthread_mutex_unlock(&q->lock);
    return item;
}

void queue_wake(struct queue *q)
{
    pthread_mutex_lock(&q->lock);
    q->woken = true;
    pthread_mutex_unlock(&q->lock);
    pthread_cond_signal(&q->arrived);
}

uint64_t queue_dropped(struct queue *q)
{
    pthread_mutex_lock(&q->lock);
    uint64_t n = q->dropped;
    pthread_mutex_unlock(&q->lock);
    return n;
}

size_t queue_length(struct queue *q)
{
    pthread_mutex_lock(&q->lock);
    size_t n = q->count;
    pthread_mutex_unlock(&q->lock);
    return n;
}
