#include "trail.h"

#include "store/pack.h"

#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#define NONE UINT16_MAX
#define VERSION 2 /* 1 had the day alone */
#define GRAINS 3
#define PACK_LEVEL 3 /* zstd's own default */

static const int64_t step_ms[GRAINS] = {TRAIL_STEP_MS, TRAIL_QUARTER_MS, INT64_C(14400000)};

/* Step n stands at n % TRAIL_STEPS; what is TRAIL_STEPS before the newest is written over. */
struct ring {
    int64_t newest; /* step; -1: nothing yet */
    uint16_t heat[TRAIL_STEPS];
};

struct circuit {
    struct ring grains[GRAINS];
};

struct trail {
    pthread_mutex_t lock;
    size_t count;
    struct circuit circuits[];
};

static void clear(struct ring *r)
{
    r->newest = -1;
    memset(r->heat, 0xff, sizeof r->heat);
}

static void clear_all(struct trail *t)
{
    for (size_t i = 0; i < t->count; i++)
        for (int g = 0; g < GRAINS; g++)
            clear(&t->circuits[i].grains[g]);
}

struct trail *trail_create(size_t circuits)
{
    struct trail *t = malloc(sizeof *t + circuits * sizeof t->circuits[0]);
    if (!t)
        return NULL;
    pthread_mutex_init(&t->lock, NULL);
    t->count = circuits;
    clear_all(t);
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
        return; /* a clock that was set back by more than the ring is long */
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
    uint16_t thousandths = (uint16_t)fmin(NONE - 1, fmax(0.0, round(1000.0 * heat)));
    pthread_mutex_lock(&t->lock);
    for (int g = 0; g < GRAINS; g++)
        put(&t->circuits[circuit].grains[g], wall_ms / step_ms[g], thousandths);
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

/* the finest that reaches back to that moment, GRAINS when none does */
static int grain_at(const struct circuit *c, int64_t wall_ms)
{
    int g = 0;
    while (g < GRAINS && wall_ms / step_ms[g] <= c->grains[g].newest - TRAIL_STEPS)
        g++;
    return g;
}

int64_t trail_get(struct trail *t, size_t circuit, int64_t from_wall_ms, int64_t to_wall_ms,
                  size_t count, double *out)
{
    int64_t coarsest = 0;
    double width = (double)(to_wall_ms - from_wall_ms) / (double)count;
    pthread_mutex_lock(&t->lock);
    for (size_t i = 0; i < count; i++) {
        double a = (double)from_wall_ms + (double)i * width;
        int g = circuit < t->count ? grain_at(&t->circuits[circuit], (int64_t)a) : GRAINS;
        out[i] = (double)NAN;
        if (g == GRAINS || (g > 0 && 4 * step_ms[g] > to_wall_ms - from_wall_ms))
            continue;
        out[i] = hottest(&t->circuits[circuit].grains[g], (int64_t)a / step_ms[g],
                         (int64_t)(a + width - 1.0) / step_ms[g]);
        if (!isnan(out[i]) && step_ms[g] > coarsest)
            coarsest = step_ms[g];
    }
    pthread_mutex_unlock(&t->lock);
    return coarsest;
}

static void save_ring(struct packer *p, const struct ring *r, struct codec_out *out)
{
    int32_t values[TRAIL_STEPS];
    for (size_t k = 0; k < TRAIL_STEPS; k++)
        values[k] = r->heat[k] == NONE ? PACK_NOTHING : r->heat[k];
    codec_put_i64(out, r->newest);
    size_t begun = codec_begin(out, 0);
    pack_encode(p, values, TRAIL_STEPS, PACK_LEVEL, out);
    codec_end(out, begun);
}

void trail_save(struct trail *t, const struct site *s, struct codec_out *out)
{
    struct packer *p = pack_create();
    if (!p) {
        out->failed = true;
        return;
    }
    pthread_mutex_lock(&t->lock);
    codec_put_u8(out, VERSION);
    for (size_t i = 0; i < t->count && i < s->circuit_count; i++) {
        if (t->circuits[i].grains[0].newest < 0)
            continue;
        codec_put_string(out, s->circuits[i].id);
        for (int g = 0; g < GRAINS; g++)
            save_ring(p, &t->circuits[i].grains[g], out);
    }
    pthread_mutex_unlock(&t->lock);
    pack_destroy(p);
}

static bool load_ring(struct packer *p, struct codec_in *in, int64_t step, struct ring *r)
{
    uint32_t tag;
    struct codec_in packed;
    const int32_t *values;
    size_t n;
    r->newest = codec_get_i64(in);
    if (in->failed || r->newest < 0 || r->newest > INT64_MAX / step ||
        !codec_next(in, &tag, &packed) ||
        !pack_decode(p, packed.at, (size_t)(packed.end - packed.at), &values, &n) ||
        n != TRAIL_STEPS)
        return false;
    for (size_t k = 0; k < TRAIL_STEPS; k++)
        r->heat[k] = values[k] < 0 || values[k] >= NONE ? NONE : (uint16_t)values[k];
    return true;
}

bool trail_load(struct trail *t, const struct site *s, struct codec_in *in)
{
    char id[SITE_ID_SIZE];
    struct circuit *spare = malloc(sizeof *spare);
    struct packer *p = pack_create();
    bool good = spare && p && codec_get_u8(in) == VERSION;
    pthread_mutex_lock(&t->lock);
    while (good && in->at < in->end) {
        codec_get_string(in, id, sizeof id);
        int at = in->failed ? -1 : site_find_circuit(s, id);
        struct circuit *c = at >= 0 && (size_t)at < t->count ? &t->circuits[at] : spare;
        good = !in->failed;
        for (int g = 0; g < GRAINS && good; g++)
            good = load_ring(p, in, step_ms[g], &c->grains[g]);
    }
    if (!good)
        clear_all(t);
    pthread_mutex_unlock(&t->lock);
    pack_destroy(p);
    free(spare);
    return good;
}
