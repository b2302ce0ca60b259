#include "step_sizes.h"

#include <math.h>
#include <string.h>

#define BINS_AN_OCTAVE 32.0
#define LIKE_SHARE 0.02       /* loads repeat themselves so exactly, */
#define LIKE_LEAST_AMPS 0.012 /* and readings this */
#define STATE_VERSION 1U

static double octaves(double amps)
{
    return log2(fmax(amps, STEP_SIZES_LEAST_AMPS) / STEP_SIZES_LEAST_AMPS);
}

static int bin_of(double amps)
{
    int k = (int)floor(BINS_AN_OCTAVE * octaves(amps));
    return k < STEP_SIZES_BINS ? k : STEP_SIZES_BINS - 1;
}

void step_sizes_down(struct step_sizes *s, double amps, double weight)
{
    if (amps >= STEP_SIZES_LEAST_AMPS)
        s->down[bin_of(amps)] += (float)weight;
}

void step_sizes_up(struct step_sizes *s, double amps, double weight)
{
    if (amps >= STEP_SIZES_LEAST_AMPS)
        s->up[bin_of(amps)] += (float)weight;
}

static double like(const float *bins, double amps)
{
    double middle = BINS_AN_OCTAVE * octaves(amps), sum = 0.0;
    double width =
        BINS_AN_OCTAVE * log2(1.0 + hypot(LIKE_SHARE, LIKE_LEAST_AMPS / fmax(amps, 1e-3)));
    for (int k = 0; k < STEP_SIZES_BINS; k++) {
        double z = ((double)k + 0.5 - middle) / width;
        if (bins[k] > 0.0F && fabs(z) < 4.0)
            sum += (double)bins[k] * exp(-0.5 * z * z);
    }
    return sum;
}

double step_sizes_downs_like(const struct step_sizes *s, double amps)
{
    return like(s->down, amps);
}

double step_sizes_ups_like(const struct step_sizes *s, double amps)
{
    return like(s->up, amps);
}

void step_sizes_fade(struct step_sizes *s, float share)
{
    for (int k = 0; k < STEP_SIZES_BINS; k++) {
        s->down[k] *= share;
        s->up[k] *= share;
    }
}

static void put(struct codec_out *out, const float *from, int count)
{
    for (int k = 0; k < count; k++)
        codec_put_f32(out, from[k]);
}

static void get(struct codec_in *in, float *to, int count)
{
    for (int k = 0; k < count; k++) {
        to[k] = codec_get_f32(in);
        if (to[k] < 0.0F)
            in->failed = true;
    }
}

void step_sizes_save(const struct step_sizes *s, struct codec_out *out)
{
    codec_put_u32(out, STATE_VERSION);
    put(out, s->down, STEP_SIZES_BINS);
    put(out, s->up, STEP_SIZES_BINS);
}

bool step_sizes_load(struct step_sizes *s, struct codec_in *in)
{
    bool ok = codec_get_u32(in) == STATE_VERSION;
    memset(s, 0, sizeof *s);
    if (ok) {
        get(in, s->down, STEP_SIZES_BINS);
        get(in, s->up, STEP_SIZES_BINS);
    }
    if (!ok || in->failed)
        memset(s, 0, sizeof *s);
    return ok && !in->failed;
}
