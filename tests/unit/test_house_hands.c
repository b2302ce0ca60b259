/* the simulated house's hands: handles, plugs, shorts, line by line */
#include "check.h"

#include "drivers/simulated/house_file.h"
#include "drivers/simulated/house_hands.h"

static const char lived_in[] = "house = { reset_seconds = [ 0.0, 0.0 ]; };"
                               "loads = ( { id = \"heater\"; name = \"heater\"; circuit = "
                               "\"bath\"; watts = 1200.0; spread = 0.0; always = true; },"
                               " { id = \"iron\"; name = \"iron\"; circuit = \"bath\"; watts = "
                               "1000.0; spread = 0.0; always = true; } );";

struct scene {
    struct site site;
    struct house_spec spec;
    struct house *house;
    int reset, refused, by_fault;
};

static void remember(void *context, const struct house_note *n)
{
    struct scene *s = context;
    s->reset += n->kind == HOUSE_RESET;
    s->refused += n->kind == HOUSE_DID_NOT_LATCH;
    s->by_fault += n->kind == HOUSE_OPENED_BY_FAULT;
}

static int set_up(void **state)
{
    static struct scene scene;
    struct text faults = TEXT_INIT;
    struct scene *s = &scene;
    memset(s, 0, sizeof *s);
    site_init(&s->site);
    strcpy(site_add_panel(&s->site)->id, "main");
    struct site_circuit *c = site_add_circuit(&s->site);
    strcpy(c->id, "bath");
    strcpy(c->leg, "A");
    c->panel = 0;
    c->breaker_amps = 20.0;
    site_finish(&s->site);
    assert_true(house_file_parse(&s->spec, "test.cfg", lived_in, &s->site, &faults));
    text_free(&faults);
    s->house = house_create(&s->site, &s->spec, 1, 0.0, remember, s);
    assert_non_null(s->house);
    *state = s;
    return 0;
}

static int tear_down(void **state)
{
    struct scene *s = *state;
    house_destroy(s->house);
    house_spec_free(&s->spec);
    site_free(&s->site);
    return 0;
}

/* and a second of it */
static void hand(struct scene *s, const char *line)
{
    struct house_script script;
    char why[HOUSE_HANDS_LINE];
    if (!house_hands_parse(&s->site, &s->spec, line, &script, why))
        fail_msg("%s: %s", line, why);
    house_do(s->house, &script);
    house_advance(s->house, house_now_ms(s->house) + 1000);
}

static double amps(const struct scene *s)
{
    return house_read_pole(s->house, 0).amps;
}

static void a_line_is_an_act_and_what_it_is_done_to(void **state)
{
    static const struct {
        const char *line, *why;
    } wrong[] = {
        {"", ""},
        {"  # nothing", ""},
        {"dance bath", "there is no act \"dance\""},
        {"handle_off attic", "there is no circuit \"attic\""},
        {"plug toaster", "there is no load \"toaster\""},
        {"plug", "there is no load \"\""},
        {"on heater soon", "a number of seconds"},
        {"on heater -5", "a number of seconds"},
    };
    struct scene *s = *state;
    struct house_script script;
    char why[HOUSE_HANDS_LINE];
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        assert_false(house_hands_parse(&s->site, &s->spec, wrong[i].line, &script, why));
        assert_true(wrong[i].why[0] ? strstr(why, wrong[i].why) != NULL : why[0] == '\0');
    }
    assert_true(house_hands_parse(&s->site, &s->spec, "on  heater 60", &script, why));
    assert_int_equal(script.act, HOUSE_ACT_ON);
    assert_int_equal(script.load, 0);
    assert_near(script.seconds, 60.0, 1e-9);
}

static void plugs_and_a_handle_do_what_they_do(void **state)
{
    struct scene *s = *state;
    house_advance(s->house, 2000);
    double both = amps(s);
    hand(s, "unplug iron");
    assert_near(amps(s) / both, 1200.0 / 2200.0, 0.02);
    hand(s, "handle_off bath");
    assert_near(amps(s), 0.0, 0.01);
    hand(s, "handle_on bath");
    assert_near(amps(s) / both, 1200.0 / 2200.0, 0.02);
    hand(s, "plug iron");
    assert_near(amps(s) / both, 1.0, 0.02);
    assert_int_equal(s->reset, 1);
}

static void a_tripped_handle_goes_to_off_before_it_stays_on(void **state)
{
    struct scene *s = *state;
    hand(s, "fault bath");
    assert_int_equal(s->by_fault, 1);
    hand(s, "handle_on bath");
    assert_false(house_circuit_closed(s->house, 0));
    assert_int_equal(s->refused, 1);
    hand(s, "handle_off bath");
    hand(s, "handle_on bath");
    assert_true(house_circuit_closed(s->house, 0));
}

static void shorts_last_until_they_are_mended(void **state)
{
    struct scene *s = *state;
    hand(s, "unplug heater");
    hand(s, "unplug iron");
    hand(s, "short bath");
    assert_int_equal(s->by_fault, 1);
    hand(s, "handle_off bath");
    hand(s, "handle_on bath");
    assert_int_equal(s->by_fault, 2);
    hand(s, "mend bath");
    hand(s, "break iron");
    hand(s, "handle_off bath");
    hand(s, "handle_on bath");
    hand(s, "plug heater");
    assert_true(house_circuit_closed(s->house, 0));
    hand(s, "plug iron");
    assert_int_equal(s->by_fault, 3);
    hand(s, "repair iron");
    hand(s, "handle_off bath");
    hand(s, "handle_on bath");
    assert_true(house_circuit_closed(s->house, 0));
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_line_is_an_act_and_what_it_is_done_to),
        TEST(plugs_and_a_handle_do_what_they_do),
        TEST(a_tripped_handle_goes_to_off_before_it_stays_on),
        TEST(shorts_last_until_they_are_mended),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
