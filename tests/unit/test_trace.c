/* trace: which circuit a place is on, while the simulated house lives on */
#include "check.h"

#include "analysis/trace.h"
#include "drivers/simulated/chance.h"
#include "drivers/simulated/house.h"
#include "drivers/simulated/house_file.h"

#include <stdlib.h>

#define BEGIN_MS INT64_C(1767254400000)
#define BEFORE 600 /* seconds */
#define MOST_SECONDS 1200
#define POLES 9

enum { KITCHEN, BATH, RANGE, FEEDER, BENCH, SAW, CIRCUITS };

/* A main panel and a shop behind its fourth breaker, with what people have in such places. */
static const char furniture[] =
    "house = { warm_up_minutes = 30.0; };"
    "loads = ( { id = \"fridge\"; circuit = \"kitchen\"; watts = 150.0; always = true; "
    "cycle_on_seconds = [ 60.0, 200.0 ]; cycle_off_seconds = [ 60.0, 200.0 ]; },"
    "{ id = \"kettle\"; circuit = \"kitchen\"; watts = 1400.0; starts_per_day = 40.0; },"
    "{ id = \"heater\"; circuit = \"bath\"; watts = 1500.0; starts_per_day = 60.0; },"
    "{ id = \"saw\"; circuit = \"saw\"; watts = 1200.0; inrush = 4.0; starts_per_day = 60.0; "
    "work_low_seconds = [ 2.0, 5.0 ]; work_high_seconds = [ 3.0, 9.0 ]; },"
    "{ id = \"lights\"; circuit = \"bench\"; watts = 120.0; starts_per_day = 30.0; } );";

struct scene {
    struct site site;
    struct trace_rows rows;
    int64_t times[MOST_SECONDS];
    float amps[MOST_SECONDS * POLES];
    struct trace_plan plans[1 + TRACE_TRIES];
    struct trace_plans all;
};

static void add_circuit(struct site *s, const char *id, int panel, int poles, const char *leg)
{
    struct site_circuit *c = site_add_circuit(s);
    strcpy(c->id, id);
    strcpy(c->leg, leg);
    c->panel = panel;
    c->poles = poles;
    c->breaker_amps = 30;
}

static void ignore(void *context, const struct house_note *n)
{
    (void)context;
    (void)n;
}

/* the house from ten minutes before the first beat on, read once a second in steps of 10 mA */
static void open_scene(struct scene *s, uint64_t seed, const char *house)
{
    struct text faults = TEXT_INIT;
    struct house_spec spec = {0};
    memset(s, 0, sizeof *s);
    site_init(&s->site);
    for (int p = 0; p < 2; p++) {
        struct site_panel *panel = site_add_panel(&s->site);
        strcpy(panel->id, p ? "shop" : "main");
        strcpy(panel->fed_by_id, p ? "feeder" : "");
        panel->legs = 2;
    }
    add_circuit(&s->site, "kitchen", 0, 1, "A");
    add_circuit(&s->site, "bath", 0, 1, "B");
    add_circuit(&s->site, "range", 0, 2, "BA");
    add_circuit(&s->site, "feeder", 0, 2, "AB");
    add_circuit(&s->site, "bench", 1, 1, "A");
    add_circuit(&s->site, "saw", 1, 1, "B");
    site_finish(&s->site);
    assert_true(s->site.poles_total <= POLES);
    if (!house_file_parse(&spec, "test.cfg", house, &s->site, &faults))
        fail_msg("%s", text_get(&faults));
    struct house *h = house_create(&s->site, &spec, seed, 18 * 3600.0, ignore, NULL);
    assert_non_null(h);
    for (int i = 0; i < MOST_SECONDS; i++) {
        house_advance(h, 1000 * (int64_t)(i + 1));
        s->times[i] = BEGIN_MS + 1000 * (int64_t)(i - BEFORE);
        for (size_t p = 0; p < s->site.poles_total; p++)
            s->amps[(size_t)i * s->site.poles_total + p] =
                (float)(round(house_read_pole(h, p).amps * 100) / 100);
    }
    house_destroy(h);
    house_spec_free(&spec);
    text_free(&faults);
    s->rows = (struct trace_rows){MOST_SECONDS, s->times, s->amps};
    s->all.plans = s->plans;
}

static void close_scene(struct scene *s)
{
    site_free(&s->site);
}

static float *reading(struct scene *s, int second, int circuit, int pole)
{
    return &s->amps[(size_t)(second + BEFORE) * s->site.poles_total +
                    (size_t)(s->site.circuits[circuit].first_pole + pole)];
}

/* a load is switched to the beat on one pole; each beat a second or two late */
static void use(struct scene *s, const struct trace_plan *p, int circuit, int pole, double amps)
{
    struct chance dice = chance_seed(7, "hand");
    for (int i = 0; i < TRACE_BEATS; i += 2) {
        int on = (int)((p->at_wall_ms[i] - BEGIN_MS) / 1000),
            off = (int)((p->at_wall_ms[i + 1] - BEGIN_MS) / 1000);
        on += (int)chance_between(&dice, 1.0, 3.0);
        off += (int)chance_between(&dice, 1.0, 3.0);
        for (int t = on; t < off; t++)
            *reading(s, t, circuit, pole) += (float)amps;
    }
}

static const struct trace_plan *plan(struct scene *s, int begin_second)
{
    struct trace_plan *p = &s->plans[s->all.count++];
    trace_plan(BEGIN_MS + 1000 * (int64_t)begin_second, trace_beat_ms(&s->site), p);
    s->all.tries = 1;
    return p;
}

static struct trace_result judge(struct scene *s, double amps)
{
    struct trace_result r;
    assert_true(trace_judge(&s->site, &s->rows, &s->all, amps, false, &r));
    return r;
}

static void a_place_is_found_while_the_house_lives_on(void **state)
{
    static const int circuits[] = {KITCHEN, BATH, BENCH, SAW};
    int right = 0, wrong = 0;
    (void)state;
    for (uint64_t seed = 1; seed <= 5; seed++)
        for (size_t c = 0; c < 4; c++) {
            struct scene s;
            open_scene(&s, seed, furniture);
            const struct trace_plan *p = plan(&s, (int)seed);
            use(&s, p, circuits[c], 0, 1.5);
            if (s.site.circuits[circuits[c]].panel == 1) /* the feeder carries it too */
                use(&s, p, FEEDER, circuits[c] == SAW, 1.5);
            struct trace_result r = judge(&s, NAN);
            bool good = r.verdict == TRACE_ONE && r.circuits[0] == circuits[c];
            right += good;
            wrong += !good && r.verdict != TRACE_UNSURE;
            if (good)
                assert_near(r.amps, 1.5, 0.1);
            close_scene(&s);
        }
    assert_int_equal(wrong, 0);
    assert_true(right >= 18);
}

static void what_is_not_metered_is_told_with_its_panel(void **state)
{
    struct scene s;
    (void)state;
    open_scene(&s, 3, furniture);
    use(&s, plan(&s, 0), FEEDER, 0, 2.0); /* nothing behind it is seen */
    struct trace_result r = judge(&s, 2.0);
    assert_int_equal(r.verdict, TRACE_UNMETERED);
    assert_int_equal(r.panel, 1);
    close_scene(&s);
    open_scene(&s, 3, "loads = ();");
    plan(&s, 0); /* a hand that nothing answers */
    r = judge(&s, 2.0);
    assert_int_equal(r.verdict, TRACE_UNMETERED);
    assert_int_equal(r.panel, -1);
    close_scene(&s);
}

static void a_place_on_two_circuits_is_noticed(void **state)
{
    struct scene s;
    (void)state;
    open_scene(&s, 4, furniture);
    const struct trace_plan *p = plan(&s, 2);
    use(&s, p, KITCHEN, 0, 1.2);
    use(&s, p, BATH, 0, 1.2);
    struct trace_result r = judge(&s, NAN);
    assert_int_equal(r.verdict, TRACE_TWO);
    assert_int_equal(r.circuits[0], KITCHEN);
    assert_int_equal(r.circuits[1], BATH);
    close_scene(&s);
}

static void a_load_across_two_poles_is_one_circuit(void **state)
{
    struct scene s;
    (void)state;
    open_scene(&s, 5, furniture);
    const struct trace_plan *p = plan(&s, 0);
    use(&s, p, RANGE, 0, 5.0);
    use(&s, p, RANGE, 1, 5.0);
    struct trace_result r = judge(&s, NAN);
    assert_int_equal(r.verdict, TRACE_ONE);
    assert_int_equal(r.circuits[0], RANGE);
    assert_int_equal(r.poles, 2);
    close_scene(&s);
}

static void beats_that_the_hand_misses_do_not_hide_a_place(void **state)
{
    struct scene s;
    (void)state;
    open_scene(&s, 8, furniture);
    const struct trace_plan *p = plan(&s, 1);
    use(&s, p, BATH, 0, 0.9);
    for (int i = 2; i <= 4; i += 2) /* the second and the third time it is not switched on */
        for (int t = (int)((p->at_wall_ms[i] - BEGIN_MS) / 1000);
             t < (int)((p->at_wall_ms[i + 1] - BEGIN_MS) / 1000) + 3; t++)
            if (*reading(&s, t, BATH, 0) > 0.85F)
                *reading(&s, t, BATH, 0) -= 0.9F;
    struct trace_result r = judge(&s, NAN);
    assert_int_equal(r.verdict, TRACE_ONE);
    assert_int_equal(r.circuits[0], BATH);
    assert_near(r.amps, 0.9, 0.05);
    close_scene(&s);
}

/* What the circuits behind a feeder do does not hide what is on none of them. */
static void a_feeder_shows_what_its_circuits_do_not_carry(void **state)
{
    static const double wanted[] = {2.0, NAN};
    (void)state;
    for (int way = 0; way < 2; way++) {
        struct scene s;
        open_scene(&s, 9, "loads = ();");
        const struct trace_plan *p = plan(&s, 3);
        for (int t = -BEFORE; t < MOST_SECONDS - BEFORE; t++)
            if ((t + BEFORE) * 7 / 5 % 13 < 6) { /* a motor that never rests */
                *reading(&s, t, SAW, 0) += 9.0F;
                *reading(&s, t, FEEDER, 1) += 9.0F;
            }
        use(&s, p, FEEDER, 0, 2.0);
        struct trace_result r = judge(&s, wanted[way]);
        assert_int_equal(r.verdict, TRACE_UNMETERED);
        assert_int_equal(r.panel, 1);
        assert_near(r.amps, 2.0, 0.1);
        close_scene(&s);
    }
}

/* Tries of one place are of one load: what agrees with it by chance does so once. */
static void another_load_in_the_second_try_is_found_too(void **state)
{
    struct scene s;
    (void)state;
    open_scene(&s, 2, furniture);
    use(&s, plan(&s, 0), KITCHEN, 0, 0.8);
    for (int t = 0; t < 60; t += 3)
        *reading(&s, t, KITCHEN, 0) += (float)(4 + t % 5);
    use(&s, plan(&s, 120), KITCHEN, 0, 6.0); /* a larger one */
    s.all.tries = 2;
    struct trace_result r = judge(&s, NAN);
    assert_int_equal(r.verdict, TRACE_ONE);
    assert_int_equal(r.circuits[0], KITCHEN);
    close_scene(&s);
}

static void another_beat_is_not_taken_for_the_plan(void **state)
{
    struct scene s;
    struct trace_plan other;
    int claimed = 0;
    (void)state;
    for (int later = 1; later <= 20; later++) { /* somebody traces next door, by another code */
        if (later % TRACE_CODES == 0)
            continue; /* the same one */
        open_scene(&s, 6, "loads = ();");
        plan(&s, 0);
        trace_plan(BEGIN_MS + 1000 * (int64_t)later, trace_beat_ms(&s.site), &other);
        use(&s, &other, KITCHEN, 0, 1.5);
        claimed += judge(&s, NAN).verdict == TRACE_ONE;
        close_scene(&s);
    }
    assert_true(claimed <= 1); /* two who trace at once, in a house that is still otherwise */
}

static void without_readings_nothing_is_said(void **state)
{
    struct scene s;
    (void)state;
    open_scene(&s, 1, furniture);
    plan(&s, 0);
    for (int t = 0; t < 100; t++)
        for (int c = 0; c < CIRCUITS; c++)
            for (int p = 0; p < s.site.circuits[c].poles; p++)
                *reading(&s, t, c, p) = NAN;
    struct trace_result r = judge(&s, 1.0);
    assert_int_equal(r.verdict, TRACE_UNREAD);
    assert_int_equal(r.read, 0);
    assert_int_equal(r.unread, CIRCUITS);
    close_scene(&s);
}

static void a_second_try_adds_to_the_first(void **state)
{
    struct scene s;
    (void)state;
    open_scene(&s, 2, furniture);
    use(&s, plan(&s, 0), KITCHEN, 0, 0.8);
    for (int t = 0; t < 60; t += 3) /* something larger is at work there meanwhile */
        *reading(&s, t, KITCHEN, 0) += (float)(4 + t % 5);
    double first = judge(&s, 0.8).guesses[0].probability;
    use(&s, plan(&s, 120), KITCHEN, 0, 0.8);
    s.all.tries = 2;
    struct trace_result r = judge(&s, 0.8);
    assert_true(first < TRACE_SURE);
    assert_int_equal(r.verdict, TRACE_ONE);
    assert_int_equal(r.circuits[0], KITCHEN);
    close_scene(&s);
}

static void plans_follow_from_their_beginning(void **state)
{
    (void)state;
    for (int i = 0; i < TRACE_CODES; i++) {
        struct trace_plan a, b;
        trace_plan(BEGIN_MS + 1000 * i, 3000, &a);
        trace_plan(BEGIN_MS + 1000 * (i + TRACE_CODES), 3000, &b);
        assert_int_equal(a.at_wall_ms[0], BEGIN_MS + 1000 * i);
        for (int k = 1; k < TRACE_BEATS; k++) {
            int64_t gap = a.at_wall_ms[k] - a.at_wall_ms[k - 1];
            assert_true(gap >= 6000 && gap <= 12000 && gap % 3000 == 0);
            assert_int_equal(gap, b.at_wall_ms[k] - b.at_wall_ms[k - 1]);
        }
        assert_true(a.end_wall_ms - a.at_wall_ms[0] < 75000);
    }
    struct site s;
    site_init(&s);
    struct site_bus *bus = site_add_bus(&s);
    bus->poll_ms = 1000;
    assert_int_equal(trace_beat_ms(&s), 3000);
    bus->poll_ms = 10000;
    assert_int_equal(trace_beat_ms(&s), 30000);
    site_free(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_place_is_found_while_the_house_lives_on),
        cmocka_unit_test(what_is_not_metered_is_told_with_its_panel),
        cmocka_unit_test(a_place_on_two_circuits_is_noticed),
        cmocka_unit_test(a_load_across_two_poles_is_one_circuit),
        cmocka_unit_test(beats_that_the_hand_misses_do_not_hide_a_place),
        cmocka_unit_test(a_feeder_shows_what_its_circuits_do_not_carry),
        cmocka_unit_test(another_load_in_the_second_try_is_found_too),
        cmocka_unit_test(another_beat_is_not_taken_for_the_plan),
        cmocka_unit_test(without_readings_nothing_is_said),
        cmocka_unit_test(a_second_try_adds_to_the_first),
        cmocka_unit_test(plans_follow_from_their_beginning),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
