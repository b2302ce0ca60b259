#include "traced.h"

#include "history.h"

#include "base/clock.h"
#include "model/frame.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WITHIN_MS INT64_C(3600000)

const char *traced_parse(const char *begins, struct traced *out)
{
    out->count = 0;
    out->tries = 1;
    while (*begins) {
        size_t n = strcspn(begins, ",");
        int64_t *at = &out->begins_wall_ms[out->count];
        if (out->count >= TRACED_MOST)
            return "at most eight beginnings can be given";
        if (!clock_parse(begins, n, at) || *at <= 0)
            return "a beginning is RFC 3339 (2026-01-31T18:00:00Z) or Unix seconds";
        if (out->count > 0 && (at[0] <= at[-1] || at[0] - out->begins_wall_ms[0] > WITHIN_MS))
            return "beginnings must rise, within an hour";
        out->count++;
        begins += n + (begins[n] == ',');
    }
    return out->count > 0 ? NULL : "at least one beginning is needed";
}

struct collecting {
    size_t poles, room, count;
    int64_t *times;
    float *amps;
    bool failed;
};

static bool take_row(void *context, int64_t wall_ms, const float *values)
{
    struct collecting *c = context;
    if (c->count > 0 && wall_ms <= c->times[c->count - 1])
        return true; /* the clock was set back */
    if (c->count == c->room) {
        size_t room = c->room ? 2 * c->room : 1024;
        c->failed = true;
        int64_t *times = realloc(c->times, room * sizeof *times);
        if (!times)
            return false;
        c->times = times;
        float *amps = realloc(c->amps, room * c->poles * sizeof *amps);
        if (!amps)
            return false;
        c->amps = amps;
        c->failed = false;
        c->room = room;
    }
    c->times[c->count] = wall_ms;
    memcpy(c->amps + c->count * c->poles, values, c->poles * sizeof *values);
    c->count++;
    return true;
}

/* The amps of every pole, in the order of the poles. */
static enum store_err collect(struct store_reader *r, const struct site *s, int64_t from,
                              int64_t to, struct collecting *out)
{
    size_t poles = s->poles_total;
    char(*names)[2 * SITE_ID_SIZE] = calloc(poles + 1, sizeof *names);
    const char **columns = calloc(poles + 1, sizeof *columns);
    enum store_err err = names && columns ? STORE_OK : STORE_ERR_MEMORY;
    *out = (struct collecting){.poles = poles};
    for (size_t p = 0; err == STORE_OK && p < poles; p++) {
        frame_column_name(s, p, names[p], sizeof names[p]); /* amps come first in a frame */
        columns[p] = names[p];
    }
    if (err == STORE_OK)
        err = history_rows(r, columns, poles, from, to, take_row, out);
    if (out->failed)
        err = STORE_ERR_MEMORY;
    free(names);
    free(columns);
    return err;
}

void traced_span(const struct site *s, const struct traced *t, struct trace_plan *plan,
                 int64_t *from_wall_ms, int64_t *to_wall_ms)
{
    struct trace_plan p;
    trace_plan(t->begins_wall_ms[t->count - 1], trace_beat_ms(s), &p);
    *from_wall_ms = t->begins_wall_ms[t->count - t->tries] - TRACE_BEFORE_MS;
    *to_wall_ms = p.end_wall_ms;
    if (plan)
        *plan = p;
}

bool traced_judge_rows(const struct site *s, const struct traced *t,
                       const struct trace_rows *rows, struct trace_result *result)
{
    struct trace_plan plans[TRACED_MOST];
    for (size_t i = 0; i < t->count; i++)
        trace_plan(t->begins_wall_ms[i], trace_beat_ms(s), &plans[i]);
    const struct trace_plans all = {plans, t->count, t->tries};
    return trace_judge(s, rows, &all, t->amps, t->is_light, result);
}

enum store_err traced_judge(struct store_reader *r, const struct site *s,
                            const struct traced *t, struct trace_plan *plan, bool *complete,
                            struct trace_result *result)
{
    struct collecting c;
    int64_t from, to;
    traced_span(s, t, plan, &from, &to);
    enum store_err err = collect(r, s, from, to + STORE_READINGS_MS, &c);
    *complete = err == STORE_OK && c.count > 0 && c.times[c.count - 1] >= to;
    const struct trace_rows rows = {c.count, c.times, c.amps};
    if (*complete && !traced_judge_rows(s, t, &rows, result))
        err = STORE_ERR_MEMORY;
    free(c.times);
    free(c.amps);
    return err;
}
