/* aligned: a feeder and its branches at one instant, whatever the order in which they are read
 */
#include "check.h"

#include <stdlib.h>

#include "analysis/aligned.h"

#define BRANCHES 4

/* A feeder on leg A and its branches, each a meter of its own; the feeder is circuit 0. */
struct house {
    struct site site;
    struct frame *frame;
    struct frame_taken taken[BRANCHES + 1];
    struct aligned *aligned;
    uint64_t dice;
};

static void begin(struct house *h, const int *poll_ms, size_t buses)
{
    *h = (struct house){.dice = 88172645463325252U};
    site_init(&h->site);
    for (size_t i = 0; i < buses; i++)
        site_add_bus(&h->site)->poll_ms = poll_ms[i];
    for (int p = 0; p < 2; p++) {
        struct site_panel *panel = site_add_panel(&h->site);
        strcpy(panel->id, p ? "shop" : "main");
        strcpy(panel->fed_by_id, p ? "feeder" : "");
        panel->legs = 1;
    }
    for (int i = 0; i <= BRANCHES; i++) {
        struct site_circuit *c = site_add_circuit(&h->site);
        snprintf(c->id, sizeof c->id, i ? "b%d" : "feeder", i);
        c->panel = i ? 1 : 0;
        c->poles = 1;
        c->leg[0] = 'A';
    }
    site_finish(&h->site);
    h->frame = frame_create(&h->site);
    h->frame->taken = h->taken;
    h->aligned = aligned_create(&h->site);
    assert_true(h->frame && h->aligned);
}

static void end(struct house *h)
{
    aligned_destroy(h->aligned);
    frame_destroy(h->frame);
    site_free(&h->site);
}

static double draw(struct house *h, double least, double most) /* xorshift, Marsaglia 2003 */
{
    h->dice ^= h->dice << 13;
    h->dice ^= h->dice >> 7;
    h->dice ^= h->dice << 17;
    return least + (most - least) * (double)(h->dice >> 11) * 0x1p-53;
}

static void read_at(struct house *h, int circuit, double amps, int at_ms, int within_ms)
{
    h->frame->values[circuit] = (float)amps;
    h->taken[circuit] = (struct frame_taken){1000 * at_ms, 1000 * within_ms};
}

static void feed(struct house *h, int64_t mono_ms)
{
    h->frame->mono_ms = mono_ms;
    aligned_feed(h->aligned, h->frame);
    frame_clear(h->frame);
}

static void what_is_read_at_once_adds_up_as_it_stands(void **state)
{
    struct house h;
    struct aligned_sum s;
    (void)state;
    begin(&h, (int[]){1000}, 1);
    for (int second = 1; second < 5; second++) {
        read_at(&h, 0, 10.0 * second, 30, 5);
        for (int i = 1; i <= BRANCHES; i++)
            read_at(&h, i, 2.5 * second, 30, 5);
        feed(&h, 1000 * second);
        assert_true(aligned_feeder(h.aligned, 0, 0, &s));
        assert_near(s.own, 10.0 * second, 1e-5);
        assert_near(s.least, 10.0 * second, 1e-5);
        assert_near(s.most, 10.0 * second, 1e-5);
        assert_int_equal(s.at_us, 1000000 * second + 30000);
    }
    end(&h);
}

static void a_step_between_two_reads_widens_and_does_not_mislead(void **state)
{
    struct house h;
    struct aligned_sum s;
    (void)state;
    begin(&h, (int[]){1000}, 1);
    /* the feeder is read first; 12 A go on after it and before the branches, in second 3 */
    for (int second = 1; second <= 6; second++) {
        read_at(&h, 0, second > 3 ? 14.0 : 2.0, 10, 4);
        for (int i = 1; i <= BRANCHES; i++)
            read_at(&h, i, 0.5 + (i == 1 && second >= 3 ? 12.0 : 0.0), 10 + 60 * i, 30);
        feed(&h, 1000 * second);
        if (!aligned_feeder(h.aligned, 0, 0, &s)) {
            assert_int_equal(second, 1); /* nothing was read before it */
            continue;
        }
        assert_near(aligned_apart(&s), 0.0, 1e-5);
        /* 14 against 2 in the frame as it stands; here at most the step's own width, once */
        assert_near(s.most - s.least, s.at_us / 1000000 == 3 ? 12.0 : 0.0, 1e-5);
    }
    /* read after the feeder, so that the instant is the newest frame's own */
    assert_int_equal(s.at_us / 1000000, 6);
    end(&h);
}

/* Loads that come and go at any moment; meters in any order, on quick and slow buses. */
static void the_feeder_is_always_within(void **state)
{
    static const int polls[] = {1000, 1000, 5000};
    int compared = 0, naive = 0, narrow = 0;
    (void)state;
    for (int house = 0; house < 20; house++) {
        struct house h;
        struct aligned_sum s;
        double amps[BRANCHES + 1] = {0}, until[BRANCHES + 1] = {0};
        int order[BRANCHES + 1];
        begin(&h, polls, house % 2 ? 3 : 1);
        for (int i = 0; i <= BRANCHES; i++)
            order[i] = (int)draw(&h, 5.0, 800.0);
        for (int ms = 0; ms < 400000; ms++) {
            for (int i = 1; i <= BRANCHES; i++)
                if (ms >= until[i]) { /* never twice between two reads of a slow bus */
                    amps[i] = draw(&h, 0.0, 15.0);
                    until[i] = ms + draw(&h, 11000.0, 40000.0);
                }
            double sum = 0.0, seen = 0.0;
            for (int i = 1; i <= BRANCHES; i++)
                sum += amps[i];
            for (int i = 0; i <= BRANCHES; i++) {
                bool slow = house % 2 && i == 2;
                if (ms % 1000 == order[i] && (!slow || ms % 5000 < 1000))
                    read_at(&h, i, i ? amps[i] : sum, order[i], 4);
            }
            if (ms % 1000 != 999)
                continue;
            bool all = true;
            for (int i = 1; i <= BRANCHES; i++) {
                all = all && !isnan(h.frame->values[i]);
                seen += (double)h.frame->values[i];
            }
            naive += all && fabs(seen - (double)h.frame->values[0]) > 0.5;
            feed(&h, ms - 999);
            if (!aligned_feeder(h.aligned, 0, 0, &s))
                continue;
            compared++;
            narrow += s.most - s.least < 0.01;
            if (aligned_apart(&s) > 0.001)
                fail_msg("house %d, %d ms: %g A, branches %g to %g A", house, ms, s.own,
                         s.least, s.most);
        }
        end(&h);
    }
    print_message("%d frames compared, %d of them exactly; as they stand %d would be off\n",
                  compared, narrow, naive);
    assert_true(compared > 20 * 380 && narrow > compared / 2 && naive > 100);
}

static void a_wrong_transformer_stays_apart(void **state)
{
    struct house h;
    struct aligned_sum s;
    int apart = 0;
    (void)state;
    begin(&h, (int[]){1000}, 1);
    for (int second = 1; second <= 100; second++) {
        double amps = second / 7 % 2 ? 9.0 : 3.0;
        read_at(&h, 0, amps + 4.0, 10, 4);
        for (int i = 1; i <= BRANCHES; i++)
            read_at(&h, i, i == 1 ? amps / 2.0 : i == 2 ? 4.0 : 0.0, 10 + 60 * i, 30);
        feed(&h, 1000 * second);
        apart += aligned_feeder(h.aligned, 0, 0, &s) && aligned_apart(&s) > 1.0;
    }
    assert_true(apart >= 85); /* all but those in which it was just switched */
    end(&h);
}

static void one_that_is_not_read_is_not_guessed(void **state)
{
    struct house h;
    struct aligned_sum s;
    int told = 0;
    (void)state;
    begin(&h, (int[]){1000}, 1);
    for (int second = 1; second <= 40; second++) {
        read_at(&h, 0, 5.0, 10, 4);
        for (int i = 1; i <= BRANCHES; i++)
            if (i != 3 || second < 20)
                read_at(&h, i, 1.0, 10 + 60 * i, 30);
        feed(&h, 1000 * second);
        told += second > 20 + ALIGNED_MOST / 8 && aligned_feeder(h.aligned, 0, 0, &s);
    }
    assert_int_equal(told, 0);
    end(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_read_at_once_adds_up_as_it_stands),
        cmocka_unit_test(a_step_between_two_reads_widens_and_does_not_mislead),
        cmocka_unit_test(the_feeder_is_always_within),
        cmocka_unit_test(a_wrong_transformer_stays_apart),
        cmocka_unit_test(one_that_is_not_read_is_not_guessed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
