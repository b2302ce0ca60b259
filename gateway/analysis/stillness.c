#include "stillness.h"

#include <math.h>
#include <string.h>

#define FLOOR_AMPS 1e-3 /* what meters resolve at best; a reading of nothing has a log too */
#define UNSURE_ONE_POLL                                                                        \
    1.5                 /* of a level's log from one reading; falls with their square root */
#define BACK_UNSEEN 0.1 /* of lost supplies are back before anything that shows is on */
#define HALF_SURE_POLLS 120.0 /* what stands by takes its time to settle; fitted */
#define WIDTH 0.02            /* from one time to the next, however many readings */
#define BROAD_MEAN (-5.0)     /* where nothing is known: 7 mA, */
#define BROAD_WIDTH 2.0       /* or seven times as much, or as little */
#define PRIOR_LOST 0.25       /* levels learned that weigh as much as what is known before: */
#define PRIOR_OFF 2.0         /* a meter stays the same, what stands by does not */

static double level_of(double rms)
{
    return log(hypot(rms, FLOOR_AMPS));
}

static double unsure_of(int polls)
{
    return UNSURE_ONE_POLL / sqrt((double)polls);
}

void stillness_learn(struct stillness *s, double rms, int polls)
{
    if (polls < STILLNESS_LEARN_POLLS)
        return;
    s->level[s->count % STILLNESS_PAST] = (float)level_of(rms);
    s->unsure[s->count++ % STILLNESS_PAST] = (float)unsure_of(polls);
}

static double normal(double x, double mean, double spread)
{
    double z = (x - mean) / spread;
    return exp(-0.5 * z * z) / (spread * sqrt(2.0 * M_PI));
}

static uint32_t known(const struct stillness *s)
{
    return s->count < STILLNESS_PAST ? s->count : STILLNESS_PAST;
}

/* Density of that level by what was learned; nothing known: anything. */
static double learned(const struct stillness *s, double level, double unsure, double broad)
{
    uint32_t n = known(s);
    double sum = 0.0;
    for (uint32_t k = 0; k < n; k++) {
        double spread =
            sqrt(WIDTH * WIDTH + unsure * unsure + (double)s->unsure[k] * (double)s->unsure[k]);
        sum += normal(level, (double)s->level[k], spread);
    }
    return n ? sum / n : broad;
}

/* What was learned from n levels beside a prior that counts as much as so many. */
static double weighed(double learned, uint32_t n, double prior, double count)
{
    return (n * learned + count * prior) / (n + count);
}

bool stillness_knows(const struct stillness_known *k)
{
    return k->lost->count > 0 && k->off->count > 0;
}

double stillness_log_ratio(const struct stillness_known *k, double rms, int polls)
{
    if (polls < STILLNESS_LEAST_POLLS || k->lost->count + k->off->count == 0)
        return 0.0;
    double level = level_of(rms), unsure = unsure_of(polls);
    double broad = normal(level, BROAD_MEAN, BROAD_WIDTH);
    double lost = learned(k->lost, level, unsure, broad);
    double off = learned(k->off, level, unsure, broad);
    double elsewhere = learned(k->off_elsewhere, level, unsure, broad);
    /* other loads may stand by than did so far, as on another circuit; or none at all */
    double off_now = weighed(off, known(k->off), (broad + elsewhere + lost) / 3.0, PRIOR_OFF);
    double lost_now = weighed(lost, known(k->lost), (broad + off) / 2.0, PRIOR_LOST);
    lost_now += BACK_UNSEEN * (off_now - lost_now);
    return log(lost_now / off_now) * polls / (polls + HALF_SURE_POLLS);
}

void stillness_save(const struct stillness *s, struct codec_out *out)
{
    codec_put_u32(out, s->count);
    for (int k = 0; k < STILLNESS_PAST; k++) {
        codec_put_f32(out, s->level[k]);
        codec_put_f32(out, s->unsure[k]);
    }
}

bool stillness_load(struct stillness *s, struct codec_in *in)
{
    s->count = codec_get_u32(in);
    for (int k = 0; k < STILLNESS_PAST; k++) {
        s->level[k] = codec_get_f32(in);
        s->unsure[k] = codec_get_f32(in);
        if (!(s->unsure[k] >= 0.0F))
            in->failed = true;
    }
    if (in->failed)
        memset(s, 0, sizeof *s);
    return !in->failed;
}
