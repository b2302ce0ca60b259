/* evidence, together, causes: each piece, and the causes that come of them */
#include "evidence_rig.h"

static double odds(const struct fall_facts *f, const struct falls *h)
{
    struct evidence_list l;
    evidence_judge(f, h, &no_levels, LOST, &l);
    return l.sum;
}

/* the pieces that are listed add up to the sum, but for what says nothing */
static void the_list_adds_up(void **state)
{
    struct falls h;
    struct evidence_list l;
    struct fall_facts f = plain();
    double sum = 0;
    (void)state;
    falls_init(&h);
    evidence_judge(&f, &h, &no_levels, LOST, &l);
    for (size_t k = 0; k < l.count; k++) {
        assert_non_null(l.items[k].what);
        sum += l.items[k].log_ratio;
    }
    assert_near(sum, l.sum, 0.05 * EVIDENCE_PIECES);
}

/* as if it had been judged with those levels at once */
static void levels_are_judged_anew_and_nothing_else(void **state)
{
    struct falls h;
    struct evidence_list then, now;
    struct fall_facts f = plain();
    struct stillness lost = {0}, off = {0}, elsewhere = {0};
    const struct stillness_known known = {&lost, &off, &elsewhere, (double)NAN};
    struct stillness_seen idle = {0};
    (void)state;
    falls_init(&h);
    f.back = true;
    f.silent_seconds = 900.0;
    f.after_amps = f.after_rms = 0.006;
    f.after_polls = 900;
    stillness_see(&f.seen, 900 * 3.6e-5, 900 * 6.0 * 3.6e-5 * 3.6e-5, 900);
    evidence_judge(&f, &h, &no_levels, LOST, &then);
    stillness_see(&idle, 900 * 4e-4, 900 * 6.0 * 1.6e-7, 900);
    for (int k = 0; k < 4; k++) {
        stillness_learn(&lost, &f.seen, STILLNESS_LOST_ODDS);
        stillness_learn(&off, &idle, STILLNESS_OFF_ODDS);
    }
    evidence_judge_levels(&f, &h, &known, &then);
    evidence_judge(&f, &h, &known, LOST, &now);
    assert_near(then.sum, now.sum, 0.1); /* pieces too small to be listed stay in it */
    assert_near(evidence_levels(&then, true), evidence_levels(&now, true), 1e-9);
    assert_true(evidence_levels(&then, true) > 1.0);
    assert_int_equal(then.count, now.count);
    double sum = then.sum;
    evidence_drop(&then, "stillness");
    assert_int_equal(then.count, now.count - 1);
    assert_true(then.sum < sum - 1.0);
    evidence_drop(&then, "stillness");
    assert_int_equal(then.count, now.count - 1);
}

static void each_piece_points_its_way(void **state)
{
    struct falls h;
    (void)state;
    falls_init(&h);
    struct fall_facts base = plain();
    double usual = odds(&base, &h);
    struct {
        const char *name;
        struct fall_facts f;
        int sign;
    } cases[] = {
        {"two heavy loads at once", plain(), 1}, {"the breaker is hot", plain(), 1},
        {"a switch-on just before", plain(), 1}, {"a surge", plain(), 1},
        {"just after a reset", plain(), 1},      {"on the full hour", plain(), -1},
        {"late in the evening", plain(), -1},    {"it fell in stages", plain(), -1},
        {"current is left", plain(), -1},        {"it had run for days", plain(), 1},
    };
    cases[0].f.loads = 2;
    cases[0].f.ages[0] = 2000;
    cases[0].f.ages[1] = 300;
    cases[0].f.sizes[0] = 8;
    cases[0].f.sizes[1] = 9;
    cases[1].f.heat.chance_overload = 1e-3;
    cases[2].f.switch_on_seconds = 1;
    cases[2].f.switch_on_amps = 9;
    cases[3].f.amps = 90;
    cases[4].f.reset_seconds = 2;
    cases[5].f.local_seconds = 20000LL * 86400 + 15 * 3600;
    cases[6].f.local_seconds = 20000LL * 86400 + 22 * 3600 + 1234;
    cases[7].f.staged = 0.5;
    cases[8].f.after_amps = 0.04;
    cases[8].f.after_polls = 30;
    cases[9].f.ages[0] = 5 * 86400.0;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        double moved = odds(&cases[k].f, &h) - usual;
        if (cases[k].sign > 0 ? moved < 0.3 : moved > -0.3)
            fail_msg("%s moves the odds by %g", cases[k].name, moved);
    }
}

static void a_small_standing_load_that_went_too_tells(void **state)
{
    struct falls h;
    struct fall_facts f = plain();
    (void)state;
    falls_init(&h);
    for (int k = 0; k < 8; k++)
        falls_low(&h, 0.04); /* what is left when the loads end */
    f.after_polls = 30;
    f.after_amps = 0.003;
    assert_true(evidence_rest(&f, &h) > 2.0);
    f.after_amps = 0.04;
    assert_true(evidence_rest(&f, &h) < -3.0);
}

static void silence_counts_until_it_comes_back(void **state)
{
    struct falls h;
    struct fall_facts f = plain();
    (void)state;
    falls_init(&h);
    ended_often(&h);
    f.silent_seconds = 60;
    double minute = evidence_silence(&f, &h);
    f.silent_seconds = 3 * 3600;
    assert_true(evidence_silence(&f, &h) > minute + 2.0);
    f.silent_seconds = 1500;
    f.back = true; /* just when it always does */
    assert_true(evidence_silence(&f, &h) < 0.0);
}

static void readings_lost_before_the_fall_make_a_coincidence_likelier(void **state)
{
    struct falls h;
    struct fall_facts f = plain();
    (void)state;
    falls_init(&h);
    f.loads = 2;
    f.ages[0] = 2000;
    f.ages[1] = 300;
    f.sizes[0] = f.sizes[1] = 8;
    double clean = evidence_natural_here(&f, &h);
    f.gap_seconds = 600;
    assert_true(evidence_natural_here(&f, &h) > clean);
}

/* The breaker's chances are those of the whole gap; where nobody knows what it carried in it
 * they are no more than its share of every second. */
static void in_a_long_gap_the_chance_by_heat_is_spread_over_it(void **state)
{
    struct fall_facts f = plain();
    (void)state;
    f.heat.chance_overload = 0.2;
    f.heat.chance_worn = 0.1;
    double sharp = evidence_heat_per_second(&f);
    f.gap_seconds = 100.0;
    assert_near(evidence_heat_per_second(&f), sharp / 100.0, 1e-12);
    f.gap_seconds = 9.0; /* it carried what it did before */
    assert_near(evidence_heat_per_second(&f), sharp, 1e-12);
}

static void a_step_that_was_never_seen_is_no_load_of_its_own(void **state)
{
    struct fall_facts f = plain();
    (void)state;
    f.watched_days = 10;
    double unseen = evidence_no_such_step(&f);
    assert_near(unseen, 1.0, 1e-9);
    f.ends_like = 3;
    assert_true(evidence_no_such_step(&f) < 0.2);
    f.ends_like = 0;
    f.begins_like = 3; /* seen to begin, in this spell or before */
    assert_true(evidence_no_such_step(&f) < 0.2);
    f.begins_like = 0;
    f.watched_days = 0.5; /* what does a circuit say that is hardly known? */
    assert_true(evidence_no_such_step(&f) < 0.1);
}

static void a_fault_opens_before_a_load_is_read_twice(void **state)
{
    struct falls h;
    struct fall_facts f = plain();
    (void)state;
    falls_init(&h);
    f.switch_on_amps = 9;
    f.switch_on_seconds = 1;
    assert_true(evidence_switch_on(&f, &h, LOST) > 3.0);
    f.switch_on_seconds = 2;
    assert_near(evidence_switch_on(&f, &h, LOST), 0.0, 1e-9);
}

static void what_went_beside_the_load_just_switched_on_counts_by_its_share(void **state)
{
    struct fall_facts f = plain();
    (void)state;
    f.switch_on_seconds = 1;
    f.switch_on_amps = 0.5;
    assert_near(evidence_rest_went(&f), 0.75, 1e-9);
    f.switch_on_amps = 2.1; /* with its inrush */
    assert_near(evidence_rest_went(&f), 0.0, 1e-9);
    f.switch_on_amps = 0.5;
    f.switch_on_seconds = 60;
    assert_near(evidence_rest_went(&f), 0.0, 1e-9);
}

static void nobody_resets_a_breaker_within_seconds(void **state)
{
    const struct {
        double seconds;
        bool back;
        double least, most;
    } cases[] = {{3, true, -10, -5}, {30, true, -5, -1}, {300, true, 0, 0}, {3, false, 0, 0}};
    (void)state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct fall_facts f = plain();
        f.silent_seconds = cases[k].seconds;
        f.back = cases[k].back;
        double ratio = evidence_back_soon(&f);
        if (ratio < cases[k].least || ratio > cases[k].most)
            fail_msg("%g s, %s: %g", f.silent_seconds, f.back ? "back" : "open", ratio);
    }
}

/* Somebody must hear of it, and walk: of the resets within a minute, which begin after ten
 * seconds, the share that comes before t is (ln(t/10) / ln 6)^2. A return is held against how
 * the circuit comes back by itself, within a factor of two. */
static void a_reset_at_once_is_told_by_its_time_alone(void **state)
{
    const double impossible[] = {0, 3, 9.9}, silent[] = {60, 300, 86400};
    struct falls h;
    struct fall_facts f = plain();
    (void)state;
    falls_init(&h);
    ended_often(&h);
    for (int back = 0; back < 2; back++)
        for (int k = 0; k < 3; k++) {
            f.back = back;
            f.silent_seconds = impossible[k];
            assert_true(isinf(evidence_reset_at_once(&f, &h)));
            f.silent_seconds = silent[k];
            assert_near(evidence_reset_at_once(&f, &h), 0.0, 1e-12);
        }
    f.back = false;
    f.silent_seconds = 20.0;
    assert_near(evidence_reset_at_once(&f, &h), 0.0, 1e-12);
    f.back = true; /* between 14.14 and 28.28 s: 0.3367 - 0.0374 */
    assert_near(evidence_reset_at_once(&f, &h), log(0.2993) - falls_log_return(&h, 2.0, 20.0),
                1e-3);
    assert_true(evidence_reset_at_once(&f, &h) > 2.0); /* it has never come back so soon */
    f.silent_seconds = 12.0;                           /* before 16.97 s */
    assert_near(evidence_reset_at_once(&f, &h), log(0.0871) - falls_log_return(&h, 2.0, 12.0),
                1e-3);
    f.amps = 0.9; /* nobody misses it so soon */
    f.silent_seconds = 20.0;
    assert_true(isinf(evidence_reset_at_once(&f, &h)));
}

static void after_a_reset_less_is_on_and_nothing_new(void **state)
{
    struct fall_facts f = plain();
    (void)state;
    assert_near(evidence_back_less(&f), 0.0, 1e-9);
    f.back = true;
    f.back_amps = 0.2;
    assert_true(evidence_back_less(&f) > 0.0);
    f.back_amps = 2.0;
    assert_near(evidence_back_less(&f), 0.0, 1e-9);
    f.back_amps = 5.0;
    assert_true(evidence_back_less(&f) < 0.0);
}

static void a_night_is_longer_than_an_hour(void **state)
{
    struct falls h;
    struct fall_facts f = plain();
    (void)state;
    falls_init(&h);
    f.local_seconds = 20000LL * 86400 + 22 * 3600 + 1234;
    assert_true(evidence_habit(&f, &h, LOST) < -0.3);
    f.back = true;
    f.silent_seconds = 3600;
    assert_near(evidence_habit(&f, &h, LOST), 0.0, 1e-9);
    f.silent_seconds = 8 * 3600;
    assert_true(evidence_habit(&f, &h, LOST) < -0.3);
}

static void a_long_spell_counts_less_than_its_age(void **state)
{
    struct fall_facts f = plain();
    (void)state;
    f.awake_seconds = 600;
    assert_near(evidence_awake(&f), 0.0, 1e-9);
    f.awake_seconds = 86400;
    assert_true(evidence_awake(&f) < -3.0);
}

/* ---- together ---- */

struct house {
    struct site site;
    struct frame *frame;
    bool fell[6], carries[6];
    double log_chance[6];
    double gap_seconds;
};

/* circuits 0..2 in the main panel, 2 feeds the shop with 3, 4 and 5 */
static void build(struct house *h)
{
    memset(h, 0, sizeof *h);
    site_init(&h->site);
    h->site.nominal_volts = 120;
    h->gap_seconds = 1;
    struct site_panel *p = site_add_panel(&h->site);
    strcpy(p->id, "main");
    p->legs = 1;
    p = site_add_panel(&h->site);
    strcpy(p->id, "shop");
    strcpy(p->fed_by_id, "c2");
    p->legs = 1;
    for (int i = 0; i < 6; i++) {
        struct site_circuit *c = site_add_circuit(&h->site);
        snprintf(c->id, sizeof c->id, "c%d", i);
        c->panel = i >= 3;
        c->poles = 1;
        strcpy(c->leg, "A");
        c->meter = -1;
        h->log_chance[i] = log(1e-4);
    }
    site_finish(&h->site);
    h->frame = frame_create(&h->site);
}

static struct scope_guess guess(struct house *h, bool on_the_clock)
{
    return together_judge(&(struct together_view){.site = &h->site,
                                                  .fell = h->fell,
                                                  .carries = h->carries,
                                                  .log_chance = h->log_chance,
                                                  .gap_seconds = h->gap_seconds,
                                                  .silent_before = h->gap_seconds > 2.5,
                                                  .on_the_clock = on_the_clock,
                                                  .frame = h->frame});
}

static void clear(struct house *h)
{
    frame_destroy(h->frame);
    site_free(&h->site);
}

static void all_behind_a_feeder_at_once_is_the_feeder(void **state)
{
    struct house h;
    (void)state;
    build(&h);
    h.fell[3] = h.fell[4] = h.fell[5] = h.carries[0] = true;
    struct scope_guess g = guess(&h, false);
    assert_int_equal(g.scope.kind, SCOPE_FEEDER);
    assert_int_equal(g.scope.index, 2);
    assert_true(g.probability > 0.9);
    assert_true(together_within(&h.site, g.scope, 2) && together_within(&h.site, g.scope, 4));
    assert_false(together_within(&h.site, g.scope, 0));
    h.carries[5] = true; /* one of them goes on */
    h.fell[5] = false;
    assert_true(guess(&h, false).probability < 0.01);
    clear(&h);
}

static void timers_switch_at_the_full_hour(void **state)
{
    struct house h;
    (void)state;
    build(&h);
    h.fell[3] = h.fell[4] = h.fell[5] = h.carries[0] = true;
    assert_true(guess(&h, true).probability < 0.1);
    clear(&h);
}

static void voltage_tells_an_outage_from_a_coincidence(void **state)
{
    struct house h;
    (void)state;
    build(&h);
    for (int i = 0; i < 6; i++)
        h.fell[i] = i != 2;
    h.frame->has |= 1U << FRAME_PANEL_VOLTS;
    float *volts = &h.frame->values[frame_panel_index(h.frame, 0, 0)];
    *volts = 0.4F;
    struct scope_guess g = guess(&h, false);
    assert_int_equal(g.scope.kind, SCOPE_UTILITY);
    assert_true(g.probability > 0.99);
    *volts = 121.0F;
    assert_int_not_equal((int)guess(&h, false).scope.kind, (int)SCOPE_UTILITY);
    clear(&h);
}

static void a_meter_that_was_silent_and_then_knows_nothing_has_restarted(void **state)
{
    struct house h;
    (void)state;
    build(&h);
    for (int i = 0; i < 6; i++)
        h.fell[i] = i != 2;
    assert_int_equal(guess(&h, false).scope.kind, SCOPE_UTILITY);
    h.gap_seconds = 12;
    struct scope_guess g = guess(&h, false);
    assert_int_equal(g.scope.kind, SCOPE_METER);
    assert_true(g.probability > 0.9);
    h.frame->has |= 1U << FRAME_PANEL_VOLTS; /* a dead line tells more than that */
    h.frame->values[frame_panel_index(h.frame, 0, 0)] = 0.4F;
    assert_int_equal(guess(&h, false).scope.kind, SCOPE_UTILITY);
    clear(&h);
}

static void what_comes_back_together_was_gone_together(void **state)
{
    (void)state;
    const double ages[] = {80000.0, 300.0};
    assert_true(together_came_back(2, NULL, 0) > 5.0);
    assert_true(together_came_back(0, ages, 2) < -2.0);
    assert_near(together_came_back(0, NULL, 0), 0.0, 1e-12);
}

/* so many readings of a meter's usual noise */
static void see(struct stillness_seen *seen, double rms, int polls)
{
    stillness_see(seen, polls * rms * rms, STILLNESS_USUAL_KURTOSIS * polls * pow(rms, 4.0),
                  polls);
}

static struct stillness levels_of(double rms, double odds)
{
    struct stillness s = {0};
    struct stillness_seen seen = {0};
    see(&seen, rms, STILLNESS_MOST_POLLS);
    for (int k = 0; k < 8; k++)
        stillness_learn(&s, &seen, odds);
    return s;
}

/* Reset while everything was off: what is read after it must not hide what was read before. */
static void a_reset_that_nobody_sees_hides_no_lost_supply(void **state)
{
    struct stillness lost = levels_of(0.005, STILLNESS_LOST_ODDS),
                     off = levels_of(0.009, STILLNESS_OFF_ODDS);
    struct stillness_known levels = {&lost, &off, &off, (double)NAN};
    struct fall_facts all_off = {.poll_seconds = 1.0}, reset = all_off;
    (void)state;
    see(&all_off.seen, 0.009, STILLNESS_MOST_POLLS);
    see(&reset.seen, 0.005, 240);
    see(&reset.seen, 0.0085, STILLNESS_MOST_POLLS);
    assert_true(evidence_stillness(&all_off, &levels) < -0.5);
    assert_true(evidence_stillness(&reset, &levels) >
                evidence_stillness(&all_off, &levels) + 0.7);
    reset.seen = (struct stillness_seen){0}; /* too few readings */
    assert_true(fabs(evidence_stillness(&reset, &levels)) < 1e-12);
}

static void nobody_resets_at_once_what_nobody_misses(void **state)
{
    struct fall_facts small = {.amps = 0.5, .back = true, .silent_seconds = 90.0};
    struct fall_facts large = {.amps = 8.0, .back = true, .silent_seconds = 90.0};
    (void)state;
    assert_true(evidence_back_soon(&small) < -1.0);
    assert_true(fabs(evidence_back_soon(&large)) < 1e-12);
    small.silent_seconds = 600.0;
    assert_true(fabs(evidence_back_soon(&small)) < 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_reset_that_nobody_sees_hides_no_lost_supply),
        cmocka_unit_test(nobody_resets_at_once_what_nobody_misses),
        cmocka_unit_test(a_reset_at_once_is_told_by_its_time_alone),
        cmocka_unit_test(the_list_adds_up),
        cmocka_unit_test(levels_are_judged_anew_and_nothing_else),
        cmocka_unit_test(each_piece_points_its_way),
        cmocka_unit_test(a_small_standing_load_that_went_too_tells),
        cmocka_unit_test(silence_counts_until_it_comes_back),
        cmocka_unit_test(readings_lost_before_the_fall_make_a_coincidence_likelier),
        cmocka_unit_test(in_a_long_gap_the_chance_by_heat_is_spread_over_it),
        cmocka_unit_test(a_step_that_was_never_seen_is_no_load_of_its_own),
        cmocka_unit_test(a_fault_opens_before_a_load_is_read_twice),
        cmocka_unit_test(what_went_beside_the_load_just_switched_on_counts_by_its_share),
        cmocka_unit_test(nobody_resets_a_breaker_within_seconds),
        cmocka_unit_test(after_a_reset_less_is_on_and_nothing_new),
        cmocka_unit_test(a_night_is_longer_than_an_hour),
        cmocka_unit_test(a_long_spell_counts_less_than_its_age),
        cmocka_unit_test(all_behind_a_feeder_at_once_is_the_feeder),
        cmocka_unit_test(timers_switch_at_the_full_hour),
        cmocka_unit_test(voltage_tells_an_outage_from_a_coincidence),
        cmocka_unit_test(a_meter_that_was_silent_and_then_knows_nothing_has_restarted),
        cmocka_unit_test(what_comes_back_together_was_gone_together),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
