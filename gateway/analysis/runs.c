#include "runs.h"

#include <math.h>
#include <string.h>

#define LEAST_AMPS 0.04F /* less is no load */

/* 1 at the largest difference between an edge up and its edge down that still counts as equal
 */
static float misfit(float have, float want)
{
    return fabsf(have - want) / (0.06F + 0.1F * want);
}

static void take_out(struct runs *r, int i, struct run ended[RUNS_MAX], int *n)
{
    ended[(*n)++] = r->running[i];
    memmove(r->running + i, r->running + i + 1,
            (size_t)(r->count - i - 1) * sizeof r->running[0]);
    r->count--;
}

static void begin(struct runs *r, const struct step *s, float amps)
{
    if (r->count == RUNS_MAX) {
        r->running[RUNS_MAX - 1].amps += amps;
        return;
    }
    r->running[r->count++] = (struct run){
        .id = s->at_wall_ms * 1000 + r->counter++ % 1000,
        .began_mono_ms = s->at_mono_ms,
        .began_wall_ms = s->at_wall_ms,
        .amps = amps,
        .inrush = s->peak - s->before,
    };
}

/* Ends the one or two runs that an edge of d amps fits; false when none does. */
static bool end_fitting(struct runs *r, float d, struct run ended[RUNS_MAX], int *n)
{
    int best_i = -1, best_j = -1;
    float best = 1;

    for (int i = r->count - 1; i >= 0; i--) { /* the newest of equals */
        float m = misfit(r->running[i].amps, d);
        if (m < best)
            best = m, best_i = i, best_j = -1;
    }
    for (int i = r->count - 1; best_i < 0 && i > 0; i--)
        for (int j = i - 1; j >= 0; j--) {
            float m = misfit(r->running[i].amps + r->running[j].amps, d);
            if (m < best)
                best = m, best_i = i, best_j = j;
        }
    if (best_i < 0)
        return false;
    take_out(r, best_i, ended, n);
    if (best_j >= 0)
        take_out(r, best_j, ended, n);
    return true;
}

/* No run has this size: the base, or the smallest run that is larger, gives way; else the
 * largest runs end until the edge is used up. */
static void give_way(struct runs *r, float d, struct run ended[RUNS_MAX], int *n)
{
    if (r->base >= d - LEAST_AMPS)
        return; /* settle() makes the base smaller */
    int k = -1;
    for (int i = 0; i < r->count; i++)
        if (r->running[i].amps > d && (k < 0 || r->running[i].amps < r->running[k].amps))
            k = i;
    if (k >= 0) {
        r->running[k].amps -= d;
        return;
    }
    while (d > LEAST_AMPS && r->count > 0) {
        k = 0;
        for (int i = 1; i < r->count; i++)
            if (r->running[i].amps > r->running[k].amps)
                k = i;
        float a = r->running[k].amps;
        if (a > d + LEAST_AMPS)
            break;
        d -= a;
        take_out(r, k, ended, n);
    }
}

/* Makes the sum right: what is too little becomes base, what is too much is taken from the base
 * and then from the runs in proportion; runs that shrink to nothing end. */
static void settle(struct runs *r, float level, struct run ended[RUNS_MAX], int *n)
{
    float sum = 0;
    for (int i = 0; i < r->count; i++)
        sum += r->running[i].amps;
    if (sum > level && sum > 0) {
        for (int i = r->count - 1; i >= 0; i--) {
            r->running[i].amps *= fmaxf(level, 0) / sum;
            if (r->running[i].amps < LEAST_AMPS)
                take_out(r, i, ended, n);
        }
        sum = level;
    }
    r->base = fmaxf(0, level - sum);
}

int runs_step(struct runs *r, const struct step *s, struct run ended[RUNS_MAX])
{
    int n = 0;
    float d = s->after - s->before;

    if (d > 0)
        begin(r, s, d);
    else if (!end_fitting(r, -d, ended, &n))
        give_way(r, -d, ended, &n);
    settle(r, s->after, ended, &n);
    return n;
}

int runs_cut(struct runs *r, struct run ended[RUNS_MAX])
{
    int n = 0;
    while (r->count > 0)
        take_out(r, r->count - 1, ended, &n);
    r->base = 0;
    return n;
}
