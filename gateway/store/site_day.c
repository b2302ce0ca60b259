#include "site_day.h"

#include "energy.h"
#include "history.h"

#include "base/clock.h"
#include "model/frame.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DAY_MS INT64_C(86400000)
#define MOST_QUARTERS 100 /* of the day on which clocks are set back */
#define MOST_TRIPS 1000
#define COLUMN_SIZE (2 * SITE_ID_SIZE)

static int64_t local_ms(const struct site *s, int64_t wall_ms)
{
    return wall_ms + clock_utc_offset_seconds(s->timezone, wall_ms) * INT64_C(1000);
}

int64_t site_day_of(const struct site *s, int64_t wall_ms)
{
    int64_t local = local_ms(s, wall_ms);
    return local / DAY_MS - (local % DAY_MS < 0);
}

/* when that local date begins; clocks are changed at night, so twice is enough */
static int64_t begin_of(const struct site *s, int64_t day)
{
    int64_t at = day * DAY_MS;
    for (int i = 0; i < 2; i++)
        at = day * DAY_MS - clock_utc_offset_seconds(s->timezone, at) * INT64_C(1000);
    return at;
}

struct summing {
    const struct site *site;
    struct store_reader *reader;
    int64_t edges[MOST_QUARTERS + 1];
    size_t count;
    double watts[MOST_QUARTERS];
    double least_seconds[MOST_QUARTERS]; /* of the pole that was measured least */
    double kwh;
    struct event_site_day *out;
};

/* behind the feeder something is measured by itself */
static bool is_measured_behind(const struct site *s, const struct site_circuit *c)
{
    for (size_t i = 0; c->feeds_panel >= 0 && i < s->circuit_count; i++)
        if (s->circuits[i].panel == c->feeds_panel && s->circuits[i].meter >= 0)
            return true;
    return false;
}

static enum store_err read_pole(const struct summing *x, enum frame_quantity q, int pole,
                                struct history_bucket *quarters, bool *any)
{
    char column[COLUMN_SIZE];
    frame_column_name(x->site, (size_t)q * x->site->poles_total + (size_t)pole, column,
                      sizeof column);
    enum store_err err =
        history_buckets(x->reader, column, x->edges, x->count, HISTORY_EXACT, quarters);
    *any = false;
    for (size_t i = 0; !err && i < x->count; i++)
        *any = *any || quarters[i].seconds > 0.0;
    return err;
}

static enum store_err add_pole(struct summing *x, int pole)
{
    struct history_bucket quarters[MOST_QUARTERS];
    double scale = 1.0;
    bool any;
    enum store_err err = read_pole(x, FRAME_WATTS, pole, quarters, &any);
    if (!err && !any) {
        scale = x->site->nominal_volts;
        err = read_pole(x, FRAME_AMPS, pole, quarters, &any);
    }
    for (size_t i = 0; !err && i < x->count; i++) {
        const struct history_bucket *b = &quarters[i];
        if (!(b->seconds >= x->least_seconds[i]))
            x->least_seconds[i] = b->seconds;
        if (!(b->seconds > 0.0))
            continue;
        x->watts[i] += b->mean * scale;
        x->kwh += b->mean * scale * b->seconds / 3.6e6;
    }
    return err;
}

static enum store_err add_energy(struct summing *x)
{
    const struct site *s = x->site;
    enum store_err err = STORE_OK;
    for (size_t i = 0; i < x->count; i++)
        x->least_seconds[i] = (double)ENERGY_STEP_MS / 1000.0;
    for (size_t c = 0; c < s->circuit_count && !err; c++)
        for (int p = 0; p < s->circuits[c].poles && !err; p++)
            if (s->circuits[c].meter >= 0 && !is_measured_behind(s, &s->circuits[c]))
                err = add_pole(x, s->circuits[c].first_pole + p);
    double with = 0.0, peak = NAN;
    for (size_t i = 0; i < x->count; i++) {
        with += x->least_seconds[i];
        if (x->least_seconds[i] >= 0.9 * (double)ENERGY_STEP_MS / 1000.0 &&
            !(x->watts[i] <= peak))
            peak = x->watts[i];
    }
    x->out->kwh = with > 0.0 ? x->kwh : (double)NAN;
    x->out->peak_watts = peak;
    x->out->seconds_without =
        (double)(x->edges[x->count] - x->edges[0]) / 1000.0 - (with > 0.0 ? with : 0.0);
    return err;
}

static bool see_trip(void *context, const struct store_trip_row *row)
{
    struct event_site_day *d = context;
    d->trips += strcmp(row->stage, trip_stage_name(TRIP_WITHDRAWN)) != 0;
    return true;
}

static const char *word(const json_t *o, const char *member)
{
    const char *v = json_string_value(json_object_get(o, member));
    return v ? v : "";
}

/* each raising once: the event whose time is when it was raised */
static bool see_event(void *context, const struct store_event_row *row)
{
    struct event_site_day *d = context;
    if (strcmp(row->type, event_type_name(EVENT_ALARM)) != 0)
        return true;
    json_t *o = json_loads(row->json, 0, NULL);
    bool raised = strcmp(word(o, "state"), alarm_state_name(ALARM_UNACKNOWLEDGED)) == 0 &&
                  strcmp(word(o, "time"), word(o, "raised_at")) == 0 &&
                  !json_is_true(json_object_get(o, "alert"));
    bool warning = strcmp(word(o, "kind"), alarm_kind_name(ALARM_NEAR_OVERLOAD)) == 0;
    d->warnings += raised && warning;
    d->alarms += raised && !warning;
    json_decref(o);
    return true;
}

enum store_err site_day_before(const struct site *s, struct store_reader *r, int64_t wall_ms,
                               struct event_site_day *out)
{
    struct summing x = {.site = s, .reader = r, .out = out};
    int64_t day = site_day_of(s, wall_ms) - 1, from = begin_of(s, day),
            to = begin_of(s, day + 1);
    int year, month, date;
    *out = (struct event_site_day){.from_wall_ms = from, .to_wall_ms = to};
    clock_date_from_days(day, &year, &month, &date);
    snprintf(out->day, sizeof out->day, "%04u-%02u-%02u", (unsigned)year % 10000U,
             (unsigned)month % 100U, (unsigned)date % 100U);
    for (; x.count < MOST_QUARTERS && from + (int64_t)x.count * ENERGY_STEP_MS < to; x.count++)
        x.edges[x.count] = from + (int64_t)x.count * ENERGY_STEP_MS;
    x.edges[x.count] = to;
    enum store_err err = add_energy(&x);
    if (!err)
        err = store_read_trips(r, from, to, false, MOST_TRIPS, see_trip, out);
    if (!err)
        err = store_read_events_between(r, NULL, from, to - 1, see_event, out);
    return err;
}
