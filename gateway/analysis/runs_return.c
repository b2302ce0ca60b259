#include "runs_return.h"

#include "runs_inner.h"

#include <string.h>

#define RETURN_SWITCHED 0.4F /* how alike what a strip switched off must come back */
#define SETTLED_MS 300000    /* what is switched off with a strip had been on for so long */

/* All of what was cut off at once, or the larger ones. */
static bool set_returned(struct runs *r, const struct step *s, float d,
                         struct run over[RUNS_MAX], int *n)
{
    int best = 0;
    float all = 0;
    float least = r->switched ? RETURN_SWITCHED : 1;
    for (int set = 1; set < 1 << RUNS_RETURN; set++) {
        float sum = 0;
        int size = 0;
        for (int i = 0; i < RUNS_RETURN; i++)
            if (set >> i & 1) {
                sum += r->cut[i];
                size += r->cut[i] > 0 ? 1 : RUNS_RETURN + 1; /* none with an empty place */
            }
        float m = size >= 2 && size <= RUNS_RETURN ? run_misfit(sum, d) : 1;
        if (m < least)
            least = m, best = set, all = sum;
    }
    for (int i = 0; i < RUNS_RETURN; i++)
        if (best >> i & 1)
            run_begin(r, s, r->cut[i] * d / all, r->cut[i] * d / all, over, n);
    return best != 0;
}

/* One of what a strip switched off came on by itself: the rest is no set any more. */
static bool alone(const struct runs *r, float d)
{
    for (int i = 0; i < RUNS_RETURN; i++)
        if (r->cut[i] > 0 && run_misfit(r->cut[i], d) < 1)
            return true;
    return false;
}

bool runs_returned(struct runs *r, const struct step *s, struct run over[RUNS_MAX], int *n)
{
    float d = s->after - s->before;
    bool back = r->cut[0] > 0 && set_returned(r, s, d, over, n);
    if (back || !r->switched || alone(r, d))
        r->cut[0] = 0;
    return back;
}

static void sizes(struct run *const some[], int n, float out[RUNS_RETURN])
{
    for (int k = 0; k < RUNS_RETURN; k++)
        out[k] = 0;
    for (int i = 0; i < n; i++) {
        float a = some[i]->amps >= RUNS_LEAST_AMPS ? some[i]->amps : 0;
        for (int k = 0; k < RUNS_RETURN; k++)
            if (a > out[k]) {
                float t = out[k];
                out[k] = a;
                a = t;
            }
    }
}

void runs_remember_cut(struct runs *r, struct run *const some[], int n)
{
    sizes(some, n, r->cut);
    r->switched = false;
}

void runs_remember_gone(struct runs *r)
{
    struct run *on[RUNS_MAX];
    int n = 0;
    for (int i = 0; i < RUNS_MAX; i++)
        if (run_is_on(&r->all[i]))
            on[n++] = &r->all[i];
    sizes(on, n, r->gone);
    r->gone_loose = r->loose;
}

void runs_gone_was_cut(struct runs *r)
{
    memcpy(r->cut, r->gone, sizeof r->cut);
    r->cut_loose = r->gone_loose;
    r->switched = false;
}

void runs_switched_off(struct runs *r, const struct step *s, struct run *const some[], int n)
{
    for (int i = 0; i < n; i++)
        if (!some[i]->announced || s->at_mono_ms - some[i]->on_mono_ms < SETTLED_MS)
            return;
    runs_remember_cut(r, some, n);
    r->switched = true;
}
