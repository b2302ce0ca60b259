#include "runs.h"

#include <math.h>

#define LEAST_AMPS 0.05F    /* less is no load of its own */
#define STAGE_MS 10000      /* a rise this soon after the beginning is a stage of the start */
#define PULSE_SECONDS 60.0F /* a load that pulses stays on no longer */
#define GROUP 3             /* runs that end at once */

static bool running(const struct run *r)
{
    return r->id != 0 && !r->pausing;
}

float run_seconds(const struct run *r, int64_t mono_ms)
{
    return (float)((r->pausing ? r->off_mono_ms : mono_ms) - r->began_mono_ms) / 1000.0F;
}

/* 1 at the largest difference between an edge up and its edge down that still counts as equal
 */
static float misfit(float have, float want)
{
    return fabsf(have - want) / (0.06F + 0.1F * want);
}

static void over_with(struct run *r, struct run over[RUNS_MAX], int *n)
{
    over[(*n)++] = *r;
    *r = (struct run){0};
}

static void pause_run(struct run *r, int64_t mono_ms, int64_t wall_ms)
{
    float seconds = (float)(mono_ms - r->on_mono_ms) / 1000.0F;
    r->pausing = true;
    r->off_mono_ms = mono_ms;
    r->off_wall_ms = wall_ms;
    r->on_seconds += seconds;
    r->longest_seconds = fmaxf(r->longest_seconds, seconds);
}

/* How long this run may pause before it is over. */
static int64_t patience_ms(const struct run *r)
{
    bool pulsing = r->longest_seconds < PULSE_SECONDS;
    return pulsing ? RUNS_CYCLE_MS : RUNS_PAUSE_MS;
}

/* A pausing run that this rise carries on, NULL when there is none. */
static struct run *resumed(struct runs *r, const struct step *s, float d)
{
    struct run *best = NULL;
    float least = 1.5F;
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        int64_t gap = s->at_mono_ms - x->off_mono_ms;
        if (!x->pausing || gap > patience_ms(x))
            continue;
        if (gap > RUNS_PAUSE_MS && x->pulses < 2 && x->announced)
            continue;
        float m = misfit(x->amps, d);
        if (m < least)
            least = m, best = x;
    }
    return best;
}

static struct run *free_place(struct runs *r, struct run over[RUNS_MAX], int *n)
{
    struct run *oldest = NULL;
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (x->id == 0)
            return x;
        if (x->pausing && (!oldest || x->off_mono_ms < oldest->off_mono_ms))
            oldest = x;
    }
    if (oldest)
        over_with(oldest, over, n);
    return oldest;
}

static void rise(struct runs *r, const struct step *s, struct run over[RUNS_MAX], int *n)
{
    float d = s->after - s->before;
    struct run *x = resumed(r, s, d);

    if (x) {
        x->pausing = false;
        x->pulses++;
        x->on_mono_ms = x->changed_mono_ms = s->at_mono_ms;
        x->amps = d;
        return;
    }
    for (int i = 0; i < RUNS_MAX; i++) { /* another stage of a start */
        x = &r->all[i];
        if (running(x) && s->at_mono_ms - x->changed_mono_ms <= STAGE_MS &&
            s->at_mono_ms - x->on_mono_ms <= 3 * STAGE_MS) {
            x->amps += d;
            x->changed_mono_ms = s->at_mono_ms;
            return;
        }
    }
    x = free_place(r, over, n);
    if (!x) /* the base takes it */
        return;
    *x = (struct run){
        .id = s->at_wall_ms * 1000 + r->counter++ % 1000,
        .began_mono_ms = s->at_mono_ms,
        .began_wall_ms = s->at_wall_ms,
        .on_mono_ms = s->at_mono_ms,
        .changed_mono_ms = s->at_mono_ms,
        .amps = d,
        .first = fmaxf(s->first - s->before, LEAST_AMPS),
        .inrush = s->peak - s->before,
        .pulses = 1,
    };
}

/* The runs that together have the size d: one, two or three of them, as few as possible. Their
 * number, 0 when none fit. */
static int fitting(struct runs *r, float d, struct run *group[GROUP])
{
    struct run *on[RUNS_MAX];
    int n = 0, size = 0;
    float best = 1;

    for (int i = 0; i < RUNS_MAX; i++)
        if (running(&r->all[i]))
            on[n++] = &r->all[i];
    for (int i = 0; i < n; i++) {
        float m = misfit(on[i]->amps, d);
        if (m < best ||
            (m == best && size == 1 && on[i]->began_mono_ms > group[0]->began_mono_ms))
            best = m, size = 1, group[0] = on[i];
    }
    for (int i = 1; size == 0 && i < n; i++)
        for (int j = 0; j < i; j++) {
            float m = misfit(on[i]->amps + on[j]->amps, d);
            if (m < best)
                best = m, size = 2, group[0] = on[i], group[1] = on[j];
        }
    for (int i = 2; size == 0 && i < n; i++)
        for (int j = 1; j < i; j++)
            for (int k = 0; k < j; k++) {
                float m = misfit(on[i]->amps + on[j]->amps + on[k]->amps, d);
                if (m < best)
                    best = m, size = 3, group[0] = on[i], group[1] = on[j], group[2] = on[k];
            }
    return size;
}

/* No run has this size: the smallest run that is larger gives way, else the base, else the
 * largest runs end until the edge is used up. */
static void give_way(struct runs *r, const struct step *s, float d)
{
    struct run *k = NULL;

    for (int i = 0; i < RUNS_MAX; i++)
        if (running(&r->all[i]) && r->all[i].amps > d && (!k || r->all[i].amps < k->amps))
            k = &r->all[i];
    if (k) {
        k->amps -= d;
        k->changed_mono_ms = s->at_mono_ms;
        return;
    }
    if (r->base >= d - LEAST_AMPS)
        return; /* settle() makes the base smaller */
    while (d > LEAST_AMPS) {
        k = NULL;
        for (int i = 0; i < RUNS_MAX; i++)
            if (running(&r->all[i]) && (!k || r->all[i].amps > k->amps))
                k = &r->all[i];
        if (!k || k->amps > d + LEAST_AMPS)
            break;
        d -= k->amps;
        pause_run(k, s->at_mono_ms, s->at_wall_ms);
    }
}

static void fall(struct runs *r, const struct step *s)
{
    struct run *group[GROUP];
    float d = s->before - s->after;
    int n = fitting(r, d, group);

    for (int i = 0; i < n; i++)
        pause_run(group[i], s->at_mono_ms, s->at_wall_ms);
    if (n == 0)
        give_way(r, s, d);
}

/* Makes the sum right: what is too little becomes base, what is too much is taken from the base
 * and then from the runs in proportion; runs that shrink to nothing end. */
static void settle(struct runs *r, const struct step *s)
{
    float sum = 0;
    for (int i = 0; i < RUNS_MAX; i++)
        if (running(&r->all[i]))
            sum += r->all[i].amps;
    if (sum > s->after) {
        for (int i = 0; i < RUNS_MAX; i++) {
            struct run *x = &r->all[i];
            if (!running(x))
                continue;
            if (x->amps * s->after / sum < LEAST_AMPS / 2)
                pause_run(x, s->at_mono_ms, s->at_wall_ms);
            else
                x->amps *= s->after / sum;
        }
        sum = s->after;
    }
    r->base = fmaxf(0, s->after - sum);
}

int runs_step(struct runs *r, const struct step *s, struct run over[RUNS_MAX])
{
    int n = 0;
    if (s->after > s->before)
        rise(r, s, over, &n);
    else
        fall(r, s);
    settle(r, s);
    return n;
}

int runs_tick(struct runs *r, int64_t mono_ms, struct run over[RUNS_MAX], int64_t *next_mono_ms)
{
    int n = 0;
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (!x->pausing)
            continue;
        int64_t due = x->off_mono_ms + patience_ms(x) + STEPS_PATIENCE_MS;
        if (due <= mono_ms)
            over_with(x, over, &n);
        else if (due < *next_mono_ms)
            *next_mono_ms = due;
    }
    return n;
}

int runs_cut(struct runs *r, int64_t mono_ms, int64_t wall_ms, struct run over[RUNS_MAX])
{
    int n = 0;
    for (int i = 0; i < RUNS_MAX; i++) {
        if (running(&r->all[i]))
            pause_run(&r->all[i], mono_ms, wall_ms);
        if (r->all[i].id)
            over_with(&r->all[i], over, &n);
    }
    r->base = 0;
    return n;
}
