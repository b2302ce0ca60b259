/* tariff.cfg and record.cfg: what is said of a faulty one, word for word, and what comes out */
#include "config_case.h"

#include "config/retention_file.h"

#include <stdlib.h>

static void say(const char *name, const char *text, const char *said)
{
    const struct config_text other = {name, text, strlen(text)};
    const struct config_case unchanged = {NULL, NULL, said};
    config_case_run(&unchanged, &other, 1);
}

struct said {
    const char *text, *said;
};

#define BASE "tariff = { currency = \"USD\"; per_kwh = 0.1; };\n"

static void tariffs_that_cannot_be(void **state)
{
    static const struct said cases[] = {
        {BASE, ""},
        {"", ""},
        {"prices = ( { id = \"day\"; per_kwh = 0.2; } );",
         "tariff.cfg:1: has no group tariff; add tariff = { currency = ...; per_kwh = ...; "
         "}\n"},
        {"tariff = { currency = \"USD\"; };",
         "tariff.cfg:1: the group tariff has no per_kwh; add per_kwh = a number: price of a "
         "kWh when none of `prices` holds\n"},
        {BASE "price = ( );", "tariff.cfg:2: unknown key \"price\" in tariff.cfg; did you mean "
                              "\"prices\"?\n"},
        {BASE "prices = ( { id = \"day\"; per_kwh = 0.2; from = \"7:00\"; } );",
         "tariff.cfg:2: from = \"7:00\" is no quarter hour of a day; write it as \"14:00\" or "
         "\"14:15\", \"00:00\" to \"24:00\"\n"},
        {BASE "prices = ( { id = \"day\"; per_kwh = 0.2; from = \"07:10\"; } );",
         "tariff.cfg:2: from = \"07:10\" is no quarter hour of a day; write it as \"14:00\" or "
         "\"14:15\", \"00:00\" to \"24:00\"\n"},
        {BASE "prices = ( { id = \"day\"; per_kwh = 0.2; to = \"24:15\"; } );",
         "tariff.cfg:2: to = \"24:15\" is no quarter hour of a day; write it as \"14:00\" or "
         "\"14:15\", \"00:00\" to \"24:00\"\n"},
        {BASE "prices = ( { id = \"day\"; per_kwh = 0.2; from = \"07:00\";\n to = \"07:00\"; } "
              ");",
         "tariff.cfg:3: price \"day\" ends when it begins; leave out from and to for the whole "
         "day\n"},
        {BASE "seasons = ( { id = \"summer\"; from = \"06-01\"; to = \"09-31\"; } );\n"
              "prices = ( { id = \"day\"; per_kwh = 0.2; season = \"summer\"; } );",
         "tariff.cfg:2: to = \"09-31\" is no day of the year; write month and day, as "
         "\"06-01\"\n"},
        {BASE "seasons = ( { id = \"summer\"; from = \"06-01\"; to = \"09-30\"; } );\n"
              "prices = ( { id = \"day\"; per_kwh = 0.2; season = \"sumer\"; } );",
         "tariff.cfg:3: season = \"sumer\": there is no season of that id; did you mean "
         "\"summer\"?\n"},
        {BASE "seasons = ( { id = \"s\"; from = \"06-01\"; to = \"09-30\"; },\n"
              " { id = \"s\"; from = \"01-01\"; to = \"01-31\"; } );",
         "tariff.cfg:3: there is a season \"s\" already\n"},
        {BASE "prices = ( { id = \"day\"; per_kwh = 0.2; days = \"weekdays\"; } );",
         "tariff.cfg:2: days = \"weekdays\" is not known; it is \"every\", \"workdays\", "
         "\"saturdays\", \"sundays\" or \"weekends\"\n"},
        {BASE "holidays = ( { date = \"2026-02-30\"; } );",
         "tariff.cfg:2: date = \"2026-02-30\" is no day; write \"12-25\" for every year or "
         "\"2026-11-26\" for one\n"},
        /* what can be, and has no effect */
        {BASE "seasons = ( { id = \"winter\"; from = \"11-01\"; to = \"02-28\"; } );\n"
              "prices = ( { id = \"day\"; per_kwh = 0.2; season = \"winter\"; } );",
         "tariff.cfg:2: warning: to = \"02-28\" leaves out 29 February; \"02-29\" is the end "
         "of February in every year\n"},
        {BASE "seasons = ( { id = \"summer\"; from = \"06-01\"; to = \"09-30\"; } );",
         "tariff.cfg:2: warning: no price is of the season \"summer\"\n"},
        {BASE "prices = ( { id = \"all\"; per_kwh = 0.2; },\n { id = \"night\"; per_kwh = 0.1; "
              "from = \"22:00\"; to = \"06:00\"; } );",
         "tariff.cfg:3: warning: price \"night\" never holds: those before it take all of its "
         "times; the first that fits is the one\n"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        say("tariff.cfg", cases[i].text, cases[i].said);
}

static void a_tariff_with_too_many_prices_is_refused(void **state)
{
    struct text t = TEXT_INIT;
    (void)state;
    text_append(&t, BASE "prices = (\n");
    for (int i = 0; i <= TARIFF_PRICES; i++)
        text_printf(
            &t, "%s{ id = \"p%d\"; per_kwh = 0.1; from = \"%02d:%02d\"; to = \"%02d:%02d\"; }",
            i ? ",\n" : "", i, i / 4, i % 4 * 15, (i + 1) / 4, (i + 1) % 4 * 15);
    text_append(&t, ");");
    say("tariff.cfg", text_get(&t), "tariff.cfg:2: prices has 49 groups; 48 fit\n");
    text_free(&t);
}

static struct config load(const char *name, const char *text)
{
    const struct config_text texts[] = {
        {"site.cfg", config_case_site, strlen(config_case_site)}, {name, text, strlen(text)}};
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct config c;
    assert_true(config_load_memory(&c, texts, 2, &faults));
    assert_int_equal(faults.count, 0);
    faults_free(&faults);
    return c;
}

static void a_tariff_comes_out_as_written(void **state)
{
    struct config c = load(
        "tariff.cfg", "tariff = { currency = \"EUR\"; per_kwh = 0.28; fixed_per_day = 0.3; };\n"
                      "seasons = ( { id = \"cold\"; from = \"11-01\"; to = \"02-29\"; } );\n"
                      "prices = ( { id = \"peak\"; per_kwh = 0.4; season = \"cold\"; days = "
                      "\"workdays\"; from = \"06:30\"; to = \"09:15\"; },\n"
                      " { id = \"night\"; per_kwh = 1; from = \"22:00\"; to = \"06:00\"; } );\n"
                      "holidays = ( { date = \"12-25\"; }, { date = \"2026-04-03\"; } );\n");
    const struct tariff *t = &c.tariff;
    (void)state;
    assert_string_equal(t->currency, "EUR");
    assert_near(t->per_kwh, 0.28, 0);
    assert_near(t->fixed_per_day, 0.3, 0);
    assert_int_equal(t->seasons[0].from, 1101);
    assert_int_equal(t->seasons[0].to, 229);
    assert_int_equal(t->price_count, 2);
    assert_int_equal(t->prices[0].season, 0);
    assert_int_equal(t->prices[0].days, TARIFF_WORKDAYS);
    assert_int_equal(t->prices[0].from_minute, 390);
    assert_int_equal(t->prices[0].to_minute, 555);
    assert_int_equal(t->prices[1].season, -1);
    assert_int_equal(t->prices[1].days, TARIFF_EVERY_DAY);
    assert_near(t->prices[1].per_kwh, 1, 0);
    assert_int_equal(t->holiday_count, 2);
    assert_int_equal(t->holidays[0].year, 0);
    assert_int_equal(t->holidays[0].date, 1225);
    assert_int_equal(t->holidays[1].year, 2026);
    config_free(&c);
}

static void what_is_kept_is_told_or_at_its_defaults(void **state)
{
    static const struct said cases[] = {
        {"", ""},
        {"keep = { readings_days = 0; };",
         "record.cfg:1: readings_days = 0 is out of range; it is 1 to 36525 (every second, as "
         "it was read)\n"},
        {"keep = { size_mb = 2; };", "record.cfg:1: size_mb = 2 is too small to work in; at "
                                     "least 4, or 0 for no bound\n"},
        {"keep = { reading_days = 30; };", "record.cfg:1: unknown key \"reading_days\" in the "
                                           "group keep; did you mean \"readings_days\"?\n"},
        {"keep = { readings_days = 30; summaries_days = 20; };",
         "record.cfg:1: warning: summaries_days = 20 is less than readings_days = 30; charts "
         "of the time between have nothing to show\n"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        say("record.cfg", cases[i].text, cases[i].said);
    struct retention d = retention_defaults();
    struct config c = load("rules.cfg", "");
    assert_int_equal(c.retention.readings_days, d.readings_days);
    assert_int_equal(c.retention.summaries_days, d.summaries_days);
    assert_int_equal(c.retention.loads_days, d.loads_days);
    assert_near(c.retention.size_mb, d.size_mb, 0);
    assert_near(c.retention.free_mb, d.free_mb, 0);
    assert_int_equal(d.readings_days, atoi(keep_fields[KEEP_READINGS].fallback));
    assert_int_equal(d.summaries_days, atoi(keep_fields[KEEP_SUMMARIES].fallback));
    assert_int_equal(d.loads_days, atoi(keep_fields[KEEP_LOADS].fallback));
    assert_near(d.size_mb, atof(keep_fields[KEEP_SIZE].fallback), 0);
    assert_near(d.free_mb, atof(keep_fields[KEEP_FREE].fallback), 0);
    config_free(&c);
    c = load("record.cfg",
             "keep = { readings_days = 30; loads_days = 40; summaries_days = 50; size_mb = "
             "12.5; free_mb = 0; };");
    assert_int_equal(c.retention.readings_days, 30);
    assert_int_equal(c.retention.loads_days, 40);
    assert_int_equal(c.retention.summaries_days, 50);
    assert_near(c.retention.size_mb, 12.5, 0);
    assert_near(c.retention.free_mb, 0, 0);
    config_free(&c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tariffs_that_cannot_be),
        cmocka_unit_test(a_tariff_with_too_many_prices_is_refused),
        cmocka_unit_test(a_tariff_comes_out_as_written),
        cmocka_unit_test(what_is_kept_is_told_or_at_its_defaults),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
