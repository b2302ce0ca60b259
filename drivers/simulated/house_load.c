#include "house_load.h"

#include <math.h>

static double draw(struct house_load *l, struct house_range r)
{
    return chance_between(&l->chance, r.least, r.most);
}

void house_load_init(struct house_load *l, const struct house_load_spec *spec, uint64_t seed)
{
    *l = (struct house_load){.spec = spec, .chance = chance_seed(seed, spec->id)};
    l->in_use = spec->always || spec->trace;
    l->until = INFINITY;
    l->run_watts = spec->watts;
    l->calling = true;
    if (spec->cycle_on.most > 0.0) { /* somewhere in its cycle */
        l->calling = chance_happens(&l->chance, 0.5);
        l->call_until = draw(l, l->calling ? spec->cycle_on : spec->cycle_off);
        l->call_until *= chance_between(&l->chance, 0.0, 1.0);
    }
}

void house_load_start(struct house_load *l, double now, double seconds)
{
    l->until = now + (seconds > 0.0 ? seconds : draw(l, l->spec->run));
    if (l->in_use)
        return;
    l->in_use = true;
    l->calling = true; /* a cold room, a cold oven: the thermostat asks at once */
    l->call_until = now + draw(l, l->spec->cycle_on);
    l->working = false;
    l->work_until = now + draw(l, l->spec->work_low);
}

void house_load_stop(struct house_load *l)
{
    l->in_use = l->spec->always;
    l->shorted = false;
}

void house_load_live(struct house_load *l, double now, double seconds, int hour)
{
    const struct house_load_spec *s = l->spec;
    if (!l->in_use) {
        int hours = __builtin_popcount(s->hours);
        if (hours > 0 && (s->hours >> hour & 1U) &&
            chance_happens(&l->chance, s->starts_per_day * seconds / (3600.0 * hours)))
            house_load_start(l, now, 0.0);
        return;
    }
    if (now >= l->until)
        house_load_stop(l);
    if (s->cycle_on.most > 0.0 && now >= l->call_until) {
        l->calling = !l->calling;
        l->call_until = now + draw(l, l->calling ? s->cycle_on : s->cycle_off);
    }
    if (s->work_high.most > 0.0 && now >= l->work_until) {
        l->working = !l->working;
        l->work_until = now + draw(l, l->working ? s->work_high : s->work_low);
    }
}

bool house_load_wanted(const struct house_load *l)
{
    return l->in_use && l->calling && !l->unplugged;
}

double house_load_watts(struct house_load *l, double now, double seconds)
{
    const struct house_load_spec *s = l->spec;
    if (s->trace)
        return trace_watts(s->trace, s->trace_second + now);
    double age = now - l->since + 0.5 * seconds;
    double watts = l->run_watts;
    if (s->inrush > 1.0 && age < 30.0 * s->inrush_seconds)
        watts *= 1.0 + (s->inrush - 1.0) * exp(-age / s->inrush_seconds);
    if (s->work_high.most > 0.0 && !l->working)
        watts *= s->work_share;
    if (s->noise > 0.0)
        watts *= 1.0 + chance_normal(&l->chance, 0.0, s->noise);
    return fmax(0.0, watts);
}
