/* trips_feeder: a branch reads nothing; whether its feeder fell with it tells a lost supply
 * from a lost sensor, as soon as the feeder was read after the branch was */
#include "check.h"

#include "trips_rig.h"

enum { FEED = 3, SAW = 4, POLES = 7 };

/* the saw's newest fall, as it was judged then and later: that its sensor is lost */
struct judged {
    struct house house;
    int falls;
    double at_fall, newest;
};

static void note(void *context, const struct trips_judgement *j)
{
    struct judged *d = context;
    if (j->circuit != SAW || !j->causes)
        return;
    d->newest = j->causes[CAUSE_SENSOR_LOST];
    if (strcmp(j->moment, "fall") == 0) {
        d->falls++;
        d->at_fall = d->newest;
    }
}

/* The feeder's and the saw's channel, by themselves; the bench carries 0.4 A. */
static void read_both(struct judged *d, const struct frame_taken *taken, int seconds,
                      double feeder, double saw)
{
    struct house *h = &d->house;
    for (int k = 0; k < seconds; k++, h->second++) {
        float v[POLES] = {0.6F, 2.0F, 0, 0, (float)feeder, (float)saw, 0.4F};
        h->frame->mono_ms = 1000 + h->second * 1000;
        h->frame->wall_ms = WALL0 + h->second * 1000;
        h->frame->taken = taken;
        memcpy(h->frame->values, v, sizeof v);
        breakers_step(h->breakers, h->frame);
        trips_step(h->trips, h->frame);
        loads_step(h->loads, h->frame, trips_cut(h->trips));
    }
    h->frame->taken = NULL;
}

#define SAW_AMPS 9.0
#define CARRIES 9.4 /* the feeder, with the saw; */
#define REST 0.4    /* and without */

static void an_hour_of_sawing(struct judged *d, const struct frame_taken *taken)
{
    *d = (struct judged){0};
    set_up(&d->house);
    trips_observe(d->house.trips, note, d);
    read_both(d, taken, 3617, CARRIES, SAW_AMPS);
}

/* when the poles were read: the feeder, and the branches behind it */
static void taken_at(struct frame_taken out[POLES], struct frame_taken feeder,
                     struct frame_taken branch)
{
    for (int p = 0; p < POLES; p++)
        out[p] = p < 4 ? (struct frame_taken){0, 1} : p == 4 ? feeder : branch;
}

static void a_feeder_that_carries_on_is_believed_once_it_was_read_after_its_branch(void **state)
{
    static const struct {
        const char *name;
        struct frame_taken feeder, branch;
        double feeds; /* then */
        bool at_once;
    } cases[] = {
        {"both in one read", {500, 400}, {500, 400}, CARRIES, true},
        {"the feeder later", {90000, 30}, {0, 1}, CARRIES, true},
        {"the feeder later, hardly", {1062, 30}, {1000, 30}, CARRIES, true},
        {"the feeder before", {0, 1}, {90000, 30}, CARRIES, false},
        {"the feeder before, and something small went", {0, 1}, {90000, 30}, 8.6, false},
        {"nobody knows which before", {52000, 30000}, {48000, 30000}, CARRIES, false},
        {"at one time, by two reads", {500, 400}, {500, 100}, CARRIES, false},
    };
    (void)state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct judged d;
        struct frame_taken taken[POLES];
        taken_at(taken, cases[k].feeder, cases[k].branch);
        an_hour_of_sawing(&d, taken);
        read_both(&d, taken, 1, cases[k].feeds, 0.0);
        assert_int_equal(d.falls, 1);
        if ((d.at_fall > 0.5) != cases[k].at_once)
            fail_msg("%s: at once a lost sensor with %.2f", cases[k].name, d.at_fall);
        read_both(&d, taken, 20, cases[k].feeds, 0.0);
        if (d.newest < 0.5)
            fail_msg("%s: a lost sensor with %.2f only", cases[k].name, d.newest);
        tear_down(&d.house);
    }
}

/* As many ways for it to fall with its branch; that is no lost sensor, neither at once nor
 * later. */
static void a_feeder_that_fell_with_its_branch_is_believed_as_soon(void **state)
{
    static const struct frame_taken feeder_first[2] = {{0, 1}, {90000, 30}};
    (void)state;
    for (int way = 0; way < 4; way++) {
        struct judged d;
        struct frame_taken taken[POLES];
        taken_at(taken, feeder_first[way == 0], feeder_first[way != 0]);
        an_hour_of_sawing(&d, taken);
        switch (way) {
        case 0: /* read after the branch, it shows it at once */
        case 1: /* read before: the opening lay between two polls */
            read_both(&d, taken, 1, REST, 0.0);
            break;
        case 2: /* it shows with the next */ read_both(&d, taken, 1, CARRIES, 0.0); break;
        case 3: /* its meter is quicker: the branch still shows what was */
            read_both(&d, taken, 2, REST, SAW_AMPS);
            break;
        }
        read_both(&d, taken, 20, REST, 0.0);
        assert_int_equal(d.falls, 1);
        if (d.at_fall > 0.1 || d.newest > 0.1)
            fail_msg("way %d: a lost sensor with %.2f, %.2f", way, d.at_fall, d.newest);
        tear_down(&d.house);
    }
}

static void a_feeder_that_is_not_read_says_nothing(void **state)
{
    struct judged d;
    struct frame_taken taken[POLES];
    (void)state;
    for (int first = 0; first < 2; first++) { /* lost with the fall, for good */
        taken_at(taken, (struct frame_taken){first ? 0 : 90000, 1},
                 (struct frame_taken){9000, 1});
        an_hour_of_sawing(&d, taken);
        read_both(&d, taken, 60, (double)NAN, 0.0);
        assert_int_equal(d.falls, 1);
        assert_true(d.at_fall < 0.5 && d.newest < 0.5);
        tear_down(&d.house);
    }

    taken_at(taken, (struct frame_taken){0, 1}, (struct frame_taken){90000, 30});
    /* its next readings are lost: the first one that is not tells */
    for (int fell = 0; fell < 2; fell++) {
        an_hour_of_sawing(&d, taken);
        read_both(&d, taken, 1, CARRIES, 0.0);
        assert_true(d.at_fall < 0.5);
        read_both(&d, taken, 10, (double)NAN, 0.0);
        assert_true(d.newest < 0.5);
        read_both(&d, taken, 10, fell ? REST : CARRIES, 0.0);
        assert_int_equal(d.newest > 0.5, !fell);
        tear_down(&d.house);
    }
}

/* The feeder's breaker opens between its reading and those of its two branches: it shows that
 * with its next reading, and then it is one opening, of the feeder. */
static void a_feeder_that_opens_after_it_was_read_took_its_branches(void **state)
{
    struct house h;
    struct frame_taken taken[POLES];
    (void)state;
    taken_at(taken, (struct frame_taken){0, 1}, (struct frame_taken){90000, 30});
    set_up(&h);
    struct amps on = quiet, off = quiet;
    on.saw = 6.0F;
    on.bench = 4.0F;
    off.bench = 0.0F;
    h.frame->taken = taken;
    feed(&h, 3617, on);
    off.saw = 0.0F;
    float feeds = on.saw + on.bench;
    float v[POLES] = {quiet.hall, quiet.bath, 0, 0, feeds, 0, 0};
    h.frame->mono_ms = 1000 + h.second * 1000;
    h.frame->wall_ms = WALL0 + h.second * 1000;
    memcpy(h.frame->values, v, sizeof v);
    breakers_step(h.breakers, h.frame);
    trips_step(h.trips, h.frame);
    loads_step(h.loads, h.frame, trips_cut(h.trips));
    h.second++;
    feed(&h, 60, off);
    assert_true(h.of[FEED].told > 0);
    for (int i = SAW; i < 6; i++) {
        assert_int_equal(h.of[i].cause, CAUSE_UPSTREAM_OPEN);
        assert_int_equal(h.of[i].upstream, FEED);
        assert_int_equal(h.of[i].opened_wall_ms, h.of[FEED].opened_wall_ms);
        assert_true(trips_cut(h.trips)[i]);
    }
    tear_down(&h);
}

static void a_dead_channel_is_said_to_be_no_trip(void **state)
{
    struct judged d;
    (void)state;
    an_hour_of_sawing(&d, NULL);
    read_both(&d, NULL, 60, CARRIES, 0.0);
    assert_true(d.at_fall > 0.5); /* all readings are of one moment */
    assert_int_equal(d.house.last_circuit, SAW);
    assert_int_equal(d.house.last.cause, CAUSE_SENSOR_LOST);
    assert_true(d.house.last.probability < 0.1);
    assert_false(trips_cut(d.house.trips)[SAW]);
    tear_down(&d.house);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            a_feeder_that_carries_on_is_believed_once_it_was_read_after_its_branch),
        cmocka_unit_test(a_feeder_that_fell_with_its_branch_is_believed_as_soon),
        cmocka_unit_test(a_feeder_that_is_not_read_says_nothing),
        cmocka_unit_test(a_feeder_that_opens_after_it_was_read_took_its_branches),
        cmocka_unit_test(a_dead_channel_is_said_to_be_no_trip),
    };
    return cmocka_run_group_tests_name("trips_feeder", tests, NULL, NULL);
}
