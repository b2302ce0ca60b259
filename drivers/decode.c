#include "decode.h"

#include <math.h>
#include <string.h>

#define MOST_EXPONENT 10

static uint16_t swap_bytes(uint16_t word)
{
    return (uint16_t)(word << 8 | word >> 8);
}

uint64_t decode_bits(enum meter_type type, enum meter_order order, const uint16_t *registers)
{
    bool low_word_first = order == METER_CDAB || order == METER_DCBA;
    bool swapped_bytes = order == METER_BADC || order == METER_DCBA;
    if (type == METER_U16 || type == METER_S16) /* most of them */
        return swapped_bytes ? swap_bytes(registers[0]) : registers[0];
    int n = meter_type_registers(type);
    uint64_t bits = 0;
    for (int i = 0; i < n; i++) {
        uint16_t word = registers[low_word_first ? n - 1 - i : i];
        bits = bits << 16 | (swapped_bytes ? swap_bytes(word) : word);
    }
    return bits;
}

static double number(enum meter_type type, uint64_t bits)
{
    switch (type) {
    case METER_U16:
    case METER_U32:
    case METER_U64: return (double)bits;
    case METER_S16: return (double)(int16_t)bits;
    case METER_S32: return (double)(int32_t)bits;
    case METER_S64: return (double)(int64_t)bits;
    case METER_F32: {
        uint32_t word = (uint32_t)bits;
        float f;
        memcpy(&f, &word, sizeof f);
        return isfinite(f) ? (double)f : (double)NAN;
    }
    }
    return (double)NAN;
}

/* compared as bits of the value's own width, so -1 and 0xFFFF name the same absent word */
static bool is_absent(const struct meter_point *p, uint64_t bits)
{
    if (!p->has_absent)
        return false;
    int width = 16 * meter_type_registers(p->type);
    uint64_t mask = width == 64 ? UINT64_MAX : (UINT64_C(1) << width) - 1;
    return ((bits ^ (uint64_t)p->absent) & mask) == 0;
}

double decode_value(const struct meter_point *p, const uint16_t *registers, int16_t exponent)
{
    static const double tens[MOST_EXPONENT + 1] = {1e0, 1e1, 1e2, 1e3, 1e4, 1e5,
                                                   1e6, 1e7, 1e8, 1e9, 1e10};
    uint64_t bits = decode_bits(p->type, p->order, registers);
    if (is_absent(p, bits) || exponent < -MOST_EXPONENT || exponent > MOST_EXPONENT)
        return (double)NAN;
    double v = number(p->type, bits) * p->scale;
    if (exponent == 0)
        return v;
    return exponent < 0 ? v / tens[-exponent] : v * tens[exponent];
}

float decode_reading(const struct meter_point *p, const uint16_t *registers, int16_t exponent,
                     double factor)
{
    return frame_checked(p->quantity, decode_value(p, registers, exponent) * factor);
}
