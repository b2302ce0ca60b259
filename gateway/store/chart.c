#include "chart.h"

#include "model/frame.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const quantities[] = {
    [FRAME_AMPS] = "amps",
    [FRAME_WATTS] = "watts",
    [FRAME_VOLTS] = "volts",
    [FRAME_POWER_FACTOR] = "pf",
};

bool chart_quantity(const char *word, enum frame_quantity *out)
{
    for (int q = FRAME_AMPS; q <= FRAME_POWER_FACTOR; q++)
        if (strcmp(word, quantities[q]) == 0) {
            *out = (enum frame_quantity)q;
            return true;
        }
    return false;
}

const char *chart_settle(struct chart *c)
{
    if (c->to_wall_ms <= c->from_wall_ms ||
        c->to_wall_ms - c->from_wall_ms > CHART_MOST_SPAN_MS)
        return "from must be before to, by ten years at the most";
    if (c->to_wall_ms - c->from_wall_ms < c->points * 1000)
        c->points = (c->to_wall_ms - c->from_wall_ms + 999) / 1000;
    return NULL;
}

static void join(struct history_bucket *a, const struct history_bucket *b, bool add)
{
    if (add) {
        a->least += b->least;
        a->most += b->most;
        a->mean += b->mean;
    } else {
        a->least = fmax(a->least, b->least);
        a->most = fmax(a->most, b->most);
        a->mean = fmax(a->mean, b->mean);
    }
    a->seconds = fmin(a->seconds, b->seconds);
}

void chart_column(const struct site *s, const struct chart *c, int pole,
                  char out[CHART_COLUMN_SIZE])
{
    size_t first = (size_t)s->circuits[c->circuit].first_pole;
    frame_column_name(s, (size_t)c->quantity * s->poles_total + first + (size_t)pole, out,
                      CHART_COLUMN_SIZE);
}

static enum store_err read_buckets(const struct chart *c, const struct site *s,
                                   struct store_reader *r, struct history_bucket *b,
                                   struct history_bucket *other)
{
    int first = c->pole >= 0 ? c->pole : 0;
    int last = c->pole >= 0 ? c->pole : s->circuits[c->circuit].poles - 1;
    char column[CHART_COLUMN_SIZE];
    enum store_err err = STORE_OK;
    for (int pole = first; pole <= last && err == STORE_OK; pole++) {
        chart_column(s, c, pole, column);
        err = history_chart(r, column, c->from_wall_ms, c->to_wall_ms, (size_t)c->points,
                            pole == first ? b : other);
        for (int64_t i = 0; pole > first && err == STORE_OK && i < c->points; i++)
            join(&b[i], &other[i], c->quantity == FRAME_WATTS);
    }
    return err;
}

void chart_number(struct text *out, double v)
{
    if (isnan(v))
        text_append(out, "null");
    else
        text_printf(out, "%.6g", round(v * 1000.0) / 1000.0);
}

enum member { LEAST, MEAN, MOST, WITH_READINGS };

static double member_of(const struct history_bucket *b, enum member m)
{
    switch (m) {
    case LEAST: return b->least;
    case MEAN: return b->mean;
    case MOST: return b->most;
    case WITH_READINGS: return b->seconds;
    }
    return (double)NAN;
}

static void append_list(struct text *out, const char *name, const struct history_bucket *b,
                        int64_t count, enum member m)
{
    text_printf(out, ",\"%s\":[", name);
    for (int64_t i = 0; i < count; i++) {
        text_append(out, i ? "," : "");
        chart_number(out, member_of(&b[i], m));
    }
    text_append(out, "]");
}

enum store_err chart_write(const struct chart *c, const struct site *s, struct store_reader *r,
                           struct text *out)
{
    struct history_bucket *b = calloc(2 * (size_t)c->points, sizeof *b);
    if (!b)
        return STORE_ERR_MEMORY;
    enum store_err err = read_buckets(c, s, r, b, b + c->points);
    if (err == STORE_OK) {
        text_printf(out,
                    "{\"circuit\":\"%s\",\"quantity\":\"%s\",\"from\":%.3f,\"to\":%.3f,"
                    "\"points\":%lld",
                    s->circuits[c->circuit].id, quantities[c->quantity],
                    (double)c->from_wall_ms / 1000.0, (double)c->to_wall_ms / 1000.0,
                    (long long)c->points);
        append_list(out, "least", b, c->points, LEAST);
        append_list(out, "mean", b, c->points, MEAN);
        append_list(out, "most", b, c->points, MOST);
        append_list(out, "seconds", b, c->points, WITH_READINGS);
        text_append(out, "}");
    }
    free(b);
    return err;
}
