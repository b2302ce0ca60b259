/*
 * sunspec - a meter that says itself what its registers mean.
 *
 * Pure. SunSpec information models, from the model definitions of the alliance's repository
 * (sunspec/models, JSON, commit 7abdf8982d53) and the constants of its client library
 * (pysunspec2): base addresses, end of the chain, "not implemented" values.
 *
 *     base (40000, 0 or 50000)   "SunS"
 *     base + 2                   ID 1, L, then L registers: Common (maker, model, serial
 * number) ID, L, then L registers: a meter is 201-204 or 211-214
 *                                ...
 *                                ID 0xFFFF: the end
 *
 * 201-204 are single phase, split phase, wye and delta in integers with scale factors (L =
 * 105), 211-214 the same in floats (L = 124). Each kind has one layout for its four wirings, so
 * that one table serves. Out of what was found comes a register map like any other, whose
 * values are planned and decoded as every meter's: channels 1 to 3 are phases A to C of the
 * first meter model, 4 to 6 those of a second one, up to SUNSPEC_METERS.
 *
 * Absent     int16 0x8000, a scale factor outside -10..10, any NaN, an accumulator of 0, a
 *            bitfield of all ones
 */
#ifndef FORETRIP_SUNSPEC_H
#define FORETRIP_SUNSPEC_H

#include "model/meter_map.h"
#include "plan.h"

#define SUNSPEC_METERS 8
#define SUNSPEC_MOST_READ 64 /* registers that a step of the walk asks for at most */
#define SUNSPEC_FUNCTION 3
#define SUNSPEC_MOST_LENGTH 124 /* registers of a meter model that mean something here */

struct sunspec_model {
    int id;
    int address; /* of its ID register */
    int length;  /* registers behind ID and L */
};

/* texts of model 1, "" when not given */
struct sunspec_common {
    char maker[33], model[33], options[17], version[17], serial[33];
};

enum sunspec_stage {
    SUNSPEC_MARKER, /* looks for "SunS" */
    SUNSPEC_HEADER, /* of the next model */
    SUNSPEC_COMMON,
    SUNSPEC_END,     /* walked to the end */
    SUNSPEC_FOREIGN, /* no marker at any of the three addresses */
};

struct sunspec_walk {
    enum sunspec_stage stage;
    int bases_tried;
    int address; /* of the next header */
    int models;  /* met so far */
    int max_registers;
    struct sunspec_common common;
    struct sunspec_model meters[SUNSPEC_METERS];
    size_t meter_count;
};

void sunspec_begin(struct sunspec_walk *w, int max_registers);

/* The holding registers that the walk wants to see next; false when it is over. */
bool sunspec_next(const struct sunspec_walk *w, struct plan_read *out);

/* What they hold; NULL when the device refused them. */
void sunspec_take(struct sunspec_walk *w, const uint16_t *registers);

/* Replaces the points of *map (its id, name and max_registers stay). False when the walk found
 * no meter model. */
bool sunspec_map(const struct sunspec_walk *w, struct meter_map *map);

struct sunspec_value {
    char name[24]; /* as the standard names the point: "WphA" */
    const char *unit;
    double value;
};
#define SUNSPEC_MOST_VALUES 70

/* Every implemented point of a meter model out of its length registers behind L, of which the
 * first SUNSPEC_MOST_LENGTH are looked at. Returns how many, 0 for a model that is no meter or
 * too short. */
size_t sunspec_decode(int model, const uint16_t *body, size_t length,
                      struct sunspec_value out[SUNSPEC_MOST_VALUES]);

#endif
