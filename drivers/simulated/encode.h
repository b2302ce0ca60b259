/*
 * encode - a physical value into registers, by the row of a register map: the driver's decoding
 * backwards, written on its own so that the two can be held against each other.
 *
 *     raw = value / (scale * 10^exponent), rounded to the nearest and clamped to the type
 *
 * Letters of a byte order as in model/meter_map.h: CDAB and DCBA put the low word first, BADC
 * and DCBA swap the bytes of every word; with 64 bits alike over four words.
 */
#ifndef FORETRIP_SIMULATED_ENCODE_H
#define FORETRIP_SIMULATED_ENCODE_H

#include "model/meter_map.h"

#define ENCODE_MAX_WORDS 4

/* Fills the first meter_type_registers(p->type) words and returns how many. NaN becomes the
 * map's word for "not measured", or zero where it has none. exponent: of the scale register. */
int encode_value(const struct meter_point *p, int exponent, double value,
                 uint16_t words[ENCODE_MAX_WORDS]);

/* The value "not measured", zero where the map has no word for it. */
int encode_absent(const struct meter_point *p, uint16_t words[ENCODE_MAX_WORDS]);

/* The exponent that a simulated meter puts into a point's scale register: fine enough to see
 * what matters and still in range. 0 where there is no scale register. */
int encode_exponent(const struct meter_point *p);

#endif
