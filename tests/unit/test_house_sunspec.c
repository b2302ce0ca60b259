/* house_sunspec: what the simulated meter says of itself is what the driver finds, model by
 * model. The two have their offsets apart from each other; a third party's are in tests/peer.
 */
#include "check.h"

#include "drivers/decode.h"
#include "drivers/meter_plan.h"
#include "drivers/simulated/house_sunspec.h"
#include "drivers/sunspec.h"

static const struct house_phases phases = {
    .amps = {12.34, 8.0, 0.25},
    .watts = {1441.0, -912.0, 20.0},
    .power_factor = {0.985, -0.94, 0.5},
    .volts = {118.6, 121.2, 120.0},
    .watt_hours = 123456.0,
};

struct found {
    struct sunspec_walk walk;
    struct meter_map map;
    uint16_t words[HOUSE_SUNSPEC_MOST];
    int count;
};

static const uint16_t *registers(const struct found *f, int address, int count)
{
    int at = address - HOUSE_SUNSPEC_BASE;
    return at >= 0 && at + count <= f->count ? f->words + at : NULL;
}

static void find(struct found *f, int legs, bool floats)
{
    struct house_phases p = phases;
    struct plan_read r;
    p.legs = legs;
    p.floats = floats;
    *f = (struct found){.map = {.id = "sunspec", .max_registers = 125}};
    f->count = house_sunspec_fill(&p, "cellar", f->words);
    assert_true(f->count <= HOUSE_SUNSPEC_MOST);
    sunspec_begin(&f->walk, 125);
    while (sunspec_next(&f->walk, &r))
        sunspec_take(&f->walk, registers(f, r.address, r.count));
}

static double reading(const struct found *f, enum frame_quantity q, int channel)
{
    for (size_t i = 0; i < f->map.point_count; i++) {
        const struct meter_point *p = &f->map.points[i];
        int k = channel - p->first_channel;
        if (p->quantity != q || k < 0 || k >= p->channels)
            continue;
        const uint16_t *at = registers(f, p->address + k * p->stride, 2),
                       *scale =
                           p->scale_register >= 0 ? registers(f, p->scale_register, 1) : NULL;
        assert_non_null(at);
        return decode_value(p, at, scale ? (int16_t)*scale : 0);
    }
    return (double)NAN;
}

static void each_model_is_found_and_its_phases_are_read(void **state)
{
    (void)state;
    for (int legs = 1; legs <= 3; legs++)
        for (int floats = 0; floats < 2; floats++) {
            struct found f;
            find(&f, legs, floats);
            assert_int_equal(f.walk.stage, SUNSPEC_END);
            assert_int_equal(f.walk.meter_count, 1);
            assert_int_equal(f.walk.meters[0].id, (floats ? 210 : 200) + legs);
            assert_string_equal(f.walk.common.serial, "cellar");
            assert_true(sunspec_map(&f.walk, &f.map));
            for (int k = 0; k < 3; k++) {
                if (k >= legs) {
                    assert_true(isnan(reading(&f, FRAME_AMPS, k + 1)));
                    assert_true(isnan(reading(&f, FRAME_WATTS, k + 1)));
                    continue;
                }
                assert_near(reading(&f, FRAME_AMPS, k + 1), phases.amps[k], 0.0051);
                assert_near(reading(&f, FRAME_WATTS, k + 1), phases.watts[k], 0.51);
                assert_near(reading(&f, FRAME_POWER_FACTOR, k + 1), phases.power_factor[k],
                            6e-4);
                assert_near(reading(&f, FRAME_PANEL_VOLTS, k + 1), phases.volts[k], 0.051);
            }
        }
}

static double value(const struct sunspec_value *v, size_t n, const char *name)
{
    for (size_t i = 0; i < n; i++)
        if (strcmp(v[i].name, name) == 0)
            return v[i].value;
    return (double)NAN;
}

static void totals_and_energy_are_among_its_points(void **state)
{
    (void)state;
    for (int floats = 0; floats < 2; floats++) {
        struct sunspec_value v[SUNSPEC_MOST_VALUES];
        struct found f;
        find(&f, 2, floats);
        const struct sunspec_model *m = &f.walk.meters[0];
        size_t n = sunspec_decode(m->id, registers(&f, m->address + 2, m->length),
                                  (size_t)m->length, v);
        assert_near(value(v, n, "A"), 20.34, 0.0051);
        assert_near(value(v, n, "W"), 529.0, 0.51);
        assert_near(value(v, n, "PhV"), 119.9, 0.051);
        assert_near(value(v, n, "PPV"), 239.8, 0.051);
        assert_near(value(v, n, "Hz"), 60.0, 0.0051);
        assert_near(value(v, n, "TotWhImp"), 123456.0, 0.5);
        assert_true(isnan(value(v, n, "VAR"))); /* not measured, and said so */
        assert_true(isnan(value(v, n, "AphC")));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_model_is_found_and_its_phases_are_read),
        cmocka_unit_test(totals_and_energy_are_among_its_points),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
