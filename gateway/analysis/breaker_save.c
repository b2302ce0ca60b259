/* breaker: state as bytes, by circuit id, so that it survives a restart and a changed site. */
#include "breaker_state.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define STATE_VERSION 1
#define MOST_POLES SITE_MAX_POLES

/* what is saved of a circuit, and how its numbers were scaled then */
struct saved {
    char id[SITE_ID_SIZE];
    double rating_amps;
    double tau_least, tau_most;
    double held[HEAT_TAUS];
    bool has_learned;
    struct hypotheses_grid learned;
    int poles;
    struct {
        double amps, upper_share;
        double h[HEAT_STATES], top[HEAT_TAUS], width[HEAT_STATES];
    } pole[MOST_POLES];
};

static void put_array(struct codec_out *out, const double *a, int count)
{
    for (int i = 0; i < count; i++)
        codec_put_f64(out, a[i]);
}

static void put_circuit(const struct breakers *b, size_t i, struct codec_out *out)
{
    const struct site_circuit *sc = &b->site->circuits[i];
    const struct circuit *c = &b->circuits[i];
    codec_put_string(out, sc->id);
    codec_put_f64(out, c->rating_amps);
    codec_put_f64(out, c->class->bank.tau[0]);
    codec_put_f64(out, c->class->bank.tau[HEAT_TAUS - 1]);
    put_array(out, c->held, HEAT_TAUS);
    codec_put_u8(out, c->learned != NULL);
    if (c->learned) {
        for (int t = 0; t < HEAT_TAUS; t++)
            for (int j = 0; j < HYPOTHESES_LEVELS; j++)
                codec_put_f32(out, c->learned->at[t][j]);
        codec_put_f32(out, c->learned->never);
    }
    codec_put_u8(out, (uint8_t)sc->poles);
    for (int k = 0; k < sc->poles; k++) {
        size_t pole = (size_t)sc->first_pole + (size_t)k;
        const struct pole *p = &b->poles[pole];
        double h[HEAT_STATES], width[HEAT_STATES];
        pole_heat(b, pole, h);
        pole_width(b, pole, width);
        codec_put_f64(out, p->amps);
        codec_put_f64(out, p->upper_share);
        put_array(out, h, HEAT_STATES);
        put_array(out, p->top, HEAT_TAUS);
        put_array(out, width, HEAT_STATES);
    }
}

void breakers_save(const struct breakers *b, struct codec_out *out)
{
    codec_put_u32(out, STATE_VERSION);
    codec_put_i64(out, b->wall_ms);
    for (size_t i = 0; i < b->site->circuit_count; i++) {
        if (b->poles[b->site->circuits[i].first_pole].h_ms == NEVER_MS)
            continue; /* never read */
        size_t begun = codec_begin(out, 1);
        put_circuit(b, i, out);
        codec_end(out, begun);
    }
}

static void get_array(struct codec_in *in, double *a, int count)
{
    for (int i = 0; i < count; i++) {
        a[i] = codec_get_f64(in);
        if (a[i] < 0.0 || a[i] > 1e6)
            in->failed = true;
    }
}

static bool get_circuit(struct codec_in *in, struct saved *s)
{
    memset(s, 0, sizeof *s);
    codec_get_string(in, s->id, sizeof s->id);
    s->rating_amps = codec_get_f64(in);
    s->tau_least = codec_get_f64(in);
    s->tau_most = codec_get_f64(in);
    get_array(in, s->held, HEAT_TAUS);
    s->has_learned = codec_get_u8(in) != 0;
    if (s->has_learned) {
        for (int t = 0; t < HEAT_TAUS; t++)
            for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
                s->learned.at[t][j] = codec_get_f32(in);
                in->failed |= s->learned.at[t][j] < 0.0F;
            }
        s->learned.never = codec_get_f32(in);
        in->failed |= s->learned.never < 0.0F;
    }
    s->poles = codec_get_u8(in);
    in->failed |= s->poles > MOST_POLES;
    for (int k = 0; k < s->poles && !in->failed; k++) {
        s->pole[k].amps = codec_get_f64(in);
        s->pole[k].upper_share = codec_get_f64(in);
        get_array(in, s->pole[k].h, HEAT_STATES);
        get_array(in, s->pole[k].top, HEAT_TAUS);
        get_array(in, s->pole[k].width, HEAT_STATES);
    }
    return !in->failed && s->rating_amps > 0.0 && s->tau_least > 0.0 &&
           s->tau_most > s->tau_least;
}

/* ---- a circuit that was rated or ruled otherwise when it was saved
 * --------------------------- */

/* where tau number i of now lies among those of then, 0 .. HEAT_TAUS - 1 */
static double tau_place(const struct saved *s, double tau)
{
    double at = log(tau / s->tau_least) / log(s->tau_most / s->tau_least) * (HEAT_TAUS - 1);
    return fmin(HEAT_TAUS - 1, fmax(0.0, at));
}

/* the heat is in multiples of the rating squared: the amps behind it stay the same */
static void move_heat(const struct saved *s, const struct circuit *c, double *a, int count)
{
    double then[HEAT_TAUS], scale = s->rating_amps * s->rating_amps * c->q_per_amps2;
    memcpy(then, a, sizeof then);
    for (int i = 0; i < HEAT_TAUS; i++) {
        double at = tau_place(s, c->class->bank.tau[i]);
        int n = at >= HEAT_TAUS - 1 ? HEAT_TAUS - 2 : (int)at;
        a[i] = scale * (then[n] + (at - n) * (then[n + 1] - then[n]));
    }
    if (count == HEAT_STATES) /* the enclosure is the same for all */
        a[HEAT_TAUS] *= scale;
}

static float factor_at(const struct saved *s, double tau_at, double level_at)
{
    int n = tau_at >= HEAT_TAUS - 1 ? HEAT_TAUS - 2 : (int)tau_at;
    double level = fmin(HYPOTHESES_LEVELS - 1, fmax(0.0, level_at));
    int j = level >= HYPOTHESES_LEVELS - 1 ? HYPOTHESES_LEVELS - 2 : (int)level;
    double x = tau_at - n, y = level - j;
    const float(*at)[HYPOTHESES_LEVELS] = s->learned.at;
    return (float)((1 - x) * ((1 - y) * at[n][j] + y * at[n][j + 1]) +
                   x * ((1 - y) * at[n + 1][j] + y * at[n + 1][j + 1]));
}

static void move_to(struct saved *s, const struct circuit *c)
{
    const double *tau = c->class->bank.tau;
    bool same = s->rating_amps == c->rating_amps && s->tau_least == tau[0] &&
                s->tau_most == tau[HEAT_TAUS - 1];
    if (same)
        return;
    struct hypotheses_grid moved = {.never = s->learned.never};
    double levels = 2.0 * log(c->rating_amps / s->rating_amps) / HYPOTHESES_LN_STEP;
    for (int i = 0; i < HEAT_TAUS; i++)
        for (int j = 0; j < HYPOTHESES_LEVELS; j++)
            moved.at[i][j] = factor_at(s, tau_place(s, tau[i]), j + levels);
    s->learned = moved;
    move_heat(s, c, s->held, HEAT_TAUS);
    for (int k = 0; k < s->poles; k++) {
        move_heat(s, c, s->pole[k].h, HEAT_STATES);
        move_heat(s, c, s->pole[k].top, HEAT_TAUS);
        move_heat(s, c, s->pole[k].width, HEAT_STATES);
    }
}

/* ---- loading
 * --------------------------------------------------------------------------------- */

static bool take_circuit(struct breakers *b, struct saved *s)
{
    int circuit = site_find_circuit(b->site, s->id);
    if (circuit < 0)
        return true; /* the site no longer has it */
    const struct site_circuit *sc = &b->site->circuits[circuit];
    struct circuit *c = &b->circuits[circuit];
    move_to(s, c);
    memcpy(c->held, s->held, sizeof c->held);
    c->lessons++;
    if (s->has_learned) {
        if (!c->learned)
            c->learned = malloc(sizeof *c->learned);
        if (!c->learned)
            return false;
        *c->learned = s->learned;
    }
    for (int k = 0; k < s->poles && k < sc->poles; k++) {
        struct pole *p = &b->poles[sc->first_pole + k];
        p->amps = s->pole[k].amps;
        p->upper_share = s->pole[k].upper_share;
        memcpy(p->h, s->pole[k].h, sizeof p->h);
        memcpy(p->top, s->pole[k].top, sizeof p->top);
        p->warmed = true;
        memcpy(p->width, s->pole[k].width, sizeof p->width);
        p->wide = p->loaded = true;
    }
    return true;
}

bool breakers_load(struct breakers *b, struct codec_in *in)
{
    uint32_t tag;
    struct codec_in section, first;
    struct saved s;
    if (codec_get_u32(in) != STATE_VERSION)
        return false;
    int64_t wall_ms = codec_get_i64(in);
    first = *in;
    while (codec_next(in, &tag, &section)) /* once to look, so that damage changes nothing */
        if (tag == 1 && !get_circuit(&section, &s))
            return false;
    if (in->failed)
        return false;
    while (codec_next(&first, &tag, &section))
        if (tag == 1 && get_circuit(&section, &s) && !take_circuit(b, &s))
            return false;
    b->saved_wall_ms = wall_ms;
    return true;
}
