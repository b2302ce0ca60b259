#include "appliances_file.h"

#include "config/shipped.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const struct field top_fields[] = {
    {.name = "appliances", .kind = FIELD_LIST, .required = true},
    {.name = "day_centre", .kind = FIELD_NUMBERS, .fallback = "no days"},
    {.name = "day_width", .kind = FIELD_NUMBERS, .fallback = "no days"},
    {.name = "several_days", .kind = FIELD_LIST, .fallback = ""},
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
    [APPLIANCE_DAYS] = {.name = "days",
                        .kind = FIELD_LIST,
                        .fallback = "",
                        .help = "what single ones are like over a day, alone on a circuit"},
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

/* The figures of a day; false, with a fault, when it is none. */
static bool read_day(const struct config_file *file, const config_setting_t *s,
                     float day[SIGNATURE_DAY])
{
    bool good = config_setting_length(s) == SIGNATURE_DAY;
    for (unsigned f = 0; f < SIGNATURE_DAY && good; f++) {
        double v;
        good = field_number(config_setting_get_elem(s, f), &v);
        day[f] = good && v > (double)SIGNATURE_DAY_NONE ? (float)v : NAN;
    }
    if (!good)
        field_error(file, (int)config_setting_source_line(s), "a day should be %d numbers",
                    SIGNATURE_DAY);
    return good;
}

/* How many were read into *days, which the caller owns. */
static size_t read_days(const struct config_file *file, const config_setting_t *list,
                        float (**days)[SIGNATURE_DAY])
{
    int n = list ? config_setting_length(list) : 0;
    size_t count = 0;
    if (n <= 0)
        return 0;
    *days = calloc((size_t)n, sizeof **days);
    if (!*days) {
        field_error(file, 0, "memory is short");
        return 0;
    }
    for (unsigned i = 0; i < (unsigned)n; i++)
        count += read_day(file, config_setting_get_elem(list, i), (*days)[count]);
    return count;
}

static void read_appliance(const struct config_file *file, const config_setting_t *group,
                           struct signature_set *set)
{
    struct signature a = {.share = 1, .sure = 0.5};
    struct fields_result keys =
        fields_read(file, group, "an appliance", appliance_fields, APPLIANCE_KEYS, &a);
    if (keys.given & FIELD_BIT(APPLIANCE_MODES))
        read_modes(file, config_setting_get_member(group, "modes"), &a);
    if (keys.given & FIELD_BIT(APPLIANCE_DAYS))
        a.day_count = read_days(file, config_setting_get_member(group, "days"), &a.days);
    if (!(keys.given & FIELD_BIT(APPLIANCE_KEY))) {
        free(a.days);
        return;
    }
    if (strcmp(a.key, "unknown") == 0 || strcmp(a.key, "standing_load") == 0)
        field_error(file, field_line(group, "key"),
                    "\"%s\" is what the gateway itself says; take another key", a.key);
    else if (signature_find(set, a.key))
        field_error(file, field_line(group, "key"),
                    "\"%s\" is there twice; put them together as modes", a.key);
    else {
        set->signatures[set->count++] = a;
        return;
    }
    free(a.days);
}

/* Widths and centre of all days; without them the days of the appliances say nothing. */
static void read_all_days(struct signature_set *set, const struct config_file *file)
{
    const config_setting_t *centre = config_setting_get_member(file->root, "day_centre");
    const config_setting_t *width = config_setting_get_member(file->root, "day_width");
    bool good = centre && width && read_day(file, centre, set->day_centre) &&
                read_day(file, width, set->day_width);
    for (int f = 0; f < SIGNATURE_DAY && good; f++)
        good = set->day_width[f] > 0;
    if (centre && width && !good)
        field_error(file, (int)config_setting_source_line(width),
                    "a width of a day should be above 0");
    for (size_t i = 0; i < set->count && !good; i++)
        set->signatures[i].day_count = 0;
    if (good)
        set->several_count = read_days(
            file, config_setting_get_member(file->root, "several_days"), &set->several);
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
    read_all_days(set, file);
}

void appliances_file_read(struct signature_set *set, const struct config_source *source,
                          struct config_faults *faults)
{
    struct config_file file;
    enum source_result result = source_open(&file, source, "appliances.cfg", faults);
    if (result == SOURCE_ABSENT) {
        const struct shipped_file *shipped = shipped_find("appliances.cfg");
        assert(shipped);
        result = source_parse(&file, "appliances.cfg", shipped->text, shipped->length, faults);
    }
    if (result != SOURCE_OPEN)
        return;
    read_file(set, &file);
    source_close(&file);
}
