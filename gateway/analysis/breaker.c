#include "breaker.h"

#include "breaker_state.h"

#include "base/lanes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define METER_OFF 1.02        /* a class 1 meter and its transformer: 2 % */
#define AIR_OFF 1.05          /* nobody said how warm it is: a cold cellar */
#define MOST_AWAY_MS 86400000 /* after a day everything is cold */
#define WARMING_OVER 0.6      /* of its top: the next rise is another warming */
#define WARMING_LEAST                                                                          \
    0.19 /* below this every hypothesis holds: theta 0.25, over four times HYPOTHESES_SPREAD   \
          */

/* ---- create and destroy --------------------------------------------------------------------
 */

/* The narrower wins: a rule of the circuit (or of its panel or the site, which rules.cfg has
 * handed down to it), then what the panel says. */
static double ambient_of(const struct breakers *b, size_t circuit)
{
    double rule = b->rules->circuits[circuit].ambient_celsius;
    return rule != 0.0 ? rule
                       : b->site->panels[b->site->circuits[circuit].panel].ambient_celsius;
}

static struct hypotheses_class *class_for(struct breakers *b, const struct breaker_limits *l,
                                          double share)
{
    for (size_t i = 0; i < b->class_count; i++)
        if (hypotheses_class_is(b->classes[i], l, share))
            return b->classes[i];
    /* NOLINTNEXTLINE(bugprone-sizeof-expression): of pointers */
    struct hypotheses_class **grown = realloc(b->classes, (b->class_count + 1) * sizeof *grown);
    if (!grown)
        return NULL;
    b->classes = grown;
    struct hypotheses_class *c = malloc(sizeof *c);
    if (!c)
        return NULL;
    hypotheses_class_init(c, l, share);
    b->classes[b->class_count++] = c;
    return c;
}

static bool init_circuit(struct breakers *b, size_t i)
{
    const struct site_circuit *s = &b->site->circuits[i];
    struct circuit *c = &b->circuits[i];
    struct breaker_limits l = breaker_limits_of(b->site->standard, s->breaker_amps, s->type);
    double celsius = ambient_of(b, i), off = METER_OFF;
    c->class = class_for(b, &l, b->rules->circuits[i].worn_share);
    c->rating_amps = s->breaker_amps * breaker_limits_ambient(&l, celsius);
    c->zero_amps = b->rules->circuits[i].zero_amps;
    c->q_per_amps2 = 1.0 / (c->rating_amps * c->rating_amps);
    if (isnan(celsius))
        off *= AIR_OFF;
    else
        off *= breaker_limits_ambient(&l, celsius) / breaker_limits_ambient(&l, l.open_celsius);
    c->open_amps = s->breaker_amps * l.open * off;
    c->quick_amps = s->breaker_amps * l.quick * off;
    for (int k = 0; k < s->poles; k++)
        b->circuit_of[s->first_pole + k] = (int)i;
    return c->class != NULL;
}

struct breakers *breakers_create(const struct site *s, const struct rules_set *rules)
{
    struct breakers *b = calloc(1, sizeof *b);
    if (!b)
        return NULL;
    size_t padded = s->poles_total + LANES;
    b->site = s;
    b->rules = rules;
    b->frame_ms = NEVER_MS;
    b->circuits = calloc(s->circuit_count + 1, sizeof *b->circuits);
    b->poles = calloc(s->poles_total + 1, sizeof *b->poles);
    b->circuit_of = calloc(s->poles_total + 1, sizeof *b->circuit_of);
    /* NOLINTNEXTLINE(bugprone-sizeof-expression): of pointers */
    b->views = calloc(s->circuit_count + 1, sizeof *b->views);
    b->base = calloc(padded, sizeof *b->base);
    b->band = calloc(padded, sizeof *b->band);
    b->sum = calloc(padded, sizeof *b->sum);
    if (!b->circuits || !b->views || !b->poles || !b->circuit_of || !b->base || !b->band ||
        !b->sum)
        goto fail;
    for (size_t p = 0; p < padded; p++)
        b->base[p] = (float)NAN;
    for (size_t p = 0; p < s->poles_total; p++)
        b->poles[p].h_ms = NEVER_MS;
    for (size_t i = 0; i < s->circuit_count; i++)
        if (!init_circuit(b, i))
            goto fail;
    return b;
fail:
    breakers_destroy(b);
    return NULL;
}

void breakers_destroy(struct breakers *b)
{
    if (!b)
        return;
    for (size_t i = 0; b->circuits && i < b->site->circuit_count; i++)
        free(b->circuits[i].learned);
    for (size_t i = 0; b->views && i < b->site->circuit_count; i++)
        free(b->views[i]);
    free(b->views);
    for (size_t i = 0; i < b->class_count; i++)
        free(b->classes[i]);
    free(b->classes);
    free(b->circuits);
    free(b->poles);
    free(b->circuit_of);
    free(b->base);
    free(b->band);
    free(b->sum);
    free(b);
}

/* ---- one pole, exactly ---------------------------------------------------------------------
 */

/* The shortest of the last few intervals, so that one gap does not become the rule and a new
 * poll period does after four frames. */
int64_t breakers_usual_ms(const struct breakers *b)
{
    int64_t least = 0;
    for (size_t i = 0; i < 4 && i < b->frames; i++)
        if (least == 0 || b->intervals[i] < least)
            least = b->intervals[i];
    return least;
}

void pole_width(const struct breakers *b, size_t pole, double width[HEAT_STATES])
{
    const struct pole *p = &b->poles[pole];
    const double *tau = b->circuits[b->circuit_of[pole]].class->bank.tau;
    /* loaded and not read yet: as it was saved */
    double seconds = b->frame_ms == NEVER_MS ? 0.0 : (double)(b->frame_ms - p->width_ms) * 1e-3;
    for (int i = 0; i < HEAT_STATES; i++)
        width[i] = p->wide ? p->width[i] * exp(-seconds / tau[i]) : 0.0;
}

/* a stretch without readings: below by rest, above by the last current held */
static void pole_gap(struct pole *p, const struct circuit *c, int64_t now_ms, double amps)
{
    double seconds = (double)(now_ms - p->h_ms) * 1e-3, most = 0.0;
    double q = p->amps * p->amps * c->q_per_amps2;
    for (int i = 0; i < HEAT_STATES; i++) {
        double tau = c->class->bank.tau[i], e = exp(-seconds / tau);
        double before =
            p->wide ? p->width[i] * exp(-(double)(now_ms - p->width_ms) * 1e-3 / tau) : 0.0;
        p->width[i] = before + q * (1.0 - e);
        p->h[i] *= e;
        most = fmax(most, p->width[i]);
    }
    p->width_ms = now_ms;
    p->wide = most > 1e-3;
    /* the same current on both sides most likely flowed all the time, unless that was long */
    bool same = fabs(amps - p->amps) <= 0.1 * p->amps + 0.2;
    p->upper_share = (same ? 0.9 : 0.5) * exp(-seconds / 7200.0);
}

/* nobody knows what it carried before the first reading */
static void pole_start(struct pole *p, const struct circuit *c, int64_t now_ms, double amps)
{
    for (int i = 0; i < HEAT_STATES; i++)
        p->width[i] = amps * amps * c->q_per_amps2;
    p->wide = true;
    p->width_ms = now_ms;
    p->upper_share = 0.5;
}

static void note_fall(struct breakers *b, int circuit, int64_t now_ms, double seconds)
{
    const struct site_circuit *s = &b->site->circuits[circuit];
    struct circuit *c = &b->circuits[circuit];
    if (c->fallen && c->fall_ms == now_ms)
        return; /* with its other pole, which has cooled since by this reading */
    c->fall_ms = now_ms;
    memset(c->fall_h, 0, sizeof c->fall_h);
    memset(c->fall_top, 0, sizeof c->fall_top);
    c->fall_amps = 0.0;
    c->fall_seconds = seconds;
    for (int k = 0; k < s->poles; k++) {
        const struct pole *p = &b->poles[s->first_pole + k];
        for (int i = 0; i < HEAT_STATES; i++)
            c->fall_h[i] = fmax(c->fall_h[i], p->h[i]);
        for (int i = 0; i < HEAT_TAUS; i++)
            c->fall_top[i] = fmax(c->fall_top[i], p->top[i]);
        /* the last reading may be an average over the fall itself */
        c->fall_amps = fmax(c->fall_amps, fmax(p->amps, p->before));
    }
    c->fallen = true;
}

static void count_overstay(struct overstay *o, bool above, double seconds)
{
    if (above) {
        o->seconds += seconds;
        o->below_seconds = 0.0;
    } else if (o->seconds > 0.0) {
        o->below_seconds += seconds; /* one low reading may be a bad one */
        if (o->below_seconds > 10.0)
            *o = (struct overstay){0};
    }
}

/* A warming that is over goes into what the breaker has held. While the current is gone nobody
 * knows yet whether the breaker opened: then it waits. */
static void end_warmings(struct pole *p, struct circuit *c)
{
    if (c->fallen || !p->warmed)
        return;
    p->warmed = false;
    for (int i = 0; i < HEAT_TAUS; i++) {
        double felt = heat_felt(p->h, i);
        if (felt >= WARMING_OVER * p->top[i]) {
            p->warmed = p->warmed || p->top[i] > WARMING_LEAST;
            continue;
        }
        if (p->top[i] > WARMING_LEAST) {
            if (!c->learned)
                c->learned = hypotheses_grid_create();
            if (c->learned)
                hypotheses_learn_warming(c->class, i, p->top[i], c->learned);
            c->held[i] = fmax(c->held[i], p->top[i]);
            c->lessons++;
        }
        p->top[i] = felt;
        p->warmed = p->warmed || felt > WARMING_LEAST;
    }
}

static void pole_read(struct breakers *b, size_t pole, const struct frame *f, double amps)
{
    struct pole *p = &b->poles[pole];
    int circuit = b->circuit_of[pole];
    struct circuit *c = &b->circuits[circuit];
    double zero = c->zero_amps;
    int64_t usual = b->usual_ms, dt = p->h_ms == NEVER_MS ? 0 : f->mono_ms - p->h_ms;
    if (p->loaded) {
        int64_t away = f->wall_ms - b->saved_wall_ms; /* the wall clock may have jumped */
        dt = away < 1000 ? 1000 : away > MOST_AWAY_MS ? MOST_AWAY_MS : away;
        p->h_ms = p->width_ms = f->mono_ms - dt;
    }
    if (amps <= zero && p->amps > zero)
        note_fall(b, circuit, f->mono_ms, (double)dt * 1e-3);
    else if (amps > zero)
        c->fallen = false;
    if (p->h_ms == NEVER_MS) {
        pole_start(p, c, f->mono_ms, amps);
    } else if (p->loaded || (usual > 0 && dt > 2 * usual + 500)) {
        pole_gap(p, c, f->mono_ms, amps);
        p->open = p->quick = (struct overstay){0}; /* what it carried is not known */
    } else {
        p->warmed = true;
        heat_bank_step(p->h, p->top, heat_bank_decay(&c->class->bank, dt),
                       amps * amps * c->q_per_amps2);
        if (p->open.seconds > 0.0 || amps >= c->open_amps) {
            count_overstay(&p->open, amps >= c->open_amps, (double)dt * 1e-3);
            count_overstay(&p->quick, amps >= c->quick_amps, (double)dt * 1e-3);
        }
    }
    p->loaded = false;
    p->h_ms = f->mono_ms;
    p->before = p->amps;
    p->amps = amps;
    if (++p->steps % 64 == 0)
        end_warmings(p, c);
}

/* ---- quiet poles ---------------------------------------------------------------------------
 */

static void batch_step(const struct breakers *b, size_t pole, double h[HEAT_STATES])
{
    const struct circuit *c = &b->circuits[b->circuit_of[pole]];
    double q = (double)b->sum[pole] / b->batch_frames * c->q_per_amps2;
    const double *e = heat_bank_decay(&c->class->bank, b->frame_ms - b->batch_ms);
    for (int i = 0; i < HEAT_STATES; i++)
        h[i] = q + (h[i] - q) * e[i];
}

void pole_heat(const struct breakers *b, size_t pole, double h[HEAT_STATES])
{
    memcpy(h, b->poles[pole].h, sizeof b->poles[pole].h);
    if (!isnan(b->base[pole]) && b->batch_frames > 0)
        batch_step(b, pole, h);
}

/* brings a quiet pole up to that moment, with the batch so far */
static void end_batch(struct breakers *b, size_t pole, int64_t now_ms)
{
    struct pole *p = &b->poles[pole];
    double seconds = (double)(now_ms - p->h_ms) * 1e-3;
    batch_step(b, pole, p->h);
    p->h_ms = now_ms;
    count_overstay(&p->open, false, seconds); /* it is far below */
    count_overstay(&p->quick, false, seconds);
}

/* brings a quiet pole up to the last frame and makes it exact */
static void wake(struct breakers *b, size_t pole)
{
    if (b->batch_frames > 0)
        end_batch(b, pole, b->frame_ms);
    b->base[pole] = (float)NAN;
}

/* how far a current may move and still count as the same */
static double quiet_band(const struct circuit *c, double amps, double zero)
{
    double band = c->rating_amps * sqrt(QUIET_Q);
    if (amps > 0.0)
        band =
            fmin(band, 0.4 * QUIET_Q / (amps * c->q_per_amps2)); /* 2 a da + da^2 <= QUIET_Q */
    return fmin(band, fabs(amps - zero)); /* falls to nothing and restorations are seen */
}

/* ends the batch at this frame and begins the next with those that are quiet now */
static void next_batch(struct breakers *b, const struct frame *f)
{
    const float *amps = frame_amps(f);
    for (size_t pole = 0; pole < f->poles; pole++) {
        struct pole *p = &b->poles[pole];
        struct circuit *c = &b->circuits[b->circuit_of[pole]];
        if (!isnan(b->base[pole])) {
            end_batch(b, pole, f->mono_ms);
            end_warmings(p, c);
        }
        double a = (double)amps[pole];
        b->base[pole] = (float)NAN;
        if (p->h_ms == f->mono_ms && a <= QUIET_AMPS_SHARE * c->rating_amps) {
            double zero = c->zero_amps;
            p->amps = p->before = a;
            b->base[pole] = (float)a;
            b->band[pole] = (float)quiet_band(c, a, zero);
        }
        b->sum[pole] = 0.0F;
    }
    b->batch_ms = f->mono_ms;
    b->batch_frames = 0;
}

static void read_or_wait(struct breakers *b, size_t pole, const struct frame *f)
{
    double amps = (double)frame_amps(f)[pole];
    if (!isnan(b->base[pole])) {
        if (fabsf(frame_amps(f)[pole] - b->base[pole]) <= b->band[pole])
            return; /* a neighbour in the same lanes is the one */
        wake(b, pole);
    }
    if (!isnan(amps))
        pole_read(b, pole, f, amps);
}

/* true when the interval to this frame is one of the usual */
static bool usual_interval(const struct breakers *b, int64_t dt)
{
    int64_t usual = breakers_usual_ms(b);
    return usual > 0 && dt <= 2 * usual + 500;
}

static void quiet_lanes(struct breakers *b, const struct frame *f)
{
    const float *amps = frame_amps(f);
    for (size_t pole = 0; pole < f->poles; pole += LANES) {
        /* reads past the poles stay inside the frame (watts follow), base there is NaN */
        lanes a = lanes_load(amps + pole);
        lanes_mask same =
            lanes_abs(a - lanes_load(b->base + pole)) <= lanes_load(b->band + pole);
        lanes_store(b->sum + pole, lanes_load(b->sum + pole) + lanes_where(same, a * a));
        if (!lanes_all(same))
            for (size_t k = pole; k < pole + LANES && k < f->poles; k++)
                read_or_wait(b, k, f);
    }
}

void breakers_step(struct breakers *b, const struct frame *f)
{
    int64_t dt = b->frame_ms == NEVER_MS ? 0 : f->mono_ms - b->frame_ms;
    if (b->frame_ms != NEVER_MS && dt <= 0)
        return;
    if (!usual_interval(b, dt)) /* also the first frames: a gap is a gap for everyone */
        for (size_t pole = 0; pole < f->poles; pole++)
            if (!isnan(b->base[pole]))
                wake(b, pole);
    if (dt > 0)
        b->intervals[b->frames++ % 4] = dt;
    b->usual_ms = breakers_usual_ms(b);
    quiet_lanes(b, f);
    b->frame_ms = f->mono_ms;
    b->wall_ms = f->wall_ms;
    b->batch_frames++;
    if (f->mono_ms - b->batch_ms + dt > QUIET_MS)
        next_batch(b, f);
}
