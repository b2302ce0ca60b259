#include "api.h"

#include "model/event_json.h"
#include "model/frame.h"
#include "store/history.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_POINTS 2000
#define POINTS 600
#define MOST_SPAN_MS (INT64_C(3660) * 86400000)
#define MOST_EXPORT_MS (INT64_C(86400000))
#define MOST_AROUND_SECONDS 1800
#define MOST_COLUMNS 24
#define COLUMN_SIZE (2 * SITE_ID_SIZE)

static const char *const quantities[] = {"amps", "watts", "volts", "pf", NULL};

struct wanted {
    int circuit;
    int quantity; /* index into quantities */
    int pole;     /* 0-based; -1: all together */
    int64_t from, to, points;
};

static bool take_quantity(const struct api_call *c, struct wanted *w, struct web_answer *out)
{
    const char *q = web_query(c->r, "quantity");
    w->quantity = 0;
    while (q && quantities[w->quantity] && strcmp(q, quantities[w->quantity]) != 0)
        w->quantity++;
    if (quantities[w->quantity])
        return true;
    web_error(out, 400, "quantity is one of amps, watts, volts, pf");
    return false;
}

static bool take_wanted(const struct api_call *c, struct wanted *w, struct web_answer *out)
{
    static const char *const names[] = {"from", "to", "points", "quantity", "pole", NULL};
    int64_t pole = 0;
    *w = (struct wanted){.to = c->wall_ms, .points = POINTS};
    w->circuit = api_circuit_of(c, out);
    if (w->circuit < 0 || !web_query_only(c->r, names, out) ||
        !web_query_time(c->r, "to", &w->to, out))
        return false;
    w->from = w->to - 3600000;
    if (!web_query_time(c->r, "from", &w->from, out) ||
        !web_query_number(c->r, "points", 2, MOST_POINTS, &w->points, out) ||
        !web_query_number(c->r, "pole", 1, c->x->site->circuits[w->circuit].poles, &pole,
                          out) ||
        !take_quantity(c, w, out))
        return false;
    w->pole = (int)pole - 1;
    if (w->to <= w->from || w->to - w->from > MOST_SPAN_MS) {
        web_error(out, 400, "from must be before to, by ten years at the most");
        return false;
    }
    if (w->to - w->from < w->points * 1000) /* nothing is finer than a second */
        w->points = (w->to - w->from + 999) / 1000;
    return true;
}

/* Poles together: watts add up; of the others the hotter, or higher, pole counts. */
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

static void column_of(const struct site *s, const struct wanted *w, int pole, char *out,
                      size_t size)
{
    const struct site_circuit *k = &s->circuits[w->circuit];
    size_t index = (size_t)w->quantity * s->poles_total + (size_t)(k->first_pole + pole);
    frame_column_name(s, index, out, size);
}

static enum store_err read_buckets(const struct api_call *c, const struct wanted *w,
                                   struct history_bucket *b, struct history_bucket *other)
{
    const struct site_circuit *k = &c->x->site->circuits[w->circuit];
    int first = w->pole >= 0 ? w->pole : 0, last = w->pole >= 0 ? w->pole : k->poles - 1;
    char column[COLUMN_SIZE];
    enum store_err err = STORE_OK;
    for (int pole = first; pole <= last && err == STORE_OK; pole++) {
        column_of(c->x->site, w, pole, column, sizeof column);
        struct history_bucket *into = pole == first ? b : other;
        err = history_chart(c->reader, column, w->from, w->to, (size_t)w->points, into);
        for (int64_t i = 0; pole > first && err == STORE_OK && i < w->points; i++)
            join(&b[i], &other[i], w->quantity == 1);
    }
    return err;
}

static void append_number(struct text *t, double v)
{
    if (isnan(v))
        text_append(t, "null");
    else
        text_printf(t, "%.6g", round(v * 1000.0) / 1000.0);
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

static void append_list(struct text *t, const char *name, const struct history_bucket *b,
                        int64_t count, enum member m)
{
    text_printf(t, ",\"%s\":[", name);
    for (int64_t i = 0; i < count; i++) {
        text_append(t, i ? "," : "");
        append_number(t, member_of(&b[i], m));
    }
    text_append(t, "]");
}

void api_history(const struct api_call *c, struct web_answer *out)
{
    struct wanted w;
    if (!take_wanted(c, &w, out))
        return;
    struct history_bucket *b = calloc(2 * (size_t)w.points, sizeof *b);
    if (!b) {
        web_error(out, 500, "memory is short");
        return;
    }
    if (!api_store_failed(read_buckets(c, &w, b, b + w.points), out)) {
        struct text *t = &out->body;
        text_printf(t,
                    "{\"circuit\":\"%s\",\"quantity\":\"%s\",\"from\":%.3f,\"to\":%.3f,"
                    "\"points\":%lld",
                    c->id, quantities[w.quantity], (double)w.from / 1000.0,
                    (double)w.to / 1000.0, (long long)w.points);
        append_list(t, "least", b, w.points, LEAST);
        append_list(t, "mean", b, w.points, MEAN);
        append_list(t, "most", b, w.points, MOST);
        append_list(t, "seconds", b, w.points, WITH_READINGS);
        text_append(t, "}");
        web_json_text(out);
    }
    free(b);
}

/* ---- every reading: export, and the sheet of a trip ---- */

struct columns {
    size_t count;
    char names[MOST_COLUMNS][COLUMN_SIZE];
    const char *list[MOST_COLUMNS];
};

static void add_column(struct columns *k, const struct site *s, const struct wanted *w,
                       int pole)
{
    if (k->count >= MOST_COLUMNS)
        return;
    column_of(s, w, pole, k->names[k->count], COLUMN_SIZE);
    k->list[k->count] = k->names[k->count];
    k->count++;
}

static void add_circuit(struct columns *k, const struct site *s, int circuit,
                        int quantities_most)
{
    for (int q = 0; q < quantities_most; q++)
        for (int pole = 0; pole < s->circuits[circuit].poles; pole++)
            add_column(k, s, &(struct wanted){.circuit = circuit, .quantity = q}, pole);
}

struct rows {
    struct text *body;
    const struct columns *columns;
    size_t said;
    bool csv;
};

static bool add_row(void *context, int64_t wall_ms, const float *values)
{
    struct rows *r = context;
    text_printf(r->body,
                r->csv    ? "%.3f"
                : r->said ? ",[%.3f"
                          : "[%.3f",
                (double)wall_ms / 1000.0);
    for (size_t i = 0; i < r->columns->count; i++) {
        text_append(r->body, ",");
        if (!isnan(values[i]))
            append_number(r->body, (double)values[i]);
        else if (!r->csv)
            text_append(r->body, "null");
    }
    text_append(r->body, r->csv ? "\n" : "]");
    r->said++;
    return !r->body->failed;
}

void api_export(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"from", "to", NULL};
    int64_t to = c->wall_ms, from;
    int circuit = api_circuit_of(c, out);
    if (circuit < 0 || !web_query_only(c->r, names, out) ||
        !web_query_time(c->r, "to", &to, out))
        return;
    from = to - 3600000;
    if (!web_query_time(c->r, "from", &from, out))
        return;
    if (to <= from || to - from > MOST_EXPORT_MS) {
        web_error(out, 400,
                  "from must be before to, by a day at the most; foretrip export has no bound");
        return;
    }
    struct columns k = {0};
    add_circuit(&k, c->x->site, circuit, 4);
    text_append(&out->body, "time");
    for (size_t i = 0; i < k.count; i++)
        text_printf(&out->body, ",%s", k.list[i]);
    text_append(&out->body, "\n");
    struct rows rows = {.body = &out->body, .columns = &k, .csv = true};
    enum store_err err = history_rows(c->reader, k.list, k.count, from, to - 1, add_row, &rows);
    if (api_store_failed(err, out))
        return;
    web_json_text(out);
    out->type = "text/csv; charset=utf-8";
    out->filename = "readings.csv";
}

static void append_record(const struct api_call *c, const struct columns *k, int64_t from,
                          int64_t to, struct web_answer *out)
{
    struct text *t = &out->body;
    struct rows rows = {.body = t, .columns = k};
    text_append(t, "{\"columns\":[\"time\"");
    for (size_t i = 0; i < k->count; i++)
        text_printf(t, ",\"%s\"", k->list[i]);
    text_append(t, "],\"rows\":[");
    enum store_err err = history_rows(c->reader, k->list, k->count, from, to, add_row, &rows);
    if (api_store_failed(err, out))
        return;
    text_append(t, "]}");
    web_json_text(out);
}

void api_trip_record(const struct api_call *c, struct web_answer *out)
{
    static const char *const names[] = {"before", "after", NULL};
    int64_t before = 120, after = 60, opened;
    json_t *trip, *other;
    size_t i;
    if (!web_query_only(c->r, names, out) ||
        !web_query_number(c->r, "before", 0, MOST_AROUND_SECONDS, &before, out) ||
        !web_query_number(c->r, "after", 0, MOST_AROUND_SECONDS, &after, out) ||
        !api_find_trip(c, out, &trip, &opened))
        return;
    struct columns k = {0};
    const struct site *s = c->x->site;
    const char *id = json_string_value(json_object_get(trip, "circuit"));
    int circuit = id ? site_find_circuit(s, id) : -1;
    if (circuit >= 0)
        add_circuit(&k, s, circuit, 3);
    json_array_foreach(json_object_get(trip, "with"), i, other)
    {
        circuit = site_find_circuit(s, json_string_value(other));
        if (circuit >= 0)
            add_circuit(&k, s, circuit, 1);
    }
    json_decref(trip);
    append_record(c, &k, opened - before * 1000, opened + after * 1000, out);
}
