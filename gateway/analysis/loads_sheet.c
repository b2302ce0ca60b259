#include "loads_sheet.h"

#include "loads_inner.h"
#include "runs_train.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PLUG_LEAST 2.0F /* amps of each of the two */
#define SUM_SHARE 0.03F /* their sum may differ by */

#define STAGE_LEAST 4.0F /* amps of each of the two */

#define TOGETHER_MS 3000
#define TOGETHER_AMPS 0.3F
#define TOGETHER_RUNS 2.0F /* of the load that the sum is */
#define KNOWN_RUNS 3.0F
#define SEEN_RUNS 0.5F /* once, not too long ago */

#define HEATER_LEAST 5.0F /* amps */
#define HEATER_MOST 13.5F
#define TURN_LEAST 0.8F
#define TURN_MOST 4.0F
#define TURN_SHARE 0.45F /* of the heater, at the most */
#define STEADY 0.05F
#define INRUSH 1.1F

#define GAVE_LEAST 0.5F /* amps */
#define GAVE_TIMES 1.5F /* of that and GAVE_AMPS, what has begun since may be */
#define GAVE_AMPS 0.6F
#define SMALL_AMPS 3.0F
#define YOUNG_MS 1200000
#define ELEMENT_LEAST 2.0F
#define PART_SHARE 0.8F /* of what gave way, at the most */
#define ELEMENT_MOST 14.0F
#define OWN_SECONDS 120.0F /* a load of its own is on for longer */
#define PARTLY 0.4F        /* of its series, and it is a part (series.h) */

#define UNEXPLAINED_AMPS 1.1F
#define LEAST_AMPS 0.04

/* A load of the list and the run it is; NULL: of none. */
struct item {
    struct event_load load;
    const struct run *run;
};

struct sheet {
    const struct loads *loads;
    int number;
    const struct circuit *circuit; /* of that number */
    struct item items[LOADS_MAX_RUNNING];
    size_t count;
};

static const struct run *run_of(const struct runs *r, int64_t id)
{
    for (int i = 0; i < RUNS_MAX && id; i++)
        if (r->all[i].id == id)
            return &r->all[i];
    return NULL;
}

static float amps_of(const struct item *x)
{
    return (float)x->load.amps;
}

/* Item k becomes part of the larger item host and leaves the list. */
static void join(struct sheet *s, size_t host, size_t k)
{
    struct event_load *h = &s->items[host].load;
    h->amps += s->items[k].load.amps;
    h->essential |= s->items[k].load.essential;
    memmove(&s->items[k], &s->items[k + 1], (--s->count - k) * sizeof s->items[0]);
}

/* ---- two at once ----------------------------------------------------------------------------
 */

static bool known(const struct sheet *s, const struct item *x)
{
    return learned_of_size(&s->circuit->learned, amps_of(x), KNOWN_RUNS) != NULL;
}

/* Two loads that are known, or one and another like it, whose sum is nearest; NULL: none. */
static const struct learned_load *two_of(const struct sheet *s, float amps,
                                         const struct learned_load **other)
{
    const struct learned_load *all = s->circuit->learned.loads, *best = NULL;
    float least = SUM_SHARE * amps;
    for (int i = 0; i < LEARNED_MAX; i++)
        for (int j = i; j < LEARNED_MAX; j++) {
            float a = expf(all[i].amps.mean), b = expf(all[j].amps.mean);
            if (!all[i].id || !all[j].id || all[i].runs < KNOWN_RUNS ||
                all[j].runs < KNOWN_RUNS || fminf(a, b) < PLUG_LEAST ||
                fabsf(a + b - amps) > least)
                continue;
            least = fabsf(a + b - amps);
            best = a < b ? &all[j] : &all[i];
            *other = a < b ? &all[i] : &all[j];
        }
    return best;
}

static void be(const struct sheet *s, struct item *x, const struct learned_load *load,
               float amps)
{
    struct run_shape shape = {.amps = amps, .first = amps, .most = amps};
    struct loads_label label;
    loads_label(s->loads, (size_t)s->number, &shape, load, &label);
    x->load.amps = (double)amps;
    x->load.appliance_probability = (double)label.probability;
    x->load.essential |= label.essential;
    memcpy(x->load.appliance, label.appliance, sizeof x->load.appliance);
}

static void two_at_once(struct sheet *s)
{
    double most = s->loads->site->circuits[s->number].breaker_amps;
    for (size_t i = 0; i < s->count && s->count < LOADS_MAX_RUNNING; i++) {
        struct item *x = &s->items[i];
        const struct learned_load *one, *other = NULL;
        float amps = amps_of(x);
        if (x->load.amps <= most || strcmp(x->load.appliance, LOADS_STANDING) == 0 ||
            learned_of_size(&s->circuit->learned, amps, SEEN_RUNS))
            continue;
        one = two_of(s, amps, &other);
        if (!one)
            continue;
        float share = 1 / (1 + expf(other->amps.mean - one->amps.mean));
        struct item second = {.load = x->load};
        second.load.run = 0;
        be(s, &second, other, (1 - share) * amps);
        be(s, x, one, share * amps);
        s->items[s->count++] = second;
    }
}

/* ---- one and another ------------------------------------------------------------------------
 */

static void one_and_another(struct sheet *s)
{
    for (size_t i = 0; i < s->count && s->count < LOADS_MAX_RUNNING; i++) {
        struct item *x = &s->items[i];
        float amps = amps_of(x), then = x->run ? x->run->stage : 0;
        if (fminf(then, amps - then) < STAGE_LEAST || known(s, x))
            continue;
        struct item second = {.load = x->load};
        second.load.run = 0;
        be(s, &second, learned_of_size(&s->circuit->learned, then, KNOWN_RUNS), then);
        be(s, x, learned_of_size(&s->circuit->learned, amps - then, KNOWN_RUNS), amps - then);
        s->items[s->count++] = second;
    }
}

/* ---- begun together -------------------------------------------------------------------------
 */

/* Whether these n are one load: their sum is known, and not each of them by itself. */
static bool one_load(const struct sheet *s, const struct item *const some[], size_t n)
{
    float sum = 0;
    bool apart = true;
    for (size_t i = 0; i < n; i++) {
        if (!some[i]->run ||
            llabs(some[i]->run->began_mono_ms - some[0]->run->began_mono_ms) > TOGETHER_MS)
            return false;
        sum += amps_of(some[i]);
        apart &= known(s, some[i]);
    }
    return !apart && sum >= TOGETHER_AMPS &&
           learned_of_size(&s->circuit->learned, sum, TOGETHER_RUNS) != NULL;
}

static void begun_together(struct sheet *s)
{
    const struct item *x = s->items;
    for (size_t i = 0; i < s->count; i++)
        for (size_t j = i + 1; j < s->count; j++) {
            if (one_load(s, (const struct item *[]){&x[i], &x[j]}, 2)) {
                join(s, i, j);
                return;
            }
            for (size_t k = j + 1; k < s->count; k++)
                if (one_load(s, (const struct item *[]){&x[i], &x[j], &x[k]}, 3)) {
                    join(s, i, k);
                    join(s, i, j);
                    return;
                }
        }
}

/* ---- gave way -------------------------------------------------------------------------------
 */

/* A load that is on by itself, and for a while. */
static bool by_itself(const struct sheet *s, float amps)
{
    const struct learned_load *known = learned_of_size(&s->circuit->learned, amps, KNOWN_RUNS);
    return known && known->seconds.mean > logf(OWN_SECONDS) &&
           !(known->rich > 0 && known->rich >= PARTLY * known->series);
}

static bool may_be_part(const struct sheet *s, const struct item *x, const struct item *element)
{
    return x->run && !x->run->train &&
           amps_of(x) < fminf(SMALL_AMPS, PART_SHARE * amps_of(element)) &&
           x->run->began_mono_ms > element->run->began_mono_ms &&
           s->loads->mono_ms - x->run->began_mono_ms < YOUNG_MS && !by_itself(s, amps_of(x));
}

/* How much smaller it is than it was; a run that began with something small: than it ever was.
 */
static float gave(const struct item *x)
{
    float first = x->run->first < 0.8F * amps_of(x) ? 0 : x->run->first;
    return fmaxf(first, x->run->most) - amps_of(x);
}

static void gave_way(struct sheet *s)
{
    for (size_t i = s->count; i-- > 0;) { /* the smallest element first */
        const struct item *x = &s->items[i];
        float sum = 0;
        if (!x->run || x->run->disturbed == 0 || amps_of(x) < ELEMENT_LEAST ||
            amps_of(x) >= ELEMENT_MOST || gave(x) < GAVE_LEAST)
            continue;
        for (size_t k = i + 1; k < s->count; k++)
            if (may_be_part(s, &s->items[k], x))
                sum += amps_of(&s->items[k]);
        if (sum <= 0 || sum > GAVE_TIMES * gave(x) + GAVE_AMPS)
            continue;
        for (size_t k = s->count; k-- > i + 1;)
            if (may_be_part(s, &s->items[k], &s->items[i]))
                join(s, i, k);
        return;
    }
}

/* ---- turned up ------------------------------------------------------------------------------
 */

static bool may_be_a_turn(const struct sheet *s, const struct item *x)
{
    float amps = amps_of(x);
    return x->run && x->run->announced && !x->run->train && x->run->changes == 0 &&
           amps >= TURN_LEAST && amps <= TURN_MOST &&
           fabsf(amps - x->run->first) <= STEADY * amps && !known(s, x);
}

static bool turned(const struct item *heater, const struct item *turn)
{
    const struct run *h = heater->run, *t = turn->run;
    float amps = amps_of(heater);
    return h && h != t && amps >= HEATER_LEAST && amps <= HEATER_MOST && h->changes <= 1 &&
           h->first < 1.05F * amps + 0.3F && amps_of(turn) < TURN_SHARE * amps &&
           (llabs(h->began_mono_ms - t->began_mono_ms) <= TOGETHER_MS ||
            (h->began_mono_ms < t->began_mono_ms && t->inrush < INRUSH * amps_of(turn)));
}

static void turned_up(struct sheet *s)
{
    for (size_t k = s->count; k-- > 0 && s->circuit->runs.unrest < RUNS_UNREST;) {
        size_t heater = s->count;
        if (!may_be_a_turn(s, &s->items[k]))
            continue;
        for (size_t i = 0; i < s->count; i++)
            if (turned(&s->items[i], &s->items[k]) &&
                (heater == s->count ||
                 s->items[i].run->began_mono_ms < s->items[heater].run->began_mono_ms))
                heater = i;
        if (heater < s->count)
            join(s, heater, k);
    }
}

/* ---- unexplained ----------------------------------------------------------------------------
 */

static void unexplained(struct sheet *s)
{
    const struct runs *r = &s->circuit->runs;
    float more = fminf(r->loose, r->base - r->low);
    size_t standing = s->count, last = s->count;
    for (size_t i = 0; i < s->count; i++) {
        const struct item *x = &s->items[i];
        if (strcmp(x->load.appliance, LOADS_STANDING) == 0)
            standing = i;
        if (x->run &&
            (last == s->count || x->run->began_mono_ms > s->items[last].run->began_mono_ms))
            last = i;
    }
    if (more < UNEXPLAINED_AMPS || standing == s->count || last == s->count)
        return;
    s->items[last].load.amps += (double)more;
    s->items[standing].load.amps -= (double)more;
    if (s->items[standing].load.amps < LEAST_AMPS) /* what is left of it, too */
        join(s, last, standing);
}

size_t loads_sheet(const struct loads *l, int circuit, struct event_load out[LOADS_MAX_RUNNING])
{
    struct sheet s = {.loads = l, .number = circuit, .circuit = &l->circuits[circuit]};
    s.count = loads_running(l, circuit, out);
    for (size_t i = 0; i < s.count; i++)
        s.items[i] = (struct item){.load = out[i], .run = run_of(&s.circuit->runs, out[i].run)};
    two_at_once(&s);
    one_and_another(&s);
    begun_together(&s);
    gave_way(&s);
    turned_up(&s);
    unexplained(&s);
    for (size_t i = 0; i < s.count; i++)
        out[i] = s.items[i].load;
    qsort(out, s.count, sizeof *out, loads_larger_first);
    return s.count;
}
