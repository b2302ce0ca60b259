/* figures: the numbers of an alarm, in every form and language that they are read in */
#include "check.h"

#include "analysis/alarms.h"
#include "base/codec.h"
#include "config/reader.h"
#include "config/source.h"
#include "model/figure.h"

static const char site[] =
    "site = { id = \"mill\"; name = \"Mill\"; timezone = \"UTC\"; standard = \"UL489\";\n"
    "  nominal_volts = 120.0; };\n"
    "panels = ( { id = \"main\"; name = \"Main\"; legs = 2; rating_amps = 100; } );\n"
    "circuits = ( { id = \"main-07\"; panel = \"main\"; position = \"7\"; name = \"Bath\";\n"
    "    breaker_amps = 15; leg = \"A\"; } );\n";

static void open_config(struct config *c, const char *phrases)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    const struct config_text texts[] = {{"site.cfg", site, strlen(site)},
                                        {"phrases.cfg", phrases, strlen(phrases)}};
    if (!config_load_memory(c, texts, phrases[0] ? 2 : 1, &faults))
        fail_msg("%s: %s", faults.list[0].file, faults.list[0].text);
    faults_free(&faults);
}

/* one of each form */
static struct figures sample(void)
{
    struct figures f;
    figures_clear(&f);
    figures_add(&f, FIGURE_LOAD, 25.333);
    figures_add(&f, FIGURE_BREAKER, 15);
    figures_add(&f, FIGURE_OPENS_LATEST, (double)INFINITY); /* not at this current */
    figures_add_text(&f, FIGURE_APPLIANCE, "portable_heater");
    figures_add_text(&f, FIGURE_CORD_AND_PLUG, "");
    figures_add(&f, FIGURE_RUNS_KNOWN, 12);
    figures_add_text(&f, FIGURE_RULE, "NEC 210.23");
    return f;
}

static void says(const struct phrases_language *l, const struct figures *f, const char *wanted)
{
    struct text t = TEXT_INIT;
    phrases_figures(l, f, &t);
    assert_string_equal(text_get(&t), wanted);
    text_free(&t);
}

static void they_are_said_in_each_language(void **state)
{
    struct config c;
    struct figures f = sample();
    (void)state;
    open_config(&c, "languages = ( { language = \"es\"; words = { decimal = \",\"; };\n"
                    "  appliances = { portable_heater = \"estufa\"; }; } );");
    says(NULL, &f,
         "load 25.33 A, breaker 15 A, appliance portable heater, cord and plug, "
         "runs known 12, rule NEC 210.23");
    says(phrases_find(&c.phrases, "en"), &f,
         "load 25.33 A, breaker 15 A, appliance portable heater, cord and plug, runs known 12, "
         "rule NEC 210.23");
    says(phrases_find(&c.phrases, "es"), &f,
         "carga 25,33 A, interruptor 15 A, aparato estufa, con cable y clavija, marchas "
         "conocidas 12, norma NEC 210.23");
    config_free(&c);
}

static void every_language_that_is_shipped_has_a_name_for_each(void **state)
{
    struct config c;
    (void)state;
    open_config(&c, "");
    for (size_t i = 0; i < c.phrases.count; i++) {
        const struct phrases_language *l = &c.phrases.languages[i];
        if (strcmp(l->code, "en") == 0)
            continue; /* the keys say it */
        for (int w = 0; w < FIGURE_WHATS; w++)
            if (!l->figures[w])
                fail_msg("%s has no name for %s", l->code, figure_name((enum figure_what)w));
        for (size_t s = 0; s < c.signatures.count; s++) {
            struct text t = TEXT_INIT, key = TEXT_INIT;
            phrases_appliance(l, c.signatures.signatures[s].key, &t);
            phrases_appliance(NULL, c.signatures.signatures[s].key, &key);
            size_t a = 0;
            while (a < l->appliance_count &&
                   strcmp(l->appliances[a].key, c.signatures.signatures[s].key) != 0)
                a++;
            if (a == l->appliance_count)
                fail_msg("%s has no name for %s", l->code, c.signatures.signatures[s].key);
            assert_true(t.length > 0 && key.length > 0);
            text_free(&t);
            text_free(&key);
        }
    }
    assert_true(c.phrases.count >= 2 && c.signatures.count > 40);
    config_free(&c);
}

static void every_name_is_found_again(void **state)
{
    (void)state;
    for (int w = 0; w < FIGURE_WHATS; w++) {
        enum figure_what found;
        assert_non_null(figure_name((enum figure_what)w));
        assert_true(figure_find(figure_name((enum figure_what)w), &found));
        assert_int_equal(found, w);
    }
    for (int c = 0; c < CAUSE_COUNT; c++) /* a figure for each cause, of the same name */
        assert_string_equal(figure_name((enum figure_what)(FIGURE_OVERLOAD + c)),
                            trip_cause_name((enum trip_cause)c));
}

static void they_come_back_from_json_and_from_the_state(void **state)
{
    struct figures f = sample(), back;
    struct codec_out out = {0};
    (void)state;
    json_t *list = figures_to_json(&f);
    assert_int_equal(json_array_size(list), 6);
    assert_near(json_number_value(json_object_get(json_array_get(list, 0), "value")), 25.33,
                1e-9);
    json_array_append_new(list,
                          json_pack("{s:s, s:f}", "what", "of_a_later_version", "value", 1.0));
    figures_from_json(list, &back);
    json_decref(list);
    says(NULL, &back,
         "load 25.33 A, breaker 15 A, appliance portable heater, cord and plug, "
         "runs known 12, rule NEC 210.23");
    figures_save(&f, &out);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(figures_load(&back, &in));
    assert_int_equal(back.count, f.count);
    assert_true(back.list[0].value == 25.333);
    struct codec_in cut = {out.bytes, out.bytes + out.length - 3, false};
    assert_false(figures_load(&back, &cut));
    codec_out_free(&out);
}

static void what_does_not_fit_is_left_out(void **state)
{
    struct figures f;
    (void)state;
    figures_clear(&f);
    for (int i = 0; i < FIGURES_MOST + 5; i++)
        figures_add(&f, FIGURE_LOAD, i);
    assert_int_equal(f.count, FIGURES_MOST);
    assert_true(isnan(figures_get(&f, FIGURE_HEAT)));
}

static void words_that_are_too_long_are_cut(void **state)
{
    struct figures f = {0};
    char word[201];
    (void)state;
    memset(word, 'x', 200);
    word[200] = '\0';
    for (int i = 0; i < FIGURES_MOST; i++)
        figures_add_text(&f, FIGURE_REASON, word);
    assert_int_equal(f.count, FIGURES_MOST);
    assert_int_equal(strlen(figures_text(&f, 0)), FIGURE_TEXT_SIZE - 1);
    assert_int_equal(strlen(figures_text(&f, 1)),
                     FIGURES_WORDS_SIZE - 1 - FIGURE_TEXT_SIZE - 1);
    for (size_t i = 2; i < FIGURES_MOST; i++)
        assert_string_equal(figures_text(&f, i), "");
    figures_clear(&f);
    figures_add_text(&f, FIGURE_RULE, "NEC 210.23");
    assert_string_equal(figures_text(&f, 0), "NEC 210.23");
}

static void keep_state(void *context, const struct event *e)
{
    if (e->type == EVENT_ALARM)
        *(enum alarm_state *)context = e->alarm.state;
}

/* states kept before there were figures had them as a sentence */
static void alarms_kept_by_the_version_before_are_read(void **state)
{
    struct config c;
    enum alarm_state now = ALARM_NORMAL;
    struct codec_out out = {0};
    (void)state;
    open_config(&c, "");
    struct alarms *a = alarms_create(&c.site, keep_state, &now);
    codec_put_u32(&out, 1);
    size_t begun = codec_begin(&out, 1);
    codec_put_string(&out, "main-07.trip");
    codec_put_u8(&out, ALARM_UNACKNOWLEDGED);
    codec_put_u8(&out, PRIORITY_HIGH);
    codec_put_u8(&out, 1);
    codec_put_i64(&out, 1767225600000);
    codec_put_i64(&out, 0);
    codec_put_string(&out, "Breaker 7 has opened.");
    codec_put_string(&out, "Leave it off.");
    codec_put_string(&out, "25.33 A before on a 15 A breaker");
    codec_put_string(&out, "");
    codec_put_string(&out, "");
    codec_end(&out, begun);
    struct codec_in in = {out.bytes, out.bytes + out.length, false};
    assert_true(alarms_load(a, &in));
    assert_int_equal(alarms_acknowledge(a, "main-07.trip", 1767225601000, "Ada"), ALARMS_OK);
    assert_int_equal(now, ALARM_ACKNOWLEDGED);
    codec_out_free(&out);
    alarms_destroy(a);
    config_free(&c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(they_are_said_in_each_language),
        cmocka_unit_test(every_language_that_is_shipped_has_a_name_for_each),
        cmocka_unit_test(every_name_is_found_again),
        cmocka_unit_test(they_come_back_from_json_and_from_the_state),
        cmocka_unit_test(what_does_not_fit_is_left_out),
        cmocka_unit_test(words_that_are_too_long_are_cut),
        cmocka_unit_test(alarms_kept_by_the_version_before_are_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
