/*
 * balance - which breakers of a panel should be on another leg, so that its legs carry alike.
 *
 * What one leg carries more than another flows in the neutral. With x a turn of each breaker's
 * current (+1 and -1 on two legs, the third roots of unity on three) and d its currents as they
 * stand on the legs, the neutral of a quarter of an hour is |sum x d|, and its mean square over
 * the record is
 *
 *     x^H Q x        Q = mean of d d^H
 *
 * Wanted is the x with the least of it, plus a price for every breaker that is moved, so that
 * what changes little stays where it is. With Q = R^H R, R upper triangular, the sum over the
 * rows from the last one up is a bound that only grows: a search in depth over the breakers,
 * the largest first, finds the best of all 2^n (3^n) plans and knows that it is (a sphere
 * decoder).
 *
 * What stays: breakers of two and three poles, those that nothing measures. Circuits that share
 * a neutral turn together, so that they stay on different legs (NEC 210.4; 300.13).
 *
 * Amps of one leg are taken to be in phase with one another.
 *
 * Ownership  balance_create .. balance_destroy; borrows the site
 * Cost       milliseconds for two dozen breakers; bounded by BALANCE_MOST_NODES
 */
#ifndef FORETRIP_BALANCE_H
#define FORETRIP_BALANCE_H

#include "model/site.h"

#define BALANCE_MOST 64            /* breakers, or groups, that can move */
#define BALANCE_MOST_NODES 5000000 /* of the search; after them the plan is the best found */
/* a move must save so much of the mean square as it stands */
#define BALANCE_LEAST_SHARE 0.05

struct balance;

struct balance_plan {
    bool proven; /* no plan is better; else the search was cut short */
    int moves;   /* breakers that change their leg */
    double neutral_before_amps, neutral_after_amps; /* root of the mean square */
    double price;                                   /* mean square that a move costs */
    struct balance_move {
        int circuit;
        char from, to; /* legs */
    } move[BALANCE_MOST * SITE_MAX_LEGS];
};

/* NULL when memory is short. measured: per circuit. */
struct balance *balance_create(const struct site *s, int panel, const bool *measured);
void balance_destroy(struct balance *b);

/* One quarter of an hour: the mean amps of every pole of the site. Left out when a measured one
 * is NaN. */
void balance_quarter(struct balance *b, const double *pole_amps);

/* How many quarters were taken, and how many breakers could move. */
size_t balance_quarters(const struct balance *b);
size_t balance_movable(const struct balance *b);

/* False when there is nothing to do it with: one leg, no quarters, nothing that can move. */
bool balance_solve(struct balance *b, struct balance_plan *out);

/* The leg of a circuit's pole (0-based) under a plan. */
char balance_leg(const struct site *s, const struct balance_plan *p, int circuit, int pole);

/* ---- the bare problem, for the test ---- */

/* Least of x^H Q x + price * (how many x are not 1), x[n] = 1 fixed; q: (n + 1)^2, row by row,
 * Hermitian, re and im beside each other. turns: n of 0 .. legs - 1. False: cut short. */
bool balance_least(const double *q, size_t n, int legs, double price, int *turns,
                   double *least);

#endif
