#include "code_rules.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define JUDGE_MS 1000
#define STALE_MS 60000    /* a reading older than this tells nothing */
#define GONE_SECONDS 60.0 /* off-delay where the rules name none */
#define NEUTRAL_APART_VOLTS                                                                    \
    6.0 /* legs apart by this, of 120 V each, with their sum in band                           \
         */
#define NEUTRAL_SUM_SHARE 0.05

#define NO_DEVICE                                                                              \
    " foretrip only advises and is no protective device; local codes and a licensed "          \
    "electrician's word come first."

struct code_rules {
    const struct site *site;
    const struct rules_set *rules;
    const struct breakers *breakers;
    struct alarms *alarms;
    int64_t judged_ms;
    bool started;
    float *amps; /* newest of every pole, NaN when none */
    int64_t *read_ms;
    float *volts; /* newest of every panel's legs */
    int64_t *volts_ms;
};

struct code_rules *code_rules_create(const struct site *s, const struct rules_set *rules,
                                     const struct breakers *b, struct alarms *a)
{
    struct code_rules *c = calloc(1, sizeof *c);
    if (!c)
        return NULL;
    *c = (struct code_rules){.site = s, .rules = rules, .breakers = b, .alarms = a};
    c->amps = calloc(s->poles_total + 1, sizeof *c->amps);
    c->read_ms = calloc(s->poles_total + 1, sizeof *c->read_ms);
    c->volts = calloc(3 * s->panel_count + 1, sizeof *c->volts);
    c->volts_ms = calloc(3 * s->panel_count + 1, sizeof *c->volts_ms);
    if (!c->amps || !c->read_ms || !c->volts || !c->volts_ms) {
        code_rules_destroy(c);
        return NULL;
    }
    for (size_t i = 0; i < s->poles_total; i++)
        c->amps[i] = (float)NAN;
    for (size_t i = 0; i < 3 * s->panel_count; i++)
        c->volts[i] = (float)NAN;
    return c;
}

void code_rules_destroy(struct code_rules *c)
{
    if (!c)
        return;
    free(c->amps);
    free(c->read_ms);
    free(c->volts);
    free(c->volts_ms);
    free(c);
}

/* ---- readings ------------------------------------------------------------------------------
 */

static void keep(float *last, int64_t *when, const float *now, size_t count, int64_t ms)
{
    for (size_t i = 0; i < count; i++) {
        bool read = !isnan(now[i]);
        if (read)
            when[i] = ms;
        last[i] = read ? now[i] : ms - when[i] > STALE_MS ? (float)NAN : last[i];
    }
}

/* hotter pole; NaN when nothing is known */
static double circuit_amps(const struct code_rules *c, size_t i)
{
    const struct site_circuit *s = &c->site->circuits[i];
    double most = (double)NAN;
    for (int p = 0; p < s->poles; p++)
        most = fmax(most, (double)c->amps[s->first_pole + p]);
    return most;
}

/* what the branches of a panel draw from one leg; NaN when one of them is not known */
static double leg_amps(const struct code_rules *c, size_t panel, char leg)
{
    double sum = 0.0;
    for (size_t i = 0; i < c->site->circuit_count; i++) {
        const struct site_circuit *s = &c->site->circuits[i];
        for (int p = 0; p < s->poles && s->panel == (int)panel; p++)
            if (s->leg[p] == leg)
                sum += (double)c->amps[s->first_pole + p];
    }
    return sum;
}

/* ---- judging -------------------------------------------------------------------------------
 */

static void judge(struct code_rules *c, const struct frame *f, struct alarm_judgement *j,
                  struct text *text, struct text *detail)
{
    if (j->priority == PRIORITY_URGENT || j->stands) {
        j->text = text_get(text);
        j->detail = text_get(detail);
    }
    alarms_judge(c->alarms, f->mono_ms, f->wall_ms, j);
    text_free(text);
    text_free(detail);
}

static bool standing(const struct code_rules *c, const struct alarm_judgement *j)
{
    return alarms_standing(c->alarms, j->kind, j->subject);
}

static void describe(const struct code_rules *c, size_t i, char where[256])
{
    site_describe_circuit(c->site, (int)i, where, 256);
    where[0] = 'B'; /* begins the sentence */
}

static void judge_continuous(struct code_rules *c, const struct frame *f, size_t i)
{
    const struct site_circuit *s = &c->site->circuits[i];
    const struct rules *r = &c->rules->circuits[i];
    bool feeder = s->feeds_panel >= 0;
    double percent = s->full_rated ? 100.0 : feeder ? r->feeder_percent : r->continuous_percent;
    double amps = circuit_amps(c, i);
    enum alarm_kind kind = feeder ? ALARM_FEEDER_OVERLOAD : ALARM_CONTINUOUS_LOAD;
    const struct alarm_subject subject = {s->panel, (int)i, -1};
    if (!(amps > 0.01 * percent * s->breaker_amps) && !alarms_known(c->alarms, kind, subject))
        return; /* as nearly always */
    struct text text = TEXT_INIT, detail = TEXT_INIT;
    struct alarm_judgement j = {
        .kind = kind,
        .subject = subject,
        .on_seconds = 3600.0 * r->continuous_hours,
        .off_seconds = GONE_SECONDS,
        .priority = PRIORITY_LOW,
        .advice =
            "Move a load that runs for hours to another circuit, or let a licensed electrician "
            "say what the wiring allows." NO_DEVICE,
    };
    if (isnan(amps))
        return; /* unknown is neither load nor rest */
    double limit = percent - (standing(c, &j) ? r->continuous_deadband_percent : 0.0);
    j.stands = amps > 0.01 * limit * s->breaker_amps;
    if (j.stands) {
        char where[256];
        describe(c, i, where);
        text_printf(&text, "%s has carried more than it should for %.1f hours without a break.",
                    where, r->continuous_hours);
        text_printf(&detail,
                    "%.2f A on a %.0f A breaker, limit for a continuous load %.0f %%, %.1f A",
                    amps, s->breaker_amps, percent, 0.01 * percent * s->breaker_amps);
    }
    judge(c, f, &j, &text, &detail);
}

static void judge_did_not_open(struct code_rules *c, const struct frame *f, size_t i)
{
    double overdue = breakers_overdue_seconds(c->breakers, (int)i);
    const struct alarm_subject subject = {c->site->circuits[i].panel, (int)i, -1};
    if (!(overdue > 0.0) && !alarms_known(c->alarms, ALARM_BREAKER_DID_NOT_OPEN, subject))
        return; /* as nearly always */
    struct text text = TEXT_INIT, detail = TEXT_INIT;
    struct alarm_judgement j = {
        .kind = ALARM_BREAKER_DID_NOT_OPEN,
        .subject = subject,
        .stands = overdue > 0.0,
        .on_seconds = 10.0,
        .off_seconds = GONE_SECONDS,
        .priority = PRIORITY_URGENT,
        .advice = "Switch off what is on, at the appliances, and do not use this circuit. A "
                  "breaker that does "
                  "not open is a fire hazard: call a licensed electrician now. Smoke, fire or "
                  "a burning "
                  "smell: leave and call the emergency number." NO_DEVICE,
    };
    if (j.stands) {
        char where[256];
        describe(c, i, where);
        text_printf(&text,
                    "%s should have opened and has not: this is a fire hazard, do not use the "
                    "circuit and "
                    "call a licensed electrician.",
                    where);
        text_printf(&detail,
                    "%.2f A on a %.0f A breaker, %.0f s longer than its standard allows",
                    circuit_amps(c, i), c->site->circuits[i].breaker_amps, overdue);
    }
    judge(c, f, &j, &text, &detail);
}

static void judge_mismatch(struct code_rules *c, const struct frame *f, size_t i)
{
    const struct site_circuit *s = &c->site->circuits[i];
    const struct rules *r = &c->rules->circuits[i];
    double own = 0.0, branches = 0.0, worst = 0.0;
    for (int p = 0; p < s->poles; p++) {
        double a = (double)c->amps[s->first_pole + p],
               b = leg_amps(c, (size_t)s->feeds_panel, s->leg[p]);
        if (isnan(a) || isnan(b))
            return;
        if (fabs(a - b) > worst) {
            worst = fabs(a - b);
            own = a;
            branches = b;
        }
    }
    struct text text = TEXT_INIT, detail = TEXT_INIT;
    struct alarm_judgement j = {
        .kind = ALARM_SENSOR_MISMATCH,
        .subject = {s->panel, (int)i, -1},
        .stands = worst > r->mismatch_amps &&
                  worst > 0.01 * r->mismatch_percent * fmax(own, branches),
        .on_seconds = r->mismatch_seconds,
        .off_seconds = GONE_SECONDS,
        .priority = PRIORITY_LOW,
        .advice = "A current transformer may be loose, reversed or on another wire, or "
                  "something is fed that is not "
                  "in the directory: a licensed electrician looks into the panel." NO_DEVICE,
    };
    if (j.stands) {
        char where[256];
        describe(c, i, where);
        text_printf(
            &text,
            "%s and the circuits behind it do not add up: one of the sensors is wrong or a "
            "circuit is missing in the directory.",
            where);
        text_printf(&detail,
                    "its own transformer %.2f A, sum of the branches on that leg %.2f A", own,
                    branches);
    }
    judge(c, f, &j, &text, &detail);
}

static void judge_imbalance(struct code_rules *c, const struct frame *f, size_t panel)
{
    const struct site_panel *p = &c->site->panels[panel];
    const struct rules *r = &c->rules->panels[panel];
    double legs[SITE_MAX_LEGS], mean = 0.0, most = 0.0, off = 0.0;
    for (int k = 0; k < p->legs; k++) {
        legs[k] = leg_amps(c, panel, (char)('A' + k));
        mean += legs[k] / p->legs;
        most = fmax(most, legs[k]);
    }
    if (isnan(mean))
        return;
    for (int k = 0; k < p->legs; k++)
        off = fmax(off, fabs(legs[k] - mean));
    struct text text = TEXT_INIT, detail = TEXT_INIT;
    struct alarm_judgement j = {
        .kind = ALARM_LEG_IMBALANCE,
        .subject = {(int)panel, -1, -1},
        .stands = most > 0.01 * r->imbalance_min_percent * p->rating_amps &&
                  off > 0.01 * r->imbalance_percent * mean,
        .on_seconds = r->imbalance_seconds,
        .off_seconds = r->imbalance_seconds,
        .priority = PRIORITY_LOW,
        .advice = "Nothing is dangerous by this alone; a licensed electrician can move "
                  "circuits from one leg to the "
                  "other." NO_DEVICE,
    };
    if (j.stands) {
        text_printf(&text, "In %s one leg carries much more than the others.", p->name);
        for (int k = 0; k < p->legs; k++)
            text_printf(&detail, "%sleg %c %.1f A", k ? ", " : "", 'A' + k, legs[k]);
    }
    judge(c, f, &j, &text, &detail);
}

static void judge_voltage(struct code_rules *c, const struct frame *f, size_t panel)
{
    const struct site_panel *p = &c->site->panels[panel];
    const struct rules *r = &c->rules->panels[panel];
    double low = (double)INFINITY, high = 0.0, nominal = c->site->nominal_volts;
    for (int k = 0; k < p->legs; k++) {
        double v = (double)c->volts[3 * panel + (size_t)k];
        if (isnan(v) ||
            v < 0.05 * nominal) /* no supply at all is an outage, not a low voltage */
            return;
        low = fmin(low, v);
        high = fmax(high, v);
    }
    struct text text = TEXT_INIT, detail = TEXT_INIT;
    struct alarm_judgement j = {
        .kind = ALARM_SUPPLY_VOLTAGE,
        .subject = {(int)panel, -1, -1},
        .stands = low < 0.01 * r->volts_low_percent * nominal ||
                  high > 0.01 * r->volts_high_percent * nominal,
        .on_seconds = r->volts_seconds,
        .off_seconds = r->volts_seconds,
        .priority = PRIORITY_HIGH,
        .advice = "Call the utility when it stays so. Lights that grow bright or dim when "
                  "something else is switched "
                  "on: unplug what is sensitive and call a licensed electrician." NO_DEVICE,
    };
    if (j.stands) {
        text_printf(&text, "The supply voltage in %s is too %s.", p->name,
                    high > 0.01 * r->volts_high_percent * nominal ? "high" : "low");
        text_printf(&detail, "%.1f to %.1f V, allowed %.1f to %.1f V", low, high,
                    0.01 * r->volts_low_percent * nominal,
                    0.01 * r->volts_high_percent * nominal);
    }
    judge(c, f, &j, &text, &detail);
}

static void judge_neutral(struct code_rules *c, const struct frame *f, size_t panel)
{
    double a = (double)c->volts[3 * panel], b = (double)c->volts[3 * panel + 1];
    double nominal = c->site->nominal_volts;
    if (c->site->panels[panel].legs != 2 || isnan(a) || isnan(b))
        return;
    struct text text = TEXT_INIT, detail = TEXT_INIT;
    struct alarm_judgement j = {
        .kind = ALARM_OPEN_NEUTRAL,
        .subject = {(int)panel, -1, -1},
        .stands = fabs(a - b) > NEUTRAL_APART_VOLTS * nominal / 120.0 &&
                  fabs(a + b - 2.0 * nominal) <= NEUTRAL_SUM_SHARE * 2.0 * nominal,
        .on_seconds = 5.0,
        .off_seconds = GONE_SECONDS,
        .priority = PRIORITY_URGENT,
        .advice = "Unplug what can be unplugged, electronics first, and call the utility and a "
                  "licensed electrician now: "
                  "appliances can be damaged within minutes. Smoke, fire or a burning smell: "
                  "leave and call the "
                  "emergency number." NO_DEVICE,
    };
    if (j.stands) {
        text_printf(&text,
                    "The two legs of %s drift apart: the neutral of the supply may be loose or "
                    "open, a hazard.",
                    c->site->panels[panel].name);
        text_printf(&detail, "leg A %.1f V, leg B %.1f V, together %.1f V", a, b, a + b);
    }
    judge(c, f, &j, &text, &detail);
}

void code_rules_step(struct code_rules *c, const struct frame *f)
{
    if (c->started && f->mono_ms - c->judged_ms < JUDGE_MS)
        return;
    c->started = true;
    c->judged_ms = f->mono_ms;
    keep(c->amps, c->read_ms, frame_amps(f), f->poles, f->mono_ms);
    if (f->has & (1U << FRAME_PANEL_VOLTS))
        keep(c->volts, c->volts_ms, f->values + frame_section(f, FRAME_PANEL_VOLTS),
             3 * f->panels, f->mono_ms);
    for (size_t i = 0; i < c->site->circuit_count; i++) {
        judge_continuous(c, f, i);
        judge_did_not_open(c, f, i);
        if (c->site->circuits[i].feeds_panel >= 0)
            judge_mismatch(c, f, i);
    }
    for (size_t p = 0; p < c->site->panel_count; p++) {
        if (c->site->panels[p].legs > 1)
            judge_imbalance(c, f, p);
        judge_voltage(c, f, p);
        judge_neutral(c, f, p);
    }
}
