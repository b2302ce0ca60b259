/*
 * heat - the first-order thermal replica, and nothing else.
 *
 *     tau dh/dt = q - h        q = (I / In)^2, h = unscaled heat
 *
 * A breaker of constant k opens when h reaches k^2; the thermal level of the standard is
 * H = h / k^2. Because h does not depend on k, one state per tau serves every k. Every step is
 * the exact solution for a constant current, so splitting an interval changes nothing.
 *
 * Source     IEC 60255-149:2013, thermal electrical relays: cold curve t = tau ln(I^2 / (I^2 -
 *            (k IB)^2)), hot curve t = tau ln((I^2 - Ip^2) / (I^2 - (k IB)^2)), and the step
 *            H(t + dt) = H e^(-dt/tau) + (Ieq / (k IB))^2 (1 - e^(-dt/tau))
 * Units      seconds, amps; h and q are pure numbers
 * Threads    pure functions; a bank belongs to one thread at a time
 */
#ifndef FORETRIP_HEAT_H
#define FORETRIP_HEAT_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

/* One step of constant q. seconds >= 0, tau > 0. */
double heat_step(double h, double q, double seconds, double tau);

/* Seconds until h has risen to `level` under constant q; 0 when it is there, INFINITY when
 * never. */
double heat_seconds_to(double h, double q, double level, double tau);

/* Seconds until h has fallen to `level`; 0 when it is there, INFINITY when never. */
double heat_seconds_down_to(double h, double q, double level, double tau);

/* The curves of the standard: operating time at `amps`, from cold and after a steady `before`.
 */
double heat_cold_seconds(double amps, double k_amps, double tau);
double heat_hot_seconds(double amps, double before, double k_amps, double tau);

/* A bank: the same current through HEAT_TAUS replicas, tau spaced evenly in its logarithm, and
 * through one more, slow one: the enclosure. A panel under load warms by some 10 K, and
 * breakers lose about 0.6 % of their rating a degree (published re-rating tables), 12 % in the
 * square: so a tenth of what a breaker feels is taken to come as late as its enclosure. In the
 * steady state nothing changes. */
#define HEAT_TAUS 16
#define HEAT_STATES (HEAT_TAUS + 1) /* the last is the enclosure's */
#define HEAT_ENCLOSURE_SHARE 0.1
#define HEAT_ENCLOSURE_TAU 1800.0
#define HEAT_DECAYS 8 /* intervals whose e^(-dt/tau) is kept */

struct heat_bank {
    double tau[HEAT_STATES];
    struct {
        int64_t ms; /* 0: empty */
        double e[HEAT_STATES];
    } decays[HEAT_DECAYS];
};

/* 0 < shortest < longest, seconds. */
void heat_bank_init(struct heat_bank *b, double shortest, double longest);

/* e^(-ms/tau) for every tau, kept for the intervals that come again and again; ms > 0. Valid
 * until the next call. */
const double *heat_bank_decay(struct heat_bank *b, int64_t ms);

/* What a breaker of tau number i feels. */
static inline double heat_felt(const double h[HEAT_STATES], int i)
{
    return (1.0 - HEAT_ENCLOSURE_SHARE) * h[i] + HEAT_ENCLOSURE_SHARE * h[HEAT_TAUS];
}

/* From cold: seconds until what is felt reaches `level`, INFINITY when never. */
double heat_felt_cold_seconds(double q, double level, double tau);

typedef double heat_pair __attribute__((vector_size(2 * sizeof(double))));
_Static_assert(HEAT_TAUS % 2 == 0, "two at a time");

static inline heat_pair heat_pair_load(const double *from)
{
    heat_pair v;
    memcpy(&v, from, sizeof v);
    return v;
}

/* h <- q + (h - q) e, and top <- max(top, felt). Two at a time; each is what it would be alone.
 */
static inline void heat_bank_step(double h[HEAT_STATES], double top[HEAT_TAUS],
                                  const double e[HEAT_STATES], double q)
{
    typedef int64_t mask __attribute__((vector_size(2 * sizeof(int64_t))));
    h[HEAT_TAUS] = q + (h[HEAT_TAUS] - q) * e[HEAT_TAUS];
    heat_pair base = {q, q}, share = {1.0 - HEAT_ENCLOSURE_SHARE, 1.0 - HEAT_ENCLOSURE_SHARE};
    double around = HEAT_ENCLOSURE_SHARE * h[HEAT_TAUS];
    heat_pair enclosure = {around, around};
    for (int i = 0; i < HEAT_TAUS; i += 2) {
        heat_pair x = base + (heat_pair_load(h + i) - base) * heat_pair_load(e + i);
        heat_pair felt = share * x + enclosure, most = heat_pair_load(top + i);
        mask hotter = felt > most;
        most = (heat_pair)(((mask)felt & hotter) | ((mask)most & ~hotter));
        memcpy(h + i, &x, sizeof x);
        memcpy(top + i, &most, sizeof most);
    }
}

#endif
