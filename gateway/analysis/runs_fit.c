#include "runs_fit.h"

#include "runs_inner.h"
#include "runs_train.h"

#include <math.h>

#define AGE_COST 0.15F /* what has been on for long will be for longer: per e-fold */
#define STAGE_COST 0.3F
#define FIT_MOST 4.0F     /* of the cost: about 0.13 A and a tenth of the fall */
#define FIT_RESTLESS 1.2F /* the same for what may be the ripple of something heavy: */
#define HEAVY 0.08F       /* of its level */

static void consider(struct runs_ending *best, struct run *const some[], int n, float d)
{
    float sum = 0, cost = 0, dearest = 0, age = 0;
    for (int i = 0; i < n; i++) {
        float each = some[i]->announced ? 0.8F : 0.1F; /* that several end at once is rare */
        sum += some[i]->amps;
        cost += each;
        dearest = fmaxf(dearest, each);
        age +=
            AGE_COST * logf(fmaxf((float)(best->mono_ms - some[i]->on_mono_ms), 1e4F) / 1e4F);
    }
    cost += age;
    cost += fabsf(sum - d) / (0.04F + 0.03F * fminf(d, best->level - sum) + 0.01F * d) -
            dearest; /* one of them is for nothing */
    if (n == 0 || cost >= best->cost)
        return;
    best->cost = cost;
    best->count = n;
    best->stage = false;
    for (int i = 0; i < n; i++)
        best->runs[i] = some[i];
}

static void consider_stage(struct runs_ending *best, struct run *x, float d)
{
    float cost = STAGE_COST + fabsf(x->stage - d) / (0.04F + 0.03F * d);
    if (x->stage <= 0 || cost >= best->cost)
        return;
    *best = (struct runs_ending){.runs = {x},
                                 .count = 1,
                                 .cost = cost,
                                 .mono_ms = best->mono_ms,
                                 .level = best->level,
                                 .stage = true};
}

void runs_fitting(struct runs *r, const struct step *s, float d, struct runs_ending *best)
{
    struct run *on[RUNS_MAX], *young[RUNS_MAX + 2];
    int n = 0, m = 0;

    float most = d < HEAVY * s->before && r->unrest >= RUNS_UNREST ? FIT_RESTLESS : FIT_MOST;
    *best = (struct runs_ending){.cost = most, .mono_ms = s->at_mono_ms, .level = s->before};
    for (int i = 0; i < RUNS_MAX; i++) {
        if (!run_is_on(&r->all[i]))
            continue;
        on[n++] = &r->all[i];
        if (!r->all[i].announced)
            young[m++] = &r->all[i];
    }
    consider(best, young, m, d);
    for (int i = 0; i < n; i++) {
        consider(best, &on[i], 1, d);
        for (int j = 0; j < i; j++) {
            consider(best, (struct run *[]){on[i], on[j]}, 2, d);
            for (int k = 0; k < j; k++)
                consider(best, (struct run *[]){on[i], on[j], on[k]}, 3, d);
        }
        consider_stage(best, on[i], d);
        if (!on[i]->announced)
            continue;
        young[m] = on[i];
        consider(best, young, m + 1, d);
        for (int j = 0; j < i; j++) {
            young[m + 1] = on[j];
            if (on[j]->announced)
                consider(best, young, m + 2, d);
        }
    }
}
