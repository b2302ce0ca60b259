/*
 * meter_map - what a meter's registers mean, as data.
 *
 * Read from a libconfig file in config/maps/ by config/, used by drivers/. A point is one
 * quantity of one or of many channels, the channels lying `stride` registers apart. A reading
 * is
 *
 *     raw * scale * 10^(value of the scale register, where there is one)
 *
 * Byte orders are named by letters, A the most significant byte: ABCD is the Modbus
 * specification's own (big-endian, high word first), CDAB low word first, BADC bytes swapped,
 * DCBA both.
 */
#ifndef FORETRIP_METER_MAP_H
#define FORETRIP_METER_MAP_H

#include "frame.h"

#define METER_MAP_MAX_POINTS 64
#define METER_MAP_MAX_CHANNELS 256
#define METER_MAP_SUNSPEC_CHANNELS 24 /* three phases of eight meters behind one unit */

enum meter_type {
    METER_U16,
    METER_S16,
    METER_U32,
    METER_S32,
    METER_U64,
    METER_S64,
    METER_F32,
};

enum meter_order { METER_ABCD, METER_CDAB, METER_BADC, METER_DCBA };

struct meter_point {
    enum frame_quantity quantity; /* FRAME_PANEL_VOLTS: channels 1..3 are legs a..c */
    enum meter_type type;
    enum meter_order order;
    int function;      /* 3 holding, 4 input registers */
    int address;       /* of the first channel, as in the PDU: "register 40001" is 0 */
    int stride;        /* registers from one channel to the next */
    int first_channel; /* 1-based */
    int channels;      /* how many */
    double scale;
    int scale_register; /* signed 16-bit power of ten in the same function's space, -1 none */
    bool has_absent;    /* a raw value that means "not measured" */
    int64_t absent;
};

struct meter_map {
    char id[SITE_ID_SIZE];
    char name[SITE_NAME_SIZE];
    int max_registers; /* that the meter gives in one read, 1..125 */
    bool sunspec;      /* no points: the meter itself says where they are (drivers/sunspec.h) */
    struct meter_point points[METER_MAP_MAX_POINTS];
    size_t point_count;
};

struct meter_map_set {
    struct meter_map *maps;
    size_t count;
};

/* Registers a value takes: 1, 2 or 4. */
int meter_type_registers(enum meter_type type);
const char *meter_type_name(enum meter_type type);
const char *meter_order_name(enum meter_order order);
/* NULL when there is none. */
const struct meter_map *meter_map_find(const struct meter_map_set *set, const char *id);
void meter_map_set_free(struct meter_map_set *set);

#endif
