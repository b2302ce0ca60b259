/* What a circuit used, by the site's days, and the most it asked for over a quarter of an hour.
 */
#include "api.h"

#include "base/clock.h"
#include "model/event_json.h"
#include "model/frame.h"
#include "store/energy.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define DAY_MS INT64_C(86400000)
#define COLUMN_SIZE (2 * SITE_ID_SIZE)

struct use {
    const struct api_call *call;
    const struct site_circuit *circuit;
    struct energy_span *span;
    struct history_bucket *quarters;
    struct energy_day *days;
    bool by_amps;     /* there are no watts: amps by the nominal voltage */
    double most_amps; /* NaN: no quarter with readings */
    int64_t most_at_wall_ms;
};

/* the zone was set before the threads began (web_start), so this only reads it */
static int32_t offset(void *context, int64_t wall_ms)
{
    const struct site *s = context;
    return clock_utc_offset_seconds(s->timezone, wall_ms);
}

static enum store_err read_pole(struct use *u, enum frame_quantity quantity, int pole)
{
    const struct site *s = u->call->x->site;
    char column[COLUMN_SIZE];
    frame_column_name(
        s, (size_t)quantity * s->poles_total + (size_t)(u->circuit->first_pole + pole), column,
        sizeof column);
    return history_buckets(u->call->reader, column, u->span->edges, u->span->count,
                           HISTORY_EXACT, u->quarters);
}

static bool has_readings(const struct use *u)
{
    for (size_t i = 0; i < u->span->count; i++)
        if (u->quarters[i].seconds > 0.0)
            return true;
    return false;
}

/* demand: the mean over a quarter that was measured for the most part, of the hotter pole */
static void look_for_most(struct use *u)
{
    for (size_t i = 0; i < u->span->count; i++) {
        const struct history_bucket *b = &u->quarters[i];
        if (b->seconds < (double)ENERGY_STEP_MS / 1000.0 * 0.9 || !(b->mean > 0.0) ||
            b->mean <= u->most_amps)
            continue;
        u->most_amps = b->mean;
        u->most_at_wall_ms = u->span->edges[i];
    }
}

static enum store_err add_up(struct use *u)
{
    enum store_err err = STORE_OK;
    for (int pole = 0; pole < u->circuit->poles && err == STORE_OK; pole++) {
        bool watts = false;
        err = read_pole(u, FRAME_WATTS, pole);
        if (err == STORE_OK && (watts = has_readings(u)))
            energy_add(u->span, u->call->x->tariff, u->quarters, 1.0, u->days);
        if (err == STORE_OK)
            err = read_pole(u, FRAME_AMPS, pole);
        if (err != STORE_OK)
            break;
        look_for_most(u);
        if (!watts)
            energy_add(u->span, u->call->x->tariff, u->quarters,
                       u->call->x->site->nominal_volts, u->days);
        u->by_amps |= !watts;
    }
    return err;
}

static json_t *day_json(const struct use *u, size_t i)
{
    char date[16];
    int year, month, day;
    const struct energy_day *d = &u->days[i];
    clock_date_from_days(u->span->days[i], &year, &month, &day);
    snprintf(date, sizeof date, "%04d-%02d-%02d", year, month, day);
    json_t *o =
        json_pack("{s:s, s:o, s:o}", "date", date, "kwh", event_json_number(d->kwh, 0.001),
                  "seconds_without", event_json_number(d->seconds_without, 1.0));
    json_object_set_new(o, "cost",
                        u->call->x->tariff->currency[0] ? event_json_number(d->cost, 0.001)
                                                        : json_null());
    return o;
}

static void write_use(const struct use *u, struct web_answer *out)
{
    const struct tariff *t = u->call->x->tariff;
    json_t *days = json_array();
    for (size_t i = 0; i < u->span->day_count; i++)
        json_array_append_new(days, day_json(u, i));
    json_t *demand =
        isnan(u->most_amps) || u->most_amps <= 0.0
            ? json_null()
            : json_pack("{s:o, s:o}", "amps", event_json_number(u->most_amps, 0.01), "at",
                        event_json_time(u->most_at_wall_ms));
    web_json(out, json_pack("{s:s, s:o, s:o, s:b, s:o}", "circuit", u->circuit->id, "currency",
                            t->currency[0] ? json_string(t->currency) : json_null(), "days",
                            days, "by_amps", u->by_amps, "demand", demand));
}

void api_energy(const struct api_call *c, struct web_answer *out)
{
    int64_t from, to;
    int circuit = api_span_of(c, out, DAY_MS, 400 * DAY_MS,
                              "from must be before to, by 400 days at the most", &from, &to);
    if (circuit < 0)
        return;
    struct use u = {.call = c,
                    .circuit = &c->x->site->circuits[circuit],
                    .span =
                        energy_span_create(c->x->tariff, from, to, offset, (void *)c->x->site)};
    u.quarters = u.span ? calloc(u.span->count + 1, sizeof *u.quarters) : NULL;
    u.days = u.span ? calloc(u.span->day_count + 1, sizeof *u.days) : NULL;
    if (!u.quarters || !u.days)
        web_error(out, 500, "memory is short");
    else if (!api_store_failed(add_up(&u), out))
        write_use(&u, out);
    free(u.quarters);
    free(u.days);
    energy_span_destroy(u.span);
}
