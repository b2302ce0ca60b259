#include "check.h"

#include <math.h>
#include <modbus.h>

#include "drivers/decode.h"

static struct meter_point point(enum meter_type type, enum meter_order order)
{
    return (struct meter_point){.quantity = FRAME_WATTS,
                                .type = type,
                                .order = order,
                                .function = 3,
                                .stride = 1,
                                .first_channel = 1,
                                .channels = 1,
                                .scale = 1.0,
                                .scale_register = -1};
}

/* Each row gives the value's bytes as A B C D (E F G H); the test lays them out in the four
 * orders. Integers in two's complement; floats from IEEE 754 (1.0, pi, -118.625, 1e-45). */
static const struct {
    enum meter_type type;
    uint64_t bits;
    double value;
} values[] = {
    {METER_U16, 0x022B,
     555}, /* the example answer of MODBUS Application Protocol, section 6.3 */
    {METER_U16, 0xFFFF, 65535},
    {METER_S16, 0x7FFF, 32767},
    {METER_S16, 0xFFFF, -1},
    {METER_S16, 0x8000, -32768},
    {METER_U32, 0x12345678, 305419896},
    {METER_U32, 0xFFFFFFFF, 4294967295.0},
    {METER_S32, 0x00010000, 65536},
    {METER_S32, 0xFFFFFFFE, -2},
    {METER_S32, 0x80000000, -2147483648.0},
    {METER_U64, 0x0001000200030004, 281483566841860.0},
    {METER_U64, 0xFFFFFFFFFFFFFFFF, 18446744073709551615.0},
    {METER_S64, 0xFFFFFFFFFFFFFF00, -256},
    {METER_S64, 0x0000000012345678, 305419896},
    {METER_F32, 0x3F800000, 1.0},
    {METER_F32, 0x40490FDB, 3.1415927410125732},
    {METER_F32, 0xC2ED4000, -118.625},
    {METER_F32, 0x00000001, 1.4012984643248171e-45},
    {METER_F32, 0x80000000, 0.0},
};

static void lay_out(enum meter_type type, enum meter_order order, uint64_t bits, uint16_t *out)
{
    uint8_t bytes[8];
    int n = 2 * meter_type_registers(type);
    for (int i = 0; i < n; i++)
        bytes[i] = (uint8_t)(bits >> 8 * (n - 1 - i)); /* bytes[0] is A */
    for (int r = 0; r < n / 2; r++) {
        int from = order == METER_CDAB || order == METER_DCBA ? n / 2 - 1 - r : r;
        uint8_t first = bytes[2 * from], second = bytes[2 * from + 1];
        if (order == METER_BADC || order == METER_DCBA) {
            uint8_t t = first;
            first = second;
            second = t;
        }
        out[r] = (uint16_t)(first << 8 | second);
    }
}

static void every_type_decodes_in_every_order(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++)
        for (int order = METER_ABCD; order <= METER_DCBA; order++) {
            uint16_t registers[4] = {0};
            struct meter_point p = point(values[i].type, (enum meter_order)order);
            lay_out(p.type, p.order, values[i].bits, registers);
            double v = decode_value(&p, registers, 0);
            if (v != values[i].value)
                fail_msg("%s %s of 0x%llx is %.17g, wanted %.17g", meter_type_name(p.type),
                         meter_order_name(p.order), (unsigned long long)values[i].bits, v,
                         values[i].value);
        }
}

static void the_orders_by_their_letters(void **state)
{
    (void)state;
    /* A=0x11 B=0x22 C=0x33 D=0x44 written out by hand, not by lay_out */
    static const struct {
        enum meter_order order;
        uint16_t registers[2];
    } rows[] = {
        {METER_ABCD, {0x1122, 0x3344}},
        {METER_CDAB, {0x3344, 0x1122}},
        {METER_BADC, {0x2211, 0x4433}},
        {METER_DCBA, {0x4433, 0x2211}},
    };
    for (size_t i = 0; i < 4; i++)
        assert_int_equal(decode_bits(METER_U32, rows[i].order, rows[i].registers), 0x11223344);
    static const uint16_t swapped[] = {0x7788, 0x5566, 0x3344, 0x1122};
    assert_true(decode_bits(METER_U64, METER_CDAB, swapped) == 0x1122334455667788);
}

static void floats_agree_with_libmodbus(void **state)
{
    (void)state;
    static float (*const theirs[])(const uint16_t *) = {
        [METER_ABCD] = modbus_get_float_abcd,
        [METER_CDAB] = modbus_get_float_cdab,
        [METER_BADC] = modbus_get_float_badc,
        [METER_DCBA] = modbus_get_float_dcba,
    };
    uint32_t seed = 12345;
    for (int i = 0; i < 20000; i++) {
        uint16_t registers[2];
        for (int r = 0; r < 2; r++) {
            seed = seed * 1664525 + 1013904223;
            registers[r] = (uint16_t)(seed >> 16);
        }
        for (int order = METER_ABCD; order <= METER_DCBA; order++) {
            struct meter_point p = point(METER_F32, (enum meter_order)order);
            double ours = decode_value(&p, registers, 0);
            float wanted = theirs[order](registers);
            if (!isfinite(wanted))
                assert_true(isnan(ours));
            else
                assert_true(ours == (double)wanted);
        }
    }
}

static void scale_and_scale_register_multiply(void **state)
{
    (void)state;
    uint16_t raw = 1234;
    struct meter_point p = point(METER_U16, METER_ABCD);
    p.scale = 0.1;
    assert_near(decode_value(&p, &raw, 0), 123.4, 1e-9);
    assert_near(decode_value(&p, &raw, -2), 1.234, 1e-12);
    assert_near(decode_value(&p, &raw, 3), 123400, 1e-6);
    assert_near(decode_value(&p, &raw, 10), 1.234e12, 1);
    /* out of SunSpec's -10..10 (and its "not implemented") is no scale */
    assert_true(isnan(decode_value(&p, &raw, 11)));
    assert_true(isnan(decode_value(&p, &raw, -11)));
    assert_true(isnan(decode_value(&p, &raw, INT16_MIN)));
}

static void an_absent_value_is_no_reading(void **state)
{
    (void)state;
    static const struct {
        enum meter_type type;
        int64_t absent;
        uint64_t bits;
        bool is;
    } rows[] = {
        {METER_U16, 0xFFFF, 0xFFFF, true},
        {METER_U16, -1, 0xFFFF, true}, /* the same bits */
        {METER_U16, 0xFFFF, 0xFFFE, false},
        {METER_S16, -32768, 0x8000, true},
        {METER_S16, 0x8000, 0x8000, true},
        {METER_S16, -32768, 0x7FFF, false},
        {METER_U32, 0xFFFFFFFF, 0xFFFFFFFF, true},
        {METER_U32, 0xFFFF, 0x0001FFFF, false},
        {METER_S32, INT32_MIN, 0x80000000, true},
        {METER_U64, -1, UINT64_MAX, true},
        {METER_S64, INT64_MIN, 0x8000000000000000, true},
        {METER_S64, INT64_MIN, 0x7FFFFFFFFFFFFFFF, false},
        {METER_F32, 0x7FC00000, 0x7FC00000, true},
        {METER_F32, 0, 0x3F800000, false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        uint16_t registers[4];
        struct meter_point p = point(rows[i].type, METER_ABCD);
        p.has_absent = true;
        p.absent = rows[i].absent;
        lay_out(p.type, p.order, rows[i].bits, registers);
        if (isnan(decode_value(&p, registers, 0)) != rows[i].is)
            fail_msg("row %zu", i);
        p.has_absent = false;
        if (p.type != METER_F32)
            assert_true(!isnan(decode_value(&p, registers, 0)));
    }
}

static void what_cannot_be_is_refused(void **state)
{
    (void)state;
    uint16_t infinity[] = {0x7F80, 0x0000}, nan[] = {0x7FC0, 0x0000}, raw = 60000;
    struct meter_point f = point(METER_F32, METER_ABCD);
    assert_true(isnan(decode_reading(&f, infinity, 0, 1.0)));
    assert_true(isnan(decode_reading(&f, nan, 0, 1.0)));
    struct meter_point p = point(METER_U16, METER_ABCD);
    p.quantity = FRAME_AMPS; /* up to 10000 */
    assert_true(isnan(decode_reading(&p, &raw, 0, 1.0)));
    assert_near((double)decode_reading(&p, &raw, 0, 0.1), 6000, 1e-3);
    p.type = METER_S16; /* -5536 amps */
    assert_true(isnan(decode_reading(&p, &raw, 0, 1.0)));
    p.quantity = FRAME_WATTS;
    assert_near((double)decode_reading(&p, &raw, 0, -2.0), 11072, 1e-3); /* reversed, ratio 2 */
    p.quantity = FRAME_POWER_FACTOR;
    assert_true(isnan(decode_reading(&p, &raw, 0, 1.0)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_type_decodes_in_every_order),
        cmocka_unit_test(the_orders_by_their_letters),
        cmocka_unit_test(floats_agree_with_libmodbus),
        cmocka_unit_test(scale_and_scale_register_multiply),
        cmocka_unit_test(an_absent_value_is_no_reading),
        cmocka_unit_test(what_cannot_be_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
