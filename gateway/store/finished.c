#include "finished.h"

#include <stdlib.h>
#include <string.h>

void finished_init(struct finished *f)
{
    *f = (struct finished){0};
    pthread_mutex_init(&f->lock, NULL);
}

void finished_free(struct finished *f)
{
    pthread_mutex_destroy(&f->lock);
    free(f->ids);
}

void finished_add(struct finished *f, int64_t id)
{
    pthread_mutex_lock(&f->lock);
    if (f->count == f->capacity) {
        size_t capacity = f->capacity ? 2 * f->capacity : 16;
        int64_t *grown = realloc(f->ids, capacity * sizeof *grown);
        if (grown) {
            f->ids = grown;
            f->capacity = capacity;
        }
    }
    if (f->count < f->capacity)
        f->ids[f->count++] = id;
    pthread_mutex_unlock(&f->lock);
}

bool finished_any(struct finished *f)
{
    pthread_mutex_lock(&f->lock);
    bool any = f->count > 0;
    pthread_mutex_unlock(&f->lock);
    return any;
}

int64_t *finished_copy(struct finished *f, size_t *count)
{
    pthread_mutex_lock(&f->lock);
    size_t n = f->count;
    int64_t *copy = n > 0 ? malloc(n * sizeof *copy) : NULL;
    if (copy)
        memcpy(copy, f->ids, n * sizeof *copy);
    pthread_mutex_unlock(&f->lock);
    *count = copy ? n : 0;
    return copy;
}

void finished_forget(struct finished *f, size_t count)
{
    pthread_mutex_lock(&f->lock);
    f->count -= count;
    if (f->count > 0)
        memmove(f->ids, f->ids + count, f->count * sizeof *f->ids);
    pthread_mutex_unlock(&f->lock);
}
