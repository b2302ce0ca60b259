/* stillness: what is read at nothing, with the supply lost and with the loads off */
#include "check.h"

#include "analysis/stillness.h"

#include <math.h>

#define DEAD_AMPS 0.006 /* a meter's own noise */
#define IDLE_AMPS 0.020 /* and what stands by beside it */

/* so many readings of a meter's usual noise */
static struct stillness_seen seen_of(double rms, int polls)
{
    struct stillness_seen seen = {0};
    stillness_see(&seen, polls * rms * rms, STILLNESS_USUAL_KURTOSIS * polls * pow(rms, 4.0),
                  polls);
    return seen;
}

static double known_ratio(const struct stillness_known *k, double rms, int polls)
{
    struct stillness_seen seen = seen_of(rms, polls);
    return seen.marks > 0 ? stillness_log_ratio(k, &seen, seen.marks - 1) : 0.0;
}

static double ratio(const struct stillness *lost, const struct stillness *off, double rms,
                    int polls)
{
    struct stillness elsewhere = {0};
    struct stillness_known k = {lost, off, &elsewhere, (double)NAN};
    return known_ratio(&k, rms, polls);
}

static void learn(struct stillness *s, double rms, int polls, double odds)
{
    struct stillness_seen seen = seen_of(rms, polls);
    stillness_learn(s, &seen, odds);
}

static void learn_times(struct stillness *s, int n, double rms, double odds)
{
    for (int k = 0; k < n; k++)
        learn(s, rms * (1.0 + 0.01 * (k % 3 - 1) + 1e-4 * k), STILLNESS_MOST_POLLS, odds);
}

static struct stillness times(int n, double rms)
{
    struct stillness s = {0};
    learn_times(&s, n, rms, rms < IDLE_AMPS ? STILLNESS_LOST_ODDS : STILLNESS_OFF_ODDS);
    return s;
}

static struct stillness off_times(int n, double rms)
{
    struct stillness s = {0};
    learn_times(&s, n, rms, STILLNESS_OFF_ODDS);
    return s;
}

static double
ln_level(double rms) /* as it is kept: with the 1 mA that meters resolve at best */
{
    return log(hypot(rms, 1e-3));
}

/* A site of four circuits. */
struct house {
    struct stillness lost, elsewhere, circuit[4];
    double empty;
};

static void settle(struct house *h)
{
    struct stillness *off[4];
    for (int i = 0; i < 4; i++)
        off[i] = &h->circuit[i];
    h->empty = stillness_settle(&h->lost, &h->elsewhere, off, 4);
}

static void learn_off(struct house *h, int circuit, int n, double rms, double odds)
{
    learn_times(&h->circuit[circuit], n, rms, odds);
    learn_times(&h->elsewhere, n, rms, odds);
}

static double ratio_in(const struct house *h, int circuit, double rms)
{
    struct stillness_known k = {&h->lost, &h->circuit[circuit], &h->elsewhere, h->empty};
    return known_ratio(&k, rms, 900);
}

/* Of a list: how likely the levels nearest to that one are said to be of a lost supply, at
 * least and at most. */
static void said_of(const struct stillness *s, double rms, double *least, double *most)
{
    *least = 1.0;
    *most = 0.0;
    for (uint32_t k = 0; k < s->count && k < STILLNESS_PAST; k++)
        if (fabs((double)s->level[k] - ln_level(rms)) < 0.05) {
            *least = fmin(*least, (double)s->lost[k]);
            *most = fmax(*most, (double)s->lost[k]);
        }
}

static void nothing_known_says_nothing(void **state)
{
    struct stillness none = {0};
    (void)state;
    assert_true(fabs(ratio(&none, &none, DEAD_AMPS, 900)) < 1e-12);
}

static void few_readings_say_nothing(void **state)
{
    struct stillness lost = times(5, DEAD_AMPS), off = times(20, IDLE_AMPS), few = {0};
    (void)state;
    assert_true(fabs(ratio(&lost, &off, DEAD_AMPS, STILLNESS_LEAST_POLLS - 1)) < 1e-12);
    learn(&few, DEAD_AMPS, STILLNESS_LEARN_POLLS - 1, 0.0);
    assert_int_equal(few.count, 0);
}

static void it_tells_the_two_apart(void **state)
{
    struct stillness lost = times(5, DEAD_AMPS), off = times(20, IDLE_AMPS);
    (void)state;
    assert_true(ratio(&lost, &off, DEAD_AMPS, 900) > 2.0);
    assert_true(ratio(&lost, &off, IDLE_AMPS, 900) < -1.5); /* it may be back unseen */
    /* fewer readings are less sure */
    double close_to = 1.3 * DEAD_AMPS;
    assert_true(ratio(&lost, &off, close_to, 900) < ratio(&lost, &off, close_to, 60));
}

static void where_both_look_alike_it_says_little(void **state)
{
    struct stillness lost = times(20, DEAD_AMPS), off = off_times(20, DEAD_AMPS);
    (void)state;
    assert_true(fabs(ratio(&lost, &off, DEAD_AMPS, 900)) < 0.2);
    /* also for a meter that reads nothing at all as zero */
    lost = times(20, 0.0);
    off = off_times(20, 0.0);
    assert_true(fabs(ratio(&lost, &off, 0.0, 900)) < 0.2);
}

/* What was never read while its loads were off speaks for a lost supply, but not for certain.
 */
static void with_one_known_the_other_may_be_like_it(void **state)
{
    struct stillness none = {0}, off = times(32, IDLE_AMPS);
    (void)state;
    double unlike = ratio(&none, &off, DEAD_AMPS, 900),
           like = ratio(&none, &off, IDLE_AMPS, 900);
    assert_true(unlike > 0.5 && unlike < 5.0);
    assert_true(like < 0.0 && like > -2.5);
}

/* A lost supply is known, and nothing yet of what is read while loads are off: an empty circuit
 * may read just so, and a pump that has ended is no opening. */
static void before_an_empty_circuit_is_known_it_may_read_as_a_lost_supply_does(void **state)
{
    struct stillness none = {0}, lost = times(3, DEAD_AMPS);
    struct house h = {.lost = lost};
    (void)state;
    settle(&h);
    assert_true(isnan(h.empty));
    double first = ratio_in(&h, 0, DEAD_AMPS);
    assert_true(first > 0.3 && first < 1.2);
    assert_true(ratio(&lost, &none, DEAD_AMPS, 900) < 1.2);
    /* what reads more there is no more than before */
    for (int i = 0; i < 3; i++)
        learn_off(&h, i, 3, 1.5 * DEAD_AMPS, STILLNESS_OFF_ODDS);
    settle(&h);
    assert_near(h.empty, ln_level(1.5 * DEAD_AMPS), 0.05);
    assert_true(ratio_in(&h, 3, DEAD_AMPS) > first + 1.0);
}

/* As still as empty circuits of the house, though this one never was: a lost supply, or what
 * always stood by was unplugged; once a lost supply is known to read stiller, the second. */
static void as_still_as_another_circuit_may_be_either(void **state)
{
    struct stillness lost = {0}, off = times(32, IDLE_AMPS),
                     empty = off_times(10, 1.3 * DEAD_AMPS);
    struct stillness_known k = {&lost, &off, &empty, ln_level(1.3 * DEAD_AMPS)};
    (void)state;
    double before = known_ratio(&k, 1.3 * DEAD_AMPS, 900);
    assert_true(before > 0.0 && before < 2.0);
    lost = times(5, DEAD_AMPS);
    assert_true(known_ratio(&k, 1.3 * DEAD_AMPS, 900) < -0.4);
    assert_true(known_ratio(&k, DEAD_AMPS, 900) > 2.0);
}

/* Before a lost supply was read: stiller than any empty circuit here is more than empty, or the
 * first circuit on which nothing stands by, so it does not say much; and as still as an empty
 * one is no news. */
static void stiller_than_empty_may_be_a_lost_supply(void **state)
{
    struct stillness lost = {0}, empty = off_times(10, 1.4 * DEAD_AMPS);
    struct stillness_known k = {&lost, &empty, &empty, ln_level(1.4 * DEAD_AMPS)};
    (void)state;
    double before = known_ratio(&k, DEAD_AMPS, 900);
    assert_true(before > 0.5 && before < 0.9);
    assert_true(fabs(known_ratio(&k, 1.4 * DEAD_AMPS, 900)) < 0.3);
    lost = times(1, DEAD_AMPS);
    assert_true(known_ratio(&k, DEAD_AMPS, 900) > 2.0);
}

static void a_mark_is_kept_at_every_doubling(void **state)
{
    struct stillness_seen seen = {0};
    (void)state;
    stillness_see(&seen, 29 * 1e-4, 0.0, 29);
    assert_int_equal(seen.marks, 0);
    stillness_see(&seen, 30 * 1e-4, 0.0, 30);
    stillness_see(&seen, 59 * 4e-4, 0.0, 59);
    assert_int_equal(seen.marks, 1);
    stillness_see(&seen, STILLNESS_MOST_POLLS * 9e-4, 0.0, STILLNESS_MOST_POLLS);
    assert_int_equal(seen.marks, STILLNESS_MARKS);
    assert_near((double)seen.rms[0], 0.01, 1e-6);
    assert_near((double)seen.rms[1], 0.03, 1e-6);
}

static double uniform(uint64_t *seed)
{
    *seed = *seed * 6364136223846793005U + 1442695040888963407U; /* Knuth, MMIX */
    return (double)(*seed >> 11) / 9007199254740992.0;
}

/* How sure a level is, against the spread of many simulated ones: readings that are one step of
 * the meter or nothing, with the probability p, and normal noise whose lower half reads as
 * nothing. */
static void a_level_is_as_sure_as_its_readings_tell(void **state)
{
    uint64_t seed = 7;
    (void)state;
    for (int kind = 0; kind < 2; kind++) {
        double sum = 0.0, square = 0.0, said = 0.0;
        for (int k = 0; k < 2000; k++) {
            struct stillness_seen seen = {0};
            double s2 = 0.0, s4 = 0.0;
            for (int n = 0; n < 240; n++) {
                double a;
                if (kind == 0) {
                    a = uniform(&seed) < 0.35 ? 0.01 : 0.0;
                } else { /* Box and Muller, 1958 */
                    double u = uniform(&seed) + 1e-12, v = uniform(&seed);
                    a = fmax(0.0, 0.01 * sqrt(-2.0 * log(u)) * cos(2.0 * M_PI * v));
                }
                s2 += a * a;
                s4 += a * a * a * a;
            }
            stillness_see(&seen, s2, s4, 240);
            double level = log((double)seen.rms[3]);
            sum += level;
            square += level * level;
            said += (double)seen.unsure[3] / 2000.0;
        }
        double spread = sqrt(square / 2000.0 - sum * sum / 4e6);
        assert_true(fabs(said / spread - 1.0) < 0.1);
    }
}

/* A circuit on which something always stands by, and a breaker that opens again and again
 * before anybody knew: its levels are no levels of loads that are off. */
static void a_breaker_that_opens_often_does_not_hide_itself(void **state)
{
    struct house h = {0};
    double least, most;
    (void)state;
    learn_times(&h.lost, 5, DEAD_AMPS, 6.0);
    learn_off(&h, 0, 15, IDLE_AMPS, -6.0);
    learn_off(&h, 0, 10, DEAD_AMPS, -6.0);
    for (int i = 1; i < 4; i++) /* no circuit that was merely empty has read so */
        learn_off(&h, i, 2, 1.4 * DEAD_AMPS, -6.0);
    settle(&h);
    said_of(&h.circuit[0], DEAD_AMPS, &least, &most);
    assert_true(least > 0.5);
    said_of(&h.circuit[0], IDLE_AMPS, &least, &most);
    assert_true(most < 0.01);
    assert_true(ratio_in(&h, 0, DEAD_AMPS) > 1.0);
    assert_true(ratio_in(&h, 0, IDLE_AMPS) < -1.0);
}

/* One that mostly reads so, as others do, has nothing that stands by, and a meter that reads
 * the same with and without a supply. */
static void an_empty_circuit_is_not_taken_for_a_lost_supply(void **state)
{
    struct house h = {0};
    double least, most;
    (void)state;
    learn_times(&h.lost, 5, DEAD_AMPS, 6.0);
    for (int i = 0; i < 4; i++)
        learn_off(&h, i, 7, DEAD_AMPS, -6.0);
    settle(&h);
    assert_near(h.empty, ln_level(DEAD_AMPS), 0.03);
    said_of(&h.circuit[0], DEAD_AMPS, &least, &most);
    assert_true(most < 0.05);
    assert_true(ratio_in(&h, 0, DEAD_AMPS) < 0.3);
}

/* What was doubtful is settled by its level: as still as those that are sure, it is one of
 * them; as restless as loads that are off, it is not. */
static void a_doubtful_level_is_settled_by_the_others(void **state)
{
    struct house h = {0};
    double least, most;
    (void)state;
    learn_times(&h.lost, 3, DEAD_AMPS, 6.0);
    learn(&h.lost, IDLE_AMPS, STILLNESS_MOST_POLLS, 0.0);
    learn(&h.lost, 1.005 * DEAD_AMPS, STILLNESS_MOST_POLLS, -1.0);
    for (int i = 0; i < 3; i++)
        learn_off(&h, i, 10, IDLE_AMPS, -6.0);
    settle(&h);
    said_of(&h.lost, DEAD_AMPS, &least, &most);
    assert_true(least > 0.9);
    said_of(&h.lost, IDLE_AMPS, &least, &most);
    assert_true(most < 0.1);
}

/* What is read where nothing stands by is the lowest level of three circuits; of two it may be
 * what stands by there. */
static void empty_is_what_three_circuits_have_in_common(void **state)
{
    struct house h = {0};
    (void)state;
    learn_off(&h, 0, 4, DEAD_AMPS, -6.0);
    learn_off(&h, 1, 4, 1.5 * DEAD_AMPS, -6.0);
    learn_off(&h, 2, 4, 1.5 * DEAD_AMPS, -6.0);
    settle(&h);
    assert_true(isnan(h.empty));
    learn_off(&h, 3, 4, 1.5 * DEAD_AMPS, -6.0);
    settle(&h);
    assert_near(h.empty, ln_level(1.5 * DEAD_AMPS), 0.03);
    /* a single level of a circuit that shows what stands by most of the time will do */
    h = (struct house){0};
    for (int i = 0; i < 3; i++) {
        learn_off(&h, i, 8, (3 + i) * DEAD_AMPS, -6.0);
        learn_off(&h, i, 1, 1.5 * DEAD_AMPS, -6.0);
    }
    settle(&h);
    assert_near(h.empty, ln_level(1.5 * DEAD_AMPS), 0.03);
}

static void a_level_is_taken_out_again(void **state)
{
    struct stillness s = times(3, IDLE_AMPS);
    struct stillness_seen dead = seen_of(DEAD_AMPS, 900), none = {0};
    (void)state;
    stillness_learn(&s, &dead, 0.0);
    learn(&s, IDLE_AMPS, 900, -6.0);
    struct stillness rest = stillness_without(&s, &dead);
    assert_int_equal(rest.count, 4);
    for (uint32_t k = 0; k < rest.count; k++)
        assert_true(fabs((double)rest.level[k] - log(IDLE_AMPS)) < 0.05);
    rest = stillness_without(&rest, &dead); /* it is not there */
    assert_int_equal(rest.count, 4);
    rest = stillness_without(&s, &none);
    assert_int_equal(rest.count, 5);
    for (int k = 0; k < 2 * STILLNESS_PAST; k++) /* the oldest are gone */
        learn(&s, IDLE_AMPS, 900, -6.0);
    stillness_learn(&s, &dead, 0.0);
    rest = stillness_without(&s, &dead);
    assert_int_equal(rest.count, STILLNESS_PAST - 1);
    for (uint32_t k = 0; k < rest.count; k++)
        assert_true(fabs((double)rest.level[k] - log(IDLE_AMPS)) < 0.05);
}

static void it_comes_back_from_its_bytes(void **state)
{
    struct stillness s = times(40, IDLE_AMPS), back = {0};
    struct codec_out out = {0};
    (void)state;
    stillness_save(&s, &out);
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(stillness_load(&back, &in, true, 0.0));
    assert_memory_equal(&s, &back, sizeof s);
    out.bytes[7] = 0xff; /* a level that is no number */
    out.bytes[6] = 0xff;
    in = (struct codec_in){.at = out.bytes, .end = out.bytes + out.length};
    assert_false(stillness_load(&back, &in, true, 0.0));
    assert_int_equal(back.count, 0);
    codec_out_free(&out);
}

/* As it was written before the odds were kept. */
static void levels_without_odds_take_those_given(void **state)
{
    struct stillness back = {0};
    struct codec_out out = {0};
    (void)state;
    codec_put_u32(&out, 2);
    for (int k = 0; k < STILLNESS_PAST; k++) {
        codec_put_f32(&out, k < 2 ? -5.0F : 0.0F);
        codec_put_f32(&out, k < 2 ? 0.03F : 0.0F);
    }
    struct codec_in in = {.at = out.bytes, .end = out.bytes + out.length};
    assert_true(stillness_load(&back, &in, false, STILLNESS_LOST_ODDS));
    assert_int_equal(back.count, 2);
    assert_near((double)back.odds[1], STILLNESS_LOST_ODDS, 1e-6);
    assert_true((double)back.lost[1] > 0.99);
    codec_out_free(&out);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_known_says_nothing),
        cmocka_unit_test(few_readings_say_nothing),
        cmocka_unit_test(it_tells_the_two_apart),
        cmocka_unit_test(where_both_look_alike_it_says_little),
        cmocka_unit_test(with_one_known_the_other_may_be_like_it),
        cmocka_unit_test(before_an_empty_circuit_is_known_it_may_read_as_a_lost_supply_does),
        cmocka_unit_test(as_still_as_another_circuit_may_be_either),
        cmocka_unit_test(stiller_than_empty_may_be_a_lost_supply),
        cmocka_unit_test(a_mark_is_kept_at_every_doubling),
        cmocka_unit_test(a_level_is_as_sure_as_its_readings_tell),
        cmocka_unit_test(a_breaker_that_opens_often_does_not_hide_itself),
        cmocka_unit_test(an_empty_circuit_is_not_taken_for_a_lost_supply),
        cmocka_unit_test(a_doubtful_level_is_settled_by_the_others),
        cmocka_unit_test(empty_is_what_three_circuits_have_in_common),
        cmocka_unit_test(a_level_is_taken_out_again),
        cmocka_unit_test(it_comes_back_from_its_bytes),
        cmocka_unit_test(levels_without_odds_take_those_given),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
