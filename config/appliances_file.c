#include "appliances_file.h"

#include "config/shipped.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const struct field top_fields[] = {
    {.name = "appliances", .kind = FIELD_LIST, .required = true},
    {.name = "day_classes", .kind = FIELD_LIST, .fallback = "days are not judged"},
    {.name = "day_trees", .kind = FIELD_LIST, .fallback = "days are not judged"},
};
#define TOP_FIELDS (sizeof top_fields / sizeof top_fields[0])

const struct field appliance_fields[APPLIANCE_KEYS] = {
    [APPLIANCE_KEY] = {.name = "key",
                       .kind = FIELD_ID,
                       .required = true,
                       .offset = offsetof(struct signature, key),
                       .size = SIGNATURE_KEY_SIZE,
                       .fallback = "",
                       .help = "what events call it"},
    [APPLIANCE_NAME] = {.name = "name",
                        .kind = FIELD_TEXT,
                        .required = true,
                        .offset = offsetof(struct signature, name),
                        .size = SITE_NAME_SIZE,
                        .fallback = "",
                        .help = "what people call it"},
    [APPLIANCE_GROUP] = {.name = "group",
                         .kind = FIELD_ID,
                         .offset = offsetof(struct signature, group),
                         .size = SIGNATURE_KEY_SIZE,
                         .fallback = "none",
                         .help = "the same for those that are hard to tell apart"},
    [APPLIANCE_SHARE] = {.name = "share",
                         .kind = FIELD_NUMBER,
                         .offset = offsetof(struct signature, share),
                         .least = 0.001,
                         .most = 100,
                         .fallback = "1",
                         .help = "how common it is"},
    [APPLIANCE_SURE] = {.name = "sure",
                        .kind = FIELD_NUMBER,
                        .offset = offsetof(struct signature, sure),
                        .least = 0,
                        .most = 1,
                        .fallback = "0.5",
                        .help = "probability from which on it is named"},
    [APPLIANCE_ESSENTIAL] = {.name = "essential",
                             .kind = FIELD_SWITCH,
                             .offset = offsetof(struct signature, essential),
                             .fallback = "false",
                             .help = "nobody is told to switch it off"},
    [APPLIANCE_MODES] = {.name = "modes",
                         .kind = FIELD_LIST,
                         .required = true,
                         .fallback = "",
                         .help =
                             "one or several groups of ranges, each [ low, typical, high ]"},
};

/* part, then every feature */
static size_t mode_table(struct field table[FIELD_MAX])
{
    static_assert(SIGNATURE_FEATURES + 1 < FIELD_MAX, "a mode fits a table");
    table[0] = (struct field){.name = "part",
                              .kind = FIELD_NUMBER,
                              .least = 0.001,
                              .most = 1,
                              .fallback = "1",
                              .help = "share of its runs that are of this mode"};
    for (int f = 0; f < SIGNATURE_FEATURES; f++)
        table[f + 1] = (struct field){.name = signature_feature_name((enum signature_feature)f),
                                      .kind = FIELD_NUMBERS,
                                      .fallback = "says nothing"};
    return SIGNATURE_FEATURES + 1;
}

static void read_range(const struct config_file *file, const config_setting_t *s,
                       enum signature_feature f, struct signature_mode *m)
{
    double v[3] = {0};
    bool good = config_setting_length(s) == 3;
    for (unsigned i = 0; i < 3 && good; i++)
        good = field_number(config_setting_get_elem(s, i), &v[i]);
    if (!good || v[0] > v[1] || v[1] > v[2])
        field_error(file, (int)config_setting_source_line(s),
                    "%s should be three rising numbers [ low, typical, high ]",
                    signature_feature_name(f));
    else
        signature_range(m, f, v);
}

static void read_mode(const struct config_file *file, const config_setting_t *group,
                      struct signature *a)
{
    struct field table[FIELD_MAX];
    size_t rows = mode_table(table);
    double part = 1;
    struct signature_mode *m = &a->modes[a->mode_count];
    struct fields_result keys = fields_read(file, group, "a mode", table, rows, &part);

    signature_mode_init(m);
    m->part = (float)part;
    for (int f = 0; f < SIGNATURE_FEATURES; f++)
        if (keys.given & FIELD_BIT(f + 1))
            read_range(file, config_setting_get_member(group, table[f + 1].name),
                       (enum signature_feature)f, m);
    a->mode_count++;
}

static void read_modes(const struct config_file *file, const config_setting_t *list,
                       struct signature *a)
{
    int n = config_setting_length(list);
    float parts = 0, low = INFINITY, high = 0;
    if (n < 1 || n > SIGNATURE_MODES) {
        field_error(file, (int)config_setting_source_line(list),
                    "\"%s\" has %d modes; 1 to %d are right", a->key, n, SIGNATURE_MODES);
        return;
    }
    for (unsigned i = 0; i < (unsigned)n; i++)
        read_mode(file, config_setting_get_elem(list, i), a);
    for (size_t i = 0; i < a->mode_count; i++) {
        struct signature_mode *m = &a->modes[i];
        float centre = m->centre[SIGNATURE_WATTS], width = 1.28F * m->width[SIGNATURE_WATTS];
        parts += m->part;
        if (isnan(centre))
            continue;
        low = fminf(low, signature_unscale(SIGNATURE_WATTS, centre - width));
        high = fmaxf(high, signature_unscale(SIGNATURE_WATTS, centre + width));
    }
    for (size_t i = 0; i < a->mode_count; i++)
        a->modes[i].part /= parts;
    if (high == 0)
        field_error(file, (int)config_setting_source_line(list),
                    "\"%s\" has no watts; every appliance draws some", a->key);
    a->watts_low = (double)low;
    a->watts_high = (double)high;
}

static void read_appliance(const struct config_file *file, const config_setting_t *group,
                           struct signature_set *set)
{
    struct signature a = {.share = 1, .sure = 0.5};
    struct fields_result keys =
        fields_read(file, group, "an appliance", appliance_fields, APPLIANCE_KEYS, &a);
    if (keys.given & FIELD_BIT(APPLIANCE_MODES))
        read_modes(file, config_setting_get_member(group, "modes"), &a);
    if (!(keys.given & FIELD_BIT(APPLIANCE_KEY)))
        return;
    if (strcmp(a.key, "unknown") == 0 || strcmp(a.key, "standing_load") == 0)
        field_error(file, field_line(group, "key"),
                    "\"%s\" is what the gateway itself says; take another key", a.key);
    else if (signature_find(set, a.key))
        field_error(file, field_line(group, "key"),
                    "\"%s\" is there twice; put them together as modes", a.key);
    else
        set->signatures[set->count++] = a;
}

/* The classes that leaves speak of: keys of appliances, and "several". One that this file has
 * not as an appliance is passed over. */
static bool read_classes(struct signature_set *set, const struct config_file *file,
                         const config_setting_t *list)
{
    struct signature_forest *f = &set->forest;
    int n = config_setting_length(list);
    if (n < 1 || n > SIGNATURE_CLASSES) {
        field_error(file, (int)config_setting_source_line(list),
                    "day_classes names %d; 1 to %d are right", n, SIGNATURE_CLASSES);
        return false;
    }
    for (unsigned i = 0; i < (unsigned)n; i++) {
        const config_setting_t *e = config_setting_get_elem(list, i);
        const char *key = config_setting_get_string(e);
        if (!key) {
            field_error(file, (int)config_setting_source_line(e),
                        "day_classes should be keys of appliances, each in quotes");
            return false;
        }
        const struct signature *s = signature_find(set, key);
        f->classes[f->class_count++] = (int16_t)(strcmp(key, "several") == 0 ? SIGNATURE_SEVERAL
                                                 : s ? s - set->signatures
                                                     : SIGNATURE_NO_CLASS);
    }
    return true;
}

/* The next number of a tree; false at its end and at what is none. */
static bool next_number(const char **at, long least, long most, long *out)
{
    char *end;
    *out = strtol(*at, &end, 10);
    if (end == *at || *out < least || *out > most)
        return false;
    *at = end;
    return true;
}

/* A tree in order of descent: a split is its figure and its threshold in hundredths, a leaf -1
 * - n and n pairs of class and hundredths. What is on the stack still waits for its other half.
 */
static bool read_tree(struct signature_forest *f, const char *at)
{
    int32_t waiting[SIGNATURE_TREE_DEPTH];
    int depth = 0;
    long what, value;
    f->trees[f->tree_count] = (int32_t)f->number_count;
    for (;;) {
        if (!next_number(&at, -1 - SIGNATURE_CLASSES, SIGNATURE_DAY - 1, &what))
            return false;
        int16_t *n = f->numbers + f->number_count;
        *n++ = (int16_t)what;
        if (what >= 0) {
            if (depth == SIGNATURE_TREE_DEPTH ||
                !next_number(&at, INT16_MIN, INT16_MAX, &value))
                return false;
            *n = (int16_t)value;
            waiting[depth++] = (int32_t)f->number_count;
            f->number_count += 3;
            continue;
        }
        for (long left = -1 - what; left > 0; left--) {
            if (!next_number(&at, 0, (long)f->class_count - 1, &what) ||
                !next_number(&at, 0, 100, &value))
                return false;
            *n++ = (int16_t)(what * SIGNATURE_SHARE + value);
        }
        f->number_count = (size_t)(n - f->numbers);
        if (depth == 0)
            break;
        depth--;
        int32_t further = (int32_t)f->number_count - waiting[depth];
        if (further > UINT16_MAX)
            return false;
        f->numbers[waiting[depth] + 2] = (int16_t)(uint16_t)further;
    }
    f->tree_count++;
    return at[strspn(at, " ")] == '\0';
}

/* What judges days; without it they are not judged. */
static void read_trees(struct signature_set *set, const struct config_file *file)
{
    const config_setting_t *classes = config_setting_get_member(file->root, "day_classes");
    const config_setting_t *trees = config_setting_get_member(file->root, "day_trees");
    struct signature_forest *f = &set->forest;
    size_t room = 1;
    if (!classes || !trees || !config_setting_is_list(trees) ||
        !config_setting_is_list(classes) || !read_classes(set, file, classes))
        return;
    size_t n = (size_t)config_setting_length(trees);
    for (unsigned i = 0; i < n; i++) {
        const char *text = config_setting_get_string_elem(trees, (int)i);
        room +=
            text ? 3 * (strlen(text) / 4 + 1) : 0; /* a split is four signs and takes three */
    }
    f->numbers = calloc(room, sizeof *f->numbers);
    f->trees = calloc(n + 1, sizeof *f->trees);
    for (unsigned i = 0; i < n && f->numbers && f->trees; i++) {
        const char *text = config_setting_get_string_elem(trees, (int)i);
        if (text && read_tree(f, text))
            continue;
        field_error(file, (int)config_setting_source_line(config_setting_get_elem(trees, i)),
                    "tree %u is none: splits and leaves as numbers in quotes, in order of "
                    "descent",
                    i + 1);
        f->tree_count = 0;
        return;
    }
    if (!f->numbers || !f->trees) {
        field_error(file, 0, "memory is short");
        return;
    }
    void *fitting = realloc(f->numbers, (f->number_count + 1) * sizeof *f->numbers);
    f->numbers = fitting ? fitting : f->numbers;
}

static void read_file(struct signature_set *set, const struct config_file *file)
{
    fields_read(file, file->root, "appliances.cfg", top_fields, TOP_FIELDS, NULL);
    const config_setting_t *list = config_setting_get_member(file->root, "appliances");
    if (!list || !config_setting_is_list(list))
        return;
    int n = config_setting_length(list);
    if (n > SIGNATURE_MAX) {
        field_error(file, (int)config_setting_source_line(list),
                    "%d appliances are more than the %d there is room for", n, SIGNATURE_MAX);
        return;
    }
    set->signatures = calloc((size_t)n + 1, sizeof *set->signatures);
    if (!set->signatures) {
        field_error(file, 0, "memory is short");
        return;
    }
    for (unsigned i = 0; i < (unsigned)n; i++)
        read_appliance(file, config_setting_get_elem(list, i), set);
    read_trees(set, file);
}

void appliances_file_read(struct signature_set *set, const struct config_source *source,
                          struct config_faults *faults)
{
    struct config_file file;
    enum source_result result = source_open(&file, source, "appliances.cfg", faults);
    bool own = result != SOURCE_ABSENT;
    const struct shipped_file *shipped = shipped_find("appliances.cfg");
    if (!own) {
        if (source->known && source->known->shipped && signature_set_copy(set, source->known))
            return;
        assert(shipped);
        result = source_parse(&file, "appliances.cfg", shipped->text, shipped->length, faults);
    }
    if (result != SOURCE_OPEN)
        return;
    read_file(set, &file);
    set->shipped = !own;
    source_close(&file);
    if (!own)
        shipped_put_away(shipped); /* the largest by far */
}
