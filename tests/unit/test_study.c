/*
 * Load studies against published worked examples, to the ampere, and the demand they hang on.
 *
 * Annex D2(a) and D2(b) of NFPA 70 (2005 text, as an exam-book page carries it; their
 * arithmetic is the same through 2023); a trade blog's 220.82 of a house with a car; a public
 * summary of the 2025 California code for 220.83(B), whose second example is flawed and stands
 * here by the rule.
 */
#include "check.h"

#include "analysis/study.h"
#include "config/reader.h"

#include <stdlib.h>

static const char site_text[] =
    "site = { id = \"rowhouse\"; name = \"Row\"; timezone = \"UTC\"; standard = \"UL489\"; "
    "nominal_volts = 120.0; };\n"
    "panels = ( { id = \"main\"; name = \"Main\"; legs = 2; rating_amps = 200; },\n"
    "           { id = \"shop\"; name = \"Shop\"; legs = 2; rating_amps = 60; fed_by = "
    "\"main-14\"; } );\n"
    "circuits = (\n"
    "  { id = \"main-07\"; panel = \"main\"; position = \"7\"; name = \"Bath\"; poles = 1; "
    "leg = \"A\"; breaker_amps = 20; },\n"
    "  { id = \"main-14\"; panel = \"main\"; position = \"14,16\"; name = \"Shop\"; poles = 2; "
    "leg = \"AB\"; breaker_amps = 60; } );\n";

static struct config *load(const char *study)
{
    const struct config_text texts[] = {{"site.cfg", site_text, strlen(site_text)},
                                        {"study.cfg", study, strlen(study)}};
    struct config *c = calloc(1, sizeof *c);
    struct config_faults faults = CONFIG_FAULTS_INIT;
    assert_non_null(c);
    if (!config_load_memory(c, texts, 2, &faults))
        fail_msg("%s:%d: %s", faults.list[0].file, faults.list[0].line, faults.list[0].text);
    faults_free(&faults);
    return c;
}

static void unload(struct config *c)
{
    config_free(c);
    free(c);
}

typedef void dwelling_sheet(const struct code_edition *e, const struct site *s,
                            const struct dwelling *d, struct study_sheet *out);

struct example {
    const char *name, *study;
    dwelling_sheet *sheet;
    double va, amps;
    const char *section;
};

#define LOADS(...) "loads = ( " __VA_ARGS__ " ); } );"
#define HOUSE(ft2) "dwellings = ( { panel = \"main\"; floor_ft2 = " #ft2 "; "
#define LOAD(name, va) "{ name = \"" name "\"; va = " #va "; }"

static const struct example examples[] = {
    {"Annex D2(a)",
     HOUSE(1500) LOADS(LOAD("Range", 12000) ", " LOAD("Water heater", 2500) ", " LOAD(
         "Dishwasher", 1200) ", " LOAD("Dryer", 5000) ", "
                                                      "{ name = \"Heat\"; kind = "
                                                      "\"room_heat\"; va = 1800; count = 5; }, "
                                                      "{ name = \"Cooling\"; kind = "
                                                      "\"air_conditioning\"; va = 1380; }"),
     study_optional, 21480, 89.5, "220.82"},
    {"Annex D2(b)",
     HOUSE(1500)
         LOADS("{ name = \"Ovens\"; va = 4000; count = 2; }, " LOAD("Cooktop", 5100) ", " LOAD(
             "Water heater", 4500) ", " LOAD("Dishwasher",
                                             1200) ", " LOAD("Washer and dryer",
                                                             5000) ", "
                                                                   "{ name = \"Cooling\"; kind "
                                                                   "= \"air_conditioning\"; va "
                                                                   "= 1680; count = 6; }"),
     study_optional, 29200, 121.67, "220.82"},
    {"a trade blog's house with a car",
     HOUSE(2000) LOADS(LOAD("Water heater", 4500) ", " LOAD("Range", 12000) ", " LOAD(
         "Dishwasher",
         1200) ", " LOAD("Dryer",
                         5500) ", "
                               "{ name = \"Car\"; kind = \"vehicle\"; va = 9600; }, "
                               "{ name = \"Heat pump\"; kind = \"heat_pump\"; va = 5760; }"),
     study_optional, 29080, 121.17, "220.82"},
    {"220.83(B), summary of the California code",
     HOUSE(1800) LOADS(LOAD("Water heater", 4500) ", " LOAD(
         "Dryer",
         5000) ", "
               "{ name = \"Car\"; kind = \"vehicle\"; va = 9600; }, "
               "{ name = \"Cooling\"; kind = \"air_conditioning\"; va = 6000; new = true; }"),
     study_existing, 22400, 93.33, "220.83(B)"},
    {"its second example by the rule: it prints 30480 VA, with the dropped cooling still in",
     HOUSE(2400) LOADS(LOAD("Range", 12000) ", " LOAD("Water heater", 4500) ", " LOAD(
         "Dryer",
         5000) ", "
               "{ name = \"Furnace\"; kind = \"central_heat\"; va = 10000; new = true; }, "
               "{ name = \"Cooling\"; kind = \"air_conditioning\"; va = 6000; }"),
     study_existing, 28080, 117.0, "220.83(B)"},
};

/* whatever adds up on a sheet does */
static void check_sums(const struct study_sheet *t)
{
    double sum = 0.0, general = 0.0;
    for (size_t i = 0; i < t->step_count; i++) {
        const struct study_step *x = &t->steps[i];
        if (x->item <= ITEM_NEW_LOAD)
            general += x->value;
        if (x->item == ITEM_GENERAL)
            assert_near(x->value, general, 1e-6);
        if (x->item == ITEM_FIRST || x->item == ITEM_REST || x->item == ITEM_HEAT_OR_COOLING)
            sum += x->value;
        if (x->item == ITEM_TOTAL)
            assert_near(x->value, sum, 1e-6);
        assert_non_null(study_item_name(x->item));
    }
}

static void published_examples_come_out_to_the_ampere(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof examples / sizeof examples[0]; i++) {
        const struct example *x = &examples[i];
        struct config *c = load(x->study);
        struct study_sheet t;
        x->sheet(&c->study.editions[c->study.edition], &c->site,
                 load_study_dwelling(&c->study, 0), &t);
        if (fabs(t.total_va - x->va) > 0.5 || fabs(t.total_amps - x->amps) > 0.05)
            fail_msg("%s: %.1f VA, %.2f A", x->name, t.total_va, t.total_amps);
        assert_string_equal(t.section, x->section);
        assert_int_equal(t.verdict, STUDY_FITS);
        check_sums(&t);
        unload(c);
    }
}

static void existing_heat_counts_with_the_others_when_nothing_new_heats(void **state)
{
    struct config *c = load(HOUSE(1000) LOADS(
        LOAD("Range", 8000) ", "
                            "{ name = \"Cooling\"; kind = \"air_conditioning\"; va = 3000; }, "
                            "{ name = \"Car\"; kind = \"vehicle\"; va = 5000; new = true; }"));
    struct study_sheet t;
    (void)state;
    study_existing(&c->study.editions[c->study.edition], &c->site, &c->study.dwellings[0], &t);
    assert_string_equal(t.section, "220.83(A)");
    /* 3000 + 3000 + 1500 + 8000 + 3000 + the car at 7200 (220.57) = 25700 */
    assert_near(t.total_va, 8000 + 0.4 * 17700, 1e-6);
    unload(c);
}

static void the_edition_of_2026_has_its_own_numbers(void **state)
{
    struct config *c =
        load("study = { edition = \"2026\"; };\n" HOUSE(1500) LOADS(LOAD("Range", 12000)));
    struct study_sheet t;
    (void)state;
    study_optional(&c->study.editions[c->study.edition], &c->site, &c->study.dwellings[0], &t);
    assert_string_equal(t.section, "120.82");
    assert_string_equal(t.edition, "2026");
    assert_true(c->study.editions[c->study.edition].note[0]);
    assert_string_equal(t.steps[0].section, "120.82(B)");
    unload(c);
}

/* ---- the record ---- */

/* so many days of one current on each leg, with a quarter of most amps on leg A */
static struct study_record record_of(double days, double amps, double most)
{
    struct study_record r = {.whole = true};
    demand_init(&r.demand, 2);
    for (int m = 0; m < (int)(days * 1440); m++) {
        double at[SITE_MAX_LEGS] = {amps, amps / 2};
        if (m >= 1000 && m < 1015) /* across two quarters of the clock */
            at[0] = most;
        demand_minute(&r.demand, INT64_C(1767225600000) + m * INT64_C(60000), at);
    }
    return r;
}

static void the_highest_demand_is_found_between_the_quarters(void **state)
{
    struct study_record r = record_of(2, 0, 30);
    (void)state;
    assert_near(r.demand.leg[0].sliding_amps, 30, 1e-9);
    assert_near(r.demand.leg[0].aligned_amps, 20, 1e-9); /* minutes 1005 to 1014 */
    assert_true(r.demand.leg[0].sliding_wall_ms ==
                INT64_C(1767225600000) + 1000 * INT64_C(60000));
    assert_near(r.demand.leg[0].continuous_amps, 0, 1e-9);
    assert_int_equal(demand_worse_leg(&r.demand), 0);
}

static void a_hole_is_told_and_counts_for_nothing(void **state)
{
    struct demand d;
    (void)state;
    demand_init(&d, 1);
    for (int m = 0; m < 600; m++) {
        double at[SITE_MAX_LEGS] = {m < 100 || m >= 160 ? 10 : (double)NAN};
        if (m < 300 || m >= 400) /* 300..399: no minute at all */
            demand_minute(&d, INT64_C(1767225600000) + m * INT64_C(60000), at);
    }
    assert_near(d.minutes, 600 - 60 - 100, 0);
    assert_near(d.longest_gap_minutes, 100, 0);
    assert_near(d.leg[0].sliding_amps, 10, 1e-9);
    assert_near(d.leg[0].continuous_amps, 10, 1e-9); /* 400 to 599 is longer than 3 h */
    demand_init(&d, 1);
    for (int m = 0; m < 170; m++) {
        double at[SITE_MAX_LEGS] = {10};
        demand_minute(&d, INT64_C(1767225600000) + m * INT64_C(60000), at);
    }
    assert_true(isnan(d.leg[0].continuous_amps)); /* less than 3 h says nothing */
}

static double value_of(const struct study_sheet *t, enum study_item item)
{
    for (size_t i = 0; i < t->step_count; i++)
        if (t->steps[i].item == item)
            return t->steps[i].value;
    fail_msg("the sheet has no %s", study_item_name(item));
    return 0;
}

/* Check values made by hand, with 220.87's own arithmetic: (1) 200 A, 21.6 kVA at 240 V, and 48
 * A of a car: 160.5 A. (2) 100 A, worse leg 62 A, and 30 A: 107.5 A; the most is 22.5 A. */
static void a_year_of_record_says_what_may_be_added(void **state)
{
    struct config *c = load("");
    struct study_sheet t;
    struct study_record r = record_of(366, 0, 90);
    struct study_addition car = {.amps = 48, .continuous = true};
    (void)state;
    study_recorded(&c->study, &c->site, 0, &r, &car, &t);
    assert_near(t.total_amps, 160.5, 1e-9);
    assert_int_equal(t.verdict, STUDY_FITS);
    assert_near(value_of(&t, ITEM_IF_YEAR), 1, 0);
    c->site.panels[0].rating_amps = 100;
    r = record_of(366, 0, 62);
    struct study_addition thirty = {.amps = 30};
    study_recorded(&c->study, &c->site, 0, &r, &thirty, &t);
    assert_near(t.total_amps, 107.5, 1e-9);
    assert_int_equal(t.verdict, STUDY_DOES_NOT_FIT);
    assert_near(t.room_amps, 22.5, 1e-9);
    unload(c);
}

static void thirty_days_need_their_conditions(void **state)
{
    struct config *c = load("study = { occupied = true; seasonal_recorded = true; };");
    struct study_sheet t;
    struct study_addition ten = {.amps = 10};
    struct study_record r = record_of(31, 0, 62);
    (void)state;
    study_recorded(&c->study, &c->site, 0, &r, &ten, &t);
    assert_int_equal(t.verdict, STUDY_FITS);
    c->study.occupied = false; /* nobody has said */
    study_recorded(&c->study, &c->site, 0, &r, &ten, &t);
    assert_int_equal(t.verdict, STUDY_UNDECIDED);
    c->study.occupied = true;
    r.flows_back = true; /* photovoltaics: the exception may not be used */
    study_recorded(&c->study, &c->site, 0, &r, &ten, &t);
    assert_int_equal(t.verdict, STUDY_UNDECIDED);
    r.flows_back = false;
    r.whole = false; /* a circuit without a meter */
    study_recorded(&c->study, &c->site, 0, &r, &ten, &t);
    assert_int_equal(t.verdict, STUDY_UNDECIDED);
    r = record_of(20, 0, 62);
    study_recorded(&c->study, &c->site, 0, &r, &ten, &t);
    assert_int_equal(t.verdict, STUDY_UNDECIDED);
    struct study_record none = {.whole = true};
    demand_init(&none.demand, 2);
    study_recorded(&c->study, &c->site, 0, &none, &ten, &t);
    assert_int_equal(t.verdict, STUDY_UNDECIDED);
    assert_true(isnan(t.room_amps));
    assert_true(isnan(value_of(&t, ITEM_IF_CONTINUOUS))); /* no record has no gap */
    for (size_t i = 0; i < t.step_count; i++)
        assert_null(strstr(t.steps[i].sum, "nan"));
    unload(c);
}

static void a_feeder_is_held_against_its_breaker(void **state)
{
    struct config *c = load("conductors = ( { panel = \"shop\"; ampacity_amps = 55; } );");
    struct study_sheet t;
    struct study_record r = record_of(366, 0, 30);
    struct study_addition twenty = {.amps = 20};
    (void)state;
    study_recorded(&c->study, &c->site, 1, &r, &twenty, &t);
    assert_near(t.rating_amps, 60, 0);
    assert_near(t.total_amps, 57.5, 1e-9); /* within the breaker, not within the conductors */
    assert_int_equal(t.verdict, STUDY_DOES_NOT_FIT);
    assert_string_equal(t.steps[t.step_count - 1].section, "220.87(1)");
    unload(c);
}

static void a_circuit_counts_what_is_continuous_at_125_percent(void **state)
{
    struct config *c = load("");
    struct study_sheet t;
    struct study_record r = record_of(40, 8, 8);
    struct study_addition a = {.amps = 8, .continuous = true};
    (void)state;
    c->site.circuits[0].feeds = SITE_FEEDS_ONE;
    study_branch(&c->study, &c->site, 0, &r, &a, &t);
    assert_near(t.total_amps, 1.25 * 8 + 1.25 * 8, 1e-9); /* 20 A: just */
    assert_int_equal(t.verdict, STUDY_FITS);
    assert_near(t.room_amps, 8, 1e-9);
    a.amps = 8.1;
    study_branch(&c->study, &c->site, 0, &r, &a, &t);
    assert_int_equal(t.verdict, STUDY_DOES_NOT_FIT);
    c->site.circuits[0].full_rated = true;
    study_branch(&c->study, &c->site, 0, &r, &a, &t);
    assert_int_equal(t.verdict, STUDY_FITS);
    unload(c);
}

/* 210.23(A)(2): a trade magazine's example, a 13 A central vacuum on a shared 20 A circuit. */
static void a_shared_circuit_has_limits_of_its_own(void **state)
{
    struct config *c = load("study = { edition = \"2020\"; };");
    struct study_sheet t;
    struct study_record r = record_of(40, 0, 0);
    struct study_addition vacuum = {.amps = 13, .fastened = true};
    (void)state;
    study_branch(&c->study, &c->site, 0, &r, &vacuum, &t);
    assert_near(value_of(&t, ITEM_FASTENED_LIMIT), 10, 1e-9);
    assert_int_equal(t.verdict, STUDY_DOES_NOT_FIT);
    vacuum.fastened = false;
    study_branch(&c->study, &c->site, 0, &r, &vacuum, &t);
    assert_near(value_of(&t, ITEM_PLUG_LIMIT), 16, 1e-9);
    assert_int_equal(t.verdict, STUDY_FITS);
    unload(c);
}

static void
the_design_current_stands_below_the_rating_and_that_below_the_conductors(void **state)
{
    struct config *c = load("conductors = ( { circuit = \"main-07\"; ampacity_amps = 18; } );");
    struct study_sheet t;
    struct study_record r = record_of(40, 6, 6);
    struct study_addition a = {.amps = 9, .continuous = true};
    (void)state;
    study_design(&c->study, &c->site, 0, -1, &r, &a, &t);
    assert_near(t.total_amps, 15, 1e-9);             /* nothing of 125 % */
    assert_int_equal(t.verdict, STUDY_DOES_NOT_FIT); /* In 20 A > Iz 18 A */
    c->study.conductors[0].ampacity_amps = 27;
    study_design(&c->study, &c->site, 0, -1, &r, &a, &t);
    assert_int_equal(t.verdict, STUDY_FITS);
    assert_near(value_of(&t, ITEM_TRIPPING_CURRENT), 29, 1e-9);
    c->study.conductor_count = 0; /* nobody has said what they carry */
    study_design(&c->study, &c->site, 0, -1, &r, &a, &t);
    assert_int_equal(t.verdict, STUDY_UNDECIDED);
    unload(c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(published_examples_come_out_to_the_ampere),
        cmocka_unit_test(existing_heat_counts_with_the_others_when_nothing_new_heats),
        cmocka_unit_test(the_edition_of_2026_has_its_own_numbers),
        cmocka_unit_test(the_highest_demand_is_found_between_the_quarters),
        cmocka_unit_test(a_hole_is_told_and_counts_for_nothing),
        cmocka_unit_test(a_year_of_record_says_what_may_be_added),
        cmocka_unit_test(thirty_days_need_their_conditions),
        cmocka_unit_test(a_feeder_is_held_against_its_breaker),
        cmocka_unit_test(a_circuit_counts_what_is_continuous_at_125_percent),
        cmocka_unit_test(a_shared_circuit_has_limits_of_its_own),
        cmocka_unit_test(
            the_design_current_stands_below_the_rating_and_that_below_the_conductors),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
