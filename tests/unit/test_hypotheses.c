/* hypotheses: the weights of the breakers that may be there, against the normal distribution
 * and Bayes' rule worked out here */
#include "check.h"

#include "analysis/hypotheses.h"

#include <stdlib.h>

static struct hypotheses_class class; /* large: one at a time */
static struct hypotheses_view view;
static const double none_held[HEAT_TAUS];

/* a 15 A breaker of UL 489: holds 100 %, opens at 135 % within an hour */
static void set_class(double worn_share)
{
    struct breaker_limits l = breaker_limits_of(SITE_UL489, 15.0, 0);
    hypotheses_class_init(&class, &l, worn_share);
    hypotheses_view_init(&view, &class, NULL, none_held);
}

static double normal(double z) /* P(Z <= z) */
{
    return 0.5 * erfc(-z * M_SQRT1_2);
}

static int level_near(double k)
{
    return (int)lround((2.0 * log(k) - hypotheses_ln_theta(0)) / HYPOTHESES_LN_STEP);
}

/* a tau that is possible at that level */
static int tau_at(int level)
{
    int best = 0;
    for (int i = 1; i < HEAT_TAUS; i++)
        if (class.prior.at[i][level] > class.prior.at[best][level])
            best = i;
    assert_true(class.prior.at[best][level] > 0.0F);
    return best;
}

/* The breaker is known: it is that one. */
static void know(int tau, int level)
{
    struct hypotheses_grid only;
    memset(&only, 0, sizeof only);
    only.at[tau][level] = 1.0F;
    hypotheses_view_init(&view, &class, &only, none_held);
    assert_near(view.weight.at[tau][level], 1.0, 1e-6);
}

static double sum_of(const struct hypotheses_grid *g)
{
    double sum = (double)g->never;
    for (int i = 0; i < HEAT_TAUS; i++)
        for (int j = 0; j < HYPOTHESES_LEVELS; j++)
            sum += (double)g->at[i][j];
    return sum;
}

/* "a configured share of worn ones, half of it on the quick side .., half on the slow side ..,
 * a tenth of them never opening at all" */
static void the_prior_has_the_worn_share_in_it(void **state)
{
    static const double shares[] = {0.0, 0.08, 0.5};
    (void)state;
    for (size_t k = 0; k < sizeof shares / sizeof shares[0]; k++) {
        set_class(shares[k]);
        assert_near(sum_of(&class.prior), 1.0, 1e-5);
        assert_near(sum_of(&view.weight), 1.0, 1e-5);
        assert_near(hypotheses_quick(&view), 0.5 * shares[k], 1e-4);
        assert_near(class.prior.never, 0.05 * shares[k], 2e-6);
    }
}

/* Without worn ones every breaker keeps all rows of its standard, but for the half of a cell
 * that lies beyond an edge: UL 489, 15 A: 100 % for ever, 135 % within an hour, 200 % within
 * two minutes. */
static void a_sound_breaker_keeps_every_row_of_its_standard(void **state)
{
    (void)state;
    set_class(0.0);
    double half_tau = 0.5 * log(class.bank.tau[1] / class.bank.tau[0]);
    for (int i = 0; i < HEAT_TAUS; i++)
        for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
            if (!(class.prior.at[i][j] > 0.0F))
                continue;
            double ln_theta = hypotheses_ln_theta(j), half = 0.5 * HYPOTHESES_LN_STEP;
            assert_true(exp(0.5 * (ln_theta + half)) >= 1.0);
            assert_true(exp(0.5 * (ln_theta - half)) <= 1.35);
            double soonest = class.bank.tau[i] * exp(-half_tau);
            assert_true(heat_felt_cold_seconds(4.0, exp(ln_theta - half), soonest) <= 120.0);
            assert_true(heat_felt_cold_seconds(1.35 * 1.35, exp(ln_theta - half), soonest) <=
                        3600.0);
        }
    /* and the whole width between what it must hold and what must open it is there */
    assert_true(class.prior.at[tau_at(level_near(1.02))][level_near(1.02)] > 0.0F);
    assert_true(class.prior.at[tau_at(level_near(1.3))][level_near(1.3)] > 0.0F);
}

/* "A breaker of level theta opens when its heat h reaches theta e^(z s)" */
static void a_known_breaker_holds_by_the_normal_distribution(void **state)
{
    (void)state;
    set_class(0.08);
    for (int j = level_near(0.8); j <= level_near(1.3); j += 3) {
        int i = tau_at(j);
        know(i, j);
        for (double z = -3.0; z <= 3.0; z += 0.25)
            assert_near(hypotheses_survive(
                            &view, i, hypotheses_ln_theta(j) + z * HYPOTHESES_SPREAD_AHEAD),
                        1.0 - normal(z), 2e-3);
        assert_near(hypotheses_survive(&view, i, -100.0), 1.0, 1e-6);
        assert_near(hypotheses_survive(&view, i, 100.0), 0.0, 1e-6);
        assert_near(hypotheses_survive(&view, (i + 1) % HEAT_TAUS, 0.0), 0.0, 1e-6);
    }
}

static void what_never_opens_holds_at_any_heat(void **state)
{
    struct hypotheses_grid never;
    double sum = 0.0;
    (void)state;
    set_class(0.08);
    memset(&never, 0, sizeof never);
    never.never = 1.0F;
    hypotheses_view_init(&view, &class, &never, none_held);
    for (int i = 0; i < HEAT_TAUS; i++)
        sum += hypotheses_survive(&view, i, 50.0);
    assert_near(sum, 1.0, 1e-6);
}

/* The openings on the way through its level add up to one, of the kind that it is. */
static void a_known_breaker_opens_once_on_the_way_up(void **state)
{
    static const double ks[] = {0.8, 1.2};
    (void)state;
    set_class(0.08);
    for (int worn = 0; worn < 2; worn++) {
        int j = level_near(ks[!worn]), i = tau_at(j);
        double all[2] = {0.0}, rise[HEAT_TAUS] = {0.0}, h[HEAT_TAUS] = {0.0};
        know(i, j);
        rise[i] = 0.01;
        for (double ln_h = hypotheses_ln_theta(j) - 0.5; ln_h < hypotheses_ln_theta(j) + 0.5;
             ln_h += rise[i]) {
            double sound, quick;
            h[i] = exp(ln_h);
            hypotheses_opening(&view, h, rise, &sound, &quick);
            all[0] += sound;
            all[1] += quick;
        }
        assert_near(all[worn], 1.0, 0.01);
        assert_near(all[!worn], 0.0, 1e-3);
        /* the density of a normal distribution at its mean */
        double sound, quick;
        h[i] = exp(hypotheses_ln_theta(j));
        hypotheses_opening(&view, h, rise, &sound, &quick);
        assert_near(sound + quick, 0.01 / (sqrt(2.0 * 3.14159265358979) * HYPOTHESES_SPREAD),
                    1e-4);
        rise[i] = 5.0; /* within one reading: not more than a level of it */
        hypotheses_opening(&view, h, rise, &sound, &quick);
        assert_true(sound + quick < 1.0);
        h[i] = 0.0; /* cold */
        hypotheses_opening(&view, h, rise, &sound, &quick);
        assert_near(sound + quick, 0.0, 0.0);
    }
}

/* Bayes: an opening at heat h speaks for a level by the density of ln h about it; one that came
 * by heat with probability p is a mixture of that and of nothing learned; `forget` of the prior
 * comes back */
static void an_opening_is_learned_by_bayes(void **state)
{
    static const struct {
        double p, forget;
    } cases[] = {{1.0, 0.0}, {0.5, 0.0}, {0.0, 0.0}, {1.0, 0.1}};
    (void)state;
    set_class(0.08);
    double h[HEAT_TAUS], ln_h = 2.0 * log(1.15);
    for (int i = 0; i < HEAT_TAUS; i++)
        h[i] = exp(ln_h);
    for (size_t n = 0; n < sizeof cases / sizeof cases[0]; n++) {
        struct hypotheses_grid *learned = hypotheses_grid_create();
        double fits[HYPOTHESES_LEVELS], all = 0.0;
        assert_non_null(learned);
        hypotheses_view_init(&view, &class, NULL, none_held);
        hypotheses_learn(&view, none_held, h, cases[n].p, cases[n].forget, learned);
        hypotheses_view_init(&view, &class, learned, none_held);
        for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
            double z = (ln_h - hypotheses_ln_theta(j)) / HYPOTHESES_SPREAD;
            fits[j] = exp(-0.5 * z * z);
            for (int i = 0; i < HEAT_TAUS; i++)
                all += (double)class.prior.at[i][j] * fits[j];
        }
        for (int i = 0; i < HEAT_TAUS; i++)
            for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
                double was = (double)class.prior.at[i][j], told = was * fits[j] / all;
                double post = cases[n].p * told + (1.0 - cases[n].p) * was;
                post = (1.0 - cases[n].forget) * post + cases[n].forget * was;
                assert_near(view.weight.at[i][j], post, 1e-5);
            }
        free(learned);
    }
}

/* No hypothesis can have opened at next to no heat: it was something else, and nothing is
 * learned. What it held before counts all the same, as it does in the view. */
static void an_opening_that_none_can_explain_teaches_nothing(void **state)
{
    struct hypotheses_grid *learned = hypotheses_grid_create();
    static struct hypotheses_view held_view;
    double held[HEAT_TAUS], cold[HEAT_TAUS];
    (void)state;
    set_class(0.08);
    for (int i = 0; i < HEAT_TAUS; i++) {
        held[i] = 1.1;
        cold[i] = 1e-4;
    }
    assert_non_null(learned);
    hypotheses_view_init(&held_view, &class, NULL, held);
    hypotheses_learn(&view, held, cold, 1.0, 0.0, learned);
    hypotheses_view_init(&view, &class, learned, none_held);
    for (int i = 0; i < HEAT_TAUS; i++)
        for (int j = 0; j < HYPOTHESES_LEVELS; j++)
            assert_near(view.weight.at[i][j], held_view.weight.at[i][j], 1e-6);
    free(learned);
}

/* What was held makes the levels below it unlikely and leaves those above alone. */
static void what_was_held_speaks_against_the_levels_below(void **state)
{
    double held[HEAT_TAUS] = {0.0};
    (void)state;
    set_class(0.5);
    int low = level_near(0.7), at = level_near(1.1), high = level_near(1.3);
    for (int i = 0; i < HEAT_TAUS; i++)
        held[i] = exp(hypotheses_ln_theta(at));
    hypotheses_view_init(&view, &class, NULL, held);
    double scale[3];
    for (int n = 0; n < 3; n++) {
        int j = n == 0 ? low : n == 1 ? at : high, i = tau_at(j);
        scale[n] = (double)view.weight.at[i][j] / (double)class.prior.at[i][j];
    }
    assert_near(scale[1] / scale[2], 0.5, 0.01);  /* it held by chance */
    assert_near(scale[0] / scale[2], 0.01, 2e-3); /* one warming is never certain */
    assert_near(sum_of(&view.weight), 1.0, 1e-5);
}

/* "each counts a part": half, so the root of its probability */
static void a_warming_that_ended_counts_half(void **state)
{
    struct hypotheses_grid *learned = hypotheses_grid_create();
    (void)state;
    set_class(0.08);
    assert_non_null(learned);
    int at = level_near(1.0);
    hypotheses_learn_warming(&class, 5, exp(hypotheses_ln_theta(at)), learned);
    for (int j = 0; j < HYPOTHESES_LEVELS; j++) {
        double z = (at - j) * HYPOTHESES_LN_STEP / HYPOTHESES_SPREAD;
        double held = fmax(1.0 - normal(z), 1e-6); /* never quite excluded */
        assert_near(learned->at[5][j], sqrt(held), fabs(z) < 4.0 ? 1e-3 : 2e-3);
        assert_near(learned->at[4][j], 1.0, 0.0);
    }
    free(learned);
}

static void breakers_of_one_kind_share_a_class(void **state)
{
    struct breaker_limits l = breaker_limits_of(SITE_UL489, 15.0, 0);
    (void)state;
    set_class(0.08);
    assert_true(hypotheses_class_is(&class, &l, 0.08));
    assert_false(hypotheses_class_is(&class, &l, 0.1));
    double *const fields[] = {&l.hold,
                              &l.open,
                              &l.open_seconds,
                              &l.quick,
                              &l.quick_least_seconds,
                              &l.quick_most_seconds,
                              &l.instant_least,
                              &l.instant_most};
    for (size_t k = 0; k < sizeof fields / sizeof fields[0]; k++) {
        double was = *fields[k];
        *fields[k] += 1.0;
        assert_false(hypotheses_class_is(&class, &l, 0.08));
        *fields[k] = was;
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_prior_has_the_worn_share_in_it),
        cmocka_unit_test(a_sound_breaker_keeps_every_row_of_its_standard),
        cmocka_unit_test(a_known_breaker_holds_by_the_normal_distribution),
        cmocka_unit_test(what_never_opens_holds_at_any_heat),
        cmocka_unit_test(a_known_breaker_opens_once_on_the_way_up),
        cmocka_unit_test(an_opening_is_learned_by_bayes),
        cmocka_unit_test(an_opening_that_none_can_explain_teaches_nothing),
        cmocka_unit_test(what_was_held_speaks_against_the_levels_below),
        cmocka_unit_test(a_warming_that_ended_counts_half),
        cmocka_unit_test(breakers_of_one_kind_share_a_class),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
