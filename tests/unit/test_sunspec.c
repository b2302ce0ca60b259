/* sunspec: the walk, the map and the points, by the models' published tables */
#include "check.h"

#include "drivers/decode.h"
#include "drivers/sunspec.h"

#include <stdlib.h>

/* a device: 65536 registers, of which those before `end` are there; counts what is asked */
struct device {
    uint16_t *registers;
    bool there[65536];
    int reads, longest;
};

static struct device *device(void)
{
    struct device *d = calloc(1, sizeof *d);
    assert_non_null(d);
    d->registers = calloc(65536, sizeof *d->registers);
    assert_non_null(d->registers);
    return d;
}

static void drop(struct device *d)
{
    free(d->registers);
    free(d);
}

static void lay(struct device *d, int at, const uint16_t *words, int count)
{
    for (int i = 0; i < count; i++) {
        d->registers[at + i] = words[i];
        d->there[at + i] = true;
    }
}

static void lay_text(struct device *d, int at, int registers, const char *text)
{
    for (int i = 0; i < registers; i++) {
        char high = *text ? *text++ : '\0', low = *text ? *text++ : '\0';
        uint16_t word = (uint16_t)((unsigned char)high << 8 | (unsigned char)low);
        lay(d, at + i, &word, 1);
    }
}

static int lay_head(struct device *d, int at, uint16_t id, uint16_t length)
{
    lay(d, at, (uint16_t[]){id, length}, 2);
    for (int i = 0; i < length; i++)
        d->there[at + 2 + i] = true;
    return at + 2 + length;
}

static void lay_marker(struct device *d, int base, uint16_t common_length)
{
    lay(d, base, (uint16_t[]){0x5375, 0x6E53}, 2); /* "SunS" */
    lay_head(d, base + 2, 1, common_length);
    lay_text(d, base + 4, 16, "Example works");
    lay_text(d, base + 20, 16, "Meter of all thirty-two letters!");
    lay_text(d, base + 36, 8, "none");
    lay_text(d, base + 44, 8, "1.02");
    lay_text(d, base + 52, 16, "00042");
}

static void walk(struct device *d, struct sunspec_walk *w, int max_registers)
{
    struct plan_read r;
    sunspec_begin(w, max_registers);
    for (d->reads = 0; sunspec_next(w, &r); d->reads++) {
        bool there = true;
        assert_true(d->reads < 1000);
        assert_true(r.count >= 1 && r.count <= max_registers && r.count <= SUNSPEC_MOST_READ);
        assert_true(r.address >= 0 && r.address + r.count <= 65536);
        for (int i = 0; i < r.count; i++)
            there = there && d->there[r.address + i];
        sunspec_take(w, there ? d->registers + r.address : NULL);
    }
}

/* the worked image of a split-phase meter: 12.34 A and 8.00 A at 119.5 V and 121.0 V */
static const uint16_t split_phase[24] = {202,    105,    0x07F2, 0x04D2, 0x0320, 0x8000,
                                         0xFFFE, 0x04B3, 0x04AB, 0x04BA, 0x8000, 0x0965,
                                         0x0965, 0x8000, 0x8000, 0xFFFF, 0x1770, 0xFFFE,
                                         0x0123, 0x0093, 0x0090, 0x8000, 1,      0x8000};

static const struct meter_point *find(const struct meter_map *m, enum frame_quantity q,
                                      int channel)
{
    for (size_t i = 0; i < m->point_count; i++)
        if (m->points[i].quantity == q && channel >= m->points[i].first_channel &&
            channel < m->points[i].first_channel + m->points[i].channels)
            return &m->points[i];
    return NULL;
}

static double reading(const struct device *d, const struct meter_map *m, enum frame_quantity q,
                      int channel)
{
    const struct meter_point *p = find(m, q, channel);
    if (!p)
        return (double)NAN;
    int16_t exponent = p->scale_register >= 0 ? (int16_t)d->registers[p->scale_register] : 0;
    assert_int_equal(p->function, 3);
    return decode_value(p, d->registers + p->address + (channel - p->first_channel) * p->stride,
                        exponent);
}

static void a_split_phase_meter_is_found_at_each_of_the_three_addresses(void **state)
{
    static const int bases[] = {0, 40000, 50000};
    (void)state;
    for (int i = 0; i < 3; i++)
        for (uint16_t common = 65; common <= 66; common++) {
            struct device *d = device();
            struct sunspec_walk w;
            struct meter_map m = {.id = "sunspec", .max_registers = 125};
            int at = bases[i] + 2 + 2 + common;
            lay_marker(d, bases[i], common);
            lay_head(d, at, 202, 105);
            lay(d, at, split_phase, 24);
            d->registers[at + 37] = 0x8000; /* the power factor's scale: not implemented */
            lay_head(d, at + 107, 0xFFFF, 0);
            walk(d, &w, 125);
            assert_int_equal(w.stage, SUNSPEC_END);
            assert_int_equal(w.meter_count, 1);
            assert_int_equal(w.meters[0].address, at);
            assert_string_equal(w.common.maker, "Example works");
            assert_string_equal(w.common.model, "Meter of all thirty-two letters!");
            assert_string_equal(w.common.version, "1.02");
            assert_string_equal(w.common.serial, "00042");
            assert_true(sunspec_map(&w, &m));
            assert_string_equal(m.id, "sunspec");
            assert_near(reading(d, &m, FRAME_AMPS, 1), 12.34, 1e-9);
            assert_near(reading(d, &m, FRAME_AMPS, 2), 8.00, 1e-9);
            assert_true(isnan(reading(d, &m, FRAME_AMPS, 3))); /* 0x8000 */
            assert_near(reading(d, &m, FRAME_VOLTS, 2), 121.0, 1e-9);
            assert_near(reading(d, &m, FRAME_PANEL_VOLTS, 1), 119.5, 1e-9);
            assert_near(reading(d, &m, FRAME_WATTS, 1), 1470.0, 1e-9);
            assert_near(reading(d, &m, FRAME_WATTS, 2), 1440.0, 1e-9);
            assert_true(isnan(reading(d, &m, FRAME_POWER_FACTOR, 1)));
            drop(d);
        }
}

static void floats_lie_behind_other_models_and_a_second_meter_has_channels_4_to_6(void **state)
{
    struct device *d = device();
    struct sunspec_walk w;
    struct meter_map m = {0};
    (void)state;
    lay_marker(d, 40000, 66);
    int other = lay_head(d, 40070, 17, 12);
    int first = other, second = lay_head(d, first, 213, 124);
    int end = lay_head(d, second, 211, 130); /* longer than this edition of the model */
    lay_head(d, end, 0xFFFF, 0);
    /* 1.5 = 0x3FC00000, -0.15625 = 0xBE200000, 120.5 = 0x42F10000 (IEEE 754) */
    lay(d, first + 4, (uint16_t[]){0x3FC0, 0, 0x7FC0, 0, 0x7F80, 0}, 6); /* NaN, infinite */
    lay(d, first + 54, (uint16_t[]){0xBE20, 0}, 2);
    lay(d, first + 14, (uint16_t[]){0x42F1, 0}, 2);
    lay(d, second + 2, (uint16_t[]){0x42F1, 0}, 2); /* one phase: the sum is the phase's */
    walk(d, &w, 125);
    assert_int_equal(w.meter_count, 2);
    assert_true(sunspec_map(&w, &m));
    assert_near(reading(d, &m, FRAME_AMPS, 1), 1.5, 0);
    assert_true(isnan(reading(d, &m, FRAME_AMPS, 2)));
    assert_true(isnan(reading(d, &m, FRAME_AMPS, 3)));
    assert_near(reading(d, &m, FRAME_POWER_FACTOR, 1), -0.15625, 0);
    assert_near(reading(d, &m, FRAME_VOLTS, 2), 120.5, 0);
    assert_near(reading(d, &m, FRAME_AMPS, 4), 120.5, 0);
    assert_null(find(&m, FRAME_AMPS, 5));
    drop(d);
}

static void what_is_no_sunspec_meter_is_told(void **state)
{
    struct device *d = device();
    struct sunspec_walk w;
    struct meter_map m = {0};
    (void)state;
    walk(d, &w, 125); /* refuses everything */
    assert_int_equal(w.stage, SUNSPEC_FOREIGN);
    assert_int_equal(d->reads, 3);
    assert_false(sunspec_map(&w, &m));
    lay(d, 0, (uint16_t[]){0x5375, 0x6E54}, 2);
    walk(d, &w, 125);
    assert_int_equal(w.stage, SUNSPEC_FOREIGN);
    lay_marker(d, 40000, 66); /* an inverter, and nothing behind it: no end, either */
    lay_head(d, 40070, 103, 50);
    walk(d, &w, 125);
    assert_int_equal(w.stage, SUNSPEC_END);
    assert_int_equal(w.meter_count, 0);
    assert_false(sunspec_map(&w, &m));
    drop(d);
}

static void a_chain_that_does_not_end_does_and_small_reads_are_kept(void **state)
{
    struct device *d = device();
    struct sunspec_walk w;
    (void)state;
    lay_marker(d, 40000, 66);
    for (int at = 40070; at + 1 < 65536; at += 2)
        lay_head(d, at, 900, 0);
    walk(d, &w, 125);
    assert_int_equal(w.stage, SUNSPEC_END);
    lay(d, 40072, (uint16_t[]){901, 65535}, 2); /* leads out of the address space */
    walk(d, &w, 125);
    assert_int_equal(w.stage, SUNSPEC_END);
    walk(d, &w, 10); /* no room for the texts of the common model */
    assert_string_equal(w.common.maker, "");
    drop(d);
}

/* whatever a device holds, the walk ends and its map lies within the address space */
static void random_devices_do_no_harm(void **state)
{
    struct device *d = device();
    unsigned seed = 11;
    (void)state;
    for (int round = 0; round < 300; round++) {
        struct sunspec_walk w;
        struct meter_map m = {0};
        static const uint16_t ids[] = {1, 201, 202, 203, 204, 211, 214, 0xFFFF, 17};
        for (int i = 0; i < 65536; i++) {
            seed = seed * 1664525U + 1013904223U;
            d->registers[i] = seed >> 24 < 200 ? ids[(seed >> 16) % 9] : (uint16_t)(seed >> 16);
            d->there[i] = true;
        }
        lay(d, 40000, (uint16_t[]){0x5375, 0x6E53}, 2);
        walk(d, &w, 125);
        sunspec_map(&w, &m);
        for (size_t i = 0; i < m.point_count; i++) {
            const struct meter_point *p = &m.points[i];
            assert_true(p->address >= 0 && p->address + 3 * p->stride <= 65536);
            assert_true(p->first_channel + p->channels - 1 <= METER_MAP_SUNSPEC_CHANNELS);
        }
    }
    drop(d);
}

static double value(const struct sunspec_value *v, size_t n, const char *name)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(v[i].name, name) == 0)
            return v[i].value;
    return (double)NAN;
}

static void every_point_has_the_name_and_place_of_the_standard(void **state)
{
    struct sunspec_value v[SUNSPEC_MOST_VALUES];
    uint16_t body[124];
    (void)state;
    for (int i = 0; i < 124; i++)
        body[i] = 0x8000;
    memcpy(body, split_phase + 2, 22 * sizeof body[0]);
    body[33 - 2] = (uint16_t)-985, body[37 - 2] = (uint16_t)-1; /* PF -98.5 % */
    for (int at = 38; at <= 104; at++)
        body[at - 2] = 0;                                 /* nothing accumulated: absent */
    body[46 - 2] = 1, body[47 - 2] = 2, body[54 - 2] = 1; /* TotWhImp 65538 * 10 */
    body[105 - 2] = 0, body[106 - 2] = 0x80;              /* Evt: missing sensor */
    size_t n = sunspec_decode(202, body, 105, v);
    assert_near(value(v, n, "A"), 20.34, 1e-9);
    assert_near(value(v, n, "AphB"), 8.0, 1e-9);
    assert_near(value(v, n, "PPV"), 240.5, 1e-9);
    assert_near(value(v, n, "PhVphAB"), 240.5, 1e-9);
    assert_near(value(v, n, "Hz"), 60.0, 1e-9);
    assert_near(value(v, n, "W"), 2910.0, 1e-9);
    assert_near(value(v, n, "PF"), -0.985, 1e-9);
    assert_near(value(v, n, "TotWhImp"), 655380.0, 1e-6);
    assert_near(value(v, n, "Evt"), 128.0, 0);
    assert_true(isnan(value(v, n, "AphC")) && isnan(value(v, n, "TotWhExp")) &&
                isnan(value(v, n, "VA")));
    assert_int_equal(sunspec_decode(202, body, 104, v), 0);
    assert_int_equal(sunspec_decode(103, body, 105, v), 0);
    assert_true(sunspec_decode(201, body, 105, v) > 0);
    for (int i = 0; i < 124; i++)
        body[i] = i % 2 ? 0 : 0x3FC0; /* 1.5 everywhere */
    n = sunspec_decode(214, body, 124, v);
    assert_int_equal(n, 4 * 15 + 1 + 1);
    assert_near(value(v, n, "TotVArhExpQ4PhC"), 1.5, 0);
    assert_near(value(v, n, "PPVphCA"), 1.5, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_split_phase_meter_is_found_at_each_of_the_three_addresses),
        cmocka_unit_test(floats_lie_behind_other_models_and_a_second_meter_has_channels_4_to_6),
        cmocka_unit_test(what_is_no_sunspec_meter_is_told),
        cmocka_unit_test(a_chain_that_does_not_end_does_and_small_reads_are_kept),
        cmocka_unit_test(random_devices_do_no_harm),
        cmocka_unit_test(every_point_has_the_name_and_place_of_the_standard),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
