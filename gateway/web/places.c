#include "places.h"

#include <stdio.h>

bool places_open(struct places *s, const char *path, int64_t patience_ms)
{
    bool good = true;
    pthread_mutex_init(&s->lock, NULL);
    for (int i = 0; i < SERVER_THREADS; i++) {
        struct place *one = &s->of[i];
        char name[PULSE_NAME_SIZE];
        snprintf(name, sizeof name, "page %d", i + 1);
        pulse_init(&one->pulse, name, patience_ms);
        one->reader = store_reader_open(path);
        one->taken = false;
        good = good && one->reader;
    }
    return good;
}

void places_close(struct places *s)
{
    for (int i = 0; i < SERVER_THREADS; i++)
        store_reader_close(s->of[i].reader);
    pthread_mutex_destroy(&s->lock);
}

struct place *places_take(struct places *s)
{
    struct place *free_one = NULL;
    pthread_mutex_lock(&s->lock);
    for (int i = 0; i < SERVER_THREADS && !free_one; i++)
        if (!s->of[i].taken)
            free_one = &s->of[i];
    if (free_one)
        free_one->taken = true;
    pthread_mutex_unlock(&s->lock);
    if (free_one)
        pulse_begin(&free_one->pulse);
    return free_one;
}

void places_leave(struct places *s, struct place *one)
{
    pulse_end(&one->pulse);
    pthread_mutex_lock(&s->lock);
    one->taken = false;
    pthread_mutex_unlock(&s->lock);
}
