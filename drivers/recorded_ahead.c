#include "recorded_ahead.h"

#include <pthread.h>
#include <stdlib.h>

#define BATCHES 3
#define BATCH_BYTES                                                                            \
    ((size_t)192 * 1024) /* of frames: the ring lives in the last-level cache                  \
                          */
#define LEAST_ROWS 16
#define MOST_ROWS 1024

struct batch {
    struct frame **frames;
    size_t rows;
};

struct recorded_ahead {
    struct recorded *recorded;
    size_t capacity; /* rows of a batch */
    struct batch batches[BATCHES];

    pthread_mutex_t lock;
    pthread_cond_t changed;
    uint64_t filled, taken; /* batches; filled - taken <= BATCHES */
    bool over;              /* nothing follows what is filled */
    bool stop;
    bool holding; /* the caller reads batch `taken` */
    pthread_t thread;
};

static bool wait_for_room(struct recorded_ahead *a)
{
    pthread_mutex_lock(&a->lock);
    while (!a->stop && a->filled - a->taken == BATCHES)
        pthread_cond_wait(&a->changed, &a->lock);
    bool go = !a->stop;
    pthread_mutex_unlock(&a->lock);
    return go;
}

static void *read_batches(void *context)
{
    struct recorded_ahead *a = context;
    bool over = false;
    while (!over && wait_for_room(a)) {
        struct batch *b = &a->batches[a->filled % BATCHES]; /* only this thread writes filled */
        b->rows = recorded_read(a->recorded, b->frames, a->capacity);
        over = b->rows < a->capacity;
        pthread_mutex_lock(&a->lock);
        a->filled += b->rows > 0;
        a->over = over;
        pthread_cond_signal(&a->changed);
        pthread_mutex_unlock(&a->lock);
    }
    return NULL;
}

static bool create_batches(struct recorded_ahead *a, const struct site *s)
{
    size_t bytes = sizeof(struct frame) + frame_count(s) * sizeof(float);
    a->capacity = BATCH_BYTES / bytes;
    if (a->capacity < LEAST_ROWS)
        a->capacity = LEAST_ROWS;
    if (a->capacity > MOST_ROWS)
        a->capacity = MOST_ROWS;
    for (int i = 0; i < BATCHES; i++) {
        a->batches[i].frames = calloc(
            a->capacity,
            sizeof *a->batches[i].frames); /* NOLINT(bugprone-sizeof-expression): of pointers */
        for (size_t k = 0; a->batches[i].frames && k < a->capacity; k++)
            if (!(a->batches[i].frames[k] = frame_create(s)))
                return false;
        if (!a->batches[i].frames)
            return false;
    }
    return true;
}

static void destroy(struct recorded_ahead *a)
{
    for (int i = 0; i < BATCHES; i++) {
        for (size_t k = 0; a->batches[i].frames && k < a->capacity; k++)
            frame_destroy(a->batches[i].frames[k]);
        free(a->batches[i].frames);
    }
    pthread_cond_destroy(&a->changed);
    pthread_mutex_destroy(&a->lock);
    free(a);
}

struct recorded_ahead *recorded_ahead_start(struct recorded *r, const struct site *s)
{
    struct recorded_ahead *a = calloc(1, sizeof *a);
    if (!a)
        return NULL;
    a->recorded = r;
    pthread_mutex_init(&a->lock, NULL);
    pthread_cond_init(&a->changed, NULL);
    if (create_batches(a, s) && pthread_create(&a->thread, NULL, read_batches, a) == 0)
        return a;
    destroy(a);
    return NULL;
}

size_t recorded_ahead_next(struct recorded_ahead *a, const struct frame *const **frames)
{
    pthread_mutex_lock(&a->lock);
    if (a->holding) {
        a->taken++;
        a->holding = false;
        pthread_cond_signal(&a->changed);
    }
    while (a->filled == a->taken && !a->over)
        pthread_cond_wait(&a->changed, &a->lock);
    a->holding = a->filled > a->taken;
    struct batch *b = &a->batches[a->taken % BATCHES];
    pthread_mutex_unlock(&a->lock);
    *frames = (const struct frame *const *)b->frames;
    return a->holding ? b->rows : 0;
}

void recorded_ahead_stop(struct recorded_ahead *a)
{
    if (!a)
        return;
    pthread_mutex_lock(&a->lock);
    a->stop = true;
    pthread_cond_signal(&a->changed);
    pthread_mutex_unlock(&a->lock);
    pthread_join(a->thread, NULL);
    destroy(a);
}
