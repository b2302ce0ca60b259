/*
 * decode - from registers to a reading, by the meter's map.
 *
 * Pure. Registers are 16-bit words as a Modbus answer carries them, high byte first already
 * undone (MODBUS Application Protocol V1.1b3, section 4.2). Byte orders: model/meter_map.h.
 *
 * Absent     a raw value whose bits equal the map's absent value, a scale register that is not
 *            within -10..10 (SunSpec's own range of a scale factor; its "not implemented" is
 *            0x8000), a float that is no number, and whatever frame_checked refuses, is NaN
 */
#ifndef FORETRIP_DECODE_H
#define FORETRIP_DECODE_H

#include "model/meter_map.h"

/* The value's bits in order A..D (A..H), from meter_type_registers(type) registers. */
uint64_t decode_bits(enum meter_type type, enum meter_order order, const uint16_t *registers);

/* raw * scale * 10^exponent in the map's unit, NaN when absent. exponent is the content of the
 * scale register, 0 when the point has none. Not yet range-checked. */
double decode_value(const struct meter_point *p, const uint16_t *registers, int16_t exponent);

/* decode_value * factor (CT ratio, direction), refused as NaN when out of the quantity's range.
 */
float decode_reading(const struct meter_point *p, const uint16_t *registers, int16_t exponent,
                     double factor);

#endif
