#include "suppression.h"

#include <stdlib.h>

#define NOT_YET (-3) /* nothing was said of the panel since the start */

struct suppression {
    const struct site *site;
    struct alarms *alarms;
    int *by; /* per panel, as last told to the alarms */
};

static const enum alarm_kind of_circuits[] = {
    ALARM_NEAR_OVERLOAD,   ALARM_CONTINUOUS_LOAD,       ALARM_TRIP,
    ALARM_FEEDER_OVERLOAD, ALARM_ESSENTIAL_LOAD_SILENT, ALARM_SENSOR_MISMATCH,
    ALARM_SHARED_NEUTRAL,  ALARM_PERMISSIBLE_LOAD};
static const enum alarm_kind of_panels[] = {ALARM_SUPPLY_VOLTAGE, ALARM_LEG_IMBALANCE,
                                            ALARM_FEEDER_OVERLOAD, ALARM_SENSOR_MISMATCH};

struct suppression *suppression_create(const struct site *s, struct alarms *a)
{
    struct suppression *u = calloc(1, sizeof *u);
    if (!u)
        return NULL;
    *u = (struct suppression){.site = s, .alarms = a};
    u->by = malloc((s->panel_count + 1) * sizeof *u->by);
    if (!u->by) {
        free(u);
        return NULL;
    }
    for (size_t p = 0; p < s->panel_count; p++)
        u->by[p] = NOT_YET;
    return u;
}

void suppression_destroy(struct suppression *u)
{
    if (!u)
        return;
    free(u->by);
    free(u);
}

static bool is_open(const struct suppression *u, int circuit)
{
    const struct alarm_subject subject = {u->site->circuits[circuit].panel, circuit, -1};
    return alarms_condition(u->alarms, ALARM_TRIP, subject);
}

/* What keeps the panel without supply: the nearest open feeder on the way up, or the utility.
 */
static int judge(const struct suppression *u, size_t panel)
{
    const struct site *s = u->site;
    int feeder = s->panels[panel].fed_by;
    for (size_t step = 0; feeder >= 0 && step < s->panel_count; step++) {
        if (is_open(u, feeder))
            return feeder;
        feeder = s->panels[s->circuits[feeder].panel].fed_by;
    }
    return alarms_condition(u->alarms, ALARM_TRIP, ALARM_SUBJECT_SITE) ? EVENT_BY_UTILITY
                                                                       : EVENT_BY_NONE;
}

/* What is silent for the circuit's own sake stays so: its trip, when it opened again and people
 * are told to leave it off (trip_alarms.h). */
static void tell_circuit(const struct suppression *u, int c, int by, int64_t wall_ms)
{
    const struct alarm_subject subject = {u->site->circuits[c].panel, c, -1};
    for (size_t k = 0; k < sizeof of_circuits / sizeof of_circuits[0]; k++)
        if (alarms_suppressed_by(u->alarms, of_circuits[k], subject) != c)
            alarms_suppress(u->alarms, of_circuits[k], subject, wall_ms, by);
}

static void tell(const struct suppression *u, size_t panel, int by, int64_t wall_ms)
{
    const struct site *s = u->site;
    for (size_t c = 0; c < s->circuit_count; c++)
        if (s->circuits[c].panel == (int)panel)
            tell_circuit(u, (int)c, by, wall_ms);
    for (size_t k = 0; k < sizeof of_panels / sizeof of_panels[0]; k++)
        alarms_suppress(u->alarms, of_panels[k], (struct alarm_subject){(int)panel, -1, -1},
                        wall_ms, by);
    for (size_t m = 0; m < s->meter_count; m++)
        if (s->meters[m].panel == (int)panel)
            alarms_suppress(u->alarms, ALARM_METER_LOST, (struct alarm_subject){-1, -1, (int)m},
                            wall_ms, by);
}

void suppression_step(struct suppression *u, int64_t wall_ms)
{
    for (size_t p = 0; p < u->site->panel_count; p++) {
        int by = judge(u, p);
        if (by == u->by[p])
            continue;
        u->by[p] = by;
        tell(u, p, by, wall_ms);
    }
}
