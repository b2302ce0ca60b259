#include "runs.h"

#include "runs_fit.h"
#include "runs_inner.h"
#include "runs_level.h"
#include "runs_rest.h"
#include "runs_return.h"
#include "runs_train.h"

#include <math.h>

#define STAGE_MS 14000   /* a rise this soon after the last is another stage of a start */
#define STAGES_MS 30000  /* all of them */
#define UNREST_MS 120000 /* fade to 1/e */
#define FELL_MS 120000   /* a rise so soon after a fall of its size undoes it */
#define LOW_AMPS_AN_HOUR 0.02F
#define FELL_AMPS 2.0F
#define LONG_MS 120000
#define RIPPLE 0.04F /* of the level: what a heavy load does by itself */
#define RIPPLE_AMPS 0.2F
#define ELEMENT_AMPS 1.5F
#define GIVEN_AMPS 0.5F /* a run that gave way by more did so itself */
#define RESUMED 1.25F
#define ALIKE 0.01F      /* two readings of one level */
#define HEATER_AMPS 6.5F /* two stages of one element were smaller, as far as seen */
#define IN_TWO_MS 15000  /* between the two falls of one end */
#define BEGUN_AMPS 0.2F
#define UNSTEADY_AMPS 0.6F
#define UNSTEADY_CHANGES 4
#define UNSTEADY_A_MINUTE 0.5F

float run_seconds(const struct run *r, int64_t mono_ms)
{
    return (float)((r->pausing ? r->off_mono_ms : mono_ms) - r->began_mono_ms) / 1000.0F;
}

static void over_with(struct run *r, struct run over[RUNS_MAX], int *n)
{
    over[(*n)++] = *r;
    *r = (struct run){0};
}

/* Sums up what it drew until then; before each change of its amps. */
void run_count_up(struct run *r, int64_t mono_ms)
{
    float seconds = (float)(mono_ms - r->counted_mono_ms) / 1000.0F;
    if (seconds <= 0)
        return;
    r->charge += r->amps * seconds;
    r->square += r->amps * r->amps * seconds;
    r->counted_mono_ms = mono_ms;
}

void run_shape(const struct run *r, struct run_shape *out)
{
    float on = fmaxf(r->on_seconds, 0.001F), minutes = on / 60;
    float mean = r->charge > 0 ? r->charge / on : r->amps;
    float variance = r->charge > 0 ? r->square / on - mean * mean : 0;
    *out = (struct run_shape){
        .amps = mean,
        .first = r->first,
        .last = r->amps,
        .most = fmaxf(r->most, r->first + r->inner), /* its stage is part of it */
        .growth = fmaxf(r->most / fmaxf(r->first, RUNS_LEAST_AMPS), 1),
        .inrush = r->inrush,
        .spread = sqrtf(fmaxf(variance, 0)) / fmaxf(mean, RUNS_LEAST_AMPS),
        .ripple = r->rippled > 0 ? r->ripple / r->rippled / fmaxf(mean, RUNS_LEAST_AMPS) : -1,
        .seconds = run_seconds(r, r->off_mono_ms),
        .on_seconds = on,
        .changes = (float)r->changes / fmaxf(minutes, 1),
        .pulses = r->pulses,
        .power_factor = r->power_factor,
    };
}

void run_pause(struct run *r, int64_t mono_ms, int64_t wall_ms)
{
    run_count_up(r, mono_ms);
    r->pausing = true;
    r->off_mono_ms = mono_ms;
    r->off_wall_ms = wall_ms;
    r->on_seconds += (float)(mono_ms - r->on_mono_ms) / 1000.0F;
}

static int64_t patience_ms(const struct run *r)
{
    return r->train || r->programme ? RUNS_TRAIN_MS : RUNS_PAUSE_MS;
}

/* Counts the step towards the unrest of the circuit, and how long it had been calm before. */
static void note_edge(struct runs *r, const struct step *s, float size)
{
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        int64_t from = x->on_mono_ms > r->edge_mono_ms ? x->on_mono_ms : r->edge_mono_ms;
        if (!run_is_on(x))
            continue;
        run_count_up(x, s->at_mono_ms);
        if (s->at_mono_ms - from > x->calm_ms)
            x->calm_ms = (int32_t)(s->at_mono_ms - from);
        x->disturbed++;
    }
    r->unrest *= expf(-(float)(s->settled_mono_ms - r->edge_mono_ms) / UNREST_MS);
    r->unrest += s->restless ? 3 : 1;
    r->usual += (size > r->usual ? 0.3F : 0.03F) * (size - r->usual);
    r->edge_mono_ms = s->settled_mono_ms;
}

/* The step was this run's own. */
static void own_edge(struct run *x, const struct step *s)
{
    x->changed_mono_ms = s->at_mono_ms;
    x->changes++;
    if (x->disturbed > 0)
        x->disturbed--;
}

/* ---- rises
 * ------------------------------------------------------------------------------------- */

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

struct run *run_begin(struct runs *r, const struct step *s, float amps, float first,
                      struct run over[RUNS_MAX], int *n)
{
    struct run *x = free_place(r, over, n);
    if (x)
        *x = (struct run){
            .id = s->at_wall_ms * 1000 + r->counter++ % 1000,
            .began_mono_ms = s->at_mono_ms,
            .began_wall_ms = s->at_wall_ms,
            .on_mono_ms = s->at_mono_ms,
            .changed_mono_ms = s->at_mono_ms,
            .counted_mono_ms = s->at_mono_ms,
            .amps = amps,
            .first = fmaxf(first, RUNS_LEAST_AMPS),
            .inrush = s->peak - s->before,
            .power_factor = s->power_factor,
            .staged = s->staged,
            .most = amps,
            .pulses = 1,
        };
    return x;
}

/* An element does not grow; what comes on a moment after it, much smaller, is something else,
 * and so is a second heater. */
static bool two_heaters(float first, float then)
{
    return first > HEATER_AMPS && then > HEATER_AMPS;
}

/* Whether a rise is two heaters; its way is where it rested between them. Two readings alike
 * are enough, because a heater is at its level with the first. */
static bool heaters_apart(struct step *s)
{
    for (int i = 0; i + 1 < STEPS_EARLY && !(s->way < s->after); i++)
        if (fabsf(s->early[i] - s->early[i + 1]) < ALIKE * s->early[i] &&
            two_heaters(s->early[i] - s->before, s->after - s->early[i])) {
            s->way = s->early[i];
            s->way_ms = s->early_ms[i + 1];
        }
    return two_heaters(s->way - s->before, s->after - s->way);
}

static bool beside(float first, float then)
{
    return (first > ELEMENT_AMPS && then < 0.25F * first) || two_heaters(first, then);
}

/* What paused and came back is no larger than it was before. */
static bool outgrown(const struct run *x, float d)
{
    return x->pulses > 1 && x->amps + d > RESUMED * x->most;
}

const struct run *runs_starting(const struct runs *r, int64_t mono_ms, float d)
{
    for (int i = 0; i < RUNS_MAX; i++) {
        const struct run *x = &r->all[i];
        if (run_is_on(x) && !beside(x->amps, d) && !outgrown(x, d) &&
            mono_ms - x->changed_mono_ms <= STAGE_MS && mono_ms - x->on_mono_ms <= STAGES_MS)
            return x;
    }
    return NULL;
}

const struct run *runs_unsteady(const struct runs *r, int64_t mono_ms, float d)
{
    const struct run *best = NULL;
    if (d > UNSTEADY_AMPS)
        return NULL;
    for (int i = 0; i < RUNS_MAX; i++) {
        const struct run *x = &r->all[i];
        float minutes = (float)(mono_ms - x->on_mono_ms) / 60000;
        if (run_is_on(x) && x->changes >= UNSTEADY_CHANGES &&
            (float)x->changes > UNSTEADY_A_MINUTE * minutes && d < 2 * x->most &&
            (!best || x->changes > best->changes))
            best = x;
    }
    return best;
}

/* How well a rise would bring back what paused: all of it, when it had ended in two steps. */
static float comes_back(const struct run *x, float d)
{
    float m = run_misfit(x->amps, d);
    if (x->fell > 0 && x->off_mono_ms - x->fell_mono_ms <= IN_TWO_MS)
        m = fminf(m, run_misfit(x->amps + x->fell, d));
    return m;
}

/* A run this rise carries on: one that paused a moment ago, or one that is still starting. */
static struct run *carried_on(struct runs *r, const struct step *s, float d)
{
    struct run *best = NULL;
    float least = 1.5F;
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        int64_t pause =
            x->off_mono_ms - x->on_mono_ms > LONG_MS ? patience_ms(x) : RUNS_PAUSE_MS / 2;
        if (!x->pausing || x->train || s->at_mono_ms - x->off_mono_ms > pause)
            continue;
        float m = comes_back(x, d);
        if (m < least)
            least = m, best = x;
    }
    for (int i = 0; i < RUNS_MAX && d < FELL_AMPS && r->unrest < RUNS_UNREST; i++) {
        struct run *x = &r->all[i];
        if (!run_is_on(x) || x->fell == 0 || s->at_mono_ms - x->fell_mono_ms > FELL_MS)
            continue;
        float m = run_misfit(x->fell, d);
        if (m < least && m < 1)
            least = m, best = x;
    }
    const struct run *starting = best ? NULL : runs_starting(r, s->at_mono_ms, d);
    return starting ? &r->all[starting - r->all] : best;
}

static void rise(struct runs *r, const struct step *s, struct run over[RUNS_MAX], int *n)
{
    float d = s->after - s->before;
    r->gone[0] = 0;
    if (runs_returned(r, s, over, n))
        return;
    struct run *x = carried_on(r, s, d);
    struct step parted = *s;
    if (!x && heaters_apart(&parted)) {
        x = run_begin(r, s, d, d, over, n);
        if (x)
            runs_part(r, &parted, x, s->after - parted.way, over, n);
        return;
    }
    if (!x) {
        x = run_begin(r, s, d, s->first - s->before, over, n);
        if (x && s->way < s->after)
            x->stage = s->after - s->way;
        return;
    }
    if (x->pausing) {
        x->pausing = false;
        x->pulses++;
        x->on_mono_ms = x->counted_mono_ms = s->at_mono_ms;
        x->amps = x->fell = 0;
    } else {
        x->stage = x->fell == 0 ? d : 0;
        x->fell = 0;
    }
    own_edge(x, s);
    x->amps += d;
    x->most = fmaxf(x->most, x->amps);
}

/* ---- falls
 * ------------------------------------------------------------------------------------- */

/* No run has this size: a young run settles, else the smallest run that is larger gives way,
 * else the base, else the largest runs end until the edge is used up. */
static void give_way(struct runs *r, const struct step *s, float d)
{
    struct run *k = NULL;
    bool settles = false;

    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (!run_is_on(x) || x->amps <= d)
            continue;
        bool young = s->at_mono_ms - x->on_mono_ms < RUNS_YOUNG_MS && d < 0.6F * x->amps;
        if (!k || (young && (!settles || x->on_mono_ms > k->on_mono_ms)) ||
            (!young && !settles && x->amps < k->amps))
            k = x;
        settles |= young;
    }
    if (k && d > 0.75F * k->amps) { /* the rest of it was something else */
        run_pause(k, s->at_mono_ms, s->at_wall_ms);
        return;
    }
    if (k) {
        k->amps -= d;
        k->lent += d < GIVEN_AMPS ? d : 0; /* perhaps it was of something else */
        own_edge(k, s);
        k->fell_mono_ms = s->at_mono_ms;
        k->fell = d;
        return;
    }
    if (r->base >= d - RUNS_LEAST_AMPS)
        return; /* settle() makes the base smaller */
    while (d > RUNS_LEAST_AMPS) {
        k = NULL;
        for (int i = 0; i < RUNS_MAX; i++)
            if (run_is_on(&r->all[i]) && (!k || r->all[i].amps > k->amps))
                k = &r->all[i];
        if (!k || k->amps > d + RUNS_LEAST_AMPS)
            break;
        d -= k->amps;
        run_pause(k, s->at_mono_ms, s->at_wall_ms);
    }
}

/* It rose before it fell: something came on a moment before something larger ended, and is
 * what the run that fits least badly lacks. */
static bool begun_before(struct runs *r, const struct step *s, struct run over[RUNS_MAX],
                         int *n)
{
    float d = s->before - s->after, rose = s->peak - s->before, least = 1.2F * rose;
    struct run *ended = NULL;
    if (rose < fmaxf(BEGUN_AMPS, RIPPLE * s->before) || r->unrest >= RUNS_UNREST)
        return false;
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (run_is_on(x) && x->amps - d >= BEGUN_AMPS && x->amps - d < least)
            least = x->amps - d, ended = x;
    }
    if (!ended)
        return false;
    run_pause(ended, s->at_mono_ms, s->at_wall_ms);
    own_edge(ended, s);
    run_begin(r, s, least, least, over, n);
    return true;
}

/* A load that ended in two steps: the fall a moment before, for which a run gave way, and this
 * one are together the size of some. False: they are not, and nothing has changed. */
static bool ended_in_two(struct runs *r, const struct step *s, struct runs_ending *e, float *d)
{
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (!run_is_on(x) || x->fell == 0 || x->fell_mono_ms != x->changed_mono_ms ||
            s->at_mono_ms - x->fell_mono_ms > IN_TWO_MS)
            continue;
        struct step both = *s;
        struct run as_now = *x;
        both.before += x->fell;
        x->amps += x->fell;
        x->lent -= x->fell < GIVEN_AMPS ? x->fell : 0;
        runs_fitting(r, &both, both.before - both.after, e);
        if (e->count > 0 && !e->stage && e->cost <= RUNS_FIT_LOOSE) {
            *d = both.before - both.after;
            return true;
        }
        *x = as_now;
    }
    return false;
}

static void fall(struct runs *r, const struct step *s, struct run over[RUNS_MAX], int *n)
{
    struct runs_ending e, two;
    float d = s->before - s->after;

    if (s->after < RUNS_LEAST_AMPS)
        runs_remember_gone(r);
    if (runs_rest_again(r, s))
        return;
    runs_fitting(r, s, d, &e);
    if ((e.count == 0 || e.cost > RUNS_FIT_LOOSE) && ended_in_two(r, s, &two, &d))
        e = two;
    if ((e.count == 0 || e.cost > RUNS_FIT_LOOSE) && begun_before(r, s, over, n))
        return;
    if (e.stage && e.runs[0]->amps - d < RUNS_LEAST_AMPS)
        e.stage = false; /* it has become smaller since: all of it */
    if (e.stage) {
        e.runs[0]->amps -= d;
        e.runs[0]->stage = 0;
        if (!e.runs[0]->announced)
            e.runs[0]->most = e.runs[0]->amps;
        own_edge(e.runs[0], s);
        return;
    }
    if (e.count >= 2 && r->unrest < RUNS_UNREST)
        runs_switched_off(r, s, e.runs, e.count);
    for (int i = 0; i < e.count; i++) {
        run_pause(e.runs[i], s->at_mono_ms, s->at_wall_ms);
        own_edge(e.runs[i], s);
    }
    if (e.count == 0)
        give_way(r, s, d);
}

/* ------------------------------------------------------------------------------------------------
 */

/* An excursion shorter than a step: one more pulse of a train, or the first. */
static void pulse(struct runs *r, const struct step *s, struct run over[RUNS_MAX], int *n)
{
    float amps = s->peak - s->before;
    if (amps < RUNS_LEAST_AMPS)
        return;
    struct run *x = run_begin(r, s, amps, amps, over, n);
    if (!x)
        return;
    int64_t lasted = s->settled_mono_ms - s->at_mono_ms;
    run_pause(x, s->at_mono_ms + lasted, s->at_wall_ms + lasted);
    struct run *t = runs_train_for(r, s->at_mono_ms, amps);
    if (t) {
        runs_train_add(r, t, x);
        *x = (struct run){0};
    } else
        x->train = true;
}

int runs_step(struct runs *r, const struct step *s, struct run over[RUNS_MAX])
{
    int n = 0;
    bool pulsed = s->after == s->before;
    float size = pulsed ? s->peak - s->before : fabsf(s->after - s->before);
    float ripple = RIPPLE * s->before;

    if (pulsed && size < ripple)
        return 0;
    if (size >= ripple)
        runs_rest_note(r, s);
    if (size >= ripple)
        note_edge(r, s, size);
    if (pulsed)
        pulse(r, s, over, &n);
    else if (size < ripple && size < RIPPLE_AMPS)
        runs_drift(r, s->at_mono_ms, s->after - s->before);
    else if (s->after > s->before)
        rise(r, s, over, &n);
    else
        fall(r, s, over, &n);
    if (!pulsed) {
        runs_rest_right(r, s);
        float hours = (float)(s->at_mono_ms - r->low_mono_ms) / 3.6e6F;
        r->low = fminf(r->low + hours * LOW_AMPS_AN_HOUR, s->after);
        r->low_mono_ms = s->at_mono_ms;
        runs_settle(r, s);
    }
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
        if (due <= mono_ms && !x->train)
            runs_train_gather(r, x);
        due = x->off_mono_ms + patience_ms(x) + STEPS_PATIENCE_MS;
        if (x->id == 0)
            continue;
        if (due <= mono_ms)
            over_with(x, over, &n);
        else if (due < *next_mono_ms)
            *next_mono_ms = due;
    }
    return n;
}

void runs_ripple(struct runs *r, float level, float deviation, float n)
{
    for (int i = 0; i < RUNS_MAX; i++) {
        struct run *x = &r->all[i];
        if (run_is_on(x) && x->amps > 0.7F * level) {
            x->ripple += deviation * n;
            x->rippled += n;
        }
    }
}

int runs_cut(struct runs *r, int64_t mono_ms, int64_t wall_ms, struct run over[RUNS_MAX])
{
    struct run *on[RUNS_MAX];
    int n = 0, m = 0;
    for (int i = 0; i < RUNS_MAX; i++)
        if (run_is_on(&r->all[i]))
            on[m++] = &r->all[i];
    runs_remember_cut(r, on, m);
    r->cut_loose = r->loose;
    if (m == 0)
        runs_gone_was_cut(r);
    for (int i = 0; i < m; i++) {
        run_pause(on[i], mono_ms, wall_ms);
        on[i]->cut = true;
    }
    for (int i = 0; i < RUNS_MAX; i++)
        if (r->all[i].id)
            over_with(&r->all[i], over, &n);
    r->base = r->loose = 0;
    return n;
}
