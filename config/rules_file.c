#include "rules_file.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { TOP_SITE, TOP_PANELS, TOP_CIRCUITS, TOP_KEYS };

static const struct field top_fields[TOP_KEYS] = {
    [TOP_SITE] = {.name = "site", .kind = FIELD_GROUP},
    [TOP_PANELS] = {.name = "panels", .kind = FIELD_LIST},
    [TOP_CIRCUITS] = {.name = "circuits", .kind = FIELD_LIST},
};

struct named_rules {
    struct rules rules;
    char id[SITE_ID_SIZE];
};

/* The rules' table as fields; the id comes first where there is one. */
static size_t fields_of(struct field table[FIELD_MAX], bool with_id)
{
    size_t count = 0;
    assert(rules_table_count < FIELD_MAX);
    if (with_id)
        table[count++] = (struct field){.name = "id",
                                        .kind = FIELD_ID,
                                        .required = true,
                                        .offset = offsetof(struct named_rules, id),
                                        .size = SITE_ID_SIZE,
                                        .help = "of the panel or circuit, as in site.cfg"};
    for (size_t i = 0; i < rules_table_count; i++)
        table[count++] = (struct field){.name = rules_table[i].name,
                                        .kind = FIELD_NUMBER,
                                        .offset = rules_table[i].offset,
                                        .least = rules_table[i].least,
                                        .most = rules_table[i].most,
                                        .help = rules_table[i].help};
    return count;
}

/* What must hold between two rules; only where one of them was given here. */
static void check_pairs(const struct config_file *file, const config_setting_t *group,
                        const struct rules *r)
{
    const char *key = "near_overload_clear_chance";
    if (!config_setting_get_member(group, key))
        key = "near_overload_chance";
    if (config_setting_get_member(group, key) &&
        r->near_overload_clear_chance >= r->near_overload_chance)
        field_error(file, field_line(group, key),
                    "near_overload_clear_chance (%.10g) is not below near_overload_chance "
                    "(%.10g); the warning "
                    "would never return",
                    r->near_overload_clear_chance, r->near_overload_chance);
}

static void read_site(const struct config_file *file, struct rules_set *set)
{
    const config_setting_t *group = config_setting_get_member(file->root, "site");
    struct field table[FIELD_MAX];
    if (!group || !config_setting_is_group(group))
        return;
    fields_read(file, group, "the group site", table, fields_of(table, false), &set->site);
    check_pairs(file, group, &set->site);
}

/* One list of groups with an id: panels or circuits. array begins with the id in each element.
 */
struct named_list {
    const char *key;
    const char *noun;
    const void *array;
    size_t count, size;
    struct rules *rules;
    bool complete; /* an id that is not in it is a fault */
};

static int find(const struct named_list *l, const char *id)
{
    for (size_t i = 0; i < l->count; i++)
        if (strcmp((const char *)l->array + i * l->size, id) == 0)
            return (int)i;
    return -1;
}

static void unknown_id(const struct config_file *file, const config_setting_t *group,
                       const struct named_list *l, const char *id)
{
    struct nearest n = {.word = id};
    char did_you_mean[NEAREST_SIZE];
    for (size_t i = 0; i < l->count; i++)
        nearest_offer(&n, (const char *)l->array + i * l->size);
    nearest_say(&n, did_you_mean, sizeof did_you_mean);
    field_error(file, field_line(group, "id"), "id = \"%s\": site.cfg has no %s of that id%s",
                id, l->noun, did_you_mean);
}

static void read_list(const struct config_file *file, const struct named_list *l)
{
    const config_setting_t *list = config_setting_get_member(file->root, l->key);
    struct field table[FIELD_MAX];
    size_t rows = fields_of(table, true);
    int *lines = calloc(l->count + 1, sizeof *lines); /* where each was given, 0 not yet */
    for (int i = 0;
         lines && list && config_setting_is_list(list) && i < config_setting_length(list);
         i++) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)i);
        struct named_rules scratch = {.id = ""};
        const char *id = NULL;
        int at = -1;
        if (config_setting_is_group(group) && config_setting_lookup_string(group, "id", &id))
            at = find(l, id);
        if (at >= 0)
            scratch.rules = l->rules[at];
        struct fields_result keys =
            fields_read(file, group, "a group of rules", table, rows, &scratch);
        if (!(keys.given & FIELD_BIT(0)))
            continue;
        if (at < 0 && l->complete)
            unknown_id(file, group, l, scratch.id);
        else if (at >= 0 && lines[at])
            field_error(file, field_line(group, "id"),
                        "%s \"%s\" already has rules in line %d; put them together", l->noun,
                        scratch.id, lines[at]);
        if (at < 0 || lines[at])
            continue;
        lines[at] = field_line(group, "id");
        check_pairs(file, group, &scratch.rules);
        l->rules[at] = scratch.rules;
    }
    if (!lines)
        field_error(file, 0, "memory is short");
    free(lines);
}

_Static_assert(offsetof(struct named_rules, rules) == 0, "rows are offsets into struct rules");
_Static_assert(offsetof(struct site_panel, id) == 0 && offsetof(struct site_circuit, id) == 0,
               "find() takes the id as the first member");

void rules_file_read(struct rules_set *set, const struct config_file *file,
                     const struct site *site, bool site_good)
{
    if (file) {
        fields_read(file, file->root, "rules.cfg", top_fields, TOP_KEYS, NULL);
        read_site(file, set);
    }
    for (size_t i = 0; i < site->panel_count; i++) {
        set->panels[i] = set->site;
        if (!isnan(site->panels[i].ambient_celsius))
            set->panels[i].ambient_celsius = site->panels[i].ambient_celsius;
    }
    if (file)
        read_list(file, &(struct named_list){"panels", "panel", site->panels, site->panel_count,
                                             sizeof *site->panels, set->panels, site_good});
    for (size_t i = 0; i < site->circuit_count; i++) {
        int panel = site->circuits[i].panel;
        set->circuits[i] = panel >= 0 ? set->panels[panel] : set->site;
    }
    if (file)
        read_list(file, &(struct named_list){"circuits", "circuit", site->circuits,
                                             site->circuit_count, sizeof *site->circuits,
                                             set->circuits, site_good});
}
