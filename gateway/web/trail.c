#include "trail.h"

#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#define NONE UINT16_MAX
#define VERSION 1

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

static void clear(struct ring *r)
{
    r->newest = -1;
    memset(r->heat, 0xff, sizeof r->heat);
}

struct trail *trail_create(size_t circuits)
{
    struct trail *t = malloc(sizeof *t + circuits * sizeof t->rings[0]);
    if (!t)
        return NULL;
    pthread_mutex_init(&t->lock, NULL);
    t->count = circuits;
    for (size_t i = 0; i < circuits; i++)
        clear(&t->rings[i]);
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

void trail_save(struct trail *t, const struct site *s, struct codec_out *out)
{
    pthread_mutex_lock(&t->lock);
    codec_put_u8(out, VERSION);
    for (size_t i = 0; i < t->count && i < s->circuit_count; i++) {
        const struct ring *r = &t->rings[i];
        if (r->newest < 0)
            continue;
        codec_put_string(out, s->circuits[i].id);
        codec_put_i64(out, r->newest);
        for (size_t k = 0; k < TRAIL_STEPS; k++) {
            codec_put_u8(out, (uint8_t)(r->heat[k] & 0xff));
            codec_put_u8(out, (uint8_t)(r->heat[k] >> 8));
        }
    }
    pthread_mutex_unlock(&t->lock);
}

static void load_ring(struct codec_in *in, struct ring *r)
{
    r->newest = codec_get_i64(in);
    for (size_t k = 0; k < TRAIL_STEPS; k++) {
        unsigned low = codec_get_u8(in), high = codec_get_u8(in);
        r->heat[k] = (uint16_t)(low | high << 8);
    }
    in->failed = in->failed || r->newest < 0 || r->newest > INT64_MAX / TRAIL_STEP_MS;
}

bool trail_load(struct trail *t, const struct site *s, struct codec_in *in)
{
    char id[SITE_ID_SIZE];
    struct ring *spare = malloc(sizeof *spare);
    bool good = spare && codec_get_u8(in) == VERSION;
    pthread_mutex_lock(&t->lock);
    while (good && in->at < in->end) {
        codec_get_string(in, id, sizeof id);
        int circuit = in->failed ? -1 : site_find_circuit(s, id);
        load_ring(in, circuit >= 0 && (size_t)circuit < t->count ? &t->rings[circuit] : spare);
        good = !in->failed;
    }
    for (size_t i = 0; i < t->count && !good; i++)
        clear(&t->rings[i]);
    pthread_mutex_unlock(&t->lock);
    free(spare);
    return good;
}
