#include "site_demand.h"

#include "model/frame.h"

#include <math.h>
#include <stdlib.h>

#define MINUTE_MS INT64_C(60000)
#define CHUNK_MINUTES 1440
#define LEAST_SECONDS 30.0 /* of a minute, read */
#define COLUMN_SIZE ((size_t)2 * SITE_ID_SIZE)
#define BACK_WATTS (-50.0) /* mean of an hour: no noise of a meter */

struct looking {
    const struct site *site;
    struct store_reader *reader;
    struct site_demand *out;
    struct history_bucket *buckets; /* of one pole */
    double *poles;                  /* [pole][minute of the chunk] */
    bool *measured;                 /* a pole: some reading in all of the span */
    int64_t edges[CHUNK_MINUTES + 1];
};

static enum store_err read_pole(struct looking *k, size_t pole, size_t count)
{
    char column[COLUMN_SIZE];
    double *to = k->poles + pole * CHUNK_MINUTES;
    frame_column_name(k->site, (size_t)FRAME_AMPS * k->site->poles_total + pole, column,
                      sizeof column);
    enum store_err err =
        history_buckets(k->reader, column, k->edges, count, HISTORY_EXACT, k->buckets);
    for (size_t m = 0; err == STORE_OK && m < count; m++) {
        const struct history_bucket *b = &k->buckets[m];
        to[m] = b->seconds >= LEAST_SECONDS ? b->mean : (double)NAN;
        k->measured[pole] |= !isnan(to[m]);
    }
    return err;
}

static int leg_of(const struct site_circuit *c, int pole)
{
    return c->leg[pole] >= 'A' && c->leg[pole] <= 'C' ? c->leg[pole] - 'A' : 0;
}

static bool is_measured(const struct looking *k, const struct site_circuit *c)
{
    for (int p = 0; p < c->poles; p++)
        if (!k->measured[c->first_pole + p])
            return false;
    return true;
}

static void add_circuit(const struct looking *k, const struct site_circuit *c, size_t minute,
                        double legs[SITE_MAX_LEGS])
{
    for (int p = 0; p < c->poles; p++)
        legs[leg_of(c, p)] += k->poles[(size_t)(c->first_pole + p) * CHUNK_MINUTES + minute];
}

/* What is not measured at all is left out, which whole then tells; what was not read in this
 * minute makes it NaN. */
static void add_panel(const struct looking *k, int panel, size_t minute,
                      double legs[SITE_MAX_LEGS])
{
    const struct site *s = k->site;
    int feeder = s->panels[panel].fed_by;
    if (feeder >= 0 && is_measured(k, &s->circuits[feeder])) {
        add_circuit(k, &s->circuits[feeder], minute, legs);
        return;
    }
    for (size_t c = 0; c < s->circuit_count; c++) {
        const struct site_circuit *x = &s->circuits[c];
        if (x->panel != panel)
            continue;
        if (is_measured(k, x))
            add_circuit(k, x, minute, legs);
        else if (x->feeds_panel >= 0)
            add_panel(k, x->feeds_panel, minute, legs);
    }
}

static bool is_whole(const struct looking *k, int panel)
{
    const struct site *s = k->site;
    int feeder = s->panels[panel].fed_by;
    bool any = false;
    if (feeder >= 0 && is_measured(k, &s->circuits[feeder]))
        return true;
    for (size_t c = 0; c < s->circuit_count; c++) {
        const struct site_circuit *x = &s->circuits[c];
        if (x->panel != panel)
            continue;
        any = true;
        if (!is_measured(k, x) && (x->feeds_panel < 0 || !is_whole(k, x->feeds_panel)))
            return false;
    }
    return any;
}

static void take_chunk(struct looking *k, size_t count)
{
    const struct site *s = k->site;
    for (size_t m = 0; m < count; m++) {
        for (size_t c = 0; c < s->circuit_count; c++) {
            const struct site_circuit *x = &s->circuits[c];
            double legs[SITE_MAX_LEGS] = {0};
            for (int p = 0; p < x->poles; p++)
                legs[p] = k->poles[(size_t)(x->first_pole + p) * CHUNK_MINUTES + m];
            demand_minute(&k->out->circuits[c].demand, k->edges[m], legs);
        }
        for (size_t p = 0; p < s->panel_count; p++) {
            double legs[SITE_MAX_LEGS] = {0};
            add_panel(k, (int)p, m, legs);
            demand_minute(&k->out->panels[p].demand, k->edges[m], legs);
        }
    }
}

/* Which poles are ever measured has to be known before the first minute is added up. */
static enum store_err look_for_measured(struct looking *k, int64_t from, int64_t to)
{
    const struct site *s = k->site;
    const int64_t edges[] = {from, to};
    enum store_err err = STORE_OK;
    for (size_t pole = 0; pole < s->poles_total && err == STORE_OK; pole++) {
        char column[COLUMN_SIZE];
        struct history_bucket b = {.seconds = 0.0};
        frame_column_name(s, (size_t)FRAME_AMPS * s->poles_total + pole, column, sizeof column);
        err = history_buckets(k->reader, column, edges, 1, HISTORY_CHART, &b);
        k->measured[pole] = err == STORE_OK && b.seconds > 0.0;
    }
    return err;
}

static enum store_err look(struct looking *k, int64_t from, int64_t to)
{
    enum store_err err = look_for_measured(k, from, to);
    for (int64_t begun = from; err == STORE_OK && begun < to;
         begun += CHUNK_MINUTES * MINUTE_MS) {
        size_t count = CHUNK_MINUTES;
        if ((to - begun) / MINUTE_MS < CHUNK_MINUTES)
            count = (size_t)((to - begun) / MINUTE_MS);
        if (count == 0)
            break;
        for (size_t m = 0; m <= count; m++)
            k->edges[m] = begun + (int64_t)m * MINUTE_MS;
        for (size_t pole = 0; pole < k->site->poles_total && err == STORE_OK; pole++)
            if (k->measured[pole])
                err = read_pole(k, pole, count);
        if (err == STORE_OK)
            take_chunk(k, count);
    }
    return err;
}

/* watts whose mean over an hour is well below nothing: somebody feeds in */
static enum store_err look_for_flow_back(struct looking *k, int64_t from, int64_t to)
{
    const struct site *s = k->site;
    enum store_err err = STORE_OK;
    for (size_t c = 0; c < s->circuit_count; c++)
        for (int p = 0; p < s->circuits[c].poles && err == STORE_OK; p++) {
            char column[COLUMN_SIZE];
            size_t pole = (size_t)s->circuits[c].first_pole + (size_t)p;
            frame_column_name(s, (size_t)FRAME_WATTS * s->poles_total + pole, column,
                              sizeof column);
            for (int64_t t = from; t < to && err == STORE_OK;) {
                size_t n = 0;
                for (; n < CHUNK_MINUTES && t < to; t += 60 * MINUTE_MS)
                    k->edges[n++] = t;
                k->edges[n] = k->edges[n - 1] + 60 * MINUTE_MS;
                err =
                    history_buckets(k->reader, column, k->edges, n, HISTORY_EXACT, k->buckets);
                for (size_t i = 0; err == STORE_OK && i < n; i++)
                    if (k->buckets[i].mean < BACK_WATTS)
                        k->out->circuits[c].flows_back = true;
            }
        }
    for (size_t c = 0; c < s->circuit_count; c++) /* and through every panel above it */
        for (int p = s->circuits[c].panel, n = 0;
             k->out->circuits[c].flows_back && p >= 0 && n < SITE_MAX_PANELS; n++) {
            k->out->panels[p].flows_back = true;
            p = s->panels[p].fed_by >= 0 ? s->circuits[s->panels[p].fed_by].panel : -1;
        }
    return err;
}

static bool make_room(struct looking *k)
{
    const struct site *s = k->site;
    struct site_demand *d = k->out = calloc(1, sizeof *d);
    if (!d)
        return false;
    d->circuits = calloc(s->circuit_count + 1, sizeof *d->circuits);
    d->panels = calloc(s->panel_count + 1, sizeof *d->panels);
    k->buckets = calloc(CHUNK_MINUTES, sizeof *k->buckets);
    k->measured = calloc(s->poles_total + 1, sizeof *k->measured);
    size_t values = (s->poles_total + 1) * CHUNK_MINUTES;
    k->poles = malloc(values * sizeof *k->poles);
    for (size_t i = 0; k->poles && i < values; i++)
        k->poles[i] = (double)NAN;
    return d->circuits && d->panels && k->buckets && k->measured && k->poles;
}

struct site_demand *site_demand_create(const struct site *s, struct store_reader *r,
                                       int64_t from_wall_ms, int64_t to_wall_ms,
                                       enum store_err *err)
{
    struct looking k = {.site = s, .reader = r};
    const int64_t quarter = DEMAND_MINUTES * MINUTE_MS;
    int64_t from = from_wall_ms / quarter * quarter, to = to_wall_ms / MINUTE_MS * MINUTE_MS;
    *err = STORE_ERR_MEMORY;
    if (make_room(&k)) {
        for (size_t c = 0; c < s->circuit_count; c++)
            demand_init(&k.out->circuits[c].demand, s->circuits[c].poles);
        for (size_t p = 0; p < s->panel_count; p++)
            demand_init(&k.out->panels[p].demand, s->panels[p].legs);
        k.out->from_wall_ms = from;
        k.out->to_wall_ms = to;
        *err = look(&k, from, to);
        for (size_t c = 0; c < s->circuit_count; c++)
            k.out->circuits[c].whole = is_measured(&k, &s->circuits[c]);
        for (size_t p = 0; p < s->panel_count; p++)
            k.out->panels[p].whole = is_whole(&k, (int)p);
        from = from / (60 * MINUTE_MS) * (60 * MINUTE_MS);
        if (*err == STORE_OK)
            *err = look_for_flow_back(&k, from, to);
    }
    free(k.buckets);
    free(k.measured);
    free(k.poles);
    if (*err == STORE_OK)
        return k.out;
    site_demand_destroy(k.out);
    return NULL;
}

void site_demand_destroy(struct site_demand *d)
{
    if (!d)
        return;
    free(d->circuits);
    free(d->panels);
    free(d);
}
