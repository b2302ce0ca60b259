#include "advice_loads.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define RUN_BEFORE_MS (2 * INT64_C(3600000)) /* the same around a run on the other circuit */
#define RUN_AFTER_MS (INT64_C(3600000) / 2)
#define LIKE 0.08      /* runs of one size */
#define NEIGHBOUR 1.15 /* sizes that belong together, each to the next */

/* ---- spans ---- */

static int by_from(const void *a, const void *b)
{
    const struct span *x = a, *y = b;
    return (x->from > y->from) - (x->from < y->from);
}

/* in order, those that touch made one, whole seconds; how many are left */
static size_t join_spans(struct span *s, size_t n)
{
    size_t kept = 0;
    qsort(s, n, sizeof *s, by_from);
    for (size_t i = 0; i < n; i++)
        if (kept && s[i].from <= s[kept - 1].to)
            s[kept - 1].to = s[i].to > s[kept - 1].to ? s[i].to : s[kept - 1].to;
        else
            s[kept++] = s[i];
    for (size_t i = 0; i < kept; i++) {
        s[i].from -= s[i].from % 1000;
        s[i].to -= s[i].to % 1000;
    }
    return kept;
}

/* around what happened on a circuit */
size_t advice_incident_spans(const struct advice_record *r, int circuit,
                             struct span out[ADVICE_MOST_SPANS])
{
    size_t n = 0;
    for (size_t i = 0; i < r->trip_count && n < ADVICE_MOST_SPANS; i++)
        if (r->trips[i].circuit == circuit)
            out[n++] = (struct span){r->trips[i].opened_wall_ms - ADVICE_BEFORE_MS,
                                     r->trips[i].opened_wall_ms + ADVICE_AFTER_MS};
    for (size_t i = 0; i < r->warning_count && n < ADVICE_MOST_SPANS; i++)
        if (r->warnings[i].circuit == circuit)
            out[n++] = (struct span){r->warnings[i].wall_ms - ADVICE_BEFORE_MS,
                                     r->warnings[i].wall_ms + ADVICE_AFTER_MS};
    return join_spans(out, n);
}

/* around the runs of a load; the latest where they are too many */
size_t advice_run_spans(const struct advice_record *r, const struct advice_load *l,
                        struct span out[ADVICE_MOST_SPANS])
{
    size_t n = 0;
    for (size_t i = r->run_count; i-- > 0 && n < ADVICE_MOST_SPANS;)
        if (advice_load_brings(l, &r->runs[i]))
            out[n++] = (struct span){r->runs[i].on_wall_ms - RUN_BEFORE_MS,
                                     replay_run_end(r, l, &r->runs[i]) + RUN_AFTER_MS};
    return join_spans(out, n);
}

/* ---- candidates ---- */

static bool runs_at(const struct advice_run *x, int circuit, int64_t wall_ms)
{
    return x->circuit == circuit && x->amps >= ADVICE_LEAST_AMPS && x->on_wall_ms < wall_ms &&
           x->off_wall_ms >= wall_ms - 5000;
}

static bool was_there(const struct advice_record *r, int circuit, const struct advice_run *x)
{
    for (size_t i = 0; i < r->trip_count; i++)
        if (r->trips[i].circuit == circuit && runs_at(x, circuit, r->trips[i].opened_wall_ms))
            return true;
    for (size_t i = 0; i < r->warning_count; i++)
        if (r->warnings[i].circuit == circuit && runs_at(x, circuit, r->warnings[i].wall_ms))
            return true;
    return false;
}

static size_t add_candidate(struct advice_load *list, size_t n, const struct advice_load *l)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(list[i].appliance, l->appliance) == 0 &&
            fabs(list[i].least_amps - l->least_amps) < 1e-9 &&
            fabs(list[i].most_amps - l->most_amps) < 1e-9)
            return n;
    if (n < ADVICE_MOST_CANDIDATES)
        list[n++] = *l;
    return n;
}

/* sizes that lie each near the next, the one of x among them */
static struct advice_load neighbours(const struct advice_record *r, int circuit, double amps)
{
    struct advice_load l = {.circuit = circuit, .least_amps = amps, .most_amps = amps};
    for (bool grown = true; grown;) {
        grown = false;
        for (size_t i = 0; i < r->run_count; i++) {
            double a = r->runs[i].amps;
            if (r->runs[i].circuit != circuit || a < ADVICE_LEAST_AMPS)
                continue;
            if (a < l.least_amps && a * NEIGHBOUR >= l.least_amps)
                l.least_amps = a, grown = true;
            if (a > l.most_amps && a <= l.most_amps * NEIGHBOUR)
                l.most_amps = a, grown = true;
        }
    }
    return l;
}

/* the loads that were on when it happened: by size, by the sizes around, by name */
size_t advice_find_candidates(const struct advice_record *r, int circuit,
                              struct advice_load list[ADVICE_MOST_CANDIDATES])
{
    size_t n = 0;
    for (int way = 0; way < 3; way++)
        for (size_t i = 0; i < r->run_count; i++) {
            const struct advice_run *x = &r->runs[i];
            struct advice_load l = {.circuit = circuit,
                                    .least_amps = x->amps * (1.0 - LIKE),
                                    .most_amps = x->amps * (1.0 + LIKE)};
            bool known = false;
            if (!was_there(r, circuit, x))
                continue;
            if (way == 2)
                l = neighbours(r, circuit, x->amps);
            if (way == 1 && strcmp(x->appliance, LOADS_UNKNOWN) == 0)
                continue;
            if (way == 1)
                text_copy(l.appliance, sizeof l.appliance, x->appliance);
            for (size_t k = 0; way == 0 && k < n; k++)
                known |= advice_load_has(&list[k], x);
            if (!known)
                n = add_candidate(list, n, &l);
        }
    return n;
}

/* ---- what a load is ---- */

struct advice_load advice_moved(const struct advice_load *l, const struct advice *described)
{
    struct advice_load moved = *l;
    moved.along_least = described->least_amps * (1.0 - LIKE);
    moved.along_most = described->most_amps * (1.0 + LIKE);
    return moved;
}

void advice_describe(const struct advice_record *r, const struct advice_load *l,
                     struct advice *out)
{
    double sum = 0.0;
    int most = 0;
    out->by_name = l->appliance[0] != '\0';
    out->least_amps = (double)INFINITY;
    text_copy(out->appliance, sizeof out->appliance, LOADS_UNKNOWN);
    for (size_t i = 0; i < r->run_count; i++) {
        const struct advice_run *x = &r->runs[i];
        int same = 0;
        if (!advice_load_has(l, x))
            continue;
        out->least_amps = fmin(out->least_amps, x->amps);
        out->most_amps = fmax(out->most_amps, x->amps);
        sum += x->amps;
        out->runs++;
        for (size_t k = 0; k < r->run_count; k++)
            same += advice_load_has(l, &r->runs[k]) &&
                    strcmp(r->runs[k].appliance, x->appliance) == 0;
        if (same > most) {
            most = same;
            text_copy(out->appliance, sizeof out->appliance, x->appliance);
        }
    }
    out->usual_amps = out->runs ? sum / out->runs : 0.0;
}
