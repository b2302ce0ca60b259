/* wording: what is said is whole in every language, and its subject leaves room for where it is
 */
#include "check.h"
#include "office.h"

#include "base/text.h"
#include "config/reader.h"
#include "notify/wording.h"

#include <math.h>
#include <string.h>

static void load(struct config *c)
{
    struct config_faults faults = CONFIG_FAULTS_INIT;
    const struct config_text text = {"site.cfg", office_site, strlen(office_site)};
    if (!config_load_memory(c, &text, 1, &faults))
        fail_msg("%s: %s", faults.list[0].file, faults.list[0].text);
    faults_free(&faults);
}

/* every matter in every shipped language: complete, short enough, and with its cautions */
static void the_catalogue_is_complete_and_fits_a_lock_screen(void **state)
{
    struct config c;
    (void)state;
    load(&c);
    const struct phrases *p = &c.phrases;
    assert_int_equal(p->count, 2);
    for (size_t l = 0; l < p->count; l++) {
        const struct phrases_language *g = &p->languages[l];
        for (int w = 0; w < PHRASES; w++)
            if (!g->words[w])
                fail_msg("%s has no \"%s\"", g->code, phrase_name((enum phrase)w));
        for (int m = 0; m < MATTERS; m++) {
            if (!g->subject[m])
                fail_msg("%s has no subject of %s", g->code, matter_name((enum matter)m));
            if (strlen(g->subject[m]) > 60 + strlen("{position} {circuit}"))
                fail_msg("%s: \"%s\" is too long", g->code, g->subject[m]);
            bool english = strcmp(g->code, "en") == 0;
            if (!english && (!g->what[m] || !g->act[m]))
                fail_msg("%s: %s has no words of its own", g->code,
                         matter_name((enum matter)m));
        }
    }
    const struct phrases_language *es = phrases_find(p, "es");
    static const enum matter at_the_panel[] = {
        MATTER_TRIP_OVERLOAD,     MATTER_TRIP_FAULT,   MATTER_TRIP_WORN_BREAKER,
        MATTER_OPENED_AGAIN,      MATTER_WORN_BREAKER, MATTER_BREAKER_DID_NOT_OPEN,
        MATTER_TRIP_UPSTREAM_OPEN};
    for (size_t i = 0; i < sizeof at_the_panel / sizeof at_the_panel[0]; i++)
        assert_non_null(strstr(es->act[at_the_panel[i]], "electricista con licencia"));
    assert_non_null(strstr(es->act[MATTER_TRIP_OVERLOAD], "un adulto que pueda hacerlo"));
    assert_non_null(strstr(es->act[MATTER_TRIP_OVERLOAD], "llame a emergencias"));
    assert_non_null(strstr(es->act[MATTER_TRIP_OVERLOAD], "zumba, huele, echa chispas"));
    assert_non_null(strstr(es->act[MATTER_TRIP_OVERLOAD], "Si se dispara otra vez"));
    assert_non_null(strstr(es->act[MATTER_OPENED_AGAIN], "No lo rearme"));
    config_free(&c);
}

static size_t characters_of(const char *s)
{
    size_t n = 0;
    for (; *s; s++)
        n += ((unsigned char)*s & 0xc0) != 0x80;
    return n;
}

/* what is said before the name must leave room for the breaker's position, and for the name's
 * begin when it is the only message; for the begin of a site's, panel's or meter's */
static void expect_subject(const struct wording *w, enum matter m, enum wording_why why,
                           enum alarm_priority priority, size_t more)
{
    static const char position[] = "14,16", name[] = "Ñandú y más";
    struct text subject = TEXT_INIT;
    struct news n = {.matter = m, .priority = priority, .alarm = "main-14.trip"};
    const char *template = w->language->subject[m];
    wording_subject(w, &n, why, more, &subject);
    const char *said = text_get(&subject);
    if (characters_of(said) > WORDING_SUBJECT)
        fail_msg("%s: \"%s\" has %zu characters", w->language->code, said, characters_of(said));
    char wanted[64];
    /* four characters, five bytes */
    snprintf(wanted, sizeof wanted, more ? "%s" : "%s %.5s", position, name);
    if (strstr(template, "{meter}"))
        strcpy(wanted, "main-");
    else if (strstr(template, "{panel}"))
        strcpy(wanted, "Table");
    else if (strstr(template, "{site}"))
        strcpy(wanted, "Aveni");
    if (!strstr(said, wanted))
        fail_msg("%s, %s: \"%s\" has no room for \"%s\"", w->language->code, matter_name(m),
                 said, wanted);
    text_free(&subject);
}

static bool may_be_urgent(enum matter m)
{
    switch (m) {
    case MATTER_TRIP_OVERLOAD:
    case MATTER_TRIP_FAULT:
    case MATTER_TRIP_WORN_BREAKER:
    case MATTER_TRIP_OPENED_BY_HAND:
    case MATTER_TRIP_UPSTREAM_OPEN:
    case MATTER_TRIP_SUPPLY_OUTAGE: /* with an essential load behind it */
    case MATTER_OPENED_AGAIN:
    case MATTER_BREAKER_DID_NOT_OPEN:
    case MATTER_OPEN_NEUTRAL:
    case MATTER_ESSENTIAL_LOAD_SILENT:
    case MATTER_SHARED_NEUTRAL: return true;
    default: return false;
    }
}

/* every matter (kinds, and trips by their causes) x why it is told x priority, both languages
 */
static void every_subject_leaves_room_for_where_it_is(void **state)
{
    struct config c;
    (void)state;
    load(&c);
    struct site *s = &c.site;
    strcpy(s->name, "Avenida de los Álamos 31, casa con taller y dos viviendas");
    strcpy(s->panels[0].name, "Tablero principal del sótano, junto a la escalera");
    strcpy(s->circuits[1].name, "Ñandú y más, alimentador del garaje y del jardín de atrás");
    for (size_t l = 0; l < c.phrases.count; l++) {
        struct wording w;
        wording_init(&w, &c.phrases, c.phrases.languages[l].code, s, 0);
        for (int m = 0; m < MATTERS; m++)
            for (int why = WHY_NEW; why <= WHY_CHANGED; why++)
                for (size_t more = 0; more <= 19; more += 19) {
                    expect_subject(&w, (enum matter)m, (enum wording_why)why, PRIORITY_HIGH,
                                   more);
                    if (may_be_urgent((enum matter)m))
                        expect_subject(&w, (enum matter)m, (enum wording_why)why,
                                       PRIORITY_URGENT, more);
                }
        for (int p = PHRASE_SUMMARY; p <= PHRASE_TEST; p += PHRASE_TEST - PHRASE_SUMMARY) {
            struct text heading = TEXT_INIT;
            wording_heading(&w, (enum phrase)p, &heading);
            assert_true(characters_of(text_get(&heading)) <= WORDING_SUBJECT);
            assert_non_null(strstr(text_get(&heading), "Avenida de los"));
            text_free(&heading);
        }
    }
    config_free(&c);
}

/* no sentence is left with a hole where nothing is known */
static void expect_whole(const char *language, enum matter m, size_t loads, const char *said)
{
    static const char *const holes[] = {"()", "  ", " .", " ,", " :",  ": .", ":.", "-.",
                                        "..", "{",  "[",  "]",  ", A", ": A", "nan"};
    for (size_t i = 0; i < sizeof holes / sizeof holes[0]; i++)
        if (strstr(said, holes[i]))
            fail_msg("%s, %s, %zu loads: \"%s\" has \"%s\" in it", language, matter_name(m),
                     loads, said, holes[i]);
    assert_true(said[0] != ' ' && strlen(said) > 10 && said[strlen(said) - 1] == '.');
}

static void what_is_not_known_leaves_no_hole_in_a_sentence(void **state)
{
    static const char *const alarms[] = {"main-07.x", "main.x", "m1.meter_lost",
                                         "alder-31.trip"};
    struct config c;
    (void)state;
    load(&c);
    for (size_t l = 0; l < c.phrases.count; l++) {
        const struct phrases_language *g = &c.phrases.languages[l];
        struct wording w;
        wording_init(&w, &c.phrases, g->code, &c.site, 0);
        for (int m = 0; m < MATTERS; m++)
            for (size_t loads = 0; loads <= NEWS_LOADS; loads++) {
                struct news n = {.matter = (enum matter)m, .load_count = loads};
                struct text what = TEXT_INIT, act = TEXT_INIT;
                bool panel = g->subject[m] && strstr(g->subject[m], "{panel}");
                bool meter = g->subject[m] && strstr(g->subject[m], "{meter}");
                bool site_s = g->subject[m] && strstr(g->subject[m], "{site}");
                strcpy(n.alarm, alarms[panel ? 1 : meter ? 2 : site_s ? 3 : 0]);
                strcpy(n.text, "Something has happened.");
                strcpy(n.advice, "Something is to be done.");
                for (size_t i = 0; i < loads; i++) {
                    strcpy(n.loads[i].appliance, i % 2 ? "kettle" : "unknown");
                    n.loads[i].amps = 8.0;
                }
                wording_what(&w, &n, &what);
                wording_act(&w, &n, &act);
                expect_whole(g->code, n.matter, loads, text_get(&what));
                expect_whole(g->code, n.matter, loads, text_get(&act));
                text_free(&what);
                text_free(&act);
            }
    }
    config_free(&c);
}

static void a_warning_names_what_is_on_or_says_nothing_of_it(void **state)
{
    static const struct {
        size_t loads;
        double amps;
        const char *says;
    } cases[] = {
        {0, (double)NAN, "puede dispararse pronto."},
        {0, 17.25, "puede dispararse pronto: lleva 17.2 A."},
        {1, 17.25, "lleva 17.2 A. Está encendido: un aparato de 8.0 A."},
        {2, 17.25, "lleva 17.2 A. Está encendido: un aparato de 8.0 A, hervidor 8.0 A."},
    };
    struct config c;
    struct wording w;
    (void)state;
    load(&c);
    wording_init(&w, &c.phrases, "es", &c.site, 0);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct news n = {.matter = MATTER_NEAR_OVERLOAD, .alarm = "main-07.near_overload"};
        struct text what = TEXT_INIT;
        n.load_count = cases[i].loads;
        for (size_t k = 0; k < cases[i].loads; k++) {
            strcpy(n.loads[k].appliance, k ? "kettle" : "unknown");
            n.loads[k].amps = 8.0;
        }
        if (!isnan(cases[i].amps))
            figures_add(&n.figures, FIGURE_LOAD, cases[i].amps);
        wording_what(&w, &n, &what);
        const char *said = text_get(&what);
        size_t tail = strlen(cases[i].says);
        if (strlen(said) < tail || strcmp(said + strlen(said) - tail, cases[i].says) != 0)
            fail_msg("\"%s\" does not end with \"%s\"", said, cases[i].says);
        text_free(&what);
    }
    config_free(&c);
}

/* a language of the site's own with one sentence: the rest is said in English */
static void what_a_language_leaves_out_is_said_in_english(void **state)
{
    static const char french[] =
        "languages = ( { language = \"fr\"; matters = ( { matter = \"trip_fault\";\n"
        "  what = \"Le disjoncteur {position} est ouvert[, {amps} A].\"; } ); } );\n";
    struct config c;
    struct wording w;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct news n = {
        .matter = MATTER_TRIP_FAULT, .priority = PRIORITY_HIGH, .alarm = "main-07.trip"};
    struct text said = TEXT_INIT;
    const struct config_text texts[] = {{"site.cfg", office_site, strlen(office_site)},
                                        {"phrases.cfg", french, strlen(french)}};
    (void)state;
    if (!config_load_memory(&c, texts, 2, &faults))
        fail_msg("%s: %s", faults.list[0].file, faults.list[0].text);
    faults_free(&faults);
    strcpy(n.advice, "Do not reset it.");
    wording_init(&w, &c.phrases, "fr", &c.site, 0);
    wording_subject(&w, &n, WHY_UNANSWERED, 0, &said);
    assert_string_equal(text_get(&said), "Unanswered: Breaker open, do not reset: 7 Bath");
    text_clear(&said);
    wording_what(&w, &n, &said);
    assert_string_equal(text_get(&said), "Le disjoncteur 7 est ouvert.");
    text_clear(&said);
    wording_act(&w, &n, &said);
    assert_string_equal(text_get(&said), "Do not reset it.");
    text_free(&said);
    wording_init(&w, &c.phrases, "xx", &c.site, 0); /* no language of that code */
    wording_what(&w, &n, &said);
    assert_string_equal(text_get(&said), "");
    text_free(&said);
    config_free(&c);
}

/* a name with brackets or braces in it is a name */
static void the_alarms_own_words_are_said_as_they_are(void **state)
{
    struct config c;
    struct wording w;
    struct news n = {.matter = MATTER_TRIP_FAULT, .alarm = "main-07.trip"};
    struct text what = TEXT_INIT;
    (void)state;
    load(&c);
    strcpy(n.text, "Breaker 7 (Bath [{loads}] {time}) in Main panel has opened.");
    wording_init(&w, &c.phrases, "en", &c.site, 0);
    wording_what(&w, &n, &what);
    assert_string_equal(text_get(&what), n.text);
    text_free(&what);
    config_free(&c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_catalogue_is_complete_and_fits_a_lock_screen),
        cmocka_unit_test(every_subject_leaves_room_for_where_it_is),
        cmocka_unit_test(what_is_not_known_leaves_no_hole_in_a_sentence),
        cmocka_unit_test(a_warning_names_what_is_on_or_says_nothing_of_it),
        cmocka_unit_test(what_a_language_leaves_out_is_said_in_english),
        cmocka_unit_test(the_alarms_own_words_are_said_as_they_are),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
