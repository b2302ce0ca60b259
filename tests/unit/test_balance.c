/* The plan for a panel's legs against all plans there are, on small panels; what must stay. */
#include "check.h"

#include "analysis/balance.h"

#include <complex.h>
#include <stdlib.h>

/* numbers without a pattern, the same everywhere (SplitMix64) */
static double chance(uint64_t *state)
{
    uint64_t z = (*state += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return (double)((z ^ (z >> 31)) >> 11) / 9007199254740992.0;
}

static double value(const double *q, size_t n, int legs, double price, const int *turns)
{
    double complex x[16], sum = 0.0;
    double moved = 0.0;
    for (size_t i = 0; i < n; i++) {
        x[i] = legs == 2 ? (turns[i] ? -1.0 : 1.0) : cexp(2.0 * I * M_PI * turns[i] / 3.0);
        moved += turns[i] ? price : 0.0;
    }
    x[n] = 1.0;
    for (size_t i = 0; i <= n; i++)
        for (size_t j = 0; j <= n; j++)
            sum += conj(x[i]) * (q[2 * (i * (n + 1) + j)] + I * q[2 * (i * (n + 1) + j) + 1]) *
                   x[j];
    return creal(sum) + moved;
}

static double try_all(const double *q, size_t n, int legs, double price)
{
    int turns[16] = {0};
    double least = (double)INFINITY;
    for (;;) {
        least = fmin(least, value(q, n, legs, price, turns));
        size_t i = 0;
        while (i < n && ++turns[i] == legs)
            turns[i++] = 0;
        if (i == n)
            return least;
    }
}

/* Q of so many quarters with few loads on at a time, as panels are */
static void make(double *q, size_t n, int legs, uint64_t *state)
{
    size_t m = n + 1, quarters = 5 + (size_t)(60 * chance(state));
    double complex way[16], d[16];
    for (size_t i = 0; i < 2 * m * m; i++)
        q[i] = 0.0;
    for (size_t i = 0; i < m; i++)
        way[i] = cexp(2.0 * I * M_PI * floor(legs * chance(state)) / legs);
    for (size_t t = 0; t < quarters; t++) {
        for (size_t i = 0; i < m; i++)
            d[i] = chance(state) < 0.4 ? way[i] * 15.0 * chance(state) : 0.2 * way[i];
        for (size_t i = 0; i < m; i++)
            for (size_t j = 0; j < m; j++) {
                double complex v = conj(d[i]) * d[j] / (double)quarters;
                q[2 * (i * m + j)] += creal(v);
                q[2 * (i * m + j) + 1] += cimag(v);
            }
    }
}

static void no_plan_is_better_than_the_one_found(void **state)
{
    uint64_t seed = 20260101;
    double q[2 * 16 * 16];
    (void)state;
    for (int i = 0; i < 400; i++) {
        int legs = i % 2 ? 2 : 3, turns[BALANCE_MOST] = {0};
        size_t n = 1 + (size_t)((legs == 2 ? 12 : 7) * chance(&seed));
        double least, price = i % 4 < 2 ? 0.0 : 5.0 * chance(&seed);
        make(q, n, legs, &seed);
        assert_true(balance_least(q, n, legs, price, turns, &least));
        assert_near(least, value(q, n, legs, price, turns), 1e-9);
        double best = try_all(q, n, legs, price);
        if (fabs(least - best) > 1e-6 * (1.0 + best))
            fail_msg("case %d (seed 20260101): %zu on %d legs: %.9g, but %.9g can be had", i, n,
                     legs, least, best);
    }
}

/* ---- a panel ---- */

static struct site panel_of(int legs, const char *const *circuits, size_t count)
{
    struct site s;
    site_init(&s);
    struct site_panel *p = site_add_panel(&s);
    assert_non_null(p);
    snprintf(p->id, sizeof p->id, "main");
    p->legs = legs;
    p->rating_amps = 200;
    for (size_t i = 0; i < count; i++) { /* "A", "AB", "A kitchen" (a neutral group) */
        struct site_circuit *c = site_add_circuit(&s);
        assert_non_null(c);
        const char *space = strchr(circuits[i], ' ');
        size_t poles = space ? (size_t)(space - circuits[i]) : strlen(circuits[i]);
        snprintf(c->id, sizeof c->id, "main-%02zu", i + 1);
        c->panel = 0;
        c->poles = (int)poles;
        memcpy(c->leg, circuits[i], poles);
        snprintf(c->neutral_group, sizeof c->neutral_group, "%s", space ? space + 1 : "");
        c->breaker_amps = 20;
    }
    site_finish(&s);
    return s;
}

static struct balance_plan plan_for(const struct site *s, const double *amps,
                                    const bool *measured)
{
    struct balance_plan p;
    struct balance *b = balance_create(s, 0, measured);
    assert_non_null(b);
    balance_quarter(b, amps);
    assert_true(balance_solve(b, &p));
    balance_destroy(b);
    return p;
}

static void one_of_two_equal_loads_moves(void **state)
{
    static const char *const circuits[] = {"A", "A", "B"};
    const double amps[] = {10, 10, 0.1};
    const bool measured[] = {true, true, true};
    struct site s = panel_of(2, circuits, 3);
    struct balance_plan p = plan_for(&s, amps, measured);
    (void)state;
    assert_true(p.proven);
    assert_int_equal(p.moves, 1);
    assert_int_equal(p.move[0].from, 'A');
    assert_int_equal(p.move[0].to, 'B');
    assert_near(p.neutral_before_amps, 19.9, 1e-9);
    assert_near(p.neutral_after_amps, 0.1, 1e-9);
    assert_int_equal(balance_leg(&s, &p, p.move[0].circuit, 0), 'B');
    site_free(&s);
}

static void two_poles_stay_and_a_shared_neutral_stays_on_two_legs(void **state)
{
    static const char *const circuits[] = {"AB", "A kitchen", "B kitchen", "B"};
    const double amps[] = {20, 5, 14, 1, 6}; /* the two-pole breaker's poles differ */
    const bool measured[] = {true, true, true, true};
    struct site s = panel_of(2, circuits, 4);
    struct balance_plan p = plan_for(&s, amps, measured);
    (void)state;
    /* A 20+14, B 5+1+6: 22 A. The pair turned: 21, 25 -> -4; the last turned: 40, 6. */
    assert_int_equal(p.moves, 2);
    assert_near(p.neutral_after_amps, 4, 1e-9);
    assert_int_equal(balance_leg(&s, &p, 1, 0), 'B');
    assert_int_equal(balance_leg(&s, &p, 2, 0), 'A');
    assert_int_equal(balance_leg(&s, &p, 0, 0), 'A');
    site_free(&s);
}

static void three_legs_are_turned_on(void **state)
{
    static const char *const circuits[] = {"A", "A", "A"};
    const double amps[] = {9, 9, 9};
    const bool measured[] = {true, true, true};
    struct site s = panel_of(3, circuits, 3);
    struct balance_plan p = plan_for(&s, amps, measured);
    (void)state;
    assert_int_equal(p.moves, 2);
    assert_near(p.neutral_after_amps, 0, 1e-4);
    site_free(&s);
}

static void what_is_not_measured_stays_and_one_leg_has_no_plan(void **state)
{
    static const char *const circuits[] = {"A", "A", "B"};
    const double amps[] = {10, (double)NAN, 0.1}, hole[] = {(double)NAN, 1, 1};
    const bool measured[] = {true, false, true};
    struct site s = panel_of(2, circuits, 3);
    struct balance *b = balance_create(&s, 0, measured);
    struct balance_plan p;
    (void)state;
    assert_int_equal(balance_movable(b), 2);
    balance_quarter(b, hole); /* counts for nothing */
    assert_false(balance_solve(b, &p));
    balance_quarter(b, amps);
    assert_int_equal(balance_quarters(b), 1);
    assert_true(balance_solve(b, &p));
    balance_destroy(b);
    site_free(&s);
    s = panel_of(1, circuits, 2);
    b = balance_create(&s, 0, measured);
    balance_quarter(b, amps);
    assert_false(balance_solve(b, &p));
    balance_destroy(b);
    site_free(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_plan_is_better_than_the_one_found),
        cmocka_unit_test(one_of_two_equal_loads_moves),
        cmocka_unit_test(two_poles_stay_and_a_shared_neutral_stays_on_two_legs),
        cmocka_unit_test(three_legs_are_turned_on),
        cmocka_unit_test(what_is_not_measured_stays_and_one_leg_has_no_plan),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
