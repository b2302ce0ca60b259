#include "shared_neutral.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char advice_over[] =
    "Switch off or unplug at the appliances on both circuits: no breaker protects the neutral "
    "that they share. Call a licensed electrician. If an outlet, a plug or the panel is hot, "
    "buzzing, smelling, sparking, damaged or wet, keep away from it. Smoke, fire or a burning "
    "smell: leave and call the emergency number. foretrip only advises and is no protective "
    "device; local codes and a licensed electrician's word come first.";
static const char advice_leg[] =
    "Use little at a time on both circuits until a licensed electrician has moved one of them "
    "to another leg, or has found that the record of the legs is wrong. Nobody else opens the "
    "panel. foretrip only advises and is no protective device; local codes and a licensed "
    "electrician's word come first.";

struct group {
    int *circuits;
    int count;
    double smallest_amps; /* breaker */
    int doubled;          /* the circuit that hangs on the leg of another, -1: none, .. */
    int doubles;          /* .. and that other */
};

struct shared_neutral {
    const struct site *site;
    const struct rules_set *rules;
    struct alarms *alarms;
    int *circuits; /* by group */
    size_t group_count;
    struct group groups[];
};

static void note_legs(const struct site *s, struct group *g)
{
    g->doubled = g->doubles = -1;
    for (int k = 1; k < g->count; k++)
        for (int m = 0; m < k && g->doubled < 0; m++)
            if (strpbrk(s->circuits[g->circuits[k]].leg, s->circuits[g->circuits[m]].leg)) {
                g->doubled = g->circuits[k];
                g->doubles = g->circuits[m];
            }
}

/* the circuits from `first` on that carry its word; none when it was gathered before or is
 * alone, with poles on one leg only */
static void gather(const struct site *s, size_t first, struct group *g)
{
    const char *word = s->circuits[first].neutral_group;
    int poles = 0;
    for (size_t i = 0; i < first; i++)
        if (strcmp(s->circuits[i].neutral_group, word) == 0)
            return;
    g->smallest_amps = (double)INFINITY;
    for (size_t i = first; i < s->circuit_count; i++) {
        if (strcmp(s->circuits[i].neutral_group, word) != 0)
            continue;
        g->circuits[g->count++] = (int)i;
        poles += s->circuits[i].poles;
        g->smallest_amps = fmin(g->smallest_amps, s->circuits[i].breaker_amps);
    }
    if (poles < 2)
        g->count = 0;
}

struct shared_neutral *shared_neutral_create(const struct site *s,
                                             const struct rules_set *rules, struct alarms *a)
{
    struct shared_neutral *n = calloc(1, sizeof *n + s->circuit_count * sizeof n->groups[0]);
    if (!n)
        return NULL;
    *n = (struct shared_neutral){.site = s, .rules = rules, .alarms = a};
    n->circuits = calloc(s->circuit_count + 1, sizeof *n->circuits);
    if (!n->circuits) {
        free(n);
        return NULL;
    }
    int *free_circuits = n->circuits;
    for (size_t i = 0; i < s->circuit_count; i++) {
        struct group *g = &n->groups[n->group_count];
        *g = (struct group){.circuits = free_circuits};
        if (!s->circuits[i].neutral_group[0])
            continue;
        gather(s, i, g);
        if (g->count == 0)
            continue;
        note_legs(s, g);
        free_circuits += g->count;
        n->group_count++;
    }
    return n;
}

void shared_neutral_destroy(struct shared_neutral *n)
{
    if (!n)
        return;
    free(n->circuits);
    free(n);
}

double shared_neutral_amps(const double *leg, int legs)
{
    if (legs == 1)
        return leg[0];
    if (legs == 2)
        return fabs(leg[0] - leg[1]);
    double square = leg[0] * leg[0] + leg[1] * leg[1] + leg[2] * leg[2] - leg[0] * leg[1] -
                    leg[1] * leg[2] - leg[2] * leg[0];
    return sqrt(fmax(0.0, square));
}

static double group_amps(const struct shared_neutral *n, const struct group *g,
                         const float *pole_amps)
{
    double legs[SITE_MAX_LEGS] = {0};
    const struct site *s = n->site;
    for (int k = 0; k < g->count; k++) {
        const struct site_circuit *c = &s->circuits[g->circuits[k]];
        for (int p = 0; p < c->poles; p++)
            legs[c->leg[p] - 'A'] += (double)pole_amps[c->first_pole + p];
    }
    return shared_neutral_amps(legs, s->panels[s->circuits[g->circuits[0]].panel].legs);
}

static void judge(struct shared_neutral *n, const struct frame *f, struct alarm_judgement *j,
                  struct text *text, const struct figures *figures)
{
    j->text = text_get(text);
    j->figures = figures;
    alarms_judge(n->alarms, f->mono_ms, f->wall_ms, j);
    text_free(text);
}

static void say_circuits(const struct shared_neutral *n, const struct group *g,
                         struct text *out)
{
    for (int k = 0; k < g->count; k++) {
        char where[256];
        site_describe_circuit(n->site, g->circuits[k], where, sizeof where);
        text_append(out, k == 0 ? "" : k + 1 == g->count ? " and " : ", ");
        text_append(out, where);
    }
}

static void judge_current(struct shared_neutral *n, const struct frame *f,
                          const struct group *g, const float *pole_amps)
{
    int first = g->circuits[0];
    const struct rules *r = &n->rules->circuits[first];
    double amps = group_amps(n, g, pole_amps);
    double limit = 0.01 * r->neutral_percent * g->smallest_amps;
    struct alarm_judgement j = {
        .kind = ALARM_SHARED_NEUTRAL,
        .subject = {n->site->circuits[first].panel, first, -1},
        .on_seconds = r->neutral_seconds,
        .off_seconds = r->gone_seconds,
        .priority = PRIORITY_URGENT,
        .advice = advice_over,
    };
    if (isnan(amps))
        return; /* one of them is not known: neither load nor rest */
    if (alarms_standing(n->alarms, j.kind, j.subject))
        limit *= 1.0 - 0.01 * r->neutral_deadband_percent;
    j.stands = amps > limit;
    if (!j.stands && alarms_rest(n->alarms, j.kind, j.subject))
        return;
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    if (alarms_raises(n->alarms, f->mono_ms, &j)) {
        text_append(&text, "The neutral shared by ");
        say_circuits(n, g, &text);
        text_append(&text, " carries more than it may: switch something off on these "
                           "circuits.");
        figures_add(&figures, FIGURE_NEUTRAL_CURRENT, amps);
        figures_add(&figures, FIGURE_LIMIT, limit);
        figures_add(&figures, FIGURE_BREAKER, g->smallest_amps);
        figures_add(&figures, FIGURE_LIMIT_SHARE, r->neutral_percent);
    }
    judge(n, f, &j, &text, &figures);
}

static void judge_legs(struct shared_neutral *n, const struct frame *f, const struct group *g)
{
    const struct site_circuit *c = &n->site->circuits[g->doubled];
    struct alarm_judgement j = {
        .kind = ALARM_SHARED_NEUTRAL,
        .subject = {c->panel, g->doubled, -1},
        .stands = true,
        .on_seconds = n->rules->circuits[g->doubled].neutral_seconds,
        .off_seconds = n->rules->circuits[g->doubled].gone_seconds,
        .priority = PRIORITY_HIGH,
        .advice = advice_leg,
    };
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    if (alarms_raises(n->alarms, f->mono_ms, &j)) {
        char where[256], other[256];
        site_describe_circuit(n->site, g->doubled, where, sizeof where);
        site_describe_circuit(n->site, g->doubles, other, sizeof other);
        where[0] = 'B'; /* begins the sentence */
        text_printf(&text,
                    "%s and %s share a neutral and hang on the same leg, so the neutral "
                    "carries both: let a licensed electrician move one of them.",
                    where, other);
        const struct site_circuit *with = &n->site->circuits[g->doubles];
        figures_add_text(&figures, FIGURE_ONE_LEG, c->leg);
        figures_add_text(&figures, FIGURE_OTHER_LEG, with->leg);
        figures_add(&figures, FIGURE_NEUTRAL_UP_TO, c->breaker_amps + with->breaker_amps);
        if (n->site->standard == SITE_UL489)
            figures_add_text(&figures, FIGURE_RULE, "NEC Article 100, 210.4");
    }
    judge(n, f, &j, &text, &figures);
}

void shared_neutral_step(struct shared_neutral *n, const struct frame *f,
                         const float *pole_amps)
{
    for (size_t i = 0; i < n->group_count; i++) {
        judge_current(n, f, &n->groups[i], pole_amps);
        if (n->groups[i].doubled >= 0)
            judge_legs(n, f, &n->groups[i]);
    }
}
