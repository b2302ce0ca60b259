#include "stillness.h"

#include "model/site.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FLOOR_AMPS 1e-3 /* what meters resolve at best; a reading of nothing has a log too */
#define USUAL_POLLS 8.0 /* readings' worth of the usual kurtosis beside what was read */

/* lost supplies that are back at once, before anything that shows is on */
#define BACK_UNSEEN 0.05
#define HALF_SURE_POLLS 90.0 /* what stands by takes its time to settle; fitted */

/* A level, on a log scale. */
#define WIDTH 0.02         /* from one time to the next, however many readings */
#define BROAD_MEAN (-5.0)  /* where nothing is known: 7 mA, */
#define BROAD_WIDTH 2.0    /* or seven times as much, or as little */
#define APART 0.1          /* so far apart two are told apart; where they are, */
#define LEAST_TELLING 0.75 /* nine of ten lost supplies read more clearly; fitted */

/* Where nothing stands by: */
#define EMPTY_SHARE 0.1       /* so rarely is that so on each */
#define EMPTY_CIRCUITS 3      /* of so many circuits, */
#define EMPTY_ALIKE 0.12      /* within so much */
#define EMPTY_WIDTH 0.04      /* from circuit to circuit */
#define BELOW_EMPTY 0.7       /* a lost supply reads less by this, if it does; */
#define ABOVE_EMPTY 0.2       /* so much more */
#define ABOVE_EMPTY_RARE 0.05 /* hardly, */
#define BELOW_EMPTY_RARE 0.1  /* and less, with the loads off, hardly */

#define GUESSED 0.8       /* what it counts before a lost supply was surely read here, */
#define MOST_GUESSED 0.85 /* and no more than this */
#define PRIOR_LOST 0.5    /* levels learned that weigh as much as what is known before: */
#define PRIOR_OFF 5.0     /* a meter stays the same, what stands by does not */

/* Settling. */
#define ROUNDS 4
#define SURELY 0.9
#define MOST_ODDS 20.0
#define LEAST_ODDS (-8.0)   /* no other evidence is trusted further against a lost supply, */
#define DOUBTED_ODDS (-1.0) /* nor so far where it reads as none but a lost one does, */
#define MOST_RATIO 12.0     /* and no level further for one */
#define OUT_OF_REACH 6.0    /* standard deviations: no more is added */

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

static double chance(double odds)
{
    return 1.0 / (1.0 + exp(-odds));
}

void stillness_learn(struct stillness *s, const struct stillness_seen *seen, double odds)
{
    int polls = STILLNESS_LEAST_POLLS << seen->marks >> 1;
    if (polls < STILLNESS_LEARN_POLLS)
        return;
    uint32_t k = s->count++ % STILLNESS_PAST;
    s->level[k] = (float)level_seen(seen);
    s->unsure[k] = seen->unsure[seen->marks - 1];
    s->odds[k] = (float)fmin(fmax(odds, -MOST_ODDS), MOST_ODDS);
    s->lost[k] = (float)chance((double)s->odds[k]);
}

/* by the variance: most levels lie out of reach, and need no root */
static double normal(double x, double mean, double variance)
{
    double apart = (x - mean) * (x - mean);
    return apart > OUT_OF_REACH * OUT_OF_REACH * variance
               ? 0.0
               : exp(-0.5 * apart / variance) / sqrt(2.0 * M_PI * variance);
}

static uint32_t known(const struct stillness *s)
{
    return s->count < STILLNESS_PAST ? s->count : STILLNESS_PAST;
}

static void drop(struct stillness *s, uint32_t k)
{
    uint32_t last = known(s) - 1;
    s->level[k] = s->level[last];
    s->unsure[k] = s->unsure[last];
    s->odds[k] = s->odds[last];
    s->lost[k] = s->lost[last];
    s->count = last;
}

struct stillness stillness_without(const struct stillness *s, const struct stillness_seen *seen)
{
    struct stillness rest = *s;
    for (uint32_t k = 0; k < known(s) && seen->marks > 0; k++)
        if (s->level[k] == (float)level_seen(seen) &&
            s->unsure[k] == seen->unsure[seen->marks - 1]) {
            drop(&rest, k);
            break;
        }
    return rest;
}

/* One level, and the one among those learned that is not to count: itself. */
struct level {
    double ln, unsure;
    bool learned;
};

/* What the levels of one list add to a density at *x: those of lost supplies, or the others. */
struct mass {
    double sum, count;
};

static void add(struct mass *m, const struct stillness *s, bool lost, const struct level *x)
{
    for (uint32_t k = 0; k < known(s); k++) {
        double unsure = (double)s->unsure[k], level = (double)s->level[k];
        if (x->learned && level == x->ln && unsure == x->unsure)
            continue;
        double weight = lost ? (double)s->lost[k] : 1.0 - (double)s->lost[k];
        double variance = WIDTH * WIDTH + x->unsure * x->unsure + unsure * unsure;
        m->count += weight;
        m->sum += weight * normal(x->ln, level, variance);
    }
}

/* Beside a prior that counts as much as so many levels. */
static double weighed(struct mass m, double prior, double count)
{
    return (m.sum + count * prior) / (m.count + count);
}

static double broad(const struct level *x)
{
    return normal(x->ln, BROAD_MEAN, BROAD_WIDTH * BROAD_WIDTH);
}

static double as_empty(double empty, const struct level *x)
{
    return isnan(empty)
               ? broad(x)
               : normal(x->ln, empty, x->unsure * x->unsure + EMPTY_WIDTH * EMPTY_WIDTH);
}

/* Where nothing is known of this circuit: anything, but hardly less than an empty one. */
static double off_before(double empty, const struct level *x)
{
    return broad(x) * (x->ln < empty ? BELOW_EMPTY_RARE : 1.0);
}

/* Before a lost supply was read: as still as an empty circuit, or stiller. */
static double lost_before(double empty, const struct level *x)
{
    if (isnan(empty))
        return broad(x);
    double below = empty - x->ln, z = below / x->unsure;
    double falls_off = below > 0.0 ? exp(-below / BELOW_EMPTY) : exp(-0.5 * z * z);
    return (2.0 * as_empty(empty, x) + falls_off / BELOW_EMPTY) / 3.0;
}

/* Density of that level where a supply was lost. What reads clearly more than an empty circuit
 * was reset, and nobody saw it, or was none. */
static double lost_density(const struct stillness_known *k, const struct level *x)
{
    struct mass m = {0};
    add(&m, k->lost, true, x);
    add(&m, k->off_elsewhere, true, x);
    return weighed(m, lost_before(k->empty, x), PRIOR_LOST) *
           (x->ln > k->empty + ABOVE_EMPTY ? ABOVE_EMPTY_RARE : 1.0);
}

/* And where the loads of the circuit were off: other loads may stand by than did so far, as on
 * another circuit; or none at all. */
static double off_density(const struct stillness_known *k, const struct level *x)
{
    struct mass here = {0}, there = {0};
    double before = off_before(k->empty, x);
    add(&here, k->off, false, x);
    add(&there, k->off_elsewhere, false, x);
    double elsewhere = there.count > 0.0 ? there.sum / there.count : before;
    /* not known: it may read as a lost supply does, the less its own levels are known */
    double as_lost = exp(-here.count);
    double empty = isnan(k->empty) ? before + as_lost * (lost_density(k, x) - before)
                                   : as_empty(k->empty, x);
    return weighed(here, (before + elsewhere + empty) / 3.0, PRIOR_OFF);
}

/* The same on any circuit. */
static double off_site_density(const struct stillness_known *k, const struct level *x)
{
    struct mass m = {0};
    add(&m, k->off_elsewhere, false, x);
    add(&m, k->lost, false, x);
    return weighed(m, (off_before(k->empty, x) + as_empty(k->empty, x)) / 2.0, PRIOR_OFF);
}

static int by_size(const void *a, const void *b)
{
    float x = *(const float *)a, y = *(const float *)b;
    return (x > y) - (x < y);
}

/* The level below which that share of the likely ones lies, of lost supplies or of the others;
 * NaN: there are none. */
static double quantile(const struct stillness *s, bool lost, double share)
{
    float sorted[STILLNESS_PAST] = {0};
    uint32_t n = 0;
    for (uint32_t k = 0; k < known(s); k++)
        if ((s->lost[k] >= 0.5F) == lost)
            sorted[n++] = s->level[k];
    qsort(sorted, n, sizeof *sorted, by_size);
    return n ? (double)sorted[(uint32_t)(share * n)] : (double)NAN;
}

/* The lowest level that enough circuits have in common; NaN: none. */
static double empty_level(struct stillness *const off[], size_t circuits)
{
    float lowest[SITE_MAX_CIRCUITS] = {0};
    size_t n = 0;
    for (size_t i = 0; i < circuits; i++) {
        double level = quantile(off[i], false, EMPTY_SHARE);
        if (!isnan(level))
            lowest[n++] = (float)level;
    }
    qsort(lowest, n, sizeof *lowest, by_size);
    for (size_t i = 0; i + EMPTY_CIRCUITS <= n; i++)
        if ((double)(lowest[i + EMPTY_CIRCUITS - 1] - lowest[i]) < EMPTY_ALIKE)
            return (double)lowest[i + EMPTY_CIRCUITS / 2];
    return (double)NAN;
}

static bool lost_is_known(const struct stillness *lost)
{
    for (uint32_t k = 0; k < known(lost); k++)
        if ((double)lost->lost[k] > SURELY)
            return true;
    return false;
}

/* Up to which level nothing reads but a lost supply: a breaker that opens again and again at
 * the same load teaches otherwise. Where lost supplies are not known to read less than empty
 * circuits do: minus infinity. */
static double telling_level(const struct stillness *lost, double empty)
{
    double known_lost = quantile(lost, true, 0.5);
    return lost_is_known(lost) && known_lost < empty - APART ? known_lost + APART
                                                             : -(double)INFINITY;
}

static void begin(struct stillness *s, double telling)
{
    for (uint32_t i = 0; i < known(s); i++) {
        double other = chance((double)s->odds[i]);
        s->lost[i] = (float)((double)s->level[i] < telling ? fmax(other, 0.5) : other);
    }
}

/* How likely each level of a list was read with the supply lost, by what is known of all. */
static void settle(struct stillness *s, const struct stillness_known *k, double telling)
{
    for (uint32_t i = 0; i < known(s); i++) {
        const struct level x = {(double)s->level[i], (double)s->unsure[i], true};
        double least = x.ln < telling ? DOUBTED_ODDS : LEAST_ODDS;
        double ratio = log(lost_density(k, &x) / off_site_density(k, &x));
        double odds = fmax((double)s->odds[i], least) + fmin(ratio, MOST_RATIO);
        s->lost[i] = (float)chance(odds);
    }
}

double stillness_settle(struct stillness *lost, struct stillness *off_elsewhere,
                        struct stillness *const off[], size_t circuits)
{
    double nothing = -(double)INFINITY;
    begin(lost, nothing);
    begin(off_elsewhere, nothing);
    for (size_t i = 0; i < circuits; i++)
        begin(off[i], nothing);
    double empty = empty_level(off, circuits), telling = telling_level(lost, empty);
    begin(lost, telling);
    begin(off_elsewhere, telling);
    for (size_t i = 0; i < circuits; i++)
        begin(off[i], telling);
    for (int round = 0; round < ROUNDS; round++) {
        const struct stillness before[] = {*lost, *off_elsewhere};
        const struct stillness_known k = {&before[0], NULL, &before[1], empty};
        settle(lost, &k, telling);
        settle(off_elsewhere, &k, telling);
    }
    /* no other level hangs on these: once is enough */
    const struct stillness_known k = {lost, NULL, off_elsewhere, empty};
    for (size_t i = 0; i < circuits; i++)
        settle(off[i], &k, telling);
    return empty_level(off, circuits);
}

bool stillness_knows(const struct stillness_known *k)
{
    return k->off->count > 0 && lost_is_known(k->lost);
}

bool stillness_guesses(const struct stillness_known *k)
{
    return k->off->count + k->off_elsewhere->count > 0;
}

static double mean_off(const struct stillness *s)
{
    double sum = 0.0, count = 0.0;
    for (uint32_t k = 0; k < known(s); k++) {
        sum += (1.0 - (double)s->lost[k]) * (double)s->level[k];
        count += 1.0 - (double)s->lost[k];
    }
    return count > 0.0 ? sum / count : (double)NAN;
}

/* How well the two kinds of level can be told apart here, 0 to 1. */
static double tells(const struct stillness_known *k)
{
    double off = mean_off(k->off), lost = quantile(k->lost, true, 0.5);
    double apart = ((isnan(off) ? k->empty : off) - lost) / APART;
    return isnan(apart) ? 0.0 : 1.0 - exp(-apart * apart);
}

double stillness_log_ratio(const struct stillness_known *k, const struct stillness_seen *seen,
                           int mark)
{
    if (k->lost->count + k->off->count + k->off_elsewhere->count == 0)
        return 0.0;
    const struct level x = {level_of((double)seen->rms[mark]), (double)seen->unsure[mark],
                            false};
    double polls = STILLNESS_LEAST_POLLS << mark;
    double off = off_density(k, &x), lost = lost_density(k, &x);
    lost += BACK_UNSEEN * (off - lost);
    double ratio = log(lost / off) - LEAST_TELLING * tells(k);
    if (!lost_is_known(k->lost))
        ratio = fmin(GUESSED * ratio, MOST_GUESSED);
    return ratio * polls / (polls + HALF_SURE_POLLS);
}

void stillness_save(const struct stillness *s, struct codec_out *out)
{
    codec_put_u32(out, s->count);
    for (int k = 0; k < STILLNESS_PAST; k++) {
        codec_put_f32(out, s->level[k]);
        codec_put_f32(out, s->unsure[k]);
        codec_put_f32(out, s->odds[k]);
    }
}

bool stillness_load(struct stillness *s, struct codec_in *in, bool with_odds, double odds)
{
    s->count = codec_get_u32(in);
    for (int k = 0; k < STILLNESS_PAST; k++) {
        s->level[k] = codec_get_f32(in);
        s->unsure[k] = codec_get_f32(in);
        s->odds[k] = with_odds                ? codec_get_f32(in)
                     : (uint32_t)k < known(s) ? (float)odds
                                              : 0.0F;
        s->lost[k] = (uint32_t)k < known(s) ? (float)chance((double)s->odds[k]) : 0.0F;
        if (!(s->unsure[k] >= 0.0F) || !isfinite(s->odds[k]))
            in->failed = true;
    }
    if (in->failed)
        memset(s, 0, sizeof *s);
    return !in->failed;
}
