#include "summary.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define GAP_SHARE 2.5 /* of the usual interval: from here on readings are missing */
#define MINUTE_MS INT64_C(60000)
#define TENTH_MS 100
#define LEVEL 3 /* of zstd: a piece is written some hundred times in its life */
#define FIELDS 5

static const struct {
    int64_t span_ms;
    size_t count;
} levels[SUMMARY_LEVELS] = {
    [SUMMARY_MINUTE] = {MINUTE_MS, 1440},                  /* a day */
    [SUMMARY_QUARTER] = {15 * MINUTE_MS, (size_t)16 * 96}, /* 16 days */
    [SUMMARY_HOUR] = {SUMMARY_HOUR_MS, (size_t)32 * 24},   /* 32 days */
    [SUMMARY_DAY] = {SUMMARY_DAY_MS, 128},
};

int64_t summary_span_ms(enum summary_level level)
{
    return levels[level].span_ms;
}

size_t summary_count(enum summary_level level)
{
    return levels[level].count;
}

int64_t summary_piece_ms(enum summary_level level)
{
    return levels[level].span_ms * (int64_t)levels[level].count;
}

int64_t summary_piece(enum summary_level level, int64_t wall_ms)
{
    return wall_ms > 0 ? wall_ms / summary_piece_ms(level) : 0;
}

size_t summary_place(enum summary_level level, int64_t wall_ms)
{
    return wall_ms > 0 ? (size_t)(wall_ms % summary_piece_ms(level) / levels[level].span_ms)
                       : 0;
}

struct summary summary_none(enum summary_level level)
{
    return (struct summary){.least = PACK_NOTHING,
                            .most = PACK_NOTHING,
                            .mean = PACK_NOTHING,
                            .rms = PACK_NOTHING,
                            .missing = (int32_t)(levels[level].span_ms / TENTH_MS)};
}

/* ---- an hour's times ---- */

static int by_size(const void *a, const void *b)
{
    int32_t x = *(const int32_t *)a, y = *(const int32_t *)b;
    return (x > y) - (x < y);
}

/* The median step; steps is changed. Most meters are read on the beat, so that one step is most
 * of them; else some hundred say as much as all. */
static int32_t median(int32_t *steps, size_t n)
{
    size_t stride = n / 200 + 1, kept = 0, same = 0;
    int32_t usual = n > 0 ? steps[n / 2] : 1000;
    for (size_t i = 0; i < n; i++)
        same += steps[i] == usual;
    if (2 * same >= n)
        return usual;
    for (size_t i = 0; i < n; i += stride)
        steps[kept++] = steps[i];
    qsort(steps, kept, sizeof *steps, by_size);
    return steps[kept / 2];
}

/* from..to, ms from the hour's beginning, had no reading: shared out to its minutes */
static void add_missing(struct summary_grid *g, int64_t from, int64_t to)
{
    from = from < 0 ? 0 : from;
    to = to > SUMMARY_HOUR_MS ? SUMMARY_HOUR_MS : to;
    while (from < to) {
        int64_t end = (from / MINUTE_MS + 1) * MINUTE_MS;
        end = end < to ? end : to;
        g->missing_ms[from / MINUTE_MS] += (int32_t)(end - from);
        from = end;
    }
}

static void find_gaps(struct summary_grid *g, const int64_t *times, int64_t hour_ms)
{
    double longest = GAP_SHARE * (double)g->interval_ms;
    int64_t behind = hour_ms;
    for (size_t i = 0; i < g->n; i++) {
        if ((double)(times[i] - behind) > longest)
            add_missing(g, (i ? behind + g->interval_ms : behind) - hour_ms,
                        times[i] - hour_ms);
        behind = times[i];
    }
    int64_t end = hour_ms + SUMMARY_HOUR_MS;
    if (g->n == 0)
        add_missing(g, 0, SUMMARY_HOUR_MS);
    else if ((double)(end - behind) > longest)
        add_missing(g, behind + g->interval_ms - hour_ms, SUMMARY_HOUR_MS);
}

bool summary_grid_init(struct summary_grid *g, const int64_t *times, size_t n, int64_t hour_ms)
{
    *g = (struct summary_grid){.n = n};
    g->weights = malloc((n + 1) * sizeof g->weights[0]);
    if (!g->weights)
        return false;
    for (size_t i = 1; i < n; i++)
        g->weights[i - 1] = (int32_t)(times[i] - times[i - 1]);
    g->interval_ms = median(g->weights, n > 0 ? n - 1 : 0);
    if (g->interval_ms < 1)
        g->interval_ms = 1;
    size_t minute = 0;
    for (size_t i = 0; i < n; i++) {
        assert(times[i] >= hour_ms && times[i] < hour_ms + SUMMARY_HOUR_MS);
        while ((int64_t)minute * MINUTE_MS <= times[i] - hour_ms)
            g->first[minute++] = i;
        int64_t step = i + 1 < n ? times[i + 1] - times[i] : g->interval_ms;
        g->weights[i] =
            (int32_t)((double)step > GAP_SHARE * (double)g->interval_ms ? g->interval_ms
                                                                        : step);
    }
    while (minute <= 60)
        g->first[minute++] = n;
    find_gaps(g, times, hour_ms);
    return true;
}

void summary_grid_free(struct summary_grid *g)
{
    free(g->weights);
    *g = (struct summary_grid){0};
}

/* ---- a minute of its readings ---- */

static int32_t rounded(double v)
{
    return (int32_t)lround(v);
}

static struct summary minute_of(const struct summary_grid *g, const int32_t *values, int m)
{
    struct summary s = summary_none(SUMMARY_MINUTE);
    int64_t sum = 0, weight = 0, none = g->missing_ms[m];
    double squares = 0.0;
    int32_t least = INT32_MAX, most = INT32_MIN;
    for (size_t i = g->first[m]; i < g->first[m + 1]; i++) {
        int32_t v = values[i], w = g->weights[i];
        if (v == PACK_NOTHING) {
            none += w;
            continue;
        }
        least = v < least ? v : least;
        most = v > most ? v : most;
        sum += (int64_t)v * w;
        squares += (double)v * (double)v * (double)w;
        weight += w;
    }
    if (least > most)
        return s;
    s.least = least;
    s.most = most;
    if (least == most || weight == 0) { /* at rest, or all in one ms */
        s.mean = least;
        s.rms = least < 0 ? -least : least;
    } else {
        s.mean = rounded((double)sum / (double)weight);
        s.rms = rounded(sqrt(squares / (double)weight));
    }
    none = none > MINUTE_MS ? MINUTE_MS : none;
    s.missing = (int32_t)(none / TENTH_MS);
    return s;
}

void summary_minutes(const struct summary_grid *g, const int32_t *values,
                     struct summary minutes[60])
{
    for (int m = 0; m < 60; m++)
        minutes[m] = minute_of(g, values, m);
}

struct summary summary_join(enum summary_level level, const struct summary *parts, size_t n)
{
    struct summary s = summary_none(level);
    int64_t span = levels[level].span_ms / (int64_t)n / TENTH_MS, sum = 0, weight = 0;
    double squares = 0.0;
    s.missing = 0;
    for (size_t i = 0; i < n; i++) {
        const struct summary *p = &parts[i];
        s.missing += p->missing;
        if (p->least == PACK_NOTHING)
            continue;
        /* a part whose every tenth is missing, but which has a reading, still counts a little
         */
        int64_t w = span > p->missing ? span - p->missing : 1;
        bool first = s.least == PACK_NOTHING;
        s.least = first || p->least < s.least ? p->least : s.least;
        s.most = first || p->most > s.most ? p->most : s.most;
        sum += p->mean * w;
        squares += (double)p->rms * (double)p->rms * (double)w;
        weight += w;
    }
    if (weight > 0) {
        s.mean = rounded((double)sum / (double)weight);
        s.rms = rounded(sqrt(squares / (double)weight));
    }
    return s;
}

/* ---- as bytes: field by field, each as what it lies above another ---- */

void summary_encode(struct packer *p, enum summary_level level, const struct summary *s,
                    struct codec_out *out)
{
    size_t n = levels[level].count;
    int32_t *all = malloc(FIELDS * n * sizeof *all);
    if (!all) {
        out->failed = true;
        return;
    }
    for (size_t i = 0; i < n; i++) {
        bool none = s[i].least == PACK_NOTHING;
        all[i] = s[i].least;
        all[n + i] = none ? PACK_NOTHING : s[i].most - s[i].least;
        all[2 * n + i] = none ? PACK_NOTHING : s[i].mean - s[i].least;
        all[3 * n + i] = none ? PACK_NOTHING : s[i].rms - abs(s[i].mean);
        all[4 * n + i] = s[i].missing;
    }
    pack_encode(p, all, FIELDS * n, LEVEL, out);
    free(all);
}

bool summary_decode(struct packer *p, enum summary_level level, const uint8_t *bytes,
                    size_t length, struct summary *s)
{
    size_t n = levels[level].count, found;
    const int32_t *all;
    if (!pack_decode(p, bytes, length, &all, &found) || found != FIELDS * n)
        return false;
    for (size_t i = 0; i < n; i++) {
        s[i] =
            (struct summary){all[i], PACK_NOTHING, PACK_NOTHING, PACK_NOTHING, all[4 * n + i]};
        if (all[i] == PACK_NOTHING)
            continue;
        s[i].most = (int32_t)((uint32_t)all[i] + (uint32_t)all[n + i]);
        s[i].mean = (int32_t)((uint32_t)all[i] + (uint32_t)all[2 * n + i]);
        s[i].rms = (int32_t)((uint32_t)all[3 * n + i] +
                             (s[i].mean < 0 ? 0U - (uint32_t)s[i].mean : (uint32_t)s[i].mean));
    }
    return true;
}
