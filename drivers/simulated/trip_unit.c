#include "trip_unit.h"

#include <math.h>

#define UL_CALIBRATION_CELSIUS 25.0 /* of the 135 % and the 200 % test */
#define UL_HOLD_CELSIUS 40.0        /* of the 100 % test */
#define IEC_REFERENCE_CELSIUS 30.0

struct rates {
    double bimetal, around;
};

static struct rates rates(const struct trip_unit *u, struct trip_heat h, double source,
                          double ambient)
{
    double flow = h.bimetal - h.around;
    return (struct rates){
        .bimetal = (source - flow) / u->bimetal_seconds,
        .around =
            (u->share / (1.0 - u->share) * flow - (h.around - ambient)) / u->around_seconds,
    };
}

enum trip_unit_verdict trip_unit_step(const struct trip_unit *u, struct trip_heat *h,
                                      double amps, double ambient_celsius, double seconds)
{
    double ratio = amps / (u->hold * u->rating_amps);
    double source = (1.0 - u->share) * ratio * ratio;
    double ambient = (ambient_celsius - u->reference_celsius) / u->rise_celsius;

    /* midpoint rule: the time constants are seconds and more, the step at most one second */
    struct rates at = rates(u, *h, source, ambient);
    struct trip_heat mid = {h->bimetal + 0.5 * seconds * at.bimetal,
                            h->around + 0.5 * seconds * at.around};
    at = rates(u, mid, source, ambient);
    h->bimetal += seconds * at.bimetal;
    h->around += seconds * at.around;

    if (amps >= u->magnetic * u->rating_amps)
        return TRIP_UNIT_MAGNET;
    return h->bimetal >= 1.0 && !u->stuck ? TRIP_UNIT_HEAT : TRIP_UNIT_HOLDS;
}

double trip_unit_seconds(const struct trip_unit *u, struct trip_heat h, double amps,
                         double ambient_celsius, double limit)
{
    const double step = 0.25;
    for (int64_t n = 1; (double)n * step < limit; n++)
        if (trip_unit_step(u, &h, amps, ambient_celsius, step) != TRIP_UNIT_HOLDS)
            return (double)n * step;
    return limit;
}

/* as cold as the room */
static struct trip_heat cold(const struct trip_unit *u, double ambient_celsius)
{
    double a = (ambient_celsius - u->reference_celsius) / u->rise_celsius;
    return (struct trip_heat){a, a};
}

static double ul_200_percent_seconds(double rating_amps)
{
    static const double rows[][2] = {{30, 120},  {50, 240},  {100, 360}, {150, 480},
                                     {225, 600}, {400, 720}, {600, 840}, {INFINITY, 960}};
    for (size_t i = 0;; i++)
        if (rating_amps <= rows[i][0])
            return rows[i][1];
}

static bool keeps_ul489(const struct trip_unit *u)
{
    double in = u->rating_amps;
    double hour = in <= 50.0 ? 3600.0 : 7200.0;
    struct trip_heat h = cold(u, UL_CALIBRATION_CELSIUS);
    double limit = ul_200_percent_seconds(in);
    /* 100 % "until temperatures are stable": for ever, so by the steady state */
    double warm = (UL_HOLD_CELSIUS - u->reference_celsius) / u->rise_celsius;
    return 1.0 / (u->hold * u->hold) + warm < 1.0 &&
           trip_unit_seconds(u, h, 2.0 * in, UL_CALIBRATION_CELSIUS, limit) < limit &&
           trip_unit_seconds(u, h, 1.35 * in, UL_CALIBRATION_CELSIUS, hour) < hour;
}

static bool keeps_iec60898(const struct trip_unit *u)
{
    double in = u->rating_amps, ambient = IEC_REFERENCE_CELSIUS;
    double hour = in <= 63.0 ? 3600.0 : 7200.0;
    double longest = in <= 32.0 ? 60.0 : 120.0;
    struct trip_heat h = cold(u, ambient);
    double t = trip_unit_seconds(u, h, 2.55 * in, ambient, longest);
    if (t <= 1.0 || t >= longest)
        return false;
    for (int half_seconds = 0; half_seconds < (int)hour * 2; half_seconds++)
        if (trip_unit_step(u, &h, 1.13 * in, ambient, 0.5) != TRIP_UNIT_HOLDS)
            return false;
    return trip_unit_seconds(u, h, 1.45 * in, ambient, hour) < hour;
}

bool trip_unit_keeps_standard(const struct trip_unit *u, enum site_standard standard)
{
    return standard == SITE_UL489 ? keeps_ul489(u) : keeps_iec60898(u);
}

static double draw_magnetic(enum site_standard standard, char type, struct chance *c)
{
    if (standard == SITE_UL489)
        return chance_between(c, 6.0, 12.0); /* published 15-30 A curves: 5 to 10, up to 20 */
    switch (type) {
    case 'B': return chance_between(c, 3.1, 4.9);
    case 'D': return chance_between(c, 10.5, 19.5);
    default: return chance_between(c, 5.2, 9.8);
    }
}

struct trip_unit trip_unit_draw(enum site_standard standard, double rating_amps, char type,
                                enum trip_unit_condition condition, struct chance *c)
{
    bool ul = standard == SITE_UL489;
    double slower = sqrt(rating_amps > 20.0 ? rating_amps / 20.0 : 1.0); /* bigger is heavier */
    struct trip_unit u = {
        .rating_amps = rating_amps,
        .reference_celsius = ul ? UL_CALIBRATION_CELSIUS : IEC_REFERENCE_CELSIUS,
        .magnetic = draw_magnetic(standard, type, c),
    };
    /* wide draws; the standard says which of them may leave the factory. More than half may. */
    for (int tries = 0; tries < 10000; tries++) {
        u.hold = chance_between(c, 1.05, 1.42);
        u.share = chance_between(c, 0.08, 0.40);
        u.bimetal_seconds = chance_between(c, 20.0, 140.0) * slower;
        u.around_seconds = chance_between(c, 240.0, 1500.0) * slower;
        u.rise_celsius = chance_between(c, 65.0, 110.0);
        if (trip_unit_keeps_standard(&u, standard))
            break;
    }
    if (condition == TRIP_UNIT_WORN)
        u.hold = chance_between(c, 0.72, 0.92);
    u.stuck = condition == TRIP_UNIT_STUCK;
    return u;
}
