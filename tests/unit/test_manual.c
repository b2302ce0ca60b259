/*
 * What is written about the configuration is made from its tables: the shipped rules.cfg and
 * the tables in docs/configuration.md. With FORETRIP_WRITE=1 in the environment this program
 * writes them anew instead of comparing; run it from the top of the tree.
 */
#include "config_case.h"

#include "config/delivery_file.h"
#include "config/fleet_file.h"
#include "config/map_file.h"
#include "config/page_file.h"
#include "config/people_file.h"
#include "config/retention_file.h"
#include "config/study_file.h"
#include "config/tariff_file.h"

#include <stdlib.h>

#define MANUAL "docs/configuration.md"
#define RULES "config/rules.cfg"

static bool writing(void)
{
    return getenv("FORETRIP_WRITE") != NULL;
}

static void read_all(const char *path, struct text *out)
{
    if (!text_read_file(out, path, CONFIG_MAX_BYTES))
        fail_msg("%s cannot be read from here", path);
}

static void compare_or_write(const char *path, const struct text *is, const struct text *wanted)
{
    if (strcmp(text_get(is), text_get(wanted)) == 0)
        return;
    if (!writing())
        fail_msg("%s is not what the tables say; FORETRIP_WRITE=1 build/tests/unit/test_manual "
                 "writes "
                 "it anew",
                 path);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    fwrite(text_get(wanted), 1, wanted->length, f);
    fclose(f);
}

/* ---- rules.cfg
 * ------------------------------------------------------------------------------- */

static void the_shipped_rules_are_the_table(void **state)
{
    struct text is = TEXT_INIT, wanted = TEXT_INIT;
    struct rules iec = rules_defaults(SITE_IEC60898);
    (void)state;
    text_append(&wanted, "# The local thresholds, each at its default. Take the # away to "
                         "change one; what is not here\n"
                         "# stays as it is. The same keys may stand in a group of a panel or "
                         "of a circuit, and the narrower\n"
                         "# wins: circuit, its panel, site.\n"
                         "#\n"
                         "# panels = ( { id = \"garage\"; ambient_celsius = 35; } );\n"
                         "# circuits = ( { id = \"main-07\"; zero_amps = 0.1; } );\n"
                         "\n"
                         "site = {\n");
    for (size_t i = 0; i < rules_table_count; i++) {
        const struct rules_row *row = &rules_table[i];
        double other = *rules_at(&iec, row);
        text_printf(&wanted, "  # %s\n", row->help);
        text_printf(&wanted, "  # %s = %.10g;  # %.10g to %.10g%s%s", row->name, row->fallback,
                    row->least, row->most, row->unit[0] ? " " : "", row->unit);
        if (other != row->fallback)
            text_printf(&wanted, "; at IEC60898 sites %.10g", other);
        text_append(&wanted, "\n");
    }
    text_append(&wanted, "};\n");
    read_all(RULES, &is);
    compare_or_write(RULES, &is, &wanted);
    text_free(&is);
    text_free(&wanted);
}

/* Without its first # every line of the shipped file is a rule at its default. */
static void the_shipped_rules_say_the_defaults(void **state)
{
    struct text is = TEXT_INIT, bare = TEXT_INIT;
    (void)state;
    read_all(RULES, &is);
    for (const char *line = text_get(&is); *line;) {
        size_t length = strcspn(line, "\n") + (strchr(line, '\n') != NULL);
        const char *equals = memchr(line, '=', length);
        bool rule = strncmp(line, "  # ", 4) == 0 && equals && equals[-1] == ' ' &&
                    memchr(line, ';', length) && memchr(line + 4, '#', length - 4);
        text_append_bytes(&bare, line + (rule ? 4 : 0), length - (rule ? 4 : 0));
        line += length;
    }
    const struct config_text texts[] = {
        {"site.cfg", config_case_site, strlen(config_case_site)},
        {"rules.cfg", text_get(&bare), bare.length}};
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    assert_true(config_load_memory(&c, texts, 2, &faults));
    struct rules defaults = rules_defaults(SITE_UL489);
    assert_memory_equal(&c.rules.site, &defaults, sizeof defaults);
    size_t rules = 0;
    for (const char *at = text_get(&bare); (at = strstr(at, ";  # ")); at++)
        rules++;
    assert_int_equal(rules, rules_table_count);
    config_free(&c);
    faults_free(&faults);
    text_free(&is);
    text_free(&bare);
}

/* ---- the manual
 * ------------------------------------------------------------------------------ */

static void append_value(struct text *out, const struct field *f)
{
    switch (f->kind) {
    case FIELD_ID: text_append(out, "id"); break;
    case FIELD_TEXT: text_printf(out, "text, up to %zu bytes", f->size - 1); break;
    case FIELD_INTEGER: text_printf(out, "integer, %.10g to %.10g", f->least, f->most); break;
    case FIELD_NUMBER: text_printf(out, "number, %.10g to %.10g", f->least, f->most); break;
    case FIELD_BITS: text_append(out, "integer"); break;
    case FIELD_SWITCH: text_append(out, "true or false"); break;
    case FIELD_GROUP: text_append(out, "group"); break;
    case FIELD_LIST: text_append(out, "list of groups"); break;
    case FIELD_NUMBERS: text_append(out, "list of integers"); break;
    case FIELD_WORD:
        for (size_t i = 0; f->words[i]; i++)
            text_printf(out, "%s`\"%s\"`", i ? ", " : "", f->words[i]);
    }
}

static void append_table(struct text *out, const struct field *table, size_t count)
{
    text_append(out, "| key | value | default | meaning |\n|---|---|---|---|\n");
    for (size_t i = 0; i < count; i++) {
        text_printf(out, "| `%s` | ", table[i].name);
        append_value(out, &table[i]);
        text_printf(out, " | %s | %s |\n", table[i].required ? "**needed**" : table[i].fallback,
                    table[i].help);
    }
}

static void append_rules(struct text *out)
{
    struct rules iec = rules_defaults(SITE_IEC60898);
    text_append(out,
                "| key | unit | from .. to | default | meaning |\n|---|---|---|---|---|\n");
    for (size_t i = 0; i < rules_table_count; i++) {
        const struct rules_row *row = &rules_table[i];
        text_printf(out, "| `%s` | %s | %.10g .. %.10g | %.10g", row->name, row->unit,
                    row->least, row->most, row->fallback);
        if (*rules_at(&iec, row) != row->fallback)
            text_printf(out, " (IEC60898: %.10g)", *rules_at(&iec, row));
        text_printf(out, " | %s |\n", row->help);
    }
}

static void append_made(struct text *out, const char *name)
{
    static const struct {
        const char *name;
        const struct field *table;
        size_t count;
    } tables[] = {
        {"site", site_fields, SITE_KEYS},
        {"panels", panel_fields, PANEL_KEYS},
        {"buses", bus_fields, BUS_KEYS},
        {"security", bus_tls_fields, BUS_TLS_KEYS},
        {"meters", meter_fields, METER_KEYS},
        {"circuits", circuit_fields, CIRCUIT_KEYS},
        {"broker", broker_fields, BROKER_KEYS},
        {"tls", tls_fields, TLS_KEYS},
        {"sparkplug", sparkplug_fields, SPARKPLUG_KEYS},
        {"homie", homie_fields, HOMIE_KEYS},
        {"mail", mail_fields, MAIL_KEYS},
        {"people", person_fields, PERSON_KEYS},
        {"keep", keep_fields, KEEP_KEYS},
        {"page", page_fields, PAGE_KEYS},
        {"pagetls", page_tls_fields, PAGE_TLS_KEYS},
        {"tariff", tariff_fields, TARIFF_KEYS},
        {"seasons", season_fields, SEASON_KEYS},
        {"prices", price_fields, PRICE_KEYS},
        {"holidays", holiday_fields, HOLIDAY_KEYS},
        {"study", study_fields, STUDY_KEYS},
        {"dwellings", dwelling_fields, DWELLING_KEYS},
        {"dwellingloads", dwelling_load_fields, DWELLING_LOAD_KEYS},
        {"conductors", conductor_fields, CONDUCTOR_KEYS},
        {"editions", edition_fields, EDITION_KEYS},
        {"map", map_fields, MAP_KEYS},
        {"points", point_fields, POINT_KEYS},
        {"fleet", fleet_fields, FLEET_KEYS},
        {"fleetperson", fleet_person_fields, FLEET_PERSON_KEYS},
        {"admit", fleet_admit_fields, FLEET_ADMIT_KEYS},
    };
    for (size_t i = 0; i < sizeof tables / sizeof tables[0]; i++)
        if (strcmp(tables[i].name, name) == 0) {
            append_table(out, tables[i].table, tables[i].count);
            return;
        }
    if (strcmp(name, "rules") != 0)
        fail_msg(MANUAL " has a part \"%s\", which is made of no table", name);
    append_rules(out);
}

#define BEGIN "<!-- made from the table: "
#define END "<!-- end -->\n"

static void the_manual_has_every_table_as_it_is(void **state)
{
    struct text is = TEXT_INIT, wanted = TEXT_INIT;
    size_t parts = 0;
    (void)state;
    read_all(MANUAL, &is);
    const char *at = text_get(&is);
    for (const char *begin; (begin = strstr(at, BEGIN)); parts++) {
        char name[32];
        const char *after = strchr(begin, '\n'), *end = strstr(begin, END);
        if (sscanf(begin, BEGIN "%31[a-z] -->", name) != 1 || !after || !end)
            fail_msg(MANUAL ": a made part has no name or no end");
        text_append_bytes(&wanted, at, (size_t)(after + 1 - at));
        append_made(&wanted, name);
        text_append(&wanted, END);
        at = end + strlen(END);
    }
    text_append(&wanted, at);
    assert_int_equal(parts, 30);
    compare_or_write(MANUAL, &is, &wanted);
    text_free(&is);
    text_free(&wanted);
}

/* The defaults that the tables tell in words are those of the model. */
static void told_defaults_are_the_real_ones(void **state)
{
    struct site s;
    struct delivery d;
    (void)state;
    site_init(&s);
    const struct site_bus *b = site_add_bus(&s);
    const struct site_circuit *c = site_add_circuit(&s);
    assert_non_null(b);
    assert_non_null(c);
    delivery_defaults(&d, &s);
    assert_int_equal(b->port, atoi(bus_fields[BUS_PORT].fallback));
    assert_int_equal(b->baud, atoi(bus_fields[BUS_BAUD].fallback));
    assert_int_equal(b->stop_bits, atoi(bus_fields[BUS_STOP_BITS].fallback));
    assert_int_equal(b->poll_ms, atoi(bus_fields[BUS_POLL].fallback));
    assert_int_equal(b->timeout_ms, atoi(bus_fields[BUS_TIMEOUT].fallback));
    assert_int_equal(b->parity, 'E');
    assert_int_equal(c->poles, atoi(circuit_fields[CIRCUIT_POLES].fallback));
    assert_near(c->ct_ratio, atof(circuit_fields[CIRCUIT_CT_RATIO].fallback), 0);
    assert_int_equal(d.broker.port, atoi(broker_fields[BROKER_PORT].fallback));
    assert_int_equal(d.broker.keepalive_seconds,
                     atoi(broker_fields[BROKER_KEEPALIVE].fallback));
    site_free(&s);
}

/* The examples in the manual are real: the parts between ```cfg and ``` of each file. */
static void the_examples_in_the_manual_are_usable(void **state)
{
    static const char *const files[] = {"site.cfg",   "rules.cfg",         "delivery.cfg",
                                        "record.cfg", "page.cfg",          "tariff.cfg",
                                        "study.cfg",  "maps/den-meter.cfg"};
    enum { FILES = sizeof files / sizeof files[0] };
    struct text is = TEXT_INIT;
    struct config_text texts[FILES];
    size_t count = 0;
    (void)state;
    read_all(MANUAL, &is);
    for (const char *at = text_get(&is); (at = strstr(at, "```cfg\n")) && count < FILES;) {
        at += strlen("```cfg\n");
        const char *end = strstr(at, "```\n");
        assert_non_null(end);
        texts[count] = (struct config_text){files[count], at, (size_t)(end - at)};
        count++;
        at = end;
    }
    assert_int_equal(count, FILES);
    struct config c;
    struct config_faults faults = CONFIG_FAULTS_INIT;
    bool usable = config_load_memory(&c, texts, count, &faults);
    if (faults.count > 0)
        fail_msg(MANUAL ": %s:%d of its example: %s", faults.list[0].file, faults.list[0].line,
                 faults.list[0].text);
    assert_true(usable);
    config_free(&c);
    faults_free(&faults);
    text_free(&is);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_shipped_rules_are_the_table),
        cmocka_unit_test(the_shipped_rules_say_the_defaults),
        cmocka_unit_test(the_manual_has_every_table_as_it_is),
        cmocka_unit_test(told_defaults_are_the_real_ones),
        cmocka_unit_test(the_examples_in_the_manual_are_usable),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
