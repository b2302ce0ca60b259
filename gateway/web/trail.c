#include "trail.h"

#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#define NONE UINT16_MAX

/* Step n stands at n % TRAIL_STEPS; what is TRAIL_STEPS before the newest is written over. */
struct ring {
    int64_t newest; /* step; -1: nothing yet */
    uint16_t heat[TRAIL_STEPS];
};

struct trail {
    pthread_mutex_t lock;
    size_t count;
    struct ring rings[];
};

struct trail *trail_create(size_t circuits)
{
    struct trail *t = malloc(sizeof *t + circuits * sizeof t->rings[0]);
    if (!t)
        return NULL;
    pthread_mutex_init(&t->lock, NULL);
    t->count = circuits;
    for (size_t i = 0; i < circuits; i++) {
        t->rings[i].newest = -1;
        memset(t->rings[i].heat, 0xff, sizeof t->rings[i].heat);
    }
    return t;
}

void trail_destroy(struct trail *t)
{
    if (!t)
        return;
    pthread_mutex_destroy(&t->lock);
    free(t);
}

static void put(struct ring *r, int64_t step, uint16_t heat)
{
    if (r->newest >= 0 && step <= r->newest - TRAIL_STEPS)
        return; /* a clock that was set back by more than a day */
    for (int64_t s = r->newest < step - TRAIL_STEPS ? step - TRAIL_STEPS : r->newest; s < step;)
        r->heat[++s % TRAIL_STEPS] = NONE;
    uint16_t *at = &r->heat[step % TRAIL_STEPS];
    *at = *at == NONE || heat > *at ? heat : *at;
    r->newest = step > r->newest ? step : r->newest;
}

void trail_put(struct trail *t, size_t circuit, int64_t wall_ms, double heat)
{
    if (circuit >= t->count || isnan(heat) || wall_ms < 0)
        return;
    pthread_mutex_lock(&t->lock);
    put(&t->rings[circuit], wall_ms / TRAIL_STEP_MS,
        (uint16_t)fmin(NONE - 1, fmax(0.0, round(1000.0 * heat))));
    pthread_mutex_unlock(&t->lock);
}

static double hottest(const struct ring *r, int64_t first, int64_t last)
{
    double most = (double)NAN;
    first = first > r->newest - TRAIL_STEPS ? first : r->newest - TRAIL_STEPS + 1;
    last = last < r->newest ? last : r->newest;
    for (int64_t s = first < 0 ? 0 : first; s <= last; s++)
        if (r->heat[s % TRAIL_STEPS] != NONE)
            most = fmax(most, r->heat[s % TRAIL_STEPS] / 1000.0);
    return most;
}

bool trail_get(struct trail *t, size_t circuit, int64_t from_wall_ms, int64_t to_wall_ms,
               size_t count, double *out)
{
    bool any = false;
    double width = (double)(to_wall_ms - from_wall_ms) / (double)count;
    pthread_mutex_lock(&t->lock);
    for (size_t i = 0; i < count; i++) {
        double a = (double)from_wall_ms + (double)i * width;
        out[i] = circuit < t->count ? hottest(&t->rings[circuit], (int64_t)a / TRAIL_STEP_MS,
                                              (int64_t)(a + width - 1.0) / TRAIL_STEP_MS)
                                    : (double)NAN;
        any |= !isnan(out[i]);
    }
    pthread_mutex_unlock(&t->lock);
    return any;
}
