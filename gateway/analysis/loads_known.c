#include "loads_inner.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOVED_RUNS 4
#define MOVED_MS (2 * 86400000LL) /* for so long it must not have been here, or there */
#define MOVED_MOST_MS (21 * 86400000LL)
#define LENT_ODDS 2.3F          /* ten to one */
#define NAMED_PROBABILITY 0.99F /* that a run of a named load is that load */

/* A run may be anything, its circuit is not; but something else beside it is never quite ruled
 * out, and what looks much more like that is not lent the circuit's name. */
static bool may_be(const struct signature_set *set, const float x[SIGNATURE_FEATURES],
                   const char *key)
{
    const struct signature *s = signature_find(set, key);
    float odds[SIGNATURE_MAX], most = -INFINITY;
    if (!s)
        return true;
    appliances_odds(set, x, odds);
    for (size_t i = 0; i < set->count; i++)
        most = fmaxf(most, odds[i]);
    return odds[s - set->signatures] >= most - LENT_ODDS;
}

void loads_label(const struct loads *l, size_t i, const struct run_shape *s,
                 const struct learned_load *load, struct loads_label *out)
{
    float x[SIGNATURE_FEATURES];

    *out = (struct loads_label){.essential = l->site->circuits[i].essential};
    if (load && load->name[0]) {
        memcpy(out->appliance, load->name, sizeof out->appliance);
        out->probability = NAMED_PROBABILITY;
        return;
    }
    appliances_features(s, load, appliances_volts(l->site, (int)i),
                        s->power_factor > 0 ? s->power_factor : NAN, x);
    struct appliance_guess g = appliances_judge(l->signatures, x);
    text_copy(out->appliance, sizeof out->appliance,
              g.signature ? g.signature->key : LOADS_UNKNOWN);
    out->probability = g.probability;
    const struct circuit *c = &l->circuits[i];
    if (!g.signature && c->alone[0] && may_be(l->signatures, x, c->alone)) {
        text_copy(out->appliance, sizeof out->appliance, c->alone);
        out->probability = c->alone_probability;
        g.signature = signature_find(l->signatures, c->alone);
    }
    out->essential |= g.signature && g.signature->essential;
}

/* The load as one run of it usually looks. */
static void usual_shape(const struct learned_load *c, struct run_shape *out)
{
    float amps = expf(c->amps.mean);
    *out = (struct run_shape){
        .amps = amps,
        .first = amps,
        .last = amps * expf(c->fading),
        .most = amps,
        .inrush = amps * expf(c->inrush.mean),
        .spread = c->spread,
        .ripple = c->ripple > 0 ? c->ripple : -1,
        .seconds = expf(c->seconds.mean),
        .on_seconds = expf(c->seconds.mean),
        .changes = c->changes,
        .pulses = (int)lroundf(c->pulses),
        .power_factor = c->power_factor,
    };
}

void loads_usual_features(const struct loads *l, size_t i, const struct learned_load *c,
                          float x[SIGNATURE_FEATURES])
{
    struct run_shape s;
    usual_shape(c, &s);
    appliances_features(&s, c, appliances_volts(l->site, (int)i),
                        s.power_factor > 0 ? s.power_factor : NAN, x);
}

static bool is_running(const struct circuit *c, uint32_t id)
{
    for (int k = 0; k < RUNS_MAX; k++)
        if (c->runs.all[k].id && !c->runs.all[k].pausing && c->runs.all[k].load == id)
            return true;
    return false;
}

/* The same load on another circuit, which went away when this one began; -1: none. A day or two
 * may have both, while things are moved. */
static int moved_from(const struct loads *l, size_t i, const struct learned_load *c)
{
    if (c->runs < MOVED_RUNS || c->first_wall_ms - l->circuits[i].begun_wall_ms < MOVED_MS)
        return -1;
    for (size_t k = 0; k < l->count; k++)
        for (int m = 0; m < LEARNED_MAX && k != i; m++) {
            const struct learned_load *o = &l->circuits[k].learned.loads[m];
            if (o->id && o->runs >= MOVED_RUNS && o->last_wall_ms <= c->first_wall_ms &&
                c->first_wall_ms - o->last_wall_ms < MOVED_MOST_MS &&
                l->wall_ms - o->last_wall_ms > MOVED_MS && learned_alike(o, c))
                return (int)k;
        }
    return -1;
}

static void describe_known(const struct loads *l, size_t i, const struct learned_load *c,
                           struct loads_known *k)
{
    struct run_shape s;
    struct loads_label label;
    double days = (double)(l->wall_ms - c->first_wall_ms) / 86400000.0;

    usual_shape(c, &s);
    loads_label(l, i, &s, c, &label);
    *k = (struct loads_known){
        .id = c->id,
        .probability = (double)label.probability,
        .amps = (double)s.amps,
        .watts = (double)s.amps * l->site->nominal_volts * l->site->circuits[i].poles *
                 (s.power_factor > 0 ? (double)s.power_factor : 1),
        .seconds = (double)s.on_seconds,
        .runs = (double)c->runs,
        .per_day = (double)c->runs / fmax(days, 1),
        .share = (double)c->charge,
        .first_wall_ms = c->first_wall_ms,
        .last_wall_ms = c->last_wall_ms,
        .running = is_running(&l->circuits[i], c->id),
        .moved_from = moved_from(l, i, c),
    };
    memcpy(k->appliance, label.appliance, sizeof k->appliance);
    memcpy(k->name, c->name, sizeof k->name);
    for (int h = 0; h < 24; h++)
        k->hours[h] = (double)c->hours[h];
}

static int larger_share_first(const void *a, const void *b)
{
    const struct loads_known *x = a, *y = b;
    if (x->share != y->share)
        return (x->share < y->share) - (x->share > y->share);
    return (x->id > y->id) - (x->id < y->id);
}

size_t loads_known(const struct loads *l, int circuit, struct loads_known out[LOADS_MAX_KNOWN])
{
    const struct learned *learned = &l->circuits[circuit].learned;
    size_t n = 0;
    double sum = 0;

    _Static_assert(LOADS_MAX_KNOWN >= LEARNED_MAX, "all of them fit");
    for (int i = 0; i < LEARNED_MAX; i++)
        if (learned->loads[i].id)
            describe_known(l, (size_t)circuit, &learned->loads[i], &out[n++]);
    for (size_t i = 0; i < n; i++)
        sum += out[i].share;
    for (size_t i = 0; i < n; i++)
        out[i].share = sum > 0 ? out[i].share / sum : 0;
    qsort(out, n, sizeof *out, larger_share_first);
    return n;
}

void loads_whole(const struct loads *l, int circuit, struct loads_whole *out)
{
    const struct portrait *p = &l->circuits[circuit].portrait;
    float day[SIGNATURE_DAY];
    *out = (struct loads_whole){.appliance = LOADS_UNKNOWN, .days = (double)p->seconds / 86400};
    if (p->seconds < PORTRAIT_LEAST_SECONDS)
        return;
    portrait_day(p, day);
    struct portrait_guess g = portrait_judge(l->signatures, day);
    out->judged = g.kind != PORTRAIT_EARLY;
    out->several = g.kind == PORTRAIT_SEVERAL;
    out->probability = (double)g.probability;
    if (g.kind == PORTRAIT_ONE)
        text_copy(out->appliance, sizeof out->appliance, g.signature->key);
    else if (g.kind == PORTRAIT_UNKNOWN && g.signature)
        text_copy(out->likely, sizeof out->likely, g.signature->key);
}

bool loads_name(struct loads *l, int circuit, uint32_t id, const char *name)
{
    struct learned_load *c = learned_find(&l->circuits[circuit].learned, id);
    if (!c || strlen(name) >= sizeof c->name)
        return false;
    for (const char *p = name; *p; p++)
        if ((unsigned char)*p < ' ' || *p == 0x7f)
            return false;
    text_copy(c->name, sizeof c->name, name);
    return true;
}

bool loads_name_published(struct loads *l, const char *published, const char *name)
{
    char circuit[SITE_ID_SIZE], *end;
    const char *slash = strrchr(published, '/');
    if (!slash || (size_t)(slash - published) >= sizeof circuit)
        return false;
    memcpy(circuit, published, (size_t)(slash - published));
    circuit[slash - published] = '\0';
    int i = site_find_circuit(l->site, circuit);
    unsigned long id = strtoul(slash + 1, &end, 10);
    return i >= 0 && slash[1] >= '0' && slash[1] <= '9' && *end == '\0' && id <= UINT32_MAX &&
           loads_name(l, i, (uint32_t)id, name);
}
