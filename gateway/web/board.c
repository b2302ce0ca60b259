#include "board.h"

#include <pthread.h>
#include <stddef.h>
#include <stdlib.h>

struct place {
    struct text state, known, whole;
    bool changed;
};

struct board {
    pthread_mutex_t lock;
    int64_t frame_wall_ms;
    size_t count;
    struct place places[];
};

struct board *board_create(size_t circuits)
{
    struct board *b = calloc(1, sizeof *b + circuits * sizeof b->places[0]);
    if (!b)
        return NULL;
    b->count = circuits;
    pthread_mutex_init(&b->lock, NULL);
    return b;
}

void board_destroy(struct board *b)
{
    if (!b)
        return;
    for (size_t i = 0; i < b->count; i++) {
        text_free(&b->places[i].state);
        text_free(&b->places[i].known);
        text_free(&b->places[i].whole);
    }
    pthread_mutex_destroy(&b->lock);
    free(b);
}

void board_frame(struct board *b, int64_t wall_ms)
{
    pthread_mutex_lock(&b->lock);
    b->frame_wall_ms = wall_ms;
    pthread_mutex_unlock(&b->lock);
}

static void put(struct text *t, const char *json)
{
    text_clear(t);
    text_append(t, json);
}

void board_set_state(struct board *b, size_t circuit, const char *json)
{
    pthread_mutex_lock(&b->lock);
    if (circuit < b->count) {
        put(&b->places[circuit].state, json);
        b->places[circuit].changed = true;
    }
    pthread_mutex_unlock(&b->lock);
}

void board_set_known(struct board *b, size_t circuit, const char *loads, const char *whole)
{
    pthread_mutex_lock(&b->lock);
    if (circuit < b->count) {
        put(&b->places[circuit].known, loads);
        put(&b->places[circuit].whole, whole);
    }
    pthread_mutex_unlock(&b->lock);
}

int64_t board_frame_wall_ms(struct board *b)
{
    pthread_mutex_lock(&b->lock);
    int64_t wall_ms = b->frame_wall_ms;
    pthread_mutex_unlock(&b->lock);
    return wall_ms;
}

/* That text of a circuit, as it was given last, or what stands for none. */
static void append(struct board *b, size_t circuit, size_t offset, const char *none,
                   struct text *out)
{
    pthread_mutex_lock(&b->lock);
    const struct text *t =
        circuit < b->count ? (const void *)((const char *)&b->places[circuit] + offset) : NULL;
    text_append(out, t && t->length > 0 ? text_get(t) : none);
    pthread_mutex_unlock(&b->lock);
}

void board_append_state(struct board *b, size_t circuit, struct text *out)
{
    append(b, circuit, offsetof(struct place, state), "null", out);
}

void board_append_known(struct board *b, size_t circuit, struct text *out)
{
    append(b, circuit, offsetof(struct place, known), "[]", out);
}

void board_append_whole(struct board *b, size_t circuit, struct text *out)
{
    append(b, circuit, offsetof(struct place, whole), "null", out);
}

static void append_one(const struct place *p, size_t *said, struct text *out)
{
    if (p->state.length == 0)
        return;
    text_append(out, (*said)++ ? "," : "");
    text_append(out, text_get(&p->state));
}

void board_append_states(struct board *b, const struct site *s, int panel, struct text *out)
{
    size_t said = 0;
    pthread_mutex_lock(&b->lock);
    for (size_t i = 0; i < b->count && i < s->circuit_count; i++)
        if (panel < 0 || s->circuits[i].panel == panel)
            append_one(&b->places[i], &said, out);
    pthread_mutex_unlock(&b->lock);
}

void board_append_changed(struct board *b, struct text *out)
{
    size_t said = 0;
    pthread_mutex_lock(&b->lock);
    for (size_t i = 0; i < b->count; i++)
        if (b->places[i].changed) {
            b->places[i].changed = false;
            append_one(&b->places[i], &said, out);
        }
    pthread_mutex_unlock(&b->lock);
}
