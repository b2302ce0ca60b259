#include "code_rules.h"

#include "aligned.h"
#include "neutral_steps.h"
#include "shared_neutral.h"

#include "base/lanes.h"
#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define JUDGE_MS 1000
#define STALE_MS 60000 /* a reading older than this tells nothing */
#define NEUTRAL_APART_VOLTS                                                                    \
    6.0 /* legs apart by this, of 120 V each, with their sum in band                           \
         */
#define NEUTRAL_SUM_SHARE 0.05
/* What a sound feeder drops at its rating, line and neutral together, of the nominal voltage
 * (NEC 215.2(A) and 210.19(A), informational notes: 5 % in all; IEC 60364-5-52, annex G: as
 * much; from memory). An unbalance drops it on one leg and adds half of it to the other. */
#define SOUND_DROP 0.05
#define APART_OF_DROP 1.5

#define NO_DEVICE                                                                              \
    " foretrip only advises and is no protective device; local codes and a licensed "          \
    "electrician's word come first."

/* The newest of some values: NaN when there is none, or none within STALE_MS. */
struct newest {
    size_t count;
    float *values;
    int64_t *read_ms;    /* when each was read while others were not */
    int64_t all_read_ms; /* when all were read at once */
};

struct code_rules {
    const struct site *site;
    const struct rules_set *rules;
    const struct breakers *breakers;
    struct alarms *alarms;
    struct shared_neutral *neutrals;
    struct neutral_steps *steps; /* per panel */
    int64_t judged_ms;
    bool started;
    struct aligned *aligned; /* feeders and their branches, where a frame says when */
    struct newest amps;      /* of every pole */
    struct newest volts;     /* of every panel's legs */
    float *attention_amps;   /* per pole: at or below it no rule of a circuit has begun */
    size_t *sum_of;          /* per pole: which of leg_sums it belongs to */
    double *leg_sums;        /* what the branches of a panel draw from one leg, 3 per panel; NaN
                                when one of them is not known */
    bool feeders;            /* some circuit feeds a panel */
    bool sums_wanted;        /* a feeder or a panel of several legs asks for them */
    bool *awake;             /* per circuit: one of its alarms stands or waits */
    size_t awake_count;
};

static bool newest_init(struct newest *n, size_t count)
{
    n->count = count;
    n->all_read_ms = INT64_MIN / 2;
    n->values = calloc(count + LANES, sizeof *n->values);
    n->read_ms = calloc(count + 1, sizeof *n->read_ms);
    for (size_t i = 0; n->values && i < count; i++)
        n->values[i] = (float)NAN;
    return n->values && n->read_ms;
}

static double continuous_percent(const struct code_rules *c, size_t i)
{
    const struct site_circuit *s = &c->site->circuits[i];
    const struct rules *r = &c->rules->circuits[i];
    if (s->full_rated)
        return 100.0;
    return s->feeds_panel >= 0 ? r->feeder_percent : r->continuous_percent;
}

static void set_circuit(struct code_rules *c, size_t i)
{
    const struct site_circuit *s = &c->site->circuits[i];
    double percent = fmin(continuous_percent(c, i), 100.0);
    c->feeders = c->feeders || s->feeds_panel >= 0;
    for (int p = 0; p < s->poles; p++) {
        size_t pole = (size_t)s->first_pole + (size_t)p;
        c->attention_amps[pole] = (float)(0.00999 * percent * s->breaker_amps);
        c->sum_of[pole] = 3 * (size_t)s->panel + (size_t)(s->leg[p] - 'A');
    }
    c->awake[i] = true; /* what was loaded is not known here: the first turn looks at all */
    c->awake_count++;
}

struct code_rules *code_rules_create(const struct site *s, const struct rules_set *rules,
                                     const struct breakers *b, struct alarms *a)
{
    struct code_rules *c = calloc(1, sizeof *c);
    if (!c)
        return NULL;
    *c = (struct code_rules){.site = s, .rules = rules, .breakers = b, .alarms = a};
    bool made = newest_init(&c->amps, s->poles_total);
    made = newest_init(&c->volts, 3 * s->panel_count) && made;
    c->attention_amps = calloc(s->poles_total + LANES, sizeof *c->attention_amps);
    c->sum_of = calloc(s->poles_total + 1, sizeof *c->sum_of);
    c->leg_sums = calloc(3 * s->panel_count + 1, sizeof *c->leg_sums);
    c->awake = calloc(s->circuit_count + 1, sizeof *c->awake);
    c->aligned = aligned_create(s);
    c->neutrals = shared_neutral_create(s, rules, a);
    c->steps = calloc(s->panel_count + 1, sizeof *c->steps);
    if (!c->aligned || !c->neutrals || !c->steps || !made || !c->attention_amps || !c->sum_of ||
        !c->leg_sums || !c->awake) {
        code_rules_destroy(c);
        return NULL;
    }
    for (size_t i = 0; i < s->circuit_count; i++)
        set_circuit(c, i);
    c->sums_wanted = c->feeders;
    for (size_t i = 0; i < s->panel_count; i++)
        c->sums_wanted = c->sums_wanted || s->panels[i].legs > 1;
    return c;
}

void code_rules_destroy(struct code_rules *c)
{
    if (!c)
        return;
    aligned_destroy(c->aligned);
    shared_neutral_destroy(c->neutrals);
    free(c->steps);
    free(c->amps.values);
    free(c->amps.read_ms);
    free(c->volts.values);
    free(c->volts.read_ms);
    free(c->attention_amps);
    free(c->sum_of);
    free(c->leg_sums);
    free(c->awake);
    free(c);
}

/* ---- readings ------------------------------------------------------------------------------
 */

static bool complete(const float *now, size_t count)
{
    size_t i = 0;
    lanes_mask read = {-1, -1, -1, -1};
    for (; i + LANES <= count; i += LANES) {
        lanes v = lanes_load(now + i);
        read &= lanes_known(v);
    }
    bool all = lanes_all(read);
    for (; i < count; i++)
        all = all && !isnan(now[i]);
    return all;
}

static void keep(struct newest *n, const float *now, int64_t ms)
{
    if (complete(now, n->count)) {
        memcpy(n->values, now, n->count * sizeof *now);
        n->all_read_ms = ms;
        return;
    }
    for (size_t i = 0; i < n->count; i++) {
        if (!isnan(now[i])) {
            n->values[i] = now[i];
            n->read_ms[i] = ms;
        } else if (ms - n->read_ms[i] > STALE_MS && ms - n->all_read_ms > STALE_MS) {
            n->values[i] = (float)NAN;
        }
    }
}

static void sum_legs(struct code_rules *c)
{
    memset(c->leg_sums, 0, 3 * c->site->panel_count * sizeof *c->leg_sums);
    for (size_t pole = 0; pole < c->amps.count; pole++)
        c->leg_sums[c->sum_of[pole]] += (double)c->amps.values[pole];
}

/* Does any circuit carry what a rule begins to count at? */
static bool any_attention(const struct code_rules *c)
{
    lanes_mask none = {-1, -1, -1, -1};
    for (size_t pole = 0; pole < c->amps.count; pole += LANES)
        none &= ~(lanes_load(c->amps.values + pole) > lanes_load(c->attention_amps + pole));
    return !lanes_all(none);
}

/* hotter pole; NaN when nothing is known */
static double circuit_amps(const struct code_rules *c, size_t i)
{
    const struct site_circuit *s = &c->site->circuits[i];
    double most = (double)NAN;
    for (int p = 0; p < s->poles; p++)
        most = fmax(most, (double)c->amps.values[s->first_pole + p]);
    return most;
}

static double leg_sum(const struct code_rules *c, size_t panel, char leg)
{
    return c->leg_sums[3 * panel + (size_t)(leg - 'A')];
}

/* ---- judging -------------------------------------------------------------------------------
 */

/* True when the judgement says anything new: nearly always it does not. */
static bool matters(const struct code_rules *c, const struct alarm_judgement *j)
{
    return j->stands || !alarms_rest(c->alarms, j->kind, j->subject);
}

static void judge(struct code_rules *c, const struct frame *f, struct alarm_judgement *j,
                  struct text *text, const struct figures *figures)
{
    j->text = text_get(text);
    j->figures = figures;
    alarms_judge(c->alarms, f->mono_ms, f->wall_ms, j);
    text_free(text);
}

/* Rounded once, so that a limit is one: 95 % of 120 V are 114 V, not a little more. */
static double percent_of(double percent, double whole)
{
    return percent * whole / 100.0;
}

/* how far short of its limit it returns: nothing while it does not stand */
static double deadband(const struct code_rules *c, const struct alarm_judgement *j,
                       double percent)
{
    return alarms_condition(c->alarms, j->kind, j->subject) ? percent : 0.0;
}

static void describe(const struct code_rules *c, size_t i, char where[256])
{
    site_describe_circuit(c->site, (int)i, where, 256);
    where[0] = 'B'; /* begins the sentence */
}

static enum alarm_kind continuous_kind(const struct code_rules *c, size_t i)
{
    return c->site->circuits[i].feeds_panel >= 0 ? ALARM_FEEDER_OVERLOAD
                                                 : ALARM_CONTINUOUS_LOAD;
}

static void judge_continuous(struct code_rules *c, const struct frame *f, size_t i)
{
    const struct site_circuit *s = &c->site->circuits[i];
    const struct rules *r = &c->rules->circuits[i];
    double percent = continuous_percent(c, i), amps = circuit_amps(c, i);
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    struct alarm_judgement j = {
        .kind = continuous_kind(c, i),
        .subject = {s->panel, (int)i, -1},
        .on_seconds = 3600.0 * r->continuous_hours,
        .off_seconds = r->gone_seconds,
        .priority = PRIORITY_LOW,
        .advice =
            "Move a load that runs for hours to another circuit, or let a licensed electrician "
            "say what the wiring allows." NO_DEVICE,
    };
    if (isnan(amps))
        return; /* unknown is neither load nor rest */
    double limit = percent - deadband(c, &j, r->continuous_deadband_percent);
    j.stands = amps > percent_of(limit, s->breaker_amps);
    if (alarms_raises(c->alarms, f->mono_ms, &j)) {
        char where[256];
        describe(c, i, where);
        text_printf(&text, "%s has carried more than it should for %.1f hours without a break.",
                    where, r->continuous_hours);
        figures_add(&figures, FIGURE_LOAD, amps);
        figures_add(&figures, FIGURE_BREAKER, s->breaker_amps);
        figures_add(&figures, FIGURE_LIMIT, percent_of(percent, s->breaker_amps));
        figures_add(&figures, FIGURE_LIMIT_SHARE, percent);
    }
    judge(c, f, &j, &text, &figures);
}

static void judge_did_not_open(struct code_rules *c, const struct frame *f, size_t i)
{
    double overdue = breakers_overdue_seconds(c->breakers, (int)i);
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    struct alarm_judgement j = {
        .kind = ALARM_BREAKER_DID_NOT_OPEN,
        .subject = {c->site->circuits[i].panel, (int)i, -1},
        .stands = overdue > 0.0,
        .on_seconds = c->rules->circuits[i].did_not_open_seconds,
        .off_seconds = c->rules->circuits[i].gone_seconds,
        .priority = PRIORITY_URGENT,
        .advice = "Switch off what is on, at the appliances, and do not use this circuit. Do "
                  "not touch the panel when it is hot, buzzing, smelling or sparking. A "
                  "breaker that does "
                  "not open is a fire hazard: call a licensed electrician now. Smoke, fire or "
                  "a burning "
                  "smell: leave and call the emergency number." NO_DEVICE,
    };
    if (alarms_raises(c->alarms, f->mono_ms, &j)) {
        char where[256];
        describe(c, i, where);
        text_printf(&text,
                    "%s should have opened and has not: this is a fire hazard, do not use the "
                    "circuit and "
                    "call a licensed electrician.",
                    where);
        figures_add(&figures, FIGURE_LOAD, circuit_amps(c, i));
        figures_add(&figures, FIGURE_BREAKER, c->site->circuits[i].breaker_amps);
        figures_add(&figures, FIGURE_LONGER_THAN_ALLOWED, overdue);
    }
    judge(c, f, &j, &text, &figures);
}

static void judge_mismatch(struct code_rules *c, const struct frame *f, size_t i)
{
    const struct site_circuit *s = &c->site->circuits[i];
    const struct rules *r = &c->rules->circuits[i];
    double own = 0.0, branches = 0.0, worst = 0.0;
    for (int p = 0; p < s->poles; p++) {
        double a = (double)c->amps.values[s->first_pole + p],
               b = leg_sum(c, (size_t)s->feeds_panel, s->leg[p]);
        struct aligned_sum at = {a, b, b, 0};
        if (isnan(a) || isnan(b) || (f->taken && !aligned_feeder(c->aligned, (int)i, p, &at)))
            return;
        if (aligned_apart(&at) > worst) {
            worst = aligned_apart(&at);
            own = at.own;
            branches = at.own < at.least ? at.least : at.most;
        }
    }
    struct alarm_judgement j = {
        .kind = ALARM_SENSOR_MISMATCH,
        .subject = {s->panel, (int)i, -1},
        .on_seconds = r->mismatch_seconds,
        .off_seconds = r->gone_seconds,
        .priority = PRIORITY_LOW,
        .advice = "A current transformer may be loose, reversed or on another wire, or "
                  "something is fed that is not "
                  "in the directory: a licensed electrician looks into the panel." NO_DEVICE,
    };
    double limit = r->mismatch_percent - deadband(c, &j, r->mismatch_deadband_percent);
    j.stands = worst > r->mismatch_amps && worst > percent_of(limit, fmax(own, branches));
    if (!matters(c, &j))
        return;
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    if (alarms_raises(c->alarms, f->mono_ms, &j)) {
        char where[256];
        describe(c, i, where);
        text_printf(
            &text,
            "%s and the circuits behind it do not add up: one of the sensors is wrong or a "
            "circuit is missing in the directory.",
            where);
        figures_add(&figures, FIGURE_OWN_SENSOR, own);
        figures_add(&figures, FIGURE_SUM_OF_BRANCHES, branches);
    }
    judge(c, f, &j, &text, &figures);
}

static void judge_imbalance(struct code_rules *c, const struct frame *f, size_t panel)
{
    const struct site_panel *p = &c->site->panels[panel];
    const struct rules *r = &c->rules->panels[panel];
    double legs[SITE_MAX_LEGS] = {0}, mean = 0.0, most = 0.0, off = 0.0;
    for (int k = 0; k < p->legs; k++) {
        legs[k] = leg_sum(c, panel, (char)('A' + k));
        mean += legs[k] / p->legs;
        most = fmax(most, legs[k]);
    }
    if (isnan(mean))
        return;
    for (int k = 0; k < p->legs; k++)
        off = fmax(off, fabs(legs[k] - mean));
    struct alarm_judgement j = {
        .kind = ALARM_LEG_IMBALANCE,
        .subject = {(int)panel, -1, -1},
        .on_seconds = r->imbalance_seconds,
        .off_seconds = r->imbalance_seconds,
        .priority = PRIORITY_LOW,
        .advice = "Nothing is dangerous by this alone; a licensed electrician can move "
                  "circuits from one leg to the "
                  "other." NO_DEVICE,
    };
    double back = deadband(c, &j, r->imbalance_deadband_percent);
    j.stands = most > percent_of(r->imbalance_min_percent - back, p->rating_amps) &&
               off > percent_of(r->imbalance_percent - back, mean);
    if (!matters(c, &j))
        return;
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    if (alarms_raises(c->alarms, f->mono_ms, &j)) {
        text_printf(&text, "In %s one leg carries much more than the others.", p->name);
        for (int k = 0; k < p->legs; k++)
            figures_add(&figures, (enum figure_what)(FIGURE_LEG_A + k), legs[k]);
    }
    judge(c, f, &j, &text, &figures);
}

static void judge_voltage(struct code_rules *c, const struct frame *f, size_t panel)
{
    const struct site_panel *p = &c->site->panels[panel];
    const struct rules *r = &c->rules->panels[panel];
    double low = (double)INFINITY, high = 0.0, nominal = c->site->nominal_volts;
    for (int k = 0; k < p->legs; k++) {
        double v = (double)c->volts.values[3 * panel + (size_t)k];
        if (isnan(v) ||
            v < 0.05 * nominal) /* no supply at all is an outage, not a low voltage */
            return;
        low = fmin(low, v);
        high = fmax(high, v);
    }
    struct alarm_judgement j = {
        .kind = ALARM_SUPPLY_VOLTAGE,
        .subject = {(int)panel, -1, -1},
        .on_seconds = r->volts_seconds,
        .off_seconds = r->volts_seconds,
        .priority = PRIORITY_HIGH,
        .advice = "Call the utility when it stays so. Lights that grow bright or dim when "
                  "something else is switched "
                  "on: unplug what is sensitive and call a licensed electrician." NO_DEVICE,
    };
    double inside = deadband(c, &j, r->volts_deadband_percent);
    j.stands = low < percent_of(r->volts_low_percent + inside, nominal) ||
               high > percent_of(r->volts_high_percent - inside, nominal);
    if (!matters(c, &j))
        return;
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    if (alarms_raises(c->alarms, f->mono_ms, &j)) {
        text_printf(&text, "The supply voltage in %s is too %s.", p->name,
                    high > percent_of(r->volts_high_percent, nominal) ? "high" : "low");
        figures_add(&figures, FIGURE_LOWEST, low);
        figures_add(&figures, FIGURE_HIGHEST, high);
        figures_add(&figures, FIGURE_ALLOWED_FROM, percent_of(r->volts_low_percent, nominal));
        figures_add(&figures, FIGURE_ALLOWED_TO, percent_of(r->volts_high_percent, nominal));
    }
    judge(c, f, &j, &text, &figures);
}

static struct neutral_ohms step_neutral(struct code_rules *c, const struct frame *f,
                                        size_t panel, const double volts[2])
{
    const double amps[2] = {leg_sum(c, panel, 'A'), leg_sum(c, panel, 'B')};
    neutral_steps_take(&c->steps[panel], f->mono_ms, amps, volts);
    return neutral_steps_ohms(&c->steps[panel]);
}

/* How far the legs lie apart, less what a sound feeder explains of it: the leg that carries
 * more is lower by so much. */
static double unexplained_volts(const struct code_rules *c, size_t panel, const double volts[2])
{
    const struct site_panel *p = &c->site->panels[panel];
    double rating = p->fed_by < 0 ? p->rating_amps : c->site->circuits[p->fed_by].breaker_amps;
    double unbalance = leg_sum(c, panel, 'A') - leg_sum(c, panel, 'B');
    double explained =
        APART_OF_DROP * SOUND_DROP * c->site->nominal_volts * fabs(unbalance) / rating;
    double apart = unbalance > 0.0 ? volts[1] - volts[0] : volts[0] - volts[1];
    if (!(explained > 0.0 && rating > 0.0)) /* not known, or none */
        return fabs(apart);
    return apart > 0.0 ? fmax(apart - explained, 0.0) : -apart;
}

/* Two signs: the legs are far apart while their sum is in order, or the one leg rises when the
 * other is loaded (neutral_steps.h), which shows sooner. */
static void judge_neutral(struct code_rules *c, const struct frame *f, size_t panel)
{
    const double volts[2] = {(double)c->volts.values[3 * panel],
                             (double)c->volts.values[3 * panel + 1]};
    double nominal = c->site->nominal_volts, sum = volts[0] + volts[1];
    if (c->site->panels[panel].legs != 2 || isnan(sum))
        return;
    struct neutral_ohms ohms = step_neutral(c, f, panel, volts);
    bool apart = unexplained_volts(c, panel, volts) > NEUTRAL_APART_VOLTS * nominal / 120.0 &&
                 fabs(sum - 2.0 * nominal) <= NEUTRAL_SUM_SHARE * 2.0 * nominal;
    struct alarm_judgement j = {
        .kind = ALARM_OPEN_NEUTRAL,
        .subject = {(int)panel, -1, -1},
        .stands = apart || neutral_steps_loose(&ohms, c->rules->panels[panel].neutral_ohms),
        .on_seconds = c->rules->panels[panel].open_neutral_seconds,
        .off_seconds = c->rules->panels[panel].gone_seconds,
        .priority = PRIORITY_URGENT,
        .advice = "Unplug what can be unplugged, electronics first, and call the utility and a "
                  "licensed electrician now: "
                  "appliances can be damaged within minutes. Keep away from the panel and "
                  "from metal pipes. Smoke, fire or a burning smell: "
                  "leave and call the "
                  "emergency number." NO_DEVICE,
    };
    if (!matters(c, &j))
        return;
    struct text text = TEXT_INIT;
    struct figures figures;
    figures_clear(&figures);
    if (alarms_raises(c->alarms, f->mono_ms, &j)) {
        text_printf(&text,
                    "The two legs of %s drift apart: the neutral of the supply may be loose or "
                    "open, a hazard.",
                    c->site->panels[panel].name);
        figures_add(&figures, FIGURE_LEG_A_VOLTAGE, volts[0]);
        figures_add(&figures, FIGURE_LEG_B_VOLTAGE, volts[1]);
        figures_add(&figures, FIGURE_BOTH_LEGS, sum);
        if (ohms.steps >= NEUTRAL_STEPS_LEAST - 0.5) {
            figures_add(&figures, FIGURE_NEUTRAL_RESISTANCE, ohms.neutral);
            figures_add(&figures, FIGURE_UNCERTAIN_BY, ohms.error);
            figures_add(&figures, FIGURE_LINE_RESISTANCE, ohms.line);
        }
    }
    judge(c, f, &j, &text, &figures);
}

static void judge_circuits(struct code_rules *c, const struct frame *f)
{
    for (size_t i = 0; i < c->site->circuit_count; i++) {
        const struct site_circuit *s = &c->site->circuits[i];
        if (!c->awake[i] && !(circuit_amps(c, i) > (double)c->attention_amps[s->first_pole]))
            continue;
        const struct alarm_subject subject = {s->panel, (int)i, -1};
        judge_continuous(c, f, i);
        judge_did_not_open(c, f, i);
        c->awake_count -= c->awake[i];
        c->awake[i] = !alarms_rest(c->alarms, continuous_kind(c, i), subject) ||
                      !alarms_rest(c->alarms, ALARM_BREAKER_DID_NOT_OPEN, subject);
        c->awake_count += c->awake[i];
    }
}

void code_rules_step(struct code_rules *c, const struct frame *f)
{
    if (c->feeders && f->taken)
        aligned_feed(c->aligned, f);
    if (c->started && f->mono_ms - c->judged_ms < JUDGE_MS)
        return;
    c->started = true;
    c->judged_ms = f->mono_ms;
    keep(&c->amps, frame_amps(f), f->mono_ms);
    if (f->has & (1U << FRAME_PANEL_VOLTS))
        keep(&c->volts, f->values + frame_section(f, FRAME_PANEL_VOLTS), f->mono_ms);
    if (c->sums_wanted)
        sum_legs(c);
    if (c->awake_count > 0 || any_attention(c))
        judge_circuits(c, f);
    for (size_t i = 0; c->feeders && i < c->site->circuit_count; i++)
        if (c->site->circuits[i].feeds_panel >= 0)
            judge_mismatch(c, f, i);
    for (size_t p = 0; p < c->site->panel_count; p++) {
        if (c->site->panels[p].legs > 1)
            judge_imbalance(c, f, p);
        judge_voltage(c, f, p);
        judge_neutral(c, f, p);
    }
    shared_neutral_step(c->neutrals, f, c->amps.values);
}
