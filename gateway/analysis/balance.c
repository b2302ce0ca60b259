#include "balance.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

typedef double complex cx;

#define HALVINGS 40

/* ---- the search ---- */

struct search {
    size_t n; /* variables; the one that is fixed is number n */
    int legs;
    double price;
    const cx *r; /* (n + 1)^2, upper */
    cx turn[SITE_MAX_LEGS];
    cx x[BALANCE_MOST + 1];
    int at[BALANCE_MOST], best[BALANCE_MOST];
    double least;
    uint64_t nodes;
};

static cx row_sum(const struct search *s, size_t k)
{
    cx sum = 0.0;
    for (size_t j = k + 1; j <= s->n; j++)
        sum += s->r[k * (s->n + 1) + j] * s->x[j];
    return sum;
}

static double square(cx v)
{
    return creal(v) * creal(v) + cimag(v) * cimag(v);
}

/* variables k .. 0 are still to be set; so much is spent already */
static void descend(struct search *s, size_t left, double spent)
{
    if (left == 0) {
        s->least = spent;
        memcpy(s->best, s->at, sizeof s->best);
        return;
    }
    size_t k = left - 1;
    double cost[SITE_MAX_LEGS] = {0};
    cx rest = row_sum(s, k), own = s->r[k * (s->n + 1) + k];
    for (int t = 0; t < s->legs; t++)
        cost[t] = square(rest + own * s->turn[t]) + (t ? s->price : 0.0);
    for (int done = 0; done < s->legs; done++) { /* the cheapest first */
        int t = 0;
        for (int i = 1; i < s->legs; i++)
            if (cost[i] < cost[t])
                t = i;
        if (spent + cost[t] >= s->least * (1.0 - 1e-12) || ++s->nodes > BALANCE_MOST_NODES)
            return;
        s->x[k] = s->turn[t];
        s->at[k] = t;
        descend(s, k, spent + cost[t]);
        cost[t] = (double)INFINITY;
    }
}

/* R of Q = R^H R, in place of q; false when q is not positive */
static bool factor(cx *q, size_t m)
{
    for (size_t i = 0; i < m; i++) {
        double d = creal(q[i * m + i]);
        for (size_t k = 0; k < i; k++)
            d -= square(q[k * m + i]);
        if (!(d > 0.0))
            return false;
        double root = sqrt(d);
        q[i * m + i] = root;
        for (size_t j = i + 1; j < m; j++) {
            cx v = q[i * m + j];
            for (size_t k = 0; k < i; k++)
                v -= conj(q[k * m + i]) * q[k * m + j];
            q[i * m + j] = v / root;
        }
    }
    return true;
}

/* of each variable one over the diagonal of Q's inverse: what is left of it whatever the others
 * do. column: m of room */
static void own_parts(const cx *r, size_t m, cx *column, double *own)
{
    for (size_t i = 0; i < m; i++)
        own[i] = 0.0;
    for (size_t k = 0; k < m; k++) { /* R y = e_k */
        for (size_t i = k + 1; i-- > 0;) {
            cx v = i == k ? 1.0 : 0.0;
            for (size_t j = i + 1; j <= k; j++)
                v -= r[i * m + j] * column[j];
            column[i] = v / r[i * m + i];
            own[i] += square(column[i]);
        }
    }
    for (size_t i = 0; i < m; i++)
        own[i] = 1.0 / own[i];
}

/* Every |x| is 1, so x^H D x is the same for all plans when D is diagonal: as much of it as
 * leaves Q - D positive is taken out first, and the bound is so much the better. In place of q
 * comes R of Q - D; false when memory is short. */
static bool factor_rest(cx *q, size_t m)
{
    double own[BALANCE_MOST + 1], trace = 0.0, low = 0.0, high = 1.0;
    cx column[BALANCE_MOST + 1];
    cx *r = malloc(m * m * sizeof *r);
    if (!r)
        return false;
    for (size_t i = 0; i < m; i++)
        trace += creal(q[i * m + i]);
    for (size_t i = 0; i < m; i++)
        q[i * m + i] += 1e-9 * (trace + 1e-9);
    memcpy(r, q, m * m * sizeof *r);
    if (factor(r, m))
        own_parts(r, m, column, own);
    else
        memset(own, 0, sizeof own);
    own[m - 1] = 0.0; /* the one that is fixed */
    for (int i = 0; i < HALVINGS; i++) {
        double share = 0.5 * (low + high);
        memcpy(r, q, m * m * sizeof *r);
        for (size_t k = 0; k < m; k++)
            r[k * m + k] -= share * own[k];
        *(factor(r, m) ? &low : &high) = share;
    }
    for (size_t k = 0; k < m; k++)
        q[k * m + k] -= low * own[k];
    bool good = factor(q, m);
    free(r);
    return good;
}

static double value_of(const double *q, size_t n, const cx *x, const int *turns, double price)
{
    double sum = 0.0;
    for (size_t i = 0; i <= n; i++)
        for (size_t j = 0; j <= n; j++) {
            const double *v = q + 2 * (i * (n + 1) + j);
            sum += creal(conj(x[i]) * (v[0] + v[1] * I) * x[j]);
        }
    for (size_t i = 0; i < n; i++)
        sum += turns[i] ? price : 0.0;
    return sum;
}

struct by_size {
    size_t index;
    double size;
};

static int smaller_first(const void *a, const void *b)
{
    const struct by_size *x = a, *y = b;
    return (x->size > y->size) - (x->size < y->size);
}

bool balance_least(const double *q, size_t n, int legs, double price, int *turns, double *least)
{
    size_t m = n + 1;
    struct search s = {.n = n, .legs = legs, .price = price};
    struct by_size order[BALANCE_MOST + 1];
    cx *r = malloc(m * m * sizeof *r), x[BALANCE_MOST + 1];
    if (!r)
        return false;
    for (int t = 0; t < legs; t++)
        s.turn[t] = legs == 2 ? (t ? -1.0 : 1.0) : cexp(2.0 * I * M_PI * t / 3.0);
    for (size_t i = 0; i < n; i++)
        order[i] = (struct by_size){i, q[2 * (i * m + i)]};
    qsort(order, n, sizeof order[0], smaller_first); /* the search begins at the end */
    order[n] = (struct by_size){n, 0.0};
    for (size_t i = 0; i < m; i++) {
        for (size_t j = 0; j < m; j++) {
            const double *v = q + 2 * (order[i].index * m + order[j].index);
            r[i * m + j] = v[0] + v[1] * I;
        }
    }
    *least = (double)NAN;
    if (!factor_rest(r, m)) {
        free(r);
        return false;
    }
    s.r = r;
    s.x[n] = 1.0;
    s.least = (double)INFINITY;
    descend(&s, n, square(r[n * m + n]));
    for (size_t i = 0; i < n; i++) {
        turns[order[i].index] = s.best[i];
        x[order[i].index] = s.turn[s.best[i]];
    }
    x[n] = 1.0;
    *least = value_of(q, n, x, turns, price);
    free(r);
    return s.nodes <= BALANCE_MOST_NODES;
}

/* ---- a panel ---- */

struct group {
    int circuits[SITE_MAX_LEGS];
    int count;
};

struct balance {
    const struct site *site;
    int panel, legs;
    const bool *measured;
    struct group groups[BALANCE_MOST];
    size_t count;
    int group_of[SITE_MAX_CIRCUITS]; /* -1: stays, -2: of another panel or not measured */
    double *q;                       /* sums */
    cx *d;
    size_t quarters;
};

static bool can_move(const struct balance *b, const struct site_circuit *c)
{
    return c->poles == 1 && b->legs > 1;
}

/* the group of one that shares its neutral, -1: none yet */
static int find_group(const struct balance *b, const struct site_circuit *c)
{
    for (size_t g = 0; c->neutral_group[0] && g < b->count; g++) {
        const struct group *x = &b->groups[g];
        if (x->count < SITE_MAX_LEGS &&
            strcmp(b->site->circuits[x->circuits[0]].neutral_group, c->neutral_group) == 0)
            return (int)g;
    }
    return -1;
}

struct balance *balance_create(const struct site *s, int panel, const bool *measured)
{
    struct balance *b = calloc(1, sizeof *b);
    if (!b)
        return NULL;
    b->site = s;
    b->panel = panel;
    b->legs = s->panels[panel].legs;
    b->measured = measured;
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct site_circuit *c = &s->circuits[i];
        b->group_of[i] = c->panel == panel && measured[i] ? -1 : -2;
        if (b->group_of[i] == -2 || !can_move(b, c))
            continue;
        int g = find_group(b, c);
        if (g < 0 && b->count == BALANCE_MOST)
            continue; /* it stays */
        if (g < 0)
            g = (int)b->count++;
        struct group *x = &b->groups[g];
        x->circuits[x->count++] = (int)i;
        b->group_of[i] = g;
    }
    b->q = calloc(2 * (b->count + 1) * (b->count + 1), sizeof *b->q);
    b->d = calloc(b->count + 1, sizeof *b->d);
    if (b->q && b->d)
        return b;
    balance_destroy(b);
    return NULL;
}

void balance_destroy(struct balance *b)
{
    if (!b)
        return;
    free(b->q);
    free(b->d);
    free(b);
}

static cx direction(int legs, char leg)
{
    if (legs == 2)
        return leg == 'B' ? -1.0 : 1.0;
    return cexp(2.0 * I * M_PI * (leg - 'A') / 3.0);
}

void balance_quarter(struct balance *b, const double *pole_amps)
{
    size_t m = b->count + 1;
    for (size_t g = 0; g < m; g++)
        b->d[g] = 0.0;
    for (size_t i = 0; i < b->site->circuit_count; i++) {
        const struct site_circuit *c = &b->site->circuits[i];
        if (b->group_of[i] == -2)
            continue;
        size_t g = b->group_of[i] < 0 ? b->count : (size_t)b->group_of[i];
        for (int p = 0; p < c->poles; p++) {
            double amps = pole_amps[c->first_pole + p];
            if (isnan(amps))
                return;
            b->d[g] += amps * direction(b->legs, c->leg[p]);
        }
    }
    for (size_t i = 0; i < m; i++)
        for (size_t j = 0; j < m; j++) {
            cx v = conj(b->d[i]) * b->d[j];
            b->q[2 * (i * m + j)] += creal(v);
            b->q[2 * (i * m + j) + 1] += cimag(v);
        }
    b->quarters++;
}

size_t balance_quarters(const struct balance *b)
{
    return b->quarters;
}

size_t balance_movable(const struct balance *b)
{
    size_t n = 0;
    for (size_t g = 0; g < b->count; g++)
        n += (size_t)b->groups[g].count;
    return n;
}

static void list_moves(const struct balance *b, const int *turns, struct balance_plan *out)
{
    for (size_t g = 0; g < b->count; g++)
        for (int i = 0; turns[g] && i < b->groups[g].count; i++) {
            int circuit = b->groups[g].circuits[i];
            char from = b->site->circuits[circuit].leg[0];
            char to = (char)('A' + (from - 'A' + turns[g]) % b->legs);
            out->move[out->moves++] = (struct balance_move){circuit, from, to};
        }
}

bool balance_solve(struct balance *b, struct balance_plan *out)
{
    size_t m = b->count + 1;
    int turns[BALANCE_MOST] = {0};
    cx x[BALANCE_MOST + 1];
    *out = (struct balance_plan){0};
    if (b->legs < 2 || b->quarters == 0 || b->count == 0)
        return false;
    double *q = calloc(2 * m * m, sizeof *q);
    if (!q)
        return false;
    for (size_t i = 0; i < 2 * m * m; i++)
        q[i] = b->q[i] / (double)b->quarters;
    for (size_t g = 0; g < m; g++)
        x[g] = 1.0;
    double before = value_of(q, b->count, x, turns, 0.0), least;
    out->price = BALANCE_LEAST_SHARE * before;
    out->proven = balance_least(q, b->count, b->legs, out->price, turns, &least);
    for (size_t g = 0; g < b->count; g++)
        x[g] = turns[g] == 0  ? 1.0
               : b->legs == 2 ? -1.0
                              : cexp(2.0 * I * M_PI * turns[g] / 3.0);
    double after = value_of(q, b->count, x, turns, 0.0);
    out->neutral_before_amps = sqrt(fmax(before, 0.0));
    out->neutral_after_amps = sqrt(fmax(after, 0.0));
    list_moves(b, turns, out);
    free(q);
    return true;
}

char balance_leg(const struct site *s, const struct balance_plan *p, int circuit, int pole)
{
    for (int i = 0; i < p->moves; i++)
        if (p->move[i].circuit == circuit)
            return p->move[i].to;
    return s->circuits[circuit].leg[pole];
}
