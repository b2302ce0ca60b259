#include "retention_file.h"

#define AT(member) .offset = offsetof(struct retention, member)

const struct field keep_fields[KEEP_KEYS] = {
    [KEEP_READINGS] = {"readings_days", FIELD_INTEGER, AT(readings_days), .least = 1,
                       .most = 36525, .fallback = "366",
                       .help = "every second, as it was read"},
    [KEEP_SUMMARIES] = {"summaries_days", FIELD_INTEGER, AT(summaries_days), .least = 1,
                        .most = 36525, .fallback = "3653",
                        .help = "summaries of minutes, quarters of an hour, hours and days"},
    [KEEP_LOADS] = {"loads_days", FIELD_INTEGER, AT(loads_days), .least = 1, .most = 36525,
                    .fallback = "3653",
                    .help = "that a load came or went, and withdrawn trips"},
    [KEEP_SIZE] = {"size_mb", FIELD_NUMBER, AT(size_mb), .least = 0, .most = 1e6,
                   .fallback = "0, no bound",
                   .help = "MiB that the record may take; above it the oldest readings go"},
    [KEEP_FREE] = {"free_mb", FIELD_NUMBER, AT(free_mb), .least = 0, .most = 1e6,
                   .fallback = "64",
                   .help = "MiB to stay free on the disk; below it the oldest readings go"},
};

/* the least that a record of any size works in */
#define LEAST_SIZE_MB 4.0

static const struct field top_fields[] = {{.name = "keep", .kind = FIELD_GROUP}};

void retention_file_read(struct retention *r, const struct config_file *file)
{
    fields_read(file, file->root, "record.cfg", top_fields, 1, NULL);
    const config_setting_t *group = config_setting_get_member(file->root, "keep");
    if (!group || !config_setting_is_group(group))
        return;
    fields_read(file, group, "the group keep", keep_fields, KEEP_KEYS, r);
    if (r->size_mb > 0.0 && r->size_mb < LEAST_SIZE_MB)
        field_error(file, field_line(group, "size_mb"),
                    "size_mb = %.10g is too small to work in; at least %.10g, or 0 for no "
                    "bound",
                    r->size_mb, LEAST_SIZE_MB);
    if (r->summaries_days < r->readings_days)
        field_warning(file, field_line(group, "summaries_days"),
                      "summaries_days = %d is less than readings_days = %d; charts of the "
                      "time between have nothing to show",
                      r->summaries_days, r->readings_days);
}
