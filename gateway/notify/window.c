#include "window.h"

#include <assert.h>

void window_reset(struct window *w, int64_t settled)
{
    *w = (struct window){.settled = settled, .sent = settled};
}

size_t window_free(const struct window *w)
{
    return WINDOW_SLOTS - w->count;
}

static void advance(struct window *w)
{
    while (w->count > 0 && w->slots[w->first].answered) {
        w->settled = w->slots[w->first].id;
        w->first = (w->first + 1) % WINDOW_SLOTS;
        w->count--;
    }
}

static void put(struct window *w, int64_t id, int mid, bool answered)
{
    assert(w->count < WINDOW_SLOTS && id > w->sent);
    size_t at = (w->first + w->count++) % WINDOW_SLOTS;
    w->slots[at].id = id;
    w->slots[at].mid = mid;
    w->slots[at].answered = answered;
    w->sent = id;
    advance(w);
}

void window_push(struct window *w, int64_t id, int mid)
{
    put(w, id, mid, false);
}

void window_skip(struct window *w, int64_t id)
{
    put(w, id, 0, true);
}

bool window_answer(struct window *w, int mid)
{
    for (size_t i = 0; i < w->count; i++) {
        size_t at = (w->first + i) % WINDOW_SLOTS;
        if (w->slots[at].mid != mid || w->slots[at].answered)
            continue;
        w->slots[at].answered = true;
        advance(w);
        return true;
    }
    return false;
}
