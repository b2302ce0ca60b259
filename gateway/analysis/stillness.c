#include "stillness.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FLOOR_AMPS 1e-3 /* what meters resolve at best; a reading of nothing has a log too */
#define USUAL_POLLS 8.0 /* readings' worth of the usual kurtosis beside what was read */
#define BACK_UNSEEN                                                                            \
    0.05 /* of lost supplies are back at once, before anything that shows is on */
#define HALF_SURE_POLLS 90.0 /* what stands by takes its time to settle; fitted */
#define WIDTH 0.02           /* from one time to the next, however many readings */
#define BROAD_MEAN (-5.0)    /* where nothing is known: 7 mA, */
#define BROAD_WIDTH 2.0      /* or seven times as much, or as little */
#define APART 0.1            /* levels so far apart, on a log scale, are told apart */
#define LEAST_TELLING                                                                          \
    0.75            /* where they are, nine of ten lost supplies read more clearly; fitted */
#define GUESSED 0.5 /* what it counts before a lost supply was read here */
#define PRIOR_LOST 0.25  /* levels learned that weigh as much as what is known before: */
#define PRIOR_OFF 3.0    /* a meter stays the same, what stands by does not */
#define EMPTY_SHARE 0.1  /* of the times that loads were off nothing at all stood by */
#define EMPTY_LEAST 3    /* times, before that is known */
#define EMPTY_WIDTH 0.04 /* from circuit to circuit */
#define DOUBTFUL_COUNTS 0.05
#define DOUBTED_FROM 3     /* levels of what stands by, */
#define DOUBTED_SHARE 0.25 /* and this share of all, before the still ones are doubted */
#define BELOW_EMPTY 0.7    /* a lost supply reads less by this, on a log scale, if it does */

static double level_of(double rms)
{
    return log(hypot(rms, FLOOR_AMPS));
}

/* Standard deviation of the log of the root of a mean square: half that of the mean square. */
static double unsure_of(double square, double fourth, int polls)
{
    double n = polls, kurtosis = STILLNESS_USUAL_KURTOSIS;
    if (square > 0.0)
        kurtosis =
            (n * n * fourth / (square * square) + USUAL_POLLS * kurtosis) / (n + USUAL_POLLS);
    return 0.5 * sqrt(fmax(kurtosis - 1.0, 0.0) / n);
}

void stillness_see(struct stillness_seen *seen, double square, double fourth, int polls)
{
    while (seen->marks < STILLNESS_MARKS && polls >= STILLNESS_LEAST_POLLS << seen->marks) {
        seen->rms[seen->marks] = (float)sqrt(square / polls);
        seen->unsure[seen->marks++] = (float)unsure_of(square, fourth, polls);
    }
}

/* What was seen, to its last mark, as it is learned. */
static double level_seen(const struct stillness_seen *seen)
{
    return level_of((double)seen->rms[seen->marks - 1]);
}

void stillness_learn(struct stillness *s, const struct stillness_seen *seen)
{
    int polls = STILLNESS_LEAST_POLLS << seen->marks >> 1;
    if (polls < STILLNESS_LEARN_POLLS)
        return;
    s->level[s->count % STILLNESS_PAST] = (float)level_seen(seen);
    s->unsure[s->count++ % STILLNESS_PAST] = seen->unsure[seen->marks - 1];
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

struct stillness stillness_without(const struct stillness *s, const struct stillness_seen *seen)
{
    struct stillness rest = *s;
    uint32_t n = known(s);
    for (uint32_t k = 0; k < n && seen->marks > 0; k++) {
        if (s->level[k] != (float)level_seen(seen) ||
            s->unsure[k] != seen->unsure[seen->marks - 1])
            continue;
        rest.count = n - 1;
        rest.level[k] = s->level[n - 1];
        rest.unsure[k] = s->unsure[n - 1];
        break;
    }
    return rest;
}

/* Density of that level by what was learned; nothing known: anything. Levels outside `from` and
 * `to` count little. *count: how many that is worth. */
static double learned(const struct stillness *s, double from, double to, double level,
                      double unsure, double broad, double *count)
{
    double sum = 0.0;
    *count = 0.0;
    for (uint32_t k = 0; k < known(s); k++) {
        double spread =
            sqrt(WIDTH * WIDTH + unsure * unsure + (double)s->unsure[k] * (double)s->unsure[k]);
        bool doubtful = (double)s->level[k] <= from || (double)s->level[k] > to;
        double weight = doubtful ? DOUBTFUL_COUNTS : 1.0;
        *count += weight;
        sum += weight * normal(level, (double)s->level[k], spread);
    }
    return *count > 0.0 ? sum / *count : broad;
}

/* What was learned from n levels beside a prior that counts as much as so many. */
static double weighed(double learned, double n, double prior, double count)
{
    return (n * learned + count * prior) / (n + count);
}

bool stillness_knows(const struct stillness_known *k)
{
    return k->lost->count > 0 && k->off->count > 0;
}

bool stillness_guesses(const struct stillness_known *k)
{
    return k->off->count + k->off_elsewhere->count > 0;
}

static double mean_of(const struct stillness *s)
{
    double sum = 0.0;
    for (uint32_t k = 0; k < known(s); k++)
        sum += (double)s->level[k];
    return sum / known(s);
}

static int by_size(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

/* The level below which that share of what was learned lies; something was. */
static double quantile(const struct stillness *s, double share)
{
    float sorted[STILLNESS_PAST];
    uint32_t n = known(s);
    memcpy(sorted, s->level, n * sizeof *sorted);
    qsort(sorted, n, sizeof *sorted, by_size);
    return (double)sorted[(uint32_t)(share * n)];
}

/* A circuit that mostly shows what stands by, and now and then reads as still as one without
 * its supply, has lost it then, and nobody knew: a breaker that opens again and again. Up to
 * which level; minus infinity: none. */
static double doubtful_level(const struct stillness_known *k)
{
    uint32_t above = 0, n = known(k->off);
    if (known(k->lost) == 0)
        return -(double)INFINITY;
    double lost = quantile(k->lost, 0.5) + APART;
    for (uint32_t i = 0; i < n; i++)
        above += (double)k->off->level[i] > lost + APART;
    return above >= DOUBTED_FROM && above >= DOUBTED_SHARE * n ? lost : -(double)INFINITY;
}

/* The level read on this site when nothing at all stands by; NaN: not known yet. */
static double empty_level(const struct stillness *off)
{
    return known(off) < EMPTY_LEAST ? (double)NAN : quantile(off, EMPTY_SHARE);
}

/* How well the two kinds of level can be told apart here, 0 to 1. */
static double tells(const struct stillness_known *k, double empty)
{
    double off = known(k->off) ? mean_of(k->off) : empty;
    if (known(k->lost) == 0 || isnan(off))
        return 0.0;
    double apart = (off - quantile(k->lost, 0.5)) / APART;
    return 1.0 - exp(-apart * apart);
}

/* Before a lost supply was read: as still as an empty circuit, or stiller. */
static double as_empty_or_below(double level, double unsure, double empty, double as_empty)
{
    double below = empty - level, z = below / unsure;
    double falls_off = below > 0.0 ? exp(-below / BELOW_EMPTY) : exp(-0.5 * z * z);
    return (2.0 * as_empty + falls_off / BELOW_EMPTY) / 3.0;
}

double stillness_log_ratio(const struct stillness_known *k, const struct stillness_seen *seen,
                           int mark)
{
    if (k->lost->count + k->off->count + k->off_elsewhere->count == 0)
        return 0.0;
    double polls = STILLNESS_LEAST_POLLS << mark, level = level_of((double)seen->rms[mark]);
    double unsure = (double)seen->unsure[mark];
    double broad = normal(level, BROAD_MEAN, BROAD_WIDTH);
    double empty = empty_level(k->off_elsewhere);
    double as_empty = isnan(empty) ? broad : normal(level, empty, hypot(unsure, EMPTY_WIDTH));
    double lost_before =
        isnan(empty) ? broad : as_empty_or_below(level, unsure, empty, as_empty);
    double least = -(double)INFINITY, most = (double)INFINITY, lost_count, off_count, unused;
    /* what read clearly more than lost supplies mostly do was reset, and nobody saw it */
    double reset = known(k->lost) ? quantile(k->lost, 0.5) + 2.0 * APART : most;
    double lost = learned(k->lost, least, reset, level, unsure, broad, &lost_count);
    double off = learned(k->off, doubtful_level(k), most, level, unsure, broad, &off_count);
    double elsewhere = learned(k->off_elsewhere, least, most, level, unsure, broad, &unused);
    /* other loads may stand by than did so far, as on another circuit; or none at all */
    double off_now = weighed(off, off_count, (broad + elsewhere + as_empty) / 3.0, PRIOR_OFF);
    double lost_now = weighed(lost, lost_count, lost_before, PRIOR_LOST);
    lost_now += BACK_UNSEEN * (off_now - lost_now);
    double ratio = log(lost_now / off_now) - LEAST_TELLING * tells(k, empty);
    return (known(k->lost) ? 1.0 : GUESSED) * ratio * polls / (polls + HALF_SURE_POLLS);
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
