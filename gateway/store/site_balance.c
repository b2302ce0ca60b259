#include "site_balance.h"

#include "summary.h"

#include "model/frame.h"

#include <math.h>
#include <stdlib.h>

#define QUARTER_MS INT64_C(900000)
#define LEAST_SECONDS 810.0 /* 90 % of a quarter */
#define COLUMN_SIZE ((size_t)2 * SITE_ID_SIZE)

struct quarters {
    const struct site *site;
    size_t count;
    int64_t *edges;
    float *amps;    /* [quarter][pole], NaN: not measured */
    bool *measured; /* per circuit */
};

static enum store_err read_quarters(struct quarters *q, struct store_reader *r)
{
    const struct site *s = q->site;
    struct history_bucket *b = malloc((q->count + 1) * sizeof *b);
    enum store_err err = b ? STORE_OK : STORE_ERR_MEMORY;
    for (size_t c = 0; c < s->circuit_count && err == STORE_OK; c++) {
        q->measured[c] = true;
        for (int p = 0; p < s->circuits[c].poles && err == STORE_OK; p++) {
            size_t pole = (size_t)s->circuits[c].first_pole + (size_t)p;
            char column[COLUMN_SIZE];
            bool any = false;
            frame_column_name(s, (size_t)FRAME_AMPS * s->poles_total + pole, column,
                              sizeof column);
            err = history_buckets(r, column, q->edges, q->count, HISTORY_EXACT, b);
            for (size_t i = 0; err == STORE_OK && i < q->count; i++) {
                bool good = b[i].seconds >= LEAST_SECONDS;
                q->amps[i * s->poles_total + pole] = good ? (float)b[i].mean : (float)NAN;
                any |= good;
            }
            q->measured[c] = q->measured[c] && any;
        }
    }
    free(b);
    return err;
}

/* the legs of a panel in one quarter; a breaker that is measured and was not read: NaN */
static void add_legs(const struct quarters *q, size_t at, int panel,
                     const struct balance_plan *plan, double legs[SITE_MAX_LEGS])
{
    const struct site *s = q->site;
    for (size_t c = 0; c < s->circuit_count; c++) {
        const struct site_circuit *x = &s->circuits[c];
        for (int p = 0; x->panel == panel && q->measured[c] && p < x->poles; p++) {
            char leg = plan ? balance_leg(s, plan, (int)c, p) : x->leg[p];
            legs[leg - 'A'] +=
                (double)q->amps[at * s->poles_total + (size_t)x->first_pole + (size_t)p];
        }
    }
}

static void judge(const struct quarters *q, const struct rules *rules,
                  struct panel_balance *out, const struct balance_plan *plan, double *worse,
                  int *uneven)
{
    const struct site_panel *p = &q->site->panels[out->panel];
    for (size_t at = 0; at < q->count; at++) {
        double legs[SITE_MAX_LEGS] = {0}, mean = 0.0, most = 0.0, off = 0.0;
        add_legs(q, at, out->panel, plan, legs);
        for (int l = 0; l < p->legs; l++) {
            mean += legs[l] / p->legs;
            most = fmax(most, legs[l]);
        }
        if (isnan(mean))
            continue;
        for (int l = 0; l < p->legs; l++)
            off = fmax(off, fabs(legs[l] - mean));
        *worse = fmax(*worse, most);
        *uneven += most > 0.01 * rules->imbalance_min_percent * p->rating_amps &&
                   off > 0.01 * rules->imbalance_percent * mean;
    }
}

static enum store_err plan_panel(const struct quarters *q, const struct rules *rules, int panel,
                                 struct panel_balance *out, bool *found)
{
    struct balance *b = balance_create(q->site, panel, q->measured);
    double *amps = malloc((q->site->poles_total + 1) * sizeof *amps);
    *found = false;
    if (b && amps) {
        for (size_t at = 0; at < q->count; at++) {
            for (size_t p = 0; p < q->site->poles_total; p++)
                amps[p] = (double)q->amps[at * q->site->poles_total + p];
            balance_quarter(b, amps);
        }
        *out = (struct panel_balance){
            .panel = panel, .quarters = balance_quarters(b), .movable = balance_movable(b)};
        *found = balance_solve(b, &out->plan);
    }
    if (*found) {
        judge(q, rules, out, NULL, &out->worse_before_amps, &out->uneven_before);
        judge(q, rules, out, &out->plan, &out->worse_after_amps, &out->uneven_after);
    }
    enum store_err err = b && amps ? STORE_OK : STORE_ERR_MEMORY;
    balance_destroy(b);
    free(amps);
    return err;
}

struct panel_balance *site_balance_create(const struct site *s, const struct rules_set *rules,
                                          struct store_reader *r, int64_t from_wall_ms,
                                          int64_t to_wall_ms, size_t *count,
                                          enum store_err *err)
{
    struct quarters q = {.site = s};
    int64_t first = from_wall_ms / QUARTER_MS, last = to_wall_ms / QUARTER_MS;
    struct panel_balance *out = calloc(s->panel_count + 1, sizeof *out);
    q.count = last > first ? (size_t)(last - first) : 0;
    q.edges = malloc((q.count + 1) * sizeof *q.edges);
    q.amps = calloc(q.count * s->poles_total + 1, sizeof *q.amps);
    q.measured = calloc(s->circuit_count + 1, sizeof *q.measured);
    *count = 0;
    *err = out && q.edges && q.amps && q.measured ? STORE_OK : STORE_ERR_MEMORY;
    for (size_t i = 0; *err == STORE_OK && i <= q.count; i++)
        q.edges[i] = (first + (int64_t)i) * QUARTER_MS;
    if (*err == STORE_OK && q.count > 0)
        *err = read_quarters(&q, r);
    for (size_t p = 0; *err == STORE_OK && q.count > 0 && p < s->panel_count; p++) {
        bool found = false;
        if (s->panels[p].legs >= 2)
            *err = plan_panel(&q, &rules->panels[p], (int)p, &out[*count], &found);
        *count += found;
    }
    free(q.edges);
    free(q.amps);
    free(q.measured);
    if (*err == STORE_OK && *count > 0)
        return out;
    free(out);
    return NULL;
}
