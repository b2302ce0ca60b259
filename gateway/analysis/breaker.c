#include "breaker.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "forecast.h"

#define NEVER_MS INT64_MIN
#define STATE_VERSION 1
#define MOST_AWAY_MS 86400000 /* after a day everything is cold */

struct pole {
    double h[HEAT_TAUS];     /* with every gap taken as rest */
    double top[HEAT_TAUS];   /* most of h in this warming */
    double width[HEAT_TAUS]; /* how much more it is with every gap taken as load, at width_ms */
    int64_t read_ms;         /* of the last reading, NEVER_MS before the first */
    int64_t width_ms;
    double amps; /* last reading */
    double upper_share;
    bool wide;   /* width counts */
    bool loaded; /* from before a restart: the first reading ends a gap since saved_wall_ms */
};

struct circuit {
    struct hypotheses_class *class;
    double q_per_amps2;              /* 1 / (rating in this ambient)^2 */
    double rating_amps;              /* in this ambient */
    double held[HEAT_TAUS];          /* most heat of earlier warmings, survived */
    struct hypotheses_grid *learned; /* NULL: nothing yet */
    double fall_h[HEAT_TAUS];        /* heat when the current last fell to nothing */
    double fall_amps;
    bool fallen;
    int64_t over_since_ms[2]; /* at or above `open` and `quick` since then, NEVER_MS: not */
    double over_seconds[2];
};

struct breakers {
    const struct site *site;
    const struct rules_set *rules;
    struct circuit *circuits;
    struct pole *poles;
    struct hypotheses_class **classes;
    size_t class_count;
    int64_t frame_ms; /* of the last frame */
    int64_t wall_ms;  /* and by the wall clock */
    int64_t saved_wall_ms;
    int64_t intervals[4]; /* of the last frames */
    size_t frames;
};

static double ambient_of(const struct breakers *b, size_t circuit)
{
    double panel = b->site->panels[b->site->circuits[circuit].panel].ambient_celsius;
    double rule = b->rules->circuits[circuit].ambient_celsius;
    if (!isnan(panel))
        return panel;
    return rule == 0.0 ? (double)NAN : rule;
}

static bool same_class(const struct hypotheses_class *c, const struct breaker_limits *l,
                       double share)
{
    return memcmp(&c->limits, l, sizeof *l) == 0 && c->worn_share == share;
}

static struct hypotheses_class *class_for(struct breakers *b, const struct breaker_limits *l,
                                          double share)
{
    for (size_t i = 0; i < b->class_count; i++)
        if (same_class(b->classes[i], l, share))
            return b->classes[i];
    struct hypotheses_class **grown =
        realloc(b->classes, (b->class_count + 1) * sizeof(struct hypotheses_class *));
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
    c->class = class_for(b, &l, b->rules->circuits[i].worn_share);
    c->rating_amps = s->breaker_amps * breaker_limits_ambient(&l, ambient_of(b, i));
    c->q_per_amps2 = 1.0 / (c->rating_amps * c->rating_amps);
    c->over_since_ms[0] = c->over_since_ms[1] = NEVER_MS;
    return c->class != NULL;
}

struct breakers *breakers_create(const struct site *s, const struct rules_set *rules)
{
    struct breakers *b = calloc(1, sizeof *b);
    if (!b)
        return NULL;
    b->site = s;
    b->rules = rules;
    b->frame_ms = NEVER_MS;
    b->circuits = calloc(s->circuit_count + 1, sizeof *b->circuits);
    b->poles = calloc(s->poles_total + 1, sizeof *b->poles);
    if (!b->circuits || !b->poles)
        goto fail;
    for (size_t p = 0; p < s->poles_total; p++)
        b->poles[p].read_ms = NEVER_MS;
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
    for (size_t i = 0; i < b->class_count; i++)
        free(b->classes[i]);
    free(b->classes);
    free(b->circuits);
    free(b->poles);
    free(b);
}

/* ---- stepping ------------------------------------------------------------------------------
 */

/* the usual time between frames, 0 while unknown: the shortest of the last few, so that one gap
 * does not become the rule and a new poll period does after four frames */
static int64_t usual_ms(const struct breakers *b)
{
    int64_t least = 0;
    for (size_t i = 0; i < 4 && i < b->frames; i++)
        if (least == 0 || b->intervals[i] < least)
            least = b->intervals[i];
    return least;
}

static void width_now(const struct pole *p, const struct circuit *c, int64_t now_ms,
                      double out[HEAT_TAUS])
{
    for (int i = 0; i < HEAT_TAUS; i++)
        out[i] = p->wide ? p->width[i] * exp(-(double)(now_ms - p->width_ms) * 1e-3 /
                                             c->class->bank.tau[i])
                         : 0.0;
}

/* a stretch without readings: lower by rest, upper by the last current held */
static void pole_gap(struct pole *p, const struct circuit *c, int64_t now_ms, double amps)
{
    double seconds = (double)(now_ms - p->read_ms) * 1e-3, width[HEAT_TAUS];
    double q = p->amps * p->amps * c->q_per_amps2, most = 0.0;
    width_now(p, c, now_ms, width);
    for (int i = 0; i < HEAT_TAUS; i++) {
        double e = exp(-seconds / c->class->bank.tau[i]);
        p->width[i] = width[i] + q * (1.0 - e);
        p->h[i] *= e;
        most = fmax(most, p->width[i]);
    }
    p->width_ms = now_ms;
    p->wide = most > 1e-3; /* less shifts no opening by as much as a poll */
    /* the same current on both sides: most likely it flowed all the time, unless it was long */
    bool same = fabs(amps - p->amps) <= 0.1 * p->amps + 0.2;
    p->upper_share = (same ? 0.9 : 0.5) * exp(-seconds / 7200.0);
}

static void pole_start(struct pole *p, const struct circuit *c, int64_t now_ms, double amps)
{
    for (int i = 0; i < HEAT_TAUS; i++)
        p->width[i] = amps * amps * c->q_per_amps2;
    p->wide = true; /* nobody knows what it carried before */
    p->width_ms = now_ms;
    p->upper_share = 0.5;
    p->read_ms = now_ms;
    p->amps = amps;
}

static void note_fall(const struct breakers *b, struct circuit *c, const struct site_circuit *s,
                      double amps)
{
    for (int i = 0; i < HEAT_TAUS; i++) {
        c->fall_h[i] = 0.0;
        for (int k = 0; k < s->poles; k++)
            c->fall_h[i] = fmax(c->fall_h[i], b->poles[s->first_pole + k].h[i]);
    }
    c->fall_amps = amps;
    c->fallen = true;
}

static void pole_step(struct breakers *b, size_t circuit, size_t pole, const struct frame *f,
                      double amps)
{
    struct pole *p = &b->poles[pole];
    struct circuit *c = &b->circuits[circuit];
    double zero = b->rules->circuits[circuit].zero_amps;
    if (p->loaded) {
        int64_t away = f->wall_ms - b->saved_wall_ms; /* the wall clock may have jumped */
        p->read_ms = f->mono_ms - (away < 1000           ? 1000
                                   : away > MOST_AWAY_MS ? MOST_AWAY_MS
                                                         : away);
        p->loaded = false;
        pole_gap(p, c, f->mono_ms, amps);
        p->read_ms = f->mono_ms;
        p->amps = amps;
        return;
    }
    if (p->read_ms == NEVER_MS) {
        pole_start(p, c, f->mono_ms, amps);
        return;
    }
    int64_t dt = f->mono_ms - p->read_ms, usual = usual_ms(b);
    if (amps <= zero && p->amps > zero)
        note_fall(b, c, &b->site->circuits[circuit], p->amps);
    else if (amps > zero)
        c->fallen = false;
    if (usual > 0 && dt > 2 * usual + 500) {
        pole_gap(p, c, f->mono_ms, amps);
    } else {
        heat_bank_step(p->h, p->top, heat_bank_decay(&c->class->bank, dt),
                       amps * amps * c->q_per_amps2);
    }
    p->read_ms = f->mono_ms;
    p->amps = amps;
}

void breakers_step(struct breakers *b, const struct frame *f)
{
    const float *amps = frame_amps(f);
    if (b->frame_ms != NEVER_MS && f->mono_ms > b->frame_ms)
        b->intervals[b->frames++ % 4] = f->mono_ms - b->frame_ms;
    for (size_t i = 0; i < b->site->circuit_count; i++) {
        const struct site_circuit *s = &b->site->circuits[i];
        for (size_t k = 0; k < (size_t)s->poles; k++) {
            size_t pole = (size_t)s->first_pole + k;
            if (!isnan(amps[pole]) && f->mono_ms > b->poles[pole].read_ms)
                pole_step(b, i, pole, f, (double)amps[pole]);
        }
    }
    b->frame_ms = f->mono_ms;
    b->wall_ms = f->wall_ms;
}

/* ---- asking --------------------------------------------------------------------------------
 */

static void state_of(const struct breakers *b, int circuit, struct hypotheses_view *view,
                     struct forecast_state *s)
{
    const struct site_circuit *sc = &b->site->circuits[circuit];
    const struct circuit *c = &b->circuits[circuit];
    hypotheses_view_init(view, c->class, c->learned, c->held);
    *s = (struct forecast_state){.view = view};
    for (int k = 0; k < sc->poles; k++) {
        const struct pole *p = &b->poles[sc->first_pole + k];
        double width[HEAT_TAUS];
        width_now(p, c, b->frame_ms, width);
        for (int i = 0; i < HEAT_TAUS; i++) {
            s->lower[i] = fmax(s->lower[i], p->h[i]);
            s->upper[i] = fmax(s->upper[i], p->h[i] + width[i]);
            s->top[i] = fmax(s->top[i], p->top[i]);
        }
        if (p->wide)
            s->upper_share = fmax(s->upper_share, p->upper_share);
    }
}

double breakers_heat(const struct breakers *b, int circuit)
{
    struct hypotheses_view view;
    struct forecast_state s;
    state_of(b, circuit, &view, &s);
    return forecast_heat(&s);
}

void breakers_forecast(const struct breakers *b, int circuit, double amps,
                       struct breaker_forecast *out)
{
    static const double minutes[4] = {1, 5, 15, 60};
    const struct circuit *c = &b->circuits[circuit];
    const struct rules *r = &b->rules->circuits[circuit];
    struct hypotheses_view view;
    struct forecast_state s;
    double q = amps * amps * c->q_per_amps2;
    state_of(b, circuit, &view, &s);
    out->heat = forecast_heat(&s);
    for (int i = 0; i < 4; i++)
        out->chance[i] = forecast_chance(&s, q, 60.0 * minutes[i]);
    out->chance_horizon = forecast_chance(&s, q, r->near_overload_horizon_seconds);
    out->p05_seconds = forecast_seconds(&s, q, 0.05);
    out->p50_seconds = forecast_seconds(&s, q, 0.50);
    out->p95_seconds = forecast_seconds(&s, q, 0.95);
    double clear = r->near_overload_clear_chance;
    out->headroom_amps =
        c->rating_amps * forecast_greatest(&s, r->near_overload_horizon_seconds, clear) - amps;
    out->headroom_3h_amps = c->rating_amps * forecast_greatest(&s, 10800.0, clear) - amps;
}

void breakers_opening(const struct breakers *b, int circuit, struct breaker_opening *out)
{
    const struct circuit *c = &b->circuits[circuit];
    const struct site_circuit *sc = &b->site->circuits[circuit];
    struct hypotheses_view view;
    struct forecast_state s;
    double amps = 0.0;
    state_of(b, circuit, &view, &s);
    for (int k = 0; k < sc->poles; k++)
        amps = fmax(amps, b->poles[sc->first_pole + k].amps);
    if (c->fallen) {
        memcpy(s.lower, c->fall_h, sizeof s.lower);
        memcpy(s.upper, c->fall_h, sizeof s.upper);
        amps = c->fall_amps;
    }
    double q = amps * amps * c->q_per_amps2;
    double poll = fmax(1.0, (double)usual_ms(b) * 1e-3), rise = 0.0;
    out->heat = forecast_heat(&s);
    hypotheses_opening_density(&view, s.lower, &out->chance_overload, &out->chance_worn);
    for (int i = 0; i < HEAT_TAUS; i++) { /* how far ln h goes up in one poll, at the most */
        double next = heat_step(s.lower[i], q, poll, c->class->bank.tau[i]);
        if (s.lower[i] > 0.0)
            rise = fmax(rise, log(next / s.lower[i]));
    }
    rise = fmin(fmax(rise, 0.002), 0.2);
    out->chance_overload = fmin(1.0, out->chance_overload * rise);
    out->chance_worn = fmin(1.0, out->chance_worn * rise);
    out->amps = amps;
    out->must_hold_amps = c->class->limits.hold * c->rating_amps;
}

void breakers_learn_opened(struct breakers *b, int circuit, double p_by_heat)
{
    struct circuit *c = &b->circuits[circuit];
    const struct site_circuit *sc = &b->site->circuits[circuit];
    struct hypotheses_view view;
    struct forecast_state s;
    if (!c->learned) {
        c->learned = malloc(sizeof *c->learned);
        if (!c->learned)
            return; /* stays as wise as before */
        hypotheses_grid_fill(c->learned, 1.0F);
    }
    state_of(b, circuit, &view, &s);
    hypotheses_learn_held(c->class, c->held, c->learned);
    hypotheses_learn_opening(&view, c->fallen ? c->fall_h : s.lower, p_by_heat, c->learned);
    memset(c->held, 0, sizeof c->held);
    for (int k = 0; k < sc->poles; k++) {
        struct pole *p = &b->poles[sc->first_pole + k];
        memcpy(p->top, p->h, sizeof p->top);
    }
}

double breakers_worn(const struct breakers *b, int circuit)
{
    struct hypotheses_view view;
    const struct circuit *c = &b->circuits[circuit];
    hypotheses_view_init(&view, c->class, c->learned, c->held);
    return hypotheses_quick(&view);
}

double breakers_overdue_seconds(const struct breakers *b, int circuit)
{
    (void)b;
    (void)circuit;
    return 0.0;
}

void breakers_replaced(struct breakers *b, int circuit)
{
    struct circuit *c = &b->circuits[circuit];
    const struct site_circuit *sc = &b->site->circuits[circuit];
    free(c->learned);
    c->learned = NULL;
    memset(c->held, 0, sizeof c->held);
    for (int k = 0; k < sc->poles; k++)
        memset(b->poles[sc->first_pole + k].top, 0, sizeof b->poles[0].top);
}

/* ---- saving --------------------------------------------------------------------------------
 */

static void put_array(struct codec_out *out, const double a[HEAT_TAUS])
{
    for (int i = 0; i < HEAT_TAUS; i++)
        codec_put_f64(out, a[i]);
}

static void get_array(struct codec_in *in, double a[HEAT_TAUS])
{
    for (int i = 0; i < HEAT_TAUS; i++)
        a[i] = codec_get_f64(in);
}

void breakers_save(const struct breakers *b, struct codec_out *out)
{
    codec_put_u32(out, STATE_VERSION);
    codec_put_i64(out, b->wall_ms);
    codec_put_u32(out, (uint32_t)b->site->circuit_count);
    for (size_t i = 0; i < b->site->circuit_count; i++) {
        const struct site_circuit *sc = &b->site->circuits[i];
        const struct circuit *c = &b->circuits[i];
        size_t begun = codec_begin(out, 1);
        codec_put_string(out, sc->id);
        put_array(out, c->held);
        codec_put_u8(out, c->learned != NULL);
        if (c->learned) {
            for (int t = 0; t < HEAT_TAUS; t++)
                for (int j = 0; j < HYPOTHESES_LEVELS; j++)
                    codec_put_f32(out, c->learned->at[t][j]);
            codec_put_f32(out, c->learned->never);
        }
        codec_put_u8(out, (uint8_t)sc->poles);
        for (int k = 0; k < sc->poles; k++) {
            const struct pole *p = &b->poles[sc->first_pole + k];
            codec_put_f64(out, p->amps);
            put_array(out, p->h);
            put_array(out, p->top);
        }
        codec_end(out, begun);
    }
}

static bool load_circuit(struct breakers *b, struct codec_in *in)
{
    char id[SITE_ID_SIZE];
    codec_get_string(in, id, sizeof id);
    int circuit = in->failed ? -1 : site_find_circuit(b->site, id);
    if (circuit < 0)
        return !in->failed;
    struct circuit *c = &b->circuits[circuit];
    get_array(in, c->held);
    if (codec_get_u8(in)) {
        c->learned = malloc(sizeof *c->learned);
        if (!c->learned)
            return false;
        for (int t = 0; t < HEAT_TAUS; t++)
            for (int j = 0; j < HYPOTHESES_LEVELS; j++)
                c->learned->at[t][j] = codec_get_f32(in);
        c->learned->never = codec_get_f32(in);
    }
    int poles = codec_get_u8(in);
    for (int k = 0; k < poles && k < b->site->circuits[circuit].poles; k++) {
        struct pole *p = &b->poles[b->site->circuits[circuit].first_pole + k];
        p->amps = codec_get_f64(in);
        get_array(in, p->h);
        get_array(in, p->top);
        p->loaded = true;
    }
    return !in->failed;
}

bool breakers_load(struct breakers *b, struct codec_in *in)
{
    if (codec_get_u32(in) != STATE_VERSION)
        return false;
    b->saved_wall_ms = codec_get_i64(in);
    uint32_t count = codec_get_u32(in);
    for (uint32_t i = 0; i < count; i++) {
        uint32_t tag;
        struct codec_in section;
        if (!codec_next(in, &tag, &section) || !load_circuit(b, &section))
            return false;
    }
    return !in->failed;
}
