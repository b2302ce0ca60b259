#include "runs_level.h"

#include "runs_inner.h"

#define BASE_SECONDS 86400 /* the base has been on for as good as always */

static float running_amps(const struct runs *r)
{
    float sum = 0;
    for (int i = 0; i < RUNS_MAX; i++)
        if (run_is_on(&r->all[i]))
            sum += r->all[i].amps;
    return sum;
}

/* Takes at most `most` out of the runs that have been announced, or have not, in proportion. */
static float shrink(struct runs *r, const struct step *s, bool announced, float most)
{
    float sum = 0;
    for (int i = 0; i < RUNS_MAX; i++)
        if (run_is_on(&r->all[i]) && r->all[i].announced == announced)
            sum += r->all[i].amps;
    float left = sum > most ? 1 - most / sum : 0;
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (!run_is_on(x) || x->announced != announced)
            continue;
        if (x->amps * left < RUNS_LEAST_AMPS) {
            run_pause(x, s->at_mono_ms, s->at_wall_ms);
            continue;
        }
        x->lent += x->amps * (1 - left);
        x->amps *= left;
    }
    return fminf(sum, most);
}

/* Gives the runs back what was taken from them, or takes what was given to them (want is
 * negative), as far as it goes. */
static void give_back(struct runs *r, float want)
{
    float lent = 0;
    for (int i = 0; i < RUNS_MAX; i++)
        if (run_is_on(&r->all[i]) && r->all[i].lent * want > 0)
            lent += r->all[i].lent;
    float share = fabsf(lent) > fabsf(want) ? want / lent : 1;
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        float back = share * x->lent;
        if (!run_is_on(x) || x->lent * want <= 0 || x->amps + back < RUNS_LEAST_AMPS)
            continue;
        x->amps += back;
        x->lent -= back;
    }
}

/* What drift has eaten up is no load any more. */
static void end_vanished(struct runs *r, const struct step *s)
{
    for (int i = 0; i < RUNS_MAX; i++)
        if (run_is_on(&r->all[i]) && r->all[i].amps < RUNS_LEAST_AMPS / 2)
            run_pause(&r->all[i], s->at_mono_ms, s->at_wall_ms);
}

/* Makes the sum right. What is too little goes back to whom it was taken from, and then to the
 * base, loosely. What is too much was first in what is loose of the base, or in the base as far
 * as it ever goes away, then in what is not yet a run, then in all runs. Without the loose part
 * each pair of edges that do not quite fit would carry a little from the runs to the base. */
void runs_settle(struct runs *r, const struct step *s)
{
    end_vanished(r, s);
    float base = r->base, firm = fminf(fmaxf(base - r->loose, 0), r->low);
    float excess = running_amps(r) + firm - s->after;
    if (excess > 0)
        give_back(r, -excess);
    excess = running_amps(r) + firm - s->after;
    if (excess > RUNS_LEAST_AMPS / 2)
        excess -= shrink(r, s, false, excess);
    if (excess > RUNS_LEAST_AMPS / 2)
        shrink(r, s, true, excess);
    float left = s->after - running_amps(r) - base;
    if (left > 0)
        give_back(r, left);
    r->base = fmaxf(0, s->after - running_amps(r));
    r->loose = fminf(fmaxf(r->loose + r->base - base, 0), r->base);
}

/* How much of a drift is a run's: what has been on for long has settled. */
static float unsettled(float amps, float seconds)
{
    return amps / sqrtf(fmaxf(seconds, 60));
}

void runs_part(struct runs *r, const struct step *s, struct run *x, float last,
               struct run over[RUNS_MAX], int *n)
{
    struct step then = *s;
    x->amps -= last;
    x->most = x->amps;
    if (x->on_mono_ms == s->at_mono_ms) { /* both in one step */
        then.at_mono_ms += s->way_ms;
        then.at_wall_ms += s->way_ms;
        x->first = x->amps;
    }
    x->stage = 0;
    run_begin(r, &then, last, last, over, n);
}

void runs_drift(struct runs *r, int64_t mono_ms, float amps)
{
    float total = r->base + running_amps(r) + amps;
    float sum = unsettled(r->base, BASE_SECONDS), seconds[RUNS_MAX] = {0};
    struct run *young = NULL;
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (!run_is_on(x))
            continue;
        run_count_up(x, mono_ms);
        seconds[i] = (float)(mono_ms - x->on_mono_ms) / 1000.0F;
        sum += unsettled(x->amps, seconds[i]);
        if (mono_ms - x->on_mono_ms < RUNS_YOUNG_MS &&
            (!young || x->on_mono_ms > young->on_mono_ms))
            young = x;
    }
    if (young && fabsf(amps) < 0.5F * young->amps) {
        young->amps += amps;
        return;
    }
    for (int i = 0; i < RUNS_MAX && sum > 0; i++) {
        struct run *x = &r->all[i];
        if (!run_is_on(x))
            continue;
        float share = fmaxf(amps * unsettled(x->amps, seconds[i]) / sum, -0.5F * x->amps);
        x->amps += share;
        x->lent -= share;
    }
    r->base = fmaxf(0, total - running_amps(r));
    r->loose = fminf(r->loose, r->base);
}

void runs_amps(const struct runs *r, float amps[RUNS_MAX])
{
    float lent = 0, got = 0;
    for (int i = 0; i < RUNS_MAX; i++) {
        const struct run *x = &r->all[i];
        amps[i] = run_is_on(x) ? x->amps : 0;
        if (run_is_on(x) && x->lent > 0)
            lent += x->lent;
        if (run_is_on(x) && x->lent < 0)
            got -= x->lent;
    }
    float back = fminf(lent, got);
    for (int i = 0; i < RUNS_MAX && back > 0; i++) {
        const struct run *x = &r->all[i];
        if (run_is_on(x))
            amps[i] += x->lent * back / (x->lent > 0 ? lent : got);
    }
}
