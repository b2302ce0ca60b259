#include "together.h"

#include <math.h>
#include <string.h>

#define UTILITY_PER_SECOND (0.02 / 86400.0)
#define LEG_PER_SECOND (0.002 / 86400.0)
#define FEEDER_PER_SECOND (0.01 / 86400.0)
#define METER_PER_SECOND (0.01 / 86400.0)
#define RESTART_LOG_RATIO                                                                      \
    4.0 /* a meter that restarts was silent before; a dead line need not be */
#define VOLTAGE_DEAD_SHARE 0.3 /* of nominal */
#define VOLTAGE_LOG_RATIO 12.0
#define TIMER_CHANCE 1e-4 /* several circuits switched by timers, at any one full hour */
#define BACK_WITH_LOG_RATIO 5.0
#define STAYS_OFF 0.5      /* a load that ran, after a reset */
#define STAYS_OFF_LONG 0.1 /* one that had run for hours */
#define LONG_SECONDS 7200.0

/* the letters of a circuit's poles, "" when nobody said */
static bool on_leg(const struct site_circuit *c, int leg)
{
    return c->poles == 1 && c->leg[0] == (char)('A' + leg);
}

static bool behind_feeder(const struct site *s, int feeder, int circuit)
{
    for (int depth = 0; depth < SITE_MAX_PANELS && circuit >= 0; depth++) {
        if (circuit == feeder)
            return true;
        circuit = s->panels[s->circuits[circuit].panel].fed_by;
    }
    return false;
}

bool together_within(const struct site *s, struct scope scope, int circuit)
{
    switch (scope.kind) {
    case SCOPE_NONE: return false;
    case SCOPE_UTILITY: return true;
    case SCOPE_LEG: return on_leg(&s->circuits[circuit], scope.index);
    case SCOPE_FEEDER: return behind_feeder(s, scope.index, circuit);
    case SCOPE_METER: return scope.index < 0 || s->circuits[circuit].meter == scope.index;
    }
    return false;
}

/* Does the panel hang on it with this leg? */
static bool panel_within(const struct site *s, struct scope scope, int panel, int leg)
{
    int feeder = s->panels[panel].fed_by;
    if (scope.kind == SCOPE_UTILITY)
        return feeder < 0;
    if (scope.kind == SCOPE_LEG)
        return feeder < 0 && leg == scope.index;
    return scope.kind == SCOPE_FEEDER && feeder >= 0 && behind_feeder(s, scope.index, feeder);
}

int together_voltage(const struct site *s, struct scope scope, const struct frame *f)
{
    int known = 0;
    if (!(f->has & (1U << FRAME_PANEL_VOLTS)))
        return 0;
    for (size_t p = 0; p < s->panel_count; p++)
        for (int leg = 0; leg < s->panels[p].legs; leg++) {
            float volts = f->values[frame_panel_index(f, p, (size_t)leg)];
            if (isnan(volts) || !panel_within(s, scope, (int)p, leg))
                continue;
            if ((double)volts >= VOLTAGE_DEAD_SHARE * s->nominal_volts)
                return -1;
            known = 1;
        }
    return known;
}

/* Has another leg of the supply than the scope's gone with it? */
static bool another_leg_dead(const struct site *s, struct scope scope, const struct frame *f)
{
    bool dead = false;
    for (int leg = 0; scope.kind == SCOPE_LEG && leg < SITE_MAX_LEGS; leg++)
        dead |=
            leg != scope.index && together_voltage(s, (struct scope){SCOPE_LEG, leg}, f) == 1;
    return dead;
}

static double log_rate(enum scope_kind kind)
{
    static const double per_second[] = {[SCOPE_UTILITY] = UTILITY_PER_SECOND,
                                        [SCOPE_LEG] = LEG_PER_SECOND,
                                        [SCOPE_FEEDER] = FEEDER_PER_SECOND,
                                        [SCOPE_METER] = METER_PER_SECOND};
    return kind == SCOPE_NONE ? -INFINITY : log(per_second[kind]);
}

/* -INFINITY when it cannot be */
static double log_weight(const struct together_view *v, struct scope scope)
{
    const struct site *s = v->site;
    double w = scope.kind == SCOPE_NONE ? 0.0 : log_rate(scope.kind) + log(v->gap_seconds);
    bool any = scope.kind == SCOPE_NONE;
    for (size_t i = 0; i < s->circuit_count; i++) {
        bool within = together_within(s, scope, (int)i);
        if (within && v->carries[i])
            return -INFINITY;
        if (!v->fell[i] || s->circuits[i].feeds_panel >= 0)
            continue; /* what a feeder carries goes with its branches anyway */
        any |= within;
        w += within ? 0.0 : v->log_chance[i];
    }
    if (!any)
        return -INFINITY;
    if (scope.kind == SCOPE_NONE && v->on_the_clock)
        return fmax(w, log(TIMER_CHANCE));
    if (scope.kind == SCOPE_METER)
        return w + (v->silent_before ? RESTART_LOG_RATIO : 0.0);
    if (scope.kind == SCOPE_NONE)
        return w;
    int gone = together_voltage(s, scope, v->frame);
    if (gone < 0 || another_leg_dead(s, scope, v->frame))
        return -INFINITY;
    return w + VOLTAGE_LOG_RATIO * gone;
}

double together_came_back(size_t with, const double *waiting_ages, size_t waiting)
{
    double sum = BACK_WITH_LOG_RATIO * (double)with;
    for (size_t k = 0; k < waiting; k++)
        sum += log(waiting_ages[k] >= LONG_SECONDS ? STAYS_OFF_LONG : STAYS_OFF);
    return sum;
}

static void consider(const struct together_view *v, struct scope scope,
                     struct scope_guess *best, double *best_weight, double *sum)
{
    double w = exp(fmin(log_weight(v, scope) - log_weight(v, scope_nothing), 300.0));
    *sum += w;
    if (w > *best_weight) {
        *best_weight = w;
        best->scope = scope;
    }
}

struct scope_guess together_judge(const struct together_view *v)
{
    struct scope_guess best = scope_not_guessed;
    double best_weight = 0.0, sum = 1.0; /* none weighs one */
    consider(v, (struct scope){SCOPE_UTILITY, -1}, &best, &best_weight, &sum);
    for (int leg = 0; leg < SITE_MAX_LEGS; leg++)
        if (v->site->panel_count && v->site->panels[0].legs > 1)
            consider(v, (struct scope){SCOPE_LEG, leg}, &best, &best_weight, &sum);
    for (size_t i = 0; i < v->site->circuit_count; i++)
        if (v->site->circuits[i].feeds_panel >= 0)
            consider(v, (struct scope){SCOPE_FEEDER, (int)i}, &best, &best_weight, &sum);
    for (size_t m = 0; m < v->site->meter_count; m++)
        consider(v, (struct scope){SCOPE_METER, (int)m}, &best, &best_weight, &sum);
    if (v->site->meter_count == 0)
        consider(v, (struct scope){SCOPE_METER, -1}, &best, &best_weight, &sum);
    best.probability = best.scope.kind == SCOPE_NONE ? 0.0 : best_weight / sum;
    return best;
}
