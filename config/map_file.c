#include "map_file.h"

#include "config/shipped.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct raw_point {
    struct meter_point point;
    int quantity, type, order;
};

/* In the order of the model's enums. */
static const char *const quantities[] = {"amps", "watts", "volts", "pf", "panel_volts", NULL};
static const char *const types[] = {"u16", "s16", "u32", "s32", "u64", "s64", "f32", NULL};
static const char *const orders[] = {"ABCD", "CDAB", "BADC", "DCBA", NULL};
_Static_assert(FRAME_QUANTITIES == 5, "a quantity without its word");

#define AT(type, member) .offset = offsetof(struct type, member)

const struct field map_fields[MAP_KEYS] = {
    [MAP_NAME] = {"name", FIELD_TEXT, .required = true, AT(meter_map, name),
                  .size = sizeof((struct meter_map *)0)->name,
                  .help = "what kind of meter it is"},
    [MAP_MAX_REGISTERS] = {"max_registers", FIELD_INTEGER, AT(meter_map, max_registers),
                           .least = 1, .most = 125, .fallback = "125",
                           .help = "the most registers that the meter gives in one read"},
    [MAP_SUNSPEC] = {"sunspec", FIELD_SWITCH, AT(meter_map, sunspec), .fallback = "false",
                     .help = "the meter says by SunSpec what its registers mean"},
    [MAP_POINTS] = {"points", FIELD_LIST, .fallback = "none",
                    .help = "one group for each quantity of one or more channels; needed "
                            "without sunspec"},
};

const struct field point_fields[POINT_KEYS] = {
    [POINT_QUANTITY] = {"quantity", FIELD_WORD, .required = true, AT(raw_point, quantity),
                        .words = quantities,
                        .help =
                            "what it measures; channels 1 to 3 of panel_volts are legs A to C"},
    [POINT_FUNCTION] = {"function", FIELD_INTEGER, .required = true,
                        AT(raw_point, point.function), .least = 3, .most = 4,
                        .help = "3 holding registers, 4 input registers"},
    [POINT_ADDRESS] = {"address", FIELD_INTEGER, .required = true, AT(raw_point, point.address),
                       .least = 0, .most = 65535,
                       .help =
                           "of the first channel, counted from 0 (\"register 40001\" is 0)"},
    [POINT_TYPE] = {"type", FIELD_WORD, .required = true, AT(raw_point, type), .words = types,
                    .help = "integer without (u) or with sign (s) and its bits, or f32"},
    [POINT_ORDER] = {"order", FIELD_WORD, AT(raw_point, order), .words = orders,
                     .fallback = "\"ABCD\"",
                     .help = "bytes as they come, A the most significant"},
    [POINT_FIRST_CHANNEL] = {"first_channel", FIELD_INTEGER, AT(raw_point, point.first_channel),
                             .least = 1, .most = METER_MAP_MAX_CHANNELS, .fallback = "1",
                             .help = "number of the first channel"},
    [POINT_CHANNELS] = {"channels", FIELD_INTEGER, AT(raw_point, point.channels), .least = 1,
                        .most = METER_MAP_MAX_CHANNELS, .fallback = "1",
                        .help = "how many channels there are"},
    [POINT_STRIDE] = {"stride", FIELD_INTEGER, AT(raw_point, point.stride), .least = 1,
                      .most = 1000, .fallback = "registers of the type",
                      .help = "registers from one channel to the next"},
    [POINT_SCALE] = {"scale", FIELD_NUMBER, AT(raw_point, point.scale), .least = -1e6,
                     .most = 1e6, .fallback = "1.0",
                     .help = "multiplies the raw value to amps, watts or volts"},
    [POINT_SCALE_REGISTER] = {"scale_register", FIELD_INTEGER,
                              AT(raw_point, point.scale_register), .least = 0, .most = 65535,
                              .fallback = "none",
                              .help =
                                  "register that holds a power of ten (s16) to multiply with"},
    [POINT_ABSENT] = {"absent", FIELD_BITS, AT(raw_point, point.absent), .fallback = "none",
                      .help = "raw value that means \"not measured\""},
};

/* ---- one point
 * ------------------------------------------------------------------------------- */

static void check_absent(const struct config_file *file, const config_setting_t *group,
                         const struct meter_point *p)
{
    int bits = 16 * meter_type_registers(p->type);
    int line = field_line(group, "absent");
    if (p->type == METER_F32)
        field_error(file, line,
                    "absent goes with integers; a float says \"not measured\" by NaN, which is "
                    "understood");
    /* drivers compare bits, so 0xFFFF and -1 are the same word */
    else if (bits < 64 &&
             (p->absent < -(INT64_C(1) << (bits - 1)) || p->absent >= (INT64_C(1) << bits)))
        field_error(file, line, "absent = %lld does not fit into the type %s",
                    (long long)p->absent, meter_type_name(p->type));
}

static void check_point(const struct config_file *file, const config_setting_t *group,
                        const struct meter_map *m, const struct meter_point *p)
{
    int registers = meter_type_registers(p->type);
    if (p->stride < registers)
        field_error(
            file, field_line(group, "stride"),
            "stride = %d, but a value of type %s takes %d registers; channels would overlap",
            p->stride, meter_type_name(p->type), registers);
    long last = (long)p->address + (long)(p->channels - 1) * p->stride + registers - 1;
    if (last > 65535)
        field_error(file, field_line(group, "address"),
                    "the last channel ends at register %ld; the last there is is 65535", last);
    if (p->first_channel + p->channels - 1 > METER_MAP_MAX_CHANNELS)
        field_error(file, field_line(group, "channels"),
                    "channels %d to %d; the last there is is %d", p->first_channel,
                    p->first_channel + p->channels - 1, METER_MAP_MAX_CHANNELS);
    if (p->quantity == FRAME_PANEL_VOLTS && p->first_channel + p->channels - 1 > SITE_MAX_LEGS)
        field_error(file, field_line(group, "channels"),
                    "panel_volts has channels %d to %d; 1, 2 and 3 are the legs A, B and C",
                    p->first_channel, p->first_channel + p->channels - 1);
    if (registers == 1 && (p->order == METER_CDAB || p->order == METER_DCBA))
        field_error(
            file, field_line(group, "order"),
            "order = \"%s\", but %s is one register; ABCD, or BADC when its bytes are swapped",
            meter_order_name(p->order), meter_type_name(p->type));
    if (p->scale == 0.0)
        field_error(file, field_line(group, "scale"),
                    "scale = 0 makes every value 0; leave it out for 1");
    if (registers > m->max_registers)
        field_error(file, field_line(group, "type"),
                    "type %s takes %d registers, more than max_registers = %d of one read",
                    meter_type_name(p->type), registers, m->max_registers);
}

static void check_overlap(const struct config_file *file, const config_setting_t *group,
                          const struct meter_map *m, const struct meter_point *p)
{
    for (size_t i = 0; i < m->point_count; i++) {
        const struct meter_point *o = &m->points[i];
        int first = p->first_channel > o->first_channel ? p->first_channel : o->first_channel;
        if (o->quantity != p->quantity || first >= p->first_channel + p->channels ||
            first >= o->first_channel + o->channels)
            continue;
        field_error(file, (int)config_setting_source_line(group),
                    "%s of channel %d is in two points; each channel has one place",
                    quantities[p->quantity], first);
        return;
    }
}

static bool read_point(const struct config_file *file, const config_setting_t *group,
                       const struct meter_map *m, struct meter_point *out)
{
    struct raw_point raw = {
        .point = {.first_channel = 1, .channels = 1, .scale = 1.0, .scale_register = -1}};
    size_t before = file->faults->errors;
    struct fields_result keys =
        fields_read(file, group, "a point", point_fields, POINT_KEYS, &raw);
    if (keys.faulty)
        return false;
    raw.point.quantity = (enum frame_quantity)raw.quantity;
    raw.point.type = (enum meter_type)raw.type;
    raw.point.order = (enum meter_order)raw.order;
    if (!(keys.given & FIELD_BIT(POINT_STRIDE)))
        raw.point.stride = meter_type_registers(raw.point.type);
    raw.point.has_absent = (keys.given & FIELD_BIT(POINT_ABSENT)) != 0;
    if (raw.point.has_absent)
        check_absent(file, group, &raw.point);
    check_point(file, group, m, &raw.point);
    check_overlap(file, group, m, &raw.point);
    *out = raw.point;
    return file->faults->errors == before;
}

/* ---- one map
 * --------------------------------------------------------------------------------- */

static void read_points(const struct config_file *file, struct meter_map *m)
{
    const config_setting_t *list = config_setting_get_member(file->root, "points");
    if (m->sunspec && list)
        field_error(file, field_line(file->root, "points"),
                    "points goes without sunspec = true; such a meter says itself what its "
                    "registers mean");
    else if (!m->sunspec && !list)
        field_error(file, 0,
                    "a register map needs points, or sunspec = true for a meter that says "
                    "itself what its registers mean");
    if (m->sunspec || !list || !config_setting_is_list(list))
        return;
    bool amps = false;
    for (int i = 0; i < config_setting_length(list); i++) {
        const config_setting_t *group = config_setting_get_elem(list, (unsigned)i);
        if (m->point_count == METER_MAP_MAX_POINTS) {
            field_error(file, (int)config_setting_source_line(group), "more than %d points",
                        METER_MAP_MAX_POINTS);
            return;
        }
        struct meter_point p;
        if (!read_point(file, group, m, &p)) {
            amps = true; /* may have been the one: not a second fault */
            continue;
        }
        amps = amps || p.quantity == FRAME_AMPS;
        m->points[m->point_count++] = p;
    }
    if (!amps)
        field_error(
            file, (int)config_setting_source_line(list),
            "points has no quantity = \"amps\"; a meter without it measures no circuit");
}

static enum source_result open_map(struct config_file *file, const struct config_source *source,
                                   const char *id, struct config_faults *faults)
{
    char name[CONFIG_FILE_SIZE];
    snprintf(name, sizeof name, "maps/%s.cfg", id);
    enum source_result result = source_open(file, source, name, faults);
    const struct shipped_file *shipped = shipped_find(name);
    if (result == SOURCE_ABSENT && shipped)
        result = source_parse(file, name, shipped->text, shipped->length, faults);
    return result;
}

enum source_result map_file_read(struct meter_map *out, const struct config_source *source,
                                 const char *id, struct config_faults *faults)
{
    struct config_file file;
    enum source_result result = open_map(&file, source, id, faults);
    if (result != SOURCE_OPEN)
        return result;
    size_t before = faults->errors;
    struct meter_map m = {.max_registers = 125};
    text_copy(m.id, sizeof m.id, id);
    fields_read(&file, file.root, "a register map", map_fields, MAP_KEYS, &m);
    read_points(&file, &m);
    source_close(&file);
    if (faults->errors > before)
        return SOURCE_FAULTY;
    *out = m;
    return SOURCE_OPEN;
}

/* ---- all maps of a site
 * ---------------------------------------------------------------------- */

static void unknown_map(const struct site_reading *r, size_t meter)
{
    const char *id = r->site->meters[meter].map;
    struct nearest n = {.word = id};
    struct text shipped = TEXT_INIT;
    char names[64][SITE_ID_SIZE]; /* nearest keeps pointers */
    size_t count = 0;
    for (const struct shipped_file *f = shipped_files; f->name && count < 64; f++) {
        size_t length = strlen(f->name);
        if (strncmp(f->name, "maps/", 5) != 0 || length < 10 || length - 9 >= SITE_ID_SIZE)
            continue;
        snprintf(names[count], SITE_ID_SIZE, "%.*s", (int)(length - 9), f->name + 5);
        text_printf(&shipped, "%s%s", count ? ", " : "", names[count]);
        nearest_offer(&n, names[count++]);
    }
    char did_you_mean[NEAREST_SIZE];
    nearest_say(&n, did_you_mean, sizeof did_you_mean);
    field_error(r->file, field_line(r->meters[meter].group, "map"),
                "map = \"%s\": there is no file maps/%s.cfg and no shipped map of that id%s%s",
                id, id, did_you_mean[0] ? did_you_mean : "; shipped are ",
                did_you_mean[0] ? "" : text_get(&shipped));
    text_free(&shipped);
}

static bool named_before(const struct site_reading *r, size_t meter)
{
    for (size_t i = 0; i < meter; i++)
        if (strcmp(r->site->meters[i].map, r->site->meters[meter].map) == 0)
            return true;
    return false;
}

void map_files_read(struct meter_map_set *set, const struct site_reading *r,
                    const struct config_source *source)
{
    size_t meters = r->site->meter_count;
    *set = (struct meter_map_set){0};
    if (meters == 0)
        return;
    set->maps = calloc(meters, sizeof *set->maps);
    if (!set->maps) {
        field_error(r->file, 0, "memory is short");
        return;
    }
    for (size_t i = 0; i < meters; i++) {
        if (!site_key(&r->meters[i], METER_MAP) || named_before(r, i))
            continue;
        switch (map_file_read(&set->maps[set->count], source, r->site->meters[i].map,
                              r->file->faults)) {
        case SOURCE_OPEN: set->count++; break;
        case SOURCE_ABSENT: unknown_map(r, i); break;
        case SOURCE_FAULTY: break;
        }
    }
}
