/* Advice over records made by hand, one reading a second. */
#include "check.h"

#include "analysis/advice_replay.h"

#include <stdlib.h>

#define BASE INT64_C(1767225600000) /* 2026-01-01T00:00:00Z */
#define HOUR INT64_C(3600000)
#define RUNS 8

struct made {
    struct site site;
    struct rules_set rules;
    struct signature_set signatures;
    struct advice_record record;
    struct advice_run runs[RUNS];
    struct advice_trip trips[4];
    bool measured[3];
    double standing[3]; /* of each circuit */
    bool broken;
};

/* the runs as they were, the supply gone from a trip to its reset */
static bool read_made(void *context, int circuit, int64_t from_wall_ms, size_t seconds,
                      float *amps)
{
    const struct made *m = context;
    for (size_t s = 0; s < seconds; s++) {
        int64_t t = from_wall_ms + (int64_t)s * 1000;
        double a = m->standing[circuit];
        for (size_t i = 0; i < m->record.run_count; i++)
            if (m->runs[i].circuit == circuit && t >= m->runs[i].on_wall_ms &&
                t < m->runs[i].off_wall_ms)
                a += m->runs[i].amps;
        for (size_t i = 0; i < m->record.trip_count; i++)
            if (m->trips[i].circuit == circuit && t >= m->trips[i].opened_wall_ms &&
                t < m->trips[i].restored_wall_ms)
                a = 0.0;
        amps[s] = (float)a;
    }
    return !m->broken;
}

static int32_t no_offset(void *context, int64_t wall_ms)
{
    (void)context;
    (void)wall_ms;
    return 0;
}

static struct made *make(void)
{
    struct made *m = calloc(1, sizeof *m);
    assert_non_null(m);
    site_init(&m->site);
    struct site_panel *p = site_add_panel(&m->site);
    assert_non_null(p);
    snprintf(p->id, sizeof p->id, "main");
    p->legs = 1;
    p->rating_amps = 100;
    for (int i = 0; i < 3; i++) {
        struct site_circuit *c = site_add_circuit(&m->site);
        assert_non_null(c);
        snprintf(c->id, sizeof c->id, "main-%02d", i + 1);
        snprintf(c->leg, sizeof c->leg, "A");
        c->panel = 0;
        c->poles = 1;
        c->meter = -1;
        c->ct_ratio = 1;
        c->breaker_amps = 20;
        m->measured[i] = true;
    }
    site_finish(&m->site);
    assert_true(rules_set_init(&m->rules, &m->site));
    m->record = (struct advice_record){.site = &m->site,
                                       .rules = &m->rules,
                                       .signatures = &m->signatures,
                                       .from_wall_ms = BASE,
                                       .to_wall_ms = BASE + 240 * HOUR,
                                       .runs = m->runs,
                                       .trips = m->trips,
                                       .measured = m->measured,
                                       .read = read_made,
                                       .offset = no_offset,
                                       .context = m};
    return m;
}

static void unmake(struct made *m)
{
    rules_set_free(&m->rules);
    site_free(&m->site);
    free(m);
}

static void add_run(struct made *m, int circuit, double begun_hour, double minutes, double amps)
{
    struct advice_run *x = &m->runs[m->record.run_count++];
    *x = (struct advice_run){.circuit = circuit,
                             .on_wall_ms = BASE + (int64_t)(begun_hour * (double)HOUR),
                             .amps = amps,
                             .appliance = "unknown"};
    x->off_wall_ms = x->on_wall_ms + (int64_t)(minutes * 60000.0);
}

static void add_trip(struct made *m, int circuit, double hour, bool worn)
{
    struct advice_trip *t = &m->trips[m->record.trip_count++];
    *t = (struct advice_trip){.circuit = circuit,
                              .opened_wall_ms = BASE + (int64_t)(hour * (double)HOUR),
                              .worn = worn};
    t->restored_wall_ms = t->opened_wall_ms + HOUR / 2;
    trip_id_make(&m->site, circuit, t->opened_wall_ms, t->id);
}

/* A heater of 11 A since an hour, a kettle of 25 A for 3 minutes on top: 36 A on 20. */
static void heater_and_boiler(struct made *m, double hour)
{
    add_run(m, 0, hour - 1.0, 60, 11);
    add_run(m, 0, hour - 0.05, 3, 25);
    add_trip(m, 0, hour, false);
}

static void the_load_that_brings_it_past_the_rating_is_moved(void **state)
{
    struct made *m = make();
    struct advice out[ADVICE_MOST];
    (void)state;
    m->standing[1] = 14; /* has no room for it */
    add_run(m, 0, 24, 60, 11);
    add_run(m, 0, 24.7, 18, 15); /* 26 A on 20 for 18 minutes */
    add_trip(m, 0, 25, false);
    int n = advice_find(&m->record, out);
    assert_int_equal(n, 1);
    assert_int_equal(out[0].kind, ADVICE_MOVE);
    assert_int_equal(out[0].circuit, 0);
    assert_int_equal(out[0].to, 2);
    assert_int_equal(out[0].trips, 1);
    assert_int_equal(out[0].trips_avoided, 1);
    assert_true(out[0].trips_added < 0.05);
    assert_int_equal(out[0].runs, 1);
    assert_string_equal(out[0].avoided[0]->id, m->trips[0].id);
    unmake(m);
}

static void what_fits_nowhere_has_earned_a_circuit(void **state)
{
    struct made *m = make();
    struct advice out[ADVICE_MOST];
    (void)state;
    heater_and_boiler(m, 25); /* by the plug, 16 A are the most: the boiler goes nowhere, */
    heater_and_boiler(m, 50); /* and without the heater it still opens */
    int n = advice_find(&m->record, out);
    assert_int_equal(n, 1);
    assert_int_equal(out[0].kind, ADVICE_DEDICATED);
    assert_int_equal(out[0].to, -1);
    assert_near(out[0].usual_amps, 25, 1e-9);
    assert_int_equal(out[0].trips_avoided, 2);
    assert_true(out[0].too_large);
    unmake(m);
}

/* Two loads of nearly one size that are on together are two, whichever of them the runs were
 * taken for: on the other circuit they would be on together as well. */
static void what_cannot_be_told_from_it_comes_along(void **state)
{
    struct made *m = make();
    struct advice out[ADVICE_MOST];
    (void)state;
    m->site.circuits[0].breaker_amps = 25;
    add_run(m, 0, 24, 60, 11);
    add_run(m, 0, 24.7, 18, 15);
    add_trip(m, 0, 25, false);
    add_run(m, 0, 49.5, 30, 13.2);
    add_run(m, 0, 49.7, 18, 14); /* without it and the one of 15 A nothing would have opened */
    add_trip(m, 0, 50, false);
    int n = advice_find(&m->record, out);
    assert_int_equal(n, 1);
    assert_int_equal(out[0].kind, ADVICE_MOVE); /* not those, which would avoid both */
    assert_near(out[0].usual_amps, 11, 1e-9);
    assert_int_equal(out[0].trips_avoided, 1);
    unmake(m);
}

static void a_run_that_a_trip_cut_short_goes_on(void **state)
{
    const struct advice_load load = {.circuit = 0, .least_amps = 10, .most_amps = 12};
    struct made *m = make();
    (void)state;
    add_run(m, 0, 10, 30, 11); /* seen to its end */
    add_run(m, 0, 24.9, 6, 11);
    add_trip(m, 0, 25, false);
    add_run(m, 0, 49, 60, 11);
    add_trip(m, 0, 50, false);
    assert_int_equal(replay_run_end(&m->record, &load, &m->runs[0]), m->runs[0].off_wall_ms);
    assert_int_equal(replay_run_end(&m->record, &load, &m->runs[1]),
                     m->runs[1].on_wall_ms + HOUR / 2); /* like the longest that was seen */
    assert_int_equal(replay_run_end(&m->record, &load, &m->runs[2]),
                     m->runs[2].on_wall_ms + 2 * HOUR); /* longer than any: as long again */
    unmake(m);
}

static void an_essential_or_a_full_circuit_is_no_place(void **state)
{
    struct made *m = make();
    struct advice out[ADVICE_MOST];
    (void)state;
    m->standing[1] = 18;
    m->site.circuits[2].essential = true;
    add_run(m, 0, 24, 60, 11);
    add_run(m, 0, 24.7, 18, 15);
    add_trip(m, 0, 25, false);
    assert_int_equal(advice_find(&m->record, out), 0); /* one trip earns no circuit */
    unmake(m);
}

static void a_worn_breaker_is_to_be_tested(void **state)
{
    struct made *m = make();
    struct advice out[ADVICE_MOST];
    (void)state;
    add_run(m, 1, 24, 60, 12);
    add_trip(m, 1, 25, true); /* 12 A on 20 */
    int n = advice_find(&m->record, out);
    assert_int_equal(n, 1);
    assert_int_equal(out[0].kind, ADVICE_TEST);
    assert_int_equal(out[0].circuit, 1);
    assert_int_equal(out[0].trips_avoided, 1);
    unmake(m);
}

static void a_circuit_that_only_warned_is_relieved(void **state)
{
    struct made *m = make();
    struct advice out[ADVICE_MOST];
    struct advice_warning warnings[2];
    (void)state;
    for (int i = 0; i < 2; i++) { /* 27 A on 20 for some minutes, twice, and it held */
        double hour = 24 + 24 * i;
        add_run(m, 0, hour, 40, 11);
        add_run(m, 0, hour + 0.5, 6, 16);
        warnings[i] = (struct advice_warning){
            .circuit = 0, .wall_ms = BASE + (int64_t)((hour + 0.55) * (double)HOUR)};
    }
    m->record.warnings = warnings;
    m->record.warning_count = 2;
    int n = advice_find(&m->record, out);
    assert_int_equal(n, 1);
    assert_int_equal(out[0].kind, ADVICE_MOVE);
    assert_int_equal(out[0].trips, 0);
    assert_int_equal(out[0].warnings, 2);
    assert_int_equal(out[0].warnings_left, 0);
    assert_true(out[0].to > 0);
    unmake(m);
}

static void nothing_happened_and_nothing_is_advised(void **state)
{
    struct made *m = make();
    struct advice out[ADVICE_MOST];
    (void)state;
    add_run(m, 0, 24, 60, 11);
    assert_int_equal(advice_find(&m->record, out), 0);
    add_trip(m, 0, 25, false);
    m->broken = true; /* the record cannot be read */
    assert_int_equal(advice_find(&m->record, out), -1);
    unmake(m);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_load_that_brings_it_past_the_rating_is_moved),
        cmocka_unit_test(what_fits_nowhere_has_earned_a_circuit),
        cmocka_unit_test(what_cannot_be_told_from_it_comes_along),
        cmocka_unit_test(a_run_that_a_trip_cut_short_goes_on),
        cmocka_unit_test(an_essential_or_a_full_circuit_is_no_place),
        cmocka_unit_test(a_worn_breaker_is_to_be_tested),
        cmocka_unit_test(a_circuit_that_only_warned_is_relieved),
        cmocka_unit_test(nothing_happened_and_nothing_is_advised),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
