#include "phrases_file.h"

#include "config/fields.h"
#include "config/shipped.h"

#include <stdlib.h>
#include <string.h>

enum {
    LANGUAGE_CODE,
    LANGUAGE_MATTERS,
    LANGUAGE_WORDS,
    LANGUAGE_FIGURES,
    LANGUAGE_APPLIANCES,
    LANGUAGE_KEYS
};
enum { MATTER_KEY, MATTER_SUBJECT, MATTER_WHAT, MATTER_ACT, MATTER_KEYS };

/* a matter as written */
struct raw {
    char matter[48];
    char subject[160], what[600], act[900];
};

#define TEXT_AT(type, member)                                                                  \
    .offset = offsetof(struct type, member), .size = sizeof((struct type *)0)->member

static const struct field language_fields[LANGUAGE_KEYS] = {
    [LANGUAGE_CODE] = {"language", FIELD_ID, .required = true, TEXT_AT(phrases_language, code),
                       .help = "its code, such as \"en\""},
    [LANGUAGE_MATTERS] = {.name = "matters", .kind = FIELD_LIST},
    [LANGUAGE_WORDS] = {.name = "words", .kind = FIELD_GROUP},
    [LANGUAGE_FIGURES] = {.name = "figures", .kind = FIELD_GROUP},
    [LANGUAGE_APPLIANCES] = {.name = "appliances", .kind = FIELD_GROUP},
};
static const struct field matter_fields[MATTER_KEYS] = {
    [MATTER_KEY] = {"matter", FIELD_ID, .required = true, TEXT_AT(raw, matter),
                    .help = "what the alarm is about"},
    [MATTER_SUBJECT] = {"subject", FIELD_TEXT, TEXT_AT(raw, subject)},
    [MATTER_WHAT] = {"what", FIELD_TEXT, TEXT_AT(raw, what)},
    [MATTER_ACT] = {"act", FIELD_TEXT, TEXT_AT(raw, act)},
};
static const struct field top_fields[] = {{.name = "languages", .kind = FIELD_LIST}};

static void keep(const struct config_file *file, int line, const char *key, const char *text,
                 char **at)
{
    char unknown[32];
    if (phrases_find_unknown(text, unknown, sizeof unknown)) {
        field_error(
            file, line,
            "%s: {%s} is no word that can be filled in; there are {site}, {panel}, "
            "{position}, {circuit}, {meter}, {loads}, {time}, {alarm}, {amps}, {who}, {count}, "
            "{trips}, {urgent}",
            key, unknown);
        return;
    }
    char *copy = strdup(text);
    if (!copy) {
        field_error(file, line, "memory is short");
        return;
    }
    free(*at);
    *at = copy;
}

static void read_matter(struct phrases_language *l, const struct config_file *file,
                        const config_setting_t *group)
{
    struct raw raw = {0};
    enum matter m;
    struct fields_result keys =
        fields_read(file, group, "a matter", matter_fields, MATTER_KEYS, &raw);
    if (!(keys.given & FIELD_BIT(MATTER_KEY)))
        return;
    if (!matter_find(raw.matter, &m)) {
        struct nearest n = {.word = raw.matter};
        char did_you_mean[NEAREST_SIZE];
        for (int i = 0; i < MATTERS; i++)
            nearest_offer(&n, matter_name((enum matter)i));
        field_error(file, field_line(group, "matter"), "there is no matter \"%s\"%s",
                    raw.matter, nearest_say(&n, did_you_mean, sizeof did_you_mean));
        return;
    }
    if (keys.given & FIELD_BIT(MATTER_SUBJECT))
        keep(file, field_line(group, "subject"), "subject", raw.subject, &l->subject[m]);
    if (keys.given & FIELD_BIT(MATTER_WHAT))
        keep(file, field_line(group, "what"), "what", raw.what, &l->what[m]);
    if (keys.given & FIELD_BIT(MATTER_ACT))
        keep(file, field_line(group, "act"), "act", raw.act, &l->act[m]);
}

static void say_unknown(const struct config_file *file, const config_setting_t *group, int line,
                        const char *name, int count, const char *(*name_of)(int))
{
    struct nearest n = {.word = name};
    char did_you_mean[NEAREST_SIZE];
    for (int i = 0; i < count; i++)
        nearest_offer(&n, name_of(i));
    field_error(file, line, "unknown key \"%.60s\" in the group %s%s", name,
                config_setting_name(group), nearest_say(&n, did_you_mean, sizeof did_you_mean));
}

/* The texts of a group whose keys are the names of an enum: at[i] for name_of(i). */
static void read_texts(const struct config_file *file, const config_setting_t *group, int count,
                       const char *(*name_of)(int), char **at)
{
    for (int i = 0; i < config_setting_length(group); i++) {
        const config_setting_t *s = config_setting_get_elem(group, (unsigned)i);
        const char *name = config_setting_name(s), *text = config_setting_get_string(s);
        int line = (int)config_setting_source_line(s), found = 0;
        while (found < count && strcmp(name_of(found), name) != 0)
            found++;
        if (found == count)
            say_unknown(file, group, line, name, count, name_of);
        else if (!text)
            field_error(file, line, "%s should be a text", name);
        else
            keep(file, line, name, text, &at[found]);
    }
}

static const char *word_name(int i)
{
    return phrase_name((enum phrase)i);
}

static const char *name_of_figure(int i)
{
    return figure_name((enum figure_what)i);
}

static void read_appliances(struct phrases_language *l, const struct config_file *file,
                            const config_setting_t *group)
{
    for (int i = 0; i < config_setting_length(group); i++) {
        const config_setting_t *s = config_setting_get_elem(group, (unsigned)i);
        const char *key = config_setting_name(s), *name = config_setting_get_string(s);
        int line = (int)config_setting_source_line(s);
        if (!name || strlen(key) >= EVENT_APPLIANCE_SIZE)
            field_error(file, line, "%.60s should be the key of a signature, and a text", key);
        else if (!phrases_name_appliance(l, key, name))
            field_error(file, line, "memory is short");
    }
}

static void read_language(struct phrases *p, const struct config_file *file,
                          const config_setting_t *group)
{
    struct phrases_language raw = {.code = ""};
    struct fields_result keys =
        fields_read(file, group, "a language", language_fields, LANGUAGE_KEYS, &raw);
    if (!(keys.given & FIELD_BIT(LANGUAGE_CODE)))
        return;
    struct phrases_language *l = NULL;
    for (size_t i = 0; i < p->count; i++)
        if (strcmp(p->languages[i].code, raw.code) == 0)
            l = &p->languages[i];
    if (!l && p->count == PHRASES_LANGUAGES) {
        field_error(file, field_line(group, "language"), "%d languages fit", PHRASES_LANGUAGES);
        return;
    }
    if (!l) {
        l = &p->languages[p->count++];
        text_copy(l->code, sizeof l->code, raw.code);
    }
    if (keys.given & FIELD_BIT(LANGUAGE_MATTERS)) {
        const config_setting_t *list = config_setting_get_member(group, "matters");
        for (int i = 0; i < config_setting_length(list); i++)
            read_matter(l, file, config_setting_get_elem(list, (unsigned)i));
    }
    if (keys.given & FIELD_BIT(LANGUAGE_WORDS))
        read_texts(file, config_setting_get_member(group, "words"), PHRASES, word_name,
                   l->words);
    if (keys.given & FIELD_BIT(LANGUAGE_FIGURES))
        read_texts(file, config_setting_get_member(group, "figures"), FIGURE_WHATS,
                   name_of_figure, l->figures);
    if (keys.given & FIELD_BIT(LANGUAGE_APPLIANCES))
        read_appliances(l, file, config_setting_get_member(group, "appliances"));
}

static void read_file(struct phrases *p, const struct config_file *file)
{
    struct fields_result keys =
        fields_read(file, file->root, "phrases.cfg", top_fields, 1, NULL);
    const config_setting_t *list = config_setting_get_member(file->root, "languages");
    if (!(keys.given & FIELD_BIT(0)))
        return;
    for (int i = 0; i < config_setting_length(list); i++)
        read_language(p, file, config_setting_get_elem(list, (unsigned)i));
}

void phrases_file_read(struct phrases *p, const struct config_source *source,
                       struct config_faults *faults)
{
    const struct shipped_file *shipped = shipped_find("phrases.cfg");
    struct config_file file;
    if (shipped && source_parse(&file, "phrases.cfg", shipped->text, shipped->length, faults) ==
                       SOURCE_OPEN) {
        read_file(p, &file);
        source_close(&file);
    }
    if (source_open(&file, source, "phrases.cfg", faults) != SOURCE_OPEN)
        return;
    read_file(p, &file);
    source_close(&file);
}
