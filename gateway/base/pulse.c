#include "pulse.h"

#include "log.h"
#include "text.h"

#include <pthread.h>

void pulse_init(struct pulse *p, const char *name, int64_t patience_ms)
{
    text_copy(p->name, sizeof p->name, name);
    p->patience_ms = patience_ms;
    atomic_init(&p->beats, 0);
    atomic_init(&p->working, 0);
}

void pulse_begin_thread(struct pulse *p)
{
    (void)pthread_setname_np(pthread_self(), p->name);
    pulse_begin(p);
}

bool vigil_add(struct vigil *v, const struct pulse *p)
{
    if (!p)
        return true;
    if (v->count == VIGIL_MOST)
        return false;
    v->rows[v->count++] = (struct vigil_row){.pulse = p};
    return true;
}

static void look(struct vigil_row *r, int64_t passed_ms)
{
    unsigned beats = atomic_load_explicit(&r->pulse->beats, memory_order_relaxed);
    bool quiet = beats == r->beats && atomic_load(&r->pulse->working) > 0;
    r->beats = beats;
    r->quiet_ms = quiet ? r->quiet_ms + passed_ms : 0;
    bool stuck = r->quiet_ms > r->pulse->patience_ms;
    if (stuck && !r->stuck)
        log_error("gateway", "%s has not stirred for %lld s: it is stuck", r->pulse->name,
                  (long long)(r->quiet_ms / 1000));
    else if (!stuck && r->stuck)
        log_warning("gateway", "%s stirs again", r->pulse->name);
    r->stuck = stuck;
}

size_t vigil_round(struct vigil *v, int64_t mono_ms, const struct pulse **stuck)
{
    int64_t passed_ms = v->round_mono_ms ? mono_ms - v->round_mono_ms : 0;
    size_t count = 0;
    if (passed_ms > VIGIL_ROUND_MOST_MS)
        passed_ms = VIGIL_ROUND_MOST_MS;
    v->round_mono_ms = mono_ms;
    if (stuck)
        *stuck = NULL;
    for (size_t i = 0; i < v->count; i++) {
        look(&v->rows[i], passed_ms);
        count += v->rows[i].stuck;
        if (v->rows[i].stuck && stuck)
            *stuck = v->rows[i].pulse;
    }
    return count;
}
