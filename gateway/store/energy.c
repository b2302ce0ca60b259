#include "energy.h"

#include <math.h>
#include <stdlib.h>

#define DAY_SECONDS INT64_C(86400)
#define STEP_SECONDS (TARIFF_STEP_MINUTES * 60.0)

/* the local clock's day and minute of a moment after 1970 */
static int64_t local_day(int64_t wall_ms, int32_t offset_seconds, int *minute)
{
    int64_t seconds = wall_ms / 1000 + offset_seconds;
    int64_t day = seconds >= 0 ? seconds / DAY_SECONDS : -1;
    *minute = (int)((seconds - day * DAY_SECONDS) / 60);
    return day;
}

static void fill(struct energy_span *s, const struct tariff *t, int64_t first,
                 energy_offset_fn *offset, void *context)
{
    for (size_t i = 0; i < s->count; i++) {
        int64_t begins = first + (int64_t)i * ENERGY_STEP_MS;
        int minute;
        int64_t day = local_day(begins, offset(context, begins), &minute);
        s->edges[i] = begins;
        s->slots[i] = (uint8_t)tariff_slot(t, day, minute);
        /* dates never fall back: a clock set back over midnight goes on with the later one */
        if (s->day_count == 0 || day > s->days[s->day_count - 1])
            s->days[s->day_count++] = day;
        s->at_day[i] = (int32_t)s->day_count - 1;
    }
    s->edges[s->count] = first + (int64_t)s->count * ENERGY_STEP_MS;
}

struct energy_span *energy_span_create(const struct tariff *t, int64_t from_wall_ms,
                                       int64_t to_wall_ms, energy_offset_fn *offset,
                                       void *context)
{
    struct energy_span *s = calloc(1, sizeof *s);
    if (!s)
        return NULL;
    int64_t first = from_wall_ms / ENERGY_STEP_MS * ENERGY_STEP_MS;
    s->count = to_wall_ms > first
                   ? (size_t)((to_wall_ms - first + ENERGY_STEP_MS - 1) / ENERGY_STEP_MS)
                   : 0;
    s->edges = malloc((s->count + 1) * sizeof *s->edges);
    s->at_day = malloc((s->count + 1) * sizeof *s->at_day);
    s->slots = malloc(s->count + 1);
    s->days = malloc((s->count + 1) * sizeof *s->days);
    if (!s->edges || !s->at_day || !s->slots || !s->days) {
        energy_span_destroy(s);
        return NULL;
    }
    fill(s, t, first, offset, context);
    return s;
}

void energy_span_destroy(struct energy_span *s)
{
    if (!s)
        return;
    free(s->edges);
    free(s->at_day);
    free(s->slots);
    free(s->days);
    free(s);
}

void energy_add(const struct energy_span *s, const struct tariff *t,
                const struct history_bucket *quarters, double scale, struct energy_day *days)
{
    for (size_t i = 0; i < s->count;) {
        int32_t at = s->at_day[i];
        struct energy_day *d = &days[at];
        double without = 0.0;
        for (; i < s->count && s->at_day[i] == at; i++) {
            const struct history_bucket *q = &quarters[i];
            without += STEP_SECONDS - q->seconds;
            if (isnan(q->mean))
                continue;
            double kwh = q->mean * scale * q->seconds / 3.6e6;
            d->kwh += kwh;
            d->cost += kwh * tariff_slot_price(t, s->slots[i]);
            d->kwh_at[s->slots[i]] += kwh;
        }
        d->seconds_without = fmax(d->seconds_without, without);
    }
}

void energy_join(struct energy_day *into, const struct energy_day *from)
{
    into->kwh += from->kwh;
    into->cost += from->cost;
    for (size_t i = 0; i < TARIFF_SLOTS; i++)
        into->kwh_at[i] += from->kwh_at[i];
    into->seconds_without += from->seconds_without;
}
