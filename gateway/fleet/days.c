#include "days.h"

#include "base/text.h"

#include <jansson.h>

#include <math.h>

struct handing {
    day_fn *fn;
    void *context;
};

static double number(const json_t *o, const char *member)
{
    const json_t *v = json_object_get(o, member);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static bool hand_on(void *context, const struct sql_value *row)
{
    const struct handing *h = context;
    json_t *o = json_loads(sql_as_words(&row[2]), 0, NULL);
    const char *day = json_string_value(json_object_get(o, "day"));
    const struct day_of_unit d = {
        .site = sql_as_words(&row[0]),
        .name = sql_as_words(&row[1]),
        .day = day ? day : "",
        .kwh = number(o, "kwh"),
        .peak_watts = number(o, "peak_watts"),
        .seconds_without = number(o, "seconds_without"),
        .trips = json_integer_value(json_object_get(o, "trips")),
        .warnings = json_integer_value(json_object_get(o, "warnings")),
        .alarms = json_integer_value(json_object_get(o, "alarms")),
    };
    bool on = h->fn(h->context, &d);
    json_decref(o);
    return on;
}

enum sql_err days_read(struct sql *s, int64_t since_ms, const char *site_id, day_fn *fn,
                       void *context)
{
    static const char text[] =
        "SELECT s.id, s.name, r.json FROM records r JOIN sites s ON s.site = r.site"
        " WHERE r.type = 'site_day' AND r.filed_ms >= $1 AND ($2 = '' OR s.id = $2)"
        " AND NOT EXISTS (SELECT 1 FROM records n WHERE n.site = r.site"
        " AND n.type = 'site_day' AND n.filed_ms >= $1 AND n.seq > r.seq) ORDER BY s.id";
    const struct sql_value params[] = {sql_number(since_ms), sql_words(site_id ? site_id : "")};
    return sql_query(s, text, params, 2, hand_on, &(struct handing){fn, context}, NULL);
}

static bool add(void *context, const struct day_of_unit *d)
{
    struct days_sums *x = context;
    x->units++;
    x->trips += d->trips;
    x->warnings += d->warnings;
    x->alarms += d->alarms;
    x->kwh += d->kwh > 0.0 ? d->kwh : 0.0;
    if (d->peak_watts > x->peak_watts || (isnan(x->peak_watts) && !isnan(d->peak_watts))) {
        x->peak_watts = d->peak_watts;
        text_copy(x->peak_site, sizeof x->peak_site, d->site);
    }
    return true;
}

enum sql_err days_sum(struct sql *s, int64_t since_ms, struct days_sums *out)
{
    *out = (struct days_sums){.peak_watts = NAN};
    return days_read(s, since_ms, NULL, add, out);
}
