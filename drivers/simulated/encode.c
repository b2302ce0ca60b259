#include "encode.h"

#include <math.h>
#include <string.h>

static int put_bits(const struct meter_point *p, uint64_t bits, uint16_t *words)
{
    int count = meter_type_registers(p->type);
    bool low_first = p->order == METER_CDAB || p->order == METER_DCBA;
    bool swapped = p->order == METER_BADC || p->order == METER_DCBA;
    for (int i = 0; i < count; i++) {
        uint16_t w = (uint16_t)(bits >> 16 * (count - 1 - i));
        if (swapped)
            w = (uint16_t)(w << 8 | w >> 8);
        words[low_first ? count - 1 - i : i] = w;
    }
    return count;
}

/* nearest integer within the type, as its bits */
static uint64_t integer_bits(enum meter_type type, double raw)
{
    int width = 16 * meter_type_registers(type);
    bool is_signed = type == METER_S16 || type == METER_S32 || type == METER_S64;
    double most = is_signed ? ldexp(1.0, width - 1) : ldexp(1.0, width);
    double least = is_signed ? -most : 0.0;
    double r = round(raw);
    if (r < least)
        r = least;
    if (is_signed)
        return r >= most ? (UINT64_C(1) << (width - 1)) - 1 : (uint64_t)(int64_t)r;
    return r >= most ? UINT64_MAX >> (64 - width) : (uint64_t)r;
}

int encode_value(const struct meter_point *p, int exponent, double value,
                 uint16_t words[ENCODE_MAX_WORDS])
{
    if (isnan(value))
        return encode_absent(p, words);
    double raw = value / (exponent ? p->scale * pow(10.0, exponent) : p->scale);
    if (p->type == METER_F32) {
        float f = (float)raw;
        uint32_t bits;
        memcpy(&bits, &f, sizeof bits);
        return put_bits(p, bits, words);
    }
    return put_bits(p, integer_bits(p->type, raw), words);
}

int encode_absent(const struct meter_point *p, uint16_t words[ENCODE_MAX_WORDS])
{
    return put_bits(p, p->has_absent ? (uint64_t)p->absent : 0, words);
}

int encode_exponent(const struct meter_point *p)
{
    if (p->scale_register < 0)
        return 0;
    switch (p->quantity) {
    case FRAME_AMPS: return -2;
    case FRAME_WATTS: return 0;
    case FRAME_VOLTS:
    case FRAME_PANEL_VOLTS: return -1;
    case FRAME_POWER_FACTOR: return -3;
    }
    return 0;
}
