/* A device that says it follows SunSpec: whatever its registers hold, the walk over them ends,
 * asks for nothing outside of them, and the map it gives lies within the bounds of every map.
 *
 * Input: a byte for the base (40000, 0, 50000) and for how many registers may be read at once,
 * then the registers; what lies behind them is refused. */
#include "drivers/sunspec.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define MOST_STEPS 10000

struct device {
    int base;
    const uint8_t *bytes;
    size_t registers;
};

static bool read_registers(const struct device *d, const struct plan_read *r, uint16_t *out)
{
    for (int i = 0; i < r->count; i++) {
        int at = r->address + i - d->base;
        if (at < 0 || (size_t)at >= d->registers)
            return false;
        out[i] = (uint16_t)(d->bytes[2 * at] << 8 | d->bytes[2 * at + 1]);
    }
    return true;
}

static void check_text(const char *s, size_t size)
{
    if (!memchr(s, '\0', size))
        abort();
}

static void check_map(const struct sunspec_walk *w)
{
    struct meter_map map = {.max_registers = w->max_registers};
    bool found = sunspec_map(w, &map);
    if (found != (w->meter_count > 0) || w->meter_count > SUNSPEC_METERS)
        abort();
    for (size_t i = 0; found && i < map.point_count; i++) {
        const struct meter_point *p = &map.points[i];
        int registers = meter_type_registers(p->type);
        if (p->address < 0 || p->address + (p->channels - 1) * p->stride + registers > 65536 ||
            p->first_channel < 1 || p->channels < 1 ||
            p->first_channel + p->channels - 1 > METER_MAP_MAX_CHANNELS ||
            p->scale_register < -1 || p->scale_register > 65535)
            abort();
    }
}

static void check_values(const struct sunspec_walk *w, const struct device *d)
{
    struct sunspec_value values[SUNSPEC_MOST_VALUES];
    for (size_t m = 0; m < w->meter_count; m++) {
        uint16_t body[SUNSPEC_MOST_LENGTH] = {0};
        int length = w->meters[m].length;
        struct plan_read r = {.address = w->meters[m].address + 2,
                              .count =
                                  length < SUNSPEC_MOST_LENGTH ? length : SUNSPEC_MOST_LENGTH};
        if (!read_registers(d, &r, body))
            continue;
        size_t n = sunspec_decode(w->meters[m].id, body, (size_t)r.count, values);
        if (n > SUNSPEC_MOST_VALUES)
            abort();
        for (size_t i = 0; i < n; i++) {
            check_text(values[i].name, sizeof values[i].name);
            if (isnan(values[i].value))
                abort(); /* a point that says nothing is left out */
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const int bases[] = {40000, 0, 50000};
    struct sunspec_walk w;
    struct plan_read r;
    uint16_t registers[SUNSPEC_MOST_READ];
    if (size < 1)
        return 0;
    struct device d = {bases[data[0] % 3], data + 1, (size - 1) / 2};
    sunspec_begin(&w, 2 + data[0] / 3);
    int steps = 0;
    for (; sunspec_next(&w, &r); steps++) {
        if (steps > MOST_STEPS || r.count < 1 || r.count > SUNSPEC_MOST_READ || r.address < 0 ||
            r.address + r.count > 65536)
            abort();
        sunspec_take(&w, read_registers(&d, &r, registers) ? registers : NULL);
    }
    check_text(w.common.maker, sizeof w.common.maker);
    check_text(w.common.serial, sizeof w.common.serial);
    check_map(&w);
    check_values(&w, &d);
    return 0;
}
