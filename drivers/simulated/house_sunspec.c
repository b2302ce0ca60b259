#include "house_sunspec.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#define ABSENT_INT 0x8000 /* int16 and scale factor; an accumulator's is 0 */
#define LENGTH_INTS 105
#define LENGTH_FLOATS 124

/* Of one quantity: the offset of its total, from which phases A, B, C follow, and of its scale
 * factor; from the model's ID register. */
struct place {
    int ints, scale, floats;
};
static const struct place amps_at = {2, 6, 2}, volts_at = {7, 15, 10}, across_at = {11, 15, 18},
                          hertz_at = {16, 17, 26}, watts_at = {18, 22, 28},
                          va_at = {23, 27, 36}, pf_at = {33, 37, 52};
#define WH_EXPORTED_FLOATS 60
#define WH_IMPORTED_INTS 46
#define WH_SCALE 54
#define WH_IMPORTED_FLOATS 68

struct image {
    uint16_t *model; /* from its ID register on */
    bool floats;
};

static void put_float(uint16_t *at, double value)
{
    float f = (float)value;
    uint32_t bits;
    memcpy(&bits, &f, sizeof bits);
    at[0] = (uint16_t)(isnan(value) ? 0x7FC0 : bits >> 16);
    at[1] = (uint16_t)(isnan(value) ? 0 : bits);
}

/* the total (index 0) or a phase (1 to 3) */
static void put(const struct image *m, const struct place *p, int index, double value,
                int exponent)
{
    if (m->floats) {
        put_float(m->model + p->floats + (ptrdiff_t)2 * index, value);
        return;
    }
    double raw = round(value * pow(10.0, -exponent));
    m->model[p->scale] = (uint16_t)exponent;
    m->model[p->ints + index] =
        fabs(raw) < 32767.5 ? (uint16_t)(int16_t)raw : (uint16_t)ABSENT_INT; /* or NaN */
}

static void put_text(uint16_t *at, int registers, const char *text)
{
    for (int i = 0; i < registers; i++) {
        unsigned char high = (unsigned char)*text;
        text += high != 0;
        unsigned char low = (unsigned char)*text;
        text += low != 0;
        at[i] = (uint16_t)(high << 8 | low);
    }
}

static double sum(const double *v, int n)
{
    double s = 0.0;
    for (int i = 0; i < n; i++)
        s += isnan(v[i]) ? 0.0 : v[i];
    return s;
}

static void put_all_absent(const struct image *m)
{
    for (int at = 2; m->floats && at < LENGTH_FLOATS; at += 2)
        put_float(m->model + at, (double)NAN);
    for (int at = 2; !m->floats && at < 38; at++)
        m->model[at] = ABSENT_INT;
    for (int at = WH_SCALE; !m->floats && at <= 104; at++)
        m->model[at] = at == 54 || at == 71 || at == 104 ? ABSENT_INT : 0;
}

static void put_phases(const struct image *m, const struct house_phases *p)
{
    double volt_amps = 0.0, whole = m->floats ? 1.0 : 100.0; /* 201 to 204 want percent */
    for (int k = 0; k < p->legs; k++) {
        double va = p->amps[k] * p->volts[k];
        put(m, &amps_at, 1 + k, p->amps[k], -2);
        put(m, &volts_at, 1 + k, p->volts[k], -1);
        put(m, &watts_at, 1 + k, p->watts[k], 0);
        put(m, &va_at, 1 + k, va, 0);
        put(m, &pf_at, 1 + k, p->power_factor[k] * whole, -1);
        volt_amps += isnan(va) ? 0.0 : va;
    }
    double watts = sum(p->watts, p->legs), volts = sum(p->volts, p->legs) / p->legs;
    put(m, &amps_at, 0, sum(p->amps, p->legs), -2);
    put(m, &volts_at, 0, volts, -1);
    put(m, &watts_at, 0, watts, 0);
    put(m, &va_at, 0, volt_amps, 0);
    put(m, &pf_at, 0, p->legs == 1 ? p->power_factor[0] * whole : whole * watts / volt_amps,
        -1);
    if (p->legs > 1) /* two legs half a turn apart, three a third */
        put(m, &across_at, 0, volts * (p->legs == 2 ? 2.0 : sqrt(3.0)), -1);
    put(m, &hertz_at, 0, volts > 180.0 ? 50.0 : 60.0, -2);
    if (m->floats) {
        put_float(m->model + WH_EXPORTED_FLOATS, 0.0);
        put_float(m->model + WH_IMPORTED_FLOATS, p->watt_hours);
        return;
    }
    uint32_t watt_hours = (uint32_t)p->watt_hours;
    m->model[WH_IMPORTED_INTS] = (uint16_t)(watt_hours >> 16);
    m->model[WH_IMPORTED_INTS + 1] = (uint16_t)watt_hours;
    m->model[WH_SCALE] = 0;
}

int house_sunspec_fill(const struct house_phases *p, const char *serial,
                       uint16_t words[HOUSE_SUNSPEC_MOST])
{
    const struct image m = {words + 2 + 68, p->floats};
    int length = p->floats ? LENGTH_FLOATS : LENGTH_INTS, end = 2 + 68 + 2 + length;
    memset(words, 0, HOUSE_SUNSPEC_MOST * sizeof words[0]);
    words[0] = 0x5375; /* "SunS" */
    words[1] = 0x6E53;
    words[2] = 1;
    words[3] = 66;
    put_text(words + 4, 16, "foretrip-house");
    put_text(words + 20, 16, "simulated");
    put_text(words + 44, 8, "1");
    put_text(words + 52, 16, serial);
    m.model[0] = (uint16_t)((p->floats ? 210 : 200) + p->legs);
    m.model[1] = (uint16_t)length;
    put_all_absent(&m);
    put_phases(&m, p);
    words[end] = 0xFFFF;
    return end + 2;
}
