/*
 * map_file - register maps: maps/<id>.cfg of the site's directory, then the shipped ones.
 *
 * A map belongs to a meter by its file's name. The format is documented in
 * docs/configuration.md from the tables below; what the members mean stands in
 * model/meter_map.h.
 */
#ifndef FORETRIP_CONFIG_MAP_FILE_H
#define FORETRIP_CONFIG_MAP_FILE_H

#include "config/site_file.h"

enum { MAP_NAME, MAP_MAX_REGISTERS, MAP_SUNSPEC, MAP_POINTS, MAP_KEYS };
enum {
    POINT_QUANTITY,
    POINT_FUNCTION,
    POINT_ADDRESS,
    POINT_TYPE,
    POINT_ORDER,
    POINT_FIRST_CHANNEL,
    POINT_CHANNELS,
    POINT_STRIDE,
    POINT_SCALE,
    POINT_SCALE_REGISTER,
    POINT_ABSENT,
    POINT_KEYS
};

/* Reads every map that a meter of the site names into *set, each once. */
void map_files_read(struct meter_map_set *set, const struct site_reading *r,
                    const struct config_source *source);

/* Reads one; *out is untouched unless true comes back. SOURCE_ABSENT adds no fault. */
enum source_result map_file_read(struct meter_map *out, const struct config_source *source,
                                 const char *id, struct config_faults *faults);

/* The tables, for the manual. */
extern const struct field map_fields[MAP_KEYS];
extern const struct field point_fields[POINT_KEYS];

#endif
