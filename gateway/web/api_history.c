#include "api.h"

#include "discreet.h"

#include "model/event_json.h"
#include "model/frame.h"
#include "store/chart.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define POINTS 600
#define MOST_EXPORT_MS (INT64_C(86400000))
#define MOST_AROUND_SECONDS 1800
#define MOST_COLUMNS 24

static bool take_quantity(const struct api_call *c, struct chart *w, struct web_answer *out)
{
    const char *q = web_query(c->r, "quantity");
    if (!q || chart_quantity(q, &w->quantity))
        return true;
    web_error(out, 400, "quantity is one of amps, watts, volts, pf");
    return false;
}

static bool take_wanted(const struct api_call *c, struct chart *w, struct web_answer *out)
{
    static const char *const names[] = {"from", "to", "points", "quantity", "pole", NULL};
    int64_t pole = 0;
    *w = (struct chart){.to_wall_ms = c->wall_ms, .points = POINTS};
    w->circuit = api_circuit_of(c, out);
    if (w->circuit < 0 || !web_query_only(c->r, names, out) ||
        !web_query_time(c->r, "to", &w->to_wall_ms, out))
        return false;
    w->from_wall_ms = w->to_wall_ms - 3600000;
    if (!web_query_time(c->r, "from", &w->from_wall_ms, out) ||
        !web_query_number(c->r, "points", 2, CHART_MOST_POINTS, &w->points, out) ||
        !web_query_number(c->r, "pole", 1, c->x->site->circuits[w->circuit].poles, &pole,
                          out) ||
        !take_quantity(c, w, out))
        return false;
    w->pole = (int)pole - 1;
    if (c->discreet) { /* nothing finer than the demand interval, by the clock */
        w->from_wall_ms = w->from_wall_ms / DISCREET_LEAST_MS * DISCREET_LEAST_MS;
        w->to_wall_ms =
            (w->to_wall_ms + DISCREET_LEAST_MS - 1) / DISCREET_LEAST_MS * DISCREET_LEAST_MS;
    }
    const char *why = chart_settle(w);
    if (why) {
        web_error(out, 400, "%s", why);
        return false;
    }
    int64_t most = (w->to_wall_ms - w->from_wall_ms) / DISCREET_LEAST_MS;
    if (c->discreet && w->points > most)
        w->points = most;
    return true;
}

/* the heat (trail.h), and how fine it is known, into the object that was written; false: memory
 * is short
 */
static bool add_heat(const struct api_call *c, const struct chart *w, struct text *out)
{
    double *heat = calloc((size_t)w->points, sizeof *heat);
    if (!heat)
        return false;
    int64_t step_ms = trail_get(c->x->trail, (size_t)w->circuit, w->from_wall_ms, w->to_wall_ms,
                                (size_t)w->points, heat);
    if (step_ms > 0 && out->length > 0) {
        out->bytes[--out->length] = '\0'; /* the object's end */
        text_printf(out, ",\"heat_seconds\":%lld,\"heat\":[", (long long)(step_ms / 1000));
        for (int64_t i = 0; i < w->points; i++) {
            text_append(out, i ? "," : "");
            chart_number(out, heat[i]);
        }
        text_append(out, "]}");
    }
    free(heat);
    return true;
}

void api_history(const struct api_call *c, struct web_answer *out)
{
    struct chart w;
    if (!take_wanted(c, &w, out) ||
        api_store_failed(chart_write(&w, c->x->site, c->reader, &out->body), out))
        return;
    if (w.quantity == FRAME_AMPS && !add_heat(c, &w, &out->body))
        web_error(out, 500, "memory is short");
    else
        web_json_text(out);
}

/* ---- every reading: export, and the sheet of a trip ---- */

struct columns {
    size_t count;
    char names[MOST_COLUMNS][CHART_COLUMN_SIZE];
    const char *list[MOST_COLUMNS];
};

static void add_column(struct columns *k, const struct site *s, const struct chart *w, int pole)
{
    if (k->count >= MOST_COLUMNS)
        return;
    chart_column(s, w, pole, k->names[k->count]);
    k->list[k->count] = k->names[k->count];
    k->count++;
}

static void add_circuit(struct columns *k, const struct site *s, int circuit,
                        int quantities_most)
{
    for (int q = 0; q < quantities_most; q++)
        for (int pole = 0; pole < s->circuits[circuit].poles; pole++)
            add_column(k, s,
                       &(struct chart){.circuit = circuit, .quantity = (enum frame_quantity)q},
                       pole);
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
            chart_number(r->body, (double)values[i]);
        else if (!r->csv)
            text_append(r->body, "null");
    }
    text_append(r->body, r->csv ? "\n" : "]");
    r->said++;
    return !r->body->failed;
}

void api_export(const struct api_call *c, struct web_answer *out)
{
    int64_t from, to;
    int circuit = api_span_of(
        c, out, 3600000, MOST_EXPORT_MS,
        "from must be before to, by a day at the most; foretrip export has no bound", &from,
        &to);
    if (circuit < 0)
        return;
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
