/*
 * Any bytes as site.cfg, rules.cfg, delivery.cfg, tariff.cfg, record.cfg, phrases.cfg,
 * study.cfg, appliances.cfg and page.cfg (parted by lines of "%%"): never a crash, never a
 * configuration that is not whole, and never a refusal without a reason. One that is usable
 * stays so when a setting is edited in its text (config/edit.h).
 *
 * What is shipped beside them is read each time, and most of it is the catalogues of words and
 * appliances: here they are small, so that there is time for what is asked.
 */
#include "config/edit.h"
#include "config/reader.h"
#include "config/shipped.h"
#include "model/frame.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define TEXTS 9

/* in the place of config/shipped.c's (--wrap in the Makefile) */
const struct shipped_file *__wrap_shipped_find(const char *name);
const struct shipped_file *__wrap_shipped_find(const char *name)
{
    static const char words[] = "languages = ( { language = \"en\"; } );\n";
    static const struct shipped_file phrases = {"phrases.cfg", words, sizeof words - 1};
    if (strcmp(name, "phrases.cfg") == 0)
        return &phrases;
    if (strcmp(name, "appliances.cfg") == 0)
        return NULL;
    for (const struct shipped_file *f = shipped_files; f->name; f++)
        if (strcmp(f->name, name) == 0)
            return f;
    return NULL;
}

/* libconfig 1.5 loses the text it is just reading when it stops at a syntax error: a few bytes
 * for each faulty file, in the library and out of our reach. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:strbuf_append\nleak:libconfig_yylex\n";
}

static void check_whole(const struct config *c)
{
    const struct site *s = &c->site;
    char name[SITE_ID_SIZE + 16];
    assert(s->panel_count > 0 && s->circuit_count > 0 && site_id_valid(s->id));
    for (size_t i = 0; i < s->circuit_count; i++) {
        const struct site_circuit *k = &s->circuits[i];
        assert(k->panel >= 0 && (size_t)k->panel < s->panel_count);
        assert(strlen(k->leg) == (size_t)k->poles && k->poles <= s->panels[k->panel].legs);
        assert(k->meter < (int)s->meter_count && site_find_circuit(s, k->id) == (int)i);
        assert(k->meter < 0 || meter_map_find(&c->maps, s->meters[k->meter].map));
    }
    for (size_t i = 0; i < s->panel_count; i++) { /* up to the utility, not in a circle */
        int at = (int)i;
        for (size_t steps = 0; s->panels[at].fed_by >= 0; steps++) {
            assert(steps < s->panel_count);
            at = s->circuits[s->panels[at].fed_by].panel;
        }
    }
    for (size_t i = 0; i < frame_count(s); i++) {
        frame_column_name(s, i, name, sizeof name);
        assert(frame_find_column(s, name, strlen(name), NULL) == (int)i);
    }
}

static void check_tariff(const struct tariff *t)
{
    for (size_t i = 0; i < t->price_count; i++) {
        const struct tariff_price *p = &t->prices[i];
        assert(site_id_valid(p->id) && p->season < (int)t->season_count && p->season >= -1);
        assert(p->from_minute >= 0 && p->from_minute <= TARIFF_DAY_MINUTES);
        assert(p->to_minute >= 0 && p->to_minute <= TARIFF_DAY_MINUTES);
        assert(p->from_minute != p->to_minute);
    }
    assert(tariff_slot(t, 20454, 0) <= t->price_count);
    assert(t->currency[0] || t->price_count + t->season_count + t->holiday_count == 0);
}

static bool is_level(const char *s)
{
    return s[0] && s[0] != '$' && !strpbrk(s, "/+#");
}

/* everybody has an id, a language that is there, and bounds; every sentence can be filled */
static void check_people(const struct config *c)
{
    const struct delivery *d = &c->delivery;
    assert(d->person_count <= DELIVERY_MAX_PEOPLE);
    for (size_t i = 0; i < d->person_count; i++) {
        const struct delivery_person *p = &d->people[i];
        assert(site_id_valid(p->id) && delivery_find_person(d, p->id) == (int)i);
        assert(phrases_find(&c->phrases, p->language));
        assert(p->quiet_from >= DELIVERY_NO_MINUTE && p->quiet_from < 1440);
        assert(p->after_minutes >= 0 && p->repeat_minutes >= 0);
    }
    assert(is_level(d->broker.sparkplug.group) && is_level(d->broker.sparkplug.node));
    assert(is_level(d->broker.homie.domain));
    const struct phrase_values v = {.site = "s",
                                    .panel = "p",
                                    .position = "1",
                                    .circuit = "c",
                                    .meter = "m",
                                    .loads = "l",
                                    .time = "t",
                                    .alarm = "a"};
    for (size_t i = 0; i < c->phrases.count; i++)
        for (int k = 0; k < PHRASES; k++) {
            const char *words = c->phrases.languages[i].words[k];
            struct text out = TEXT_INIT;
            if (words) /* what is missing is said in English */
                phrases_fill(words, &v, &out);
            text_free(&out);
        }
}

/* cuts the next text off the front, up to a line of "%%" */
static struct config_text part(const char *name, const uint8_t **data, size_t *size)
{
    const uint8_t *mark = *size ? memmem(*data, *size, "\n%%\n", 4) : NULL;
    size_t length = mark ? (size_t)(mark - *data) + 1 : *size;
    struct config_text t = {name, (const char *)*data, length};
    size_t past = mark ? length + 3 : length;
    *data += past;
    *size -= past;
    return t;
}

/* Each circuit's ratio becomes 3 and nothing else changes, or the text is left as it was. */
static void check_edit(const struct config *c, struct config_text texts[TEXTS])
{
    const struct config_text was = texts[0];
    for (size_t i = 0; i < c->site.circuit_count && i < 4; i++) {
        struct config_faults faults = CONFIG_FAULTS_INIT;
        struct config edited;
        struct text t = TEXT_INIT;
        text_append_bytes(&t, was.text, was.length);
        if (config_edit(&t, "circuits", c->site.circuits[i].id, "ct_ratio", "3.0")) {
            texts[0].text = text_get(&t);
            texts[0].length = t.length;
            bool usable = config_load_memory(&edited, texts, TEXTS, &faults);
            assert(usable && edited.site.circuit_count == c->site.circuit_count);
            assert(edited.site.circuits[i].ct_ratio == 3.0);
            assert(strcmp(edited.site.circuits[i].leg, c->site.circuits[i].leg) == 0);
            config_free(&edited);
        }
        faults_free(&faults);
        text_free(&t);
    }
    texts[0] = was;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct config_text texts[TEXTS];
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    struct text out = TEXT_INIT;
    texts[0] = part("site.cfg", &data, &size);
    texts[1] = part("rules.cfg", &data, &size);
    texts[2] = part("delivery.cfg", &data, &size);
    texts[3] = part("tariff.cfg", &data, &size);
    texts[4] = part("record.cfg", &data, &size);
    texts[5] = part("phrases.cfg", &data, &size);
    texts[6] = part("study.cfg", &data, &size);
    texts[7] = part("appliances.cfg", &data, &size);
    texts[8] = part("page.cfg", &data, &size);
    bool usable = config_load_memory(&c, texts, TEXTS, &faults);
    assert(usable == (faults.errors == 0));
    faults_print(&faults, "", &out);
    if (usable) {
        check_whole(&c);
        check_tariff(&c.tariff);
        check_people(&c);
        check_edit(&c, texts);
        assert(c.study.edition >= 0 && (size_t)c.study.edition < c.study.edition_count);
        assert(c.retention.readings_days > 0 && c.retention.summaries_days > 0);
        config_free(&c);
    }
    text_free(&out);
    faults_free(&faults);
    return 0;
}
