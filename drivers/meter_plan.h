/*
 * meter_plan - what the site wants of one meter, as reads, and as readings out of their
 * answers.
 *
 * Wanted are all quantities the map gives of the channels that the site's circuits name, and
 * the legs of the panel whose voltages the meter measures. CT ratio and direction are folded in
 * here: the ratio multiplies amps and watts, a reversed transformer flips watts.
 *
 * Ownership  meter_plan_make allocates, meter_plan_free releases; the map is borrowed until
 * then Threads    none inside
 */
#ifndef FORETRIP_METER_PLAN_H
#define FORETRIP_METER_PLAN_H

#include "model/meter_map.h"
#include "plan.h"

struct meter_read {
    int function; /* 3 or 4 */
    int address;
    int count;
    size_t at;    /* where its registers begin among those of all reads */
    bool bridges; /* holds registers that nobody asked for */
};

struct meter_value {
    const struct meter_point *point;
    uint32_t index;      /* in the frame */
    double factor;       /* CT ratio and direction */
    uint16_t read;       /* which read carries it */
    int16_t scale_read;  /* which carries its scale register, -1 when it has none */
    size_t at, scale_at; /* among the registers of all reads */
};

struct meter_plan {
    struct meter_read *reads;
    size_t read_count;
    struct meter_value *values;
    size_t value_count;
    size_t registers; /* of all reads together */
};

/* One reading for the frame's values[index]; taken counts from the tick's beginning. */
struct bus_reading {
    uint32_t index;
    float value;
    struct frame_taken taken;
};

enum meter_plan_err {
    METER_PLAN_OK = 0,
    METER_PLAN_ERR_MEMORY,
    METER_PLAN_ERR_MAP, /* a point lies outside the address space or does not fit into a read */
};

/* A plan without values (and reads) when the site wants nothing of the meter. On error *out is
 * untouched. */
enum meter_plan_err meter_plan_make(const struct site *s, int meter,
                                    const struct meter_map *map, const struct plan_line *line,
                                    struct meter_plan *out);
void meter_plan_free(struct meter_plan *plan);

/* The readings whose registers came: got[r] says whether read r was answered, moments[r] when
 * (NULL: not told, zero). Writes at most
 * value_count readings and returns how many; absent and out-of-range values are left out. */
size_t meter_plan_decode(const struct meter_plan *plan, const uint16_t *registers,
                         const bool *got, const struct frame_taken *moments,
                         struct bus_reading *out);

/* bit 1 << quantity of every quantity that the plan can deliver */
uint32_t meter_plan_has(const struct meter_plan *plan);

const char *meter_plan_strerror(enum meter_plan_err err);

#endif
