#include "permissible.h"

#include "base/text.h"
#include "trip_texts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define JUDGE_MS 5000
#define CORD_MOST_AMPS 30.0
#define FASTENED_MOST_AMPS 20.0
#define FASTENED_SAME 0.15 /* of the nameplate: that is it */
#define WORTH_SHARE 0.3    /* of the rating: with less on it nothing is asked */

struct permissible {
    const struct site *site;
    const struct rules_set *rules;
    const struct loads *loads;
    struct alarms *alarms;
    int64_t judged_ms;
    bool started;
    size_t count;
    int circuits[]; /* that are judged */
};

static bool is_judged(const struct site *s, size_t i)
{
    const struct site_circuit *c = &s->circuits[i];
    return s->standard == SITE_UL489 && c->feeds == SITE_FEEDS_SEVERAL && c->feeds_panel < 0 &&
           c->breaker_amps <= CORD_MOST_AMPS;
}

struct permissible *permissible_create(const struct site *s, const struct rules_set *rules,
                                       const struct loads *l, struct alarms *a)
{
    struct permissible *p = calloc(1, sizeof *p + s->circuit_count * sizeof p->circuits[0]);
    if (!p)
        return NULL;
    p->site = s;
    p->rules = rules;
    p->loads = l;
    p->alarms = a;
    for (size_t i = 0; i < s->circuit_count; i++)
        if (is_judged(s, i))
            p->circuits[p->count++] = (int)i;
    return p;
}

void permissible_destroy(struct permissible *p)
{
    free(p);
}

/* a load that is more than its kind may be */
struct excess {
    const struct event_load *load; /* NULL: none */
    bool fastened;
    double limit_amps;
};

static struct excess find_excess(const struct site_circuit *c, const struct rules *r,
                                 const struct event_load *running, size_t count)
{
    struct excess worst = {0};
    for (size_t k = 0; k < count; k++) {
        const struct event_load *l = &running[k];
        bool fastened = c->fastened_amps > 0.0 && c->breaker_amps <= FASTENED_MOST_AMPS &&
                        fabs(l->amps - c->fastened_amps) <= FASTENED_SAME * c->fastened_amps;
        double percent = fastened ? r->fastened_percent : r->cord_percent;
        double limit = 0.01 * percent * c->breaker_amps;
        bool settled = l->seconds >= r->permissible_seconds; /* the inrush is over */
        bool more = !worst.load || l->amps - limit > worst.load->amps - worst.limit_amps;
        if (settled && more && l->amps > limit && strcmp(l->appliance, LOADS_STANDING) != 0)
            worst = (struct excess){l, fastened, limit};
    }
    return worst;
}

static void judge(struct permissible *p, const struct frame *f, int circuit)
{
    const struct site_circuit *c = &p->site->circuits[circuit];
    struct event_load running[LOADS_MAX_RUNNING];
    struct excess x = find_excess(c, &p->rules->circuits[circuit], running,
                                  loads_running(p->loads, circuit, running));
    struct alarm_judgement j = {
        .kind = ALARM_PERMISSIBLE_LOAD,
        .subject = {c->panel, circuit, -1},
        .stands = x.load != NULL,
        .off_seconds = 3600.0 * p->rules->circuits[circuit].permissible_gone_hours,
        .priority = PRIORITY_LOW,
        .advice = "Use the appliance on a circuit of its own where there is one; whether this "
                  "circuit may feed it, or another is due, a licensed electrician can say. "
                  "foretrip only advises and is no protective device; local codes and a "
                  "licensed electrician's word come first.",
    };
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    if (x.load && alarms_raises(p->alarms, f->mono_ms, &j)) {
        char where[256];
        site_describe_circuit(p->site, circuit, where, sizeof where);
        text_printf(&text,
                    "One appliance on %s draws more than a single appliance may on a circuit "
                    "that others use too.",
                    where);
        figures_add(&figures, FIGURE_LOAD, x.load->amps);
        figures_add_text(&figures, FIGURE_APPLIANCE, x.load->appliance);
        figures_add_text(&figures, x.fastened ? FIGURE_FASTENED_IN_PLACE : FIGURE_CORD_AND_PLUG,
                         "");
        figures_add(&figures, FIGURE_LIMIT, x.limit_amps);
        figures_add(&figures, FIGURE_BREAKER, c->breaker_amps);
        figures_add_text(&figures, FIGURE_RULE, "NEC 210.23");
    }
    j.text = text_get(&text);
    j.figures = &figures;
    alarms_judge(p->alarms, f->mono_ms, f->wall_ms, &j);
    text_free(&text);
}

void permissible_step(struct permissible *p, const struct frame *f)
{
    if (p->count == 0 || (p->started && f->mono_ms - p->judged_ms < JUDGE_MS))
        return;
    p->started = true;
    p->judged_ms = f->mono_ms;
    for (size_t k = 0; k < p->count; k++) {
        int i = p->circuits[k];
        const struct site_circuit *c = &p->site->circuits[i];
        const float *amps = frame_amps(f) + c->first_pole;
        double most = (double)NAN;
        for (int n = 0; n < c->poles; n++)
            most = fmax(most, (double)amps[n]);
        const struct alarm_subject subject = {c->panel, i, -1};
        if (most > WORTH_SHARE * c->breaker_amps ||
            (!isnan(most) && !alarms_rest(p->alarms, ALARM_PERMISSIBLE_LOAD, subject)))
            judge(p, f, i);
    }
}
